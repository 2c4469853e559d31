/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/run_state: one run while it goes on, shared by begin.c, loop.c and command.c. */
#ifndef AMPLEDGER_RUN_RUN_STATE_H
#define AMPLEDGER_RUN_RUN_STATE_H

#include "run/decide.h"
#include "run/stand.h"

struct run {
    struct stand *stand;
    const struct job *job;
    struct plan *plan;
    struct stand_facts facts;
    struct guard_limits limits;
    int64_t nr;
    int64_t start_ns; /* test clock */
    int64_t start_utc_ns;
    int64_t next_ns;
    unsigned *visits; /* how often each step of the plan was begun; owned */
    struct decider d; /* outcome, guard and sequencer, and the act that is due */
    struct run_trip trip;
    enum order order;          /* the order that ended it, to be answered once outputs are off */
    unsigned openings[4];      /* by role: of the links over which identities were read */
    bool armed[STAND_OUTPUTS]; /* by role: the keeper may have the output */
    bool step_open;            /* step_nr was put on record as begun, not yet as ended */
    size_t step_nr;
    int64_t samples;
    double hold_told_s; /* when a person was last asked; NAN: no hold */
    double other_V;     /* beside the newest sample: what the instrument in use reads; NAN none */
    double temperature_age_s;                /* of the newest sample */
    char temperature_problem[ERR_TEXT_SIZE]; /* why it has no temperature; "" when it has */
    struct run_wait {
        bool told;       /* that records wait; until they have not for a while */
        int64_t seen_ns; /* real time: when they were last seen waiting */
        int64_t said_ns; /* and when that was last put into the log */
    } wait;
};

/* Everything before the loop: instruments up, safe and prepared, the battery
 * read, the plan without problems, backstop programmed, the run in the
 * database. On failure nothing was switched on and nothing is recorded. */
bool run_get_ready(struct run *r, struct err *e) NODISCARD;

/* An event of the run: log, store, and whoever is to be told. Never waits. */
void run_event(struct run *r, const char *kind, const char *text);

/* Records that wait in memory for the disk are told: once as an event, every
 * minute in the log, and in the stand's `problem` all the time. Never waits. */
void run_watch_store(struct run *r);

/* What the present step's act asks of its instruments. ACT_SET: the other output
 * confirmed off, then the set point; ACT_OFF: every output, confirmed, and the keeper
 * told so; what is not confirmed stays with it. Every value is read back. */
bool run_carry_out(struct run *r, enum act act, struct err *e) NODISCARD;
bool run_make_safe(struct run *r, struct err *e) NODISCARD;
/* As long as the instrument in use takes to follow. */
void run_settle(struct run *r);
/* Whose output the present step uses; without one, the load. */
enum role run_output_role(const struct run *r);
/* The keeper is told that all is well, for every output it has: the next beat comes within
 * within_ms, 0: as armed. And that switching off begins, which may take longer. */
void run_beat(const struct run *r, uint32_t within_ms);
void run_beat_safing(const struct run *r);
bool run_is_armed(const struct run *r);

/* The run's own time. */
double run_now_s(const struct run *r);

/* Tell the outside an event that was stored, if its kind is one that is told. Never waits. */
void run_tell(const struct run *r, const char *kind, const char *text);

#endif
