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

/* A short evening that still has every kind of change in it. */
static struct plan_step steps[] = {
    {.kind = STEP_DISCHARGE, .name = "first", .current_A = -10, .until_V = 10, .max_s = 8},
    {.kind = STEP_REST, .name = "rest", .until_V = NAN, .max_s = 1},
    {.kind = STEP_DISCHARGE, .name = "second", .current_A = -5, .until_V = 10, .max_s = 2},
};

static struct plan plan_of_an_evening(void)
{
    struct plan p = {.steps = steps, .step_count = sizeof steps / sizeof steps[0]};
    for (size_t i = 0; i < p.step_count; i++) {
        steps[i].max_Ah = NAN;
        steps[i].sample_s = 1;
    }
    p.limits = guard_limits_none();
    p.limits.voltage_min_V = 8.8;
    p.limits.voltage_max_V = 14.8;
    p.limits.current_max_A = 12;
    p.limits.temperature_max_C = 45;
    p.limits.temperature_required = true;
    p.limits.regulation_percent = 5;
    p.limits.off_current_A = 0.02;
    p.limits.disagreement_V = 0.1;
    p.limits.trust_s = TRUST_S;
    return p;
}

/* --- what can happen --- */

#define HAPPENINGS(X)                                                                              \
    X(GOOD, "good sample")                                                                         \
    X(NEAR_BOTTOM, "good sample near the bottom")                                                  \
    X(BELOW_CUTOFF, "sample below the cut-off")                                                    \
    X(LOW_VOLTAGE, "voltage below its limit")                                                      \
    X(HOT, "temperature above its limit")                                                          \
    X(APART, "meter and load 3 V apart")                                                           \
    X(WEAK, "half the current that was set")                                                       \
    X(GONE, "no voltage, no current")                                                              \
    X(REVERSED, "negative voltage")                                                                \
    X(NO_THERMOMETER, "sample without temperature")                                                \
    X(HALF, "sample without current")                                                              \
    X(LATE, "good sample that was 2.5 s under way")                                                \
    X(MISSING, "no reading")                                                                       \
    X(SILENCE, "no reading until trust is over")                                                   \
    X(SUPPLY_ON, "good sample, but the supply says it is on")                                      \
    X(DONE, "done")                                                                                \
    X(DONE_SLOWLY, "done after 1.2 s")                                                             \
    X(REFUSED, "refused, or not confirmed")                                                        \
    X(KEEPER_LOST, "keeper silent")                                                                \
    X(NOT_RECORDED, "not recorded")                                                                \
    X(LOST, "instrument lost")                                                                     \
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
    size_t on_step; /* during which step it was sent */
    bool armed;     /* the keeper confirmed, lives, and was not released */
    bool recorded;  /* all that was to be recorded was */
    bool stopped;   /* a person said stop */
    double valid_s; /* when the last whole sample was taken */
    double warm_s;  /* when the last temperature was taken */
    bool content;   /* nothing forbidden was in the last sample */
    double apart_s; /* since when two voltages disagree; NAN */
    double weak_s;  /* since when the current is not what was set; NAN */
    bool supply_on;
};

struct exploration {
    take_fn *take;
    bool to_the_first; /* violation, and no further */
    size_t states, transitions, deepest, violations;
    bool complete; /* no branch was cut for its depth */
    bool act_seen[ACT_FINISH + 1], outcome_seen[RUN_INTERRUPTED + 1];
    bool reason_seen[GUARD_REASON_COUNT];
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
        return a == ACT_SET || a == ACT_ARM || a == ACT_ON || a == ACT_OFF;
    case NOT_RECORDED:
        return takes_reading(a) || a == ACT_BEGIN_STEP || a == ACT_END_STEP;
    case STOP:
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
    case GONE:
    case REVERSED:
    case NO_THERMOMETER:
    case HALF:
    case LATE:
    case MISSING:
    case SILENCE:
    case SUPPLY_ON:
        return takes_reading(a);
    case HAPPENING_COUNT:
        break;
    }
    return false;
}

