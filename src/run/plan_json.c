/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/plan_json: a plan as the JSON document that is shown, agreed to, kept
 * with the run, and read back when results are computed. */
#include "run/result.h"

#include <math.h>
#include <stdint.h>

static json_t *limits_to_json(const struct plan_limit *limits, size_t count)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++) {
        const struct plan_limit *l = &limits[i];
        json_array_append_new(list, json_pack("{s:s, s:o, s:s, s:s}", "name", l->name, "value",
                                              json_number(l->value), "unit", l->unit, "source",
                                              l->source));
    }
    return list;
}

struct number {
    const char *key;
    double value;
};

static void put_numbers(json_t *o, const struct number *numbers, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        json_object_set_new(o, numbers[i].key, json_number(numbers[i].value));
    }
}

static json_t *segments_to_json(const struct plan_step *s)
{
    json_t *list = json_array();
    for (size_t i = 0; i < s->segment_count; i++) {
        const struct plan_segment *g = &s->segments[i];
        json_array_append_new(
            list, json_pack("{s:o, s:o, s:o}", "current_A", json_number(g->current_A), "for_s",
                            json_number(g->for_s), "sample_every_s", json_number(g->sample_s)));
    }
    return list;
}

static json_t *repeat_to_json(const struct plan_repeat *r)
{
    return json_pack("{s:I, s:I, s:o, s:o, s:o, s:o, s:b}", "back_to_step", (json_int_t)r->back_to,
                     "times", (json_int_t)r->times, "of_step",
                     r->of_step == SIZE_MAX ? json_null() : json_integer((json_int_t)r->of_step),
                     "until_capacity_below_Ah", json_number(r->until_below_Ah),
                     "until_capacity_reached_Ah", json_number(r->until_from_Ah),
                     "until_agree_within_percent", json_number(100 * r->until_agree),
                     "until_cutoff", r->until_cutoff);
}

/* Whatever the kind, every key is there: what it has not is null. */
static json_t *step_to_json(const struct plan_step *s)
{
    json_t *o = json_object();
    bool pulses = s->kind == STEP_PULSE, repeats = s->kind == STEP_REPEAT;
    const struct number numbers[] = {
        {"current_A", s->current_A},
        {"power_W", s->power_W},
        {"resistance_ohm", s->resistance_ohm},
        {"charge_voltage_V", s->charge_V},
        {"charge_voltage_V_per_K", s->charge_V_per_K},
        {"compensation_reference_C", s->compensation_C},
        {"skip_above_V", s->skip_above_V},
        {"until_voltage_V", s->until_V},
        {"until_current_A", s->until_A},
        {"until_drop_V", s->until_drop_V},
        {"until_warming_C_per_min", s->until_C_per_min},
        {"hold_off_s", s->hold_off_s},
        {"until_settled_V_per_h", s->until_V_per_h},
        {"at_least_s", s->least_s},
        {"at_most_s", s->max_s},
        {"at_most_Ah", s->max_Ah},
        {"remind_every_s", s->remind_s},
        {"sample_every_s", s->sample_s},
        {"expected_s", s->expected_s},
        {"expected_Ah", s->expected_Ah},
        {"expected_Wh", s->expected_Wh},
        {"heat_W", s->heat_W},
        {"rounds", s->rounds},
    };
    json_object_set_new(o, "kind", json_string(step_kind_names[s->kind]));
    json_object_set_new(o, "name", json_string(s->name));
    put_numbers(o, numbers, sizeof numbers / sizeof numbers[0]);
    json_object_set_new(o, "at_most_s_is_fault", json_boolean(s->max_s_is_fault));
    json_object_set_new(o, "at_most_Ah_is_fault", json_boolean(s->max_Ah_is_fault));
    json_object_set_new(o, "say", s->kind == STEP_HOLD ? json_string(s->say) : json_null());
    json_object_set_new(o, "segments", pulses ? segments_to_json(s) : json_null());
    json_object_set_new(o, "repeat", repeats ? repeat_to_json(&s->repeat) : json_null());
    json_object_set_new(o, "limits", limits_to_json(s->own_limits, s->own_limit_count));
    json_object_set_new(o, "temperature_required", json_boolean(s->limits.temperature_required));
    return o;
}

static json_t *notes_to_json(const struct plan_notes *n)
{
    json_t *list = json_array();
    for (size_t i = 0; i < n->count; i++) {
        json_array_append_new(list, json_string(n->text[i]));
    }
    return list;
}

static json_t *accuracy_to_json(const struct accuracy *a)
{
    return json_pack("{s:o, s:o, s:o}", "gain", json_number(a->gain), "offset",
                     json_number(a->offset), "resolution", json_number(a->resolution));
}

