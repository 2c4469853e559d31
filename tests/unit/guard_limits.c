/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of guard: every limit at one step inside, on it, and one step outside;
 * ages; merging; and random samples against a plain restatement of the rules. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "guard/guard.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static struct guard_limits limits_of_a_launch(void)
{
    struct guard_limits l = guard_limits_none();
    l.voltage_min_V = 8.0;
    l.voltage_max_V = 14.6;
    l.current_max_A = 12.0;
    l.temperature_min_C = 5.0;
    l.temperature_max_C = 45.0;
    l.temperature_required = true;
    return l;
}

/* Judge with no more known than the moment and the leads. */
static struct guard_verdict look(const struct guard_limits *l, struct guard_memory *m,
                                 const struct sample *s, double lead_ohm, double now_s)
{
    struct guard_moment at = {.now_s = now_s,
                              .lead_ohm = lead_ohm,
                              .output_wanted = true,
                              .output_on = true,
                              .set_A = NAN,
                              .cutoff_V = NAN};
    if (s == NULL) {
        return guard_check(l, m, &at, NULL);
    }
    struct sample taken = *s;
    taken.t_s = now_s;
    return guard_check(l, m, &at, &taken);
}

static const struct sample good = {
    .t_s = 0, .voltage_V = 13.1, .current_A = -10.0, .temperature_C = 23.0};

static struct guard_verdict check(struct sample s)
{
    struct guard_limits l = limits_of_a_launch();
    struct guard_memory m;
    guard_start(&m, 0);
    return look(&l, &m, &s, 0, 0);
}

static void each_limit_at_the_edge(void **state)
{
    (void)state;
    const struct {
        size_t field;
        double limit;
        int outside; /* direction */
        enum guard_reason reason;
    } rows[] = {
        {offsetof(struct sample, voltage_V), 8.0, -1, GUARD_VOLTAGE_LOW},
        {offsetof(struct sample, voltage_V), 14.6, +1, GUARD_VOLTAGE_HIGH},
        {offsetof(struct sample, current_A), -12.0, -1, GUARD_CURRENT_HIGH},
        {offsetof(struct sample, current_A), 12.0, +1, GUARD_CURRENT_HIGH},
        {offsetof(struct sample, temperature_C), 5.0, -1, GUARD_TEMPERATURE_LOW},
        {offsetof(struct sample, temperature_C), 45.0, +1, GUARD_TEMPERATURE_HIGH},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        double edge[3] = {
            nextafter(rows[i].limit, -rows[i].outside * 1e9),
            rows[i].limit,
            nextafter(rows[i].limit, rows[i].outside * 1e9),
        };
        for (int k = 0; k < 3; k++) {
            struct sample s = good;
            memcpy((char *)&s + rows[i].field, &edge[k], sizeof(double));
            struct guard_verdict v = check(s);
            assert_int_equal(v.reason, k == 2 ? rows[i].reason : GUARD_FINE);
            if (k == 2) {
                assert_true(v.value == fabs(edge[k]));
                assert_true(v.limit == fabs(rows[i].limit));
            }
        }
    }
}

static void heat_is_named_before_voltage(void **state)
{
    (void)state;
    struct sample s = good;
    s.voltage_V = 3.0;
    s.temperature_C = 80.0;
    assert_int_equal(check(s).reason, GUARD_TEMPERATURE_HIGH);
}

static void lead_resistance_is_taken_off(void **state)
{
    (void)state;
    struct guard_limits l = limits_of_a_launch();
    struct guard_memory m;
    guard_start(&m, 0);
    struct sample s = good;
    s.voltage_V = 7.9; /* at the load; 10 A over 20 mOhm: the battery itself has 8.1 V */
    assert_int_equal(look(&l, &m, &s, 0.020, 0).reason, GUARD_FINE);
    assert_int_equal(look(&l, &m, &s, 0.0, 0).reason, GUARD_VOLTAGE_LOW);
}

static void ages(void **state)
{
    (void)state;
    struct guard_limits l = limits_of_a_launch();
    struct guard_memory m;
    guard_start(&m, 100);
    assert_int_equal(look(&l, &m, NULL, 0, 103).reason, GUARD_FINE);
    struct guard_verdict v = look(&l, &m, NULL, 0, 103.5);
    assert_int_equal(v.reason, GUARD_READING_LOST);
    assert_true(v.value == 3.5 && v.limit == 3.0);

    guard_start(&m, 100);
    struct sample no_thermometer = good;
    no_thermometer.temperature_C = NAN;
    assert_int_equal(look(&l, &m, &no_thermometer, 0, 103).reason, GUARD_FINE);
    assert_int_equal(look(&l, &m, &no_thermometer, 0, 103.1).reason, GUARD_TEMPERATURE_LOST);
    l.temperature_required = false;
    assert_int_equal(look(&l, &m, &no_thermometer, 0, 200).reason, GUARD_FINE);
}

/* A line that was printed before the sample was taken counts from when it came. */
static void a_temperature_ages_from_its_arrival(void **state)
{
    (void)state;
    struct guard_limits l = limits_of_a_launch();
    struct guard_memory m;
    guard_start(&m, 0);
    struct guard_moment at = {.now_s = 10, .temperature_age_s = 2.5, .set_A = NAN, .cutoff_V = NAN};
    struct sample s = good;
    s.t_s = 10;
    assert_int_equal(guard_check(&l, &m, &at, &s).reason, GUARD_FINE);
    s.t_s = at.now_s = 10.4;
    at.temperature_age_s = 2.9; /* the same line again */
    assert_int_equal(guard_check(&l, &m, &at, &s).reason, GUARD_FINE);
    s.t_s = at.now_s = 10.6;
    at.temperature_age_s = 3.1;
    assert_int_equal(guard_check(&l, &m, &at, &s).reason, GUARD_TEMPERATURE_LOST);
    at.temperature_age_s = 0; /* a new one */
    assert_int_equal(guard_check(&l, &m, &at, &s).reason, GUARD_FINE);
}

