/* SPDX-License-Identifier: GPL-3.0-or-later
 * Explores all orders of events through the real run/decide, guard and
 * sequencer, and holds every state against the first rule of the house: an
 * output is on only while a run is in that step, the last valid sample is
 * younger than the trust time, the guard is content, the keeper is armed and
 * samples are recorded. The rule is restated here from what the world did, and
 * trusts nothing the decider says of itself but the act it asks for.
 *
 * That the exploration can fail is shown by breaking one rule at a time. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "run/decide.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TRUST_S 3.0
#define DEPTH_MAX 400
#define TABLE_SIZE (1u << 22)

/* Three short plans that have every kind of step and every kind of change in them. */
static struct plan_step evening[] = {
    {.kind = STEP_DISCHARGE, .name = "first", .current_A = -10, .until_V = 10, .max_s = 8},
    {.kind = STEP_REST, .name = "rest", .until_V = NAN, .max_s = 1},
    {.kind = STEP_DISCHARGE, .name = "second", .current_A = -5, .until_V = 10, .max_s = 2},
};

static struct plan_step night[] = {
    {.kind = STEP_HOLD, .name = "connect", .until_V = NAN, .max_s = 2},
    {.kind = STEP_CHARGE,
     .name = "pre-charge",
     .current_A = 1,
     .charge_V = 12,
     .until_V = 12,
     .max_s = 3,
     .max_s_is_fault = true},
    {.kind = STEP_CHARGE,
     .name = "charge",
     .current_A = 10,
     .charge_V = 14,
     .until_V = NAN,
     .max_s = 12,
     .max_s_is_fault = true},
    {.kind = STEP_DISCHARGE, .name = "discharge", .current_A = -5, .until_V = 10, .max_s = 2},
};

static struct plan_segment down[] = {{-2, 2, 1}, {-10, 1, 1}, {0, 1, 1}};
static struct plan_segment up[] = {{2, 1, 1}, {10, 1, 1}};
static struct plan_step rounds[] = {
    {.kind = STEP_PULSE,
     .name = "down",
     .current_A = -10,
     .until_V = 10,
     .max_s = 30,
     .segments = down,
     .segment_count = 3},
    {.kind = STEP_PULSE,
     .name = "up",
     .current_A = 10,
     .charge_V = 14,
     .until_V = 14,
     .max_s = 30,
     .segments = up,
     .segment_count = 2},
    {.kind = STEP_REPEAT,
     .name = "twice",
     .repeat = {.back_to = 0, .times = 2, .of_step = SIZE_MAX, .until_cutoff = true}},
    {.kind = STEP_REST, .name = "rest", .until_V = NAN, .max_s = 1},
};

static struct scene {
    const char *name;
    struct plan_step *steps;
    size_t count;
    double longest_s; /* older than that, a step is as one that old */
} scenes[] = {
    {"evening", evening, 3, 9},
    {"night", night, 4, 13},
    {"rounds", rounds, 4, 9},
};
#define SCENES (sizeof scenes / sizeof scenes[0])
static const struct scene *scene;
static struct plan_step *steps; /* of the scene */

static void set_scene(size_t number)
{
    scene = &scenes[number];
    steps = scene->steps;
}

static struct guard_limits limits_of_all(void)
{
    struct guard_limits l = guard_limits_none();
    l.voltage_min_V = 8.8;
    l.voltage_max_V = 14.8;
    l.current_max_A = 12;
    l.temperature_max_C = 45;
    l.temperature_required = true;
    l.regulation_percent = 5;
    l.off_current_A = 0.02;
    l.disagreement_V = 0.1;
    l.trust_s = TRUST_S;
    return l;
}

static struct plan plan_of(const struct scene *sc)
{
    struct plan p = {.steps = sc->steps, .step_count = sc->count, .limits = limits_of_all()};
    for (size_t i = 0; i < p.step_count; i++) {
        struct plan_step *step = &sc->steps[i];
        step->drive = step->current_A != 0 ? DRIVE_CURRENT : DRIVE_OFF;
        step->max_Ah = step->until_drop_V = step->until_C_per_min = step->until_V_per_h = NAN;
        step->skip_above_V = step->until_A = NAN;
        step->sample_s = 1;
        step->limits = p.limits;
        step->repeat.until_below_Ah = step->repeat.until_from_Ah = step->repeat.until_agree = NAN;
    }
    night[1].skip_above_V = 12;
    night[2].until_A = 1;
    return p;
}

/* --- what can happen --- */

