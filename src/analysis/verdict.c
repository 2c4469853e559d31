/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/verdict: compare a value and its uncertainty with a lower limit. */
#include "analysis/verdict.h"

#include "analysis/analysis.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

#define EDGE 1e-12

const char *const decision_rule_names[] = {"guard-band", "simple", "guard-share", NULL};

const char *verdict_name(enum verdict v)
{
    switch (v) {
    case VERDICT_NONE:
        return "none";
    case VERDICT_PASS:
        return "pass";
    case VERDICT_FAIL:
        return "fail";
    case VERDICT_UNDECIDED:
        return "undecided";
    }
    return "none";
}

static double guard_of(const struct verdict_question *q)
{
    switch (q->rule) {
    case DECISION_GUARD_BAND:
        return q->expanded;
    case DECISION_SIMPLE:
        return 0;
    case DECISION_GUARD_SHARE:
        return q->guard_share * q->expanded;
    }
    return NAN;
}

enum verdict verdict_judge(const struct verdict_question *q)
{
    if (isnan(q->value) || isnan(q->limit))
        return VERDICT_NONE;
    double guard = guard_of(q);
    double edge = EDGE * fabs(q->limit);

    if (!(guard >= 0))
        return VERDICT_UNDECIDED;
    if (q->value - guard >= q->limit - edge)
        return VERDICT_PASS;
    if (q->value + guard < q->limit - edge && !q->lower_bound)
        return VERDICT_FAIL;
    return VERDICT_UNDECIDED;
}

double verdict_probability(const struct verdict_question *q)
{
    double standard = q->expanded / COVERAGE_FACTOR;
    double distance = q->value - q->limit;
    if (isnan(standard) || isnan(distance) || standard < 0)
        return NAN;
    if (standard <= 0)
        return distance >= 0 ? 1 : 0;
    return gsl_cdf_ugaussian_P(distance / standard);
}
