/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/capacity_json: a capacity result as the JSON document that scripts
 * read; one definition for recorded logs and for runs. */
#ifndef AMPLEDGER_ANALYSIS_CAPACITY_JSON_H
#define AMPLEDGER_ANALYSIS_CAPACITY_JSON_H

#include "analysis/analysis.h"
#include "analysis/verdict.h"

#include <jansson.h>

/* A number, or null when it is NAN or infinite. New reference. */
json_t *json_number(double v);

/* What the result was held against; limit NAN: nothing, the verdict is null. */
struct acceptance {
    double limit_Ah;
    enum decision_rule rule;
    double guard_share; /* of U; for DECISION_GUARD_SHARE alone */
};

/* New reference: kind, capacity_Ah, energy_Wh, duration_s, mean_voltage_V,
 * end_reason, percent_of_rated, capacity_uncertainty_Ah, verdict, notes,
 * uncertainty (the budget), ... units in the keys, unknown is null. */
json_t *capacity_to_json(const struct capacity_result *r, const struct acceptance *a);

/* The same question as in the document's verdict. */
enum verdict capacity_verdict(const struct capacity_result *r, const struct acceptance *a);

#endif
