/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/sequencer: from one step to the next, through groups and their rounds.
 * When a step ends is in step_end.c. */
#include "run/sequencer.h"

#include <math.h>
#include <string.h>

const char *step_end_text(enum step_end e)
{
    static const char *const texts[] = {
#define X(code, text) [code] = text,
        STEP_ENDS(X)
#undef X
    };
    return texts[e];
}

bool step_end_parse(const char *text, enum step_end *out)
{
    for (int e = STEP_GOES_ON + 1; e < STEP_END_COUNT; e++) {
        if (strcmp(text, step_end_text((enum step_end)e)) == 0) {
            *out = (enum step_end)e;
            return true;
        }
    }
    return false;
}

bool step_is_overdue(const struct plan_step *step, enum step_end ended)
{
    return (step->max_Ah_is_fault && ended == STEP_END_CHARGE) ||
           (step->max_s_is_fault && (ended == STEP_END_TIME || ended == STEP_END_UNSETTLED));
}

static const struct plan_step *present(const struct sequencer *q)
{
    return &q->steps[q->step];
}

/* --- groups --- */

static struct sequencer_group *group_of(struct sequencer *q, size_t repeat)
{
    for (size_t i = 0; i < q->group_count; i++) {
        if (q->group[i].repeat == repeat) {
            return &q->group[i];
        }
    }
    return NULL;
}

static bool is_within(const struct sequencer *q, size_t step, size_t repeat)
{
    return q->steps[repeat].kind == STEP_REPEAT && q->steps[repeat].repeat.back_to <= step &&
           step < repeat;
}

/* Enter the groups that the present step is in and that are not gone through yet. The
 * STEP_REPEAT of an outer group stands behind that of an inner one. */
static void enter_groups(struct sequencer *q)
{
    for (size_t r = q->count; r-- > q->step + 1;) {
        if (is_within(q, q->step, r) && group_of(q, r) == NULL && q->group_count < GROUPS_DEEP) {
            q->group[q->group_count++] = (struct sequencer_group){
                .repeat = r, .round = 1, .present_Ah = NAN, .before_Ah = NAN};
        }
    }
}

/* Comparisons with NAN are false: a rule that is not there ends nothing. */
static bool has_had_enough(const struct plan_repeat *rule, const struct sequencer_group *g)
{
    double ah = g->present_Ah;
    return g->round >= rule->times || ah < rule->until_below_Ah || ah >= rule->until_from_Ah ||
           fabs(ah - g->before_Ah) <= rule->until_agree * ah || (rule->until_cutoff && g->cutoff);
}

/* At a STEP_REPEAT: back to the first step of its group, or past it. A group that was
 * never entered (a plan that is none) is not gone through again. */
static void turn_group(struct sequencer *q)
{
    const struct plan_repeat *rule = &present(q)->repeat;
    struct sequencer_group *g = group_of(q, q->step);
    if (g == NULL || rule->back_to >= q->step || has_had_enough(rule, g)) {
        if (g != NULL) {
            q->group_count = (size_t)(g - q->group); /* it is the innermost now */
        }
        q->step++;
        return;
    }
    g->round++;
    g->before_Ah = g->present_Ah;
    g->present_Ah = NAN;
    g->cutoff = false;
    q->step = rule->back_to;
}

/* Onto a step that does something, or past the last. */
static void arrive(struct sequencer *q)
{
    while (q->step < q->count && present(q)->kind == STEP_REPEAT) {
        turn_group(q);
    }
    enter_groups(q);
}

/* What the rules of the groups around it look at. */
static void note_end(struct sequencer *q, enum step_end ended)
{
    for (size_t i = 0; i < q->group_count; i++) {
        struct sequencer_group *g = &q->group[i];
        if (q->steps[g->repeat].repeat.of_step == q->step) {
            g->present_Ah = q->discharged_Ah;
        }
        g->cutoff = g->cutoff || ended == STEP_END_CUTOFF || ended == STEP_END_PROTECTION;
    }
}

