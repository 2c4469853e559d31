/* SPDX-License-Identifier: GPL-3.0-or-later
 * run: the stands at work. One thread per stand reads, lets the guard judge,
 * lets the sequencer decide, commands and records. Hides threads; the calls
 * below may come from any thread and never touch an instrument themselves. */
#ifndef AMPLEDGER_RUN_RUN_H
#define AMPLEDGER_RUN_RUN_H

#include "base/clock.h"
#include "bench/bench.h"
#include "hooks/hooks.h"
#include "profile/plan.h"
#include "run/keeper_line.h"
#include "store/row.h"

struct run_host;

/* All borrowed; must outlive the host. */
struct run_host_config {
    struct bench *bench;
    struct store *store;
    struct clock *clock;
    struct keeper_line *keeper;
    struct hooks *hooks; /* NULL: nobody is told */
};

/* Start one thread per stand. Each brings its stand up (safe first, then
 * identified) and keeps trying while something is missing; a stand whose trip
 * is latched in the store starts latched. */
bool run_host_start(const struct run_host_config *config, struct run_host **out,
                    struct err *e) NODISCARD;

/* Stop every run (outcome "stopped"), make every stand safe, end their threads.
 * Calls from other threads go on being answered: orders are refused. NULL is fine. */
void run_host_quit(struct run_host *h);
/* After run_host_quit(), when nobody calls any more. NULL is fine. */
void run_host_free(struct run_host *h);

/* Do all stands' threads still turn? To be asked once a second, by one thread.
 * False when one did not come round for 120 looks (the longest of what it does in
 * one piece, making a silent stand safe, takes less than half of that), and says
 * so once in the log. */
bool run_host_turns(struct run_host *h);

enum stand_phase {
    STAND_STARTING, /* not yet brought up */
    STAND_MISSING,  /* an instrument is missing or not safe; see problem */
    STAND_IDLE,
    STAND_RUNNING,
    STAND_LATCHED, /* a trip waits for a person */
};
extern const char
    *const stand_phase_names[]; /* "starting", "missing", "idle", "running", "latched" */

/* What waits in the stand's row of batteries. */
struct stand_next {
    int64_t row_nr; /* of the place in the row; 0: nothing waits */
    char battery[LABEL_SIZE], profile[64];
    int waiting;          /* how many, this one included */
    bool paused;          /* the run before was stopped or cut off: a person decides */
    int64_t asked_utc_ns; /* 0: nobody was asked yet */
    char say[320];        /* what a person is to do */
};

struct stand_status {
    char name[LABEL_SIZE];
    enum stand_phase phase;
    char problem[ERR_TEXT_SIZE]; /* "" when none */
    bool output_unconfirmed;     /* an output could not be confirmed off: disconnect by hand */
    struct reading reading;      /* newest; NAN where unknown */
    double lead_ohm;             /* corrects its voltage to the battery's terminals */
    double reading_age_s;        /* real seconds since it was taken; NAN: none yet */
    uint64_t look;               /* grows with every look: of two, the greater is the newer */
    struct {
        const char *role;
        char driver[64], link[160], identity[IDENTITY_SIZE];
        char problem[ERR_TEXT_SIZE];
    } instrument[4]; /* those present, role NULL ends the list early */
    /* while running, or of the last run of this daemon: */
    int64_t run_nr; /* 0: none yet */
    char run_id[UUID_TEXT_SIZE];
    char profile[64], battery[LABEL_SIZE];
    double rated_Ah; /* of that battery; NAN */
    int64_t started_utc_ns;
    size_t step, step_count;
    char step_name[STEP_NAME_SIZE];
    enum step_kind step_kind;
    double elapsed_s, left_s; /* test time; left is the plan's expectation, NAN unknown */
    double step_elapsed_s;
    double discharged_Ah; /* of the present step, positive */
    double charged_Ah;
    double expected_Ah;        /* of the present step by the plan; NAN */
    double until_V;            /* of the present step; NAN */
    unsigned round, rounds;    /* of the innermost group the step is in; 1 of 1 outside */
    char hold[HOLD_TEXT_SIZE]; /* what a person is to do, then confirm; "": none is waited for */
    int64_t hold_since_utc_ns;
    int64_t samples;
    struct guard_limits limits;
    enum run_outcome outcome; /* RUN_RUNNING while it runs */
    struct run_trip trip;     /* of the latch; reason "" when none */
    struct stand_next next;
};

