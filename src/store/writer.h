/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/writer: the one thread that writes. It takes what is queued in batches,
 * each one transaction; entries leave the queue only when their commit is on
 * the disk, so a failure (full, locked, broken) just means trying again.
 *
 * An operation is something a caller waits for. It is on the heap and belongs
 * to the writer while it is listed; a caller that gives up leaves it there. */
#ifndef AMPLEDGER_STORE_WRITER_H
#define AMPLEDGER_STORE_WRITER_H

#include "store/queue.h"
#include "store/sql.h"
#include "store/store.h"

#include <pthread.h>

#define STORE_COMMIT_MS 1000 /* an entry waits at most this long for its commit to begin */
#define STORE_BATCH_MAX 8192 /* entries per transaction, so that none takes long */
#define STORE_RETRY_MS 200   /* pause after a failure */
/* Unwritten for longer: "cannot record". Minutes, as most disks that are full,
 * locked or slow are well again by then and a night's test is not; and four
 * stands with ten samples a second need a ninth of the queue meanwhile. */
#define STORE_PATIENCE_MS (STORE_PATIENCE_S * 1000)
/* Waiting does not mend a database that is damaged, gone or not ours to write. */
#define STORE_HOPELESS_MS 10000
#define STORE_LATE_MS 5000 /* unwritten for longer is worth telling */
#define STORE_OP_TIMEOUT_MS 5000
#define STORE_CLOSE_MS 5000

/* Statements of the writer's connection. */
enum writer_sql {
    W_BEGIN,
    W_COMMIT,
    W_SAVEPOINT,
    W_ROLLBACK_TO,
    W_RELEASE,
    W_SAMPLE,
    W_NEXT_SEQ,
    W_PACK_RUN,
    W_PACK_ROWS,
    W_BLOCK,
    W_PACKED,
    W_STEP_BEGIN,
    W_STEP_END,
    W_EVENT,
    W_BATTERY_ADD,
    W_BATTERY_RETIRE,
    W_BATTERY_WAS,
    W_BATTERY_EDIT,
    W_BATTERY_KNOWN,
    W_TEXT,
    W_RUN_BEGIN,
    W_RUN_INSTRUMENT,
    W_RUN_END,
    W_RUN_STATE,
    W_LATCH_SET,
    W_LATCH_CLEAR,
    W_INTERRUPTED_EVENTS,
    W_INTERRUPTED,
    W_RESUME,
    W_KNOWN_INSTRUMENT,
    W_ROW_WAITING,
    W_ROW_FIND,
    W_ROW_ADD,
    W_ROW_DROP,
    W_ROW_MOVE,
    W_ROW_ASKED,
    W_ROW_RUN,
    W_IMPORT_KNOWN,
    W_IMPORT_FILE,
    W_IMPORT_SAME,
    W_IMPORT_RUN,
    W_IMPORT_SOURCE,
    W_STEP_TIMES,
    W_IMPORT_END,
    W_IMPORT_WHOLE,
    W_IMPORT_STATE,
    W_IMPORT_LEAVE,
    W_IMPORTS_LEAVE,
    W_IMPORT_NEXT_LEFT,
    W_IMPORT_DROP_SAMPLES,
    W_IMPORT_DROP_STEP,
    W_IMPORT_DROP_SOURCE,
    W_IMPORT_DROP_RUN,
    W_COUNT
};
extern const char *const writer_sql[];

enum op_state { OP_QUEUED, OP_RUNNING, OP_COMMITTING, OP_DONE };
enum apply {
    APPLY_DONE,
    APPLY_REFUSED, /* the operation's own fault: op->err says why; others go on */
    APPLY_TROUBLE  /* the database's: the whole batch is tried again */
};

struct writer;
struct op;
typedef enum apply op_apply(struct writer *w, struct op *op);

struct op {
    struct op *next;
    op_apply *apply;
    const char *doing; /* "write the start of the run", for messages */
    enum op_state state;
    bool insist;    /* is written also when the caller has stopped waiting */
    bool cancelled; /* the caller has gone: the writer frees it */
    bool ok;
    uint64_t after; /* must follow all entries before this number */
    struct err err;

