/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/two_current: steps of current that were meant as a method. */
#include "analysis/two_current.h"

#include <math.h>

/* Sampling makes a time up to one interval too short or too long. */
#define TIME_SHARE 0.15
#define RATIO_SHARE 0.2
#define PAUSE_LEAST_S 120.0
#define PAUSE_MOST_S 300.0

const struct two_current_info two_current_methods[TWO_CURRENT_METHODS] = {
    [TWO_CURRENT_10S_1S] = {"10s-1s",
                            "IEC 61960, 0.2 It for 10 s and at once 1 It for 1 s (secondary "
                            "source; that the end of each is read is from memory, unverified)",
                            10, 1, 5, false},
    [TWO_CURRENT_10S_3S] = {"10s-3s",
                            "IEC 61951, 0.2 It for 10 s and at once 2 It for 3 s (from memory, "
                            "unverified)",
                            10, 3, 10, false},
    [TWO_CURRENT_20S_5S] = {"20s-5s",
                            "IEC 60896-21 and -22 clause 6.3, 4 I10 for 20 s, 2 to 5 min off, 20 "
                            "I10 for 5 s (times and currents from memory, unverified)",
                            20, 5, 5, true},
};

static bool is_about(double value, double wanted, double share)
{
    return fabs(value / wanted - 1) <= share;
}

/* The reading of that change nearest to the time the method wants; NULL: none near it. */
static const struct pulse_instant *instant_at(const struct pulse_change *c, double wanted_s)
{
    for (size_t i = 0; i < c->count; i++) {
        if (is_about(c->instant[i].after_s, wanted_s, TIME_SHARE)) {
            return &c->instant[i];
        }
    }
    return NULL;
}

static bool currents_fit(const struct two_current_info *m, const struct sample *first,
                         const struct sample *second)
{
    return first->current_A < 0 &&
           is_about(second->current_A / first->current_A, m->ratio, RATIO_SHARE);
}

static bool at_once(const struct pulse_change *c, enum two_current_method method,
                    struct two_current *out)
{
    const struct two_current_info *m = &two_current_methods[method];
    const struct pulse_instant *at = instant_at(c, m->second_s);
    bool fits = c->method == PULSE_TWO_CURRENT && is_about(c->held_s, m->first_s, TIME_SHARE) &&
                at != NULL && currents_fit(m, &c->before, &at->at);
    if (fits) {
        *out = (struct two_current){.method = method,
                                    .first = c->before,
                                    .second = at->at,
                                    .first_s = c->held_s,
                                    .second_s = at->after_s,
                                    .pause_s = NAN};
    }
    return fits;
}

static bool with_pause(const struct pulse_change *first, const struct pulse_change *second,
                       struct two_current *out)
{
    const struct two_current_info *m = &two_current_methods[TWO_CURRENT_20S_5S];
    const struct pulse_instant *one = pulse_last(first), *two = instant_at(second, m->second_s);
    double pause_s = second->before.t_s - one->at.t_s;
    bool fits = first->method == PULSE_ON && second->method == PULSE_ON && two != NULL &&
                is_about(one->after_s, m->first_s, TIME_SHARE) &&
                pause_s >= (1 - TIME_SHARE) * PAUSE_LEAST_S &&
                pause_s <= (1 + TIME_SHARE) * PAUSE_MOST_S && currents_fit(m, &one->at, &two->at);
    if (fits) {
        *out = (struct two_current){.method = TWO_CURRENT_20S_5S,
                                    .first = one->at,
                                    .second = two->at,
                                    .first_s = one->after_s,
                                    .second_s = two->after_s,
                                    .pause_s = pause_s};
    }
    return fits;
}

void two_currents_find(const struct pulse_watch *w, const struct instrument_accuracy *accuracy,
                       struct two_currents *out)
{
    const struct pulse_change *on = NULL; /* the one before */
    *out = (struct two_currents){.count = 0};
    for (size_t i = 0; i < w->count; i++) {
        const struct pulse_change *c = &w->change[i];
        struct two_current found;
        bool fits = at_once(c, TWO_CURRENT_10S_1S, &found) ||
                    at_once(c, TWO_CURRENT_10S_3S, &found) ||
                    (on != NULL && with_pause(on, c, &found));
        on = c->method == PULSE_OFF ? on : c;
        if (!fits) {
            continue;
        }
        found.line = two_point(&found.first, &found.second, accuracy);
        if (out->count < TWO_CURRENTS_MAX) {
            out->found[out->count++] = found;
        } else {
            out->dropped++;
        }
    }
}
