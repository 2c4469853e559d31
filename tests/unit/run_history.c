/* SPDX-License-Identifier: GPL-3.0-or-later
 * A battery's life and a lot's sets out of a database: what is comparable, what is left out
 * and why, where the law meets its limit, peaks, matched sets. */
#include "store_fixture.h"

#include "run/trend.h"

#define DAY_NS INT64_C(86400000000000)
#define WEEKS_NS (28 * DAY_NS)

struct yard {
    struct fixture f;
    struct store *s;
    struct reader *r;
    struct battery battery;
    int64_t nr, utc_ns;
};

static int setup(void **state)
{
    struct yard *y = zalloc(sizeof *y);
    struct err e = {0};
    fixture_open(&y->f, &y->s, &y->r);
    y->battery = launch("launch-a");
    ok(store_battery_add(y->s, &y->battery, &e));
    y->utc_ns = FIXTURE_UTC_NS;
    *state = y;
    return 0;
}

static int teardown(void **state)
{
    struct yard *y = *state;
    fixture_close(&y->f, y->s, y->r);
    free(y);
    return 0;
}

/* One discharge of a run, as it is stored. */
struct tested {
    double capacity_Ah, resistance_mOhm, current_A, cutoff_V, temperature_C;
    bool starts_full, lower_bound, no_result, running;
};

static struct tested usual(double capacity_Ah)
{
    return (struct tested){.capacity_Ah = capacity_Ah,
                           .resistance_mOhm = 12,
                           .current_A = -9,
                           .cutoff_V = 10,
                           .temperature_C = 21,
                           .starts_full = true};
}

static void end_run(struct yard *y, const struct tested *t)
{
    char result[1000];
    struct err e = {0};
    snprintf(
        result, sizeof result,
        "{\"discharged_Ah\":%.9g,\"rounds\":[{\"round\":1,\"step\":1,\"resistance_mOhm\":%.9g}],"
        "\"steps\":[{\"kind\":\"pulse\",\"plan_step\":0},{\"kind\":\"discharge\","
        "\"plan_step\":1,\"start_s\":60,\"capacity_Ah\":%.9g,\"capacity_uncertainty_Ah\":0.1,"
        "\"temperature_mean_C\":%.9g,\"lower_bound\":%s}]}",
        t->capacity_Ah, t->resistance_mOhm, t->capacity_Ah, t->temperature_C,
        t->lower_bound ? "true" : "false");
    if (!t->running)
        ok(store_run_end(y->s, y->nr, RUN_COMPLETED, y->utc_ns + DAY_NS / 2, NULL,
                         t->no_result ? NULL : result, &e));
    y->utc_ns += WEEKS_NS;
}

static void begin_test(struct yard *y, const struct battery *b, const struct tested *t)
{
    char plan[600];
    struct err e = {0};
    struct run_begin r = run_of(b);
    r.started_utc_ns = y->utc_ns;
    uuid7_make(r.started_utc_ns, r.id);
    snprintf(plan, sizeof plan,
             "{\"starts_full\":%s,\"steps\":[{\"kind\":\"pulse\"},{\"kind\":\"discharge\","
             "\"current_A\":%.9g,\"until_voltage_V\":%.9g}]}",
             t->starts_full ? "true" : "false", t->current_A, t->cutoff_V);
    r.plan_json = plan;
    ok(store_run_begin(y->s, &r, &y->nr, &e));
}

static void test_it(struct yard *y, const struct battery *b, struct tested t)
{
    begin_test(y, b, &t);
    end_run(y, &t);
}