#define HAPPENINGS(X)                                                                              \
    X(GOOD, "good sample")                                                                         \
    X(NEAR_BOTTOM, "good sample near the bottom")                                                  \
    X(BELOW_CUTOFF, "sample below the cut-off")                                                    \
    X(LOW_VOLTAGE, "voltage below its limit")                                                      \
    X(HOT, "temperature above its limit")                                                          \
    X(APART, "meter and instrument in use 3 V apart")                                              \
    X(WEAK, "half the current that was set")                                                       \
    X(STRONG, "a tenth more current than was set")                                                 \
    X(TAPERED, "held voltage, little current")                                                     \
    X(OVERSHOT, "voltage above what is to be held, below its limit")                               \
    X(GONE, "no voltage, no current")                                                              \
    X(REVERSED, "negative voltage")                                                                \
    X(NO_THERMOMETER, "sample without temperature")                                                \
    X(HALF, "sample without current")                                                              \
    X(LATE, "good sample that was 2.5 s under way")                                                \
    X(MISSING, "no reading")                                                                       \
    X(SILENCE, "no reading until trust is over")                                                   \
    X(OTHER_ON, "good sample, but the other output says it is on")                                 \
    X(DONE, "done")                                                                                \
    X(DONE_SLOWLY, "done after 1.2 s")                                                             \
    X(REFUSED, "refused, or not confirmed")                                                        \
    X(KEEPER_LOST, "keeper silent")                                                                \
    X(NOT_RECORDED, "not recorded")                                                                \
    X(LOST, "instrument lost")                                                                     \
    X(CONFIRM, "confirmed by a person")                                                            \
    X(STOP, "stop order")

enum happening {
#define X(name, text) name,
    HAPPENINGS(X)
#undef X
        HAPPENING_COUNT
};
static const char *const happening_text[] = {
#define X(name, text) text,
    HAPPENINGS(X)
#undef X
};

typedef enum act take_fn(struct decider *d, const struct event *e);

/* --- the world as it is, whatever the decider believes --- */

struct world {
    struct decider d;
    double now_s;
    bool on;        /* the last command to the output was on, or may have been */
    size_t on_step; /* during which step it was sent, and which of them in a row */
    size_t on_occurrence;
    double on_s;    /* when */
    double set_A;   /* what was programmed last */
    double open_V;  /* seen last before the output went on */
    bool obeyed;    /* nothing that was to be programmed was refused */
    bool other_off; /* the other output was confirmed off in this step */
    bool armed;     /* the keeper confirmed, lives, and was not released */
    bool recorded;  /* all that was to be recorded was */
    bool stopped;   /* a person said stop */
    double valid_s; /* when the last whole sample was taken */
    double warm_s;  /* when the last temperature was taken */
    bool content;   /* nothing forbidden was in the last sample */
    double apart_s; /* since when two voltages disagree; NAN */
    double weak_s;  /* since when the current is not what was set; NAN */
    bool other_on;
};

struct exploration {
    take_fn *take;
    bool to_the_first; /* violation, and no further */
    size_t states, transitions, deepest, violations;
    bool complete; /* no branch was cut for its depth */
    bool act_seen[ACT_FINISH + 1], outcome_seen[RUN_INTERRUPTED + 1];
    bool reason_seen[GUARD_REASON_COUNT], end_seen[STEP_END_COUNT];
    enum happening path[DEPTH_MAX];
    char first[2048]; /* the first violation and the way to it */
    struct {
        uint64_t key;
        size_t left;
    } * table;
};

static bool takes_reading(enum act a)
{
    return a == ACT_WAIT || a == ACT_READ;
}

static bool can_happen(enum act a, enum happening h)
{
    switch (h) {
    case DONE:
    case DONE_SLOWLY:
        return !takes_reading(a);
    case REFUSED:
        return a == ACT_SET || a == ACT_ARM || a == ACT_ON || a == ACT_CHANGE || a == ACT_OFF;
    case NOT_RECORDED:
        return takes_reading(a) || a == ACT_BEGIN_STEP || a == ACT_END_STEP;
    case STOP:
    case CONFIRM:
        return a != ACT_OFF; /* switching off is never cut short */
    case LOST:
    case KEEPER_LOST:
    case GOOD:
    case NEAR_BOTTOM:
    case BELOW_CUTOFF:
    case LOW_VOLTAGE:
    case HOT:
    case APART:
    case WEAK:
    case STRONG:
    case TAPERED:
    case OVERSHOT:
    case GONE:
    case REVERSED:
    case NO_THERMOMETER:
    case HALF:
    case LATE:
    case MISSING:
    case SILENCE:
    case OTHER_ON:
        return takes_reading(a);
    case HAPPENING_COUNT:
        break;
    }
    return false;
}

/* Restated: whatever puts current in. */
static bool is_supply(size_t step)
{
    return steps[step].current_A > 0;
}

