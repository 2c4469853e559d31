/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plan_warn: what a person should know before agreeing to a plan:
 * warnings, which make a result less than it looks, and cautions. */
#include "profile/plan_work.h"
#include "profile/plausible.h"

#include <math.h>
#include <stdint.h>

#define RATE_TOLERANCE 0.10    /* of the rated hours; common practice, no source */
#define CUTOFF_TOLERANCE 0.005 /* of the rated cut-off */
#define NARROW 0.01            /* of the cut-off, between it and the lower limit */
#define HOLDS_VOLTAGE_TO                                                                           \
    0.002                       /* what a supply makes of its voltage; common practice, no source  \
                                 */
#define REFERENCE_TOLERANCE_C 5 /* 20 +/- 5 degC is usual in standards of capacity tests */

/* --- the rating --- */

static void warn_of_rate(struct plan_work *w, size_t i)
{
    const struct battery *b = w->battery;
    const struct plan_step *s = &w->plan->steps[i];
    double hours = b->rated_Ah / mean_current(w, s);
    if (isnan(b->rated_hours)) {
        plan_warning(w,
                     "the rate for which battery \"%s\" is rated %.4g Ah is not known; step \"%s\" "
                     "takes %.4g h, and at another rate another capacity is right",
                     b->label, b->rated_Ah, s->name, hours);
    } else if (fabs(hours / b->rated_hours - 1) > RATE_TOLERANCE) {
        plan_warning(w,
                     "battery \"%s\" is rated for a discharge of %.4g h (%.4g A), and step \"%s\" "
                     "takes %.4g h (%.4g A): compare the percent of rated with care",
                     b->label, b->rated_hours, b->rated_Ah / b->rated_hours, s->name, hours,
                     mean_current(w, s));
    }
    if (fabs(s->until_V / b->rated_cutoff_V - 1) > CUTOFF_TOLERANCE) {
        plan_warning(w,
                     "battery \"%s\" is rated to a cut-off of %.2f V, and step \"%s\" ends at %.2f "
                     "V: compare the percent of rated with care",
                     b->label, b->rated_cutoff_V, s->name, s->until_V);
    }
}

static void warn_of_rating(struct plan_work *w)
{
    const struct plan *p = w->plan;
    for (size_t i = 0; i < p->step_count; i++) {
        const struct plan_step *s = &p->steps[i];
        bool ends = s->kind == STEP_DISCHARGE && isfinite(s->until_V);
        bool compared = p->judged ? p->judged_step == i : ends;
        if (compared && isfinite(w->battery->rated_Ah) && isfinite(s->current_A)) {
            warn_of_rate(w, i);
        }
    }
    if (isnan(w->battery->rated_Ah)) {
        plan_warning(w,
                     "battery \"%s\" has no rated capacity: neither hours nor percent of rated can "
                     "be foretold",
                     w->battery->label);
    }
}

/* --- how steps end --- */

static void warn_of_end(struct plan_work *w, size_t i)
{
    const struct plan_step *s = &w->plan->steps[i];
    const struct profile_step *from = &w->profile->steps[i];
    char text[DURATION_TEXT_SIZE];
    if (s->kind != STEP_DISCHARGE || s->max_s <= 0) {
        return;
    }
    if (isnan(s->until_V)) {
        plan_warning(w,
                     "step \"%s\" has no cut-off: if the battery empties earlier, the run trips at "
                     "%.2f V",
                     s->name, w->plan->limits.voltage_min_V);
        return;
    }
    if (!from->at_most_time.present) {
        plan_warning(w,
                     "step \"%s\" states no longest time; it ends after %s at the latest (1.5 x "
                     "what the charge takes)",
                     s->name, duration_text(s->max_s, text));
    }
    double rated_s = w->battery->rated_Ah / mean_current(w, s) * S_PER_H;
    if (rated_s > s->max_s && !(s->max_Ah < w->battery->rated_Ah)) {
        plan_warning(w, "step \"%s\" ends after %s, before the rated capacity can be delivered",
                     s->name, duration_text(s->max_s, text));
    }
    double gap_V = s->until_V - w->plan->limits.voltage_min_V;
    if (gap_V > 0 && gap_V < NARROW * s->until_V) {
        plan_warning(w,
                     "the lower voltage limit is only %.3f V below the cut-off of step \"%s\": a "
                     "fast fall may trip the run instead of ending the step",
                     gap_V, s->name);
    }
}

/* --- the stand --- */

