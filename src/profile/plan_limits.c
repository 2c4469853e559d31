/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plan_limits: limits add up. Chemistry, battery record, profile, stand
 * and the program each make an offer; the strictest wins and is shown with its
 * source. */
#include "base/file.h"
#include "profile/plan_work.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* A load hunts around its set point and overshoots when switched on; a current
 * further above means it no longer does what it was told (common practice, no
 * source for the number). */
#define CURRENT_SPARE 1.2
/* What a load or supply in order makes of its set point, with its hunting (common
 * practice, no source for the number). */
#define HOLDS_TO 0.02
/* Small currents are read only so finely. */
#define CURRENT_SPARE_LEAST_A (2 * GUARD_REGULATION_LEAST_A)

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

/* Limits being gathered: of the whole plan, as shown, or of one step. */
struct limit_set {
    const struct plan_step *step; /* NULL: of the whole plan */
    struct guard_limits limits;
    size_t count;
    struct plan_limit list[LIMIT_COUNT];
    int line[LIMIT_COUNT]; /* of the profile, where it won */
};

static struct plan_limit *find_row(struct plan_limit *list, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++) {
        if (list[i].name == name) {
            return &list[i];
        }
    }
    return NULL;
}

/* One row per kind, in the order in which first offers come. */
static struct plan_limit *row_of(struct limit_set *set, enum limit_kind kind)
{
    struct plan_limit *row = find_row(set->list, set->count, kinds[kind].name);
    if (row == NULL) {
        row = &set->list[set->count++];
        *row =
            (struct plan_limit){.name = kinds[kind].name, .unit = kinds[kind].unit, .value = NAN};
    }
    return row;
}

/* True when this offer is the strictest so far. Of equal offers the first stays. */
static bool offer(struct limit_set *set, enum limit_kind kind, double value, const char *fmt, ...)
    PRINTF_LIKE(4, 5);
static bool offer(struct limit_set *set, enum limit_kind kind, double value, const char *fmt, ...)
{
    if (isnan(value)) {
        return false;
    }
    struct plan_limit *row = row_of(set, kind);
    bool stricter = kinds[kind].upper ? value < row->value : value > row->value;
    if (!isnan(row->value) && !stricter) {
        return false;
    }
    row->value = value;
    *place_of(&set->limits, kind) = value;
    set->line[kind] = 0;
    va_list args;
    va_start(args, fmt);
    vsnprintf(row->source, sizeof row->source, fmt, args);
    va_end(args);
    return true;
}

/* --- which limits belong to which kind of step --- */

static bool is_kind(const struct limit_set *set, enum step_kind kind)
{
    return set->step != NULL && set->step->kind == kind;
}

static bool charges(const struct limit_set *set)
{
    return set->step != NULL && step_charges(set->step);
}

static bool flows(const struct limit_set *set)
{
    return set->step != NULL && fabs(set->step->current_A) > 0;
}

static bool has_precharge(const struct plan *p)
{
    for (size_t i = 0; i < p->step_count; i++) {
        if (isfinite(p->steps[i].skip_above_V)) {
            return true;
        }
    }
    return false;
}

/* A lower voltage for what comes before and during a pre-charge: it is there for
 * batteries below the floor. While a person works at the battery there is none. */
static void offer_floor(const struct plan_work *w, struct limit_set *set)
{
    const struct chemistry_data *c = w->chemistry;
    const char *name = chemistry_names[w->battery->chemistry];
    int cells = w->battery->cells;
    bool before = is_kind(set, STEP_REST) && has_precharge(w->plan);
    if (is_kind(set, STEP_HOLD)) {
        return;
    }
    if (before || (set->step != NULL && isfinite(set->step->skip_above_V))) {
        offer(set, LIMIT_VOLTAGE_MIN, c->recover_V * cells,
              "chemistry %s: may be pre-charged from %.2f V/cell x %d", name, c->recover_V, cells);
        return;
    }
    offer(set, LIMIT_VOLTAGE_MIN, c->floor_V * cells, "chemistry %s: floor %.2f V/cell x %d", name,
          c->floor_V, cells);
}

