/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/settling: how the voltage of a resting battery still moves. Streaming,
 * bounded memory, pure.
 *
 * The drift is the slope of a straight line by ordinary least squares (any textbook)
 * through the means of stretches of 5 s, over the end of the record: the last 10 min,
 * or its second half if that is shorter. */
#ifndef AMPLEDGER_ANALYSIS_SETTLING_H
#define AMPLEDGER_ANALYSIS_SETTLING_H

#include "base/sample.h"

#include <stddef.h>

#define SETTLING_STRETCHES 128
#define SETTLING_STRETCH_S 5.0
#define SETTLING_WINDOW_S 600.0

struct settling {
    double start_s, last_s, last_V; /* NAN before the first */
    struct settling_stretch {
        long long number;      /* from start_s on; the slot is the number modulo the slots */
        double t_s, voltage_V; /* sums, time from start_s on */
        size_t n;
    } stretch[SETTLING_STRETCHES];
};

void settling_start(struct settling *w);
/* In order of time; unknown voltage is passed over. */
void settling_add(struct settling *w, double t_s, double voltage_V);
/* NAN when fewer than three stretches hold readings: too little to tell a slope. */
double settling_drift_V_per_h(const struct settling *w);

#endif
