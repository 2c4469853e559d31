/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/run_shapes: runs as JSON. */
#include "analysis/capacity_json.h"
#include "bench/bench.h"
#include "web/shapes.h"

static json_t *source_to_json(const struct import_source *s)
{
    if (s->file[0] == '\0') {
        return json_null();
    }
    return json_pack("{s:o, s:s, s:o, s:o, s:o}", "file", text_to_json(s->file), "sha256",
                     s->sha256, "from_s", json_number(s->from_s), "to_s", json_number(s->to_s),
                     "at", utc_to_json(s->utc_ns));
}

json_t *run_summary_to_json(const struct run_row *r, const json_t *result)
{
    static const char *const from_result[] = {
        "verdict",          "capacity_Ah", "capacity_uncertainty_Ah",
        "percent_of_rated", "lower_bound", "enough"};
    json_t *o =
        json_pack("{s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:s, s:I}", "number", (json_int_t)r->nr,
                  "id", text_to_json(r->id), "battery", text_to_json(r->battery), "stand",
                  text_to_json(r->stand), "profile", text_to_json(r->profile), "started_utc",
                  utc_to_json(r->started_utc_ns), "ended_utc", utc_to_json(r->ended_utc_ns),
                  "outcome", run_outcome_names[r->outcome], "samples", (json_int_t)r->sample_count);
    for (size_t i = 0; i < sizeof from_result / sizeof from_result[0]; i++) {
        json_t *v = json_object_get(result, from_result[i]);
        json_object_set_new(o, from_result[i], v != NULL ? json_incref(v) : json_null());
    }
    json_object_set_new(o, "trip", trip_to_json(&r->trip));
    json_object_set_new(o, "imported", source_to_json(&r->imported));
    return o;
}

static json_t *instruments_of(const struct run_row *r)
{
    json_t *list = json_array();
    for (size_t i = 0; i < r->instrument_count; i++) {
        const struct run_instrument *in = &r->instrument[i];
        json_array_append_new(list,
                              json_pack("{s:o, s:o, s:o, s:o, s:o}", "role", text_to_json(in->role),
                                        "driver", text_to_json(in->driver), "identity",
                                        text_to_json(in->identity), "link", text_to_json(in->link),
                                        "driver_sha256", text_to_json(in->driver_sha256)));
    }
    return list;
}

static json_t *steps_of(const struct run_row *r)
{
    json_t *list = json_array();
    for (size_t i = 0; i < r->step_count; i++) {
        const struct run_step *s = &r->steps[i];
        json_array_append_new(
            list,
            json_pack("{s:i, s:i, s:i, s:o, s:o, s:o, s:o, s:o}", "step", s->step, "plan_step",
                      s->plan_step, "round", s->round, "name", text_to_json(s->name), "kind",
                      text_to_json(s->kind), "start_s", json_number(s->start_s), "end_s",
                      json_number(s->end_s), "ended_by", text_to_json(s->end_reason)));
    }
    return list;
}

static json_t *events_of(const struct run_parts *parts)
{
    json_t *list = json_array();
    for (size_t i = 0; i < parts->event_count; i++) {
        const struct event_row *v = &parts->events[i];
        json_array_append_new(list,
                              json_pack("{s:o, s:o, s:o, s:o}", "at", utc_to_json(v->utc_ns), "t_s",
                                        json_number(v->t_s), "kind", text_to_json(v->kind), "text",
                                        text_to_json(v->text)));
    }
    return list;
}

/* The plan was written by this program; if it cannot be read, it is not shown. */
static json_t *plan_of(const struct run_row *r)
{
    json_t *plan = r->plan_json != NULL ? json_loads(r->plan_json, 0, NULL) : NULL;
    return plan != NULL ? plan : json_null();
}

json_t *run_to_json(const struct run_row *r, const struct run_parts *parts)
{
    json_t *o = run_summary_to_json(r, parts->result);
    json_object_set_new(o, "battery_record", battery_to_json(&r->battery_record));
    json_object_set_new(o, "lead_resistance_ohm", json_number(r->lead_ohm));
    json_object_set_new(o, "voltage_source", text_to_json(r->voltage_source));
    json_object_set_new(o, "software_version", text_to_json(r->software_version));
    json_object_set_new(o, "profile_sha256", text_to_json(r->profile_sha256));
    json_object_set_new(o, "bench_sha256", text_to_json(r->bench_sha256));
    struct bench_facts bench = bench_facts_of(parts->bench_text != NULL ? parts->bench_text : "");
    json_object_set_new(o, "bench_title", text_to_json(bench.title));
    json_object_set_new(o, "simulated", json_boolean(bench.is_virtual));
    json_object_set_new(o, "instruments", instruments_of(r));
    json_object_set_new(o, "steps", steps_of(r));
    json_object_set_new(o, "events", events_of(parts));
    json_object_set_new(o, "plan", plan_of(r));
    json_object_set_new(o, "result",
                        parts->result != NULL ? json_incref(parts->result) : json_null());
    return o;
}
