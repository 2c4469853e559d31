/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/relaxation: exponentials through the voltage after a step of current. */
#include "analysis/relaxation.h"

#include "analysis/analysis.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>
#include <pthread.h>

#define PARAMETERS_MOST 5 /* end, then amplitude and log of the time constant of each */
#define GRID 14           /* time constants tried at the start, from the first interval on */
#define ROUNDS 200
#define TOLERANCE 1e-12
#define SQRT3 1.7320508075688772

void relaxation_begin(struct relaxation_trace *t, const struct sample *before, double held_s)
{
    t->before = *before;
    t->held_s = held_s;
    t->count = 0;
}

void relaxation_add(struct relaxation_trace *t, const struct sample *s)
{
    double after_s = s->t_s - t->before.t_s;
    double last_s = t->count > 0 ? t->after_s[t->count - 1] : 0;
    bool spaced = after_s >= last_s * (1 + RELAXATION_SPACING) && after_s > last_s;
    t->current_A = s->current_A;
    if (t->count < RELAXATION_POINTS && spaced) {
        t->after_s[t->count] = after_s;
        t->voltage_V[t->count++] = s->voltage_V;
    }
}

/* --- least squares --- */

struct attempt {
    size_t pairs;
    double p[PARAMETERS_MOST];
    double u[PARAMETERS_MOST]; /* standard */
    double series_u_V;         /* of the curve led back to the middle of the first interval */
    double sum_V2;             /* of the residuals */
    bool found;
};

static size_t parameters_of(const struct attempt *a)
{
    return 1 + 2 * a->pairs;
}

static double curve_V(const double *p, size_t pairs, double t)
{
    double V = p[0];
    for (size_t i = 0; i < pairs; i++) {
        V += p[1 + 2 * i] * exp(-t / exp(p[2 + 2 * i]));
    }
    return V;
}

/* Amplitudes for fixed time constants: the normal equations of at most three unknowns, by
 * elimination; false when they cannot be told apart. */
static bool solve_linear(const struct relaxation_trace *t, struct attempt *a)
{
    size_t n = 1 + a->pairs;
    double m[3][4] = {{0}};
    for (size_t k = 0; k < t->count; k++) {
        double f[3] = {1, 0, 0};
        for (size_t i = 0; i < a->pairs; i++) {
            f[1 + i] = exp(-t->after_s[k] / exp(a->p[2 + 2 * i]));
        }
        for (size_t i = 0; i < n; i++) {
            for (size_t j = 0; j < n; j++) {
                m[i][j] += f[i] * f[j];
            }
            m[i][n] += f[i] * (t->voltage_V[k] - t->voltage_V[0]);
        }
    }
    for (size_t i = 0; i < n; i++) { /* Gauss-Jordan; positive definite, no pivoting */
        if (!(m[i][i] > 1e-9)) {
            return false;
        }
        for (size_t row = 0; row < n; row++) {
            double factor = row != i ? m[row][i] / m[i][i] : 0;
            for (size_t j = 0; j <= n; j++) {
                m[row][j] -= factor * m[i][j];
            }
        }
    }
    a->p[0] = m[0][n] / m[0][0] + t->voltage_V[0];
    for (size_t i = 0; i < a->pairs; i++) {
        a->p[1 + 2 * i] = m[1 + i][n] / m[1 + i][1 + i];
    }
    return true;
}

static double sum_of_squares(const struct relaxation_trace *t, const struct attempt *a)
{
    double sum = 0;
    for (size_t k = 0; k < t->count; k++) {
        double off = curve_V(a->p, a->pairs, t->after_s[k]) - t->voltage_V[k];
        sum += off * off;
    }
    return sum;
}

static void try_start(const struct relaxation_trace *t, const struct attempt *a,
                      struct attempt *best)
{
    struct attempt now = *a;
    if (!solve_linear(t, &now)) {
        return;
    }
    now.sum_V2 = sum_of_squares(t, &now);
    now.found = true;
    if (!best->found || now.sum_V2 < best->sum_V2) {
        *best = now;
    }
}

static struct attempt best_start(const struct relaxation_trace *t, size_t pairs)
{
    double from = log(t->after_s[0]), to = log(2 * t->after_s[t->count - 1]);
    struct attempt best = {.pairs = pairs}, a = {.pairs = pairs};
    for (size_t i = 0; i < GRID; i++) {
        a.p[2] = from + (to - from) * (double)i / (GRID - 1);
        if (pairs == 1) {
            try_start(t, &a, &best);
            continue;
        }
        for (size_t j = i + 1; j < GRID; j++) {
            a.p[4] = from + (to - from) * (double)j / (GRID - 1);
            try_start(t, &a, &best);
        }
    }
    return best;
}

