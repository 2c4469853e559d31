/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plan_expect: hours, charge, energy, heat and room on the disk, by going
 * through the plan step by step and round by round with what the rating says is
 * in the battery.
 *
 * Hours = Ah / A and Wh = Ah x nominal V (common practice, no source). */
#include "base/file.h"
#include "profile/plan_work.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>

/* A supply turns this share of what it takes into output (common practice, no source). */
#define SUPPLY_EFFICIENCY 0.85
/* While the current tapers at held voltage a charge takes so many times Ah / A;
 * lead-acid takes so much longer yet (common practice, no source). */
#define TAPER_STRETCH 1.3
#define LEAD_ABSORPTION_S (4 * 3600.0)
/* One sample in the database, in a block (a discharge of 45 000 was measured to take 11 bytes
 * each, all else included), and as much again: instruments of finer digits need more, and the log
 * of what is being written is part of the same disk. The last thousand are rows until then. A step is
 * a row with a name and an end. */
#define SAMPLE_BYTES 22
#define ROWS_BYTES 50000
#define STEP_BYTES 300
/* More steps one after the other than this are a slip of the pen. */
#define STEPS_MOST 100000

struct expected {
    double s, Ah, Wh;
};

/* What the rating says is in the battery before the first step. A profile that
 * fills it first is planned from empty, which takes longest. */
static double level_at_start(const struct plan_work *w)
{
    size_t first = first_flowing(w->plan);
    bool is_filled = first != SIZE_MAX && step_charges(&w->plan->steps[first]) &&
                     !w->profile->full_confirmed && !filled_before(w->plan, first);
    return is_filled ? 0 : w->battery->rated_Ah;
}

static struct expected expect_discharge(const struct plan_work *w, const struct plan_step *s,
                                        double *level_Ah)
{
    double current_A = mean_current(w, s);
    struct expected x = {.Ah = *level_Ah};
    if (isfinite(*level_Ah) || isnan(s->until_V)) {
        x.Ah = fmin(x.Ah, s->max_Ah);
        x.Ah = fmin(x.Ah, current_A * s->max_s / S_PER_H);
    }
    *level_Ah -= x.Ah;
    x.s = x.Ah / current_A * S_PER_H;
    x.Wh = x.Ah * nominal_voltage(w);
    return x;
}

static struct expected expect_pulse(const struct plan_work *w, const struct plan_step *s,
                                    double *level_Ah)
{
    struct expected x = {.s = s->max_s};
    for (size_t i = 0; i < s->segment_count; i++) {
        x.Ah += fabs(s->segments[i].current_A) * s->segments[i].for_s / S_PER_H;
    }
    *level_Ah += step_charges(s) ? x.Ah : -x.Ah;
    x.Wh = x.Ah * nominal_voltage(w);
    return x;
}

bool is_lead(const struct plan_work *w)
{
    return w->chemistry->compensation_V_per_K < 0;
}

/* Is the whole charge gone through by the clock alone? */
static bool ends_by_timer_alone(const struct plan_step *s)
{
    return !s->max_s_is_fault && isnan(s->until_A) && isnan(s->until_V) && isnan(s->until_drop_V) &&
           isnan(s->until_C_per_min) && s->max_Ah_is_fault;
}

static double charge_mean_voltage(const struct plan_work *w, const struct plan_step *s)
{
    return 0.5 * (nominal_voltage(w) + s->charge_V);
}

/* From what is missing, by the share that is kept of what is put in. */
static struct expected expect_charge(const struct plan_work *w, const struct plan_step *s,
                                     double *level_Ah)
{
    if (isfinite(s->skip_above_V)) {
        return (struct expected){0, 0, 0}; /* a battery that needs it is the exception */
    }
    double kept = w->chemistry->charge_Ah_kept;
    double missing_Ah = fmax(0, w->battery->rated_Ah - *level_Ah);
    if (isnan(*level_Ah)) {
        missing_Ah = NAN;
    }
    struct expected x = {.Ah = missing_Ah / kept};
    bool by_taper = isfinite(s->until_A);
    bool by_held_voltage = isnan(s->until_V) && !isnan(w->chemistry->full_charge_V);
    /* fmin gives way to what is known, but an end by voltage or taper may come first. */
    if (isfinite(x.Ah) || !s->max_Ah_is_fault) {
        x.Ah = fmin(x.Ah, s->max_Ah);
    }
    x.s = x.Ah / s->current_A * S_PER_H * (by_taper ? TAPER_STRETCH : 1) +
          (by_taper && is_lead(w) ? LEAD_ABSORPTION_S : 0);
    if (ends_by_timer_alone(s)) {
        x.s = s->max_s;
        x.Ah = by_held_voltage ? x.Ah : s->current_A * s->max_s / S_PER_H;
    }
    x.s = fmin(x.s, s->max_s);
    *level_Ah = fmin(w->battery->rated_Ah, *level_Ah + x.Ah * kept);
    x.Wh = x.Ah * charge_mean_voltage(w, s);
    return x;
}

static struct expected expect_step(const struct plan_work *w, const struct plan_step *s,
                                   double *level_Ah)
{
    switch (s->kind) {
    case STEP_DISCHARGE:
        return expect_discharge(w, s, level_Ah);
    case STEP_PULSE:
        return expect_pulse(w, s, level_Ah);
    case STEP_CHARGE:
        return expect_charge(w, s, level_Ah);
    case STEP_REST: /* at its longest: a plan that takes less is no harm */
        return (struct expected){.s = s->max_s};
    case STEP_HOLD: /* how long a person takes is not foreseen; then it is full */
        *level_Ah = w->battery->rated_Ah;
        break;
    case STEP_REPEAT:
        break;
    }
    return (struct expected){0, 0, 0};
}

