/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/shapes: batteries, profiles and stands as JSON. */
#include "web/shapes.h"

#include "analysis/capacity_json.h"
#include "base/file.h"
#include "guard/guard.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

json_t *utc_to_json(int64_t utc_ns)
{
    char text[CLOCK_UTC_TEXT_SIZE];
    if (utc_ns == 0) {
        return json_null();
    }
    clock_format_utc(utc_ns, text);
    return json_string(text);
}

json_t *text_to_json(const char *text)
{
    if (text[0] == '\0') {
        return json_null();
    }
    json_t *v = json_string(text);
    if (v == NULL) { /* an instrument may answer any bytes */
        char *copy = text_copy(text);
        for (char *p = copy; *p != '\0'; p++) {
            *p = ((unsigned char)*p & 0x80) != 0 ? '?' : *p;
        }
        v = json_string(copy);
        free(copy);
    }
    return v;
}

struct number {
    const char *key;
    double value;
};

static void put_numbers(json_t *o, const struct number *numbers, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        json_object_set_new(o, numbers[i].key, json_number(numbers[i].value));
    }
}
#define PUT_NUMBERS(o, list) put_numbers(o, list, sizeof list / sizeof list[0])

json_t *battery_to_json(const struct battery *b)
{
    json_t *o = json_pack("{s:o, s:o, s:s, s:i}", "id", text_to_json(b->id), "label",
                          text_to_json(b->label), "chemistry", chemistry_names[b->chemistry],
                          "cells", b->cells);
    const struct number numbers[] = {
        {"rated_Ah", b->rated_Ah},
        {"rated_hours", b->rated_hours},
        {"rated_cutoff_V", b->rated_cutoff_V},
        {"current_max_A", b->current_max_A},
        {"charge_current_max_A", b->charge_current_max_A},
        {"temperature_max_C", b->temperature_max_C},
    };
    PUT_NUMBERS(o, numbers);
    json_object_set_new(o, "lot", text_to_json(b->lot));
    json_object_set_new(o, "note", text_to_json(b->note));
    json_object_set_new(o, "created_utc", utc_to_json(b->created_utc_ns));
    json_object_set_new(o, "retired_utc", utc_to_json(b->retired_utc_ns));
    return o;
}

json_t *profile_to_json(const struct profile *p)
{
    json_t *chemistries = json_array();
    for (unsigned c = 0; c < CHEM_COUNT; c++) {
        if (p->chemistries & (1u << c)) {
            json_array_append_new(chemistries, json_string(chemistry_names[c]));
        }
    }
    return json_pack("{s:o, s:o, s:o, s:o, s:I, s:b, s:n}", "name", text_to_json(p->name), "title",
                     text_to_json(p->title), "about", text_to_json(p->about), "chemistries",
                     chemistries, "steps", (json_int_t)p->step_count, "judged",
                     p->acceptance.present, "problem");
}

static const char *trip_unit(const char *reason)
{
    for (int r = 0; r < GUARD_REASON_COUNT; r++) {
        if (strcmp(guard_reason_name((enum guard_reason)r), reason) == 0) {
            return guard_reason_unit((enum guard_reason)r);
        }
    }
    return "";
}

json_t *trip_to_json(const struct run_trip *t)
{
    if (t->reason[0] == '\0') {
        return json_null();
    }
    return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "reason", text_to_json(t->reason), "at",
                     utc_to_json(t->at_utc_ns), "at_s", json_number(t->at_s), "value",
                     json_number(t->value), "limit", json_number(t->limit), "unit",
                     text_to_json(trip_unit(t->reason)), "sentence", text_to_json(t->sentence));
}

static json_t *instruments_of(const struct stand_status *s)
{
    json_t *list = json_array();
    size_t n = sizeof s->instrument / sizeof s->instrument[0];
    for (size_t i = 0; i < n && s->instrument[i].role != NULL; i++) {
        json_array_append_new(list,
                              json_pack("{s:s, s:o, s:o, s:o, s:o}", "role", s->instrument[i].role,
                                        "driver", text_to_json(s->instrument[i].driver), "link",
                                        text_to_json(s->instrument[i].link), "identity",
                                        text_to_json(s->instrument[i].identity), "problem",
                                        text_to_json(s->instrument[i].problem)));
    }
    return list;
}