struct task {
    const struct relaxation_trace *trace;
    size_t pairs;
};

static int residuals(const gsl_vector *p, void *context, gsl_vector *f)
{
    const struct task *task = context;
    for (size_t k = 0; k < task->trace->count; k++) {
        gsl_vector_set(f, k,
                       curve_V(gsl_vector_const_ptr(p, 0), task->pairs, task->trace->after_s[k]) -
                           task->trace->voltage_V[k]);
    }
    return GSL_SUCCESS;
}

static int slopes(const gsl_vector *p, void *context, gsl_matrix *J)
{
    const struct task *task = context;
    for (size_t k = 0; k < task->trace->count; k++) {
        double t = task->trace->after_s[k];
        gsl_matrix_set(J, k, 0, 1);
        for (size_t i = 0; i < task->pairs; i++) {
            double a = gsl_vector_get(p, 1 + 2 * i), x = t / exp(gsl_vector_get(p, 2 + 2 * i));
            gsl_matrix_set(J, k, 1 + 2 * i, exp(-x));
            gsl_matrix_set(J, k, 2 + 2 * i, a * x * exp(-x));
        }
    }
    return GSL_SUCCESS;
}

/* Standard uncertainty of the curve at t from the covariance of its parameters. */
static double curve_u_V(const struct attempt *a, const gsl_matrix *covariance, double scale,
                        double t)
{
    double g[PARAMETERS_MOST] = {1}, sum = 0;
    for (size_t i = 0; i < a->pairs; i++) {
        double x = t / exp(a->p[2 + 2 * i]);
        g[1 + 2 * i] = exp(-x);
        g[2 + 2 * i] = a->p[1 + 2 * i] * x * exp(-x);
    }
    for (size_t i = 0; i < parameters_of(a); i++) {
        for (size_t j = 0; j < parameters_of(a); j++) {
            sum += g[i] * g[j] * gsl_matrix_get(covariance, i, j);
        }
    }
    return sqrt(fmax(0, sum) * scale);
}

static void take_solution(const struct relaxation_trace *t, gsl_multifit_nlinear_workspace *w,
                          struct attempt *a)
{
    size_t n = parameters_of(a);
    gsl_matrix *covariance = gsl_matrix_alloc(n, n);
    for (size_t i = 0; i < n; i++) {
        a->p[i] = gsl_vector_get(gsl_multifit_nlinear_position(w), i);
    }
    a->sum_V2 = sum_of_squares(t, a);
    if (covariance == NULL ||
        gsl_multifit_nlinear_covar(gsl_multifit_nlinear_jac(w), 0, covariance) != GSL_SUCCESS) {
        a->found = false;
    } else {
        double scale = a->sum_V2 / (double)(t->count - n);
        for (size_t i = 0; i < n; i++) {
            a->u[i] = sqrt(fmax(0, gsl_matrix_get(covariance, i, i)) * scale);
        }
        a->series_u_V = curve_u_V(a, covariance, scale, t->after_s[0] / 2);
    }
    gsl_matrix_free(covariance);
}

static void refine(const struct relaxation_trace *t, struct attempt *a)
{
    struct task task = {t, a->pairs};
    gsl_multifit_nlinear_fdf fdf = {
        .f = residuals, .df = slopes, .n = t->count, .p = parameters_of(a), .params = &task};
    gsl_multifit_nlinear_parameters settings = gsl_multifit_nlinear_default_parameters();
    gsl_vector_view start = gsl_vector_view_array(a->p, fdf.p);
    int info = 0;
    gsl_multifit_nlinear_workspace *w =
        gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &settings, fdf.n, fdf.p);
    a->found = false;
    if (w == NULL) {
        return;
    }
    if (gsl_multifit_nlinear_init(&start.vector, &fdf, w) == GSL_SUCCESS) {
        int result =
            gsl_multifit_nlinear_driver(ROUNDS, TOLERANCE, TOLERANCE, 0, NULL, NULL, &info, w);
        /* No further progress is progress enough: the start already was the best. */
        a->found = result == GSL_SUCCESS || result == GSL_ENOPROG;
        if (a->found) {
            take_solution(t, w, a);
        }
    }
    gsl_multifit_nlinear_free(w);
}

static struct attempt fit(const struct relaxation_trace *t, size_t pairs)
{
    struct attempt a = best_start(t, pairs);
    if (a.found && t->count > parameters_of(&a) + 2) {
        refine(t, &a);
    } else {
        a.found = false;
    }
    return a;
}

