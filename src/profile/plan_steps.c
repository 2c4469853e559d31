/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plan_steps: what each step sets and what ends it, in the battery's
 * own volts and amperes. */
#include "base/file.h"
#include "profile/plan_work.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

/* A discharge without a longest time gets this many times what the rated
 * capacity would take: room for a battery better than its label, an end for a
 * voltage that never comes. */
#define TIME_SPARE 1.5
/* Slopes say nothing at first: 1 to 15 min are usual (a page on charging NiMH,
 * read on it). */
#define HOLD_OFF_S 600
#define SAMPLE_S 1.0
#define PULSE_SAMPLE_S 0.1

static double or_default(const struct written *q, double otherwise)
{
    return q->present ? q->q.value : otherwise;
}

struct plan_step plan_step_blank(enum step_kind kind)
{
    return (struct plan_step){
        .kind = kind,
        .drive = DRIVE_OFF,
        .power_W = NAN,
        .resistance_ohm = NAN,
        .charge_V = NAN,
        .compensation_C = NAN,
        .skip_above_V = NAN,
        .until_V = NAN,
        .until_A = NAN,
        .until_drop_V = NAN,
        .until_C_per_min = NAN,
        .until_V_per_h = NAN,
        .max_Ah = NAN,
        .remind_s = NAN,
        .repeat = {.of_step = SIZE_MAX,
                   .until_below_Ah = NAN,
                   .until_from_Ah = NAN,
                   .until_agree = NAN},
        .sample_s = kind == STEP_PULSE ? PULSE_SAMPLE_S : SAMPLE_S,
        .rounds = 1,
    };
}

static struct plan_step blank_step(const struct profile_step *from)
{
    struct plan_step s = plan_step_blank(from->kind);
    s.remind_s = or_default(&from->remind_every, NAN);
    s.sample_s = or_default(&from->sample_every, s.sample_s);
    memcpy(s.name, from->name, sizeof s.name);
    memcpy(s.say, from->say, sizeof s.say);
    return s;
}

/* --- discharge --- */

/* An end in time for every discharge. */
static double longest_time(struct plan_work *w, const struct profile_step *from, double current_A)
{
    if (from->at_most_time.present) {
        return from->at_most_time.q.value;
    }
    /* fmax gives way to the one that is known. */
    double charge_Ah = resolve_charge(w, &from->at_most_charge);
    if (from->until_voltage.present) {
        charge_Ah = fmax(charge_Ah, w->battery->rated_Ah);
    }
    if (isfinite(charge_Ah)) {
        return TIME_SPARE * charge_Ah / current_A * S_PER_H;
    }
    if (!lacks_rating(w, &from->current) && !lacks_rating(w, &from->at_most_charge)) {
        plan_problem(w, from->line,
                     "step \"%s\" might never end: it has no longest time, and battery \"%s\" has "
                     "no rated capacity to work one out from; write at_most: {time: ...}",
                     from->name, w->battery->label);
    }
    return NAN;
}

/* At constant power the current is largest at the lowest voltage, through a
 * resistance at the highest. */
static void set_discharge(const struct plan_work *w, const struct profile_step *from,
                          struct plan_step *s)
{
    double lowest_V = isnan(s->until_V) ? w->chemistry->floor_V * w->battery->cells : s->until_V;
    if (from->power.present) {
        s->drive = DRIVE_POWER;
        s->power_W = from->power.q.value;
        s->current_A = -s->power_W / lowest_V;
    } else if (from->resistance.present) {
        s->drive = DRIVE_RESISTANCE;
        s->resistance_ohm = from->resistance.q.value;
        s->current_A = -full_voltage(w) / s->resistance_ohm;
    } else {
        s->drive = DRIVE_CURRENT;
        s->current_A = -resolve_current(w, &from->current);
    }
}

static void plan_discharge(struct plan_work *w, const struct profile_step *from,
                           struct plan_step *s)
{
    need_rating(w, &from->current, "the current in A");
    need_rating(w, &from->at_most_charge, "the charge in Ah");
    s->until_V = resolve_voltage(w, &from->until_voltage);
    s->max_Ah = resolve_charge(w, &from->at_most_charge);
    set_discharge(w, from, s);
    s->max_s = longest_time(w, from, mean_current(w, s));
    if (!isfinite(s->max_s)) {
        s->max_s = 0; /* a problem has been listed: nothing will start */
    }
}

/* --- rest, hold, pulse --- */

static void plan_rest(const struct profile_step *from, struct plan_step *s)
{
    s->max_s = from->duration.present ? from->duration.q.value : from->at_most_time.q.value;
    s->until_V_per_h = or_default(&from->until_settled, NAN);
    s->least_s = or_default(&from->at_least, 0);
}

static void plan_hold(const struct profile_step *from, struct plan_step *s)
{
    s->max_s = from->at_most_time.q.value;
    s->max_s_is_fault = true; /* nobody came: what follows is not done unasked */
}