    /* Arguments (texts are owned through `owned`) and results. */
    int64_t nr, utc_ns;
    int count;
    enum run_outcome outcome;
    struct run_trip trip;
    char name[LABEL_SIZE]; /* a stand or a label */
    struct battery battery;
    struct run_begin run;
    const char *result_json;
    char *owned[16];
    size_t owned_count;
    void *extra; /* what only one kind of operation has; owned (free()) */
};

struct op *op_new(op_apply *apply, const char *doing);
/* Owned copy of a text that lives as long as the operation; NULL stays NULL. */
const char *op_keep(struct op *op, const char *text);
void op_free(struct op *op);

#define WRITER_SEQS 8

struct writer {
    struct store_db db; /* writer thread only, once it runs */
    pthread_t thread;
    pthread_mutex_t mutex;
    pthread_cond_t wake, done;
    /* Under the mutex: */
    struct queue queue;
    struct op *ops;
    bool urgent, stop;
    int64_t stop_deadline_ns;
    bool in_trouble;
    struct err trouble; /* the last failure, while in_trouble */
    bool may_pass;      /* that failure, without anybody touching the file */
    int patience_ms;
    bool said_full;
    /* Writer thread only: */
    struct {
        int64_t nr, next;
    } seq[WRITER_SEQS];
    size_t seq_evict;
    int64_t trouble_since_ns, trouble_said_ns;
    struct store_db look;   /* reads back what was written; not open before the first look */
    int64_t looked_back_ns; /* when that was last done */
    int attempts;
    long long dropped;
    struct {
        bool wanted;           /* there may be something to tidy */
        size_t since;          /* entries written since that was said */
        int64_t took_ns;       /* the last piece of it */
        int64_t not_before_ns; /* it rests until then */
        int64_t after_nr;      /* runs up to this one are packed, or cannot be */
        int64_t said_ns;       /* when it was last told that it cannot; 0 never */
    } tidy;
};

/* d is a connection opened for writing; taken over also on failure. */
bool writer_start(struct writer *w, const struct store_db *d, struct err *e) NODISCARD;
void writer_stop(struct writer *w);

bool writer_push(struct writer *w, struct entry entry, const struct note *note);
/* Has the oldest entry waited longer than there is patience? *e (may be NULL) says why. */
bool writer_gave_up(struct writer *w, struct err *e);
/* Has it waited longer than it should? *e (may be NULL) says how long and why. */
bool writer_is_late(struct writer *w, struct err *e);

/* Takes op. Returns it when done (then the caller frees it), NULL with *e filled otherwise. */
struct op *writer_do(struct writer *w, struct op *op, int timeout_ms, struct err *e);

/* Write one queued entry; an SQLite code. Entries that the tables refuse are
 * logged, counted and skipped: they would be refused for ever. */
int writer_apply_entry(struct writer *w, const struct entry *entry);
/* The next sample of a run, numbered; an SQLite code. */
int writer_put_sample(struct writer *w, int64_t nr, int step, const struct sample *sample);
/* What was left of imports goes, later and in pieces; an SQLite code. */
int writer_leave_imports(struct writer *w);
/* A statement without parameters; an SQLite code. */
int writer_run(struct writer *w, int which);
/* What may wait until nothing else does, each in a transaction of its own that the caller
 * begins, ends and takes back; an SQLite code. *nr is the run it is about, 0: there was nothing
 * to do. Move the oldest rows of a run (after tidy.after_nr) into a block; take away a piece
 * of what was left of an import. */
int writer_pack(struct writer *w, int64_t *nr);
int writer_sweep(struct writer *w, int64_t *nr);
/* One piece of either. Trouble with it is told now and then, and does no harm. */
void writer_tidy(struct writer *w);
/* After a rollback the running numbers are no longer what they were. */
void writer_forget_seqs(struct writer *w);

#endif