/* --- what it means --- */

/* Smaller is better; the variance of the residuals counts as a parameter too. */
static double criterion(const struct relaxation_trace *t, const struct attempt *a)
{
    double n = (double)t->count, k = (double)parameters_of(a) + 1;
    return n * log(a->sum_V2 / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1);
}

/* Each time constant lies within what the record shows, and each amplitude is clear of
 * its own uncertainty. */
static bool can_be_told(const struct relaxation_trace *t, const struct attempt *a)
{
    for (size_t i = 0; i < a->pairs; i++) {
        double tau_s = exp(a->p[2 + 2 * i]);
        if (!(tau_s > t->after_s[0] / 4) || !(tau_s < 3 * t->after_s[t->count - 1]) ||
            !(fabs(a->p[1 + 2 * i]) > COVERAGE_FACTOR * a->u[1 + 2 * i])) {
            return false;
        }
    }
    return a->found;
}

static void fill_pair(const struct relaxation_trace *t, const struct attempt *a, size_t from,
                      double change_A, struct relaxation_pair *out)
{
    double tau_s = exp(a->p[2 + 2 * from]), half_s = t->after_s[0] / 2;
    double amplitude_V = a->p[1 + 2 * from] * exp(-half_s / tau_s);
    double u_V = hypot(a->u[1 + 2 * from], amplitude_V * half_s / tau_s / SQRT3);
    double settled = isfinite(t->held_s) ? -expm1(-t->held_s / tau_s) : 1;
    double per_A = 1 / fabs(change_A) / settled;
    *out = (struct relaxation_pair){
        .ohm = fabs(amplitude_V) * per_A,
        .u_ohm = COVERAGE_FACTOR * u_V * per_A,
        .tau_s = tau_s,
        .u_tau_s = COVERAGE_FACTOR * tau_s * a->u[2 + 2 * from],
        .amplitude_V = amplitude_V,
    };
}

static void fill_series(const struct relaxation_trace *t, const struct attempt *a, double change_A,
                        struct relaxation *out)
{
    double within_s = t->after_s[0];
    double middle_V = curve_V(a->p, a->pairs, within_s / 2);
    double half_V = (curve_V(a->p, a->pairs, 0) - curve_V(a->p, a->pairs, within_s)) / 2;
    double u_V = hypot(a->series_u_V, half_V / SQRT3);
    out->series_ohm = (middle_V - t->before.voltage_V) / change_A;
    out->u_series_ohm = COVERAGE_FACTOR * u_V / fabs(change_A);
    if (!(out->series_ohm > out->u_series_ohm)) {
        out->series_ohm = out->u_series_ohm = NAN; /* as good as any */
    }
    out->switched_within_s = within_s;
}

static struct relaxation meaning_of(const struct relaxation_trace *t, const struct attempt *a)
{
    double change_A = t->current_A - t->before.current_A;
    double freedom = (double)(t->count - parameters_of(a));
    struct relaxation out = {
        .pairs = a->pairs,
        .readings = t->count,
        .end_V = a->p[0],
        .u_end_V = COVERAGE_FACTOR * a->u[0],
        .residual_V = sqrt(a->sum_V2 / freedom),
    };
    bool turned = a->pairs == 2 && a->p[2] > a->p[4]; /* the faster one comes first */
    for (size_t i = 0; i < a->pairs; i++) {
        fill_pair(t, a, turned ? 1 - i : i, change_A, &out.pair[i]);
    }
    fill_series(t, a, change_A, &out);
    return out;
}

/* GSL's own handler ends the program. It is one for the whole process, so it is taken away
 * once and for all, and not around each fit, of which several threads may make one. */
static void errors_are_values(void)
{
    gsl_set_error_handler_off();
}

struct relaxation relaxation_fit(const struct relaxation_trace *t)
{
    bool moved = false;
    for (size_t k = 1; k < t->count; k++) {
        moved = moved || t->voltage_V[k] < t->voltage_V[0] || t->voltage_V[k] > t->voltage_V[0];
    }
    if (t->count < RELAXATION_LEAST || !moved) {
        return (struct relaxation){.pairs = 0};
    }
    static pthread_once_t once = PTHREAD_ONCE_INIT;
    pthread_once(&once, errors_are_values);
    struct attempt one = fit(t, 1), two = fit(t, 2);
    bool first = can_be_told(t, &one), second = can_be_told(t, &two);
    if (second && (!first || criterion(t, &two) < criterion(t, &one))) {
        return meaning_of(t, &two);
    }
    return first ? meaning_of(t, &one) : (struct relaxation){.pairs = 0};
}
