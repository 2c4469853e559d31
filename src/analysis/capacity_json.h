/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/capacity_json: a capacity result as the JSON document that scripts
 * read; one definition for recorded logs and for runs. */
#ifndef AMPLEDGER_ANALYSIS_CAPACITY_JSON_H
#define AMPLEDGER_ANALYSIS_CAPACITY_JSON_H

#include "analysis/analysis.h"
#include "analysis/correction.h"
#include "analysis/verdict.h"

#include <jansson.h>

/* A number, or null when it is NAN or infinite. New reference. */
json_t *json_number(double v);

/* What the result was held against; limit NAN: nothing, the verdict is null. */
struct acceptance {
    double limit_Ah;
    enum decision_rule rule;
    double guard_share;                  /* of U; for DECISION_GUARD_SHARE alone */
    struct correction_choice correction; /* all zero: none */
};

/* The corrected capacity by the rule that was chosen; *expanded its U (k = 2). */
void capacity_correct(const struct capacity_result *r, const struct acceptance *a,
                      struct correction_answer *out, double *expanded_Ah);
/* The rule may decide, but here it could not be applied, or only with factors that are
 * from memory: then there is no verdict but undecided. */
bool correction_withholds(const struct capacity_result *r, const struct acceptance *a);

/* New reference: kind, capacity_Ah, energy_Wh, duration_s, mean_voltage_V,
 * end_reason, percent_of_rated, capacity_uncertainty_Ah, verdict, notes,
 * uncertainty (the budget), correction, ... units in the keys, unknown is null. */
json_t *capacity_to_json(const struct capacity_result *r, const struct acceptance *a);

/* The same question as in the document's verdict: about the corrected capacity where the
 * rule of the correction may decide (correction_decides), else about the measured one. */
enum verdict capacity_verdict(const struct capacity_result *r, const struct acceptance *a);

/* What the thermometer makes of a corrected capacity, or in words that nothing was corrected.
 * Standard; in the expanded uncertainty that capacity_correct() gives. */
struct temperature_term {
    double standard_Ah; /* 0: nothing corrected, or its error is not stated */
    char how[128];
};
void capacity_temperature_term(const struct capacity_result *r, const struct acceptance *a,
                               struct temperature_term *out);

#endif