/* The thermometer is asked first, so what it said is always a little older than the sample. */
static void a_silent_load_is_not_the_thermometers_fault(void **state)
{
    (void)state;
    struct guard_limits l = limits_of_a_launch();
    struct guard_memory m;
    struct guard_moment at = {
        .now_s = 10, .temperature_age_s = 0.02, .set_A = NAN, .cutoff_V = NAN};
    struct sample s = good;
    s.t_s = 10;
    guard_start(&m, 0);
    assert_int_equal(guard_check(&l, &m, &at, &s).reason, GUARD_FINE);
    at.now_s = 12.99; /* 10 - 0.02 and 3 s of trust end before */
    struct guard_verdict v = guard_check(&l, &m, &at, NULL);
    assert_int_equal(v.reason, GUARD_READING_LOST);
    assert_true(fabs(v.value - 3.01) < 1e-9 && v.limit == 3.0);
    /* But of an old line it is. */
    guard_start(&m, 0);
    at = (struct guard_moment){.now_s = 10, .temperature_age_s = 2, .set_A = NAN, .cutoff_V = NAN};
    assert_int_equal(guard_check(&l, &m, &at, &s).reason, GUARD_FINE);
    at.now_s = 11.01;
    assert_int_equal(guard_check(&l, &m, &at, NULL).reason, GUARD_TEMPERATURE_LOST);
}

static void half_a_reading_is_no_reading(void **state)
{
    (void)state;
    struct guard_limits l = limits_of_a_launch();
    struct guard_memory m;
    guard_start(&m, 0);
    struct sample s = good;
    s.current_A = NAN;
    assert_int_equal(look(&l, &m, &s, 0, 3.1).reason, GUARD_READING_LOST);
}

static double random_between(double a, double b)
{
    return a + (b - a) * ((double)random() / (double)RAND_MAX);
}

static void random_samples_agree_with_the_rules(void **state)
{
    (void)state;
    srandom(20260301);
    struct guard_limits l = limits_of_a_launch();
    size_t seen[GUARD_REASON_COUNT] = {0};
    for (int n = 0; n < 20000; n++) {
        struct guard_memory m;
        guard_start(&m, 0);
        struct sample s = {0, random_between(6, 16), random_between(-14, 14),
                           random_between(-5, 55)};
        bool inside = s.voltage_V >= 8 && s.voltage_V <= 14.6 && fabs(s.current_A) <= 12 &&
                      s.temperature_C >= 5 && s.temperature_C <= 45;
        enum guard_reason r = look(&l, &m, &s, 0, 1).reason;
        assert_int_equal(r == GUARD_FINE, inside);
        seen[r]++;
    }
    assert_true(seen[GUARD_FINE] > 100 && seen[GUARD_VOLTAGE_LOW] > 100 &&
                seen[GUARD_TEMPERATURE_LOW] > 100);
}

static void every_reason_has_words(void **state)
{
    (void)state;
    for (int r = 0; r < GUARD_REASON_COUNT; r++) {
        assert_true(strlen(guard_reason_name((enum guard_reason)r)) > 3);
        assert_true(strlen(guard_reason_sentence((enum guard_reason)r)) > 8);
        assert_non_null(guard_reason_unit((enum guard_reason)r));
    }
}

static void sentence_is(struct guard_verdict v, const char *wanted)
{
    char said[160];
    guard_verdict_sentence(&v, said, sizeof said);
    assert_string_equal(said, wanted);
}

/* How long nothing came is no value that was read. */
static void a_trip_in_words(void **state)
{
    (void)state;
    sentence_is((struct guard_verdict){GUARD_READING_LOST, 3.004, 3},
                "no valid reading for 3.0 s (limit 3 s)");
    sentence_is((struct guard_verdict){GUARD_TEMPERATURE_LOST, 3.56, 3.5},
                "the thermometer gives no valid reading for 3.6 s (limit 3.5 s)");
    sentence_is((struct guard_verdict){GUARD_TEMPERATURE_STUCK, 600.4, 600},
                "the temperature, which always moved before, repeats to the last digit for 600.4 s "
                "(limit 600 s)");
    sentence_is((struct guard_verdict){GUARD_TEMPERATURE_HIGH, 45.25, 45},
                "temperature rose above its limit: 45.25 degC, limit 45 degC");
    sentence_is((struct guard_verdict){GUARD_INSTRUMENT_LOST, NAN, NAN},
                "an instrument does not answer");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_limit_at_the_edge),
        cmocka_unit_test(heat_is_named_before_voltage),
        cmocka_unit_test(lead_resistance_is_taken_off),
        cmocka_unit_test(ages),
        cmocka_unit_test(a_temperature_ages_from_its_arrival),
        cmocka_unit_test(a_silent_load_is_not_the_thermometers_fault),
        cmocka_unit_test(half_a_reading_is_no_reading),
        cmocka_unit_test(random_samples_agree_with_the_rules),
        cmocka_unit_test(every_reason_has_words),
        cmocka_unit_test(a_trip_in_words),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