/* By how much compensation may lift the charge voltage at the coldest. */
static double largest_lift(const struct plan_work *w)
{
    double lift_V = 0;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        const struct plan_step *s = &w->plan->steps[i];
        lift_V = fmax(lift_V, coldest_charge_voltage(w, s) - s->charge_V);
    }
    return lift_V;
}

/* In the cold a compensated charge ends higher, and the battery rests from there. */
static void offer_ceiling(const struct plan_work *w, struct limit_set *set)
{
    const struct chemistry_data *c = w->chemistry;
    double lift_V = largest_lift(w);
    char lift[48] = "";
    if (lift_V > 0) {
        text_format(lift, sizeof lift, " and %.2f V for the cold", lift_V);
    }
    offer(set, LIMIT_VOLTAGE_MAX, c->ceiling_V * w->battery->cells + lift_V,
          "chemistry %s: ceiling %.2f V/cell x %d%s", chemistry_names[w->battery->chemistry],
          c->ceiling_V, w->battery->cells, lift);
}

static void offer_of_chemistry(const struct plan_work *w, struct limit_set *set)
{
    const struct chemistry_data *c = w->chemistry;
    const char *name = chemistry_names[w->battery->chemistry];
    bool charging = charges(set);
    const char *what = charging ? "charge" : "discharge";
    double min_C = charging ? c->charge_min_C : c->discharge_min_C;
    double max_C = charging ? c->charge_max_C : c->discharge_max_C;
    offer_floor(w, set);
    offer_ceiling(w, set);
    offer(set, LIMIT_TEMPERATURE_MIN, min_C, "chemistry %s: %s from %g degC", name, what, min_C);
    offer(set, LIMIT_TEMPERATURE_MAX, max_C, "chemistry %s: %s up to %g degC", name, what, max_C);
}

double known_error(const struct accuracy *a, double value)
{
    return (isnan(a->gain) ? 0 : a->gain * value) + (isnan(a->offset) ? 0 : a->offset) +
           (isnan(a->resolution) ? 0 : a->resolution);
}

double current_spare(const struct plan_work *w, double set_A)
{
    double held_A = fmax(HOLDS_TO * set_A, GUARD_REGULATION_LEAST_A);
    return held_A + (w->stand != NULL ? known_error(&w->stand->accuracy.current, set_A) : 0);
}

static double set_point(const struct plan_work *w, const struct limit_set *set)
{
    return flows(set) ? fabs(set->step->current_A)
                      : fmax(largest_current(w, false), largest_current(w, true));
}

/* What something is rated for may be set, and a reading of that lies above it now and
 * then: the limit leaves room for it. More than rated is a problem of the plan, told
 * elsewhere. `whose`: "load of stand jetty: rated". */
static void offer_rated_current(const struct plan_work *w, struct limit_set *set, double rated_A,
                                const char *whose)
{
    double set_A = set_point(w, set);
    double wide_A = set_A <= rated_A ? set_A + current_spare(w, set_A) : 0;
    if (wide_A > rated_A) {
        offer(set, LIMIT_CURRENT_MAX, wide_A, "%s %g A, and %.3g A for what a reading of it shows",
              whose, rated_A, wide_A - rated_A);
    } else {
        offer(set, LIMIT_CURRENT_MAX, rated_A, "%s %g A", whose, rated_A);
    }
}

static void offer_of_battery(const struct plan_work *w, struct limit_set *set)
{
    const struct battery *b = w->battery;
    char whose[LABEL_SIZE + 40];
    if (charges(set)) {
        text_format(whose, sizeof whose, "battery %s: charged with at most", b->label);
        offer_rated_current(w, set, b->charge_current_max_A, whose);
    } else {
        text_format(whose, sizeof whose, "battery %s: at most", b->label);
        offer_rated_current(w, set, b->current_max_A, whose);
    }
    offer(set, LIMIT_TEMPERATURE_MAX, b->temperature_max_C, "battery %s: at most %g degC", b->label,
          b->temperature_max_C);
}