/* Into the room: all power out of a battery, by way of the load; of a charge what
 * supply and battery lose. */
static double heat_of(const struct plan_work *w, const struct plan_step *s)
{
    if (s->drive == DRIVE_POWER) {
        return s->power_W;
    }
    if (step_discharges(s)) {
        return mean_current(w, s) * nominal_voltage(w);
    }
    if (step_charges(s)) {
        double into_W = s->current_A *
                        (s->kind == STEP_CHARGE ? charge_mean_voltage(w, s) : nominal_voltage(w));
        return into_W * (1 / SUPPLY_EFFICIENCY - 1 + 1 - w->chemistry->charge_Wh_kept);
    }
    return 0;
}

static void add_to_plan(struct plan *p, const struct plan_step *s, const struct expected *x)
{
    double known_s = isfinite(x->s) ? x->s : s->max_s;
    p->expected_s += x->s;
    if (step_charges(s)) {
        p->expected_charged_Ah += x->Ah;
        p->expected_charged_Wh += x->Wh;
    } else {
        p->expected_Ah += x->Ah;
        p->expected_Wh += x->Wh;
    }
    p->disk_bytes += STEP_BYTES + SAMPLE_BYTES * known_s / s->sample_s;
}

/* One way through the plan, as a battery as good as its rating would go it. */
struct way {
    double level_Ah;
    unsigned *round;   /* of each repeat */
    double *delivered; /* of each step, the last time; NAN: not yet */
    double *before;    /* ... the time before that */
    bool *ran_empty;   /* of each step, the last time: it ended at its cut-off */
};

/* As run decides it from what was measured: see plan.h. */
static bool group_is_done(const struct plan_repeat *r, size_t end, const struct way *way)
{
    bool empty = false;
    for (size_t i = r->back_to; i < end; i++) {
        empty = empty || way->ran_empty[i];
    }
    if (r->until_cutoff && empty) {
        return true;
    }
    if (r->of_step == SIZE_MAX) {
        return false;
    }
    double now_Ah = way->delivered[r->of_step];
    double before_Ah = way->before[r->of_step];
    return now_Ah < r->until_below_Ah || now_Ah >= r->until_from_Ah * (1 - 1e-9) ||
           fabs(now_Ah - before_Ah) <= r->until_agree * now_Ah;
}

/* Index of the step after the repeat at i. */
static size_t go_on(const struct plan *p, size_t i, struct way *way)
{
    const struct plan_repeat *r = &p->steps[i].repeat;
    if (++way->round[i] < r->times && !group_is_done(r, i, way)) {
        return r->back_to;
    }
    way->round[i] = 0;
    return i + 1;
}

static void go_step(struct plan_work *w, size_t i, struct way *way)
{
    struct plan_step *s = &w->plan->steps[i];
    bool first = isnan(way->delivered[i]);
    double level_Ah = way->level_Ah;
    struct expected x = expect_step(w, s, &way->level_Ah);
    way->before[i] = way->delivered[i];
    way->delivered[i] = isnan(x.Ah) ? 0 : x.Ah;
    way->ran_empty[i] = s->kind == STEP_DISCHARGE && isfinite(s->until_V) && x.Ah >= level_Ah;
    if (first) {
        s->expected_s = x.s;
        s->expected_Ah = x.Ah;
        s->expected_Wh = x.Wh;
    }
    add_to_plan(w->plan, s, &x);
}

static void go_through(struct plan_work *w)
{
    size_t n = w->plan->step_count;
    struct way way = {
        .level_Ah = level_at_start(w),
        .round = zalloc(n * sizeof *way.round),
        .delivered = zalloc(n * sizeof *way.delivered),
        .before = zalloc(n * sizeof *way.before),
        .ran_empty = zalloc(n * sizeof *way.ran_empty),
    };
    for (size_t i = 0; i < n; i++) {
        way.delivered[i] = NAN;
        way.before[i] = NAN;
    }
    for (size_t i = 0; i < n;) {
        if (w->plan->steps[i].kind == STEP_REPEAT) {
            i = go_on(w->plan, i, &way);
        } else {
            go_step(w, i++, &way);
        }
    }
    free(way.round);
    free(way.delivered);
    free(way.before);
    free(way.ran_empty);
}

static bool check_rounds(struct plan_work *w)
{
    double steps = 0;
    int line = 0;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        steps += w->plan->steps[i].rounds;
        line = w->plan->steps[i].kind == STEP_REPEAT ? w->profile->steps[i].line : line;
    }
    if (steps > STEPS_MOST) {
        plan_problem(w, line,
                     "with all its repeats this profile has %.0f steps, one after the other, and "
                     "%d is the most: lower times",
                     steps, STEPS_MOST);
    }
    return steps <= STEPS_MOST;
}

void plan_expect(struct plan_work *w)
{
    for (size_t i = 0; i < w->plan->step_count; i++) {
        struct plan_step *s = &w->plan->steps[i];
        s->heat_W = heat_of(w, s);
        w->plan->longest_s += s->rounds * s->max_s;
    }
    w->plan->disk_bytes = ROWS_BYTES;
    if (check_rounds(w)) {
        go_through(w);
    }
}
