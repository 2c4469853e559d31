/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/plan_json: a plan as the JSON document that is shown, agreed to, kept
 * with the run, and read back when results are computed. */
#include "run/result.h"

#include <math.h>

static json_t *step_to_json(const struct plan_step *s)
{
    json_t *o = json_object();
    json_object_set_new(o, "kind", json_string(step_kind_names[s->kind]));
    json_object_set_new(o, "name", json_string(s->name));
    const struct {
        const char *key;
        double value;
    } numbers[] = {
        {"current_A", s->current_A},     {"until_voltage_V", s->until_V},
        {"at_most_s", s->max_s},         {"at_most_Ah", s->max_Ah},
        {"sample_every_s", s->sample_s}, {"expected_s", s->expected_s},
        {"expected_Ah", s->expected_Ah}, {"expected_Wh", s->expected_Wh},
        {"heat_W", s->heat_W},
    };
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        json_object_set_new(o, numbers[i].key, json_number(numbers[i].value));
    }
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

static json_t *limits_to_json(const struct plan *p)
{
    json_t *list = json_array();
    for (size_t i = 0; i < p->limit_count; i++) {
        const struct plan_limit *l = &p->limit_list[i];
        json_array_append_new(list, json_pack("{s:s, s:o, s:s, s:s}", "name", l->name, "value",
                                              json_number(l->value), "unit", l->unit, "source",
                                              l->source));
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

static json_t *acceptance_to_json(const struct plan *p)
{
    if (!p->judged) {
        return json_null();
    }
    return json_pack("{s:I, s:s, s:o, s:s}", "step", (json_int_t)p->judged_step, "step_name",
                     p->steps[p->judged_step].name, "capacity_Ah", json_number(p->accept_Ah),
                     "rule",
                     decision_rule_names[p->guard_band ? DECISION_GUARD_BAND : DECISION_SIMPLE]);
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
    for (size_t i = 0; i < p->step_count; i++) {
        json_array_append_new(steps, step_to_json(&p->steps[i]));
    }
    json_object_set_new(o, "profile", json_string(p->profile));
    json_object_set_new(o, "battery", battery_to_json(&p->battery));
    json_object_set_new(o, "stand", facts != NULL ? stand_to_json(facts) : json_null());
    json_object_set_new(o, "steps", steps);
    json_object_set_new(o, "limits", limits_to_json(p));
    json_object_set_new(o, "acceptance", acceptance_to_json(p));
    json_object_set_new(o, "expected_s", json_number(p->expected_s));
    json_object_set_new(o, "expected_Ah", json_number(p->expected_Ah));
    json_object_set_new(o, "expected_Wh", json_number(p->expected_Wh));
    json_object_set_new(o, "starts_full", json_boolean(p->starts_full));
    json_object_set_new(o, "resume_within_s",
                        p->resume_within_s > 0 ? json_real(p->resume_within_s) : json_null());
    json_object_set_new(o, "problems", notes_to_json(&p->problems));
    json_object_set_new(o, "warnings", notes_to_json(&p->warnings));
    json_object_set_new(o, "cautions", notes_to_json(&p->cautions));
    return o;
}
