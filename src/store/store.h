/* SPDX-License-Identifier: GPL-3.0-or-later
 * store: the database. One writer thread owns the file; run loops only enqueue,
 * so a slow disk never delays the guard. Readers have connections of their own.
 *
 * Hides SQLite: WAL, application_id, user_version, migrations, the lock that
 * keeps a second daemon away. Samples are append-only. Commits are at most 2 s
 * (real time) apart, and at once on step changes, events, trips and ends; each
 * commit is on the disk (fsync) before it counts.
 *
 * Times come from the caller (test clock, UTC labels); the store itself only
 * measures how long it waits, in real time. All store_ functions are
 * thread-safe; a reader serves one thread at a time. */
#ifndef AMPLEDGER_STORE_STORE_H
#define AMPLEDGER_STORE_STORE_H

#include "base/battery.h"
#include "base/err.h"
#include "base/sample.h"

#include <stddef.h>
#include <stdint.h>

struct store;

/* Open or create and migrate. Refuses, leaving the file untouched: not a
 * database, another program's database (application_id), one from a newer
 * version; each message says what to do (ERR_CONFIG). One in use by another
 * process is ERR_REFUSED and names the process. Beside PATH stand PATH.lock
 * (stays, empty of meaning when nobody holds it) and, while open, PATH-wal
 * and PATH-shm. */
bool store_open(const char *path, struct store **out, struct err *e) NODISCARD;
/* Writes what is queued (tries for 5 s, then says in the log how much is lost),
 * checkpoints, closes. NULL is fine. Nobody may be inside another call. */
void store_close(struct store *s);
const char *store_path(const struct store *s);

/* How long records may wait in memory for a disk that is full, locked or slow
 * before store_is_recording() and store_put_sample() say false. What waiting does
 * not mend (a damaged or missing file, no right to write, no memory) is given
 * 10 s, or less if the patience is shorter. The queue in memory takes 65536 records. */
#define STORE_PATIENCE_S 180
/* Seconds of real time; STORE_PATIENCE_S until it is called. */
void store_set_patience(struct store *s, double patience_s);

/* True while the oldest record waits no longer than the patience. False with the reason. */
bool store_is_recording(struct store *s, struct err *e) NODISCARD;
/* True when the oldest record has waited for more than 5 s, which is no harm yet
 * but to be told: *e says how many wait, since when and why. Else *e stays as it is. */
bool store_is_late(struct store *s, struct err *e) NODISCARD;

/* Synchronous calls wait up to 5 s for a disk that is full, locked or slow and
 * then fail with ERR_STORE; nothing was changed unless the message says that it
 * may have been. The end of a run and a latched trip are not given up then: they
 * are written as soon as that is possible. */

/* --- the battery register (synchronous) --- */
/* Gives b->id and, where b->created_utc_ns is 0, the present time; label must
 * be new (ERR_CONFIG). */
bool store_battery_add(struct store *s, struct battery *b, struct err *e) NODISCARD;
/* Unknown label: ERR_NOT_FOUND, naming the nearest one. */
bool store_battery_find(struct store *s, const char *label, struct battery *out,
                        struct err *e) NODISCARD;
/* Owned array (free()), by label; retired batteries included. */
bool store_battery_list(struct store *s, struct battery **out, size_t *n, struct err *e) NODISCARD;
/* Corrects the record of b->id, all of it; a new label must be free (ERR_CONFIG). Runs
 * made before keep the record as it was then. */
bool store_battery_edit(struct store *s, const struct battery *b, int64_t utc_ns,
                        struct err *e) NODISCARD;
/* Takes a battery out of service; its history stays. Doing it again changes nothing. */
bool store_battery_retire(struct store *s, const char *label, int64_t utc_ns,
                          struct err *e) NODISCARD;

/* --- runs --- */
enum run_outcome {
    RUN_RUNNING,
    RUN_COMPLETED,
    RUN_STOPPED,
    RUN_TRIPPED,
    RUN_ABORTED,
    RUN_INTERRUPTED
};
extern const char *const run_outcome_names[]; /* "running", "completed", ... */

struct run_instrument {
    char role[16], driver[64], driver_sha256[SHA256_TEXT_SIZE], identity[160], link[160];
    const char *driver_text; /* borrowed while beginning a run; NULL when read back */
};

struct run_begin {
    char id[UUID_TEXT_SIZE];
    char battery_id[UUID_TEXT_SIZE];
    char stand[LABEL_SIZE];
    char profile[64];
    int64_t started_utc_ns;
    double lead_ohm;
    char voltage_source[16];
    const char *profile_text, *bench_text; /* full texts, stored once by SHA-256 */
    const char *plan_json;                 /* the plan as it was agreed */
    const char *software_version;
    int64_t row_nr; /* the place in a row that this run is for (store/row.h); 0 none.
                       ERR_REFUSED when that place does not wait any more */
    size_t instrument_count;
    struct run_instrument instrument[4];
};

