/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plan_check: what is wrong between profile, battery and stand. A plan
 * with a problem does not start, so each sentence ends with what to do. */
#include "profile/plan_work.h"
#include "profile/plausible.h"

#include "base/file.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

#define LONGEST_DAYS 366
#define MB 1e6
/* For events, the journal of the database, and other runs at the same time. */
#define DISK_RESERVE_BYTES 10e6

/* --- the battery by itself --- */

static void check_battery(struct plan_work *w)
{
    const struct battery *b = w->battery;
    const struct profile *p = w->profile;
    if (b->retired_utc_ns != 0) {
        plan_problem(w, 0, "battery \"%s\" is retired: choose another, or register it anew",
                     b->label);
    }
    if (b->cells < 1) {
        plan_problem(w, 0, "battery \"%s\" has %d cells in series: register how many it has",
                     b->label, b->cells);
    }
    if (p->chemistries != 0 && (p->chemistries & (1u << (unsigned)b->chemistry)) == 0) {
        plan_problem(
            w, p->chemistries_line,
            "this profile is not for %s, the chemistry of battery \"%s\": choose a profile "
            "made for it",
            chemistry_names[b->chemistry], b->label);
    }
}

/* --- step by step --- */

static void check_cutoff(struct plan_work *w, size_t i)
{
    const struct plan_step *s = &w->plan->steps[i];
    int line = w->profile->steps[i].until_voltage.line;
    const char *chemistry = chemistry_names[w->battery->chemistry];
    double floor_V = w->chemistry->floor_V * w->battery->cells;
    int cells = w->battery->cells;
    if (!step_discharges(s)) {
        return;
    }
    if (s->until_V <= floor_V) {
        plan_problem(w, line,
                     "the cut-off of step \"%s\", %.2f V, is not above the floor of %d %s cells "
                     "(%.2f V): raise it; %.2f V/cell is usual",
                     s->name, s->until_V, cells, chemistry, floor_V, w->chemistry->cutoff_V);
    }
    if (s->until_V >= full_voltage(w)) {
        plan_problem(w, line,
                     "the cut-off of step \"%s\", %.2f V, is not below what %d %s cells have when "
                     "full (%.2f V): lower it; %.2f V/cell is usual",
                     s->name, s->until_V, cells, chemistry, full_voltage(w),
                     w->chemistry->cutoff_V);
    }
}

/* Where the profile says how much flows. */
static int line_of_current(const struct profile_step *from)
{
    const struct written *const places[] = {&from->current, &from->power, &from->resistance};
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        if (places[i]->present) {
            return places[i]->line;
        }
    }
    return from->segment_count > 0 ? from->segments[0].current.line : from->line;
}

static void check_current(struct plan_work *w, size_t i)
{
    const struct plan_step *s = &w->plan->steps[i];
    int line = line_of_current(&w->profile->steps[i]);
    double current_A = fabs(s->current_A);
    const char *verb = step_charges(s) ? "charges with" : "draws";
    double allowed_A =
        step_charges(s) ? w->battery->charge_current_max_A : w->battery->current_max_A;
    if (current_A > allowed_A) {
        plan_problem(w, line,
                     "step \"%s\" %s %.4g A, and battery \"%s\" allows %.4g A: lower the current",
                     s->name, verb, current_A, w->battery->label, allowed_A);
    }
    int limit_line = w->profile->limits.current_max.line;
    double limit_A = resolve_current(w, &w->profile->limits.current_max);
    if (current_A > limit_A) {
        plan_problem(w, line,
                     "step \"%s\" %s %.4g A, above this profile's own limit of %.4g A in line "
                     "%d: lower the current or raise the limit",
                     s->name, verb, current_A, limit_A, limit_line);
    }
}

/* The judged capacity must be deliverable before the step ends by itself. */
static void check_end(struct plan_work *w, size_t i)
{
    const struct plan *p = w->plan;
    const struct plan_step *s = &p->steps[i];
    const struct profile_step *from = &w->profile->steps[i];
    if (!p->judged || p->judged_step != i) {
        return;
    }
    double current_A = mean_current(w, s);
    double most_Ah = current_A * s->max_s / S_PER_H;
    char longest[DURATION_TEXT_SIZE], wanted[DURATION_TEXT_SIZE];
    if (s->max_s > 0 && most_Ah < p->accept_Ah) {
        plan_problem(w, from->at_most_time.present ? from->at_most_time.line : from->line,
                     "step \"%s\" ends after %s, before %.4g Ah can be delivered at %.4g A (%s): "
                     "give at_most more time",
                     s->name, duration_text(s->max_s, longest), p->accept_Ah, current_A,
                     duration_text(p->accept_Ah / current_A * S_PER_H, wanted));
    }
    if (s->max_Ah < p->accept_Ah) {
        plan_problem(w, from->at_most_charge.line,
                     "step \"%s\" ends after %.4g Ah, and acceptance wants %.4g Ah: give at_most "
                     "more charge",
                     s->name, s->max_Ah, p->accept_Ah);
    }
}

