/* SPDX-License-Identifier: GPL-3.0-or-later
 * guard/alive: learns how a reading dithers while it lives, so that one that
 * sticks is told from one that is only coarse. Pure, fixed size.
 *
 * How often a reading repeats itself says little: one that flickers between two
 * values, because the truth lies near the edge of a digit, may stand still for
 * hours once the truth has moved to the middle. What says something is noise
 * wider than a digit: readings that jump over values that were just seen. With
 * bell-shaped noise of standard deviation s digits, every
 *     s                          0.3      0.5      0.75     1
 *     changes that skip a value  0..3 %   8..11 %  26 %     40 %
 *     readings that repeat       50..82 % 46..52 % 35 %     28 %
 * at the edge .. in the middle of a digit (200,000 random readings each). A reading
 * is held lively when a quarter of its last 64 changes jumped: s is about 0.75.
 * Then even noise that falls to half of that, whose readings are one and the same
 * with 82 % each, repeats 120 times with a chance of 0.82^120 = 5e-11.
 *
 * So what cannot be noticed: that a reading sticks which never jumped (a coarse
 * sensor, one that filters, a load whose current stands still to the last
 * digit), and that one sticks before it was learned. */
#ifndef AMPLEDGER_GUARD_ALIVE_H
#define AMPLEDGER_GUARD_ALIVE_H

#include <stdbool.h>
#include <stddef.h>

#define ALIVE_RECENT 8
#define ALIVE_BLOCK 64 /* changes after which it is judged anew */
#define ALIVE_JUMPS 16 /* of them */

struct guard_alive {
    double recent[ALIVE_RECENT]; /* values after each change, the newest first */
    size_t recent_count;
    size_t repeats;        /* of the newest */
    double changed_s;      /* when it last changed */
    size_t longest;        /* most repetitions that ended with a change */
    size_t changes, jumps; /* of the present block */
    bool lively;           /* as of the last full block */
};
/* Nothing is known of it: at the beginning, and when its noise may change. */
void alive_start(struct guard_alive *a);
/* One reading; NAN is passed over. */
void alive_take(struct guard_alive *a, double x, double t_s);
/* Most repetitions that are no wonder: times the longest that was seen, and at
 * least `least`. SIZE_MAX while it is not lively. */
size_t alive_allowed(const struct guard_alive *a, size_t least, size_t times);

#endif
