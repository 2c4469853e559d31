/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plan_correction: whether the temperature correction that a profile names can be
 * made of this battery on this stand. */
#include "profile/plan_work.h"

#include <math.h>

static bool goes_by_current(enum correction_rule rule)
{
    return rule == CORRECTION_RATE_ADJUSTED || rule == CORRECTION_TIME_ADJUSTED;
}

/* What these methods compare with: the published current, at the temperature now. */
static void check_current(struct plan_work *w, int line)
{
    const struct correction_choice *c = &w->plan->correction;
    double published_A = correction_published_A(c);
    double set_A =
        w->plan->judged ? fabs(w->plan->steps[w->plan->judged_step].current_A) : (double)NAN;
    double now_C = w->stand != NULL ? w->stand->present_temperature_C : (double)NAN;
    double wanted_A =
        c->rule == CORRECTION_RATE_ADJUSTED ? correction_test_current_A(c, now_C) : published_A;
    if (isnan(published_A)) {
        plan_problem(w, line,
                     "%s compares with a published current and time: write published_current and "
                     "published_time, or register the battery with --rated and --rated-hours",
                     correction_names[c->rule]);
    } else if (fabs(set_A / wanted_A - 1) > CORRECTION_CURRENT_TOLERANCE) {
        plan_problem(w, line,
                     "a %s test of this battery runs at %.4g A%s, and the step sets %.4g A: write "
                     "current: %.4g A",
                     correction_names[c->rule], wanted_A,
                     c->rule == CORRECTION_RATE_ADJUSTED ? " at the temperature it has now" : "",
                     set_A, wanted_A);
    }
}

void plan_correct(struct plan_work *w)
{
    const struct profile_acceptance *a = &w->profile->acceptance;
    struct correction_choice *c = &w->plan->correction;
    const struct correction_info *r = &correction_rules[a->correction.rule];
    *c = a->correction;
    if (c->rule == CORRECTION_NONE) {
        return;
    }
    c->rated_Ah = w->battery->rated_Ah;
    c->rated_hours = w->battery->rated_hours;
    if (isnan(c->temperature_error_C) && w->stand != NULL && w->stand->thermometer_error_C > 0) {
        c->temperature_error_C = w->stand->thermometer_error_C;
    }
    if (r->lead_acid_only && !is_lead(w)) {
        plan_problem(w, a->correction_line, "the correction %s is for lead-acid, not for %s",
                     r->name, chemistry_names[w->battery->chemistry]);
    }
    if (w->stand != NULL && !w->stand->has_thermometer) {
        plan_problem(w, a->correction_line,
                     "the correction %s needs the battery's temperature, and the stand has no "
                     "thermometer",
                     r->name);
    }
    if (goes_by_current(c->rule)) {
        check_current(w, a->correction_line);
    }
    if (!r->verified) {
        plan_warning(w,
                     "The correction %s is unverified, from memory: it is shown beside the result, "
                     "and the verdict is about the measured capacity.",
                     r->name);
    }
}
