/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/decide: what a run does next, decided from what just happened. Pure: no
 * I/O, no clock, no allocation. The loop carries out one act, says how it went,
 * and is told the next; it decides nothing itself, so that all orders of events
 * can be explored without instruments (tests/unit/run_explore.c). */
#ifndef AMPLEDGER_RUN_DECIDE_H
#define AMPLEDGER_RUN_DECIDE_H

#include "guard/guard.h"
#include "run/sequencer.h"
#include "store/store.h"

enum act {
    ACT_WAIT,       /* until the next sample is due; then read */
    ACT_READ,       /* read at once: an output waits for a fresh, judged sample */
    ACT_BEGIN_STEP, /* put on record that the present step begins */
    ACT_SET,        /* the other output off, confirmed; then program what decide_set_point() says */
    ACT_ARM,        /* hand the output to the keeper */
    ACT_ON,         /* switch it on */
    ACT_CHANGE,     /* it stays on: program another set point */
    ACT_OFF,        /* every output off, and confirmed */
    ACT_END_STEP,   /* put on record why ended_step ended */
    ACT_FINISH,     /* the run is over: off first of all, then the rest; see outcome */
};

enum event_kind {
    EVENT_SAMPLE,       /* a reading came */
    EVENT_NO_SAMPLE,    /* a reading was due and none came */
    EVENT_DONE,         /* the act was carried out */
    EVENT_REFUSED,      /* an instrument, or at ACT_ARM the keeper, did not do what the act asked */
    EVENT_KEEPER_LOST,  /* the keeper gives no sign of life */
    EVENT_NOT_RECORDED, /* the database takes no more */
    EVENT_INSTRUMENT_LOST, /* a link is gone, or another instrument answers */
    EVENT_CONFIRM,         /* a person confirms what a hold asks for; nothing elsewhere */
    EVENT_STOP,            /* a person or the daemon stops the run */
};

struct event {
    enum event_kind kind;
    double now_s;
    const struct sample *sample;    /* EVENT_SAMPLE */
    double temperature_age_s;       /* of the sample's temperature */
    bool has_other;                 /* with a sample whose voltage is a meter's: */
    double other_V;                 /* what the instrument in use reads beside it */
    enum guard_output load, supply; /* with readings, as read back */
};

struct decider {
    struct guard_memory memory;
    struct sequencer sequencer;
    enum act act;
    enum run_outcome outcome;     /* RUN_RUNNING until it ends; the first reason counts */
    struct guard_verdict verdict; /* why it tripped */
    bool resumed;                 /* the present step is taken up again, not begun */
    bool output_on;               /* it may be on: from before it is set until off was confirmed */
    double switched_s;            /* when it was last switched */
    double changed_s;             /* or its set point changed */
    size_t ended_step;            /* which in the plan, and its number as it was carried out */
    size_t ended_occurrence;
    enum step_end ended;
};

struct decide_start {
    const struct plan *plan; /* borrowed; has at least one step */
    double lead_ohm;
    double now_s;
};
/* The first act is in d->act. */
void decide_start(struct decider *d, const struct decide_start *from);

/* A run that was interrupted in the midst of a step goes on there. Nothing is
 * counted for the gap; the run's time goes on from from->now_s. The steps before it
 * are gone through again in thought, so that rounds and their capacities are known. */
struct decide_past {
    size_t step; /* which in the plan */
    double discharged_Ah;
    enum step_end ended;
};
struct decide_resume {
    size_t step;
    size_t past_count;
    const struct decide_past *past; /* borrowed */
    double step_start_s;
    double discharged_Ah, charged_Ah, energy_Wh; /* of the step so far */
};
/* False: the steps that were carried out are not those of the plan. */
bool decide_resume(struct decider *d, const struct decide_start *from,
                   const struct decide_resume *at) NODISCARD;

/* What the present step's instrument is to be set to, for ACT_SET and ACT_CHANGE. */
struct set_point decide_set_point(const struct decider *d);
/* The limits in force now. */
struct guard_limits decide_limits(const struct decider *d);
/* Does it wait for a person? */
bool decide_holds(const struct decider *d);

/* What comes next; also in d->act. After ACT_FINISH nothing changes any more. */
enum act decide_take(struct decider *d, const struct event *e);

#endif