static void offer_written(const struct plan_work *w, struct limit_set *set, enum limit_kind kind,
                          const struct written *q, double value)
{
    if (!q->present) {
        return;
    }
    char text[WRITTEN_TEXT_SIZE];
    char cells[16] = "";
    if (q->q.dimension == DIM_VOLTAGE_PER_CELL) {
        text_format(cells, sizeof cells, " x %d", w->battery->cells);
    }
    if (offer(set, kind, value, "profile line %d: %s%s", q->line, written_text(q, text), cells)) {
        set->line[kind] = q->line;
    }
}

static bool needs_temperature(const struct plan_work *w, const struct plan_step *s)
{
    return s != NULL && step_charges(s) &&
           (w->chemistry->charge_needs_temperature || s->charge_V_per_K < 0 ||
            isfinite(s->until_C_per_min));
}

/* The profile's lower voltage is where discharging stops in any case. A battery
 * may be below it when a charge begins, or at rest. */
static void offer_of_profile(const struct plan_work *w, struct limit_set *set)
{
    const struct profile_limits *l = &w->profile->limits;
    if (set->step == NULL || step_discharges(set->step)) {
        offer_written(w, set, LIMIT_VOLTAGE_MIN, &l->voltage_min,
                      resolve_voltage(w, &l->voltage_min));
    }
    const struct {
        enum limit_kind kind;
        const struct written *q;
        double value;
    } rows[] = {
        {LIMIT_VOLTAGE_MAX, &l->voltage_max, resolve_voltage(w, &l->voltage_max)},
        {LIMIT_CURRENT_MAX, &l->current_max, resolve_current(w, &l->current_max)},
        {LIMIT_TEMPERATURE_MIN, &l->temperature_min, l->temperature_min.q.value},
        {LIMIT_TEMPERATURE_MAX, &l->temperature_max, l->temperature_max.q.value},
        {LIMIT_TEMPERATURE_RATE, &l->temperature_rate, l->temperature_rate.q.value},
        {LIMIT_REGULATION, &l->regulation, 100 * l->regulation.q.value},
        {LIMIT_CHARGE, &l->charge_max, resolve_charge(w, &l->charge_max)},
        {LIMIT_ENERGY, &l->energy_max, l->energy_max.q.value},
        {LIMIT_STEP_TIME, &l->step_time_max, l->step_time_max.q.value},
        {LIMIT_RUN_TIME, &l->run_time_max, l->run_time_max.q.value},
        {LIMIT_TRUST, &l->trust_time, l->trust_time.q.value},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        offer_written(w, set, rows[i].kind, rows[i].q, rows[i].value);
    }
    set->limits.temperature_required = l->temperature_required || needs_temperature(w, set->step);
}

static void offer_of_stand(const struct plan_work *w, struct limit_set *set)
{
    const struct stand_facts *f = w->stand;
    double set_point_A = set_point(w, set);
    char who[LABEL_SIZE + 32];
    if (f != NULL && f->load.present) {
        offer(set, LIMIT_VOLTAGE_MAX, f->load.voltage_max_V, "load of stand %s: rated %g V",
              f->name, f->load.voltage_max_V);
    }
    if (f != NULL && f->load.present && !charges(set)) {
        text_format(who, sizeof who, "load of stand %s: rated", f->name);
        offer_rated_current(w, set, f->load.current_max_A, who);
    }
    if (f != NULL && f->supply.present && charges(set)) {
        text_format(who, sizeof who, "supply of stand %s: rated", f->name);
        offer_rated_current(w, set, f->supply.current_max_A, who);
    }
    const char *whose = flows(set) ? "the set point" : "the largest set point";
    if ((CURRENT_SPARE - 1) * set_point_A < CURRENT_SPARE_LEAST_A && set_point_A > 0) {
        offer(set, LIMIT_CURRENT_MAX, set_point_A + CURRENT_SPARE_LEAST_A, "%s, %g A, and %g A",
              whose, set_point_A, CURRENT_SPARE_LEAST_A);
    } else if (set_point_A > 0) {
        offer(set, LIMIT_CURRENT_MAX, CURRENT_SPARE * set_point_A, "%g x %s, %g A", CURRENT_SPARE,
              whose, set_point_A);
    }
}

