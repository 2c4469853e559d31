/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/fade: plain fits, robust fits, the choice between laws. */
#include "analysis/fade_work.h"

#include "base/file.h"

#include <gsl/gsl_fit.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

const char *const fade_law_names[] = {"none", "line", "root", "exponential", NULL};

#define BISQUARE 4.685
#define NORMAL_MAD 0.6745
#define ROUNDS_MOST 40
#define ROUNDS_SAME 1e-9
#define REPLICATE_SAME 1e-5 /* of many replicates, each */
#define PAIRS_MOST 400      /* points taken for Theil's slopes; more are thinned evenly */

double fade_value(const struct fade_fit *f, double x)
{
    switch (f->law) {
    case FADE_LINE:
        return f->a + f->b * x;
    case FADE_ROOT:
        return f->a + f->b * sqrt(x);
    case FADE_EXPONENTIAL:
        return exp(f->a + f->b * x);
    case FADE_NONE:
    case FADE_LAWS:
        break;
    }
    return f->a;
}

double fade_crossing(const struct fade_fit *f, double limit, bool rising)
{
    double begin = fade_value(f, 0);
    if (rising ? begin > limit : begin < limit) {
        return 0;
    }
    double to = f->law == FADE_EXPONENTIAL ? log(limit) : limit;
    double at = f->law == FADE_NONE ? (double)INFINITY : (to - f->a) / f->b;
    if (!isfinite(at) || (rising ? f->b <= 0 : f->b >= 0)) {
        return INFINITY;
    }
    return f->law == FADE_ROOT ? at * at : at;
}

size_t fade_first_beyond(const struct fade_point *points, size_t n, double limit, bool rising)
{
    size_t i = 0;
    while (i < n && !(rising ? points[i].y > limit : points[i].y < limit)) {
        i++;
    }
    return i;
}

/* --- least squares --- */

void fade_axes(enum fade_law law, const struct fade_point *points, size_t n, double *x, double *y)
{
    for (size_t i = 0; i < n; i++) {
        x[i] = law == FADE_ROOT ? sqrt(points[i].x) : points[i].x;
        y[i] = law == FADE_EXPONENTIAL ? log(points[i].y) : points[i].y;
    }
}

static bool is_spread(const double *x, size_t n)
{
    return n > 1 && gsl_stats_max(x, 1, n) > gsl_stats_min(x, 1, n);
}

struct fade_fit fade_fit_plain(enum fade_law law, const struct fade_point *points, size_t n)
{
    struct fade_fit f = {.law = law, .a = NAN, .b = NAN, .r_squared = NAN};
    double *x = zalloc(2 * (n + 1) * sizeof *x), *y = x + n;
    fade_axes(law, points, n, x, y);
    if (law == FADE_NONE && n > 0) {
        f.a = gsl_stats_mean(y, 1, n);
        f.b = 0;
    } else if (law != FADE_NONE && is_spread(x, n)) {
        double c00, c01, c11, left;
        gsl_fit_linear(x, 1, y, 1, n, &f.a, &f.b, &c00, &c01, &c11, &left);
        f.r_squared = 1 - left / gsl_stats_tss(y, 1, n);
    }
    free(x);
    return f;
}

/* --- robust --- */

static void theil_sen(const double *x, const double *y, size_t n, struct fade_fit *f)
{
    size_t every = (n + PAIRS_MOST - 1) / PAIRS_MOST, m = (n + every - 1) / every, count = 0;
    double *slopes = zalloc((m * m / 2 + n + 1) * sizeof *slopes);
    for (size_t i = 0; i < n; i += every) {
        for (size_t k = i + every; k < n; k += every) {
            if (x[k] > x[i]) {
                slopes[count++] = (y[k] - y[i]) / (x[k] - x[i]);
            }
        }
    }
    gsl_sort(slopes, 1, count);
    f->b = gsl_stats_median_from_sorted_data(slopes, 1, count);
    for (size_t i = 0; i < n; i++) {
        slopes[i] = y[i] - f->b * x[i];
    }
    gsl_sort(slopes, 1, n);
    f->a = gsl_stats_median_from_sorted_data(slopes, 1, n);
    free(slopes);
}