static struct sample sample_of(const struct world *w, enum happening h)
{
    double set_A = w->on ? w->set_A : 0;
    struct sample s = {w->now_s, 13, set_A, 23};
    switch ((int)h) {
    case NEAR_BOTTOM:
        s.voltage_V = 11;
        break;
    case BELOW_CUTOFF:
        s.voltage_V = 9.5;
        break;
    case LOW_VOLTAGE:
        s.voltage_V = 7;
        break;
    case HOT:
        s.temperature_C = 61;
        break;
    case WEAK:
        s.current_A = 0.4 * set_A;
        break;
    case STRONG:
        s.current_A = 1.1 * set_A;
        break;
    case TAPERED:
        s.voltage_V = w->on && is_supply(w->on_step) ? steps[w->on_step].charge_V : 13;
        s.current_A = 0.05 * set_A;
        break;
    case OVERSHOT:
        s.voltage_V = 14.3;
        break;
    case GONE:
        s.voltage_V = 0;
        s.current_A = 0;
        break;
    case REVERSED:
        s.voltage_V = -13;
        break;
    case NO_THERMOMETER:
        s.temperature_C = NAN;
        break;
    case HALF:
        s.current_A = NAN;
        break;
    case LATE:
        s.t_s = w->now_s - 2.5;
        break;
    default:
        break;
    }
    return s;
}

/* A load flows what was set; a supply no more than that. */
static bool is_away(const struct world *w, const struct sample *s)
{
    double off_A =
        w->on && is_supply(w->on_step) ? s->current_A - w->set_A : fabs(s->current_A - w->set_A);
    return w->on && off_A > fmax(0.05, 0.05 * fabs(w->set_A)) + 1e-9;
}

/* Without its current a voltage is no reading of the battery's. */
static bool overshoots(const struct world *w, const struct sample *s)
{
    return w->on && is_supply(w->on_step) && isfinite(s->current_A) &&
           s->voltage_V > 1.01 * fmax(steps[w->on_step].charge_V, w->open_V) + 1e-9;
}

static void notice(struct world *w, enum happening h, const struct sample *s)
{
    w->other_on = h == OTHER_ON;
    w->content = h != LOW_VOLTAGE && h != HOT && h != REVERSED && h != GONE && h != OTHER_ON &&
                 !overshoots(w, s);
    if (isfinite(s->voltage_V) && isfinite(s->current_A)) {
        w->valid_s = s->t_s;
        bool apart = h == APART && w->on && fabs(s->current_A) > 0; /* under load only */
        w->apart_s = !apart ? (double)NAN : isnan(w->apart_s) ? w->now_s : w->apart_s;
        w->weak_s = !is_away(w, s) ? (double)NAN : isnan(w->weak_s) ? w->now_s : w->weak_s;
        w->open_V = w->on ? w->open_V : s->voltage_V;
    }
    if (isfinite(s->temperature_C)) {
        w->warm_s = s->t_s;
    }
}

/* What the outputs say of themselves: the one in use says on. */
static void read_states(const struct world *w, struct event *e)
{
    bool supply = w->d.sequencer.step < scene->count && is_supply(w->d.sequencer.step);
    enum guard_output own = w->on ? OUTPUT_READ_ON : OUTPUT_READ_OFF;
    enum guard_output other = w->other_on ? OUTPUT_READ_ON : OUTPUT_READ_OFF;
    e->load = supply ? other : own;
    e->supply = supply ? own : other;
}

/* A reading takes its time; waiting for one takes a period. */
static void happen_reading(struct world *w, enum happening h, take_fn *take)
{
    struct event e = {.kind = EVENT_NO_SAMPLE};
    struct sample s;
    /* A confirmation comes in between, and the reading that is due comes later. */
    w->now_s += h == CONFIRM ? 0 : w->d.act == ACT_WAIT ? 1.0 : 0.5;
    w->now_s += h == LATE ? 2.5 : 0;
    w->now_s = h == SILENCE ? fmax(w->now_s, w->valid_s + TRUST_S + 0.001) : w->now_s;
    e.now_s = w->now_s;
    if (h == LOST || h == KEEPER_LOST || h == NOT_RECORDED || h == STOP || h == CONFIRM) {
        e.kind = h == CONFIRM       ? EVENT_CONFIRM
                 : h == LOST        ? EVENT_INSTRUMENT_LOST
                 : h == KEEPER_LOST ? EVENT_KEEPER_LOST
                 : h == STOP        ? EVENT_STOP
                                    : EVENT_NOT_RECORDED;
        w->armed = w->armed && h != KEEPER_LOST;
        w->recorded = w->recorded && h != NOT_RECORDED;
        w->content = w->content && h != LOST;
        w->stopped = w->stopped || h == STOP;
    } else if (h != MISSING && h != SILENCE) {
        s = sample_of(w, h);
        notice(w, h, &s);
        e.kind = EVENT_SAMPLE;
        e.sample = &s;
        e.has_other = true; /* 20 mOhm of leads */
        e.other_V = s.voltage_V + 0.02 * s.current_A - (h == APART ? 3 : 0);
        read_states(w, &e);
    }
    take(&w->d, &e);
}