/* The most charge that a step lets through. */
static double most_charge(const struct plan_step *s)
{
    return fmin(s->max_Ah, fabs(s->current_A) * s->max_s / S_PER_H);
}

/* Beyond its own end, what a profile says a charge must never exceed; NAN none. */
static double charge_beyond(const struct plan_work *w, const struct plan_step *s)
{
    const struct profile_step *from = &w->profile->steps[s - w->plan->steps];
    const struct written none = {0};
    return resolve_charge(w, from->until_charge.present ? &from->at_most_charge : &none);
}

static double time_beyond(const struct plan_work *w, const struct plan_step *s)
{
    const struct profile_step *from = &w->profile->steps[s - w->plan->steps];
    if (from->until_time.present && from->at_most_time.present) {
        return from->at_most_time.q.value;
    }
    return NAN;
}

static void offer_of_times(const struct plan_work *w, struct limit_set *set)
{
    double longest_s = 0;
    char longest[DURATION_TEXT_SIZE], sum[DURATION_TEXT_SIZE];
    for (size_t i = 0; i < w->plan->step_count; i++) {
        longest_s = fmax(longest_s, w->plan->steps[i].max_s);
    }
    if (set->step != NULL) {
        double beyond_s = time_beyond(w, set->step);
        longest_s = isnan(beyond_s) ? set->step->max_s : beyond_s;
    }
    double sum_s = w->plan->longest_s;
    offer(set, LIMIT_STEP_TIME, longest_s + STEP_TIME_SPARE_S,
          set->step != NULL ? "the step at its longest, %s, and %d s"
                            : "the longest step, %s, and %d s",
          duration_text(longest_s, longest), STEP_TIME_SPARE_S);
    offer(set, LIMIT_RUN_TIME, RUN_TIME_SPARE * sum_s + RUN_TIME_SPARE_S,
          "%g x all steps at their longest, %s, and %d s", RUN_TIME_SPARE,
          duration_text(sum_s, sum), RUN_TIME_SPARE_S);
}

static void offer_of_flow(const struct plan_work *w, struct limit_set *set)
{
    double charge_Ah = 0;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        charge_Ah = fmax(charge_Ah, most_charge(&w->plan->steps[i]));
    }
    if (flows(set)) {
        double beyond_Ah = charge_beyond(w, set->step);
        charge_Ah = isnan(beyond_Ah) ? most_charge(set->step) : beyond_Ah;
    }
    if (charge_Ah > 0) {
        offer(set, LIMIT_CHARGE, CHARGE_SPARE * charge_Ah,
              flows(set) ? "%g x the most of the step, %.4g Ah" : "%g x the largest step, %.4g Ah",
              CHARGE_SPARE, charge_Ah);
        offer(set, LIMIT_ENERGY, set->limits.charge_max_Ah * set->limits.voltage_max_V,
              "the charge limit at the highest voltage");
    }
}

static double error_of(const struct accuracy *a, double voltage_V)
{
    double gain = isnan(a->gain) ? UNKNOWN_GAIN : a->gain;
    double offset_V = isnan(a->offset) ? UNKNOWN_OFFSET_V : a->offset;
    return gain * voltage_V + offset_V + (isnan(a->resolution) ? 0 : a->resolution);
}

static void offer_of_two_voltages(const struct plan_work *w, struct limit_set *set)
{
    const struct stand_facts *f = w->stand;
    if (f->voltage_source == SOURCE_METER && (f->load.present || f->supply.present)) {
        double highest_V = set->limits.voltage_max_V;
        offer(set, LIMIT_DISAGREEMENT,
              error_of(&f->accuracy.voltage, highest_V) + error_of(&f->other_voltage, highest_V) +
                  DISAGREEMENT_LEAST_V,
              "accuracy of meter and instrument, and %g mV; leads come on top",
              1000 * DISAGREEMENT_LEAST_V);
    }
}

