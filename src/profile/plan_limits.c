/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plan_limits: limits add up. Chemistry, battery record, profile, stand
 * and the program each make an offer; the strictest wins and is shown with its
 * source. */
#include "base/file.h"
#include "profile/plan_work.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

/* A load hunts around its set point and overshoots when switched on; a current
 * further above means it no longer does what it was told (common practice, no
 * source for the number). */
#define CURRENT_SPARE 1.2

/* The guard's own ceilings lie a little above what ends a step in the normal
 * way: they are met only when that did not happen. */
#define CHARGE_SPARE 1.05
#define STEP_TIME_SPARE_S 60
#define RUN_TIME_SPARE 1.1
#define RUN_TIME_SPARE_S 600

/* Common practice, no source for the numbers: a load or supply holds its set
 * point to a percent or two; a case that gains 3 degC each minute is far from
 * any capacity test, and a battery that heats itself gains more. */
#define REGULATION_PERCENT 5
#define RATE_C_PER_MIN 3

/* Share of the rated capacity that may flow while readings repeat to the last
 * digit. On the flat part of its curve a cell of iron phosphate loses some 0.08
 * V per full capacity (0.25 V of four cells), so 5 % move a reading by about 4
 * digits of 1 mV per cell; a coarser meter gets more in proportion. */
#define STUCK_SHARE 0.05
#define STUCK_RESOLUTION_V 0.001
#define STUCK_RESOLUTION_UNKNOWN_V 0.010

/* Where the current moves the voltage alone gets twice that. The flattest part of
 * the curve loses less, some 0.03 V per full capacity and cell (from memory): 10 %
 * still move the reading by 3 digits of 1 mV per cell. So does 100 % of a single
 * cell with a meter of 10 mV: there the voltage alone never trips. */
#define VOLTAGE_STUCK_SPARE 2

/* Two voltages are not read at the same instant, and a load's own accuracy may be
 * unknown (common practice, no source for the numbers). */
#define DISAGREEMENT_LEAST_V 0.050
#define UNKNOWN_GAIN 0.01
#define UNKNOWN_OFFSET_V 0.1

/* As instrument_make_safe() holds it: what an instrument that is off may read. */
#define OFF_LEAST_A 0.020
#define OFF_OF_RATING 0.002
#define OFF_OFFSETS 3

static const struct {
    const char *name, *unit;
    bool upper; /* the smaller value is the stricter one */
} kinds[LIMIT_COUNT] = {
    [LIMIT_VOLTAGE_MIN] = {"voltage_min", "V", false},
    [LIMIT_VOLTAGE_MAX] = {"voltage_max", "V", true},
    [LIMIT_CURRENT_MAX] = {"current_max", "A", true},
    [LIMIT_TEMPERATURE_MIN] = {"temperature_min", "degC", false},
    [LIMIT_TEMPERATURE_MAX] = {"temperature_max", "degC", true},
    [LIMIT_TEMPERATURE_RATE] = {"temperature_rate", "degC/min", true},
    [LIMIT_REGULATION] = {"regulation", "%", true},
    [LIMIT_CHARGE] = {"charge_max", "Ah", true},
    [LIMIT_ENERGY] = {"energy_max", "Wh", true},
    [LIMIT_STEP_TIME] = {"step_time_max", "s", true},
    [LIMIT_RUN_TIME] = {"run_time_max", "s", true},
    [LIMIT_STUCK] = {"stuck_charge", "Ah", true},
    [LIMIT_VOLTAGE_STUCK] = {"voltage_stuck_charge", "Ah", true},
    [LIMIT_DISAGREEMENT] = {"voltage_disagreement", "V", true},
    [LIMIT_OFF_CURRENT] = {"off_current", "A", true},
    [LIMIT_TRUST] = {"trust_time", "s", true},
};

