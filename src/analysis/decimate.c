/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/decimate: buckets of equal time; of each the samples at its extremes. */
#include "analysis/decimate.h"

enum pick { FIRST, LAST, LEAST, GREATEST = LEAST + 3 };

static double value_of(const struct sample *s, int which)
{
    return which == 0 ? s->voltage_V : which == 1 ? s->current_A : s->temperature_C;
}

static void keep(struct decimator *d, const struct decimated *p)
{
    if (d->n < d->room) {
        d->out[d->n++] = *p;
    }
}

/* The picks in the order of time, each sample once. */
static void flush(struct decimator *d)
{
    size_t next = 0;
    while (d->picked > 0) {
        const struct decimated *nearest = NULL;
        for (size_t i = 0; i < DECIMATE_PICKS; i++) {
            if (d->pick[i].index >= next &&
                (nearest == NULL || d->pick[i].index < nearest->index)) {
                nearest = &d->pick[i];
            }
        }
        if (nearest == NULL) {
            break;
        }
        keep(d, nearest);
        next = nearest->index + 1;
    }
    d->picked = 0;
}

static void pick(struct decimator *d, const struct decimated *p)
{
    if (d->picked++ == 0) {
        for (size_t i = 0; i < DECIMATE_PICKS; i++) {
            d->pick[i] = *p;
        }
        return;
    }
    d->pick[LAST] = *p;
    for (int which = 0; which < 3; which++) {
        struct decimated *least = &d->pick[LEAST + which];
        struct decimated *greatest = &d->pick[GREATEST + which];
        double v = value_of(&p->sample, which);
        /* Written so that a value takes the place of an unknown one (NAN). */
        if (v < value_of(&least->sample, which) || isnan(value_of(&least->sample, which))) {
            *least = *p;
        }
        if (v > value_of(&greatest->sample, which) || isnan(value_of(&greatest->sample, which))) {
            *greatest = *p;
        }
    }
}

static size_t bucket_of(const struct decimator *d, double t_s)
{
    double part = (t_s - d->from_s) / (d->to_s - d->from_s);
    if (!(part > 0)) { /* also no width at all */
        return 0;
    }
    return part >= 1 ? d->buckets - 1 : (size_t)(part * (double)d->buckets);
}

void decimate_put(struct decimator *d, int step, const struct sample *s)
{
    struct decimated p = {.sample = *s, .step = step, .index = d->seen++};
    if (p.index > 0) {
        double more_Ah = sample_charge_Ah(&d->last.sample, s);
        p.charge_Ah = d->last.charge_Ah + (isnan(more_Ah) ? 0 : more_Ah);
    }
    d->last = p;
    if (d->buckets == 0) {
        keep(d, &p);
        return;
    }
    size_t bucket = bucket_of(d, s->t_s);
    if (bucket > d->bucket) { /* a time that went back stays where it came */
        flush(d);
        d->bucket = bucket;
    }
    pick(d, &p);
}

void decimate_end(struct decimator *d)
{
    flush(d);
}
