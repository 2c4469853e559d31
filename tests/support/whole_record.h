/* SPDX-License-Identifier: GPL-3.0-or-later
 * whole_record: a record that is in memory as a whole, analysed as a stream of it. */
#ifndef AMPLEDGER_TESTS_WHOLE_RECORD_H
#define AMPLEDGER_TESTS_WHOLE_RECORD_H

#include "analysis/analysis.h"

#include <math.h>
#include <string.h>

static inline bool whole_record(const struct sample *samples, size_t n,
                                const struct discharge_options *options,
                                struct capacity_result *out, struct err *e)
{
    struct record_survey survey;
    struct discharge_options settled = *options;
    struct charge_accumulator a;

    record_survey_start(&survey);
    for (size_t i = 0; i < n; i++)
        record_survey_add(&survey, &samples[i]);
    record_survey_settle(&survey, &settled);
    accumulator_start(&a, &settled);
    for (size_t i = 0; i < n; i++)
        if (!accumulator_add(&a, &samples[i], e))
            return false;
    return accumulator_finish(&a, out, e);
}

/* One component of a budget; NAN when it is not in it. */
static inline double standard_of(const struct uncertainty_budget *b, const char *name)
{
    for (size_t i = 0; i < b->count; i++)
        if (strcmp(b->component[i].name, name) == 0)
            return b->component[i].standard_Ah;
    return NAN;
}

#endif