static void warn_of_reading(struct plan_work *w)
{
    const struct stand_facts *f = w->stand;
    if (f->voltage_source == SOURCE_TWO_WIRE && !(f->lead_ohm > 0)) {
        plan_warning(w,
                     "2-wire reading at stand \"%s\": it reads low by I x R of the leads, so the "
                     "discharge ends early; measure the lead resistance and write it into "
                     "bench.yaml, or use remote sense",
                     f->name);
    }
    const struct {
        const char *what;
        const struct accuracy *a;
    } readings[] = {{"voltage", &f->accuracy.voltage}, {"current", &f->accuracy.current}};
    for (size_t i = 0; i < 2; i++) {
        if (isnan(readings[i].a->gain) && isnan(readings[i].a->offset)) {
            plan_warning(w,
                         "the accuracy of the %s reading at stand \"%s\" is not known: the "
                         "uncertainty of the result leaves it out; write it into the driver file",
                         readings[i].what, f->name);
        }
    }
}

static void warn_of_load(struct plan_work *w)
{
    const struct stand_facts *f = w->stand;
    if (!f->load.present || !(largest_current(w, false) > 0)) {
        return;
    }
    if (!f->load.has_backstop) {
        plan_warning(w,
                     "the load of stand \"%s\" has no under-voltage protection that can be "
                     "programmed: should this computer and its keeper fail, nothing but the "
                     "battery's own protection ends the discharge; set one at its panel",
                     f->name);
    }
    if (isnan(f->load.current_max_A) || isnan(f->load.power_max_W)) {
        plan_warning(w,
                     "the driver of the load at stand \"%s\" does not state its rated %s: check "
                     "that it can take %.4g A and %.4g W",
                     f->name, isnan(f->load.current_max_A) ? "current" : "power",
                     largest_current(w, false), largest_current(w, false) * full_voltage(w));
    }
}

static void warn_of_temperature(struct plan_work *w)
{
    const struct stand_facts *f = w->stand;
    double away_C = f->present_temperature_C - w->chemistry->reference_C;
    if (!w->plan->limits.temperature_required) {
        plan_warning(w,
                     f->has_thermometer
                         ? "this profile does not require the temperature: if the thermometer of "
                           "stand \"%s\" falls silent, the run goes on without it"
                         : "stand \"%s\" has no thermometer: a hot battery goes unnoticed, and "
                           "the result cannot be referred to a temperature",
                     f->name);
    }
    if (fabs(away_C) > REFERENCE_TOLERANCE_C) {
        plan_warning(w,
                     "the battery is at %.1f degC, and capacities of this chemistry are stated for "
                     "about %.4g degC: the colder, the less it delivers",
                     f->present_temperature_C, w->chemistry->reference_C);
    }
}

static void warn_of_supply(struct plan_work *w)
{
    const struct stand_facts *f = w->stand;
    double current_A = largest_current(w, true);
    if (!f->supply.present || !(current_A > 0)) {
        return;
    }
    if (!f->supply.has_backstop) {
        plan_warning(
            w,
            "the supply of stand \"%s\" has no over-voltage protection that can be "
            "programmed: should this computer and its keeper fail, nothing but the voltage "
            "that was set ends the charge; set one at its panel",
            f->name);
    }
    if (isnan(f->supply.current_max_A) || isnan(f->supply.voltage_max_V)) {
        plan_warning(w,
                     "the driver of the supply at stand \"%s\" does not state its rated %s: check "
                     "that it can give %.4g A",
                     f->name, isnan(f->supply.current_max_A) ? "current" : "voltage", current_A);
    }
}

/* The voltage is held for hours, so its highest reading comes. */
static void warn_of_voltage_limit(struct plan_work *w, const struct plan_step *s)
{
    double held_V = coldest_charge_voltage(w, s), most_V = s->limits.voltage_max_V;
    double spare_V = HOLDS_VOLTAGE_TO * held_V;
    spare_V += w->stand != NULL ? known_error(&w->stand->accuracy.voltage, held_V) : 0;
    if (held_V < most_V && most_V < held_V + spare_V) {
        plan_warning(
            w,
            "step \"%s\" charges to %.2f V, and the upper voltage limit is %.2f V: noise of "
            "the reading may trip the run; leave %.2f V between them",
            s->name, held_V, most_V, ceil(100 * spare_V) / 100);
    }
}

static void warn_of_charge(struct plan_work *w, const struct plan_step *s)
{
    double usual_A = w->chemistry->charge_usual_C * w->battery->rated_Ah;
    const char *chemistry = chemistry_names[w->battery->chemistry];
    if (s->current_A > usual_A && isnan(w->battery->charge_current_max_A)) {
        plan_warning(w,
                     "step \"%s\" charges with %.4g A, and %.4g A (%.4g C) is the usual most for "
                     "%s: check the maker's sheet",
                     s->name, s->current_A, usual_A, w->chemistry->charge_usual_C, chemistry);
    }
    if (w->chemistry->compensation_V_per_K < 0 && s->kind == STEP_CHARGE &&
        !(s->charge_V_per_K < 0)) {
        plan_warning(w,
                     "step \"%s\" holds the same voltage at any temperature, and %s wants less "
                     "when warm: write compensation: {per_degree: %.0f mV/cell, reference: %.0f "
                     "degC} if the stand has a thermometer",
                     s->name, chemistry, 1000 * w->chemistry->compensation_V_per_K,
                     w->chemistry->compensation_reference_C);
    }
}

