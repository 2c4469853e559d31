/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/match: which batteries go together. */
#include "analysis/match.h"

#include "base/file.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define BEGINNINGS 40   /* tried at most, the sorted one included */
#define WORK_MOST 4.0e7 /* batteries looked at */
#define BETTER 1e-12    /* less is rounding */
#define SEED 5          /* any; always the same */

/* Slot by slot, those of one group beside each other, group by group, set by set; then the
 * spares. */
struct search {
    const struct match_question *q;
    size_t set_count, per_set, n;
    bool resistance;
    double resistance_weight, within_weight;
    size_t *slot; /* n: which battery is there */
    double *cost; /* of each set */
    double work;
};

struct range {
    double min, max, sum;
    size_t n;
};

static void range_add(struct range *r, double v)
{
    r->min = r->n > 0 ? fmin(r->min, v) : v;
    r->max = r->n > 0 ? fmax(r->max, v) : v;
    r->sum += v;
    r->n++;
}

static double range_share(const struct range *r)
{
    return r->n > 0 ? (r->max - r->min) * (double)r->n / r->sum : 0;
}

struct parts {
    double capacity, resistance, within;
};

static struct parts parts_of(const struct search *s, const size_t *slot)
{
    struct range capacity = {0}, resistance = {0};
    double within = 0;
    for (size_t g = 0; g < s->q->series; g++) {
        double sum_Ah = 0, conductance = 0;
        struct range inside = {0};
        for (size_t k = 0; k < s->q->parallel; k++) {
            size_t i = slot[g * s->q->parallel + k];
            sum_Ah += s->q->capacity_Ah[i];
            if (s->resistance) {
                conductance += 1 / s->q->resistance_ohm[i];
                range_add(&inside, s->q->resistance_ohm[i]);
            }
        }
        range_add(&capacity, sum_Ah);
        if (s->resistance) {
            range_add(&resistance, 1 / conductance);
            within += range_share(&inside) / (double)s->q->series;
        }
    }
    return (struct parts){range_share(&capacity), range_share(&resistance), within};
}

static double set_cost(struct search *s, size_t set)
{
    struct parts p = parts_of(s, s->slot + set * s->per_set);
    s->work += (double)s->per_set;
    return p.capacity + s->resistance_weight * p.resistance + s->within_weight * p.within;
}

static double all_costs(struct search *s)
{
    double sum = 0;
    for (size_t set = 0; set < s->set_count; set++) {
        s->cost[set] = set_cost(s, set);
        sum += s->cost[set];
    }
    return sum / (double)s->set_count;
}

static void exchange(struct search *s, size_t a, size_t b)
{
    size_t kept = s->slot[a];
    s->slot[a] = s->slot[b];
    s->slot[b] = kept;
}

/* What the exchange of two slots makes of the sum of costs; leaves them as they were. */
static double change_by(struct search *s, size_t a, size_t b)
{
    size_t set_a = a / s->per_set, set_b = b / s->per_set;
    bool both = set_b < s->set_count && set_b != set_a;
    exchange(s, a, b);
    double change = set_cost(s, set_a) - s->cost[set_a];
    change += both ? set_cost(s, set_b) - s->cost[set_b] : 0;
    exchange(s, a, b);
    return change;
}

/* Every exchange once, kept where it is better. False when none was. */
static bool exchange_better(struct search *s)
{
    bool any = false;
    size_t used = s->set_count * s->per_set, p = s->q->parallel;
    for (size_t a = 0; a < used && s->work < WORK_MOST; a++) {
        for (size_t b = (a / p + 1) * p; b < s->n; b++) { /* within a group nothing changes */
            if (change_by(s, a, b) < -BETTER) {
                exchange(s, a, b);
                s->cost[a / s->per_set] = set_cost(s, a / s->per_set);
                if (b < used) {
                    s->cost[b / s->per_set] = set_cost(s, b / s->per_set);
                }
                any = true;
            }
        }
    }
    return any;
}

static double improve(struct search *s)
{
    all_costs(s);
    while (s->work < WORK_MOST && exchange_better(s)) {
    }
    return all_costs(s);
}

/* --- beginnings --- */

/* Consecutive batteries of the sorted row make a set; within it the next `series` of them
 * go to its groups forth, those after them back, and so on. */
static void deal(struct search *s, const size_t *row)
{
    size_t p = s->q->parallel, groups = s->q->series;
    for (size_t set = 0; set < s->set_count; set++) {
        for (size_t i = 0; i < s->per_set; i++) {
            size_t layer = i / groups, at = i % groups;
            size_t group = layer % 2 == 0 ? at : groups - 1 - at;
            s->slot[set * s->per_set + group * p + layer] = row[set * s->per_set + i];
        }
    }
    size_t used = s->set_count * s->per_set;
    memcpy(s->slot + used, row + used, (s->n - used) * sizeof *row);
}

/* Where batteries are spare, sorting leaves out the weakest: they come last. */
static void sort_row(const struct search *s, size_t *row)
{
    gsl_sort_index(row, s->q->capacity_Ah, 1, s->n);
    for (size_t i = 0; i < s->n / 2; i++) {
        size_t kept = row[i];
        row[i] = row[s->n - 1 - i];
        row[s->n - 1 - i] = kept;
    }
}

