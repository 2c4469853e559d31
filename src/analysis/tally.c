/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/tally: trapezoid sums along a record. */
#include "analysis/tally.h"

#include "base/sample.h"

#include <math.h>

void exact_add(struct exact_sum *s, double x)
{
    double total = s->sum + x;
    if (fabs(s->sum) >= fabs(x))
        s->rest += (s->sum - total) + x;
    else
        s->rest += (x - total) + s->sum;
    s->sum = total;
}

double exact_value(const struct exact_sum *s)
{
    return s->sum + s->rest;
}

static const struct temperature_tally no_temperature = {
    .start_C = NAN, .min_C = NAN, .max_C = NAN, .last_C = NAN, .last_t_s = NAN};

static void temperature_add(struct temperature_tally *t, const struct point *p)
{
    if (!isfinite(p->temperature_C))
        return;
    if (isnan(t->start_C)) {
        t->start_C = t->min_C = t->max_C = p->temperature_C;
    } else {
        double dt = p->t_s - t->last_t_s;
        t->weighted_Cs += trapezoid(t->last_C, p->temperature_C, dt);
        t->weight_s += dt;
        t->min_C = fmin(t->min_C, p->temperature_C);
        t->max_C = fmax(t->max_C, p->temperature_C);
    }
    t->last_C = p->temperature_C;
    t->last_t_s = p->t_s;
}

double temperature_mean_C(const struct temperature_tally *t)
{
    return t->weight_s > 0 ? t->weighted_Cs / t->weight_s : t->last_C;
}

int current_direction(double current_A, double threshold_A)
{
    if (current_A < -threshold_A)
        return -1;
    return current_A > threshold_A;
}

void tally_begin(struct tally *t, const struct point *first)
{
    *t = (struct tally){
        .at = *first, .temperature = no_temperature, .temperature_since_full = no_temperature};
    temperature_add(&t->temperature, first);
    temperature_add(&t->temperature_since_full, first);
}

/* The reading in the middle of a pair against the line between the readings around it. */
static void off_line_add(struct tally *t, const struct point *p)
{
    double share = (t->at.t_s - t->pair.t_s) / (p->t_s - t->pair.t_s);
    double line_A = t->pair.current_A + share * (p->current_A - t->pair.current_A);
    t->off_line_A2 += (t->at.current_A - line_A) * (t->at.current_A - line_A);
    t->off_lines++;
}

/* Of three readings alike the middle one less the mean of its neighbours has 1 + 1/2
 * times the variance of one. */
#define OFF_LINE_VARIANCE 1.5
#define OFF_LINES_LEAST 4

double tally_noise_A(const struct tally *from, const struct tally *to)
{
    size_t n = to->off_lines - from->off_lines;
    double sum_A2 = to->off_line_A2 - from->off_line_A2;
    return n < OFF_LINES_LEAST ? 0 : sqrt(sum_A2 / (OFF_LINE_VARIANCE * (double)n));
}

/* Compare with a trapezoid over every second row, where load is steady: the
 * difference is three times the error of the finer one (Richardson). */
static void halving_add(struct tally *t, const struct point *p, double charge_As, bool steady)
{
    if (steady)
        t->path_A += fabs(p->current_A - t->at.current_A);
    if (!steady) {
        t->pair_open = false;
    } else if (!t->pair_open) {
        t->pair_open = true;
        t->pair_As = charge_As;
        t->pair = t->at;
    } else {
        double coarse_As = trapezoid(t->pair.current_A, p->current_A, p->t_s - t->pair.t_s);
        t->halving_As += t->pair_As + charge_As - coarse_As;
        off_line_add(t, p);
        t->pair_open = false;
    }
}

static void spread_add(struct tally *t, const struct point *p, double charge_As,
                       const struct tally_rules *rules)
{
    double dt = p->t_s - t->at.t_s;
    int before = current_direction(t->at.current_A, rules->threshold_A);
    int after = current_direction(p->current_A, rules->threshold_A);
    bool gap = dt > rules->gap_s;

    t->loaded_s += dt * ((before != 0) + (after != 0)) / 2;
    t->weight_s2 += dt * dt;
    if (gap) {
        t->gaps++;
        t->gap_s += dt;
        t->gap_As += fabs(charge_As);
    } else if (before != after) {
        double half_As = (p->current_A - t->at.current_A) * dt / 2;
        double half_J = (p->voltage_V * p->current_A - t->at.voltage_V * t->at.current_A) * dt / 2;
        t->switch_As2 += half_As * half_As;
        t->switch_J2 += half_J * half_J;
    }
    halving_add(t, p, charge_As, dt > 0 && !gap && before == after && before != 0);
}

void tally_extend(struct tally *t, const struct point *p, const struct tally_rules *rules)
{
    double dt = p->t_s - t->at.t_s;
    double charge_As = trapezoid(t->at.current_A, p->current_A, dt);
    double energy_J = trapezoid(t->at.voltage_V * t->at.current_A, p->voltage_V * p->current_A, dt);

    exact_add(&t->charge_As, charge_As);
    exact_add(&t->energy_J, energy_J);
    t->voltage_Vs += trapezoid(t->at.voltage_V, p->voltage_V, dt);
    t->square_A2s += trapezoid(t->at.current_A * t->at.current_A, p->current_A * p->current_A, dt);
    if (charge_As > 0)
        t->in_As += charge_As;
    else
        t->out_As -= charge_As;
    spread_add(t, p, charge_As, rules);
    temperature_add(&t->temperature, p);
    temperature_add(&t->temperature_since_full, p);
    t->at = *p;
}

void row_span_add(struct row_span *s, size_t row)
{
    if (s->count == 0)
        s->first = row;
    s->last = row;
    s->count++;
}
