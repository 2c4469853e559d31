/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/voltage_table: ampere-hours against voltage under load: what had been delivered,
 * and what was still to come before the cut-off, when the voltage fell through 12.0 V and
 * so on. For whoever sets an alarm or a cut-off of equipment of his own: it holds at the
 * current of this discharge. Streaming, bounded, pure. Used through analysis.h.
 *
 * A voltage is met at the last time the voltage under load falls through it, on the
 * straight line between the two rows, so an early dip or noise does not count and the
 * table is monotone. Rows: the voltages a person asks for, and round ones from the
 * voltage at the start down to the cut-off, at most 20 in steps of 1, 2 or 5. */
#ifndef AMPLEDGER_ANALYSIS_VOLTAGE_TABLE_H
#define AMPLEDGER_ANALYSIS_VOLTAGE_TABLE_H

#include "analysis/tally.h"

#define VOLTAGES_ASKED_MAX 8
#define VOLTAGE_ROWS_MAX 32

struct voltages_asked {
    size_t count;
    double V[VOLTAGES_ASKED_MAX];
};

struct voltage_mark {
    double voltage_V;
    bool met;
    double t_s, charge_As, energy_J; /* sums of the record at that moment, signed */
};

struct voltage_table {
    size_t count;
    bool begun;
    struct voltage_mark mark[VOLTAGE_ROWS_MAX]; /* falling */
};

void voltage_table_start(struct voltage_table *t, const struct voltages_asked *asked);
/* At the first row under discharge, of from_V; NAN cut-off: only what was asked for. */
void voltage_table_begin(struct voltage_table *t, double from_V, double cutoff_V);
/* Under discharge from where the sums stand to p, which is not in them yet. */
void voltage_table_fall(struct voltage_table *t, const struct tally *sums, const struct point *p);
/* The battery was charged, or the voltage is back at below_V: what was met before counts no
 * more, of the marks below that (INFINITY: of all). */
void voltage_table_forget(struct voltage_table *t, double below_V);

#endif