/* The guard must see a reading, and forgive a lost one, within the trust time. */
static void check_sampling(struct plan_work *w, size_t i)
{
    const struct plan_step *s = &w->plan->steps[i];
    const struct profile_step *from = &w->profile->steps[i];
    double trust_s = w->plan->limits.trust_s;
    if (s->kind != STEP_REPEAT && s->sample_s * 2 > trust_s) {
        plan_problem(
            w, from->sample_every.present ? from->sample_every.line : from->line,
            "step \"%s\" reads every %.3g s, and readings are trusted for %.3g s, in which "
            "two must fit: write sample_every: %.3g s or less",
            s->name, s->sample_s, trust_s, trust_s / 2);
    }
}

/* --- the limits among themselves --- */

static void check_voltage_limits(struct plan_work *w)
{
    const struct guard_limits *l = &w->plan->limits;
    double floor_V = w->chemistry->floor_V * w->battery->cells;
    int line = w->limit_line[LIMIT_VOLTAGE_MIN];
    for (size_t i = 0; line > 0 && i < w->plan->step_count; i++) {
        const struct plan_step *s = &w->plan->steps[i];
        /* A cut-off at the floor has been told already. */
        if (step_discharges(s) && s->until_V <= l->voltage_min_V && s->until_V > floor_V) {
            plan_problem(
                w, line,
                "the lower voltage limit, %.2f V, is not below the cut-off of step \"%s\", "
                "%.2f V, so the run would trip before the step ends: lower the limit",
                l->voltage_min_V, s->name, s->until_V);
        }
    }
    if (l->voltage_min_V >= l->voltage_max_V) {
        line = line > 0 ? line : w->limit_line[LIMIT_VOLTAGE_MAX];
        plan_problem(w, line,
                     "the voltage limits leave no room: at least %.2f V and at most %.2f V for %d "
                     "cells; correct the limits, or the number of cells of battery \"%s\"",
                     l->voltage_min_V, l->voltage_max_V, w->battery->cells, w->battery->label);
    }
}

static void check_temperature_limits(struct plan_work *w)
{
    const struct guard_limits *l = &w->plan->limits;
    if (l->temperature_min_C >= l->temperature_max_C) {
        int line = w->limit_line[LIMIT_TEMPERATURE_MIN];
        plan_problem(w, line > 0 ? line : w->limit_line[LIMIT_TEMPERATURE_MAX],
                     "the temperature limits leave no room: at least %.4g degC and at most %.4g "
                     "degC; correct the limits of the profile or of battery \"%s\"",
                     l->temperature_min_C, l->temperature_max_C, w->battery->label);
    }
}

/* What the profile allows must be enough for what the plan expects: a night that
 * can only end in a trip does not begin. */
static void check_ceiling(struct plan_work *w, enum limit_kind kind, double expected, double limit,
                          const char *what)
{
    static const char *const units[LIMIT_COUNT] = {[LIMIT_CHARGE] = "Ah",
                                                   [LIMIT_ENERGY] = "Wh",
                                                   [LIMIT_STEP_TIME] = "h",
                                                   [LIMIT_RUN_TIME] = "h"};
    bool is_time = kind == LIMIT_STEP_TIME || kind == LIMIT_RUN_TIME;
    double scale = is_time ? S_PER_H : 1;
    if (w->limit_line[kind] > 0 && expected > limit) {
        plan_problem(w, w->limit_line[kind],
                     "the limit of %.4g %s is less than what is expected of %s, %.4g %s, so the "
                     "run would trip: raise the limit",
                     limit / scale, units[kind], what, expected / scale, units[kind]);
    }
}

static void check_ceilings(struct plan_work *w)
{
    const struct guard_limits *l = &w->plan->limits;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        const struct plan_step *s = &w->plan->steps[i];
        char what[STEP_NAME_SIZE + 16];
        text_format(what, sizeof what, "step \"%s\"", s->name);
        check_ceiling(w, LIMIT_CHARGE, s->expected_Ah, l->charge_max_Ah, what);
        check_ceiling(w, LIMIT_ENERGY, s->expected_Wh, l->energy_max_Wh, what);
        check_ceiling(w, LIMIT_STEP_TIME, s->expected_s, l->step_time_max_s, what);
    }
    check_ceiling(w, LIMIT_RUN_TIME, w->plan->expected_s, l->run_time_max_s, "the run");
}

