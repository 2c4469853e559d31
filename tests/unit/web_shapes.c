/* SPDX-License-Identifier: GPL-3.0-or-later
 * Shapes: unknown is null and never 0; keys that clients rely on are there;
 * odd bytes from an instrument do not break a document. */
#include "web/shapes.h"

#include "web/http.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const json_t *at(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    if (v == NULL) {
        fail_msg("no key \"%s\"", key);
    }
    return v;
}

static void text_is(const json_t *o, const char *key, const char *text)
{
    assert_string_equal(json_string_value(at(o, key)), text);
}

static void null_is(const json_t *o, const char *key)
{
    if (!json_is_null(at(o, key))) {
        fail_msg("\"%s\" is not null", key);
    }
}

static struct stand_status blank_stand(void)
{
    return (struct stand_status){
        .name = "jetty",
        .phase = STAND_IDLE,
        .reading = {.voltage_V = NAN, .current_A = NAN, .temperature_C = NAN, .other_V = NAN},
        .reading_age_s = NAN,
        .elapsed_s = NAN,
        .left_s = NAN,
        .expected_Ah = NAN,
        .until_V = NAN,
        .limits = guard_limits_none(),
    };
}

static void idle_stand(void **state)
{
    (void)state;
    struct stand_status s = blank_stand();
    json_t *o = stand_to_json(&s);
    text_is(o, "name", "jetty");
    text_is(o, "phase", "idle");
    null_is(o, "problem");
    null_is(o, "run");
    null_is(o, "trip");
    null_is(at(o, "reading"), "voltage_V");
    null_is(at(o, "reading"), "battery_voltage_V");
    null_is(at(o, "reading"), "age_s");
    assert_true(json_is_false(at(o, "output_unconfirmed")));
    assert_int_equal(json_array_size(at(o, "instruments")), 0);
    json_decref(o);
}

static void running_stand(void **state)
{
    (void)state;
    struct stand_status s = blank_stand();
    s.phase = STAND_RUNNING;
    s.run_nr = 3;
    s.outcome = RUN_RUNNING;
    s.started_utc_ns = 1000 * NS_PER_S;
    s.elapsed_s = 60;
    s.left_s = 40;
    s.lead_ohm = 0.01;
    s.rated_Ah = 125;
    s.reading =
        (struct reading){.voltage_V = 12.8, .current_A = -10, .temperature_C = 22, .other_V = NAN};
    s.instrument[0].role = "load";
    strcpy(s.instrument[0].identity, "VIRTUAL,\xff,1");
    json_t *o = stand_to_json(&s);
    const json_t *run = at(o, "run");
    text_is(run, "expected_end_utc", "1970-01-01T00:18:20.000Z");
    text_is(run, "outcome", "running");
    null_is(run, "expected_Ah");
    null_is(at(run, "limits"), "voltage_min_V");
    text_is(json_array_get(at(o, "instruments"), 0), "identity", "VIRTUAL,?,1");
    assert_float_equal(json_number_value(at(at(o, "reading"), "current_A")), -10, 0);
    assert_float_equal(json_number_value(at(at(o, "reading"), "voltage_V")), 12.8, 0);
    assert_float_equal(json_number_value(at(at(o, "reading"), "battery_voltage_V")), 12.9, 1e-9);
    assert_float_equal(json_number_value(at(run, "rated_Ah")), 125, 0);
    json_decref(o);
    s.outcome = RUN_COMPLETED;
    o = stand_to_json(&s);
    null_is(at(o, "run"), "expected_end_utc");
    json_decref(o);
}