static double at(const json_t *o, const char *a, const char *b, const char *key)
{
    const json_t *v = json_object_get(json_object_get(json_object_get(o, a), b), key);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static void close_to(double value, double expected, double allowed)
{
    if (!(fabs(value - expected) <= allowed))
        fail_msg("%.12g instead of %.12g", value, expected);
}

static json_t *trend_of(struct yard *y)
{
    struct err e = {0};
    json_t *o = NULL;
    ok(trend_compute(y->r, &y->battery, NAN, &o, &e));
    return o;
}

/* 2 Ah less each 28 days, from 98 Ah: 72 Ah, 80 % of the 90 rated, after 13 tests. */
static void a_life_is_followed(void **state)
{
    struct yard *y = *state;
    for (int i = 0; i < 9; i++) {
        struct tested t = usual(98 - 2 * i + 0.05 * (i % 3 - 1));
        t.resistance_mOhm = 12 + 0.4 * i;
        test_it(y, &y->battery, t);
    }
    json_t *o = trend_of(y);
    assert_int_equal(json_array_size(json_object_get(o, "points")), 9);
    assert_int_equal(json_array_size(json_object_get(o, "left_out")), 0);
    assert_string_equal(json_string_value(json_object_get(o, "reference")), "rated capacity");
    close_to(json_number_value(json_object_get(o, "limit_Ah")), 72, 1e-9);
    close_to(at(o, "capacity", "by_date", "crossing"), 13 * 28, 8);
    assert_true(at(o, "capacity", "by_date", "crossing_low") < 13 * 28 + 1);
    assert_true(at(o, "capacity", "by_date", "crossing_high") > 13 * 28 - 1);
    close_to(at(o, "resistance", "by_date", "crossing"), 12 / 0.4 * 28, 60);
    const json_t *band =
        json_object_get(json_object_get(json_object_get(o, "capacity"), "by_date"), "band");
    assert_int_equal(json_array_size(json_object_get(band, "low")), 41);
    close_to(json_number_value(json_array_get(json_object_get(band, "x"), 40)), 2 * 8 * 28, 1e-6);
    const json_t *last = json_array_get(json_object_get(o, "points"), 8);
    /* Eight discharges before it: 98 + 96 + ... + 84 Ah, less the scatter, over 90 Ah. */
    close_to(json_number_value(json_object_get(last, "cycles")), 8.0 * 91 / 90, 0.01);
    close_to(json_number_value(json_object_get(last, "rest_before_s")), 27.5 * 86400, 1);
    json_decref(o);
}

static const char *why(const json_t *o, size_t i)
{
    return json_string_value(
        json_object_get(json_array_get(json_object_get(o, "left_out"), i), "why"));
}

static void what_is_not_comparable_is_left_out_with_its_reason(void **state)
{
    struct yard *y = *state;
    struct tested t = usual(95);
    test_it(y, &y->battery, t);
    test_it(y, &y->battery, t);
    t.current_A = -45;
    test_it(y, &y->battery, t);
    t = usual(95);
    t.temperature_C = 4;
    test_it(y, &y->battery, t);
    t = usual(60);
    t.lower_bound = true;
    test_it(y, &y->battery, t);
    t = usual(95);
    t.starts_full = false;
    test_it(y, &y->battery, t);
    t = usual(95);
    t.no_result = true;
    test_it(y, &y->battery, t);
    t = usual(95);
    t.current_A = -9.1; /* near enough */
    test_it(y, &y->battery, t);
    t.running = true;
    test_it(y, &y->battery, t);
    json_t *o = trend_of(y);
    assert_int_equal(json_array_size(json_object_get(o, "points")), 3);
    assert_int_equal(json_array_size(json_object_get(o, "left_out")), 5);
    assert_string_equal(why(o, 0), "of another kind: discharge 45 A to 10 V, not discharge 9.1 A "
                                   "to 10 V");
    assert_string_equal(why(o, 1), "at another temperature: 4.0 degC, not 21.0 degC +- 5 K");
    assert_non_null(strstr(why(o, 2), "lower bound"));
    assert_non_null(strstr(why(o, 3), "not known to have been full"));
    assert_non_null(strstr(why(o, 4), "no result"));
    const json_t *course = json_object_get(json_object_get(o, "capacity"), "by_date");
    assert_true(json_is_false(json_object_get(course, "enough")));
    assert_non_null(strstr(json_string_value(json_object_get(course, "why_not")), "not enough"));
    json_decref(o);
}

/* One run of a charge and a discharge, or two discharges; the plan's terms are given. */
static void test_after(struct yard *y, const char *terms, const char *before, const char *ended_by,
                       const char *capacity_Ah)
{
    char plan[600], result[600];
    struct err e = {0};
    struct run_begin r = run_of(&y->battery);
    r.started_utc_ns = y->utc_ns;
    uuid7_make(r.started_utc_ns, r.id);
    snprintf(plan, sizeof plan,
             "{\"starts_full\":false,\"steps\":[{\"kind\":\"%s\"},"
             "{\"kind\":\"discharge\",%s}]}",
             before, terms);
    snprintf(result, sizeof result,
             "{\"rounds\":[{\"round\":1,\"step\":2}],"
             "\"steps\":[{\"kind\":\"%s\",\"plan_step\":0,\"ended_by\":\"%s\"},{\"kind\":\"rest\","
             "\"plan_step\":9},{\"kind\":\"discharge\",\"plan_step\":1,\"capacity_Ah\":%s,"
             "\"temperature_mean_C\":21}]}",
             before, ended_by, capacity_Ah);
    r.plan_json = plan;
    ok(store_run_begin(y->s, &r, &y->nr, &e));
    ok(store_run_end(y->s, y->nr, RUN_COMPLETED, y->utc_ns + DAY_NS / 2, NULL, result, &e));
    y->utc_ns += WEEKS_NS;
}

static void full_is_what_a_charge_says_that_filled(void **state)
{
    struct yard *y = *state;
    static const char terms[] = "\"current_A\":-9,\"until_voltage_V\":10";
    test_after(y, terms, "charge", "time limit reached", "90");
    test_after(y, terms, "discharge", "cut-off reached", "90");
    test_after(y, terms, "charge", "current tapered", "null");
    test_after(y, "\"current_A\":-9,\"until_voltage_V\":null", "charge", "current tapered", "90");
    test_after(y, terms, "charge", "current tapered", "90");
    json_t *o = trend_of(y);
    assert_int_equal(json_array_size(json_object_get(o, "points")), 1);
    assert_int_equal(json_array_size(json_object_get(o, "left_out")), 4);
    assert_non_null(strstr(why(o, 0), "not known to have been full"));
    assert_non_null(strstr(why(o, 1), "not known to have been full"));
    assert_non_null(strstr(why(o, 2), "no capacity"));
    assert_non_null(strstr(why(o, 3), "no cut-off voltage"));
    json_decref(o);
}

/* The current that a constant power draws is only what was expected of it. */
static void power_and_resistance_are_kinds_of_their_own(void **state)
{
    struct yard *y = *state;
    test_after(y, "\"current_A\":-9,\"power_W\":110,\"until_voltage_V\":10", "charge",
               "current tapered", "90");
    test_after(y, "\"current_A\":-9,\"resistance_ohm\":1.3,\"until_voltage_V\":10", "charge",
               "current tapered", "91");
    test_after(y, "\"current_A\":-12,\"power_W\":110,\"until_voltage_V\":10", "charge",
               "current tapered", "92");
    json_t *o = trend_of(y);
    assert_int_equal(json_array_size(json_object_get(o, "points")), 2);
    assert_int_equal(json_array_size(json_object_get(o, "left_out")), 1);
    assert_string_equal(why(o, 0), "of another kind: discharge 1.3 Ohm to 10 V, not discharge "
                                   "110 W to 10 V");
    json_decref(o);
}

static void nobody_tested_has_no_trend(void **state)
{
    struct yard *y = *state;
    json_t *o = trend_of(y);
    assert_true(json_is_null(json_object_get(o, "comparable")));
    assert_int_equal(json_array_size(json_object_get(o, "points")), 0);
    json_decref(o);
}

/* Samples of a discharge that gives a third of its charge around 13.0 V. */
static void put_curve(struct yard *y, double step_V)
{
    struct err e = {0};
    struct step_begin b = {
        .step = 1, .plan_step = 1, .round = 1, .name = "capacity", .kind = "discharge"};
    assert_true(store_put_step_begin(y->s, y->nr, &b));
    double V = 13.6, t_s = 0;
    for (; V > 10; t_s += 10) {
        struct sample s = {t_s, V - 9 * 0.011, -9, 21};
        assert_true(store_put_sample(y->s, y->nr, 1, &s));
        double off = (V - step_V) / 0.08;
        V -= 0.01 / (1 + 12 * exp(-off * off / 2));
    }
    assert_true(store_put_step_end(y->s, y->nr, 1, t_s, "cut-off"));
    ok(store_flush(y->s, 5000, &e));
}

static void peaks_are_followed(void **state)
{
    struct yard *y = *state;
    for (int i = 0; i < 2; i++) {
        struct tested t = usual(90);
        begin_test(y, &y->battery, &t);
        put_curve(y, 13.0 - 0.05 * i);
        end_run(y, &t);
    }
    struct err e = {0};
    json_t *o = NULL;
    ok(peaks_compute(y->r, &y->battery, &o, &e));
    const json_t *discharges = json_object_get(o, "discharges");
    assert_int_equal(json_array_size(discharges), 2);
    for (size_t i = 0; i < 2; i++) {
        const json_t *peaks = json_object_get(json_array_get(discharges, i), "peaks");
        assert_int_equal(json_array_size(peaks), 1);
        const json_t *p = json_array_get(peaks, 0);
        close_to(json_number_value(json_object_get(p, "voltage_V")), 13.0 - 0.05 * (double)i,
                 0.004);
        assert_int_equal(json_is_integer(json_object_get(p, "follows")), i == 1);
    }
    json_decref(o);
}

static void a_lot_is_matched(void **state)
{
    struct yard *y = *state;
    struct battery members[7];
    struct err e = {0};
    const double capacity_Ah[] = {90, 95, 91, 94, 92, 93};
    members[0] = y->battery;
    for (int i = 1; i < 7; i++) {
        char label[16];
        snprintf(label, sizeof label, "launch-%c", 'a' + i);
        members[i] = launch(label);
        ok(store_battery_add(y->s, &members[i], &e));
    }
    for (int i = 0; i < 6; i++)
        test_it(y, &members[i], usual(capacity_Ah[i]));
    struct match_wanted wanted = {.lot = "spring", .series = 3, .parallel = 2};
    json_t *o = NULL;
    ok(match_compute(y->r, members, 7, &wanted, &o, &e));
    /* 90 + 95, 91 + 94, 92 + 93: all groups alike */
    const json_t *matched = json_object_get(o, "matched");
    close_to(json_number_value(json_object_get(matched, "capacity_spread_percent")), 0, 1e-9);
    const json_t *set = json_array_get(json_object_get(o, "sets"), 0);
    close_to(json_number_value(json_object_get(set, "capacity_Ah")), 185, 1e-9);
    assert_int_equal(json_array_size(json_object_get(o, "left_out")), 1);
    json_decref(o);
    wanted.series = 4;
    assert_false(match_compute(y->r, members, 7, &wanted, &o, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    assert_non_null(strstr(e.text, "6 batteries with a comparable result"));
}

int main(void)
{
#define WITH_YARD(test) cmocka_unit_test_setup_teardown(test, setup, teardown)
    const struct CMUnitTest tests[] = {
        WITH_YARD(a_life_is_followed),
        WITH_YARD(what_is_not_comparable_is_left_out_with_its_reason),
        WITH_YARD(full_is_what_a_charge_says_that_filled),
        WITH_YARD(power_and_resistance_are_kinds_of_their_own),
        WITH_YARD(nobody_tested_has_no_trend),
        WITH_YARD(peaks_are_followed),
        WITH_YARD(a_lot_is_matched),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