static struct sample sample_of(const struct world *w, enum happening h)
{
    double set_A = w->on ? steps[w->on_step].current_A : 0;
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

static void notice(struct world *w, enum happening h, const struct sample *s)
{
    w->supply_on = h == SUPPLY_ON;
    w->content = h != LOW_VOLTAGE && h != HOT && h != REVERSED && h != GONE && h != SUPPLY_ON;
    if (isfinite(s->voltage_V) && isfinite(s->current_A)) {
        w->valid_s = s->t_s;
        bool apart = h == APART && w->on;
        w->apart_s = !apart ? (double)NAN : isnan(w->apart_s) ? w->now_s : w->apart_s;
        bool weak = h == WEAK && w->on;
        w->weak_s = !weak ? (double)NAN : isnan(w->weak_s) ? w->now_s : w->weak_s;
    }
    if (isfinite(s->temperature_C)) {
        w->warm_s = s->t_s;
    }
}

/* A reading takes its time; waiting for one takes a period. */
static void happen_reading(struct world *w, enum happening h, take_fn *take)
{
    struct event e = {.kind = EVENT_NO_SAMPLE};
    struct sample s;
    w->now_s += w->d.act == ACT_WAIT ? 1.0 : 0.5;
    w->now_s += h == LATE ? 2.5 : 0;
    w->now_s = h == SILENCE ? fmax(w->now_s, w->valid_s + TRUST_S + 0.001) : w->now_s;
    e.now_s = w->now_s;
    if (h == LOST || h == KEEPER_LOST || h == NOT_RECORDED || h == STOP) {
        e.kind = h == LOST          ? EVENT_INSTRUMENT_LOST
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
        e.supply = h == SUPPLY_ON ? OUTPUT_READ_ON : OUTPUT_READ_OFF;
    }
    take(&w->d, &e);
}

/* What an act does to the world, done or refused: a refused "on" may be on. */
static void happen_command(struct world *w, enum happening h, take_fn *take)
{
    bool done = h == DONE || h == DONE_SLOWLY;
    enum act act = w->d.act;
    w->now_s += h == DONE_SLOWLY ? 1.2 : 0.01;
    if (act == ACT_ON) {
        w->on = true;
        w->on_step = w->d.sequencer.step;
    } else if (act == ACT_ARM) {
        w->armed = done;
    } else if (act == ACT_OFF) {
        w->on = false;
        w->armed = false;
    }
    w->weak_s = w->on ? w->weak_s : (double)NAN;
    w->apart_s = w->on ? w->apart_s : (double)NAN;
    w->recorded = w->recorded && h != NOT_RECORDED;
    w->stopped = w->stopped || h == STOP;
    const struct event e = {
        .kind = done                ? EVENT_DONE
                : h == REFUSED      ? EVENT_REFUSED
                : h == NOT_RECORDED ? EVENT_NOT_RECORDED
                                    : EVENT_STOP,
        .now_s = w->now_s,
    };
    take(&w->d, &e);
}

/* --- the rule --- */

static const char *broken_rule(const struct world *w)
{
    bool about_to = w->d.act == ACT_ON;
    bool stays = w->on && w->d.act != ACT_OFF && w->d.act != ACT_FINISH;
    if (!about_to && !stays) {
        return NULL;
    }
    size_t step = about_to ? w->d.sequencer.step : w->on_step;
    if (step >= sizeof steps / sizeof steps[0] || step != w->d.sequencer.step) {
        return "on outside its step";
    }
    if (!(fabs(steps[step].current_A) > 0)) {
        return "on in a step without current";
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
    if (!w->content || w->supply_on) {
        return "on with a forbidden reading";
    }
    if (stays && w->now_s - w->weak_s > GUARD_SETTLE_S + 1e-9) {
        return "on with a current that is not what was set";
    }
    if (stays && w->now_s - w->apart_s > GUARD_SETTLE_S + 1e-9) {
        return "on with two voltages that disagree";
    }
    if (!w->armed) {
        return "on without a keeper";
    }
    return w->recorded ? NULL : "on without a record";
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
    const double parts[] = {
        d->act,
        d->outcome,
        d->verdict.reason,
        (double)q->step,
        fmin(now - q->step_start_s, 9), /* longer than any step: all the same */
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
        (double)w->on_step,
        w->armed,
        w->recorded,
        w->stopped,
        fmin(now - w->valid_s, 2 * TRUST_S),
        fmin(now - w->warm_s, 2 * TRUST_S),
        w->content,
        now - w->weak_s,
        now - w->apart_s,
        w->supply_on,
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

static void explore(struct exploration *x, const struct world *from, size_t depth)
{
    if ((x->to_the_first && x->violations > 0) || known(x, key_of(from), DEPTH_MAX - depth)) {
        return;
    }
    x->deepest = depth > x->deepest ? depth : x->deepest;
    x->act_seen[from->d.act] = true;
    x->outcome_seen[from->d.outcome] = true;
    x->reason_seen[from->d.verdict.reason] = true;
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
        if (!can_happen(from->d.act, (enum happening)h)) {
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
    struct plan plan = plan_of_an_evening();
    struct world w = {.recorded = true,
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
        decide_resume(&w.d, &from, at);
    }
    explore(&x, &w, 0);
    free(x.table);
    x.table = NULL;
    return x;
}

static struct exploration explore_with(take_fn *take, bool to_the_first)
{
    return explore_from(NULL, take, to_the_first);
}

/* --- the tests --- */

static void no_order_of_events_breaks_the_rule(void **state)
{
    (void)state;
    struct exploration x = explore_with(decide_take, false);
    print_message("%zu states, %zu transitions, deepest %zu events, %s\n", x.states, x.transitions,
                  x.deepest, x.complete ? "no state left out" : "cut at that depth");
    if (x.violations != 0) {
        fail_msg("%zu violations; the first: %s", x.violations, x.first);
    }
    /* It went everywhere. */
    assert_true(x.complete && x.deepest >= 20 && x.states > 1000);
    for (int a = 0; a <= ACT_FINISH; a++) {
        assert_true(x.act_seen[a]);
    }
    assert_true(x.outcome_seen[RUN_COMPLETED] && x.outcome_seen[RUN_STOPPED] &&
                x.outcome_seen[RUN_TRIPPED]);
    const enum guard_reason reasons[] = {
        GUARD_VOLTAGE_LOW,      GUARD_TEMPERATURE_HIGH,
        GUARD_TEMPERATURE_LOST, GUARD_READING_LOST,
        GUARD_OPENED_EARLY,     GUARD_POLARITY_REVERSED,
        GUARD_BOTH_ON,          GUARD_INSTRUMENT_LOST,
        GUARD_CANNOT_RECORD,    GUARD_INSTRUMENT_DISOBEYED,
        GUARD_KEEPER_LOST,      GUARD_VOLTAGE_DISAGREES,
    };
    for (size_t i = 0; i < sizeof reasons / sizeof reasons[0]; i++) {
        assert_true(x.reason_seen[reasons[i]]);
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

static enum act forgets_the_supply(struct decider *d, const struct event *e)
{
    struct event blind = *e;
    blind.supply = OUTPUT_UNKNOWN;
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

static void nor_after_an_interruption(void **state)
{
    (void)state;
    for (size_t step = 0; step < sizeof steps / sizeof steps[0]; step++) {
        const struct decide_resume at = {.step = step, .step_start_s = -1};
        struct exploration x = explore_from(&at, decide_take, false);
        print_message("resumed in step %zu: %zu states, deepest %zu events\n", step, x.states,
                      x.deepest);
        if (x.violations != 0) {
            fail_msg("%zu violations; the first: %s", x.violations, x.first);
        }
        assert_true(x.complete && x.states > 500 && x.outcome_seen[RUN_COMPLETED]);
        x = explore_from(&at, forgets_the_keeper, true);
        assert_true(x.violations > 0);
    }
}

static void every_broken_rule_is_found(void **state)
{
    (void)state;
    const struct {
        const char *name;
        take_fn *take;
    } broken[] = {
        {"ages", forgets_ages},
        {"heat", forgets_heat},
        {"set point", forgets_the_set_point},
        {"other voltage", forgets_the_other_voltage},
        {"thermometer", forgets_a_lost_thermometer},
        {"stop", forgets_to_stop},
        {"record", forgets_to_record},
        {"keeper", forgets_the_keeper},
        {"keeper's death", forgets_that_the_keeper_died},
        {"keeper's no", takes_no_from_the_keeper_for_yes},
        {"sample before on", forgets_the_sample_before},
        {"off between steps", forgets_to_switch_off},
        {"supply", forgets_the_supply},
        {"latch", starts_again_after_a_trip},
    };
    for (size_t i = 0; i < sizeof broken / sizeof broken[0]; i++) {
        struct exploration x = explore_with(broken[i].take, true);
        print_message("broken %s: %s\n", broken[i].name, x.first);
        assert_true(x.violations > 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_order_of_events_breaks_the_rule),
        cmocka_unit_test(nor_after_an_interruption),
        cmocka_unit_test(every_broken_rule_is_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