void sequencer_round(const struct sequencer *q, unsigned *round, unsigned *rounds)
{
    *round = *rounds = 1;
    if (q->group_count > 0) {
        const struct sequencer_group *innermost = &q->group[q->group_count - 1];
        *round = innermost->round;
        *rounds = q->steps[innermost->repeat].repeat.times;
    }
}

/* --- the present step --- */

void sequencer_start(struct sequencer *q, const struct plan *plan, double lead_ohm, double now_s)
{
    *q = (struct sequencer){
        .steps = plan->steps,
        .count = plan->step_count,
        .lead_ohm = lead_ohm,
    };
    arrive(q);
    sequencer_step_begun(q, now_s);
}

static double window_of(const struct sequencer *q)
{
    bool rests = q->step < q->count && present(q)->kind == STEP_REST;
    double window_s = rests ? SETTLED_WINDOW_S : WARMING_WINDOW_S;
    return q->step < q->count ? fmax(window_s, 3 * present(q)->sample_s) : window_s;
}

void sequencer_step_begun(struct sequencer *q, double now_s)
{
    q->step_start_s = now_s;
    q->discharged_Ah = 0;
    q->charged_Ah = 0;
    q->has_last = false;
    q->loaded_V = NAN;
    q->open_V = NAN;
    q->held_V = NAN;
    q->held_s = now_s;
    q->segment = 0;
    q->segment_start_s = now_s;
    q->flowed = false;
    q->taper_since_s = NAN;
    q->taper_samples = 0;
    q->until_V_samples = 0;
    q->peak_V = NAN;
    smooth_start(&q->voltage);
    smooth_start(&q->temperature);
    slope_start(&q->slope, window_of(q));
}

/* The largest current says which instrument a step needs, also between its pulses. */
enum direction sequencer_direction(const struct sequencer *q)
{
    if (q->step >= q->count || !(fabs(present(q)->current_A) > 0)) {
        return DIRECTION_NONE;
    }
    switch (present(q)->kind) {
    case STEP_CHARGE:
        return DIRECTION_SUPPLY;
    case STEP_DISCHARGE:
        return DIRECTION_LOAD;
    case STEP_PULSE:
        return present(q)->current_A > 0 ? DIRECTION_SUPPLY : DIRECTION_LOAD;
    case STEP_REST:
    case STEP_HOLD:
    case STEP_REPEAT:
        break;
    }
    return DIRECTION_NONE;
}

bool sequencer_wants_output(const struct sequencer *q)
{
    return sequencer_direction(q) != DIRECTION_NONE;
}

static double present_current(const struct sequencer *q)
{
    const struct plan_step *step = present(q);
    bool in_segment = step->kind == STEP_PULSE && q->segment < step->segment_count;
    return in_segment ? step->segments[q->segment].current_A : step->current_A;
}

struct set_point sequencer_set_point(const struct sequencer *q)
{
    struct set_point p = {sequencer_direction(q), DRIVE_OFF, 0, NAN, NAN, NAN};
    if (p.direction == DIRECTION_NONE) {
        return p;
    }
    const struct plan_step *step = present(q);
    p.current_A = present_current(q);
    p.drive =
        p.direction == DIRECTION_SUPPLY || step->drive == DRIVE_OFF ? DRIVE_CURRENT : step->drive;
    p.power_W = step->power_W;
    p.resistance_ohm = step->resistance_ohm;
    p.voltage_V = p.direction == DIRECTION_SUPPLY ? q->held_V : (double)NAN;
    return p;
}

