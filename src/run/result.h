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

/* Results of a run from its samples: `steps` (one result each, as carried out),
 * `rounds` (capacity and efficiency of the judged step, or of the last discharge, each
 * time it was gone through), `attempts` (which of them counts) and, for the run, the
 * keys of the one that counts: capacity_Ah, energy_Wh, duration_s, mean_voltage_V,
 * end_reason, percent_of_rated, capacity_uncertainty_Ah, verdict, resistance_mOhm,
 * temperature_max_C, samples, ...: src/web/API.md says all.
 * Reads only what the database holds. New reference in *out. */
bool result_compute(struct reader *r, const struct run_row *run, json_t **out,
                    struct err *e) NODISCARD;

/* What people and scripts are told of a result, in place, by how its run ended: pass and
 * fail belong to a run that was completed. Of any other they become "undecided", for it did
 * not carry out what the verdict stands for (its cut-off, its further attempts), and
 * `enough` says what there is to say of it: what was delivered already meets what is
 * wanted (true), or the attempt that counts so far is short of it (false). Null: nothing
 * of the kind can be said, or the verdict says it. The same goes for each of its steps. Pure. */
void result_tell(json_t *result, enum run_outcome outcome);

/* What of a stored result is another now: list of `key` ("steps[3].capacity_Ah"),
 * `stored`, `recomputed`; empty when it comes out again. Numbers are the same within
 * RESULT_SAME of the larger. Keys that only the new one has do not count: a newer
 * program says more. At most RESULT_DIFFERENCES_MAX; the rest is counted in *left_out.
 * New reference. */
#define RESULT_SAME 1e-9
#define RESULT_DIFFERENCES_MAX 50
json_t *result_differences(const json_t *stored, const json_t *computed, size_t *left_out);

#endif