struct run_trip {
    char reason[32];    /* "" when none */
    char sentence[256]; /* what happened, in plain words */
    int64_t at_utc_ns;
    double at_s, value, limit; /* NAN unknown */
};

/* Synchronous: the run is on disk when it returns; *nr is its number in this database. */
bool store_run_begin(struct store *s, const struct run_begin *r, int64_t *nr,
                     struct err *e) NODISCARD;

/* The following never block. They say false (the caller must stop: "cannot
 * record") when the bounded queue is full; store_put_sample also when nothing
 * could be written for so long as there is patience, and then still keeps the
 * sample. Texts that are too long for the fields below are cut. Steps are numbered
 * from 0 within a run, as they are carried out: a step that is gone through again
 * gets the next number. Event: nr 0 for one that belongs to no run; t_s NAN unknown. */
bool store_put_sample(struct store *s, int64_t nr, int step, const struct sample *sample) NODISCARD;
struct step_begin {
    int step;      /* the running number, which samples and the end name */
    int plan_step; /* its place in the plan, from 0 */
    int round;     /* how many times it has been come to, from 1 */
    const char *name, *kind;
    double start_s;
};
bool store_put_step_begin(struct store *s, int64_t nr, const struct step_begin *step) NODISCARD;
bool store_put_step_end(struct store *s, int64_t nr, int step, double end_s,
                        const char *end_reason) NODISCARD;
bool store_put_event(struct store *s, int64_t nr, int64_t utc_ns, double t_s, const char *kind,
                     const char *text) NODISCARD;

/* Wait until all that was queued before is committed. */
bool store_flush(struct store *s, int timeout_ms, struct err *e) NODISCARD;

/* Synchronous. Ends the run; trip and result_json (the computed result) may be
 * NULL. Repeating the very same end is fine; any other second end is ERR_REFUSED. */
bool store_run_end(struct store *s, int64_t nr, enum run_outcome outcome, int64_t ended_utc_ns,
                   const struct run_trip *trip, const char *result_json, struct err *e) NODISCARD;

/* Latched trips survive restarts: one per stand, the newest. Clearing keeps the
 * row with the time it was cleared; clearing a stand without one is fine. nr 0:
 * no run was active. */
bool store_latch_set(struct store *s, const char *stand, int64_t nr, const struct run_trip *trip,
                     struct err *e) NODISCARD;
bool store_latch_clear(struct store *s, const char *stand, int64_t utc_ns, struct err *e) NODISCARD;
/* *found false when the stand has none. */
bool store_latch_get(struct store *s, const char *stand, bool *found, struct run_trip *out,
                     struct err *e) NODISCARD;

/* Which instrument belongs to a stand, by role and driver: what it answered when
 * it was first asked. Of *known only role, driver and identity count. Setting
 * (synchronous) takes the place of the one before; identity "" when none is known. */
bool store_known_set(struct store *s, const char *stand, const struct run_instrument *known,
                     int64_t utc_ns, struct err *e) NODISCARD;
bool store_known_get(struct store *s, const char *stand, struct run_instrument *known,
                     struct err *e) NODISCARD;

/* Runs still marked running when the daemon starts were cut off: mark them
 * interrupted (with the time of their last sample), add an event that says so
 * at utc_ns, and return how many. What is left of a run that was being written from a file
 * (store/import.h) is taken away. */
bool store_mark_interrupted(struct store *s, int64_t utc_ns, int *count, struct err *e) NODISCARD;

/* An interrupted run goes on: it is marked running again. ERR_REFUSED when it is
 * not an interrupted one. */
bool store_run_resume(struct store *s, int64_t nr, struct err *e) NODISCARD;

/* Where a run came from that was recorded elsewhere (store/import.h). */
#define IMPORT_FILE_SIZE 128
struct import_source {
    char file[IMPORT_FILE_SIZE]; /* its name, without folders; "": the run was made here */
    char sha256[SHA256_TEXT_SIZE];
    double from_s, to_s; /* which rows of it, by their own time; NAN: from the first, to the last */
    int64_t utc_ns;      /* when it was taken over */
};

