/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/result: plan and results as JSON documents; results are always computed
 * from stored samples, so they can be recomputed at any time. */
#ifndef AMPLEDGER_RUN_RESULT_H
#define AMPLEDGER_RUN_RESULT_H

#include "analysis/capacity_json.h"
#include "profile/plan.h"
#include "store/store.h"

#include <jansson.h>

/* The plan with all that results depend on (limits with their sources, steps,
 * acceptance, accuracy, lead resistance). New reference. */
json_t *plan_to_json(const struct plan *p, const struct stand_facts *facts);

/* Results of a run from its samples: `steps` (array, one result each) and, for
 * the run, the keys of the judged step (or of the last discharge): capacity_Ah,
 * energy_Wh, duration_s, mean_voltage_V, end_reason, percent_of_rated,
 * capacity_uncertainty_Ah, verdict, temperature_max_C, samples, ...
 * Reads only what the database holds. New reference in *out. */
bool result_compute(struct reader *r, const struct run_row *run, json_t **out,
                    struct err *e) NODISCARD;

#endif
