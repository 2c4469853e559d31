/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/result_step: what one step, as it was carried out, says of the battery; a part of
 * result, for this room only. Samples stream through in bounded memory. */
#ifndef AMPLEDGER_RUN_RESULT_STEP_H
#define AMPLEDGER_RUN_RESULT_STEP_H

#include "analysis/pulse.h"
#include "analysis/settling.h"
#include "run/result.h"

#define INTERRUPTIONS_MOST 32

/* Times at which an interrupted run went on. */
struct resumptions {
    size_t count;
    double at_s[INTERRUPTIONS_MOST];
};

/* How full the battery is, counted in the run. */
struct charge_state {
    double since_start_Ah; /* into the battery positive */
    double since_full_Ah;  /* 0 full, then negative; NAN: it was never known to be full */
    double rated_Ah;
};
double charge_state_percent(const struct charge_state *c); /* of rated; NAN unknown */
void charge_state_add(struct charge_state *c, double Ah);

/* What is borrowed while the steps of one run are gone through. */
struct step_terms {
    const struct run_row *run;
    const json_t *plan; /* as stored with the run */
    struct resumptions resumptions;
};

struct step_flow { /* positive, of a step with current; rests would add a meter's zero error */
    double in_Ah, in_Wh, out_Ah, out_Wh;
};

struct step_work {
    const struct step_terms *terms;
    const struct run_step *step;
    const json_t *planned; /* NULL: the stored plan does not have it */
    enum step_kind kind;
    struct discharge_options options;
    struct charge_accumulator accumulator;
    struct pulse_watch pulse;
    struct settling settling;
    struct step_flow flow;
    struct sample last;
    bool has_last;
    double temperature_max_C;
    size_t next; /* of the resumptions */
    size_t interruptions;
    double interrupted_s, unrecorded_Ah;
};

void step_work_start(struct step_work *w, const struct step_terms *terms,
                     const struct run_step *step);
bool step_work_add(struct step_work *w, const struct sample *s, struct err *e) NODISCARD;

struct step_result {
    json_t *document; /* owned */
    bool measured;    /* `numbers` holds a capacity: of a discharge or a charge */
    struct capacity_result numbers;
};
/* `before`: how full it was when the step began. */
void step_work_finish(struct step_work *w, const struct charge_state *before,
                      struct step_result *out);

/* Whose result it would be judged by; limit NAN: not this step. */
struct acceptance step_acceptance(const json_t *plan, int plan_step);
/* Cut short by a trip, a stop or an interruption: the battery could have gone on. */
bool step_was_cut_short(const struct run_step *step);
/* A charge that ended where full batteries end one: current tapered, -deltaV, dT/dt. */
bool step_filled_up(const struct run_step *step);

#endif
