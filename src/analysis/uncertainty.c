/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/uncertainty: how well the charge is known.
 *
 * After the Guide to the Expression of Uncertainty in Measurement (GUM, JCGM
 * 100): each influence becomes a standard uncertainty of the charge; a limit of
 * error +-a is taken as a rectangular distribution, u = a / sqrt(3) (4.3.7);
 * independent influences add in squares (5.1.2); U = 2 u (6.3). */
#include "analysis/stretch.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define SQRT3 1.7320508075688772

/* What falls out anew in every record: where the rows happen to lie, and noise. The
 * rest belongs to the instrument or to the shape of the curve. */
static bool averages(const char *name)
{
    static const char *const those[] = {
        "current resolution",
        "end between rows",
        "switching between rows",
        "start of the record",
        "gaps",
        "interruption",
    };
    for (size_t i = 0; i < sizeof those / sizeof those[0]; i++)
        if (strcmp(those[i], name) == 0)
            return true;
    return false;
}

/* A charge is the sum of its pieces; one list entry for each influence. */
static void add(struct uncertainty_budget *b, const char *name, double standard_As, const char *fmt,
                ...) PRINTF_LIKE(4, 5);

static void add(struct uncertainty_budget *b, const char *name, double standard_As, const char *fmt,
                ...)
{
    if (b->count == UNCERTAINTY_COMPONENTS_MAX || !isfinite(standard_As))
        return;
    struct uncertainty_component *c = &b->component[b->count++];
    c->name = name;
    c->averages = averages(name);
    c->standard_Ah = fabs(standard_As) / SECONDS_PER_HOUR;
    va_list args;
    va_start(args, fmt);
    vsnprintf(c->how, sizeof c->how, fmt, args);
    va_end(args);
}

static void add_current(const struct accuracy *acc, double rest_A, const struct stretch *s,
                        struct uncertainty_budget *b)
{
    if (!isnan(acc->gain))
        add(b, "current gain", s->charge_As * acc->gain / SQRT3,
            "+-%.3g %% of reading, the same for every sample", 100 * acc->gain);
    if (!isnan(acc->offset) && !(fabs(rest_A) > acc->offset))
        add(b, "current offset", acc->offset * s->loaded_s / SQRT3,
            "+-%.3g A over %.0f s under load", acc->offset, s->loaded_s);
    else if (!isnan(rest_A))
        add(b, "current offset", rest_A * s->loaded_s / SQRT3,
            "%.3g A read at rest, over %.0f s under load", rest_A, s->loaded_s);
    if (!isnan(acc->resolution))
        add(b, "current resolution",
            acc->resolution / (2 * SQRT3) * sqrt(s->end.weight_s2 - s->start.weight_s2),
            "steps of %.3g A, independent from sample to sample", acc->resolution);
}

/* Standard uncertainty of one voltage reading near voltage_V. */
static double voltage_standard_V(const struct accuracy *acc, double voltage_V)
{
    double gain_V = isnan(acc->gain) ? 0 : acc->gain * voltage_V / SQRT3;
    double offset_V = isnan(acc->offset) ? 0 : acc->offset / SQRT3;
    double step_V = isnan(acc->resolution) ? 0 : acc->resolution / (2 * SQRT3);
    return sqrt(gain_V * gain_V + offset_V * offset_V + step_V * step_V);
}

static void add_crossing(const struct accuracy *acc, const struct stretch *s,
                         struct uncertainty_budget *b)
{
    double u_V = voltage_standard_V(acc, s->end.at.voltage_V);
    double slope = fabs(s->end_slope_V_per_s);
    if (s->reason != END_REASON_CROSSED || !(u_V > 0) || !(slope > 0))
        return;
    add(b, "voltage at the cut-off", u_V / slope * s->end.at.current_A,
        "u = %.2g V at a slope of %.2g V/s", u_V, slope);
}