/* What an act does to the world, done or refused: a refused "on" may be on. */
static void act_on_world(struct world *w, bool done)
{
    switch ((int)w->d.act) {
    case ACT_BEGIN_STEP:
        w->other_off = false;
        break;
    case ACT_SET:
        w->other_off = done;
        w->set_A = decide_set_point(&w->d).current_A;
        w->obeyed = done;
        break;
    case ACT_CHANGE:
        w->set_A = decide_set_point(&w->d).current_A;
        w->obeyed = done;
        break;
    case ACT_ARM:
        w->armed = done;
        break;
    case ACT_ON:
        w->on = true;
        w->on_s = w->now_s;
        w->on_step = w->d.sequencer.step;
        w->on_occurrence = w->d.sequencer.occurrence;
        break;
    case ACT_OFF:
        w->on = false;
        w->armed = false;
        w->on_s = -INFINITY;
        w->set_A = 0;
        break;
    default:
        break;
    }
    w->weak_s = w->on ? w->weak_s : (double)NAN;
    w->apart_s = w->on ? w->apart_s : (double)NAN;
}

static void happen_command(struct world *w, enum happening h, take_fn *take)
{
    bool done = h == DONE || h == DONE_SLOWLY;
    if (h != CONFIRM) { /* which comes in between */
        w->now_s += h == DONE_SLOWLY ? 1.2 : 0.01;
        act_on_world(w, done);
    }
    w->recorded = w->recorded && h != NOT_RECORDED;
    w->stopped = w->stopped || h == STOP;
    const struct event e = {
        .kind = done                ? EVENT_DONE
                : h == REFUSED      ? EVENT_REFUSED
                : h == CONFIRM      ? EVENT_CONFIRM
                : h == NOT_RECORDED ? EVENT_NOT_RECORDED
                                    : EVENT_STOP,
        .now_s = w->now_s,
    };
    take(&w->d, &e);
}

/* --- the rule --- */

/* A longest time is seen at the first reading after it; one may come late, and those
 * that do not come are forgiven until trust is over. */
static bool is_on_too_long(const struct world *w, size_t step)
{
    return w->now_s - w->on_s > steps[step].max_s + TRUST_S + 1.0 + 2.5 + 1e-9;
}

static bool is_of_the_step(double set_A, size_t step)
{
    bool known = set_A == steps[step].current_A;
    for (size_t i = 0; i < steps[step].segment_count; i++) {
        known = known || set_A == steps[step].segments[i].current_A;
    }
    return known;
}

static const char *broken_by_output(const struct world *w, size_t step, bool stays)
{
    if (step >= scene->count || step != w->d.sequencer.step ||
        (stays && w->on_occurrence != w->d.sequencer.occurrence)) {
        return "on outside its step";
    }
    if (!(fabs(steps[step].current_A) > 0)) {
        return "on in a step without current";
    }
    if (!w->obeyed || !is_of_the_step(w->set_A, step)) {
        return "on with another set point than its step has";
    }
    if (!w->other_off) {
        return "on although the other output was not confirmed off";
    }
    if (stays && is_on_too_long(w, step)) {
        return "on for longer than its step may take";
    }
    return w->armed ? NULL : "on without a keeper";
}

static const char *broken_rule(const struct world *w)
{
    bool about_to = w->d.act == ACT_ON;
    bool stays = w->on && w->d.act != ACT_OFF && w->d.act != ACT_FINISH;
    if (!about_to && !stays) {
        return NULL;
    }
    if (w->stopped) {
        return "on after stop";
    }
    if (!(w->now_s - w->valid_s <= TRUST_S + 1e-9)) {
        return "on with an old sample, or none";
    }
    if (!(w->now_s - w->warm_s <= TRUST_S + 1e-9)) {
        return "on without a temperature";
    }
    if (!w->content || w->other_on) {
        return "on with a forbidden reading";
    }
    if (stays && w->now_s - w->weak_s > GUARD_SETTLE_S + 1e-9) {
        return "on with a current that is not what was set";
    }
    if (stays && w->now_s - w->apart_s > GUARD_SETTLE_S + 1e-9) {
        return "on with two voltages that disagree";
    }
    if (!w->recorded) {
        return "on without a record";
    }
    return broken_by_output(w, about_to ? w->d.sequencer.step : w->on_step, stays);
}

static void note_violation(struct exploration *x, const char *rule, size_t depth)
{
    if (x->violations++ > 0) {
        return;
    }
    int used = snprintf(x->first, sizeof x->first, "%s:", rule);
    for (size_t i = 0; i < depth && used > 0 && (size_t)used < sizeof x->first; i++) {
        used += snprintf(x->first + used, sizeof x->first - (size_t)used, " [%s]",
                         happening_text[x->path[i]]);
    }
}

/* Once over, over: nothing that happens later starts anything again. */
static bool stays_over(const struct world *w)
{
    const struct sample s = {w->now_s, 13, 0, 23};
    for (int kind = EVENT_SAMPLE; kind <= EVENT_STOP; kind++) {
        struct decider d = w->d;
        const struct event e = {.kind = (enum event_kind)kind,
                                .now_s = w->now_s,
                                .sample = kind == EVENT_SAMPLE ? &s : NULL};
        if (decide_take(&d, &e) != ACT_FINISH || d.outcome != w->d.outcome ||
            d.outcome == RUN_RUNNING) {
            return false;
        }
    }
    return true;
}

