/* SPDX-License-Identifier: GPL-3.0-or-later
 * guard/trend: means of blocks for the rate, a median and a lowest for the watch. */
#include "guard/trend.h"

#include <math.h>
#include <string.h>

#define S_PER_MIN 60.0

void trend_start(struct guard_trend *t, double now_s)
{
    *t = (struct guard_trend){.block_start_s = now_s, .rate_C_per_min = NAN};
    for (size_t i = 0; i < TREND_BLOCKS; i++) {
        t->mean_C[i] = NAN;
    }
}

static double mean_of(const double *x, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++) {
        sum += x[i];
    }
    return sum / (double)n;
}

/* A block without any reading is NAN, and so is every rate that would need it. */
static void close_block(struct guard_trend *t)
{
    const size_t half = TREND_BLOCKS / 2;
    memmove(t->mean_C, t->mean_C + 1, (TREND_BLOCKS - 1) * sizeof t->mean_C[0]);
    t->mean_C[TREND_BLOCKS - 1] = t->count > 0 ? t->sum_C / (double)t->count : (double)NAN;
    t->sum_C = 0;
    t->count = 0;
    t->block_start_s += TREND_BLOCK_S;
    double before_C = mean_of(t->mean_C, half);
    double after_C = mean_of(t->mean_C + half, half);
    t->rate_C_per_min = (after_C - before_C) / ((double)half * TREND_BLOCK_S) * S_PER_MIN;
}

void trend_take(struct guard_trend *t, double temperature_C, double now_s)
{
    if (now_s - t->block_start_s > TREND_BLOCKS * TREND_BLOCK_S * 2) {
        trend_start(t, now_s); /* nothing of the window is left */
    }
    while (now_s - t->block_start_s >= TREND_BLOCK_S) {
        close_block(t);
    }
    if (isfinite(temperature_C)) {
        t->sum_C += temperature_C;
        t->count++;
    }
}

void watch_start(struct guard_watch *w, double now_s)
{
    *w = (struct guard_watch){
        .block_start_s = now_s,
        .lowest_C = INFINITY,
        .lowest_before_C = INFINITY,
        .told_C = NAN,
    };
}

static double median_of_five(const double x[5])
{
    for (size_t i = 0; i < 5; i++) {
        int below = 0, equal = 0;
        for (size_t k = 0; k < 5; k++) {
            below += x[k] < x[i];
            equal += x[k] == x[i];
        }
        if (below <= 2 && below + equal > 2) {
            return x[i];
        }
    }
    return NAN;
}

bool watch_take(struct guard_watch *w, double temperature_C, double now_s, double *rise_C)
{
    if (!isfinite(temperature_C)) {
        return false;
    }
    memmove(w->recent_C, w->recent_C + 1, 4 * sizeof w->recent_C[0]);
    w->recent_C[4] = temperature_C;
    if (++w->count < 5) {
        return false;
    }
    double now_C = median_of_five(w->recent_C);
    if (now_s - w->block_start_s >= WATCH_BLOCK_S) {
        w->block_start_s = now_s;
        w->lowest_before_C = w->lowest_C;
        w->lowest_C = INFINITY;
    }
    w->lowest_C = fmin(w->lowest_C, now_C);
    double lowest_C = fmin(w->lowest_C, w->lowest_before_C);
    if (now_C < w->told_C - WATCH_RISE_C) {
        w->told_C = NAN; /* it cooled down: the next rise is a new one */
    }
    double from_C = isnan(w->told_C) ? lowest_C : w->told_C;
    if (now_C < from_C + WATCH_RISE_C) {
        return false;
    }
    w->told_C = now_C;
    *rise_C = now_C - lowest_C;
    return true;
}
