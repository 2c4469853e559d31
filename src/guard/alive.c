/* SPDX-License-Identifier: GPL-3.0-or-later
 * guard/alive: counts repetitions, changes, and changes that jump. */
#include "guard/alive.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

void alive_start(struct guard_alive *a)
{
    *a = (struct guard_alive){.changed_s = NAN};
}

/* Does the way from the newest value to x lead over one that was just seen? */
static bool jumps(const struct guard_alive *a, double x)
{
    double low = fmin(a->recent[0], x), high = fmax(a->recent[0], x);
    for (size_t i = 1; i < a->recent_count; i++) {
        if (low < a->recent[i] && a->recent[i] < high) {
            return true;
        }
    }
    return false;
}

static void take_change(struct guard_alive *a, double x)
{
    a->longest = a->repeats > a->longest ? a->repeats : a->longest;
    a->jumps += jumps(a, x);
    if (++a->changes == ALIVE_BLOCK) {
        a->lively = a->jumps >= ALIVE_JUMPS;
        a->changes = a->jumps = 0;
    }
}

void alive_take(struct guard_alive *a, double x, double t_s)
{
    if (!isfinite(x)) {
        return;
    }
    if (a->recent_count > 0 && x == a->recent[0]) {
        a->repeats++;
        return;
    }
    if (a->recent_count > 0) {
        take_change(a, x);
    }
    memmove(a->recent + 1, a->recent, (ALIVE_RECENT - 1) * sizeof a->recent[0]);
    a->recent[0] = x;
    a->recent_count += a->recent_count < ALIVE_RECENT;
    a->repeats = 0;
    a->changed_s = t_s;
}

size_t alive_allowed(const struct guard_alive *a, size_t least, size_t times)
{
    if (!a->lively) {
        return SIZE_MAX;
    }
    size_t allowed = times * a->longest;
    return allowed > least ? allowed : least;
}
