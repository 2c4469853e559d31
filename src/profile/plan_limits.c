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

static const struct {
    const char *name, *unit;
    bool upper; /* the smaller value is the stricter one */
} kinds[LIMIT_COUNT] = {
    [LIMIT_VOLTAGE_MIN] = {"voltage_min", "V", false},
    [LIMIT_VOLTAGE_MAX] = {"voltage_max", "V", true},
    [LIMIT_CURRENT_MAX] = {"current_max", "A", true},
    [LIMIT_TEMPERATURE_MIN] = {"temperature_min", "degC", false},
    [LIMIT_TEMPERATURE_MAX] = {"temperature_max", "degC", true},
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

void plan_limits(struct plan_work *w)
{
    w->plan->limits = guard_limits_none();
    offer_of_chemistry(w);
    offer_of_battery(w);
    offer(w, LIMIT_TRUST, w->plan->limits.trust_s, "the program's own longest");
    offer_of_profile(w);
    offer_of_stand(w);
}
