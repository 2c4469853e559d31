/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/incremental: dQ/dV over voltage and its peaks. */
#include "analysis/incremental.h"

#include <math.h>

void incremental_start(struct incremental_capacity *c, double from_V, double width_V,
                       double lead_ohm)
{
    *c = (struct incremental_capacity){.from_V = from_V, .width_V = width_V, .lead_ohm = lead_ohm};
}

/* --- charge into bins --- */

static void put(struct incremental_capacity *c, double bin, double Ah)
{
    if (bin >= 0 && bin < INCREMENTAL_BINS) {
        c->charge_Ah[(size_t)bin] += Ah;
    } else {
        c->outside_Ah += Ah;
    }
}

static void spread(struct incremental_capacity *c, double from, double to, double Ah)
{
    double low = fmin(from, to), high = fmax(from, to);
    if (floor(low) == floor(high)) {
        put(c, floor(low), Ah);
        return;
    }
    double each = Ah / (high - low);
    c->outside_Ah += each * (fmin(high, 0) - fmin(low, 0));
    c->outside_Ah += each * (fmax(high, INCREMENTAL_BINS) - fmax(low, INCREMENTAL_BINS));
    double first = fmax(low, 0), end = fmin(high, INCREMENTAL_BINS);
    for (double bin = floor(first); bin < end; bin++) {
        put(c, bin, each * (fmin(end, bin + 1) - fmax(first, bin)));
    }
}

void incremental_add(struct incremental_capacity *c, const struct sample *s)
{
    if (!isfinite(s->voltage_V) || !isfinite(s->current_A)) {
        return;
    }
    if (c->has_last) {
        double from = (sample_battery_voltage(&c->last, c->lead_ohm) - c->from_V) / c->width_V;
        double to = (sample_battery_voltage(s, c->lead_ohm) - c->from_V) / c->width_V;
        spread(c, from, to, fabs(sample_charge_Ah(&c->last, s)));
    }
    c->last = *s;
    c->has_last = true;
}

/* --- the curve --- */

void incremental_curve(const struct incremental_capacity *c, double *smooth_Ah_per_V)
{
    const int reach = (int)(4 * INCREMENTAL_SMOOTH_BINS);
    for (int i = 0; i < INCREMENTAL_BINS; i++) {
        double sum = 0, weights = 0;
        for (int k = -reach; k <= reach; k++) {
            if (i + k >= 0 && i + k < INCREMENTAL_BINS) {
                double u = k / INCREMENTAL_SMOOTH_BINS, w = exp(-u * u / 2);
                sum += w * c->charge_Ah[i + k];
                weights += w;
            }
        }
        smooth_Ah_per_V[i] = sum / weights / c->width_V;
    }
}

/* How far one must come down on this side before it goes up higher than the peak. */
static double valley_beside(const double *y, int at, int by)
{
    double least = y[at];
    for (int i = at + by; i >= 0 && i < INCREMENTAL_BINS && y[i] <= y[at]; i += by) {
        least = fmin(least, y[i]);
    }
    return least;
}

static struct incremental_peak peak_at(const struct incremental_capacity *c, const double *y, int i)
{
    double before = y[i - 1], after = y[i + 1];
    double bend = before - 2 * y[i] + after; /* below 0 at a peak */
    double off = (before - after) / (2 * bend);
    return (struct incremental_peak){
        .voltage_V = c->from_V + (i + 0.5 + off) * c->width_V,
        .height_Ah_per_V = y[i] - (before - after) * off / 4,
        .prominence_Ah_per_V = y[i] - fmax(valley_beside(y, i, -1), valley_beside(y, i, 1)),
    };
}

/* Room for the most prominent ones only; they stay in order of voltage. */
static void keep(struct incremental_peaks *out, const struct incremental_peak *p)
{
    if (out->count < INCREMENTAL_PEAKS) {
        out->peak[out->count++] = *p;
        return;
    }
    size_t least = 0;
    for (size_t i = 1; i < out->count; i++) {
        if (out->peak[i].prominence_Ah_per_V < out->peak[least].prominence_Ah_per_V) {
            least = i;
        }
    }
    if (p->prominence_Ah_per_V > out->peak[least].prominence_Ah_per_V) {
        for (size_t i = least; i + 1 < out->count; i++) {
            out->peak[i] = out->peak[i + 1];
        }
        out->peak[out->count - 1] = *p;
    }
}

void incremental_find_peaks(const struct incremental_capacity *c, struct incremental_peaks *out)
{
    double y[INCREMENTAL_BINS], top = 0;
    *out = (struct incremental_peaks){0};
    incremental_curve(c, y);
    for (int i = 0; i < INCREMENTAL_BINS; i++) {
        top = fmax(top, y[i]);
    }
    for (int i = 1; i + 1 < INCREMENTAL_BINS; i++) {
        if (y[i] > y[i - 1] && y[i] >= y[i + 1]) {
            struct incremental_peak p = peak_at(c, y, i);
            if (p.prominence_Ah_per_V >= INCREMENTAL_PROMINENCE * top) {
                keep(out, &p);
            }
        }
    }
}

/* --- over cycles --- */

static size_t nearest(const struct incremental_peaks *among, double voltage_V)
{
    size_t best = INCREMENTAL_LOST;
    for (size_t i = 0; i < among->count; i++) {
        if (best == INCREMENTAL_LOST || fabs(among->peak[i].voltage_V - voltage_V) <
                                            fabs(among->peak[best].voltage_V - voltage_V)) {
            best = i;
        }
    }
    return best;
}

size_t incremental_follow(const struct incremental_peaks *before, size_t i,
                          const struct incremental_peaks *now, double within_V)
{
    size_t to = nearest(now, before->peak[i].voltage_V);
    if (to == INCREMENTAL_LOST ||
        fabs(now->peak[to].voltage_V - before->peak[i].voltage_V) > within_V ||
        nearest(before, now->peak[to].voltage_V) != i) {
        return INCREMENTAL_LOST;
    }
    return to;
}
