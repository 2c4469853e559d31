/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/result: from the sums of a record to what a person asked for. */
#include "analysis/stretch.h"

#include <math.h>

const char *const end_rule_names[] = {"crossing", "first-below", "whole", NULL};

const char *end_reason_text(enum end_reason reason)
{
    switch (reason) {
    case END_REASON_CROSSED:
        return "cut-off crossed";
    case END_REASON_NOT_REACHED:
        return "cut-off not reached";
    case END_REASON_RECORD:
        return "end of record";
    case END_REASON_PROTECTION:
        return "protection opened";
    }
    return "unknown";
}

const char *record_kind_name(enum record_kind kind)
{
    return kind == RECORD_CHARGE ? "charge" : "discharge";
}

static void fill_rows(const struct charge_accumulator *a, const struct stretch *s,
                      struct capacity_result *out)
{
    out->samples = a->signs.rows;
    out->first_row = s->start.at.row;
    out->last_row = s->end.at.row;
    out->samples_counted = out->last_row - out->first_row + 1;
    out->gaps = s->end.gaps - s->start.gaps;
    out->gap_s = s->end.gap_s - s->start.gap_s;
    out->repeated = a->signs.repeated.count;
    out->unknown = a->signs.unknown.count;
    out->late = a->signs.late.rows;
    out->warm = a->signs.warm.count;
    out->faulty = stretch_is_faulty(a, s);
}

static void fill_temperatures(const struct temperature_tally *t, struct capacity_result *out)
{
    out->temperature_start_C = t->start_C;
    out->temperature_min_C = t->min_C;
    out->temperature_mean_C = temperature_mean_C(t);
    out->temperature_max_C = t->max_C;
    out->temperature_end_C = t->last_C;
}

/* What was met between start and end, as seen from there. */
static void fill_voltages(const struct charge_accumulator *a, const struct stretch *s,
                          struct capacity_result *out)
{
    double start_As = exact_value(&s->start.charge_As), start_J = exact_value(&s->start.energy_J);
    out->voltage_count = 0;
    for (size_t i = 0; s->kind == RECORD_DISCHARGE && i < a->voltages.count; i++) {
        const struct voltage_mark *m = &a->voltages.mark[i];
        if (!m->met || m->t_s < s->start.at.t_s)
            continue;
        double after_s = m->t_s - s->start.at.t_s, share = after_s / s->duration_s;
        double As = start_As - m->charge_As - share * s->rest_As;
        double J = start_J - m->energy_J - share * s->rest_J;
        out->voltage[out->voltage_count++] = (struct voltage_row){
            .voltage_V = m->voltage_V,
            .after_s = after_s,
            .delivered_Ah = As / SECONDS_PER_HOUR,
            .remaining_Ah = (s->charge_As - As) / SECONDS_PER_HOUR,
            .delivered_Wh = J / SECONDS_PER_HOUR,
            .remaining_Wh = (s->energy_J - J) / SECONDS_PER_HOUR,
        };
    }
}

static void fill_electrical(const struct charge_accumulator *a, const struct stretch *s,
                            struct capacity_result *out)
{
    double sign = s->kind == RECORD_CHARGE ? 1 : -1;
    out->kind = s->kind;
    out->end_reason = s->reason;
    out->rest_A = stretch_rest_current_A(a);
    out->net_of_rest = a->options.net_of_rest && !isnan(out->rest_A);
    out->capacity_Ah = s->charge_As / SECONDS_PER_HOUR;
    out->energy_Wh = s->energy_J / SECONDS_PER_HOUR;
    out->duration_s = s->duration_s;
    out->loaded_s = s->loaded_s;
    out->mean_voltage_V = s->charge_As > 0 ? s->energy_J / s->charge_As : (double)NAN;
    out->mean_current_A = s->loaded_s > 0 ? sign * s->charge_As / s->loaded_s : (double)NAN;
    out->current_varies = sqrt(fmax(0, (s->end.square_A2s - s->start.square_A2s) * s->loaded_s /
                                               (s->charge_As * s->charge_As) -
                                           1));
    out->start_voltage_V = s->start.at.voltage_V;
    out->end_voltage_V = s->end.at.voltage_V;
    out->end_current_A = s->end.at.current_A;
    out->peak_voltage_V = a->signs.highest_V;
    out->end_s = s->end.at.t_s;
    out->from_full = s->from_full;
    out->start_charge_Ah = exact_value(&s->start.charge_As) / SECONDS_PER_HOUR;
    out->lower_bound = s->reason == END_REASON_NOT_REACHED;
    out->percent_of_rated =
        s->kind == RECORD_DISCHARGE ? 100 * out->capacity_Ah / a->options.rated_Ah : (double)NAN;
}

bool accumulator_finish(const struct charge_accumulator *a, struct capacity_result *out,
                        struct err *e)
{
    struct stretch s;
    *out = (struct capacity_result){0};
    if (!stretch_choose(a, &s, e))
        return false;
    fill_electrical(a, &s, out);
    fill_rows(a, &s, out);
    fill_voltages(a, &s, out);
    fill_temperatures(&s.end.temperature, out);
    uncertainty_assess(a, &s, &out->uncertainty);
    notes_write(a, &s, &out->uncertainty, &out->notes);
    return true;
}
