/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/propagate: the uncertainty of what is computed from several inputs. Pure.
 *
 * Law of propagation, GUM (JCGM 100) 5.2.2, with correlated inputs:
 *   u^2(y) = sum_i sum_j Z_i Z_j r_ij,   Z_i = (f(x_i + u_i) - f(x_i - u_i)) / 2,
 * the numerical form of c_i u_i (5.1.3 note 2). Two results of the same inputs have the
 * covariance sum_i sum_j Z_i W_j r_ij. */
#ifndef AMPLEDGER_ANALYSIS_PROPAGATE_H
#define AMPLEDGER_ANALYSIS_PROPAGATE_H

#include <stddef.h>

#define PROPAGATE_INPUTS 8

struct propagate_inputs {
    size_t n;
    double x[PROPAGATE_INPUTS];
    double u[PROPAGATE_INPUTS]; /* standard */
    /* Correlation of i and j; only j < i is read, the rest follows. */
    double r[PROPAGATE_INPUTS][PROPAGATE_INPUTS];
};

/* y of inputs x[0..n-1]; `context` is passed through. */
typedef double propagate_fn(const double *x, const void *context);

/* Standard uncertainty of f. */
double propagate(propagate_fn *f, const void *context, const struct propagate_inputs *in);
/* Of two results that share their inputs: covariance u(y1, y2). */
double propagate_covariance(propagate_fn *f, propagate_fn *g, const void *context,
                            const struct propagate_inputs *in);

#endif