static void add_end(const struct charge_accumulator *a, const struct stretch *s,
                    struct uncertainty_budget *b)
{
    const struct edge *off = &a->signs.discharge_off;
    double interval_As = s->end.at.current_A * s->end_interval_s;
    if (s->reason == END_REASON_CROSSED && a->options.rule == END_CROSSING)
        add(b, "end between rows", interval_As / 2 / SQRT3, "half of the last interval of %.4g s",
            s->end_interval_s);
    else if (s->reason == END_REASON_CROSSED)
        add(b, "end between rows", interval_As / SQRT3,
            "all of the last interval of %.4g s: the rule takes the row after the crossing",
            s->end_interval_s);
    else if (s->kind == RECORD_DISCHARGE && a->options.rule != END_WHOLE && off->row != 0 &&
             s->reason != END_REASON_PROTECTION)
        add(b, "end between rows", off->current_A * off->interval_s / SQRT3,
            "the load went off within %.4g s after the last row counted", off->interval_s);
}

static void add_start(const struct charge_accumulator *a, const struct stretch *s,
                      struct uncertainty_budget *b)
{
    const struct edge *on = s->kind == RECORD_CHARGE ? &a->signs.charge_on : &a->signs.discharge_on;
    double switch_As2 = s->end.switch_As2 - s->start.switch_As2;
    if (switch_As2 > 0)
        add(b, "switching between rows", sqrt(switch_As2 / 3),
            "load switched at unknown moments within intervals");
    if (on->row != 0 && isnan(on->interval_s))
        add(b, "start of the record", on->current_A * a->signs.first_interval_s / SQRT3,
            "under load in the first row: up to one interval of %.4g s before it",
            a->signs.first_interval_s);
}

static void add_data(const struct charge_accumulator *a, const struct stretch *s,
                     struct uncertainty_budget *b)
{
    double gap_As = s->end.gap_As - s->start.gap_As;
    add(b, "sampling", (s->end.halving_As - s->start.halving_As) / 3,
        "a third of the change when every second row is left out");
    add_start(a, s, b);
    add_end(a, s, b);
    if (gap_As > 0)
        add(b, "gaps", gap_As / SQRT3, "the line across a gap may be wrong by all it adds");
}

static bool accuracy_known(const struct instrument_accuracy *acc)
{
    return !isnan(acc->current.gain) || !isnan(acc->current.offset);
}

static double energy_standard_Wh(const struct accuracy *voltage, const struct stretch *s,
                                 double charge_standard_Ah)
{
    if (!(s->charge_As > 0))
        return NAN;
    double mean_V = s->energy_J / s->charge_As;
    double from_charge_Wh = mean_V * charge_standard_Ah;
    double gain = isnan(voltage->gain) ? 0 : voltage->gain;
    double offset = isnan(voltage->offset) ? 0 : voltage->offset / mean_V;
    double from_voltage_Wh = s->energy_J / SECONDS_PER_HOUR * hypot(gain, offset) / SQRT3;
    return hypot(from_charge_Wh, from_voltage_Wh);
}

static void combine(struct uncertainty_budget *b)
{
    double sum = 0;
    for (size_t i = 0; i < b->count; i++)
        sum += b->component[i].standard_Ah * b->component[i].standard_Ah;
    b->standard_Ah = sqrt(sum);
    b->expanded_Ah = COVERAGE_FACTOR * b->standard_Ah;
}

void uncertainty_add(struct uncertainty_budget *b, const char *name, double standard_Ah,
                     const char *how)
{
    add(b, name, standard_Ah * SECONDS_PER_HOUR, "%s", how);
    combine(b);
}

void uncertainty_assess(const struct charge_accumulator *a, const struct stretch *s,
                        struct uncertainty_budget *out)
{
    const struct instrument_accuracy *acc = &a->options.accuracy;
    *out = (struct uncertainty_budget){.accuracy_known = accuracy_known(acc)};

    add_current(&acc->current, stretch_rest_current_A(a), s, out);
    if (!isnan(acc->time_gain))
        add(out, "time base", s->charge_As * acc->time_gain / SQRT3, "+-%.3g ppm",
            1e6 * acc->time_gain);
    add_crossing(&acc->voltage, s, out);
    add_data(a, s, out);

    combine(out);
    out->energy_standard_Wh = energy_standard_Wh(&acc->voltage, s, out->standard_Ah);
}
