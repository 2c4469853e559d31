/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/lot: what batteries received together say about each other. Pure.
 *
 * Tolerance factors k: mean - k s is, with a given confidence, below what a given share of
 * all such batteries have, if they are distributed normally.
 *  one-sided  P(sqrt(n) (k w - z_share) > Z) = confidence, with (n - 1) w^2 chi-square of
 *             n - 1 degrees: k is the noncentral t quantile / sqrt(n). Exact.
 *  two-sided  over the mean's own error z/sqrt(n): r(z) solves
 *             Phi(z/sqrt(n) + r) - Phi(z/sqrt(n) - r) = share, and
 *             integral of phi(z) P(w > r/k) dz = confidence. Exact (Wald and Wolfowitz 1946
 *             gave the form; ISO 16269-6 tabulates it: both from memory).
 * Both by Gauss-Legendre quadrature and bisection; tests compare with a noncentral t of
 * another program.
 *
 * Outliers: |0.6745 (x - median) / MAD| > 3.5, the modified z-score of Iglewicz and Hoaglin
 * 1993 (from memory), from five values on. They are named, not removed: whether a battery
 * is an outlier or the lot is bad is for a person to say. */
#ifndef AMPLEDGER_ANALYSIS_LOT_H
#define AMPLEDGER_ANALYSIS_LOT_H

#include <stdbool.h>
#include <stddef.h>

#define LOT_TOLERANCE_LEAST 3 /* values for a tolerance interval */
#define LOT_OUTLIER_LEAST 5
#define LOT_OUTLIER_SCORE 3.5
#define LOT_SHARE 0.95
#define LOT_CONFIDENCE 0.95

/* n >= 2, share and confidence between 0 and 1 (0.5 to 0.9999); else NAN. */
double tolerance_factor_one_sided(size_t n, double share, double confidence);
double tolerance_factor_two_sided(size_t n, double share, double confidence);

struct lot_statistics {
    size_t n;                                 /* values that are known */
    double mean, deviation, median, min, max; /* NAN: too few; deviation: of one, n - 1 */
    double share, confidence;
    double factor_lower, lower; /* one-sided: at least `share` of such have more; NAN */
    double factor, between_low, between_high; /* two-sided; NAN */
    size_t outliers;
};

/* Unknown (NAN) values are left out. `outlier`: NULL, or room for n flags. */
void lot_judge(const double *values, size_t n, struct lot_statistics *out, bool *outlier);

#endif