/* --- remembering where we were --- */

static uint64_t mix(uint64_t key, double x)
{
    int64_t n = isnan(x) ? INT64_MIN : isinf(x) ? INT64_MAX : llround(x * 1e6);
    key ^= (uint64_t)n;
    key *= UINT64_C(0x9E3779B97F4A7C15);
    return key ^ (key >> 29);
}

/* Everything that has a say in what comes: times as ages. The rate of rise needs
 * two minutes of samples and has no limit here, nor have charge, energy, time of
 * step and run; what is held of readings that stick needs 60 samples, more than
 * there are: they are left out. */
static uint64_t key_of(const struct world *w)
{
    const struct decider *d = &w->d;
    const struct guard_memory *m = &d->memory;
    const struct sequencer *q = &d->sequencer;
    const double now = w->now_s;
    const struct plan_step *step = q->step < scene->count ? &steps[q->step] : NULL;
    bool charges = step != NULL && sequencer_direction(q) == DIRECTION_SUPPLY;
    bool pulses = step != NULL && step->kind == STEP_PULSE;
    const double parts[] = {
        d->act,
        d->outcome,
        d->verdict.reason,
        (double)q->step,
        fmin(now - q->step_start_s, scene->longest_s), /* longer than any step: all the same */
        (double)q->segment,
        pulses ? fmin(now - q->segment_start_s, scene->longest_s) : 0,
        q->group_count > 0 ? q->group[0].round : 0,
        q->group_count > 0 && q->group[0].cutoff,
        charges ? fmin(now - q->taper_since_s, TAPER_HOLD_S) : 0,
        charges ? fmin((double)q->taper_samples, TAPER_SAMPLES) : 0,
        charges ? (double)q->until_V_samples : 0,
        charges ? q->open_V : 0,
        charges ? q->held_V : 0,
        d->ended,
        q->has_last,
        q->loaded_V,
        m->opened,
        m->loaded_V,
        now - m->reading_s,
        now - m->temperature_s,
        now - m->away_since_s,
        now - m->leak_since_s,
        now - m->apart_since_s,
        m->seen_lead_ohm,
        d->output_on,
        d->resumed,
        /* older than settling is all the same */
        fmin(now - d->switched_s, 2 * GUARD_SETTLE_S),
        w->on,
        w->on ? (double)w->on_step : 0,
        w->armed,
        w->recorded,
        w->stopped,
        fmin(now - w->valid_s, 2 * TRUST_S),
        fmin(now - w->warm_s, 2 * TRUST_S),
        w->content,
        now - w->weak_s,
        now - w->apart_s,
        w->other_on,
        w->on ? w->set_A : 0,
        charges ? w->open_V : 0,
        w->obeyed,
        w->other_off,
        w->on ? fmin(now - w->on_s, scene->longest_s + 7) : 0,
    };
    uint64_t key = 1;
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        key = mix(key, parts[i]);
    }
    return key == 0 ? 1 : key;
}

/* True when this state was already explored at least that deep. */
static bool known(struct exploration *x, uint64_t key, size_t left)
{
    size_t i = key & (TABLE_SIZE - 1);
    while (x->table[i].key != 0 && x->table[i].key != key) {
        i = (i + 1) & (TABLE_SIZE - 1);
    }
    if (x->table[i].key == 0) {
        x->states++;
        assert_true(x->states < TABLE_SIZE / 2);
    } else if (x->table[i].left >= left) {
        return true;
    }
    x->table[i].key = key;
    x->table[i].left = left;
    return false;
}

/* What only a supply can do, and what says nothing new of a load. */
static bool matters(const struct world *w, enum happening h)
{
    bool supply = w->d.sequencer.step < scene->count && is_supply(w->d.sequencer.step);
    return supply || (h != TAPERED && h != OVERSHOT);
}

static void explore(struct exploration *x, const struct world *from, size_t depth)
{
    if ((x->to_the_first && x->violations > 0) || known(x, key_of(from), DEPTH_MAX - depth)) {
        return;
    }
    x->deepest = depth > x->deepest ? depth : x->deepest;
    x->act_seen[from->d.act] = true;
    x->outcome_seen[from->d.outcome] = true;
    x->reason_seen[from->d.verdict.reason] = true;
    x->end_seen[from->d.ended] = true;
    const char *rule = broken_rule(from);
    if (rule != NULL) {
        note_violation(x, rule, depth);
        return;
    }
    if (from->d.act == ACT_FINISH) {
        if (!stays_over(from)) {
            note_violation(x, "started again after the end", depth);
        }
        return;
    }
    if (depth == DEPTH_MAX) {
        x->complete = false;
        return;
    }
    for (int h = 0; h < HAPPENING_COUNT; h++) {
        if (!can_happen(from->d.act, (enum happening)h) || !matters(from, (enum happening)h)) {
            continue;
        }
        struct world w = *from;
        x->path[depth] = (enum happening)h;
        x->transitions++;
        if (takes_reading(w.d.act)) {
            happen_reading(&w, (enum happening)h, x->take);
        } else {
            happen_command(&w, (enum happening)h, x->take);
        }
        explore(x, &w, depth + 1);
    }
}

