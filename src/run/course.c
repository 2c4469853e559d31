/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/course: a slope by least squares, and a value without its noise. */
#include "run/course.h"

#include <math.h>

/* --- slope --- */

#define SPAN_ENOUGH 0.9
#define BLOCKS_LEAST 3

void slope_start(struct slope *s, double window_s)
{
    *s = (struct slope){.window_s = window_s, .block_start_s = NAN};
}

static void close_block(struct slope *s)
{
    double n = (double)s->filling;
    s->newest = (s->newest + 1) % SLOPE_BLOCKS;
    s->block[s->newest].t_s = s->block_start_s + s->sum_t_s / n;
    s->block[s->newest].value = s->sum_value / n;
    s->block[s->newest].weight = n;
    s->count = s->count < SLOPE_BLOCKS ? s->count + 1 : s->count;
}

void slope_take(struct slope *s, double t_s, double value)
{
    if (!isfinite(value)) {
        return;
    }
    bool first = isnan(s->block_start_s);
    bool full = !first && t_s - s->block_start_s >= s->window_s / SLOPE_BLOCKS;
    if (full) {
        close_block(s);
    }
    if (first || full) {
        s->block_start_s = t_s;
        s->sum_t_s = 0;
        s->sum_value = 0;
        s->filling = 0;
    }
    s->sum_t_s += t_s - s->block_start_s;
    s->sum_value += value;
    s->filling++;
}

/* Times are taken from the newest block: large ones would cost digits. */
double slope_per_s(const struct slope *s)
{
    double n = 0, t = 0, y = 0, tt = 0, ty = 0, span_s = 0;
    size_t blocks = 0;
    for (; blocks < s->count; blocks++) {
        size_t at = (s->newest + SLOPE_BLOCKS - blocks) % SLOPE_BLOCKS;
        double dt = s->block[at].t_s - s->block[s->newest].t_s;
        double dy = s->block[at].value - s->block[s->newest].value;
        double w = s->block[at].weight;
        if (-dt > s->window_s) {
            break;
        }
        span_s = -dt;
        n += w;
        t += w * dt;
        y += w * dy;
        tt += w * dt * dt;
        ty += w * dt * dy;
    }
    if (blocks < BLOCKS_LEAST || span_s < SPAN_ENOUGH * s->window_s) {
        return NAN;
    }
    return (n * ty - t * y) / (n * tt - t * t);
}

/* --- smooth --- */

void smooth_start(struct smooth *s)
{
    *s = (struct smooth){.value = NAN};
}

static double median_of_recent(const struct smooth *s)
{
    double sorted[SMOOTH_MEDIAN];
    for (size_t i = 0; i < SMOOTH_MEDIAN; i++) {
        size_t k = i;
        for (; k > 0 && sorted[k - 1] > s->recent[i]; k--) {
            sorted[k] = sorted[k - 1];
        }
        sorted[k] = s->recent[i];
    }
    return sorted[SMOOTH_MEDIAN / 2];
}

double smooth_take(struct smooth *s, double t_s, double value)
{
    if (!isfinite(value)) {
        return s->value;
    }
    s->recent[s->count++ % SMOOTH_MEDIAN] = value;
    if (s->count >= SMOOTH_MEDIAN) {
        double median = median_of_recent(s);
        double share = 1 - exp(-(t_s - s->last_s) / SMOOTH_S);
        s->value = isnan(s->value) ? median : s->value + share * (median - s->value);
    }
    s->last_s = t_s;
    return s->value;
}
