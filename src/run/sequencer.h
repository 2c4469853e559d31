/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/sequencer: which step comes next, decided from samples alone. Pure: no
 * I/O, no clock, no allocation; time is an argument. It never overrules the
 * guard: the run loop asks the guard first and does not come here after a trip. */
#ifndef AMPLEDGER_RUN_SEQUENCER_H
#define AMPLEDGER_RUN_SEQUENCER_H

#include "base/sample.h"
#include "profile/plan.h"

enum step_end {
    STEP_GOES_ON,
    STEP_END_CUTOFF,     /* voltage under load fell below the cut-off */
    STEP_END_CHARGE,     /* the charge ceiling was reached */
    STEP_END_TIME,       /* the time ceiling was reached */
    STEP_END_DURATION,   /* a rest is over */
    STEP_END_PROTECTION, /* near the bottom the battery's own protection opened */
};
/* "cut-off reached", ... as stored with the step. */
const char *step_end_text(enum step_end e);

struct sequencer {
    const struct plan_step *steps; /* borrowed */
    size_t count;
    size_t step; /* index of the present one; == count when all are done */
    double lead_ohm;
    double step_start_s;
    double discharged_Ah; /* in the present step, trapezoid over measured current */
    double charged_Ah;
    bool has_last;
    struct sample last;
    double loaded_V; /* at the battery, last seen under load in this step; NAN none */
};

enum sequencer_wish {
    WISH_NOTHING,    /* go on as it is */
    WISH_BEGIN_STEP, /* end the present step, set up steps[step] */
    WISH_FINISH,     /* end the present step; no step is left */
};

struct sequencer_decision {
    enum sequencer_wish wish;
    enum step_end ended; /* why the previous step ended; STEP_GOES_ON otherwise */
};

/* Put the sequencer before its first step; the first step is to be set up now. */
void sequencer_start(struct sequencer *q, const struct plan *plan, double lead_ohm, double now_s);

/* The present step's output is as wanted from this moment on. */
void sequencer_step_begun(struct sequencer *q, double now_s);

/* The sample taken just before the output went on: the integral begins with it,
 * nothing is judged by it. */
void sequencer_open(struct sequencer *q, const struct sample *s);

/* Judge one valid sample. After WISH_BEGIN_STEP q->step is the new step. */
struct sequencer_decision sequencer_take(struct sequencer *q, const struct sample *s);

/* Is the output wanted on in the present step? */
bool sequencer_wants_output(const struct sequencer *q);

#endif
