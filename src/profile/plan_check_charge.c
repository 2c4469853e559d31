/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plan_check_charge: what is wrong with a charge: what is held, what ends
 * it, and whether supply and thermometer are there for it. */
#include "profile/plan_work.h"

#include <math.h>

/* No maker's compensation is steeper; -5 mV/K is the steepest read on a page. */
#define COMPENSATION_MOST_V_PER_K 0.006

struct charge_check {
    struct plan_work *w;
    const struct plan_step *s;
    const struct profile_step *from;
};

static bool is_nickel(const struct plan_work *w)
{
    return isnan(w->chemistry->full_charge_V);
}

/* --- what is held --- */

static int line_of_voltage(const struct charge_check *c)
{
    return c->from->voltage.present ? c->from->voltage.line : c->from->line;
}

static void check_held_voltage(const struct charge_check *c)
{
    const struct chemistry_data *chemistry = c->w->chemistry;
    const char *name = chemistry_names[c->w->battery->chemistry];
    int cells = c->w->battery->cells;
    double ceiling_V = chemistry->ceiling_V * cells;
    double most_V = c->s->limits.voltage_max_V;
    double coldest_V = coldest_charge_voltage(c->w, c->s);
    if (isnan(c->s->charge_V)) {
        plan_problem(c->w, c->from->line,
                     "step \"%s\" does not say what voltage the supply holds at most: write "
                     "voltage: %.2f V/cell, usual for %s, or what the maker's sheet says",
                     c->s->name, full_voltage(c->w) / cells, name);
    } else if (c->s->charge_V > ceiling_V) {
        plan_problem(c->w, line_of_voltage(c),
                     "step \"%s\" charges to %.2f V, above the ceiling of %d %s cells (%.2f V): "
                     "lower it; %.2f V/cell is usual",
                     c->s->name, c->s->charge_V, cells, name, ceiling_V,
                     full_voltage(c->w) / cells);
    } else if (coldest_V >= most_V && c->from->voltage.present) {
        plan_problem(c->w, line_of_voltage(c),
                     "step \"%s\" charges to %.2f V%s, and the upper voltage limit is %.2f V, so "
                     "the run would trip: lower the voltage or raise the limit",
                     c->s->name, coldest_V, coldest_V > c->s->charge_V ? " when it is cold" : "",
                     most_V);
    }
}

static void check_compensation(const struct charge_check *c)
{
    double per_cell = c->from->compensation.q.value;
    const char *name = chemistry_names[c->w->battery->chemistry];
    if (!c->from->compensation.present) {
        return;
    }
    if (!(c->w->chemistry->compensation_V_per_K < 0)) {
        plan_problem(c->w, c->from->compensation.line,
                     "the charge voltage of %s does not follow the temperature: take compensation "
                     "out of step \"%s\"",
                     name, c->s->name);
    } else if (per_cell >= 0 || per_cell < -COMPENSATION_MOST_V_PER_K) {
        plan_problem(c->w, c->from->compensation.line,
                     "step \"%s\" is compensated by %.4g mV per degree and cell, and less voltage "
                     "is wanted when warm, at most %.0f mV: write per_degree: %.0f mV/cell",
                     c->s->name, 1000 * per_cell, 1000 * COMPENSATION_MOST_V_PER_K,
                     1000 * c->w->chemistry->compensation_V_per_K);
    }
}

/* --- what ends it --- */

static void check_taper(const struct charge_check *c)
{
    if (c->s->until_A >= c->s->current_A) {
        plan_problem(c->w, c->from->until_current.line,
                     "step \"%s\" ends when the current falls to %.4g A, and charges with %.4g A, "
                     "so it would end at once: %.4g C is usual",
                     c->s->name, c->s->until_A, c->s->current_A,
                     isnan(c->w->chemistry->taper_C) ? 0.05 : c->w->chemistry->taper_C);
    }
    if (c->s->until_V >= c->s->charge_V) {
        plan_problem(c->w, c->from->until_voltage.line,
                     "step \"%s\" ends at %.2f V, and the supply holds %.2f V at most, so it might "
                     "never end: raise voltage, or end it by until: {current: ...}",
                     c->s->name, c->s->until_V, c->s->charge_V);
    }
}

static void check_slope(const struct charge_check *c)
{
    double rate_C = c->s->limits.temperature_rate_C_per_min;
    if (c->s->until_C_per_min >= rate_C) {
        plan_problem(c->w, c->from->until_warming.line,
                     "step \"%s\" ends when the battery warms by %.4g degC/min, and the limit is "
                     "%.4g degC/min, so the run would trip: 1 degC/min is usual",
                     c->s->name, c->s->until_C_per_min, rate_C);
    }
    if (c->s->hold_off_s >= c->s->max_s) {
        plan_problem(c->w, c->from->hold_off.present ? c->from->hold_off.line : c->from->line,
                     "step \"%s\" ends before its hold_off is over: shorten hold_off, or give the "
                     "step more time",
                     c->s->name);
    }
}

/* Nickel cells show that they are full by their slopes, all others by what they
 * still take at the voltage that is held. */