size_t run_host_count(const struct run_host *h);
void run_host_status(struct run_host *h, size_t index, struct stand_status *out);
/* False + ERR_NOT_FOUND with the nearest name. */
bool run_host_find(struct run_host *h, const char *stand, size_t *index, struct err *e) NODISCARD;

/* Could a run begin there now, as far as the stand goes? ERR_REFUSED: busy or
 * latched; ERR_CONFIG: an instrument is missing. */
bool run_host_ready(struct run_host *h, size_t index, struct err *e) NODISCARD;

/* Is the battery of that label under test; then at which stand? */
bool run_host_has(struct run_host *h, const char *battery, char stand[LABEL_SIZE]);

/* One thing at a time with one battery's record: it is started by it, corrected or retired.
 * The caller's own; both texts borrowed until it is released. ERR_REFUSED while another
 * holds it. */
struct run_claim {
    const char *battery; /* label */
    const char *doing;   /* "being started" */
    struct run_claim *next;
};
bool run_host_claim(struct run_host *h, struct run_claim *c, struct err *e) NODISCARD;
void run_host_release(struct run_host *h, struct run_claim *c);

/* What the plan must know of a stand, with its newest reading. */
void run_host_facts(struct run_host *h, size_t index, struct stand_facts *out);

/* Plan with what the stand reads now, and if there is no problem, begin. All
 * borrowed. When it returns true the run is in the database and going on.
 * ERR_CONFIG: the plan has problems (all of them in the text), or an instrument
 * of the stand is missing or another one. ERR_REFUSED: busy or latched. */
struct run_request {
    const char *stand;
    const struct profile *profile;
    const struct battery *battery;
};
bool run_host_begin(struct run_host *h, const struct run_request *request,
                    char run_id[UUID_TEXT_SIZE], struct err *e) NODISCARD;

/* The row of batteries there was changed in the store: look again. */
void run_host_row_changed(struct run_host *h, size_t index);

/* Ask for the end of the run and wait until the outputs are off (bounded).
 * ERR_REFUSED when nothing runs. */
bool run_host_end(struct run_host *h, const char *stand, struct err *e) NODISCARD;

/* A person has done what was asked for. A hold (status.hold): the run goes on; run_id
 * becomes "". At rest, the next battery of the row (status.next) is connected: if it may
 * be that one, its run begins, as by run_host_begin(). ERR_REFUSED when nothing waits for
 * that, or the battery cannot be the one; a mere doubt is passed over with `anyway`. */
struct run_confirmation {
    const char *stand;
    const char *battery; /* whose hold, or which battery of the row, was seen waiting; "" any */
    bool anyway;
};
bool run_host_confirm(struct run_host *h, const struct run_confirmation *said,
                      char run_id[UUID_TEXT_SIZE], struct err *e) NODISCARD;

/* A person clears a latched trip; the stand is brought up again first and must
 * be safe. ERR_REFUSED when nothing is latched or it is not safe. */
bool run_host_clear(struct run_host *h, const char *stand, struct err *e) NODISCARD;

/* A person says that the instruments which answer now belong to the stand: the
 * replaced one is known from then on. Clears a trip as well, where one is latched.
 * ERR_REFUSED when one does not answer or is not safe: then none is accepted. */
bool run_host_accept(struct run_host *h, const char *stand, struct err *e) NODISCARD;

#endif
