/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/accumulator: follows a record sample by sample: where the discharge
 * begins, where it ends, and what looks odd on the way. */
#include "analysis/analysis.h"

#include <math.h>

#define JUMP_SHARE 0.4        /* of the highest voltage: no battery steps like that between rows */
#define SWITCHED_OFF_FROM 5.0 /* times the threshold; a smaller current has faded out */
#define SAME_LOAD 0.5         /* of the current at the end */
#define CLEAR_OF_NOISE 6.0    /* standard deviations of one reading */
#define COLLAPSE_SHARE 0.5    /* voltage left when the current stopped, of what it was */

void accumulator_start(struct charge_accumulator *a, const struct discharge_options *o)
{
    *a = (struct charge_accumulator){.options = *o,
                                     .shape = {NAN, NAN, NAN},
                                     .signs = {.first_interval_s = NAN,
                                               .lowest_loaded_V = NAN,
                                               .highest_V = NAN,
                                               .charging_first_V = NAN,
                                               .charging_last_V = NAN}};
    if (isnan(a->options.current_threshold_A))
        a->options.current_threshold_A = 0;
    if (isnan(a->options.gap_s))
        a->options.gap_s = 30;
}

static int direction(const struct charge_accumulator *a, const struct point *p)
{
    return current_direction(p->current_A, a->options.current_threshold_A);
}

static bool judges_cutoff(const struct charge_accumulator *a)
{
    return a->options.rule != END_WHOLE && !isnan(a->options.cutoff_V);
}

static bool is_below(const struct charge_accumulator *a, double voltage_V)
{
    return a->options.rule == END_FIRST_BELOW ? voltage_V < a->options.cutoff_V
                                              : voltage_V <= a->options.cutoff_V;
}

static struct tally_rules rules_of(const struct charge_accumulator *a)
{
    return (struct tally_rules){.threshold_A = a->options.current_threshold_A,
                                .gap_s = a->options.gap_s};
}

static void end_here(struct charge_accumulator *a, const struct point *at, enum end_reason reason)
{
    struct tally_rules rules = rules_of(a);
    a->full_at_end = a->full;
    a->end = a->now;
    tally_extend(&a->end, at, &rules);
    a->ended = true;
    a->reason = reason;
}

/* The moment the cut-off is met on the straight line from the row before to p. */
static struct point crossing_before(const struct charge_accumulator *a, const struct point *p)
{
    const struct point *q = &a->now.at;
    double f = 0;
    if (q->voltage_V > p->voltage_V)
        f = fmin(fmax((q->voltage_V - a->options.cutoff_V) / (q->voltage_V - p->voltage_V), 0), 1);
    return (struct point){.row = p->row,
                          .t_s = q->t_s + f * (p->t_s - q->t_s),
                          .voltage_V = a->options.cutoff_V,
                          .current_A = q->current_A + f * (p->current_A - q->current_A),
                          .temperature_C = p->temperature_C};
}

static const struct point *recent(const struct charge_accumulator *a, size_t back)
{
    return &a->recent[(a->recent_count - 1 - back) % RECENT_ROWS];
}

static void recent_add(struct charge_accumulator *a, const struct point *p)
{
    a->recent[a->recent_count++ % RECENT_ROWS] = *p;
}

/* From p back to the nearest row that is higher by far more than noise; *used says how
 * many rows before p that is. */
static double slope_before(const struct charge_accumulator *a, const struct point *p, size_t from,
                           size_t *used)
{
    double enough_V = CLEAR_OF_NOISE * tally_noise(&a->first, &a->now).voltage_V;
    size_t held = a->recent_count < RECENT_ROWS ? a->recent_count : RECENT_ROWS;
    double slope = NAN;
    for (size_t back = from; back < held; back++) {
        const struct point *q = recent(a, back);
        double dt = p->t_s - q->t_s;
        if (!(dt > 0))
            continue;
        slope = (p->voltage_V - q->voltage_V) / dt;
        *used = back;
        if (q->voltage_V - p->voltage_V >= enough_V)
            break;
    }
    return slope;
}

static struct end_shape shape_before(const struct charge_accumulator *a, const struct point *p)
{
    size_t used = 0, further = 0;
    struct end_shape s = {.interval_s = p->t_s - a->now.at.t_s, .bend = NAN};
    s.slope_V_per_s = slope_before(a, p, 0, &used);
    if (a->recent_count < used + 2 || used + 2 > RECENT_ROWS)
        return s;
    const struct point *middle = recent(a, used);
    double before = slope_before(a, middle, used + 1, &further);
    s.bend = fabs(1 - before / s.slope_V_per_s) * s.interval_s / (p->t_s - middle->t_s);
    return s;
}

