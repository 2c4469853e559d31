/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/decide: the way through a step: begin, read, set, arm, on, wait, off, end.
 * Every way out of it leads to ACT_FINISH. */
#include "run/decide.h"

#include <math.h>

void decide_start(struct decider *d, const struct decide_start *from)
{
    *d = (struct decider){
        .act = ACT_BEGIN_STEP,
        .outcome = RUN_RUNNING,
        .verdict = {GUARD_FINE, NAN, NAN},
        .switched_s = from->now_s,
        .changed_s = from->now_s,
    };
    guard_start(&d->memory, from->now_s);
    sequencer_start(&d->sequencer, from->plan, from->lead_ohm, from->now_s);
}

static bool go_through(struct sequencer *q, const struct decide_resume *at)
{
    for (size_t i = 0; i < at->past_count; i++) {
        if (q->step >= q->count || q->step != at->past[i].step) {
            return false;
        }
        q->discharged_Ah = at->past[i].discharged_Ah;
        sequencer_end(q, at->past[i].ended);
    }
    return q->step < q->count && q->step == at->step;
}

bool decide_resume(struct decider *d, const struct decide_start *from,
                   const struct decide_resume *at)
{
    decide_start(d, from);
    if (!go_through(&d->sequencer, at)) {
        return false;
    }
    d->resumed = true;
    sequencer_step_begun(&d->sequencer, at->step_start_s);
    d->sequencer.discharged_Ah = at->discharged_Ah;
    d->sequencer.charged_Ah = at->charged_Ah;
    d->memory.start_s = 0;
    guard_step_begun(&d->memory, at->step_start_s);
    d->memory.step_Ah = at->discharged_Ah + at->charged_Ah;
    d->memory.step_Wh = at->energy_Wh;
    d->act = sequencer_wants_output(&d->sequencer) ? ACT_READ : ACT_WAIT;
    return true;
}

struct set_point decide_set_point(const struct decider *d)
{
    return sequencer_set_point(&d->sequencer);
}

static const struct plan_step *present(const struct decider *d)
{
    return &d->sequencer.steps[d->sequencer.step];
}

bool decide_holds(const struct decider *d)
{
    return d->act == ACT_WAIT && present(d)->kind == STEP_HOLD;
}

/* A supply that goes above what it is to hold is told by the voltage; but a battery that
 * was higher before its output went on has not been brought there by it. */
struct guard_limits decide_limits(const struct decider *d)
{
    const struct sequencer *q = &d->sequencer;
    if (q->step >= q->count) {
        return guard_limits_none();
    }
    struct guard_limits l = present(d)->limits;
    if (sequencer_direction(q) == DIRECTION_SUPPLY && isfinite(q->open_V)) {
        double most_V = (1 + CHARGE_V_OVER) * fmax(q->held_V, q->open_V);
        l.voltage_max_V = fmin(l.voltage_max_V, most_V);
    }
    return l;
}

static enum act finish(struct decider *d, enum run_outcome outcome)
{
    d->outcome = outcome;
    return ACT_FINISH;
}

static enum act trip(struct decider *d, struct guard_verdict v)
{
    d->verdict = v;
    return finish(d, RUN_TRIPPED);
}

static enum act trip_because(struct decider *d, enum guard_reason reason)
{
    return trip(d, (struct guard_verdict){reason, NAN, NAN});
}

/* Only a discharge has a bottom where a protection may open. */
static double cutoff_of(const struct plan_step *step, enum direction direction)
{
    return direction == DIRECTION_LOAD ? step->until_V : (double)NAN;
}

static struct guard_verdict judge(struct decider *d, const struct event *e)
{
    const struct set_point set = decide_set_point(d);
    const struct guard_limits limits = decide_limits(d);
    const struct guard_moment at = {
        .now_s = e->now_s,
        .temperature_age_s = e->temperature_age_s,
        .lead_ohm = d->sequencer.lead_ohm,
        .output_wanted = sequencer_wants_output(&d->sequencer),
        .output_on = d->output_on,
        .set_A = set.current_A,
        .set_is_most = set.direction == DIRECTION_SUPPLY || set.drive != DRIVE_CURRENT,
        .hold_V = set.voltage_V,
        .switched_s = d->switched_s,
        .changed_s = d->changed_s,
        .cutoff_V = cutoff_of(present(d), set.direction),
        .has_other = e->has_other,
        .other_V = e->other_V,
        .load = e->load,
        .supply = e->supply,
    };
    return guard_check(&limits, &d->memory, &at, e->sample);
}

/* A step with current opens with one sample taken just before the output goes
 * on, so that the integral begins at the switch and not one period later. */
static enum act open_step(struct decider *d, const struct sample *s)
{
    if (!d->resumed) {
        sequencer_step_begun(&d->sequencer, s->t_s);
    }
    d->resumed = false;
    sequencer_open(&d->sequencer, s);
    d->output_on = true; /* from here on it may be, whatever the instrument answers */
    return ACT_SET;
}

static void note_end(struct decider *d, enum step_end ended)
{
    d->ended_step = d->sequencer.step;
    d->ended_occurrence = d->sequencer.occurrence;
    d->ended = ended;
}

