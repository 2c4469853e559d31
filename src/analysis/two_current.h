/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/two_current: recognises in a record the current steps that the standards'
 * methods for DC resistance are made of, by their times and the ratio of their currents,
 * and makes the straight line through the two readings. Pure.
 *
 *  10s-1s  at once from a small to a five times larger discharge current, read at the end of
 *          10 s and after 1 s: IEC 61960 (0.2 It, 1 It; secondary source, the instants of
 *          reading from memory, unverified).
 *  10s-3s  ten times larger, after 3 s: IEC 61951 (0.2 It, 2 It; from memory, unverified).
 *  20s-5s  two pulses, 20 s, 2 to 5 min off without recharge, 5 s at five times the current:
 *          IEC 60896-21 and -22 clause 6.3 (the clause: secondary source; times and currents
 *          from memory, unverified). It tells the short-circuit current as well. */
#ifndef AMPLEDGER_ANALYSIS_TWO_CURRENT_H
#define AMPLEDGER_ANALYSIS_TWO_CURRENT_H

#include "analysis/pulse.h"
#include "analysis/two_point.h"

enum two_current_method {
    TWO_CURRENT_10S_1S,
    TWO_CURRENT_10S_3S,
    TWO_CURRENT_20S_5S,
    TWO_CURRENT_METHODS
};
struct two_current_info {
    const char *name;   /* "10s-1s" */
    const char *source; /* for a person */
    double first_s, second_s;
    double ratio; /* of the currents */
    bool pause;   /* off between them */
};
extern const struct two_current_info two_current_methods[TWO_CURRENT_METHODS];

struct two_current {
    enum two_current_method method;
    struct sample first, second; /* at the battery's own terminals */
    double first_s, second_s;    /* how long each current had flowed when it was read */
    double pause_s;              /* between them; NAN: none */
    struct two_point line;
};

#define TWO_CURRENTS_MAX 16
struct two_currents {
    size_t count, dropped;
    struct two_current found[TWO_CURRENTS_MAX];
};
/* After pulse_watch_finish(); in order of time. */
void two_currents_find(const struct pulse_watch *w, const struct instrument_accuracy *accuracy,
                       struct two_currents *out);

#endif
