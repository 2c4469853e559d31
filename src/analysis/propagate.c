/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/propagate: numerical law of propagation of uncertainty. */
#include "analysis/propagate.h"

#include <math.h>
#include <string.h>

/* What each input moves the result by, Z_i. */
static void shares_of(propagate_fn *f, const void *context, const struct propagate_inputs *in,
                      double out[PROPAGATE_INPUTS])
{
    double x[PROPAGATE_INPUTS];
    memcpy(x, in->x, sizeof x);
    for (size_t i = 0; i < in->n; i++) {
        x[i] = in->x[i] + in->u[i];
        double above = f(x, context);
        x[i] = in->x[i] - in->u[i];
        out[i] = (above - f(x, context)) / 2;
        x[i] = in->x[i];
    }
}

double propagate_covariance(propagate_fn *f, propagate_fn *g, const void *context,
                            const struct propagate_inputs *in)
{
    double of_f[PROPAGATE_INPUTS], of_g[PROPAGATE_INPUTS], sum = 0;
    shares_of(f, context, in, of_f);
    shares_of(g, context, in, of_g);
    for (size_t i = 0; i < in->n; i++) {
        sum += of_f[i] * of_g[i];
        for (size_t j = 0; j < i; j++) {
            sum += in->r[i][j] * (of_f[i] * of_g[j] + of_f[j] * of_g[i]);
        }
    }
    return sum;
}

double propagate(propagate_fn *f, const void *context, const struct propagate_inputs *in)
{
    return sqrt(fmax(0, propagate_covariance(f, f, context, in)));
}
