/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/voltage_table: moments at which the voltage under load fell through marks. */
#include "analysis/voltage_table.h"

#include "base/sample.h"

#include <math.h>

#define ROUND_ROWS 20.0
#define SAME 1e-9 /* V */

static void add_mark(struct voltage_table *t, double voltage_V)
{
    size_t at = 0;
    while (at < t->count && t->mark[at].voltage_V > voltage_V + SAME)
        at++;
    bool there = at < t->count && fabs(t->mark[at].voltage_V - voltage_V) <= SAME;
    if (there || t->count == VOLTAGE_ROWS_MAX)
        return;
    for (size_t i = t->count; i > at; i--)
        t->mark[i] = t->mark[i - 1];
    t->mark[at] = (struct voltage_mark){.voltage_V = voltage_V};
    t->count++;
}

void voltage_table_start(struct voltage_table *t, const struct voltages_asked *asked)
{
    *t = (struct voltage_table){.count = 0};
    for (size_t i = 0; i < asked->count; i++)
        add_mark(t, asked->V[i]);
}

/* The smallest of 1, 2, 5 times a power of ten that leaves at most ROUND_ROWS of them. */
static double round_step(double span_V)
{
    static const double of_decade[] = {1, 2, 5, 10};
    double decade = pow(10, floor(log10(span_V / ROUND_ROWS)));
    size_t i = 0;
    while (i < 3 && of_decade[i] * decade * ROUND_ROWS < span_V * (1 - SAME))
        i++;
    return of_decade[i] * decade;
}

void voltage_table_begin(struct voltage_table *t, double from_V, double cutoff_V)
{
    t->begun = true;
    if (!(from_V > cutoff_V) || !(cutoff_V > 0))
        return;
    double step_V = round_step(from_V - cutoff_V);
    double highest = floor(from_V / step_V);
    for (double k = highest; k * step_V > cutoff_V + SAME; k--)
        add_mark(t, k * step_V);
    add_mark(t, cutoff_V);
}

void voltage_table_fall(struct voltage_table *t, const struct tally *sums, const struct point *p)
{
    const struct point *q = &sums->at;
    double dt = p->t_s - q->t_s;
    for (size_t i = 0; i < t->count; i++) {
        struct voltage_mark *m = &t->mark[i];
        if (!(q->voltage_V > m->voltage_V && p->voltage_V <= m->voltage_V))
            continue;
        double share = (q->voltage_V - m->voltage_V) / (q->voltage_V - p->voltage_V);
        double current_A = q->current_A + share * (p->current_A - q->current_A);
        *m = (struct voltage_mark){
            .voltage_V = m->voltage_V,
            .met = true,
            .t_s = q->t_s + share * dt,
            .charge_As =
                exact_value(&sums->charge_As) + trapezoid(q->current_A, current_A, share * dt),
            .energy_J =
                exact_value(&sums->energy_J) +
                trapezoid(q->voltage_V * q->current_A, m->voltage_V * current_A, share * dt),
        };
    }
}

void voltage_table_forget(struct voltage_table *t, double below_V)
{
    for (size_t i = 0; i < t->count; i++)
        t->mark[i].met = t->mark[i].met && t->mark[i].voltage_V >= below_V;
}