/* At a temperature; NAN: as at the reference. */
static double voltage_to_hold(const struct sequencer *q, double temperature_C)
{
    const struct plan_step *step = present(q);
    double warmer_K = temperature_C - step->compensation_C;
    if (step->charge_V_per_K == 0 || !isfinite(warmer_K)) {
        return step->charge_V;
    }
    double most_V = fmax(step->charge_V, step->limits.voltage_max_V / (1 + CHARGE_V_OVER));
    double wanted_V = step->charge_V + step->charge_V_per_K * warmer_K;
    return isnan(step->limits.voltage_max_V) ? wanted_V : fmin(wanted_V, most_V);
}

bool sequencer_is_needless(const struct sequencer *q, const struct sample *s)
{
    return sample_battery_voltage(s, q->lead_ohm) >= present(q)->skip_above_V;
}

static void count_charge(struct sequencer *q, const struct sample *s)
{
    if (q->has_last) {
        double charge_Ah = sample_charge_Ah(&q->last, s);
        if (charge_Ah < 0) {
            q->discharged_Ah -= charge_Ah;
        } else {
            q->charged_Ah += charge_Ah;
        }
    }
    q->last = *s;
    q->has_last = true;
}

void sequencer_open(struct sequencer *q, const struct sample *s)
{
    count_charge(q, s);
    q->open_V = sample_battery_voltage(s, q->lead_ohm);
    q->held_V = voltage_to_hold(q, s->temperature_C);
}

void sequencer_changed(struct sequencer *q, double now_s)
{
    q->segment_start_s = now_s;
    q->held_s = now_s;
}

/* --- what comes next --- */

struct sequencer_decision sequencer_end(struct sequencer *q, enum step_end why)
{
    if (q->step >= q->count) {
        return (struct sequencer_decision){WISH_FINISH, STEP_GOES_ON};
    }
    note_end(q, why);
    q->step++;
    q->occurrence++;
    arrive(q);
    return (struct sequencer_decision){q->step < q->count ? WISH_BEGIN_STEP : WISH_FINISH, why};
}

/* The next pulse, or a held voltage that follows the temperature. */
static enum sequencer_wish change(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = present(q);
    if (step->kind == STEP_PULSE &&
        s->t_s - q->segment_start_s >= step->segments[q->segment].for_s) {
        q->segment++; /* the last one has ended the step */
        q->segment_start_s = s->t_s;
        return WISH_CHANGE;
    }
    if (sequencer_direction(q) != DIRECTION_SUPPLY) {
        return WISH_NOTHING;
    }
    double temperature_C = smooth_take(&q->temperature, s->t_s, s->temperature_C);
    double wanted_V = voltage_to_hold(q, temperature_C);
    if (isnan(temperature_C) || s->t_s - q->held_s < COMPENSATION_EVERY_S ||
        !(fabs(wanted_V - q->held_V) > COMPENSATION_SHARE * step->charge_V)) {
        return WISH_NOTHING;
    }
    q->held_V = wanted_V;
    q->held_s = s->t_s;
    return WISH_CHANGE;
}

struct sequencer_decision sequencer_take(struct sequencer *q, const struct sample *s)
{
    if (q->step >= q->count) {
        return (struct sequencer_decision){WISH_FINISH, STEP_GOES_ON};
    }
    count_charge(q, s);
    enum step_end ended = step_end_of(q, s);
    if (ended != STEP_GOES_ON) {
        return sequencer_end(q, ended);
    }
    return (struct sequencer_decision){change(q, s), STEP_GOES_ON};
}

double sequencer_sample_s(const struct sequencer *q, double now_s, double *end_s)
{
    *end_s = INFINITY;
    if (q->step >= q->count) {
        return 1;
    }
    const struct plan_step *step = present(q);
    if (step->kind != STEP_PULSE || q->segment >= step->segment_count) {
        return step->sample_s;
    }
    const struct plan_segment *segment = &step->segments[q->segment];
    *end_s = q->segment_start_s + segment->for_s;
    if (isfinite(segment->sample_s)) {
        return segment->sample_s;
    }
    return now_s - q->segment_start_s < EDGE_S ? 0 : step->sample_s;
}
