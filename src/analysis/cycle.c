/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/cycle: sums from one step to the next. */
#include "analysis/cycle.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define NOBODY (-1)

void cycle_start(struct cycle_count *c)
{
    *c = (struct cycle_count){.emptied_by = NOBODY, .from_empty_of = NOBODY};
}

void cycle_charge(struct cycle_count *c, double Ah, double Wh)
{
    if (c->emptying) {
        *c = (struct cycle_count){.emptied_by = NOBODY, .from_empty_of = c->emptied_by};
    }
    c->in_Ah += Ah;
    c->in_Wh += Wh;
}

void cycle_other(struct cycle_count *c, double Ah, double Wh)
{
    c->in_Ah += fmax(0, Ah);
    c->in_Wh += fmax(0, Wh);
    c->out_Ah += fmax(0, -Ah);
    c->out_Wh += fmax(0, -Wh);
}

struct cycle_efficiency cycle_discharge(struct cycle_count *c, const struct cycle_discharge *d)
{
    c->emptying = true;
    c->out_Ah += d->Ah;
    c->out_Wh += d->Wh;
    c->emptied_by = d->to_cutoff ? d->plan_step : NOBODY;
    return (struct cycle_efficiency){
        .coulombic = c->in_Ah > 0 ? c->out_Ah / c->in_Ah : (double)NAN,
        .energy = c->in_Wh > 0 ? c->out_Wh / c->in_Wh : (double)NAN,
        .closed = c->in_Ah > 0 && d->to_cutoff && c->from_empty_of == d->plan_step,
    };
}

void attempt_mean_start(struct attempt_mean *m)
{
    *m = (struct attempt_mean){.accuracy_known = true};
}

static struct uncertainty_component *component_of(struct uncertainty_budget *b, const char *name)
{
    for (size_t i = 0; i < b->count; i++) {
        if (strcmp(b->component[i].name, name) == 0) {
            return &b->component[i];
        }
    }
    if (b->count == UNCERTAINTY_COMPONENTS_MAX) {
        return NULL;
    }
    struct uncertainty_component *c = &b->component[b->count++];
    c->name = name;
    return c;
}

void attempt_mean_add(struct attempt_mean *m, const struct capacity_result *r)
{
    m->n++;
    m->capacity_Ah += r->capacity_Ah;
    m->energy_Wh += r->energy_Wh;
    m->start_C += r->temperature_start_C;
    m->mean_C += r->temperature_mean_C;
    m->end_C += r->temperature_end_C;
    m->loaded_s += r->loaded_s;
    m->energy_standard_Wh += r->uncertainty.energy_standard_Wh;
    double off_Ah = r->capacity_Ah - m->mean_Ah;
    m->mean_Ah += off_Ah / (double)m->n;
    m->scatter_Ah2 += off_Ah * (r->capacity_Ah - m->mean_Ah);
    m->accuracy_known = m->accuracy_known && r->uncertainty.accuracy_known;
    for (size_t i = 0; i < r->uncertainty.count; i++) {
        const struct uncertainty_component *from = &r->uncertainty.component[i];
        struct uncertainty_component *to = component_of(&m->sums, from->name);
        if (to != NULL) {
            to->averages = from->averages;
            to->standard_Ah +=
                from->averages ? from->standard_Ah * from->standard_Ah : from->standard_Ah;
        }
    }
}

static void mean_budget(const struct attempt_mean *m, struct uncertainty_budget *out)
{
    double n = (double)m->n;
    *out = (struct uncertainty_budget){.accuracy_known = m->accuracy_known,
                                       .energy_standard_Wh = m->energy_standard_Wh / n};
    for (size_t i = 0; i < m->sums.count; i++) {
        const struct uncertainty_component *c = &m->sums.component[i];
        char how[sizeof c->how];
        snprintf(how, sizeof how, "of %zu attempts: %s", m->n,
                 c->averages ? "independent, becomes less by their number"
                             : "the same in each, the mean of them");
        double sum_Ah = c->averages ? sqrt(c->standard_Ah) : c->standard_Ah;
        uncertainty_add(out, c->name, sum_Ah / n, how);
    }
}

void attempt_mean_finish(const struct attempt_mean *m, double rated_Ah, struct capacity_result *r)
{
    if (m->n == 0) {
        return;
    }
    r->capacity_Ah = m->capacity_Ah / (double)m->n;
    r->energy_Wh = m->energy_Wh / (double)m->n;
    r->voltage_count = 0; /* of one of them */
    r->mean_voltage_V = m->energy_Wh / m->capacity_Ah;
    r->percent_of_rated = 100 * r->capacity_Ah / rated_Ah;
    r->temperature_start_C = m->start_C / (double)m->n;
    r->temperature_mean_C = m->mean_C / (double)m->n;
    r->temperature_end_C = m->end_C / (double)m->n;
    r->loaded_s = m->loaded_s / (double)m->n;
    mean_budget(m, &r->uncertainty);
}

double attempt_scatter_Ah(const struct attempt_mean *m)
{
    return m->n > 1 ? sqrt(m->scatter_Ah2 / (double)(m->n - 1)) : (double)NAN;
}