static void plan_pulse(struct plan_work *w, const struct profile_step *from, struct plan_step *s)
{
    double sign = from->charges ? 1 : -1;
    s->drive = DRIVE_CURRENT;
    s->charge_V = resolve_voltage(w, &from->voltage);
    s->until_V = resolve_voltage(w, &from->until_voltage);
    s->segment_count = from->segment_count;
    s->segments = zalloc(from->segment_count * sizeof *s->segments);
    for (size_t i = 0; i < from->segment_count; i++) {
        const struct profile_segment *g = &from->segments[i];
        need_rating(w, &g->current, "the current in A");
        double current_A = sign * resolve_current(w, &g->current);
        s->segments[i] = (struct plan_segment){
            .current_A = current_A, .for_s = g->duration.q.value, .sample_s = s->sample_s};
        s->max_s += g->duration.q.value;
        /* Of a current that is not known nothing is larger. */
        if (!(fabs(s->current_A) >= fabs(current_A))) {
            s->current_A = current_A;
        }
    }
}

/* --- charge --- */

/* Charge and time have an end in every case. A normal end stands in `until`;
 * beyond `at_most`, or beyond what the chemistry ever takes, something is wrong. */
static void plan_charge_ends(struct plan_work *w, const struct profile_step *from,
                             struct plan_step *s)
{
    double most_Ah = resolve_charge(w, &from->at_most_charge);
    bool by_charge = from->until_charge.present;
    bool by_time = from->until_time.present;
    if (isnan(most_Ah)) {
        most_Ah = w->chemistry->charge_most * w->battery->rated_Ah;
    }
    s->max_Ah = by_charge ? resolve_charge(w, &from->until_charge) : most_Ah;
    s->max_Ah_is_fault = !by_charge;
    s->max_s = by_time ? from->until_time.q.value : from->at_most_time.q.value;
    s->max_s_is_fault = !by_time;
    s->until_V = resolve_voltage(w, &from->until_voltage);
    s->until_A = resolve_current(w, &from->until_current);
    s->until_drop_V = resolve_voltage(w, &from->until_drop);
    s->until_C_per_min = or_default(&from->until_warming, NAN);
    if (from->until_drop.present || from->until_warming.present) {
        s->hold_off_s = or_default(&from->hold_off, HOLD_OFF_S);
    }
}

static void plan_charge(struct plan_work *w, const struct profile_step *from, struct plan_step *s)
{
    need_rating(w, &from->current, "the current in A");
    need_rating(w, &from->until_current, "the current in A");
    need_rating(w, &from->until_charge, "the charge in Ah");
    need_rating(w, &from->at_most_charge, "the charge in Ah");
    s->drive = DRIVE_CURRENT;
    s->current_A = resolve_current(w, &from->current);
    s->charge_V = resolve_voltage(w, &from->voltage);
    s->skip_above_V = resolve_voltage(w, &from->skip_above);
    if (!from->voltage.present && isnan(w->chemistry->full_charge_V)) {
        /* No fixed voltage ends it: the supply is kept to what cells may ever have. */
        s->charge_V = w->chemistry->ceiling_V * w->battery->cells;
    }
    if (from->compensation.present) {
        s->charge_V_per_K = from->compensation.q.value * w->battery->cells;
        s->compensation_C = from->compensation_reference.q.value;
    }
    plan_charge_ends(w, from, s);
}

/* --- repeat --- */

static void plan_group(struct plan_work *w, const struct profile_step *from, struct plan_step *s,
                       size_t index)
{
    const struct profile_repeat *r = &from->repeat;
    need_rating(w, &r->until_below, "the capacity in Ah");
    need_rating(w, &r->until_reached, "the capacity in Ah");
    s->repeat = (struct plan_repeat){
        .back_to = r->back_to,
        .times = (unsigned)r->times,
        .of_step = r->of_step,
        .until_below_Ah = resolve_charge(w, &r->until_below),
        .until_from_Ah = resolve_charge(w, &r->until_reached),
        .until_agree = or_default(&r->until_agree, NAN),
        .until_cutoff = r->until_cutoff,
    };
    for (size_t i = r->back_to; i <= index; i++) {
        w->plan->steps[i].rounds *= r->times;
    }
}

void plan_steps(struct plan_work *w)
{
    struct plan *plan = w->plan;
    for (size_t i = 0; i < plan->step_count; i++) {
        const struct profile_step *from = &w->profile->steps[i];
        struct plan_step *s = &plan->steps[i];
        *s = blank_step(from);
        switch (from->kind) {
        case STEP_DISCHARGE:
            plan_discharge(w, from, s);
            break;
        case STEP_REST:
            plan_rest(from, s);
            break;
        case STEP_CHARGE:
            plan_charge(w, from, s);
            break;
        case STEP_PULSE:
            plan_pulse(w, from, s);
            break;
        case STEP_HOLD:
            plan_hold(from, s);
            break;
        case STEP_REPEAT:
            plan_group(w, from, s, i);
            break;
        }
    }
}