/* Robust standard deviation of residuals; `fitted` coefficients can make as many of them
 * nothing. */
static double scatter_of(const double *residual, size_t n, size_t fitted, double *room)
{
    for (size_t i = 0; i < n; i++) {
        room[i] = fabs(residual[i]);
    }
    gsl_sort(room, 1, n);
    return gsl_stats_median_from_sorted_data(room + fitted, 1, n - fitted) / NORMAL_MAD;
}

static double bisquare_weight(double residual, double scatter)
{
    double u = scatter > 0 ? residual / (BISQUARE * scatter) : 0;
    double v = fabs(u) < 1 ? 1 - u * u : 0;
    return v * v;
}

/* Near 0 it is (r/S)^2/2. */
static double bisquare_loss(double residual, double scatter)
{
    double u = residual / (BISQUARE * scatter);
    double v = fabs(u) < 1 ? 1 - u * u : 0;
    return BISQUARE * BISQUARE / 6 * (1 - v * v * v);
}

static double weighted_mean(const double *y, const double *w, size_t n)
{
    return gsl_stats_wmean(w, 1, y, 1, n);
}

/* One more round of weighing and fitting; false when all points weigh nothing. */
static bool fit_weighted(struct fade_fit *f, const double *x, const double *y,
                         const struct fade_room *room, size_t n)
{
    double sum = 0, c00, c01, c11, left;
    for (size_t i = 0; i < n; i++) {
        sum += room->weight[i];
    }
    if (!(sum > 2)) {
        return false;
    }
    if (f->law == FADE_NONE) {
        f->a = weighted_mean(y, room->weight, n);
    } else {
        gsl_fit_wlinear(x, 1, room->weight, 1, y, 1, n, &f->a, &f->b, &c00, &c01, &c11, &left);
    }
    return true;
}

/* From the coefficients in *f. A scatter of NAN is found anew each round. Returns it, in the
 * unit that was fitted. */
double fade_fit_robust(struct fade_fit *f, double scatter, const struct fade_room *room, size_t n)
{
    const double *x = room->x, *y = room->y;
    size_t fitted = f->law == FADE_NONE ? 1 : 2;
    double used = scatter, same = isnan(scatter) ? ROUNDS_SAME : REPLICATE_SAME;
    for (int round = 0; round < ROUNDS_MOST; round++) {
        struct fade_fit before = *f;
        for (size_t i = 0; i < n; i++) {
            room->residual[i] = y[i] - f->a - f->b * x[i];
        }
        used = isnan(scatter) ? scatter_of(room->residual, n, fitted, room->sorted) : scatter;
        for (size_t i = 0; i < n; i++) {
            room->weight[i] = bisquare_weight(room->residual[i], used);
        }
        if (!fit_weighted(f, x, y, room, n)) {
            break;
        }
        double moved = fabs(f->a - before.a) + fabs(f->b - before.b) * fabs(x[n - 1]);
        if (moved <= same * fabs(f->a)) {
            break;
        }
    }
    return used;
}

static void begin_robust(struct fade_fit *f, const struct fade_room *room, size_t n)
{
    if (f->law != FADE_NONE) {
        theil_sen(room->x, room->y, n, f);
        return;
    }
    for (size_t i = 0; i < n; i++) {
        room->sorted[i] = room->y[i];
    }
    gsl_sort(room->sorted, 1, n);
    f->a = gsl_stats_median_from_sorted_data(room->sorted, 1, n);
    f->b = 0;
}

/* --- the choice --- */

void fade_residuals(const struct fade_fit *f, const struct fade_point *points, size_t n,
                    double *residual)
{
    for (size_t i = 0; i < n; i++) {
        residual[i] = points[i].y - fade_value(f, points[i].x);
    }
}