/* --- reading (own connection, any thread; path may belong to a running daemon) --- */
struct run_row {
    int64_t nr;
    char id[UUID_TEXT_SIZE];
    char battery[LABEL_SIZE];      /* label */
    struct battery battery_record; /* as it was then, but with the present label */
    char stand[LABEL_SIZE], profile[64];
    int64_t started_utc_ns, ended_utc_ns; /* 0: not ended */
    enum run_outcome outcome;
    struct run_trip trip;
    double lead_ohm;
    char voltage_source[16], software_version[32];
    char profile_sha256[SHA256_TEXT_SIZE], bench_sha256[SHA256_TEXT_SIZE];
    int64_t sample_count;
    struct import_source imported; /* file "" when it was made here */
    char *plan_json, *result_json; /* owned by the row; NULL none */
    size_t instrument_count;
    struct run_instrument instrument[4];
    size_t step_count;
    struct run_step {
        int step;             /* running number */
        int plan_step, round; /* as in struct step_begin */
        char name[48], kind[16], end_reason[64];
        double start_s, end_s; /* NAN: not ended */
    } * steps;
};
void run_row_free(struct run_row *r);

struct reader;
bool reader_open(const char *path, struct reader **out, struct err *e) NODISCARD;
/* Of what the store has open, whose tables were judged then: a tenth of the time. */
bool reader_of(const struct store *s, struct reader **out, struct err *e) NODISCARD;
void reader_close(struct reader *r);
/* Newest first, those taken over by the time they began; battery label NULL: all; limit 0: all.
 * Rows come without steps, instruments and texts. Owned array: run_row_free each (harmless), then
 * free(). */
bool reader_runs(struct reader *r, const char *battery, int limit, struct run_row **out, size_t *n,
                 struct err *e) NODISCARD;
/* `which`: a run's number, or a unique beginning of its id, or "last": the last one that was
 * made here, or where there is none, taken over.
 * ERR_NOT_FOUND, or ERR_CONFIG when ambiguous. Free with run_row_free(). */
bool reader_run(struct reader *r, const char *which, struct run_row *out, struct err *e) NODISCARD;
/* The same by its number, for who has it from another row. */
bool reader_run_nr(struct reader *r, int64_t nr, struct run_row *out, struct err *e) NODISCARD;
/* The newest completed run of a battery (by id) whose result has a verdict; *nr 0: none has. */
bool reader_judged(struct reader *r, const char *battery_id, int64_t *nr, struct err *e) NODISCARD;
/* Calls `each` for every sample in order, from a step by its running number (-1: all); each
 * returning false stops. Streaming: memory does not grow with the run. */
typedef bool sample_fn(void *context, int step, const struct sample *sample);
bool reader_samples(struct reader *r, int64_t nr, int step, sample_fn *each, void *context,
                    struct err *e) NODISCARD;
/* A stretch of a run's samples: those between two times, and one more at each end, so
 * that a line reaches the edges. */
struct sample_span {
    int64_t first, last; /* running numbers; last < first: there is none */
    double from_s, to_s; /* times of these two */
};
/* NAN: from the first, to the last. Costs a few look-ups, however long the run is. */
bool reader_span(struct reader *r, int64_t nr, double from_s, double to_s, struct sample_span *out,
                 struct err *e) NODISCARD;
/* As reader_samples(), for the span only. */
bool reader_span_samples(struct reader *r, int64_t nr, const struct sample_span *span,
                         sample_fn *each, void *context, struct err *e) NODISCARD;

struct event_row {
    int64_t nr, run_nr; /* of its own, growing; run_nr 0: belongs to no run */
    int64_t utc_ns;
    double t_s;
    char kind[32];
    char text[320];
};
/* Owned array (free()), in the order recorded; nr 0: those that belong to no run. */
bool reader_events(struct reader *r, int64_t nr, struct event_row **out, size_t *n,
                   struct err *e) NODISCARD;
/* The oldest of all events whose own number is greater than `after`: at most max into
 * out, *n says how many. */
bool reader_events_after(struct reader *r, int64_t after, struct event_row *out, size_t max,
                         size_t *n, struct err *e) NODISCARD;
/* The number of the newest event, 0 when there is none. */
bool reader_last_event(struct reader *r, int64_t *nr, struct err *e) NODISCARD;
/* The full text (profile, bench, driver) with this SHA-256; owned. */
bool reader_text(struct reader *r, const char *sha256, char **out, struct err *e) NODISCARD;
/* A consistent, compact copy into a new file, also while a daemon writes. The
 * file appears complete or not at all; one that exists is not overwritten. */
bool reader_backup(struct reader *r, const char *path, struct err *e) NODISCARD;
/* Looks at every page of such a copy (SQLite's integrity check, and that what refers to
 * another row finds it). ERR_STORE says what is wrong. */
bool store_check_copy(const char *path, struct err *e) NODISCARD;

#endif