/* at NULL: from the beginning; else a run that was interrupted goes on there. */
static struct exploration explore_from(const struct decide_resume *at, take_fn *take,
                                       bool to_the_first)
{
    struct plan plan = plan_of(scene);
    struct world w = {.recorded = true,
                      .obeyed = true,
                      .open_V = NAN,
                      .on_s = -INFINITY,
                      .valid_s = -INFINITY,
                      .warm_s = -INFINITY,
                      .content = true,
                      .weak_s = NAN,
                      .apart_s = NAN};
    const struct decide_start from = {.plan = &plan};
    struct exploration x = {.take = take, .to_the_first = to_the_first, .complete = true};
    x.table = calloc(TABLE_SIZE, sizeof *x.table);
    assert_non_null(x.table);
    if (at == NULL) {
        decide_start(&w.d, &from);
    } else {
        assert_true(decide_resume(&w.d, &from, at));
    }
    explore(&x, &w, 0);
    free(x.table);
    x.table = NULL;
    return x;
}

static struct exploration explore_with(size_t number, take_fn *take, bool to_the_first)
{
    set_scene(number);
    return explore_from(NULL, take, to_the_first);
}

/* --- the tests --- */

static void no_order_of_events_breaks_the_rule(void **state)
{
    (void)state;
    bool act_seen[ACT_FINISH + 1] = {false}, outcome_seen[RUN_INTERRUPTED + 1] = {false};
    bool reason_seen[GUARD_REASON_COUNT] = {false}, end_seen[STEP_END_COUNT] = {false};
    for (size_t i = 0; i < SCENES; i++) {
        struct exploration x = explore_with(i, decide_take, false);
        print_message("%s: %zu states, %zu transitions, deepest %zu events, %s\n", scenes[i].name,
                      x.states, x.transitions, x.deepest,
                      x.complete ? "no state left out" : "cut at that depth");
        if (x.violations != 0) {
            fail_msg("%zu violations; the first: %s", x.violations, x.first);
        }
        assert_true(x.complete && x.deepest >= 20 && x.states > 1000);
        assert_true(x.outcome_seen[RUN_COMPLETED] && x.outcome_seen[RUN_STOPPED] &&
                    x.outcome_seen[RUN_TRIPPED]);
        for (int k = 0; k <= ACT_FINISH; k++) {
            act_seen[k] = act_seen[k] || x.act_seen[k];
        }
        for (int k = 0; k <= RUN_INTERRUPTED; k++) {
            outcome_seen[k] = outcome_seen[k] || x.outcome_seen[k];
        }
        for (int k = 0; k < GUARD_REASON_COUNT; k++) {
            reason_seen[k] = reason_seen[k] || x.reason_seen[k];
        }
        for (int k = 0; k < STEP_END_COUNT; k++) {
            end_seen[k] = end_seen[k] || x.end_seen[k];
        }
    }
    /* It went everywhere. */
    for (int a = 0; a <= ACT_FINISH; a++) {
        assert_true(act_seen[a]);
    }
    assert_true(outcome_seen[RUN_ABORTED]);
    const enum guard_reason reasons[] = {
        GUARD_VOLTAGE_LOW,       GUARD_TEMPERATURE_HIGH,
        GUARD_TEMPERATURE_LOST,  GUARD_READING_LOST,
        GUARD_OPENED_EARLY,      GUARD_POLARITY_REVERSED,
        GUARD_BOTH_ON,           GUARD_INSTRUMENT_LOST,
        GUARD_CANNOT_RECORD,     GUARD_INSTRUMENT_DISOBEYED,
        GUARD_KEEPER_LOST,       GUARD_VOLTAGE_HIGH,
        GUARD_REGULATION,        GUARD_OVERDUE_TIME,
        GUARD_VOLTAGE_DISAGREES,
    };
    for (size_t i = 0; i < sizeof reasons / sizeof reasons[0]; i++) {
        assert_true(reason_seen[reasons[i]]);
    }
    const enum step_end ends[] = {
        STEP_END_CUTOFF,   STEP_END_PROTECTION,  STEP_END_TIME,     STEP_END_DURATION,
        STEP_END_TAPER,    STEP_END_VOLTAGE,     STEP_END_SEGMENTS, STEP_END_CONFIRMED,
        STEP_END_LEFT_OUT, STEP_END_UNCONFIRMED,
    };
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        assert_true(end_seen[ends[i]]);
    }
}

/* One rule broken at a time; each must be found. */

static enum act forgets_ages(struct decider *d, const struct event *e)
{
    return e->kind == EVENT_NO_SAMPLE ? d->act : decide_take(d, e);
}

