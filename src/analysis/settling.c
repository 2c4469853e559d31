/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/settling: a ring of the latest stretches, and the line through them. */
#include "analysis/settling.h"

#include <math.h>

void settling_start(struct settling *w)
{
    *w = (struct settling){.start_s = NAN, .last_s = NAN, .last_V = NAN};
}

void settling_add(struct settling *w, double t_s, double voltage_V)
{
    if (!isfinite(t_s) || !isfinite(voltage_V)) {
        return;
    }
    if (isnan(w->start_s)) {
        w->start_s = t_s;
    }
    double since_s = t_s - w->start_s;
    long long number = (long long)(since_s / SETTLING_STRETCH_S);
    struct settling_stretch *at = &w->stretch[number % SETTLING_STRETCHES];
    if (at->number != number) {
        *at = (struct settling_stretch){.number = number};
    }
    at->t_s += since_s;
    at->voltage_V += voltage_V;
    at->n++;
    w->last_s = t_s;
    w->last_V = voltage_V;
}

/* Two passes, means first, so that nothing is lost in large sums. */
double settling_drift_V_per_h(const struct settling *w)
{
    double window_s = fmin(SETTLING_WINDOW_S, (w->last_s - w->start_s) / 2);
    double from_s = w->last_s - w->start_s - window_s;
    double mean_t = 0, mean_V = 0, tt = 0, tV = 0;
    size_t n = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < SETTLING_STRETCHES; i++) {
            const struct settling_stretch *s = &w->stretch[i];
            if (s->n == 0 || !((double)(s->number + 1) * SETTLING_STRETCH_S > from_s)) {
                continue;
            }
            double t = s->t_s / (double)s->n, V = s->voltage_V / (double)s->n;
            if (pass == 0) {
                n++;
                mean_t += (t - mean_t) / (double)n;
                mean_V += (V - mean_V) / (double)n;
            } else {
                tt += (t - mean_t) * (t - mean_t);
                tV += (t - mean_t) * (V - mean_V);
            }
        }
    }
    return n >= 3 && tt > 0 ? tV / tt * S_PER_H : (double)NAN;
}
