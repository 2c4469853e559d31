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

#define CLEAR_OF_NOISE 3.0 /* standard deviations */
#define SQRT3 1.7320508075688772

/* What falls out anew in every record: where the rows happen to lie, and noise. The
 * rest belongs to the instrument or to the shape of the curve. */
static bool averages(const char *name)
{
    static const char *const those[] = {
        "current noise",       "voltage noise", "end between rows", "switching between rows",
        "start of the record", "gaps",          "interruption",
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

/* An error of resolution is the same as long as the reading stands on one step; each
 * step that is crossed draws it anew. */
static void add_resolution(double resolution_A, const struct stretch *s,
                           struct uncertainty_budget *b)
{
    double rows = (double)(s->end.at.row - s->start.at.row);
    double crossed = resolution_A > 0 ? (s->end.path_A - s->start.path_A) / resolution_A : 0;
    double draws = 1 + fmin(crossed, rows);
    add(b, "current resolution", resolution_A / (2 * SQRT3) * s->loaded_s / sqrt(draws),
        "steps of %.3g A, %.0f independent errors", resolution_A, draws);
}

static double noise_of_A(const struct stretch *s)
{
    return tally_noise_A(&s->start, &s->end);
}

/* When it is taken off, what is read at rest still has its noise and its step. */
static void add_rest_current(const struct charge_accumulator *a, const struct stretch *s,
                             struct uncertainty_budget *b)
{
    const struct accuracy *acc = &a->options.accuracy.current;
    double step_A = isnan(acc->resolution) ? 0 : acc->resolution / (2 * SQRT3);
    double u_A = hypot(stretch_rest_noise_A(a, noise_of_A(s)), step_A);
    add(b, "rest current", u_A * s->duration_s, "u = %.2g A of what was taken off, over %.0f s",
        u_A, s->duration_s);
}

/* What is read at rest tells of a larger offset than the data sheet only when it stands
 * clear of its noise. */
static void add_offset(const struct charge_accumulator *a, const struct stretch *s,
                       struct uncertainty_budget *b)
{
    const struct accuracy *acc = &a->options.accuracy.current;
    double rest_A = stretch_rest_current_A(a);
    double noise_A = stretch_rest_noise_A(a, noise_of_A(s));
    if (a->options.net_of_rest && !isnan(rest_A))
        add_rest_current(a, s, b);
    else if (!isnan(acc->offset) && !(fabs(rest_A) > acc->offset + CLEAR_OF_NOISE * noise_A))
        add(b, "current offset", acc->offset * s->loaded_s / SQRT3,
            "+-%.3g A over %.0f s under load", acc->offset, s->loaded_s);
    else if (!isnan(rest_A))
        add(b, "current offset", rest_A * s->loaded_s / SQRT3,
            "%.3g A read at rest, over %.0f s under load", rest_A, s->loaded_s);
}

static void add_current(const struct charge_accumulator *a, const struct stretch *s,
                        struct uncertainty_budget *b)
{
    const struct accuracy *acc = &a->options.accuracy.current;
    double noise_A = noise_of_A(s);
    if (!isnan(acc->gain))
        add(b, "current gain", s->charge_As * acc->gain / SQRT3,
            "+-%.3g %% of reading, the same for every sample", 100 * acc->gain);
    add_offset(a, s, b);
    if (!isnan(acc->resolution))
        add_resolution(acc->resolution, s, b);
    if (noise_A > 0)
        add(b, "current noise", noise_A * sqrt(s->end.weight_s2 - s->start.weight_s2),
            "%.2g A from row to row, independent", noise_A);
}

/* --- the voltage at the cut-off --- */

/* Charge that flows while the voltage falls by 1 V there; 0 when nothing was crossed. */
static double charge_per_volt(const struct stretch *s)
{
    double slope = fabs(s->shape.slope_V_per_s);
    bool crossed = s->reason == END_REASON_CROSSED && slope > 0;
    return crossed ? fabs(s->end.at.current_A) / slope : 0;
}

/* One error of voltage does two things, in the same direction: read too high, it ends the
 * discharge too late, and it makes the energy too large. So its parts are added, not
 * their squares (GUM 5.2.2, r = 1). */
struct voltage_error {
    double standard_V; /* at the cut-off */
    double energy_J;   /* standard, of the product with the current */
};

enum { OF_GAIN, OF_OFFSET, OF_STEP, OF_LEADS, VOLTAGE_ERRORS };

static double lead_error_ohm(const struct discharge_options *o)
{
    return isnan(o->lead_error_ohm) ? LEAD_ERROR_SHARE * o->lead_ohm : o->lead_error_ohm;
}

static void voltage_errors(const struct charge_accumulator *a, const struct stretch *s,
                           struct voltage_error out[VOLTAGE_ERRORS])
{
    const struct accuracy *acc = &a->options.accuracy.voltage;
    double gain = isnan(acc->gain) ? 0 : acc->gain / SQRT3;
    double offset_V = isnan(acc->offset) ? 0 : acc->offset / SQRT3;
    double step_V = isnan(acc->resolution) ? 0 : acc->resolution / (2 * SQRT3);
    double lead_ohm = lead_error_ohm(&a->options) / SQRT3;
    out[OF_GAIN] = (struct voltage_error){gain * s->end.at.voltage_V, gain * s->energy_J};
    out[OF_OFFSET] = (struct voltage_error){offset_V, offset_V * s->charge_As};
    out[OF_STEP] = (struct voltage_error){step_V, 0};
    out[OF_LEADS] = (struct voltage_error){lead_ohm * fabs(s->end.at.current_A),
                                           lead_ohm * (s->end.square_A2s - s->start.square_A2s)};
}

/* How much lower than the cut-off the first of many noisy readings below it may lie early:
 * the more rows there are while the voltage falls by one standard deviation, the sooner
 * one of them does. 2.1 times in 100 rows, 1.2 in 10 (sum of normal tails, integrated
 * numerically); this curve lies a little above. */
static double early_factor(double rows)
{
    double decades = log10(1 + rows);
    return sqrt(1 + decades * decades);
}

static void add_crossing(const struct charge_accumulator *a, const struct stretch *s,
                         struct uncertainty_budget *b)
{
    struct voltage_error e[VOLTAGE_ERRORS];
    double per_V = charge_per_volt(s), slope = fabs(s->shape.slope_V_per_s);
    double noise_V = s->shape.noise_V;
    voltage_errors(a, s, e);
    double u_V = sqrt(e[OF_GAIN].standard_V * e[OF_GAIN].standard_V +
                      e[OF_OFFSET].standard_V * e[OF_OFFSET].standard_V +
                      e[OF_STEP].standard_V * e[OF_STEP].standard_V);
    if (!(per_V > 0))
        return;
    if (u_V > 0)
        add(b, "voltage at the cut-off", u_V * per_V, "u = %.2g V at a slope of %.2g V/s", u_V,
            slope);
    if (e[OF_LEADS].standard_V > 0)
        add(b, "lead resistance", e[OF_LEADS].standard_V * per_V,
            "+-%.2g mOhm of %.3g mOhm, %.2g V at the cut-off%s", 1e3 * lead_error_ohm(&a->options),
            1e3 * a->options.lead_ohm, SQRT3 * e[OF_LEADS].standard_V,
            isnan(a->options.lead_error_ohm) ? "; assumed" : "");
    if (noise_V > 0)
        add(b, "voltage noise",
            noise_V * early_factor(noise_V / (slope * s->shape.interval_s)) * per_V,
            "%.2g V from row to row at the cut-off", noise_V);
}

/* A curve lies off its chord by at most an eighth of what its slope changes in that
 * interval, times the interval. When nothing was read before: half of it. */
static void add_bend(const struct end_shape *shape, double interval_As,
                     struct uncertainty_budget *b)
{
    double share = isnan(shape->bend) ? 0.5 : fmin(shape->bend / 8, 0.5);
    add(b, "end between rows", interval_As * share / SQRT3,
        "the curve may lie %.2g %% of the last %.4g s off its chord", 100 * share,
        shape->interval_s);
}

static void add_end(const struct charge_accumulator *a, const struct stretch *s,
                    struct uncertainty_budget *b)
{
    const struct edge *off = &a->signs.discharge_off;
    double interval_As = s->end.at.current_A * s->shape.interval_s;
    if (s->reason == END_REASON_CROSSED && a->options.rule == END_CROSSING)
        add_bend(&s->shape, interval_As, b);
    else if (s->reason == END_REASON_CROSSED)
        add(b, "end between rows", interval_As / SQRT3,
            "all of the last interval of %.4g s: the rule takes the row after the crossing",
            s->shape.interval_s);
    else if (s->kind == RECORD_DISCHARGE && a->options.rule != END_WHOLE && off->row != 0 &&
             s->reason != END_REASON_PROTECTION)
        add(b, "end between rows", off->current_A * off->interval_s / SQRT3,
            "the load went off within %.4g s after the last row counted", off->interval_s);
}

static double switched_As2(const struct stretch *s)
{
    return s->end.switch_As2 - s->start.switch_As2;
}

static void add_start(const struct charge_accumulator *a, const struct stretch *s,
                      struct uncertainty_budget *b)
{
    const struct edge *on = s->kind == RECORD_CHARGE ? &a->signs.charge_on : &a->signs.discharge_on;
    if (switched_As2(s) > 0)
        add(b, "switching between rows", sqrt(switched_As2(s) / 3),
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

/* What the charge alone makes of the energy, at the mean voltage, where it was switched at
 * that of those rows; and beside it each error of voltage with its two parts together. */
static double energy_standard_Wh(const struct charge_accumulator *a, const struct stretch *s,
                                 double charge_standard_Ah)
{
    if (!(s->charge_As > 0))
        return NAN;
    struct voltage_error e[VOLTAGE_ERRORS];
    double mean_V = s->energy_J / s->charge_As, end_V = s->end.at.voltage_V;
    double charge_J = mean_V * charge_standard_Ah * SECONDS_PER_HOUR, sum_J2 = charge_J * charge_J;
    double switch_J2 = s->end.switch_J2 - s->start.switch_J2;
    sum_J2 += (switch_J2 - mean_V * mean_V * switched_As2(s)) / 3;
    voltage_errors(a, s, e);
    for (size_t i = 0; i < VOLTAGE_ERRORS; i++) {
        double crossing_As = e[i].standard_V * charge_per_volt(s);
        double both_J = e[i].energy_J + end_V * crossing_As;
        sum_J2 += both_J * both_J - mean_V * crossing_As * mean_V * crossing_As;
    }
    return sqrt(fmax(sum_J2, 0)) / SECONDS_PER_HOUR;
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

    add_current(a, s, out);
    if (!isnan(acc->time_gain))
        add(out, "time base", s->charge_As * acc->time_gain / SQRT3, "+-%.3g ppm",
            1e6 * acc->time_gain);
    add_crossing(a, s, out);
    add_data(a, s, out);

    combine(out);
    out->energy_standard_Wh = energy_standard_Wh(a, s, out->standard_Ah);
}