static enum act forgets_heat(struct decider *d, const struct event *e)
{
    struct event cool = *e;
    struct sample s;
    if (e->sample != NULL) {
        s = *e->sample;
        s.temperature_C = fmin(s.temperature_C, 30);
        cool.sample = &s;
    }
    return decide_take(d, &cool);
}

static enum act forgets_the_set_point(struct decider *d, const struct event *e)
{
    d->memory.away_since_s = NAN;
    return decide_take(d, e);
}

static enum act forgets_the_other_voltage(struct decider *d, const struct event *e)
{
    struct event one = *e;
    one.has_other = false;
    return decide_take(d, &one);
}

static enum act forgets_a_lost_thermometer(struct decider *d, const struct event *e)
{
    d->memory.temperature_s = e->now_s;
    return decide_take(d, e);
}

static enum act forgets_to_stop(struct decider *d, const struct event *e)
{
    return e->kind == EVENT_STOP ? d->act : decide_take(d, e);
}

static enum act forgets_to_record(struct decider *d, const struct event *e)
{
    return e->kind == EVENT_NOT_RECORDED && d->act == ACT_WAIT ? d->act : decide_take(d, e);
}

static enum act forgets_the_keeper(struct decider *d, const struct event *e)
{
    if (decide_take(d, e) == ACT_ARM) {
        d->act = ACT_ON;
    }
    return d->act;
}

static enum act forgets_that_the_keeper_died(struct decider *d, const struct event *e)
{
    return e->kind == EVENT_KEEPER_LOST ? d->act : decide_take(d, e);
}

static enum act takes_no_from_the_keeper_for_yes(struct decider *d, const struct event *e)
{
    struct event yes = *e;
    yes.kind = e->kind == EVENT_REFUSED && d->act == ACT_ARM ? EVENT_DONE : e->kind;
    return decide_take(d, &yes);
}

static enum act forgets_the_sample_before(struct decider *d, const struct event *e)
{
    if (decide_take(d, e) == ACT_READ) {
        d->output_on = true;
        d->act = ACT_SET;
    }
    return d->act;
}

static enum act forgets_to_switch_off(struct decider *d, const struct event *e)
{
    if (decide_take(d, e) == ACT_OFF) {
        d->output_on = false;
        d->act = ACT_END_STEP;
    }
    return d->act;
}

static enum act forgets_the_other_output(struct decider *d, const struct event *e)
{
    struct event blind = *e;
    blind.supply = blind.load = OUTPUT_UNKNOWN;
    return decide_take(d, &blind);
}

static enum act starts_again_after_a_trip(struct decider *d, const struct event *e)
{
    if (decide_take(d, e) == ACT_FINISH && d->outcome == RUN_TRIPPED &&
        d->verdict.reason == GUARD_TEMPERATURE_HIGH) {
        d->outcome = RUN_RUNNING;
        d->act = ACT_WAIT;
    }
    return d->act;
}

static enum act takes_any_confirmation_for_done(struct decider *d, const struct event *e)
{
    struct event done = *e;
    done.kind = e->kind == EVENT_CONFIRM && d->act == ACT_ARM ? EVENT_DONE : e->kind;
    return decide_take(d, &done);
}

static enum act takes_no_to_a_change_for_yes(struct decider *d, const struct event *e)
{
    struct event yes = *e;
    yes.kind = e->kind == EVENT_REFUSED && d->act == ACT_CHANGE ? EVENT_DONE : e->kind;
    return decide_take(d, &yes);
}

static enum act forgets_to_look_after_a_change(struct decider *d, const struct event *e)
{
    bool changed = d->act == ACT_CHANGE && e->kind == EVENT_DONE;
    decide_take(d, e);
    if (changed && d->act == ACT_FINISH) {
        d->outcome = RUN_RUNNING;
        d->act = ACT_WAIT;
    }
    return d->act;
}

static enum act forgets_the_overshoot(struct decider *d, const struct event *e)
{
    d->sequencer.open_V = NAN;
    return decide_take(d, e);
}

static enum act forgets_to_set(struct decider *d, const struct event *e)
{
    if (decide_take(d, e) == ACT_SET) {
        d->act = ACT_ARM;
    }
    return d->act;
}

static enum act goes_on_after_its_time(struct decider *d, const struct event *e)
{
    struct decider before = *d;
    if (decide_take(d, e) == ACT_FINISH && d->verdict.reason == GUARD_OVERDUE_TIME) {
        *d = before;
    }
    return d->act;
}

static enum act takes_the_hold_for_a_charge(struct decider *d, const struct event *e)
{
    if (decide_take(d, e) == ACT_FINISH && d->outcome == RUN_ABORTED) {
        d->outcome = RUN_RUNNING; /* nobody confirmed: on with it all the same */
        d->sequencer.step = 0;
        d->output_on = true;
        d->act = ACT_ON;
    }
    return d->act;
}

