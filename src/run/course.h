/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/course: what only a course of readings tells: a slope, and a value without
 * its noise. Pure, fixed size; time is an argument. */
#ifndef AMPLEDGER_RUN_COURSE_H
#define AMPLEDGER_RUN_COURSE_H

#include <stdbool.h>
#include <stddef.h>

/* --- slope --- */

/* The straight line of least squares (textbook) through the means of blocks, each
 * a twentieth of the window long. White noise of s per reading and n readings in
 * the window W make an error of s x sqrt(12 / n) / W (one standard deviation). */
#define SLOPE_BLOCKS 20

struct slope {
    double window_s;
    double block_start_s;      /* of the block that is being filled; NAN: none */
    double sum_t_s, sum_value; /* t counted from block_start_s */
    size_t filling;
    size_t count, newest; /* full blocks, in a ring */
    struct {
        double t_s, value, weight;
    } block[SLOPE_BLOCKS];
};

void slope_start(struct slope *s, double window_s);
/* NAN is passed over. */
void slope_take(struct slope *s, double t_s, double value);
/* Units of value per second; NAN until three blocks at least are full and span nine
 * tenths of the window. */
double slope_per_s(const struct slope *s);

/* --- smooth --- */

/* The median of the last five readings, so that up to two wild ones in a row
 * count for nothing, and of those an exponential mean with the time constant
 * SMOOTH_S. At a reading a second this leaves a sixth of white noise (one
 * standard deviation, measured in the tests) and lags by some 22 s. */
#define SMOOTH_MEDIAN 5
#define SMOOTH_S 20.0

struct smooth {
    double recent[SMOOTH_MEDIAN];
    size_t count;
    double last_s;
    double value; /* NAN: nothing yet */
};

void smooth_start(struct smooth *s);
/* NAN is passed over. Returns the smoothed value; NAN until SMOOTH_MEDIAN readings came. */
double smooth_take(struct smooth *s, double t_s, double value);

#endif