double fade_aicc(const struct fade_fit *f, const struct fade_point *points, size_t n,
                 double scatter)
{
    double k = f->law == FADE_NONE ? 2 : 3, loss = 0;
    for (size_t i = 0; i < n; i++) {
        loss += 2 * bisquare_loss(points[i].y - fade_value(f, points[i].x), scatter);
    }
    return loss + 2 * k + 2 * k * (k + 1) / ((double)n - k - 1);
}

/* Points on a curve without any scatter: what rounding leaves. */
#define SCATTER_LEAST 1e-9

enum fade_law fade_choose(struct fade_laws *laws, const struct fade_point *points,
                          const struct fade_room *room, size_t n)
{
    bool first = isnan(laws->scatter);
    double least = INFINITY;
    for (int law = 0; law < FADE_LAWS; law++) {
        struct fade_fit *f = &laws->fit[law];
        fade_axes((enum fade_law)law, points, n, room->x, room->y);
        if (first) {
            *f = (struct fade_fit){.law = (enum fade_law)law, .r_squared = NAN};
            begin_robust(f, room, n);
        }
        laws->fitted_scatter[law] =
            fade_fit_robust(f, first ? (double)NAN : laws->fitted_scatter[law], room, n);
        if (first) {
            fade_residuals(f, points, n, room->residual);
            double s = scatter_of(room->residual, n, law == FADE_NONE ? 1 : 2, room->sorted);
            laws->law_scatter[law] = s;
            least = fmin(least, s);
        }
    }
    if (first) {
        laws->scatter = fmax(least, SCATTER_LEAST * fabs(points[0].y));
    }
    enum fade_law best = FADE_NONE;
    for (int law = 0; law < FADE_LAWS; law++) {
        laws->aicc[law] = fade_aicc(&laws->fit[law], points, n, laws->scatter);
        best = laws->aicc[law] < laws->aicc[best] ? (enum fade_law)law : best;
    }
    return best;
}

static void blank(struct fade_answer *out)
{
    *out = (struct fade_answer){.fit = {.law = FADE_NONE, .a = NAN, .b = NAN, .r_squared = NAN},
                                .scatter = NAN,
                                .follow = NAN,
                                .crossing = NAN,
                                .crossing_low = NAN,
                                .crossing_high = NAN};
    for (int law = 0; law < FADE_LAWS; law++) {
        out->aicc[law] = NAN;
    }
}

struct fade_room fade_room_new(size_t n)
{
    double *all = zalloc(5 * (n + 1) * sizeof *all);
    return (struct fade_room){all, all + n, all + 2 * n, all + 3 * n, all + 4 * n};
}

void fade_room_free(struct fade_room *room)
{
    free(room->x);
}

void fade_judge(const struct fade_question *q, struct fade_answer *out, double *weights)
{
    blank(out);
    for (int law = 0; law < FADE_LAWS; law++) {
        out->plain[law] = fade_fit_plain((enum fade_law)law, q->points, q->n);
    }
    out->enough = q->n >= FADE_POINTS_LEAST && q->points[q->n - 1].x > q->points[0].x;
    if (!out->enough) {
        return;
    }
    struct fade_room room = fade_room_new(q->n);
    struct fade_laws laws = {.scatter = NAN};
    enum fade_law best = fade_choose(&laws, q->points, &room, q->n);
    out->fit = laws.fit[best];
    out->scatter = laws.law_scatter[best];
    for (int law = 0; law < FADE_LAWS; law++) {
        out->aicc[law] = laws.aicc[law];
    }
    fade_residuals(&out->fit, q->points, q->n, room.residual);
    for (size_t i = 0; i < q->n; i++) {
        double weight = bisquare_weight(room.residual[i], out->scatter);
        out->outliers += weight < FADE_OUTLIER_WEIGHT;
        if (weights != NULL) {
            weights[i] = weight;
        }
    }
    fade_interval(q, &laws, &room, out);
    fade_room_free(&room);
}