/* --- the stand --- */

static void check_load(struct plan_work *w)
{
    const struct instrument_facts *load = &w->stand->load;
    if (largest_current(w, false) > 0 && !load->present) {
        plan_problem(w, 0, "stand \"%s\" has no load to discharge with: choose another stand",
                     w->stand->name);
        return;
    }
    if (load->present && full_voltage(w) > load->voltage_max_V) {
        plan_problem(w, 0,
                     "the full battery has %.2f V, and the load of stand \"%s\" is rated %.4g V: "
                     "choose another stand",
                     full_voltage(w), w->stand->name, load->voltage_max_V);
    }
}

/* Lost in the leads between battery and load, as far as their resistance is known. */
static double lead_drop(const struct plan_work *w, double current_A)
{
    return w->stand->lead_ohm > 0 ? current_A * w->stand->lead_ohm : 0;
}

/* A mode that the load's driver does not know cannot be set. */
static void check_drive(struct plan_work *w, const struct plan_step *s, int line)
{
    const struct instrument_facts *load = &w->stand->load;
    bool by_power = s->drive == DRIVE_POWER;
    bool by_resistance = s->drive == DRIVE_RESISTANCE;
    if ((by_power && !load->holds_power) || (by_resistance && !load->holds_resistance)) {
        plan_problem(w, line,
                     "step \"%s\" holds a constant %s, and the driver of the load at stand "
                     "\"%s\" has no lines for that: discharge by current, or add them to the "
                     "driver",
                     s->name, by_power ? "power" : "resistance", w->stand->name);
    }
}

double largest_power(const struct plan_work *w, const struct plan_step *s)
{
    return s->drive == DRIVE_POWER ? s->power_W : fabs(s->current_A) * full_voltage(w);
}

static void check_step_at_load(struct plan_work *w, size_t i)
{
    const struct instrument_facts *load = &w->stand->load;
    const struct plan_step *s = &w->plan->steps[i];
    const struct profile_step *from = &w->profile->steps[i];
    double current_A = fabs(s->current_A);
    double power_W = largest_power(w, s);
    int line = line_of_current(from);
    if (!load->present || !step_discharges(s)) {
        return;
    }
    check_drive(w, s, line);
    if (current_A > load->current_max_A) {
        plan_problem(
            w, line,
            "step \"%s\" draws %.4g A, and the load of stand \"%s\" is rated %.4g A: lower "
            "the current or choose another stand",
            s->name, current_A, w->stand->name, load->current_max_A);
    }
    if (power_W > load->power_max_W) {
        plan_problem(w, line,
                     "step \"%s\" takes %.4g W from the full battery (%.4g A at %.2f V), and the "
                     "load of stand \"%s\" is rated %.4g W: lower the current or choose another "
                     "stand",
                     s->name, power_W, power_W / full_voltage(w), full_voltage(w), w->stand->name,
                     load->power_max_W);
    }
    double at_load_V = s->until_V - lead_drop(w, current_A);
    if (at_load_V < load->voltage_min_V) {
        plan_problem(w, from->until_voltage.line,
                     "at the cut-off of step \"%s\" the load of stand \"%s\" has %.2f V left, and "
                     "needs %.2f V to hold its current: choose another stand or raise the cut-off",
                     s->name, w->stand->name, at_load_V, load->voltage_min_V);
    }
}

/* True when the voltage may be that of the battery as registered. */
static bool check_plausible(struct plan_work *w)
{
    const struct plausible_seen seen = plausible_once(w->stand->present_voltage_V);
    char text[PLAUSIBLE_TEXT_SIZE];
    bool may_be = plausible_judge(w->plan, &seen, text) != PLAUSIBLE_NOT;
    if (!may_be) {
        plan_problem(w, 0, "%s", text);
    }
    return may_be;
}

/* The voltage was just read and the temperature was not. */
static void check_present_thermometer(struct plan_work *w)
{
    if (w->stand->has_thermometer && isfinite(w->stand->present_voltage_V) &&
        !isfinite(w->stand->present_temperature_C)) {
        plan_problem(w, 0,
                     "the thermometer of stand \"%s\" gives no reading: see to its cable and where "
                     "it touches the battery",
                     w->stand->name);
    }
}