static void sort_by_resistance(const struct search *s, size_t *row)
{
    gsl_sort_index(row, s->q->resistance_ohm, 1, s->n);
}

/* The sorted row once more, but left out at the other end. */
static void shift_row(size_t *row, size_t n, size_t spare)
{
    size_t *kept = zalloc((n + 1) * sizeof *kept);
    for (size_t i = 0; i < n; i++) {
        kept[i] = row[(i + spare) % n];
    }
    memcpy(row, kept, n * sizeof *row);
    free(kept);
}

static void begin_with(struct search *s, size_t which, size_t *row, gsl_rng *random)
{
    sort_row(s, row);
    if (which == 1) {
        shift_row(row, s->n, s->n - s->set_count * s->per_set);
    } else if (which == 2 && s->resistance) {
        sort_by_resistance(s, row);
    } else if (which > 1) {
        gsl_ran_shuffle(random, row, s->n, sizeof *row);
    }
    deal(s, row);
}

static struct match_spread spread_of(struct search *s)
{
    struct match_spread out = {.cost = all_costs(s)};
    for (size_t set = 0; set < s->set_count; set++) {
        struct parts p = parts_of(s, s->slot + set * s->per_set);
        out.capacity_percent += 100 * p.capacity / (double)s->set_count;
        out.resistance_percent += 100 * p.resistance / (double)s->set_count;
        out.worst_capacity_percent = fmax(out.worst_capacity_percent, 100 * p.capacity);
    }
    out.resistance_percent = s->resistance ? out.resistance_percent : (double)NAN;
    return out;
}

static void search_all(struct search *s, struct match_answer *out, size_t *best)
{
    size_t *row = zalloc((s->n + 1) * sizeof *row);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, SEED);
    double least = INFINITY;
    for (size_t which = 0; which < BEGINNINGS && s->work < WORK_MOST; which++) {
        begin_with(s, which, row, random);
        if (which == 0) {
            out->sorted = spread_of(s);
        }
        double cost = improve(s);
        if (cost < least - BETTER) {
            least = cost;
            memcpy(best, s->slot, s->n * sizeof *best);
        }
    }
    out->complete = s->work < WORK_MOST;
    memcpy(s->slot, best, s->n * sizeof *best);
    out->matched = spread_of(s);
    gsl_rng_free(random);
    free(row);
}

/* --- outside --- */

static bool all_known(const double *values, size_t n)
{
    size_t known = 0;
    for (size_t i = 0; i < n && values != NULL; i++) {
        known += isfinite(values[i]) && values[i] > 0;
    }
    return n > 0 && known == n;
}

static struct search search_of(const struct match_question *q)
{
    struct search s = {
        .q = q,
        .n = q->n,
        .per_set = q->series * q->parallel,
        .resistance = all_known(q->resistance_ohm, q->n),
        .resistance_weight =
            q->resistance_weight > 0 ? q->resistance_weight : MATCH_RESISTANCE_WEIGHT,
        .within_weight = q->within_weight > 0 ? q->within_weight : MATCH_WITHIN_WEIGHT,
    };
    size_t most = s.per_set > 0 ? q->n / s.per_set : 0;
    s.set_count = q->sets > 0 ? q->sets : most;
    s.set_count = s.set_count <= most ? s.set_count : 0;
    return s;
}

static void places_of(const struct search *s, size_t *place)
{
    for (size_t at = 0; at < s->n; at++) {
        size_t set = at / s->per_set, group = at % s->per_set / s->q->parallel;
        place[s->slot[at]] = set < s->set_count ? set * s->q->series + group : MATCH_SPARE;
    }
}

bool match_sets(const struct match_question *q, struct match_answer *out, size_t *place)
{
    struct search s = search_of(q);
    *out = (struct match_answer){.sets = s.set_count, .resistance_counted = s.resistance};
    if (q->n > MATCH_MOST || s.set_count == 0 || !all_known(q->capacity_Ah, q->n)) {
        return false;
    }
    s.slot = zalloc(2 * s.n * sizeof *s.slot);
    s.cost = zalloc(s.set_count * sizeof *s.cost);
    search_all(&s, out, s.slot + s.n);
    places_of(&s, place);
    free(s.cost);
    free(s.slot);
    return true;
}

struct match_spread match_spread_of(const struct match_question *q, const size_t *place, size_t set)
{
    struct search s = search_of(q);
    double cost = 0;
    size_t *slot = zalloc((s.per_set + q->series + 1) * sizeof *slot), *filled = slot + s.per_set;
    for (size_t i = 0; i < q->n; i++) {
        if (place[i] != MATCH_SPARE && place[i] / q->series == set) {
            size_t group = place[i] % q->series;
            slot[group * q->parallel + filled[group]++] = i;
        }
    }
    s.slot = slot;
    s.cost = &cost;
    s.set_count = 1;
    struct match_spread out = spread_of(&s);
    free(slot);
    return out;
}
