/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/result_rounds: what the rounds of one step say together: the list of them, and
 * which one counts. A part of result, for this room only. */
#ifndef AMPLEDGER_RUN_RESULT_ROUNDS_H
#define AMPLEDGER_RUN_RESULT_ROUNDS_H

#include "analysis/cycle.h"
#include "run/result_step.h"

struct rounds {
    const json_t *plan;
    int plan_step; /* whose rounds; -1: the run has no discharge */
    double rated_Ah;
    enum attempts counts;
    json_t *list;
    struct attempt_mean mean;
    size_t considered, cut_short;
    /* Of the one that counts, or of the latest where it is the mean. */
    json_t *chosen; /* its document */
    struct capacity_result numbers;
};

/* The judged step, if the run came to it, else that of the last discharge. */
void rounds_start(struct rounds *r, const json_t *plan, const struct run_row *run);
/* A step of the run, in order. `in`: what was charged since the discharge before;
 * `resistance_mOhm`: measured since; NAN none. */
struct round_facts {
    double in_Ah, in_Wh, resistance_mOhm;
};
void rounds_add(struct rounds *r, const struct run_step *step, const struct step_result *result,
                const struct round_facts *facts);
/* The run's own numbers, with `rounds` and `attempts`. New reference; frees the rest. */
json_t *rounds_finish(struct rounds *r);

#endif