/* A cut-off that the battery is below already, with nothing before that fills it. */
static bool check_something_left(struct plan_work *w)
{
    double v = w->stand->present_voltage_V;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        const struct plan_step *s = &w->plan->steps[i];
        /* A cut-off above full has been told already. */
        if (step_discharges(s) && v <= s->until_V && s->until_V < full_voltage(w) &&
            !filled_before(w->plan, i)) {
            plan_problem(w, w->profile->steps[i].until_voltage.line,
                         "the battery reads %.2f V at rest, the cut-off is %.2f V: nothing would "
                         "be measured; charge the battery, or check cut-off and number of cells",
                         v, s->until_V);
            return false;
        }
    }
    return true;
}

/* Each limit by itself would trip the run when current first flows. Where a
 * person comes before that, the battery need not be there yet. */
static void check_present_voltage(struct plan_work *w)
{
    double v = w->stand->present_voltage_V;
    const struct plan *p = w->plan;
    size_t first = first_flowing(p);
    const struct guard_limits *l = first == SIZE_MAX ? &p->limits : &p->steps[first].limits;
    for (size_t i = 0; i < p->step_count && i < first; i++) {
        if (p->steps[i].kind == STEP_HOLD) {
            return;
        }
    }
    if (!check_plausible(w) || !check_something_left(w)) {
        return;
    }
    if (v < l->voltage_min_V || v > l->voltage_max_V) {
        bool low = v < l->voltage_min_V;
        plan_problem(w, w->limit_line[low ? LIMIT_VOLTAGE_MIN : LIMIT_VOLTAGE_MAX],
                     "the battery reads %.2f V at rest, %s the limit of %.2f V: %s, or change the "
                     "limit",
                     v, low ? "below" : "above", low ? l->voltage_min_V : l->voltage_max_V,
                     low ? "charge it" : "let it rest");
    }
}

static void check_temperature(struct plan_work *w)
{
    const struct guard_limits *l = &w->plan->limits;
    double t = w->stand->present_temperature_C;
    if (l->temperature_required && !w->stand->has_thermometer) {
        plan_problem(w, 0,
                     "this profile requires the battery's temperature, and stand \"%s\" has no "
                     "thermometer: add one to bench.yaml or choose another stand",
                     w->stand->name);
    }
    if (t < l->temperature_min_C || t > l->temperature_max_C) {
        plan_problem(
            w,
            w->limit_line[t < l->temperature_min_C ? LIMIT_TEMPERATURE_MIN : LIMIT_TEMPERATURE_MAX],
            "the battery is at %.1f degC, outside %.4g to %.4g degC: let it come to room "
            "temperature",
            t, l->temperature_min_C, l->temperature_max_C);
    }
}

/* --- the run as a whole --- */

static void check_length(struct plan_work *w)
{
    if (w->plan->longest_s > LONGEST_DAYS * 86400.0) {
        plan_problem(w, 0,
                     "with every step and repeat at its longest this run takes %.0f days, and %d "
                     "is the most: lower times or at_most",
                     w->plan->longest_s / 86400, LONGEST_DAYS);
    }
}

static void check_disk(struct plan_work *w)
{
    double free_bytes = w->stand->free_bytes;
    double needed = w->plan->disk_bytes;
    if (needed + DISK_RESERVE_BYTES > free_bytes) {
        plan_problem(w, 0,
                     "the samples of this run take about %.0f MB, and %.0f MB are free where they "
                     "are recorded, of which %.0f MB must stay free: make room, or lower times and "
                     "at_most",
                     needed / MB, free_bytes / MB, DISK_RESERVE_BYTES / MB);
    } else if (2 * needed + 4 * DISK_RESERVE_BYTES > free_bytes) {
        plan_warning(w,
                     "the samples of this run take about %.0f MB, and only %.0f MB are free where "
                     "they are recorded",
                     needed / MB, free_bytes / MB);
    }
}

void plan_check(struct plan_work *w)
{
    check_battery(w);
    for (size_t i = 0; i < w->plan->step_count; i++) {
        check_cutoff(w, i);
        check_current(w, i);
        check_end(w, i);
        check_sampling(w, i);
    }
    check_voltage_limits(w);
    check_temperature_limits(w);
    check_ceilings(w);
    check_length(w);
    if (w->stand == NULL) {
        return;
    }
    check_load(w);
    for (size_t i = 0; i < w->plan->step_count; i++) {
        check_step_at_load(w, i);
    }
    if (isfinite(w->stand->present_voltage_V)) {
        check_present_voltage(w);
        check_present_thermometer(w);
    }
    check_temperature(w);
    check_disk(w);
}
