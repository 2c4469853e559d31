/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/pulse: finds the steps of current in a record and their resistances. */
#include "analysis/pulse.h"

#include "analysis/two_point.h"

#include <math.h>

const char *const pulse_method_names[] = {"two-current", "on", "off", "turned", NULL};

#define SAME_SHARE 0.05
#define NONE_SHARE 0.02
#define HAIR_S 1e-3 /* a reading meant for an instant may come a little early */
#define NEAR_MARK 0.1

void pulse_watch_start(struct pulse_watch *w, double largest_A, double lead_ohm)
{
    *w = (struct pulse_watch){
        .lead_ohm = lead_ohm, .same_A = SAME_SHARE * fabs(largest_A), .latest_s = INFINITY};
}

static bool is_none(const struct pulse_watch *w, double current_A)
{
    return fabs(current_A) <= NONE_SHARE / SAME_SHARE * w->same_A;
}

static void level_begin(struct pulse_watch *w, const struct sample *s)
{
    w->first = w->last = *s;
    w->readings = 1;
    w->present.count = 0;
    w->next_mark = 0;
    if (w->trace != NULL) {
        w->trace->count = 0;
    }
}

static enum pulse_method method_of(const struct pulse_watch *w, const struct pulse_change *c)
{
    if (is_none(w, c->before.current_A)) {
        return PULSE_ON;
    }
    if (is_none(w, w->newest.at.current_A)) {
        return PULSE_OFF;
    }
    bool turned = c->before.current_A * w->newest.at.current_A < 0;
    return turned ? PULSE_TURNED : PULSE_TWO_CURRENT;
}

/* A voltage that a supply holds, or that was not read together with the current, tells
 * no resistance. */
static bool tells_resistance(const struct pulse_change *c)
{
    for (size_t i = 0; i < c->count; i++) {
        if (isfinite(c->instant[i].resistance_ohm)) {
            return true;
        }
    }
    return false;
}

/* The change to the present current is over. One reading out of line, after which all
 * is as before, was none. */
static void change_close(struct pulse_watch *w)
{
    struct pulse_change *c = &w->present;
    bool changed = fabs(w->newest.at.current_A - c->before.current_A) > w->same_A;
    if (!w->open || w->readings < 2 || !changed) {
        return;
    }
    /* A current that fades is no step, however far it fades. */
    if (!(fabs(c->instant[0].at.current_A - c->before.current_A) > w->same_A)) {
        return;
    }
    if (w->newest.after_s < w->steady_s) {
        w->unsteady++;
        return;
    }
    if (fabs(w->newest.at.current_A - c->before.current_A) < w->least_A) {
        w->unsteady++;
        return;
    }
    if (w->newest_told.at.t_s > c->instant[c->count - 1].at.t_s) {
        c->instant[c->count++] = w->newest_told;
    }
    if (!tells_resistance(c)) {
        w->unseen++;
        return;
    }
    c->method = method_of(w, c);
    if (w->trace != NULL) {
        c->relaxation = relaxation_fit(w->trace);
    }
    if (w->count < PULSE_CHANGES_MAX) {
        w->change[w->count++] = *c;
    } else {
        w->dropped++;
    }
}

/* From the last reading of the present current. */
static void change_open(struct pulse_watch *w)
{
    double held_s = w->last.t_s - w->first.t_s;
    w->open = w->first_level || held_s >= w->steady_s;
    w->unsteady += w->open ? 0 : 1;
    w->present = (struct pulse_change){
        .before = w->last,
        .held_s = held_s,
        .charge_Ah = w->charge_Ah,
    };
    w->newest_told = (struct pulse_instant){.at = {.t_s = -INFINITY}};
    if (w->trace != NULL) {
        relaxation_begin(w->trace, &w->last,
                         is_none(w, w->last.current_A) ? (double)INFINITY : held_s);
    }
}

