/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/pulse_json: changes of current and what followed them. */
#include "analysis/pulse_json.h"

#include "analysis/capacity_json.h"

static json_t *instants_to_json(const struct pulse_change *c,
                                const struct instrument_accuracy *accuracy)
{
    json_t *list = json_array();
    for (size_t i = 0; i < c->count; i++) {
        const struct pulse_instant *at = &c->instant[i];
        json_array_append_new(
            list, json_pack("{s:o, s:o, s:o, s:o, s:o, s:o}", "mark_s", json_number(at->mark_s),
                            "after_s", json_number(at->after_s), "voltage_V",
                            json_number(at->at.voltage_V), "current_A",
                            json_number(at->at.current_A), "resistance_mOhm",
                            json_number(1e3 * at->resistance_ohm), "resistance_uncertainty_mOhm",
                            json_number(1e3 * pulse_uncertainty_ohm(c, at, accuracy))));
    }
    return list;
}

static json_t *pair_to_json(const struct relaxation_pair *p)
{
    return json_pack("{s:o, s:o, s:o, s:o}", "resistance_mOhm", json_number(1e3 * p->ohm),
                     "resistance_uncertainty_mOhm", json_number(1e3 * p->u_ohm), "tau_s",
                     json_number(p->tau_s), "tau_uncertainty_s", json_number(p->u_tau_s));
}

static json_t *relaxation_to_json(const struct relaxation *r)
{
    if (r->pairs == 0) {
        return json_null();
    }
    json_t *pairs = json_array();
    for (size_t i = 0; i < r->pairs; i++) {
        json_array_append_new(pairs, pair_to_json(&r->pair[i]));
    }
    return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:I}", "series_mOhm",
                     json_number(1e3 * r->series_ohm), "series_uncertainty_mOhm",
                     json_number(1e3 * r->u_series_ohm), "pairs", pairs, "end_voltage_V",
                     json_number(r->end_V), "end_voltage_uncertainty_V", json_number(r->u_end_V),
                     "residual_V", json_number(r->residual_V), "readings", (json_int_t)r->readings);
}

json_t *pulse_change_to_json(const struct pulse_change *c,
                             const struct instrument_accuracy *accuracy)
{
    return json_pack(
        "{s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "method", pulse_method_names[c->method],
        "at_s", json_number(c->before.t_s), "held_s", json_number(c->held_s), "switched_within_s",
        json_number(c->instant[0].after_s), "voltage_before_V", json_number(c->before.voltage_V),
        "current_before_A", json_number(c->before.current_A), "temperature_C",
        json_number(c->before.temperature_C), "instants", instants_to_json(c, accuracy),
        "relaxation", relaxation_to_json(&c->relaxation));
}

static json_t *two_current_to_json(const struct two_current *t)
{
    const struct two_current_info *m = &two_current_methods[t->method];
    const struct {
        const char *key;
        double value;
    } numbers[] = {{"first_at_s", t->first.t_s},
                   {"first_current_A", t->first.current_A},
                   {"first_voltage_V", t->first.voltage_V},
                   {"first_after_s", t->first_s},
                   {"pause_s", t->pause_s},
                   {"second_current_A", t->second.current_A},
                   {"second_voltage_V", t->second.voltage_V},
                   {"second_after_s", t->second_s},
                   {"resistance_mOhm", 1e3 * t->line.ohm},
                   {"resistance_uncertainty_mOhm", 1e3 * COVERAGE_FACTOR * t->line.u_ohm},
                   {"short_circuit_A", t->line.short_A},
                   {"short_circuit_uncertainty_A", COVERAGE_FACTOR * t->line.u_short_A},
                   {"voltage_without_current_V", t->line.open_V}};
    json_t *o = json_pack("{s:s, s:s}", "method", m->name, "source", m->source);
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        json_object_set_new(o, numbers[i].key, json_number(numbers[i].value));
    }
    return o;
}

json_t *two_currents_to_json(const struct two_currents *t)
{
    json_t *list = json_array();
    for (size_t i = 0; i < t->count; i++) {
        json_array_append_new(list, two_current_to_json(&t->found[i]));
    }
    return list;
}
