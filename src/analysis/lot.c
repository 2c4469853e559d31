/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/lot: mean, spread, tolerance interval, outliers. */
#include "analysis/lot.h"

#include "base/file.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_math.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

#define NODES 96
#define MAD_TO_DEVIATION 0.6745

/* --- tolerance factors --- */

typedef double coverage_fn(double k, double n, double share);

static double integral(const gsl_function *f, double from, double to)
{
    gsl_integration_glfixed_table *t = gsl_integration_glfixed_table_alloc(NODES);
    double sum = gsl_integration_glfixed(f, from, to, t);
    gsl_integration_glfixed_table_free(t);
    return sum;
}

struct terms {
    double k, n, share;
};

/* Over the probability u of the sample's spread: what its mean must then keep. */
static double lower_part(double u, void *context)
{
    const struct terms *t = context;
    double w = sqrt(gsl_cdf_chisq_Pinv(u, t->n - 1) / (t->n - 1));
    return gsl_cdf_ugaussian_P(sqrt(t->n) * (t->k * w - gsl_cdf_ugaussian_Pinv(t->share)));
}

/* Over the chi-square of the spread, by pieces: a few samples have a long lower tail. */
static double confidence_lower(double k, double n, double share)
{
    struct terms t = {k, n, share};
    gsl_function f = {lower_part, &t};
    const double cuts[] = {0, 1e-6, 1e-3, 0.05, 0.5, 0.95, 0.999, 1 - 1e-6, 1};
    double sum = 0;
    for (size_t i = 0; i + 1 < sizeof cuts / sizeof cuts[0]; i++) {
        sum += integral(&f, cuts[i], cuts[i + 1]);
    }
    return sum;
}

/* Half width that holds `share` of a standard normal about a centre `off` from its mean. */
static double half_width(double off, double share)
{
    double low = 0, high = off + 10;
    for (int i = 0; i < 60; i++) {
        double r = (low + high) / 2;
        bool holds = gsl_cdf_ugaussian_P(off + r) - gsl_cdf_ugaussian_P(off - r) >= share;
        high = holds ? r : high;
        low = holds ? low : r;
    }
    return (low + high) / 2;
}

static double between_part(double z, void *context)
{
    const struct terms *t = context;
    double r = half_width(fabs(z) / sqrt(t->n), t->share) / t->k;
    return gsl_ran_ugaussian_pdf(z) * gsl_cdf_chisq_Q((t->n - 1) * r * r, t->n - 1);
}

static double confidence_between(double k, double n, double share)
{
    struct terms t = {k, n, share};
    gsl_function f = {between_part, &t};
    return 2 * integral(&f, 0, 8);
}

static double factor_for(coverage_fn *confidence_of, size_t n, double share, double confidence)
{
    if (n < 2 || !(share >= 0.5 && share <= 0.9999) ||
        !(confidence >= 0.5 && confidence <= 0.9999)) {
        return NAN;
    }
    double low = 0, high = 1;
    while (confidence_of(high, (double)n, share) < confidence && high < 1e7) {
        high *= 2;
    }
    while (high - low > 1e-10 * high) {
        double k = (low + high) / 2;
        if (confidence_of(k, (double)n, share) < confidence) {
            low = k;
        } else {
            high = k;
        }
    }
    return (low + high) / 2;
}

double tolerance_factor_one_sided(size_t n, double share, double confidence)
{
    return factor_for(confidence_lower, n, share, confidence);
}

double tolerance_factor_two_sided(size_t n, double share, double confidence)
{
    return factor_for(confidence_between, n, share, confidence);
}

/* --- a lot --- */

static double median_deviation(const double *sorted, size_t n, double median, double *room)
{
    for (size_t i = 0; i < n; i++) {
        room[i] = fabs(sorted[i] - median);
    }
    gsl_sort(room, 1, n);
    return gsl_stats_median_from_sorted_data(room, 1, n);
}

static size_t mark_outliers(const double *values, size_t n, const struct lot_statistics *s,
                            double deviation, bool *outlier)
{
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        double score = MAD_TO_DEVIATION * fabs(values[i] - s->median) / deviation;
        bool is = s->n >= LOT_OUTLIER_LEAST && deviation > 0 && score > LOT_OUTLIER_SCORE;
        count += is;
        if (outlier != NULL) {
            outlier[i] = is;
        }
    }
    return count;
}

void lot_judge(const double *values, size_t n, struct lot_statistics *out, bool *outlier)
{
    double *sorted = zalloc(2 * (n + 1) * sizeof *sorted), *room = sorted + n;
    *out = (struct lot_statistics){.mean = NAN,
                                   .deviation = NAN,
                                   .median = NAN,
                                   .min = NAN,
                                   .max = NAN,
                                   .factor_lower = NAN,
                                   .lower = NAN,
                                   .factor = NAN,
                                   .between_low = NAN,
                                   .between_high = NAN,
                                   .share = LOT_SHARE,
                                   .confidence = LOT_CONFIDENCE};
    for (size_t i = 0; i < n; i++) {
        if (isfinite(values[i])) {
            sorted[out->n++] = values[i];
        }
    }
    if (out->n > 0) {
        gsl_sort(sorted, 1, out->n);
        out->mean = gsl_stats_mean(sorted, 1, out->n);
        out->median = gsl_stats_median_from_sorted_data(sorted, 1, out->n);
        out->min = sorted[0];
        out->max = sorted[out->n - 1];
        double mad = median_deviation(sorted, out->n, out->median, room);
        out->outliers = mark_outliers(values, n, out, mad, outlier);
    }
    if (out->n > 1) {
        out->deviation = gsl_stats_sd(sorted, 1, out->n);
    }
    if (out->n >= LOT_TOLERANCE_LEAST) {
        out->factor_lower = tolerance_factor_one_sided(out->n, LOT_SHARE, LOT_CONFIDENCE);
        out->factor = tolerance_factor_two_sided(out->n, LOT_SHARE, LOT_CONFIDENCE);
        out->lower = out->mean - out->factor_lower * out->deviation;
        out->between_low = out->mean - out->factor * out->deviation;
        out->between_high = out->mean + out->factor * out->deviation;
    }
    free(sorted);
}
