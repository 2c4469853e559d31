/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/stand: one stand's thread, seen from inside the room: what host, thread
 * and run loop share. */
#ifndef AMPLEDGER_RUN_STAND_H
#define AMPLEDGER_RUN_STAND_H

#include "run/decide.h"
#include "run/run.h"
#include "run/slip.h"
#include "run/waker.h"

#include <pthread.h>
#include <stdatomic.h>

enum order {
    ORDER_NONE,
    ORDER_BEGIN,
    ORDER_NEXT, /* the same for the next battery of the row, which is looked at first */
    ORDER_CONFIRM,
    ORDER_END,
    ORDER_CLEAR,
    ORDER_ACCEPT,
    ORDER_QUIT
};

#define STAND_OUTPUTS 2 /* ROLE_LOAD and ROLE_SUPPLY, the first two roles */
/* How long the keeper waits for a stand's thread that goes on trying to confirm an output off. */
#define UNCONFIRMED_WITHIN_MS 86400000

/* Where an interrupted run was; nr 0: the job begins a new run. */
struct resume_point {
    int64_t nr;
    int64_t started_utc_ns;
    double last_s;            /* its last sample, on its own time axis */
    size_t step;              /* in the plan */
    size_t past_count;        /* steps carried out before it */
    struct decide_past *past; /* owned by the job */
    double step_start_s;
    double discharged_Ah, charged_Ah, energy_Wh; /* in that step */
    int64_t samples;
};

/* A run to begin. Owned by the stand once the order is given. */
struct job {
    struct resume_point resume;
    bool asked;     /* somebody waits for the answer */
    int64_t row_nr; /* the place in the row that it is for; 0 none */
    bool anyway;    /* a person said so in spite of a doubt */
    struct profile *profile;
    struct battery battery;
    char full_doubt[PLAN_NOTE_SIZE]; /* what the ledger warns of, by filled_note() */
    char run_id[UUID_TEXT_SIZE];
};
void job_free(struct job *j);

/* The thread's own memory of its row and of the battery before. */
struct row_memory {
    int64_t asked_nr; /* the place that was asked for; 0: none yet */
    int64_t told_ns;
    int64_t former_nr;          /* run */
    char former[LABEL_SIZE];    /* its battery; "": none, or a look is missing since */
    double lowest_V, highest_V; /* read since it ended; NAN: nothing yet */
};

struct stand {
    struct stand_config *config; /* its instruments belong to this thread alone */
    struct store *store;
    struct clock *clock;
    const struct bench *bench;
    struct keeper_line *keeper;
    struct hooks *hooks;
    struct slip *slip;
    uint32_t slot; /* of the load at the keeper; the supply has the next one */
    pthread_t thread;
    bool started;
    _Atomic uint32_t turns;   /* counted by the thread as it comes round */
    uint32_t turns_seen;      /* run_host_turns' own */
    unsigned looks_unchanged; /* likewise */
    bool watching; /* the thread's own: a trip is latched, and the temperature is watched */
    struct guard_watch watch;
    struct waker waker;
    atomic_bool row_changed; /* what waits in the row is not known (any more) */
    struct row_memory row;

    pthread_mutex_t asking; /* held by whoever gives an order, until it is answered */

    pthread_mutex_t lock; /* guards all below */
    pthread_cond_t answered;
    enum order order; /* taken by the thread when it sees it */
    struct job *job;
    uint64_t order_number; /* of the last order given */
    uint64_t taken_number; /* of the one the thread is at */
    uint64_t answer_number;
    bool quitting; /* ORDER_QUIT was given: no other follows */
    bool answer_ok;
    struct err answer;
    struct stand_status status;
    uint64_t row_reads,
        row_shown;           /* of the row in the store: begun, and which one status.next shows */
    int64_t reading_real_ns; /* 0: none yet */
    uint64_t quit_number;    /* the host's own */
    bool keeper_has[STAND_OUTPUTS]; /* what was not confirmed off, by role; the thread's own */
    int leaks;                      /* readings in a row with current while all is off; likewise */
    bool reached[4];                /* by role: it answered once; likewise */
    bool was_up;                    /* every instrument answered once; the thread's own */
    char known[4][IDENTITY_SIZE];   /* by role, as the database has it; the thread's own */
    bool looked_back;               /* for a run that was cut off; the thread's own */
    pthread_mutex_t *looking_back;  /* the host's: one stand at a time, or memory for all at once */
};

/* What the thread runs until ORDER_QUIT. */
void *stand_thread(void *stand);

/* Look whether an order waits; ORDER_NONE when not. The thread that takes one
 * answers it exactly once. */
enum order stand_take_order(struct stand *s, struct job **job);
void stand_answer(struct stand *s, bool ok, const struct err *e);

/* Change the status under its lock: the present phase and problem. */
void stand_set_phase(struct stand *s, enum stand_phase phase, const char *problem);
/* Newest reading, for whoever looks. */
void stand_set_reading(struct stand *s, const struct reading *r);

/* Outputs off, confirmed; if not, alarm in status and log. */
bool stand_safe(struct stand *s, struct err *e) NODISCARD;
/* All outputs were confirmed off by other means: no alarm any more, and the keeper has none. */
void stand_found_off(struct stand *s);
/* ERR_REFUSED, with what to do, while a trip is latched. */
bool stand_not_latched(struct stand *s, struct err *e) NODISCARD;

/* Tell the outside what is alarming while no run is on; reason: "output-unconfirmed",
 * "temperature-rising". Never waits. */
void stand_tell_alarm(const struct stand *s, const char *reason, const char *text);

/* Facts for the plan; present values only when a reading is younger than 5 s and no run is on. */
void stand_facts_now(struct stand *s, struct stand_facts *out);

/* One whole run: plan with what is read now, begin, loop, end. Answers the
 * order that began it. Returns true if ORDER_QUIT was taken meanwhile. */
bool stand_run(struct stand *s, struct job *job);

#endif
