/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/rate: fits and flags. */
#include "analysis/rate.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_fit.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Currents this near are one rate. */
#define SAME_RATE 0.02
/* The law is not followed when a run time departs from it by more than this (no source). */
#define DEPARTURE_LEAST 0.005

const char *const rate_regression_names[] = {"time-on-current", "current-on-time", NULL};

double rate_exponent(const struct rate_point *a, const struct rate_point *b)
{
    double over = log(a->current_A) - log(b->current_A);
    if (!(a->current_A > 0 && b->current_A > 0 && a->hours > 0 && b->hours > 0) ||
        !(fabs(over) > 0))
        return NAN;
    return (log(b->hours) - log(a->hours)) / over;
}

double rate_exponent_of_reserve(double rated_Ah, double rated_hours, double reserve_A,
                                double reserve_hours)
{
    struct rate_point rated = {rated_Ah / rated_hours, rated_hours, NAN};
    struct rate_point reserve = {reserve_A, reserve_hours, NAN};
    return rate_exponent(&rated, &reserve);
}

double rate_capacity_share(double current_A, double rated_A, double exponent)
{
    return pow(current_A / rated_A, 1 - exponent);
}

double rate_hours(double rated_Ah, double rated_hours, double current_A, double exponent)
{
    return rated_hours * pow(rated_Ah / (current_A * rated_hours), exponent);
}

/* --- rates: points of about the same current --- */

static int by_current(const void *a, const void *b)
{
    double x = ((const struct rate_point *)a)->current_A;
    double y = ((const struct rate_point *)b)->current_A;
    return (x > y) - (x < y);
}

/* Means of the points of each rate, by current; returns how many there are. */
static size_t rates_of(const struct rate_point *points, size_t n, struct rate_point *out)
{
    struct rate_point sorted[RATE_POINTS_MAX];
    size_t rates = 0;
    memcpy(sorted, points, n * sizeof *points);
    qsort(sorted, n, sizeof *sorted, by_current);
    for (size_t i = 0; i < n;) {
        size_t k = i;
        struct rate_point sum = {0, 0, NAN};
        for (; k < n && sorted[k].current_A <= (1 + SAME_RATE) * sorted[i].current_A; k++) {
            sum.current_A += sorted[k].current_A;
            sum.hours += sorted[k].hours;
        }
        double count = (double)(k - i);
        out[rates++] = (struct rate_point){sum.current_A / count, sum.hours / count, NAN};
        i = k;
    }
    return rates;
}

size_t rate_pairs(const struct rate_point *points, size_t n, struct rate_pair *out)
{
    struct rate_point rate[RATE_POINTS_MAX];
    size_t rates = rates_of(points, n, rate);
    for (size_t i = 1; i < rates; i++) {
        const struct rate_point *a = &rate[i - 1], *b = &rate[i];
        out[i - 1] = (struct rate_pair){
            .from_A = a->current_A,
            .to_A = b->current_A,
            .exponent = rate_exponent(a, b),
            .capacity_drop = 1 - b->current_A * b->hours / (a->current_A * a->hours),
        };
    }
    return rates - 1;
}

/* --- the fit --- */

struct logs {
    size_t n;
    double I[RATE_POINTS_MAX], t[RATE_POINTS_MAX];
};

/* ln t = ln Cp - n ln I, or ln I = (ln Cp - ln t) / n turned round. */
static void fit_line(const struct logs *l, struct rate_fit *out)
{
    double c0, c1, cov00, cov01, cov11, sum;
    bool of_time = out->regression == RATE_TIME_ON_CURRENT;
    const double *x = of_time ? l->I : l->t, *y = of_time ? l->t : l->I;
    gsl_fit_linear(x, 1, y, 1, l->n, &c0, &c1, &cov00, &cov01, &cov11, &sum);
    double total = gsl_stats_tss(y, 1, l->n);
    out->r_squared = 1 - sum / total;
    out->exponent = of_time ? -c1 : -1 / c1;
    out->constant = exp(of_time ? c0 : -c0 / c1);
    /* cov11 divides by n - 2: nothing for two points. */
    double standard = l->n > 2 ? sqrt(cov11) : (double)NAN;
    out->standard_exponent = of_time ? standard : standard / (c1 * c1);
}

static double sum_of_squares(const struct logs *l, const double *model)
{
    double sum = 0;
    for (size_t i = 0; i < l->n; i++)
        sum += (l->t[i] - model[i]) * (l->t[i] - model[i]);
    return sum;
}

/* Sum of squares about the parabola ln t = a + b x + c x^2 and about the line, x being ln I
 * less its mean; normal equations are well conditioned for a few points of one decade. */
