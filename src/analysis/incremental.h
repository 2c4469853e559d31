/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/incremental: incremental capacity dQ/dV over voltage, and its peaks, whose
 * height and place tell what has aged. Streaming, bounded memory, pure.
 *
 * The charge of each interval between two samples (trapezoid, as everywhere) is spread evenly
 * over the voltages it went through, into bins of equal width; so all charge is in the bins,
 * also where the voltage goes to and fro. dQ/dV of a bin is its charge over its width.
 * Smoothing: a Gaussian over the bins, of standard deviation INCREMENTAL_SMOOTH_BINS bins,
 * cut at four of them and normalised, so that at the ends no charge is lost. That and the
 * width decide what a peak is, so both are told with it.
 * A peak is a bin higher than both its neighbours that stands out from the higher of the
 * valleys beside it (its prominence) by at least INCREMENTAL_PROMINENCE of the curve's top; its
 * place and height are those of a parabola through it and its neighbours. */
#ifndef AMPLEDGER_ANALYSIS_INCREMENTAL_H
#define AMPLEDGER_ANALYSIS_INCREMENTAL_H

#include "base/sample.h"

#include <stddef.h>

#define INCREMENTAL_BINS 400
#define INCREMENTAL_SMOOTH_BINS 3.0
#define INCREMENTAL_PROMINENCE 0.05
#define INCREMENTAL_PEAKS 8

struct incremental_capacity {
    double from_V, width_V, lead_ohm;
    double charge_Ah[INCREMENTAL_BINS]; /* positive: which way it flowed does not matter */
    double outside_Ah;                  /* below the first or above the last bin */
    struct sample last;
    bool has_last;
};

/* Bins from from_V on, of the voltage at the battery's terminals. */
void incremental_start(struct incremental_capacity *c, double from_V, double width_V,
                       double lead_ohm);
/* Rows without voltage or current are left out. */
void incremental_add(struct incremental_capacity *c, const struct sample *s);

struct incremental_peak {
    double voltage_V, height_Ah_per_V, prominence_Ah_per_V;
};
struct incremental_peaks {
    size_t count;
    struct incremental_peak peak[INCREMENTAL_PEAKS]; /* by rising voltage; the most prominent */
};
/* smooth_Ah_per_V: room for INCREMENTAL_BINS. */
void incremental_curve(const struct incremental_capacity *c, double *smooth_Ah_per_V);
void incremental_find_peaks(const struct incremental_capacity *c, struct incremental_peaks *out);

/* Which peak of `now` is peak i of `before`: the nearest within `within_V`, if none of
 * `before` is nearer to it; INCREMENTAL_LOST otherwise. */
#define INCREMENTAL_LOST ((size_t)-1)
size_t incremental_follow(const struct incremental_peaks *before, size_t i,
                          const struct incremental_peaks *now, double within_V);

#endif