static void is_fine_resumed(const char *name, const struct decide_resume *at)
{
    struct exploration x = explore_from(at, decide_take, false);
    print_message("resumed in %s: %zu states, deepest %zu events\n", name, x.states, x.deepest);
    if (x.violations != 0) {
        fail_msg("%zu violations; the first: %s", x.violations, x.first);
    }
    assert_true(x.complete && x.states > 500 && x.outcome_seen[RUN_COMPLETED]);
}

static void nor_after_an_interruption(void **state)
{
    (void)state;
    const struct decide_past past[] = {{0, 0, STEP_END_CUTOFF}, {1, 0, STEP_END_DURATION}};
    set_scene(0);
    for (size_t step = 0; step < scene->count; step++) {
        const struct decide_resume at = {
            .step = step, .past = past, .past_count = step, .step_start_s = -1};
        is_fine_resumed(steps[step].name, &at);
        struct exploration x = explore_from(&at, forgets_the_keeper, true);
        assert_true(x.violations > 0);
    }
    const struct decide_past charged[] = {
        {0, 0, STEP_END_CONFIRMED}, {1, 0, STEP_END_LEFT_OUT}, {2, 0, STEP_END_TAPER}};
    set_scene(1);
    const struct decide_resume discharge = {.step = 3, .past = charged, .past_count = 3};
    is_fine_resumed("the night's discharge", &discharge);
}

/* What was carried out is gone through again, and must be what the plan has. */
static void rounds_are_known_after_an_interruption(void **state)
{
    (void)state;
    set_scene(2);
    const struct plan plan = plan_of(scene);
    const struct decide_start from = {.plan = &plan};
    const struct decide_past past[] = {
        {0, 1, STEP_END_SEGMENTS}, {1, 0, STEP_END_SEGMENTS}, {0, 1, STEP_END_SEGMENTS}};
    struct decider d;
    struct decide_resume at = {.step = 1, .past = past, .past_count = 3};
    unsigned round = 0, of = 0;
    assert_true(decide_resume(&d, &from, &at));
    sequencer_round(&d.sequencer, &round, &of);
    assert_true(round == 2 && of == 2 && d.sequencer.occurrence == 3);
    at.step = 0;
    assert_false(decide_resume(&d, &from, &at));
    at.past_count = 2;
    assert_true(decide_resume(&d, &from, &at));
    const struct decide_past cut[] = {{0, 1, STEP_END_CUTOFF}, {1, 0, STEP_END_SEGMENTS}};
    at.past = cut;
    assert_false(decide_resume(&d, &from, &at)); /* the rounds ended by that */
    at.step = 3;
    assert_true(decide_resume(&d, &from, &at));
}

static void every_broken_rule_is_found(void **state)
{
    (void)state;
    enum { EVENING, NIGHT, ROUNDS };
    const struct {
        const char *name;
        size_t scene;
        take_fn *take;
    } broken[] = {
        {"ages", EVENING, forgets_ages},
        {"ages, charging", NIGHT, forgets_ages},
        {"heat", EVENING, forgets_heat},
        {"heat, charging", NIGHT, forgets_heat},
        {"set point", EVENING, forgets_the_set_point},
        {"set point, charging", NIGHT, forgets_the_set_point},
        {"other voltage", EVENING, forgets_the_other_voltage},
        {"other voltage, charging", NIGHT, forgets_the_other_voltage},
        {"thermometer", EVENING, forgets_a_lost_thermometer},
        {"stop", EVENING, forgets_to_stop},
        {"record", EVENING, forgets_to_record},
        {"keeper", EVENING, forgets_the_keeper},
        {"keeper's death", EVENING, forgets_that_the_keeper_died},
        {"keeper's no", EVENING, takes_no_from_the_keeper_for_yes},
        {"sample before on", EVENING, forgets_the_sample_before},
        {"off between steps", EVENING, forgets_to_switch_off},
        {"off between rounds", ROUNDS, forgets_to_switch_off},
        {"other output", EVENING, forgets_the_other_output},
        {"other output, charging", NIGHT, forgets_the_other_output},
        {"latch", EVENING, starts_again_after_a_trip},
        {"confirmation", NIGHT, takes_any_confirmation_for_done},
        {"no to a change", ROUNDS, takes_no_to_a_change_for_yes},
        {"look after a change", ROUNDS, forgets_to_look_after_a_change},
        {"overshoot", NIGHT, forgets_the_overshoot},
        {"setting, other off", NIGHT, forgets_to_set},
        {"longest time", NIGHT, goes_on_after_its_time},
        {"hold", NIGHT, takes_the_hold_for_a_charge},
    };
    for (size_t i = 0; i < sizeof broken / sizeof broken[0]; i++) {
        struct exploration x = explore_with(broken[i].scene, broken[i].take, true);
        print_message("broken %s: %s\n", broken[i].name, x.first);
        assert_true(x.violations > 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_order_of_events_breaks_the_rule),
        cmocka_unit_test(nor_after_an_interruption),
        cmocka_unit_test(rounds_are_known_after_an_interruption),
        cmocka_unit_test(every_broken_rule_is_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