/* The current stopped between the rows and the voltage went with it. */
static void judge_collapse(struct charge_accumulator *a, const struct point *p)
{
    const struct point *q = &a->now.at;
    if (is_near_bottom(q->voltage_V, a->options.cutoff_V)) {
        struct point at = *p;
        end_here(a, &at, END_REASON_PROTECTION);
        if (a->options.rule == END_CROSSING) {
            /* It happened somewhere between the rows; the charge of the
             * trapezoid already is that of the middle. */
            a->end.at.t_s = (q->t_s + p->t_s) / 2;
            a->end.at.voltage_V = q->voltage_V;
        }
    } else if (a->signs.collapse_row == 0 && p->voltage_V < COLLAPSE_SHARE * q->voltage_V) {
        a->signs.collapse_row = p->row;
        a->signs.collapse_from_V = q->voltage_V;
        a->signs.collapse_to_V = p->voltage_V;
    }
}

static void judge_end(struct charge_accumulator *a, const struct point *p)
{
    const struct point *q = &a->now.at;
    int now = direction(a, p);
    struct record_signs *s = &a->signs;

    if (a->ended || s->below_at_start_row != 0 || !is_below(a, p->voltage_V))
        return;
    if (now < 0 && s->discharge_on.row == 0) {
        s->below_at_start_row = p->row;
        s->below_at_start_V = p->voltage_V;
    } else if (now < 0) {
        struct point at = a->options.rule == END_CROSSING ? crossing_before(a, p) : *p;
        end_here(a, &at, END_REASON_CROSSED);
    } else if (now == 0 && direction(a, q) < 0) {
        judge_collapse(a, p);
    }
    if (a->ended)
        a->shape = shape_before(a, p);
}

static void notice_rest(struct charge_accumulator *a, const struct point *p)
{
    struct record_signs *s = &a->signs;
    const struct point *q = a->now.at.row > 0 ? &a->now.at : p;
    bool loaded_before = s->charging.count + s->discharging.count > 0;
    struct rest_tally *rest = loaded_before ? &s->after : &s->before;
    bool switched_off = direction(a, q) != 0;

    row_span_add(&rest->rows, p->row);
    if (switched_off)
        rest->tail = fabs(q->current_A) < SWITCHED_OFF_FROM * a->options.current_threshold_A;
    if (!switched_off && !rest->tail) {
        rest->sum_A += p->current_A;
        rest->sum_A2 += p->current_A * p->current_A;
        rest->summed++;
    }
}

static void notice_charging(struct charge_accumulator *a, const struct point *p)
{
    struct record_signs *s = &a->signs;
    if (s->charging.count == 0)
        s->charging_first_V = p->voltage_V;
    s->charging_last_V = p->voltage_V;
    if (judges_cutoff(a)) {
        if (s->charging_above && p->voltage_V < a->options.cutoff_V)
            s->charging_fell_below = true;
        s->charging_above = p->voltage_V >= a->options.cutoff_V;
    }
    row_span_add(&s->charging, p->row);
}

static void notice_discharging(struct charge_accumulator *a, const struct point *p)
{
    struct record_signs *s = &a->signs;
    row_span_add(&s->discharging, p->row);
    if (!(p->voltage_V >= s->lowest_loaded_V)) {
        s->lowest_loaded_V = p->voltage_V;
        s->lowest_loaded_row = p->row;
    }
    if (a->ended && a->reason == END_REASON_CROSSED && s->above_after_end_row == 0 &&
        p->voltage_V > a->options.cutoff_V && p->row > a->end.at.row &&
        p->current_A < SAME_LOAD * a->end.at.current_A)
        s->above_after_end_row = p->row;
}

static void notice_load(struct charge_accumulator *a, const struct point *p)
{
    int now = direction(a, p);
    if (now > 0)
        notice_charging(a, p);
    else if (now < 0)
        notice_discharging(a, p);
    if (now != 0)
        a->signs.after = (struct rest_tally){0};
}

static void notice_first(struct charge_accumulator *a, const struct point *p)
{
    struct record_signs *s = &a->signs;
    int now = direction(a, p);
    struct edge at_start = {.row = p->row, .interval_s = NAN, .current_A = p->current_A};
    if (now < 0)
        s->discharge_on = at_start;
    else if (now > 0)
        s->charge_on = at_start;
    if (now == 0)
        notice_rest(a, p);
    notice_load(a, p);
    s->highest_V = p->voltage_V;
    if (now < 0 && judges_cutoff(a) && is_below(a, p->voltage_V)) {
        s->below_at_start_row = p->row;
        s->below_at_start_V = p->voltage_V;
    }
}