static void trips(void **state)
{
    (void)state;
    struct run_trip t = {.at_s = NAN, .value = NAN, .limit = NAN};
    json_t *o = trip_to_json(&t);
    assert_true(json_is_null(o));
    json_decref(o);
    t = (struct run_trip){"temperature-high", "too hot", 1000 * NS_PER_S, 12.5, 61, 60};
    o = trip_to_json(&t);
    text_is(o, "reason", "temperature-high");
    text_is(o, "unit", "degC");
    text_is(o, "at", "1970-01-01T00:16:40.000Z");
    text_is(o, "sentence", "too hot");
    assert_float_equal(json_number_value(at(o, "value")), 61, 0);
    assert_float_equal(json_number_value(at(o, "limit")), 60, 0);
    json_decref(o);
    strcpy(t.reason, "something-new");
    t.value = NAN;
    o = trip_to_json(&t);
    null_is(o, "unit");
    null_is(o, "value");
    json_decref(o);
}

static void batteries(void **state)
{
    (void)state;
    struct battery b = battery_blank();
    strcpy(b.label, "lamp-7");
    b.chemistry = CHEM_LEAD_GEL;
    json_t *o = battery_to_json(&b);
    text_is(o, "label", "lamp-7");
    text_is(o, "chemistry", "lead-gel");
    null_is(o, "rated_Ah");
    null_is(o, "rated_hours");
    null_is(o, "lot");
    null_is(o, "retired_utc");
    json_decref(o);
}

static void runs(void **state)
{
    (void)state;
    struct run_step step = {.step = 0, .name = "capacity", .kind = "discharge", .end_s = NAN};
    struct run_row r = {.nr = 7,
                        .battery = "launch-a",
                        .outcome = RUN_COMPLETED,
                        .battery_record = battery_blank(),
                        .sample_count = 45000,
                        .step_count = 1,
                        .steps = &step};
    json_t *o = run_summary_to_json(&r, NULL);
    null_is(o, "verdict");
    null_is(o, "capacity_Ah");
    null_is(o, "trip");
    null_is(o, "ended_utc");
    assert_int_equal(json_integer_value(at(o, "samples")), 45000);
    json_decref(o);
    struct run_parts parts = {.result =
                                  json_pack("{s:s, s:f}", "verdict", "pass", "capacity_Ah", 129.42),
                              .bench_text = "bench: jetty\nvirtual: virtual.sock\nstands: []\n"};
    o = run_to_json(&r, &parts);
    text_is(o, "bench_title", "jetty");
    assert_true(json_is_true(at(o, "simulated")));
    json_decref(o);
    parts.bench_text = NULL;
    o = run_to_json(&r, &parts);
    null_is(o, "bench_title");
    assert_true(json_is_false(at(o, "simulated")));
    json_decref(parts.result);
    text_is(o, "verdict", "pass");
    text_is(at(o, "result"), "verdict", "pass");
    null_is(o, "plan");
    assert_int_equal(json_array_size(at(o, "events")), 0);
    text_is(json_array_get(at(o, "steps"), 0), "name", "capacity");
    null_is(json_array_get(at(o, "steps"), 0), "end_s");
    json_decref(o);
}

static void problems(void **state)
{
    (void)state;
    struct err e;
    err_set(&e, ERR_REFUSED, "jetty: busy");
    json_t *o = problem_to_json(problem_status(e.code), &e);
    text_is(o, "type", "about:blank");
    text_is(o, "title", "Conflict");
    text_is(o, "detail", "jetty: busy");
    text_is(o, "code", "refused");
    assert_int_equal(json_integer_value(at(o, "status")), 409);
    json_decref(o);
    err_set(&e, ERR_BAD_REPLY, "got \xff");
    o = problem_to_json(problem_status(e.code), &e);
    assert_non_null(o);
    assert_int_equal(json_integer_value(at(o, "status")), 500);
    json_decref(o);
    assert_int_equal(problem_status(ERR_CONFIG), 400);
    assert_int_equal(problem_status(ERR_NOT_FOUND), 404);
    assert_int_equal(problem_status(ERR_STORE), 503);
    assert_int_equal(problem_status(ERR_SYSTEM), 500);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(idle_stand), cmocka_unit_test(running_stand), cmocka_unit_test(trips),
        cmocka_unit_test(batteries),  cmocka_unit_test(runs),          cmocka_unit_test(problems),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