/* The instruments' own fineness decides what stuck is, and what off. */
static void offer_of_readings(const struct plan_work *w, struct limit_set *set)
{
    const struct stand_facts *f = w->stand;
    if (f == NULL) {
        return;
    }
    double resolution_V = f->accuracy.voltage.resolution;
    resolution_V = isnan(resolution_V) ? STUCK_RESOLUTION_UNKNOWN_V : resolution_V;
    double coarse = fmax(1, resolution_V / (STUCK_RESOLUTION_V * w->battery->cells));
    offer(set, LIMIT_STUCK, STUCK_SHARE * coarse * w->battery->rated_Ah,
          "%.4g %% of rated, by a reading in steps of %g mV", 100 * STUCK_SHARE * coarse,
          1000 * resolution_V);
    offer(set, LIMIT_VOLTAGE_STUCK,
          VOLTAGE_STUCK_SPARE * STUCK_SHARE * coarse * w->battery->rated_Ah,
          "%.4g %% of rated, by a reading in steps of %g mV",
          100 * VOLTAGE_STUCK_SPARE * STUCK_SHARE * coarse, 1000 * resolution_V);
    offer_of_two_voltages(w, set);
    const struct instrument_facts *output = f->load.present ? &f->load : &f->supply;
    offer(set, LIMIT_OFF_CURRENT, off_current_A(f->accuracy.current.offset, output->current_max_A),
          "what the instrument may read while it is off");
}

/* A current that is free to follow the voltage is held to no set point. */
static bool has_steady_current(const struct plan_step *s)
{
    return s->kind != STEP_CHARGE && !step_charges(s) && s->drive != DRIVE_POWER &&
           s->drive != DRIVE_RESISTANCE;
}

static void offer_of_program(const struct plan_work *w, struct limit_set *set)
{
    offer(set, LIMIT_TEMPERATURE_RATE, RATE_C_PER_MIN, "the program's own highest");
    offer(set, LIMIT_REGULATION, REGULATION_PERCENT, "the program's own: of the set point");
    offer_of_flow(w, set);
    offer_of_times(w, set);
    offer_of_readings(w, set);
    if (set->step != NULL && !has_steady_current(set->step)) {
        set->limits.regulation_percent = NAN;
    }
}

/* `step` NULL: of the whole plan. */
static void gather(const struct plan_work *w, const struct plan_step *step, struct limit_set *set)
{
    *set = (struct limit_set){.step = step, .limits = guard_limits_none()};
    offer_of_chemistry(w, set);
    offer_of_battery(w, set);
    offer(set, LIMIT_TRUST, set->limits.trust_s, "the program's own longest");
    offer_of_profile(w, set);
    offer_of_stand(w, set);
    offer_of_program(w, set);
}

/* Shown with a step: what is not as in the list of the plan. */
static void keep_own(struct plan *p, struct limit_set *set, struct plan_step *s)
{
    s->limits = set->limits;
    for (size_t i = 0; i < set->count; i++) {
        const struct plan_limit *common =
            find_row(p->limit_list, p->limit_count, set->list[i].name);
        if (common == NULL || common->value != set->list[i].value) {
            s->own_limits[s->own_limit_count++] = set->list[i];
        }
    }
}

_Static_assert((int)LIMIT_COUNT <= PLAN_LIMITS_MAX, "a place for every limit");

void plan_limits(struct plan_work *w)
{
    struct limit_set set;
    struct plan *p = w->plan;
    need_rating(w, &w->profile->limits.current_max, "the limit in A");
    need_rating(w, &w->profile->limits.charge_max, "the limit in Ah");
    gather(w, NULL, &set);
    p->limits = set.limits;
    p->limit_count = set.count;
    memcpy(p->limit_list, set.list, set.count * sizeof set.list[0]);
    memcpy(w->limit_line, set.line, sizeof set.line);
    for (size_t i = 0; i < p->step_count; i++) {
        gather(w, &p->steps[i], &set);
        keep_own(p, &set, &p->steps[i]);
    }
}