static json_t *limits_of(const struct guard_limits *l)
{
    json_t *o = json_object();
    const struct number numbers[] = {
        {"voltage_min_V", l->voltage_min_V},         {"voltage_max_V", l->voltage_max_V},
        {"current_max_A", l->current_max_A},         {"temperature_min_C", l->temperature_min_C},
        {"temperature_max_C", l->temperature_max_C}, {"trust_s", l->trust_s},
    };
    PUT_NUMBERS(o, numbers);
    return o;
}

/* When the plan expects the end, on the clock that labels the run. */
static json_t *expected_end(const struct stand_status *s)
{
    double seconds = s->elapsed_s + s->left_s;
    if (s->outcome != RUN_RUNNING || !isfinite(seconds)) {
        return json_null();
    }
    return utc_to_json(s->started_utc_ns + (int64_t)(seconds * (double)NS_PER_S));
}

/* What a run waits for; null when it waits for nobody. */
static json_t *hold_of(const struct stand_status *s)
{
    if (s->hold[0] == '\0') {
        return json_null();
    }
    return json_pack("{s:o, s:o}", "say", text_to_json(s->hold), "since_utc",
                     utc_to_json(s->hold_since_utc_ns));
}

static json_t *run_of(const struct stand_status *s)
{
    if (s->run_nr == 0) {
        return json_null();
    }
    json_t *o = json_pack(
        "{s:I, s:o, s:o, s:o, s:s, s:o, s:I, s:I, s:o, s:s, s:I}", "number", (json_int_t)s->run_nr,
        "id", text_to_json(s->run_id), "profile", text_to_json(s->profile), "battery",
        text_to_json(s->battery), "outcome", run_outcome_names[s->outcome], "started_utc",
        utc_to_json(s->started_utc_ns), "step", (json_int_t)s->step, "step_count",
        (json_int_t)s->step_count, "step_name", text_to_json(s->step_name), "step_kind",
        step_kind_names[s->step_kind], "samples", (json_int_t)s->samples);
    const struct number numbers[] = {
        {"elapsed_s", s->elapsed_s},           {"left_s", s->left_s},
        {"step_elapsed_s", s->step_elapsed_s}, {"discharged_Ah", s->discharged_Ah},
        {"charged_Ah", s->charged_Ah},         {"expected_Ah", s->expected_Ah},
        {"until_voltage_V", s->until_V},       {"rated_Ah", s->rated_Ah},
    };
    PUT_NUMBERS(o, numbers);
    json_object_set_new(o, "round", json_integer(s->round));
    json_object_set_new(o, "rounds", json_integer(s->rounds));
    json_object_set_new(o, "hold", hold_of(s));
    json_object_set_new(o, "expected_end_utc", expected_end(s));
    json_object_set_new(o, "limits", limits_of(&s->limits));
    return o;
}

/* What waits in its row; null when nothing does. Only at rest somebody is to act. */
static json_t *next_of(const struct stand_status *s)
{
    const struct stand_next *n = &s->next;
    if (n->row_nr == 0) {
        return json_null();
    }
    return json_pack("{s:o, s:o, s:i, s:b, s:o, s:o}", "battery", text_to_json(n->battery),
                     "profile", text_to_json(n->profile), "waiting", n->waiting, "paused",
                     n->paused, "asked_utc", utc_to_json(n->asked_utc_ns), "say",
                     text_to_json(s->phase == STAND_IDLE ? n->say : ""));
}

json_t *stand_to_json(const struct stand_status *s)
{
    const struct sample read = {.voltage_V = s->reading.voltage_V,
                                .current_A = s->reading.current_A};
    json_t *reading = json_object();
    const struct number numbers[] = {
        {"voltage_V", s->reading.voltage_V},
        {"battery_voltage_V", sample_battery_voltage(&read, s->lead_ohm)},
        {"current_A", s->reading.current_A},
        {"temperature_C", s->reading.temperature_C},
        {"age_s", s->reading_age_s},
    };
    PUT_NUMBERS(reading, numbers);
    return json_pack("{s:o, s:I, s:s, s:o, s:b, s:o, s:o, s:o, s:o, s:o}", "name",
                     text_to_json(s->name), "look", (json_int_t)s->look, "phase",
                     stand_phase_names[s->phase], "problem", text_to_json(s->problem),
                     "output_unconfirmed", s->output_unconfirmed, "reading", reading, "instruments",
                     instruments_of(s), "run", run_of(s), "trip", trip_to_json(&s->trip), "next",
                     next_of(s));
}
