/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/two_point: what two readings under different currents say: resistance, voltage
 * without current, short-circuit current, and the power a pulse could have. Pure.
 *
 * A straight line through both readings (algebra), current into the battery positive:
 *   R = (U2 - U1) / (I2 - I1),  E = U1 - R I1,  Isc = E / R.
 * Worked: U1 2.050 V at 40 A, U2 1.850 V at 200 A, both discharge: R 1.2500 mOhm,
 * E 2.100 V, Isc 1680 A. This is the two-point method of IEC 60896-21 and -22, clause
 * 6.3 (that the clause is there: secondary source; that it takes 4 I10 for 20 s, 2 to
 * 5 min off without recharge, 20 I10 for 5 s: from memory, unverified).
 *
 * Pulse power, how much could flow without passing a voltage:
 *   discharge P = Vmin (E - Vmin) / R (the peak-power form in S.-P. Jiang, Fundamentals
 *   and Application of L..., p. 123), charge P = Vmax (Vmax - E) / R (by symmetry, from
 *   memory). Worked: E 3.700 V, R 20.0 mOhm: to 2.5 V 150.0 W, to 4.2 V 105.0 W. */
#ifndef AMPLEDGER_ANALYSIS_TWO_POINT_H
#define AMPLEDGER_ANALYSIS_TWO_POINT_H

#include "analysis/analysis.h"

struct two_point {
    double ohm, open_V, short_A;       /* short_A positive; NAN when R is not above zero */
    double u_ohm, u_open_V, u_short_A; /* standard; NAN when no gain is stated */
};
/* Voltages at the battery's own terminals. NAN everywhere when the currents are equal. */
struct two_point two_point(const struct sample *first, const struct sample *second,
                           const struct instrument_accuracy *accuracy);

/* Power at the voltage `to_V` from open_V through ohm: positive, NAN when nothing could
 * flow that way. Discharge for to_V below open_V, charge above. */
double pulse_power_W(double open_V, double to_V, double ohm);

#endif