static void notice_edges(struct charge_accumulator *a, const struct point *p)
{
    struct record_signs *s = &a->signs;
    int before = direction(a, &a->now.at);
    int now = direction(a, p);
    struct edge edge = {.row = p->row, .interval_s = p->t_s - a->now.at.t_s};

    if (now < 0 && s->discharge_on.row == 0) {
        s->discharge_on = edge;
        s->discharge_on.current_A = p->current_A;
    }
    if (now > 0 && s->charge_on.row == 0) {
        s->charge_on = edge;
        s->charge_on.current_A = p->current_A;
    }
    if (now < 0)
        s->discharge_off = (struct edge){0};
    else if (before < 0) {
        s->discharge_off = edge;
        s->discharge_off.current_A = a->now.at.current_A;
    }
    if (now == 0)
        notice_rest(a, p);
}

static void notice_interval(struct charge_accumulator *a, const struct point *p)
{
    struct record_signs *s = &a->signs;
    double dt = p->t_s - a->now.at.t_s;
    double step_V = p->voltage_V - a->now.at.voltage_V;
    bool stopped = direction(a, &a->now.at) != 0 && direction(a, p) == 0;

    if (isnan(s->first_interval_s) && dt > 0)
        s->first_interval_s = dt;
    if (dt <= 0)
        row_span_add(&s->repeated, p->row);
    if (dt > a->options.gap_s) {
        row_span_add(&s->gaps, p->row);
        s->longest_gap_s = fmax(s->longest_gap_s, dt);
    }
    s->highest_V = fmax(s->highest_V, p->voltage_V);
    if (fabs(step_V) > JUMP_SHARE * s->highest_V && !(stopped && step_V < 0)) {
        if (s->jumps.count == 0) {
            s->jump_from_V = a->now.at.voltage_V;
            s->jump_to_V = p->voltage_V;
        }
        row_span_add(&s->jumps, p->row);
    }
}

/* Keep the state at the fullest point: a discharge is counted from there when a
 * charge came before it in the same record. */
static void follow_full(struct charge_accumulator *a, const struct point *p)
{
    int now = direction(a, p);
    if (!a->ended && exact_value(&a->now.charge_As) > exact_value(&a->full.charge_As)) {
        a->now.temperature_since_full = (struct temperature_tally){
            .start_C = p->temperature_C,
            .min_C = p->temperature_C,
            .max_C = p->temperature_C,
            .last_C = p->temperature_C,
            .last_t_s = p->t_s,
        };
        a->full = a->now;
        if (now > 0) {
            a->signs.discharge_on = (struct edge){0};
            a->signs.below_at_start_row = 0;
        }
    }
    if (!a->ended && now < 0) {
        recent_add(a, p);
        a->loaded = a->now;
        a->full_when_loaded = a->full;
    }
}

static bool point_from(struct charge_accumulator *a, const struct sample *s, struct point *p,
                       struct err *e)
{
    *p = (struct point){.row = a->signs.rows + 1,
                        .t_s = s->t_s,
                        .voltage_V = sample_battery_voltage(s, a->options.lead_ohm),
                        .current_A = s->current_A,
                        .temperature_C = s->temperature_C};
    if (!isfinite(s->t_s))
        return err_set(e, ERR_CONFIG, "row %zu has no time; every row needs one", p->row);
    if (a->now.at.row > 0 && s->t_s < a->now.at.t_s)
        return err_set(e, ERR_CONFIG,
                       "row %zu: time goes back from %.10g s to %.10g s; put the rows in order of "
                       "time",
                       p->row, a->now.at.t_s, s->t_s);
    a->signs.rows++;
    return true;
}

bool accumulator_add(struct charge_accumulator *a, const struct sample *s, struct err *e)
{
    struct tally_rules rules = rules_of(a);
    struct point p;
    if (!point_from(a, s, &p, e))
        return false;
    if (!isfinite(p.voltage_V) || !isfinite(p.current_A)) {
        row_span_add(&a->signs.unknown, p.row);
        return true;
    }
    if (a->now.at.row == 0) {
        tally_begin(&a->now, &p);
        a->first = a->full = a->now;
        notice_first(a, &p);
    } else {
        if (judges_cutoff(a))
            judge_end(a, &p);
        notice_interval(a, &p);
        notice_edges(a, &p);
        notice_load(a, &p);
        tally_extend(&a->now, &p, &rules);
    }
    follow_full(a, &p);
    return true;
}

/* A hair before t_s, so that the next row is not taken for a repeated one. */
#define HAIR_S 1e-9

void accumulator_skip_to(struct charge_accumulator *a, double t_s)
{
    if (a->now.at.row > 0 && t_s - HAIR_S > a->now.at.t_s)
        a->now.at.t_s = t_s - HAIR_S;
}
