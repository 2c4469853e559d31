/* SPDX-License-Identifier: GPL-3.0-or-later
 * guard/trend: where a temperature goes. Pure, fixed size. */
#ifndef AMPLEDGER_GUARD_TREND_H
#define AMPLEDGER_GUARD_TREND_H

#include <stdbool.h>
#include <stddef.h>

/* Rate of rise: the mean of the last minute less the mean of the minute before,
 * each made of three blocks of 20 s. At one sample a second, sensor noise of 0.1
 * degC makes an error of 0.1 x sqrt(2/60) = 0.02 degC/min (one standard
 * deviation); one wild reading of 20 degC makes 0.3 degC/min. */
#define TREND_BLOCK_S 20.0
#define TREND_BLOCKS 6

struct guard_trend {
    double block_start_s;
    double sum_C;
    size_t count;
    double mean_C[TREND_BLOCKS]; /* oldest first; NAN: nothing came */
    double rate_C_per_min;       /* as of the last full block; NAN unknown */
};
void trend_start(struct guard_trend *t, double now_s);
/* temperature_C may be NAN: then only time passes. */
void trend_take(struct guard_trend *t, double temperature_C, double now_s);

/* After a trip: outputs are off, and the temperature must not go on rising. The
 * heat of the cells still comes through to the case, a degree or so; more than
 * that is a battery that heats itself. */
#define WATCH_RISE_C 3.0
#define WATCH_BLOCK_S 600.0

struct guard_watch {
    double recent_C[5]; /* the median of five forgives a wild reading */
    size_t count;
    double block_start_s;
    double lowest_C, lowest_before_C; /* of this block of ten minutes and of the one before */
    double told_C;                    /* of the last alarm; NAN none */
};
void watch_start(struct guard_watch *w, double now_s);
/* True when an alarm is due: WATCH_RISE_C above the lowest of the last ten to
 * twenty minutes, and again with each further WATCH_RISE_C. *rise_C says by how
 * much. NAN is passed over. */
bool watch_take(struct guard_watch *w, double temperature_C, double now_s, double *rise_C);

#endif