/* It should have ended before: something is not as the plan thought. */
static enum act trip_overdue(struct decider *d, const struct sample *s)
{
    const struct sequencer *q = &d->sequencer;
    const struct plan_step *step = &q->steps[d->ended_step];
    if (d->ended == STEP_END_CHARGE) {
        double charge_Ah = fmax(q->charged_Ah, q->discharged_Ah);
        return trip(d, (struct guard_verdict){GUARD_OVERDUE_CHARGE, charge_Ah, step->max_Ah});
    }
    double time_s = s->t_s - q->step_start_s;
    return trip(d, (struct guard_verdict){GUARD_OVERDUE_TIME, time_s, step->max_s});
}

static enum act follow_sequencer(struct decider *d, const struct sample *s)
{
    note_end(d, STEP_GOES_ON);
    struct sequencer_decision decision = sequencer_take(&d->sequencer, s);
    if (decision.wish == WISH_NOTHING) {
        return ACT_WAIT;
    }
    if (decision.wish == WISH_CHANGE) {
        return ACT_CHANGE;
    }
    d->ended = decision.ended;
    if (decision.ended == STEP_END_UNCONFIRMED) {
        return finish(d, RUN_ABORTED);
    }
    return step_is_overdue(&d->sequencer.steps[d->ended_step], decision.ended) ? trip_overdue(d, s)
                                                                               : ACT_OFF;
}

/* End the present step although no sample says so. */
static void end_step(struct decider *d, enum step_end why)
{
    note_end(d, why);
    sequencer_end(&d->sequencer, why);
}

static bool is_whole(const struct sample *s)
{
    return isfinite(s->voltage_V) && isfinite(s->current_A);
}

/* A lost temperature is forgiven for the trust time, but not at the start. */
static bool may_open(const struct decider *d, const struct sample *s)
{
    return isfinite(s->temperature_C) || !present(d)->limits.temperature_required;
}

/* A fresh sample, judged, while everything is off. */
static enum act before_output(struct decider *d, const struct sample *s)
{
    if (!may_open(d, s)) {
        return ACT_READ;
    }
    if (!d->resumed && sequencer_is_needless(&d->sequencer, s)) {
        end_step(d, STEP_END_LEFT_OUT);
        return ACT_END_STEP;
    }
    return open_step(d, s);
}

static enum act take_reading(struct decider *d, const struct event *e)
{
    if (d->act != ACT_WAIT && d->act != ACT_READ) {
        return trip_because(d, GUARD_INSTRUMENT_DISOBEYED); /* nobody asked for one */
    }
    struct guard_verdict v = judge(d, e);
    if (v.reason != GUARD_FINE) {
        return trip(d, v);
    }
    if (e->sample == NULL || !is_whole(e->sample)) {
        return d->act;
    }
    if (d->act == ACT_READ) {
        return before_output(d, e->sample);
    }
    return follow_sequencer(d, e->sample);
}

static enum act step_begun(struct decider *d, double now_s)
{
    d->resumed = false;
    sequencer_step_begun(&d->sequencer, now_s);
    guard_step_begun(&d->memory, now_s);
    return sequencer_wants_output(&d->sequencer) ? ACT_READ : ACT_WAIT;
}

/* Commands take time, and trust goes on running out meanwhile. */
static enum act if_still_fine(struct decider *d, const struct event *e, enum act act)
{
    const struct event no_reading = {.now_s = e->now_s};
    struct guard_verdict v = judge(d, &no_reading);
    return v.reason == GUARD_FINE ? act : trip(d, v);
}

static enum act take_done(struct decider *d, const struct event *e)
{
    switch (d->act) {
    case ACT_BEGIN_STEP:
        return step_begun(d, e->now_s);
    case ACT_SET:
        return if_still_fine(d, e, ACT_ARM);
    case ACT_ARM:
        return if_still_fine(d, e, ACT_ON);
    case ACT_ON:
        d->switched_s = e->now_s;
        /* fall through */
    case ACT_CHANGE:
        d->changed_s = e->now_s;
        sequencer_changed(&d->sequencer, e->now_s);
        return if_still_fine(d, e, ACT_WAIT);
    case ACT_OFF:
        d->switched_s = d->output_on ? e->now_s : d->switched_s;
        d->output_on = false;
        return ACT_END_STEP;
    case ACT_END_STEP:
        return d->sequencer.step < d->sequencer.count ? ACT_BEGIN_STEP : finish(d, RUN_COMPLETED);
    case ACT_WAIT:
    case ACT_READ:
    case ACT_FINISH:
        break;
    }
    return d->act;
}

static enum act next(struct decider *d, const struct event *e)
{
    switch (e->kind) {
    case EVENT_SAMPLE:
    case EVENT_NO_SAMPLE:
        return take_reading(d, e);
    case EVENT_DONE:
        return take_done(d, e);
    case EVENT_REFUSED:
        return trip_because(d, d->act == ACT_ARM ? GUARD_KEEPER_LOST : GUARD_INSTRUMENT_DISOBEYED);
    case EVENT_KEEPER_LOST:
        return trip_because(d, GUARD_KEEPER_LOST);
    case EVENT_NOT_RECORDED:
        return trip_because(d, GUARD_CANNOT_RECORD);
    case EVENT_INSTRUMENT_LOST:
        return trip_because(d, GUARD_INSTRUMENT_LOST);
    case EVENT_CONFIRM:
        if (!decide_holds(d)) {
            return d->act;
        }
        end_step(d, STEP_END_CONFIRMED);
        return ACT_OFF;
    case EVENT_STOP:
        break;
    }
    return finish(d, RUN_STOPPED);
}

enum act decide_take(struct decider *d, const struct event *e)
{
    if (d->act != ACT_FINISH) {
        d->act = next(d, e);
    }
    return d->act;
}
