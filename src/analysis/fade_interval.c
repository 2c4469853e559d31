/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/fade_interval: when a law meets its limit, and how sure that is. */
#include "analysis/fade_work.h"

#include "base/file.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>

#define LEVEL 0.95
#define SEED 20 /* any; always the same, so that the answer is */

/* First-order autocorrelation about 0. */
static double autocorrelation(const double *r, size_t n)
{
    double with_next = 0, with_self = 0;
    for (size_t i = 0; i < n; i++) {
        with_self += r[i] * r[i];
        with_next += i > 0 ? r[i - 1] * r[i] : 0;
    }
    return with_self > 0 ? with_next / with_self : 0;
}

/* Carlstein 1986 (from memory): (2 rho / (1 - rho^2))^(2/3) n^(1/3); what is no more than
 * chance shows in n points counts as none. */
static size_t block_length(double rho, size_t n)
{
    if (!(rho > 2 / sqrt((double)n))) {
        return 1;
    }
    double length =
        pow(2 * rho / (1 - fmin(rho, 0.99) * fmin(rho, 0.99)), 2.0 / 3) * cbrt((double)n);
    return (size_t)fmax(1, fmin(ceil(length), (double)n / 3));
}

/* As large as the scatter that made them; see the header. */
static void restore_scatter(const struct fade_question *q, const struct fade_room *room,
                            enum fade_law law, double level, double *residual)
{
    double n = (double)q->n, p = law == FADE_NONE ? 1 : 2, mean = 0, spread = 0;
    fade_axes(law, q->points, q->n, room->x, room->y);
    for (size_t i = 0; i < q->n; i++) {
        mean += room->x[i] / n;
    }
    for (size_t i = 0; i < q->n; i++) {
        spread += (room->x[i] - mean) * (room->x[i] - mean);
    }
    double tail = (1 + level) / 2;
    double stretch = gsl_cdf_tdist_Pinv(tail, n - p) / gsl_cdf_ugaussian_Pinv(tail);
    double left = 0;
    for (size_t i = 0; i < q->n; i++) {
        double off = room->x[i] - mean;
        double leverage = 1 / n + (p > 1 ? off * off / spread : 0);
        residual[i] *= stretch / sqrt(fmax(1 - leverage, 1 / n));
        left += residual[i] / n;
    }
    for (size_t i = 0; i < q->n; i++) {
        residual[i] -= left;
    }
}

struct bootstrap {
    const struct fade_question *q;
    const struct fade_laws *laws;
    const struct fade_room *room;
    const double *fitted, *residual;
    struct fade_point *drawn;
    size_t block;
    gsl_rng *random;
};

static struct fade_fit replicate(struct bootstrap *b)
{
    size_t n = b->q->n, from = 0;
    for (size_t i = 0; i < n; i++) {
        if (i % b->block == 0) {
            from = gsl_rng_uniform_int(b->random, n);
        }
        double y = b->fitted[i] + b->residual[(from + i % b->block) % n];
        /* No battery has a capacity of nothing or less. */
        b->drawn[i] = (struct fade_point){b->q->points[i].x, fmax(y, 1e-3 * b->fitted[i])};
    }
    struct fade_laws again = *b->laws;
    enum fade_law best = fade_choose(&again, b->drawn, b->room, n);
    return again.fit[best];
}

/* Percentiles of m values, which it sorts: ranks, not between them, since some may be
 * infinite. */
static void ends_of(double *values, size_t m, double level, double *low, double *high)
{
    double tail = (1 - level) / 2 * (double)m;
    size_t rank = (size_t)fmax(0, floor(tail) - 1);
    gsl_sort(values, 1, m);
    *low = values[rank];
    *high = values[m - 1 - rank];
}

static void draw_all(struct bootstrap *b, struct fade_answer *out)
{
    size_t m = b->q->replicates > 0 ? b->q->replicates : FADE_REPLICATES;
    double level = b->q->level > 0 ? b->q->level : LEVEL;
    const struct fade_band *band = b->q->band;
    size_t places = band != NULL ? band->n : 0;
    double *crossings = zalloc(m * (1 + places) * sizeof *crossings);
    double *values = crossings + m; /* m of each place */
    for (size_t i = 0; i < m; i++) {
        const struct fade_fit fit = replicate(b);
        crossings[i] = fade_crossing(&fit, b->q->limit, b->q->rising);
        for (size_t k = 0; k < places; k++) {
            values[k * m + i] = fade_value(&fit, band->x[k]);
        }
    }
    ends_of(crossings, m, level, &out->crossing_low, &out->crossing_high);
    for (size_t k = 0; k < places; k++) {
        band->fit[k] = fade_value(&out->fit, band->x[k]);
        ends_of(values + k * m, m, level, &band->low[k], &band->high[k]);
    }
    free(crossings);
}

void fade_interval(const struct fade_question *q, const struct fade_laws *laws,
                   const struct fade_room *room, struct fade_answer *out)
{
    size_t n = q->n;
    double *residual = zalloc(2 * n * sizeof *residual), *fitted = residual + n;
    fade_residuals(&out->fit, q->points, n, residual);
    out->follow = autocorrelation(residual, n);
    out->block = block_length(out->follow, n);
    if (isfinite(q->limit)) {
        out->crossing = fade_crossing(&out->fit, q->limit, q->rising);
        for (size_t i = 0; i < n; i++) {
            fitted[i] = fade_value(&out->fit, q->points[i].x);
        }
        restore_scatter(q, room, out->fit.law, q->level > 0 ? q->level : LEVEL, residual);
        struct bootstrap b = {.q = q,
                              .laws = laws,
                              .room = room,
                              .fitted = fitted,
                              .residual = residual,
                              .drawn = zalloc(n * sizeof *b.drawn),
                              .block = out->block,
                              .random = gsl_rng_alloc(gsl_rng_mt19937)};
        gsl_rng_set(b.random, SEED);
        draw_all(&b, out);
        gsl_rng_free(b.random);
        free(b.drawn);
    }
    free(residual);
}