static void warn_of_hold(struct plan_work *w, const struct plan_step *s)
{
    char text[DURATION_TEXT_SIZE];
    plan_warning(w,
                 "step \"%s\" waits for a person, for %s at most, and the run ends there if nobody "
                 "confirms; its wait is not in the hours foreseen",
                 s->name, duration_text(s->max_s, text));
}

/* A limit that a person wrote is kept to the letter, noise or not. */
static void warn_of_current_limit(struct plan_work *w, const struct plan_step *s)
{
    const struct written *q = &w->profile->limits.current_max;
    double limit_A = resolve_current(w, q), set_A = fabs(s->current_A);
    double wide_A = set_A + current_spare(w, set_A);
    if (set_A > 0 && set_A <= limit_A && limit_A < wide_A) {
        plan_warning(w,
                     "step \"%s\" sets %.4g A, and the limit in line %d is %.4g A: noise of the "
                     "reading may trip the run; write %.4g A there, or lower the current",
                     s->name, set_A, q->line, limit_A, ceil(wide_A * 10) / 10);
    }
}

/* At the edge of its power a load may switch itself off. */
static void warn_of_load_power(struct plan_work *w, const struct plan_step *s)
{
    double rated_W = w->stand != NULL ? w->stand->load.power_max_W : (double)NAN;
    double power_W = largest_power(w, s);
    double spare = current_spare(w, fabs(s->current_A)) / fabs(s->current_A);
    if (step_discharges(s) && power_W <= rated_W && power_W * (1 + spare) > rated_W) {
        plan_warning(
            w,
            "step \"%s\" takes up to %.4g W, and the load of stand \"%s\" is rated %.4g W: "
            "its own protection may end the discharge; a little less current is safer",
            s->name, power_W, w->stand->name, rated_W);
    }
}

static void warn_of_step(struct plan_work *w, size_t i)
{
    const struct plan_step *s = &w->plan->steps[i];
    warn_of_current_limit(w, s);
    warn_of_load_power(w, s);
    if (step_charges(s)) {
        warn_of_charge(w, s);
        warn_of_voltage_limit(w, s);
    }
    if (s->kind == STEP_HOLD) {
        warn_of_hold(w, s);
    }
    warn_of_end(w, i);
}

static void warn_of_start(struct plan_work *w)
{
    size_t first = first_flowing(w->plan);
    if (first != SIZE_MAX && step_charges(&w->plan->steps[first]) && !w->profile->full_confirmed &&
        !filled_before(w->plan, first)) {
        plan_warning(w, "hours and charge are foreseen as if the battery were empty at the start: "
                        "how full it is cannot be measured before");
    }
}

static void warn_of_state(struct plan_work *w)
{
    if (w->profile->full_confirmed) {
        plan_warning(w, "the battery must be fully charged and rested before the start: see to it, "
                        "nothing here can measure it");
    }
    if (w->stand != NULL && isfinite(w->stand->present_voltage_V)) {
        const struct plausible_seen seen = plausible_once(w->stand->present_voltage_V);
        char text[PLAUSIBLE_TEXT_SIZE];
        if (plausible_judge(w->plan, &seen, text) == PLAUSIBLE_DOUBT) {
            plan_warning(w, "%s", text);
        }
    }
    if (w->battery->chemistry == CHEM_NIMH || w->battery->chemistry == CHEM_NICD) {
        plan_warning(w, "the capacity of nickel batteries rises over the first cycles after a long "
                        "rest: if the first result is low, repeat it");
    }
}

void plan_warn(struct plan_work *w)
{
    warn_of_state(w);
    warn_of_rating(w);
    for (size_t i = 0; i < w->plan->step_count; i++) {
        warn_of_step(w, i);
    }
    warn_of_start(w);
    if (w->stand != NULL) {
        warn_of_reading(w);
        warn_of_load(w);
        warn_of_supply(w);
        warn_of_temperature(w);
    }
}

/* --- cautions --- */

void plan_advise(struct plan_work *w)
{
    double heat_W = 0;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        const struct plan_step *s = &w->plan->steps[i];
        heat_W = step_discharges(s) ? fmax(heat_W, s->heat_W) : heat_W;
    }
    for (const char *const *c = w->chemistry->cautions; *c != NULL; c++) {
        plan_caution(w, "%s", *c);
    }
    if (heat_W > 0) {
        plan_caution(w,
                     "The load turns about %.3g W into heat, into the room it stands in: keep its "
                     "air inlets free and nothing that burns near it.",
                     heat_W);
    }
    plan_caution(w, "A shorted battery drives hundreds of amperes: fit a fuse at the battery, use "
                    "insulated tools, and leads and clamps made for the current; wear no rings.");
    plan_caution(w, "Local codes and the battery maker's sheet come before anything written here; "
                    "leave fixed installations to licensed people.");
}
