/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/accumulator: follows a record sample by sample: where the discharge
 * begins, where it ends, and what looks odd on the way. */
#include "analysis/analysis.h"

#include <math.h>

#define JUMP_SHARE 0.4        /* of the highest voltage: no battery steps like that between rows */
#define STEPPED 10.0          /* times the threshold: a step, and no noise */
#define SWITCHED_OFF_FROM 5.0 /* times the threshold; a smaller current has faded out */
#define NOISE_BEFORE_LOAD 10.0
#define NOISE_ROWS 3
#define SAME_LOAD 0.5      /* of the current at the end */
#define CLEAR_OF_NOISE 8.0 /* standard deviations of one reading */
#define THIRD_DIFFERENCES_LEAST 6
#define COLLAPSE_SHARE 0.5 /* voltage left when the current stopped, of what it was */

void accumulator_start(struct charge_accumulator *a, const struct discharge_options *o)
{
    *a = (struct charge_accumulator){.options = *o,
                                     .shape = {NAN, NAN, NAN, 0},
                                     .signs = {.first_interval_s = NAN,
                                               .lowest_loaded_V = NAN,
                                               .highest_V = NAN,
                                               .charging_first_V = NAN,
                                               .charging_last_V = NAN}};
    voltage_table_start(&a->voltages, &o->voltages);
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

static size_t recent_held(const struct charge_accumulator *a)
{
    return a->recent_count < RECENT_ROWS ? a->recent_count : RECENT_ROWS;
}

/* Of one voltage reading, by third differences of the last rows, in which the bend of the
 * curve is not: their variance is 1 + 9 + 9 + 1 times that of one. */
static double recent_noise_V(const struct charge_accumulator *a)
{
    size_t held = recent_held(a);
    double sum_V2 = 0;
    for (size_t back = 0; back + 3 < held; back++) {
        double third_V = recent(a, back)->voltage_V - recent(a, back + 3)->voltage_V -
                         3 * (recent(a, back + 1)->voltage_V - recent(a, back + 2)->voltage_V);
        sum_V2 += third_V * third_V;
    }
    return held > THIRD_DIFFERENCES_LEAST + 3 ? sqrt(sum_V2 / (20 * (double)(held - 3))) : 0;
}

/* Slope of the straight line by least squares through the recent rows `from` to `to`. */
static double recent_slope(const struct charge_accumulator *a, size_t from, size_t to)
{
    double n = (double)(to - from + 1), mean_t = 0, mean_V = 0, tt = 0, tV = 0;
    for (size_t i = from; i <= to; i++) {
        mean_t += recent(a, i)->t_s / n;
        mean_V += recent(a, i)->voltage_V / n;
    }
    for (size_t i = from; i <= to; i++) {
        double t = recent(a, i)->t_s - mean_t;
        tt += t * t;
        tV += t * (recent(a, i)->voltage_V - mean_V);
    }
    return tt > 0 ? tV / tt : (double)NAN;
}

/* How far back from row `from` the voltage is higher by far more than noise. */
static size_t clear_of_noise(const struct charge_accumulator *a, size_t from, double noise_V)
{
    size_t held = recent_held(a), back = from + 1;
    while (back + 1 < held &&
           recent(a, back)->voltage_V - recent(a, from)->voltage_V < CLEAR_OF_NOISE * noise_V)
        back++;
    return back;
}

/* The row at the crossing was chosen by its noise; unless that is small beside the fall,
 * it is left out of the slope. */
static struct end_shape shape_before(const struct charge_accumulator *a, const struct point *p)
{
    const struct point *q = &a->now.at;
    struct end_shape s = {.interval_s = p->t_s - q->t_s,
                          .noise_V = recent_noise_V(a),
                          .slope_V_per_s = NAN,
                          .bend = NAN};
    if (!(s.interval_s > 0))
        return s;
    s.slope_V_per_s = (p->voltage_V - q->voltage_V) / s.interval_s;
    if (recent_held(a) < 2)
        return s;
    size_t to = clear_of_noise(a, 0, s.noise_V);
    double before = recent_slope(a, 0, to), over_s = recent(a, 0)->t_s - recent(a, to)->t_s;
    if (q->voltage_V - p->voltage_V >= CLEAR_OF_NOISE * s.noise_V) {
        s.bend = fabs(1 - before / s.slope_V_per_s) * 2 * s.interval_s / (s.interval_s + over_s);
    } else if (to + 2 < recent_held(a)) {
        size_t further = clear_of_noise(a, to, s.noise_V);
        double earlier = recent_slope(a, to, further);
        double apart_s = (recent(a, 0)->t_s - recent(a, further)->t_s) / 2;
        s.bend = fabs(1 - earlier / before) * s.interval_s / apart_s;
        s.slope_V_per_s = before;
    } else {
        s.slope_V_per_s = before;
    }
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
    if (a->ended) {
        a->shape = shape_before(a, p);
        a->dip = (struct dip_watch){.lowest_V = p->voltage_V};
    }
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

/* --- a dip through the cut-off that is no end --- */

static double charge_As(const struct tally *t)
{
    return exact_value(&t->charge_As);
}

static bool under_same_load_above(const struct charge_accumulator *a, const struct point *p)
{
    return p->voltage_V > a->options.cutoff_V && p->current_A < SAME_LOAD * a->end.at.current_A;
}

static void dip_revoke(struct charge_accumulator *a)
{
    struct record_signs *s = &a->signs;
    if (s->dips.count == 0) {
        s->dip_lowest_V = a->dip.lowest_V;
        s->dip_Ah = (charge_As(&a->full_at_end) - charge_As(&a->end)) / S_PER_H;
    }
    row_span_add(&s->dips, a->end.at.row);
    s->above_after_end_row = 0;
    a->ended = false;
    a->shape = (struct end_shape){NAN, NAN, NAN, 0};
    a->recent_count = 0;
    a->voltages = a->dip.voltages;
    a->dip = (struct dip_watch){.open = false};
}

/* p is not in the sums yet. */
static void dip_follow(struct charge_accumulator *a, const struct point *p)
{
    struct dip_watch *d = &a->dip;
    if (!a->ended || a->reason != END_REASON_CROSSED || d->over)
        return;
    d->lowest_V = fmin(d->lowest_V, p->voltage_V);
    if (direction(a, p) > 0 || (d->open && direction(a, p) < 0 && is_below(a, p->voltage_V))) {
        d->over = true;
    } else if (!d->open && under_same_load_above(a, p)) {
        d->open = true;
        d->voltages = a->voltages;
        voltage_table_forget(&d->voltages, p->voltage_V);
    } else if (d->open && direction(a, p) < 0) {
        voltage_table_fall(&d->voltages, &a->now, p);
        double before_As = charge_As(&a->full_at_end) - charge_As(&a->end);
        double since_As = charge_As(&a->end) - charge_As(&a->now);
        if (since_As > before_As && under_same_load_above(a, p))
            dip_revoke(a);
    }
}

static void notice_discharging(struct charge_accumulator *a, const struct point *p)
{
    struct record_signs *s = &a->signs;
    row_span_add(&s->discharging, p->row);
    if (s->charging.count == 0) {
        row_span_add(&s->backwards, p->row);
        s->backwards_A = fmax(s->backwards_A, fabs(p->current_A));
    }
    if (!(p->voltage_V >= s->lowest_loaded_V)) {
        s->lowest_loaded_V = p->voltage_V;
        s->lowest_loaded_row = p->row;
    }
    if (a->ended && a->reason == END_REASON_CROSSED && s->above_after_end_row == 0 &&
        p->row > a->end.at.row && under_same_load_above(a, p))
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

/* A reading at rest that only just passed for a load, before the load came on. */
static bool was_noise(const struct record_signs *s, const struct point *p)
{
    const struct edge *on = &s->discharge_on;
    return on->row != 0 && !isnan(on->interval_s) && s->discharging.count <= NOISE_ROWS &&
           fabs(p->current_A) > NOISE_BEFORE_LOAD * fabs(on->current_A);
}

static void notice_edges(struct charge_accumulator *a, const struct point *p)
{
    struct record_signs *s = &a->signs;
    int before = direction(a, &a->now.at);
    int now = direction(a, p);
    struct edge edge = {.row = p->row, .interval_s = p->t_s - a->now.at.t_s};

    bool noise = now < 0 && was_noise(s, p);
    if (noise && s->before.rows.count > 0) {
        s->before.rows.last = a->now.at.row;
        s->before.rows.count = s->before.rows.last - s->before.rows.first + 1;
    }
    if (now < 0 && (s->discharge_on.row == 0 || noise)) {
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

/* Voltage and current of a row were not read at one moment. */
static void notice_still(struct charge_accumulator *a, const struct point *p, double step_V)
{
    struct record_signs *s = &a->signs;
    bool moved = step_V < 0 || step_V > 0;
    double step_A = fabs(p->current_A - a->now.at.current_A);
    if (moved || !(step_A > STEPPED * a->options.current_threshold_A) || !(step_A > 0))
        return;
    if (s->still.count == 0) {
        s->still_from_A = a->now.at.current_A;
        s->still_to_A = p->current_A;
    }
    row_span_add(&s->still, p->row);
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
    notice_still(a, p, step_V);
    if (fabs(step_V) > JUMP_SHARE * s->highest_V && !(stopped && step_V < 0)) {
        if (s->jumps.count == 0) {
            s->jump_from_V = a->now.at.voltage_V;
            s->jump_to_V = p->voltage_V;
        }
        row_span_add(&s->jumps, p->row);
    }
}

static void follow_voltages(struct charge_accumulator *a, const struct point *p)
{
    if (a->ended || direction(a, p) >= 0)
        return;
    double cutoff_V = judges_cutoff(a) ? a->options.cutoff_V : (double)NAN;
    if (!a->voltages.begun)
        voltage_table_begin(&a->voltages, p->voltage_V, cutoff_V);
    voltage_table_fall(&a->voltages, &a->now, p);
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
            voltage_table_forget(&a->voltages, INFINITY);
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
    if (isfinite(s->temperature_C))
        row_span_add(&a->signs.warm, p->row);
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
        dip_follow(a, &p);
        follow_voltages(a, &p);
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
