/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/cycle: what several steps say together: the efficiency of a discharge and
 * the charge before it, and the mean of several attempts. Pure.
 *
 * coulombic efficiency = Ah out / Ah in, energy efficiency = Wh out / Wh in (definitions;
 * worked: 2.40/2.50 Ah = 96.00 %; 2.40 x 3.60 / (2.50 x 3.80) Wh = 90.947 %). Charges in a
 * row count together (bulk, absorption), and so do discharges and pulses after them.
 * They say something of the battery only when it was as empty before the charge as it
 * is after the discharge: `closed`. */
#ifndef AMPLEDGER_ANALYSIS_CYCLE_H
#define AMPLEDGER_ANALYSIS_CYCLE_H

#include "analysis/analysis.h"

struct cycle_count {
    double in_Ah, in_Wh, out_Ah, out_Wh; /* since the battery was emptied last; positive */
    bool emptying;                       /* what came last was a discharge */
    int emptied_by;                      /* which step took it to the cut-off, -1 none */
    int from_empty_of;                   /* the same before the charges that are counted */
};
void cycle_start(struct cycle_count *c);
void cycle_charge(struct cycle_count *c, double Ah, double Wh);
/* What flows beside charges and discharges (pulses, rests); signed, into the battery
 * positive. */
void cycle_other(struct cycle_count *c, double Ah, double Wh);

struct cycle_discharge {
    double Ah, Wh;
    int plan_step;  /* the same cut-off and rate have the same number */
    bool to_cutoff; /* it ended there */
};
struct cycle_efficiency {
    double coulombic, energy; /* ratios; NAN without a charge before it */
    bool closed;
};
struct cycle_efficiency cycle_discharge(struct cycle_count *c, const struct cycle_discharge *d);

/* Several attempts at one capacity. What is the same in each of them (errors of gain and
 * offset, the time base, the voltage at the cut-off) does not become less by repeating
 * and is averaged; what differs from one to the next adds in squares and becomes less
 * with the number (GUM 5.1.2, 5.2.2). The value is the mean of these attempts, not that
 * of all that could be made, so their scatter is told beside it and is not in U. */
struct attempt_mean {
    size_t n;
    double capacity_Ah, energy_Wh;           /* sums */
    double start_C, mean_C, end_C, loaded_s; /* sums, for a correction of the mean */
    double mean_Ah, scatter_Ah2; /* running, B. P. Welford, Technometrics 4 (1962) 419-420 */
    double energy_standard_Wh;
    struct uncertainty_budget sums; /* standard_Ah: sums, or sums of squares where it averages */
    bool accuracy_known;
};
void attempt_mean_start(struct attempt_mean *m);
void attempt_mean_add(struct attempt_mean *m, const struct capacity_result *r);
/* Turn *r, the last attempt, into the mean; the capacity of the rating, NAN unknown. */
void attempt_mean_finish(const struct attempt_mean *m, double rated_Ah, struct capacity_result *r);
/* Standard deviation of one attempt, s; NAN for fewer than two. */
double attempt_scatter_Ah(const struct attempt_mean *m);

#endif
