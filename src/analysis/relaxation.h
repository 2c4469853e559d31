/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/relaxation: how a voltage goes on moving after a step of current, as a series
 * resistance and one or two exponentials.
 *
 * Model: V(t) = V_end + a1 e^(-t/tau1) [+ a2 e^(-t/tau2)], the answer of an equivalent
 * circuit of one resistance and one or two resistor-capacitor pairs to a step (any
 * textbook of circuit theory), fitted by nonlinear least squares (Levenberg-Marquardt,
 * GSL), all readings with the same weight. Start: the best of a grid of time constants,
 * amplitudes by linear least squares. Uncertainties: the covariance of the fit times the
 * variance of the residuals; expanded, k = 2. They hold if the battery behaves like the
 * model; that a long rest does not is seen in the residual.
 *
 * Resistances, for a step by dI from a current that had been held for T:
 *   series R0 = (V(switch) - V_before) / dI, the curve led back to the moment of the
 *   switch, which lies somewhere between the reading before and the first after it: R0 is
 *   that of the middle, and half of what it differs by at the ends is in its uncertainty;
 *   pair   Ri = |ai| / |dI| / (1 - e^(-T/tau_i)) after a current held for T (it had not
 *   settled when it ended), and Ri = |ai| / |dI| after a rest, ai likewise at the middle.
 *
 * Two exponentials are taken when the corrected Akaike criterion (H. Akaike, IEEE Trans.
 * Autom. Control 19 (1974) 716; C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297) says
 * so and both can be told apart in the record. Allocates while it fits. */
#ifndef AMPLEDGER_ANALYSIS_RELAXATION_H
#define AMPLEDGER_ANALYSIS_RELAXATION_H

#include "base/sample.h"

#include <stdbool.h>
#include <stddef.h>

/* Readings after a step, thinned so that a long rest keeps its first second: each lies
 * at least RELAXATION_SPACING of its time after the one before. */
#define RELAXATION_POINTS 640
#define RELAXATION_SPACING 0.015
#define RELAXATION_LEAST 10 /* readings, or no fit is tried */

struct relaxation_trace {
    struct sample before; /* the last reading before the step */
    double held_s;        /* how long its current had flowed; INFINITY after a rest */
    size_t count;
    double after_s[RELAXATION_POINTS], voltage_V[RELAXATION_POINTS];
    double current_A; /* of the newest reading */
};
void relaxation_begin(struct relaxation_trace *t, const struct sample *before, double held_s);
/* Voltage at the battery's own terminals. */
void relaxation_add(struct relaxation_trace *t, const struct sample *s);

struct relaxation {
    size_t pairs; /* 1 or 2; 0: no fit */
    size_t readings;
    double end_V, u_end_V;
    struct relaxation_pair {
        double ohm, u_ohm, tau_s, u_tau_s; /* u: expanded, k = 2 */
        double amplitude_V;
    } pair[2];
    double series_ohm, u_series_ohm; /* NAN: not clear of its own uncertainty */
    double switched_within_s;        /* insertion delay: the step came at most so long before the
                                        first reading */
    double residual_V;               /* root of the mean square, degrees of freedom taken off */
};

/* pairs 0 when there are too few readings, the voltage does not move, or no fit is found. */
struct relaxation relaxation_fit(const struct relaxation_trace *t);

#endif