static double resistance_ohm(const struct pulse_watch *w, const struct sample *before,
                             const struct sample *s)
{
    double ohm = (s->voltage_V - before->voltage_V) / (s->current_A - before->current_A);
    return ohm > 0 && s->t_s - before->t_s <= w->latest_s ? ohm : (double)NAN;
}

static void instant_take(struct pulse_watch *w, const struct sample *s)
{
    static const double marks_s[] = {0, 1, 10, 30};
    const size_t marks = sizeof marks_s / sizeof marks_s[0];
    struct pulse_change *c = &w->present;
    double after_s = s->t_s - c->before.t_s;
    w->newest = (struct pulse_instant){after_s, NAN, *s, resistance_ohm(w, &c->before, s)};
    bool told = w->next_mark < marks && after_s >= marks_s[w->next_mark] - HAIR_S;
    while (w->next_mark < marks && after_s >= marks_s[w->next_mark] - HAIR_S) {
        double mark_s = marks_s[w->next_mark++];
        bool is_near = mark_s > 0 && after_s <= (1 + NEAR_MARK) * mark_s + HAIR_S;
        w->newest.mark_s = is_near ? mark_s : w->newest.mark_s;
    }
    if (told && (c->count == 0 || after_s <= w->latest_s)) {
        c->instant[c->count++] = w->newest;
    }
    if (after_s <= w->latest_s) {
        w->newest_told = w->newest;
    }
    if (w->trace != NULL) {
        relaxation_add(w->trace, s);
    }
}

/* From the present current to that of s. A level that was read only once was on the
 * way from one to another (a ramp): the change goes on from the level before it. */
static void level_end(struct pulse_watch *w, const struct sample *s)
{
    bool level = w->readings > 1 || w->first_level;
    if (level) {
        change_close(w);
        change_open(w);
    }
    w->first_level = false;
    level_begin(w, s);
}

void pulse_watch_add(struct pulse_watch *w, const struct sample *s)
{
    if (!isfinite(s->voltage_V) || !isfinite(s->current_A) || !isfinite(s->t_s)) {
        return;
    }
    struct sample at = *s;
    at.voltage_V = sample_battery_voltage(s, w->lead_ohm);
    if (!w->begun) {
        w->begun = w->first_level = true;
        level_begin(w, &at);
        return;
    }
    double moved_Ah = sample_charge_Ah(&w->last, &at);
    if (fabs(at.current_A - w->first.current_A) > w->same_A) {
        level_end(w, &at);
    } else {
        w->readings++;
    }
    w->charge_Ah += moved_Ah;
    w->last = at;
    if (w->open) {
        instant_take(w, &at);
    }
}

void pulse_watch_break(struct pulse_watch *w)
{
    change_close(w);
    w->open = w->begun = false;
}

void pulse_watch_finish(struct pulse_watch *w)
{
    change_close(w);
    w->open = false;
}

const struct pulse_change *pulse_chosen(const struct pulse_watch *w)
{
    const struct pulse_change *chosen = NULL;
    for (size_t i = 0; i < w->count; i++) {
        const struct pulse_change *c = &w->change[i];
        bool better =
            c->method == PULSE_TWO_CURRENT ||
            (c->method == PULSE_ON && (chosen == NULL || chosen->method != PULSE_TWO_CURRENT));
        bool told = isfinite(pulse_last(c)->resistance_ohm);
        chosen = better && told ? c : chosen;
    }
    return chosen;
}

const struct pulse_instant *pulse_at_10_s(const struct pulse_change *c)
{
    for (size_t i = 0; i < c->count; i++) {
        if (c->instant[i].mark_s > 9 && c->instant[i].mark_s < 11) {
            return &c->instant[i];
        }
    }
    return NULL;
}

double pulse_uncertainty_ohm(const struct pulse_change *c, const struct pulse_instant *i,
                             const struct instrument_accuracy *accuracy)
{
    return COVERAGE_FACTOR * two_point(&c->before, &i->at, accuracy).u_ohm;
}