static double *place_of(struct guard_limits *l, enum limit_kind kind)
{
    switch (kind) {
    case LIMIT_VOLTAGE_MIN:
        return &l->voltage_min_V;
    case LIMIT_VOLTAGE_MAX:
        return &l->voltage_max_V;
    case LIMIT_CURRENT_MAX:
        return &l->current_max_A;
    case LIMIT_TEMPERATURE_MIN:
        return &l->temperature_min_C;
    case LIMIT_TEMPERATURE_MAX:
        return &l->temperature_max_C;
    case LIMIT_TEMPERATURE_RATE:
        return &l->temperature_rate_C_per_min;
    case LIMIT_REGULATION:
        return &l->regulation_percent;
    case LIMIT_CHARGE:
        return &l->charge_max_Ah;
    case LIMIT_ENERGY:
        return &l->energy_max_Wh;
    case LIMIT_STEP_TIME:
        return &l->step_time_max_s;
    case LIMIT_RUN_TIME:
        return &l->run_time_max_s;
    case LIMIT_STUCK:
        return &l->stuck_Ah;
    case LIMIT_VOLTAGE_STUCK:
        return &l->voltage_stuck_Ah;
    case LIMIT_DISAGREEMENT:
        return &l->disagreement_V;
    case LIMIT_OFF_CURRENT:
        return &l->off_current_A;
    case LIMIT_TRUST:
    case LIMIT_COUNT:
        break;
    }
    return &l->trust_s;
}

/* One row per kind, in the order in which first offers come. */
static struct plan_limit *row_of(struct plan *p, enum limit_kind kind)
{
    for (size_t i = 0; i < p->limit_count; i++) {
        if (p->limit_list[i].name == kinds[kind].name) {
            return &p->limit_list[i];
        }
    }
    struct plan_limit *row = &p->limit_list[p->limit_count++];
    *row = (struct plan_limit){.name = kinds[kind].name, .unit = kinds[kind].unit, .value = NAN};
    return row;
}

/* True when this offer is the strictest so far. Of equal offers the first stays. */
static bool offer(struct plan_work *w, enum limit_kind kind, double value, const char *fmt, ...)
    PRINTF_LIKE(4, 5);
static bool offer(struct plan_work *w, enum limit_kind kind, double value, const char *fmt, ...)
{
    if (isnan(value)) {
        return false;
    }
    struct plan_limit *row = row_of(w->plan, kind);
    bool stricter = kinds[kind].upper ? value < row->value : value > row->value;
    if (!isnan(row->value) && !stricter) {
        return false;
    }
    row->value = value;
    *place_of(&w->plan->limits, kind) = value;
    w->limit_line[kind] = 0;
    va_list args;
    va_start(args, fmt);
    vsnprintf(row->source, sizeof row->source, fmt, args);
    va_end(args);
    return true;
}

static void offer_of_chemistry(struct plan_work *w)
{
    const struct chemistry_data *c = w->chemistry;
    const char *name = chemistry_names[w->battery->chemistry];
    int cells = w->battery->cells;
    offer(w, LIMIT_VOLTAGE_MIN, c->floor_V * cells, "chemistry %s: floor %.2f V/cell x %d", name,
          c->floor_V, cells);
    offer(w, LIMIT_VOLTAGE_MAX, c->ceiling_V * cells, "chemistry %s: ceiling %.2f V/cell x %d",
          name, c->ceiling_V, cells);
    offer(w, LIMIT_TEMPERATURE_MIN, c->discharge_min_C, "chemistry %s: discharge from %g degC",
          name, c->discharge_min_C);
    offer(w, LIMIT_TEMPERATURE_MAX, c->discharge_max_C, "chemistry %s: discharge up to %g degC",
          name, c->discharge_max_C);
}

static void offer_of_battery(struct plan_work *w)
{
    const struct battery *b = w->battery;
    offer(w, LIMIT_CURRENT_MAX, b->current_max_A, "battery %s: at most %g A", b->label,
          b->current_max_A);
    offer(w, LIMIT_TEMPERATURE_MAX, b->temperature_max_C, "battery %s: at most %g degC", b->label,
          b->temperature_max_C);
}