static json_t *stand_to_json(const struct stand_facts *f)
{
    json_t *o = json_object();
    json_object_set_new(o, "name", json_string(f->name));
    json_object_set_new(o, "voltage_source", json_string(voltage_source_names[f->voltage_source]));
    json_object_set_new(o, "lead_resistance_ohm", json_number(f->lead_ohm));
    json_object_set_new(o, "present_voltage_V", json_number(f->present_voltage_V));
    json_object_set_new(o, "present_temperature_C", json_number(f->present_temperature_C));
    json_object_set_new(o, "voltage_accuracy", accuracy_to_json(&f->accuracy.voltage));
    json_object_set_new(o, "current_accuracy", accuracy_to_json(&f->accuracy.current));
    json_object_set_new(o, "time_gain", json_number(f->accuracy.time_gain));
    return o;
}

static enum decision_rule rule_of(double guard_share)
{
    if (guard_share <= 0) {
        return DECISION_SIMPLE;
    }
    return guard_share < 1 ? DECISION_GUARD_SHARE : DECISION_GUARD_BAND;
}

static json_t *correction_to_json(const struct correction_choice *c)
{
    if (c->rule == CORRECTION_NONE) {
        return json_null();
    }
    json_t *o = json_object();
    const struct number numbers[] = {
        {"thermometer_C", c->temperature_error_C}, {"coefficient_per_K", c->coefficient_per_K},
        {"reference_C", c->reference_C},           {"published_A", c->published_A},
        {"published_s", c->published_s},           {"rated_Ah", c->rated_Ah},
        {"rated_hours", c->rated_hours},
    };
    json_object_set_new(o, "rule", json_string(correction_names[c->rule]));
    json_object_set_new(o, "decides", json_boolean(correction_decides(c)));
    put_numbers(o, numbers, sizeof numbers / sizeof numbers[0]);
    return o;
}

static json_t *acceptance_to_json(const struct plan *p)
{
    if (!p->judged) {
        return json_null();
    }
    return json_pack("{s:I, s:s, s:o, s:s, s:o, s:s, s:o}", "step", (json_int_t)p->judged_step,
                     "step_name", p->steps[p->judged_step].name, "capacity_Ah",
                     json_number(p->accept_Ah), "rule",
                     decision_rule_names[rule_of(p->guard_share)], "guard_share_percent",
                     json_number(100 * p->guard_share), "counts", attempts_names[p->attempts],
                     "correction", correction_to_json(&p->correction));
}

static json_t *battery_to_json(const struct battery *b)
{
    return json_pack("{s:s, s:s, s:i, s:o}", "label", b->label, "chemistry",
                     chemistry_names[b->chemistry], "cells", b->cells, "rated_Ah",
                     json_number(b->rated_Ah));
}

json_t *plan_to_json(const struct plan *p, const struct stand_facts *facts)
{
    json_t *o = json_object();
    json_t *steps = json_array();
    const struct number totals[] = {
        {"expected_s", p->expected_s},
        {"longest_s", p->longest_s},
        {"expected_Ah", p->expected_Ah},
        {"expected_Wh", p->expected_Wh},
        {"expected_charged_Ah", p->expected_charged_Ah},
        {"expected_charged_Wh", p->expected_charged_Wh},
        {"disk_bytes", p->disk_bytes},
    };
    for (size_t i = 0; i < p->step_count; i++) {
        json_array_append_new(steps, step_to_json(&p->steps[i]));
    }
    json_object_set_new(o, "profile", json_string(p->profile));
    json_object_set_new(o, "battery", battery_to_json(&p->battery));
    json_object_set_new(o, "stand", facts != NULL ? stand_to_json(facts) : json_null());
    json_object_set_new(o, "steps", steps);
    json_object_set_new(o, "limits", limits_to_json(p->limit_list, p->limit_count));
    json_object_set_new(o, "acceptance", acceptance_to_json(p));
    put_numbers(o, totals, sizeof totals / sizeof totals[0]);
    json_object_set_new(o, "starts_full", json_boolean(p->starts_full));
    json_object_set_new(o, "full_doubt",
                        p->full_doubt[0] != '\0' ? json_string(p->full_doubt) : json_null());
    json_object_set_new(o, "resume_within_s",
                        p->resume_within_s > 0 ? json_real(p->resume_within_s) : json_null());
    json_object_set_new(o, "problems", notes_to_json(&p->problems));
    json_object_set_new(o, "warnings", notes_to_json(&p->warnings));
    json_object_set_new(o, "cautions", notes_to_json(&p->cautions));
    return o;
}