static bool parabola(const struct logs *l, double *about_line, double *about_parabola)
{
    double mean = gsl_stats_mean(l->I, 1, l->n), model[RATE_POINTS_MAX];
    double A[9] = {0}, b[3] = {0}, c[3], c0, c1, cov[3];
    for (size_t i = 0; i < l->n; i++) {
        double x = l->I[i] - mean, p[3] = {1, x, x * x};
        for (size_t r = 0; r < 3; r++) {
            b[r] += p[r] * l->t[i];
            for (size_t k = 0; k < 3; k++)
                A[3 * r + k] += p[r] * p[k];
        }
    }
    gsl_matrix_view m = gsl_matrix_view_array(A, 3, 3);
    gsl_vector_view right = gsl_vector_view_array(b, 3), solution = gsl_vector_view_array(c, 3);
    if (gsl_linalg_HH_solve(&m.matrix, &right.vector, &solution.vector) != 0)
        return false;
    for (size_t i = 0; i < l->n; i++) {
        double x = l->I[i] - mean;
        model[i] = c[0] + c[1] * x + c[2] * x * x;
    }
    *about_parabola = sum_of_squares(l, model);
    gsl_fit_linear(l->I, 1, l->t, 1, l->n, &c0, &c1, &cov[0], &cov[1], &cov[2], about_line);
    return true;
}

/* F test of the bend against the scatter that is left (any textbook of regression). */
static double curvature_chance(const struct logs *l, size_t rates)
{
    double line, bent;
    if (rates < 3 || l->n < 4 || !parabola(l, &line, &bent))
        return NAN;
    double freedom = (double)l->n - 3;
    if (!(bent > 0))
        return line > 0 ? 0 : 1;
    return gsl_cdf_fdist_Q(fmax(line - bent, 0) / (bent / freedom), 1, freedom);
}

/* How far a rate's mean run time lies off the law; single runs scatter by themselves. */
static double largest_departure(const struct rate_point *rate, size_t rates,
                                const struct rate_fit *f)
{
    double most = 0;
    for (size_t i = 0; i < rates; i++) {
        double law = f->constant / pow(rate[i].current_A, f->exponent);
        most = fmax(most, fabs(rate[i].hours / law - 1));
    }
    return most;
}

static void judge(const struct rate_point *points, size_t n, const struct logs *l,
                  struct rate_fit *f)
{
    struct rate_point rate[RATE_POINTS_MAX];
    struct rate_pair pair[RATE_POINTS_MAX];
    double expanded = 0;
    size_t rates = rates_of(points, n, rate), pairs = rate_pairs(points, n, pair);
    for (size_t i = 0; i < n; i++)
        expanded = fmax(expanded, points[i].expanded);
    f->departure = largest_departure(rate, rates, f);
    f->curvature_p = curvature_chance(l, rates);
    f->least_local = f->most_local = f->exponent;
    for (size_t i = 0; i < pairs; i++) {
        f->least_local = i == 0 ? pair[i].exponent : fmin(f->least_local, pair[i].exponent);
        f->most_local = i == 0 ? pair[i].exponent : fmax(f->most_local, pair[i].exponent);
    }
    f->below_one = f->exponent < 1;
    f->not_power_law = rates > 2 && f->departure > DEPARTURE_LEAST;
    f->within_uncertainty = f->departure <= expanded;
}

static bool check_points(const struct rate_point *points, size_t n, struct err *e)
{
    if (n < 2 || n > RATE_POINTS_MAX)
        return err_set(e, ERR_CONFIG,
                       "an exponent needs 2 to %d discharges at different currents, not %zu",
                       RATE_POINTS_MAX, n);
    for (size_t i = 0; i < n; i++) {
        if (!(points[i].current_A > 0) || !(points[i].hours > 0) || !isfinite(points[i].hours) ||
            !isfinite(points[i].current_A))
            return err_set(e, ERR_CONFIG,
                           "discharge %zu (%.4g A, %.4g h): current and time must be above zero",
                           i + 1, points[i].current_A, points[i].hours);
    }
    return true;
}

bool rate_fit(const struct rate_point *points, size_t n, enum rate_regression regression,
              struct rate_fit *out, struct err *e)
{
    struct rate_point rate[RATE_POINTS_MAX];
    struct logs l = {.n = n};
    *out = (struct rate_fit){.regression = regression, .points = n};
    if (!check_points(points, n, e))
        return false;
    out->rates = rates_of(points, n, rate);
    out->least_A = rate[0].current_A;
    out->most_A = rate[out->rates - 1].current_A;
    if (out->rates < 2)
        return err_set(e, ERR_CONFIG,
                       "all %zu discharges ran at about %.4g A: an exponent needs currents that "
                       "differ by more than %.0f %%",
                       n, out->least_A, 100 * SAME_RATE);
    for (size_t i = 0; i < n; i++) {
        l.I[i] = log(points[i].current_A);
        l.t[i] = log(points[i].hours);
    }
    fit_line(&l, out);
    judge(points, n, &l, out);
    return true;
}