static void offer_written(struct plan_work *w, enum limit_kind kind, const struct written *q,
                          double value)
{
    if (!q->present) {
        return;
    }
    char text[WRITTEN_TEXT_SIZE];
    char cells[16] = "";
    if (q->q.dimension == DIM_VOLTAGE_PER_CELL) {
        text_format(cells, sizeof cells, " x %d", w->battery->cells);
    }
    if (offer(w, kind, value, "profile line %d: %s%s", q->line, written_text(q, text), cells)) {
        w->limit_line[kind] = q->line;
    }
}

static void offer_of_profile(struct plan_work *w)
{
    const struct profile_limits *l = &w->profile->limits;
    need_rating(w, &l->current_max, "the limit in A");
    offer_written(w, LIMIT_VOLTAGE_MIN, &l->voltage_min, resolve_voltage(w, &l->voltage_min));
    offer_written(w, LIMIT_VOLTAGE_MAX, &l->voltage_max, resolve_voltage(w, &l->voltage_max));
    offer_written(w, LIMIT_CURRENT_MAX, &l->current_max, resolve_current(w, &l->current_max));
    offer_written(w, LIMIT_TEMPERATURE_MIN, &l->temperature_min, l->temperature_min.q.value);
    offer_written(w, LIMIT_TEMPERATURE_MAX, &l->temperature_max, l->temperature_max.q.value);
    need_rating(w, &l->charge_max, "the limit in Ah");
    offer_written(w, LIMIT_TEMPERATURE_RATE, &l->temperature_rate, l->temperature_rate.q.value);
    offer_written(w, LIMIT_REGULATION, &l->regulation, 100 * l->regulation.q.value);
    offer_written(w, LIMIT_CHARGE, &l->charge_max, resolve_charge(w, &l->charge_max));
    offer_written(w, LIMIT_ENERGY, &l->energy_max, l->energy_max.q.value);
    offer_written(w, LIMIT_STEP_TIME, &l->step_time_max, l->step_time_max.q.value);
    offer_written(w, LIMIT_RUN_TIME, &l->run_time_max, l->run_time_max.q.value);
    offer_written(w, LIMIT_TRUST, &l->trust_time, l->trust_time.q.value);
    w->plan->limits.temperature_required = l->temperature_required;
}

static void offer_of_stand(struct plan_work *w)
{
    double set_point_A = largest_current(w);
    if (w->stand != NULL && w->stand->load.present) {
        offer(w, LIMIT_VOLTAGE_MAX, w->stand->load.voltage_max_V, "load of stand %s: rated %g V",
              w->stand->name, w->stand->load.voltage_max_V);
        offer(w, LIMIT_CURRENT_MAX, w->stand->load.current_max_A, "load of stand %s: rated %g A",
              w->stand->name, w->stand->load.current_max_A);
    }
    if (set_point_A > 0) {
        offer(w, LIMIT_CURRENT_MAX, CURRENT_SPARE * set_point_A, "%g x the largest set point, %g A",
              CURRENT_SPARE, set_point_A);
    }
}

/* The most charge that one step of the plan lets through. */
static double largest_charge(const struct plan_work *w)
{
    double largest = 0;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        const struct plan_step *s = &w->plan->steps[i];
        largest = fmax(largest, fmin(s->max_Ah, fabs(s->current_A) * s->max_s / S_PER_H));
    }
    return largest;
}

static void offer_of_times(struct plan_work *w)
{
    double longest_s = 0, sum_s = 0;
    char longest[DURATION_TEXT_SIZE], sum[DURATION_TEXT_SIZE];
    for (size_t i = 0; i < w->plan->step_count; i++) {
        longest_s = fmax(longest_s, w->plan->steps[i].max_s);
        sum_s += w->plan->steps[i].max_s;
    }
    offer(w, LIMIT_STEP_TIME, longest_s + STEP_TIME_SPARE_S, "the longest step, %s, and %d s",
          duration_text(longest_s, longest), STEP_TIME_SPARE_S);
    offer(w, LIMIT_RUN_TIME, RUN_TIME_SPARE * sum_s + RUN_TIME_SPARE_S,
          "%g x all steps at their longest, %s, and %d s", RUN_TIME_SPARE,
          duration_text(sum_s, sum), RUN_TIME_SPARE_S);
}