static void check_kind_of_end(const struct charge_check *c)
{
    bool counted = c->from->until_time.present || c->from->until_charge.present;
    bool by_slope = c->from->until_drop.present || c->from->until_warming.present;
    bool by_level = c->from->until_current.present || c->from->until_voltage.present;
    const char *name = chemistry_names[c->w->battery->chemistry];
    if (is_nickel(c->w) && !counted && !by_slope && !isfinite(c->s->skip_above_V)) {
        plan_problem(c->w, c->from->line,
                     "nothing in step \"%s\" tells when a %s battery is full: write until: {drop: "
                     "%.0f mV/cell, warming: 1 degC/min}, or until: {time: 16 h} at 0.1 C",
                     c->s->name, name, 1000 * c->w->chemistry->drop_V);
    }
    if (!is_nickel(c->w) && !counted && !by_level) {
        plan_problem(c->w, c->from->line,
                     "nothing in step \"%s\" tells when a %s battery is full: write until: "
                     "{current: %.4g C}",
                     c->s->name, name, c->w->chemistry->taper_C);
    }
}

/* Nothing holds a voltage down: what the clock lets in must be bearable. */
static void check_overcharge(const struct charge_check *c)
{
    double most_Ah = c->w->chemistry->charge_most * c->w->battery->rated_Ah;
    double by_clock_Ah = c->s->current_A * c->s->max_s / S_PER_H;
    double in_Ah = c->s->max_Ah;
    if (is_nickel(c->w) && !c->s->max_s_is_fault) {
        in_Ah = fmax(by_clock_Ah, c->from->until_charge.present ? c->s->max_Ah : 0);
    }
    int line = c->from->at_most_charge.present ? c->from->at_most_charge.line : c->from->line;
    if (in_Ah > most_Ah * (1 + 1e-9)) {
        plan_problem(c->w, line,
                     "step \"%s\" may put in %.4g Ah, and more than %.0f %% of rated (%.4g Ah) is "
                     "never right for %s: lower time, charge or current",
                     c->s->name, in_Ah, 100 * c->w->chemistry->charge_most, most_Ah,
                     chemistry_names[c->w->battery->chemistry]);
    }
}

/* --- supply and thermometer --- */

static void check_step_at_supply(const struct charge_check *c)
{
    const struct stand_facts *f = c->w->stand;
    const struct instrument_facts *supply = &f->supply;
    double volts = coldest_charge_voltage(c->w, c->s);
    double power_W = volts * c->s->current_A;
    int line = c->from->current.present ? c->from->current.line : c->from->line;
    if (!supply->present) {
        return;
    }
    if (c->s->current_A > supply->current_max_A) {
        plan_problem(c->w, line,
                     "step \"%s\" charges with %.4g A, and the supply of stand \"%s\" is rated "
                     "%.4g A: lower the current or choose another stand",
                     c->s->name, c->s->current_A, f->name, supply->current_max_A);
    }
    if (volts > supply->voltage_max_V) {
        plan_problem(c->w, line_of_voltage(c),
                     "step \"%s\" charges to %.2f V, and the supply of stand \"%s\" is rated %.4g "
                     "V: choose another stand",
                     c->s->name, volts, f->name, supply->voltage_max_V);
    }
    if (power_W > supply->power_max_W) {
        plan_problem(c->w, line,
                     "step \"%s\" takes %.4g W from the supply of stand \"%s\" (%.4g A at %.2f V), "
                     "which is rated %.4g W: lower the current or choose another stand",
                     c->s->name, power_W, f->name, c->s->current_A, volts, supply->power_max_W);
    }
}

/* Only where the profile has not asked for it already: then it has been told. */
static void check_thermometer(const struct charge_check *c)
{
    const struct stand_facts *f = c->w->stand;
    if (c->s->limits.temperature_required && !c->w->profile->limits.temperature_required &&
        !f->has_thermometer) {
        plan_problem(c->w, c->from->line,
                     "step \"%s\" needs the battery's temperature%s, and stand \"%s\" has no "
                     "thermometer: add one to bench.yaml or choose another stand",
                     c->s->name,
                     c->w->chemistry->charge_needs_temperature
                         ? ", as this chemistry is charged only within its window"
                         : "",
                     f->name);
    }
}

/* The first thing that flows would trip at once. */
static void check_present_temperature(const struct charge_check *c)
{
    double t = c->w->stand->present_temperature_C;
    const struct guard_limits *l = &c->s->limits;
    bool outside_charge = t < l->temperature_min_C || t > l->temperature_max_C;
    bool outside_all = t < c->w->plan->limits.temperature_min_C ||
                       t > c->w->plan->limits.temperature_max_C; /* told already */
    if (outside_charge && !outside_all) {
        plan_problem(c->w, c->from->line,
                     "the battery is at %.1f degC, and step \"%s\" charges it between %.4g and "
                     "%.4g degC only: let it come to room temperature",
                     t, c->s->name, l->temperature_min_C, l->temperature_max_C);
    }
}

static void check_charge(const struct charge_check *c)
{
    check_held_voltage(c);
    if (c->s->kind == STEP_CHARGE) {
        check_compensation(c);
        check_taper(c);
        check_slope(c);
        check_kind_of_end(c);
        check_overcharge(c);
    }
    if (c->w->stand != NULL) {
        check_step_at_supply(c);
        check_thermometer(c);
        check_present_temperature(c);
    }
}

void plan_check_charge(struct plan_work *w)
{
    bool any = false;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        const struct charge_check c = {w, &w->plan->steps[i], &w->profile->steps[i]};
        if (c.from->kind == STEP_CHARGE || c.from->charges) {
            any = true;
            check_charge(&c);
        }
    }
    if (any && w->stand != NULL && !w->stand->supply.present) {
        plan_problem(w, 0, "stand \"%s\" has no supply to charge with: choose another stand",
                     w->stand->name);
    }
}