static void offer_of_flow(struct plan_work *w)
{
    double charge_Ah = largest_charge(w);
    if (charge_Ah > 0) {
        offer(w, LIMIT_CHARGE, CHARGE_SPARE * charge_Ah, "%g x the largest step, %.4g Ah",
              CHARGE_SPARE, charge_Ah);
        offer(w, LIMIT_ENERGY, w->plan->limits.charge_max_Ah * w->plan->limits.voltage_max_V,
              "the charge limit at the highest voltage");
    }
}

static double error_of(const struct accuracy *a, double voltage_V)
{
    double gain = isnan(a->gain) ? UNKNOWN_GAIN : a->gain;
    double offset_V = isnan(a->offset) ? UNKNOWN_OFFSET_V : a->offset;
    return gain * voltage_V + offset_V + (isnan(a->resolution) ? 0 : a->resolution);
}

static void offer_of_two_voltages(struct plan_work *w)
{
    const struct stand_facts *f = w->stand;
    if (f->voltage_source == SOURCE_METER && f->load.present) {
        double highest_V = w->plan->limits.voltage_max_V;
        offer(w, LIMIT_DISAGREEMENT,
              error_of(&f->accuracy.voltage, highest_V) + error_of(&f->other_voltage, highest_V) +
                  DISAGREEMENT_LEAST_V,
              "accuracy of meter and load, and %g mV; leads come on top",
              1000 * DISAGREEMENT_LEAST_V);
    }
}

/* The instruments' own fineness decides what stuck is, and what off. */
static void offer_of_readings(struct plan_work *w)
{
    const struct stand_facts *f = w->stand;
    if (f == NULL) {
        return;
    }
    double resolution_V = f->accuracy.voltage.resolution;
    resolution_V = isnan(resolution_V) ? STUCK_RESOLUTION_UNKNOWN_V : resolution_V;
    double coarse = fmax(1, resolution_V / (STUCK_RESOLUTION_V * w->battery->cells));
    offer(w, LIMIT_STUCK, STUCK_SHARE * coarse * w->battery->rated_Ah,
          "%.4g %% of rated, by a reading in steps of %g mV", 100 * STUCK_SHARE * coarse,
          1000 * resolution_V);
    offer(w, LIMIT_VOLTAGE_STUCK, VOLTAGE_STUCK_SPARE * STUCK_SHARE * coarse * w->battery->rated_Ah,
          "%.4g %% of rated, by a reading in steps of %g mV",
          100 * VOLTAGE_STUCK_SPARE * STUCK_SHARE * coarse, 1000 * resolution_V);
    offer_of_two_voltages(w);
    double offset_A = f->accuracy.current.offset;
    double off_A = isnan(offset_A) ? OFF_OF_RATING * f->load.current_max_A : OFF_OFFSETS * offset_A;
    offer(w, LIMIT_OFF_CURRENT, fmax(off_A, OFF_LEAST_A),
          "what the instrument may read while it is off");
}

static void offer_of_program(struct plan_work *w)
{
    offer(w, LIMIT_TEMPERATURE_RATE, RATE_C_PER_MIN, "the program's own highest");
    offer(w, LIMIT_REGULATION, REGULATION_PERCENT, "the program's own: of the set point");
    offer_of_flow(w);
    offer_of_times(w);
    offer_of_readings(w);
}

void plan_limits(struct plan_work *w)
{
    w->plan->limits = guard_limits_none();
    offer_of_chemistry(w);
    offer_of_battery(w);
    offer(w, LIMIT_TRUST, w->plan->limits.trust_s, "the program's own longest");
    offer_of_profile(w);
    offer_of_stand(w);
    offer_of_program(w);
}
