/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of readings that stick, and of a meter that disagrees with the load: what
 * is learned of a reading, each rule just inside and just outside, and what must
 * be let through: coarse sensors, flicker at the edge of a digit, quiet loads,
 * leads that warm up. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "guard/guard.h"

#include <math.h>
#include <stdlib.h>

#define FINE(x) assert_int_equal((x).reason, GUARD_FINE)
#define TRIPS(x, why) assert_int_equal((x).reason, why)

static double unit(void)
{
    return ((double)random() + 0.5) / ((double)RAND_MAX + 1);
}

/* Standard deviation 1 (Box and Muller). */
static double bell(void)
{
    return sqrt(-2 * log(unit())) * cos(6.283185307179586 * unit());
}

/* --- what is learned --- */

/* Was it ever held lively in n readings of level + sigma x noise, in digits? */
static bool ever_lively(double level, double sigma, double drift, int n)
{
    struct guard_alive a;
    bool lively = false;
    alive_start(&a);
    for (int t = 0; t < n; t++) {
        alive_take(&a, round(level + drift * t + sigma * bell()), t);
        lively |= a.lively;
    }
    return lively;
}

static void noise_wider_than_a_digit_is_life(void **state)
{
    (void)state;
    srandom(20260401);
    for (double level = 0; level < 1; level += 0.25) {
        assert_true(ever_lively(level, 1, 0, 1000));
        assert_true(ever_lively(level, 3, 1e-3, 1000));
        /* Flicker at the edge of a digit is not, however long it goes on, nor on a ramp. */
        assert_false(ever_lively(level, 0.05, 0, 100000));
        assert_false(ever_lively(level, 0.3, 0, 100000));
        assert_false(ever_lively(level, 0.3, 1e-3, 100000));
        assert_false(ever_lively(level, 0, 0.3, 100000));
        assert_false(ever_lively(level, 0, 3.7, 100000)); /* several digits at each step */
        assert_false(ever_lively(level, 0.2, -0.05, 100000));
    }
}

/* A converter whose steps are 1.25 mV, told in whole millivolts. */
static void uneven_digits_are_no_noise(void **state)
{
    (void)state;
    srandom(20260402);
    struct guard_alive a;
    alive_start(&a);
    for (int t = 0; t < 100000; t++) {
        double code = round(10000.5 - 1e-3 * t + 0.15 * bell());
        alive_take(&a, round(1.25 * code), t);
        assert_false(a.lively);
    }
}

static void a_sensor_that_renews_seldom_is_given_time(void **state)
{
    (void)state;
    srandom(20260403);
    struct guard_alive a;
    alive_start(&a);
    assert_true(alive_allowed(&a, 120, 10) == SIZE_MAX);
    double c = 0;
    for (int t = 0; t < 5000; t++) {
        c = t % 20 == 0 ? bell() : c; /* fine digits: never twice the same */
        alive_take(&a, c, t);
        alive_take(&a, NAN, t);
    }
    assert_true(a.lively);
    assert_int_equal(a.longest, 19);
    assert_int_equal(alive_allowed(&a, 120, 10), 190);
    assert_int_equal(alive_allowed(&a, 300, 10), 300);
}

/* --- the scene: a launch at 10 A, on from second 0 --- */

struct scene {
    struct guard_limits l;
    struct guard_memory m;
    struct guard_moment at;
    struct sample s;
    int t_s;
};

static struct scene discharge_at_10_A(void)
{
    struct scene c = {
        .l = guard_limits_none(),
        .at = {.output_wanted = true, .output_on = true, .set_A = -10, .cutoff_V = 10},
        .s = {.voltage_V = 13, .current_A = -10, .temperature_C = 22},
    };
    guard_start(&c.m, 0);
    return c;
}

enum { V = 1, I = 2, C = 4 };

/* n samples a second apart: what is named moves with noise of three digits, all
 * else repeats. The first verdict that is not fine; *when: in which sample. */
static struct guard_verdict take(struct scene *c, int moving, int n, int *when)
{
    struct guard_verdict verdict = {GUARD_FINE, NAN, NAN};
    for (int k = 1; k <= n && verdict.reason == GUARD_FINE; k++) {
        c->at.now_s = c->s.t_s = ++c->t_s;
        if (moving & V) {
            c->s.voltage_V = 13 + 0.001 * round(3 * bell());
        }
        if (moving & I) {
            c->s.current_A = (c->at.set_A > 0 ? 10 : -10) + 0.001 * round(3 * bell());
        }
        if (moving & C) {
            c->s.temperature_C = 22 + 0.01 * round(3 * bell());
        }
        verdict = guard_check(&c->l, &c->m, &c->at, &c->s);
        if (when != NULL) {
            *when = k;
        }
    }
    return verdict;
}

static void a_thermometer_that_sticks(void **state)
{
    (void)state;
    srandom(20260404);
    struct scene c = discharge_at_10_A();
    FINE(take(&c, V | I | C, 400, NULL));
    c.s.temperature_C = 22.005;
    FINE(take(&c, V | I, 1 + GUARD_LIVELY_SAMPLES, NULL));
    struct guard_verdict v = take(&c, V | I, 1, NULL);
    TRIPS(v, GUARD_TEMPERATURE_STUCK);
    assert_true(v.value == GUARD_LIVELY_SAMPLES + 1 && fabs(v.limit - GUARD_LIVELY_SAMPLES) < 1e-9);
    /* It moved once more in time: fine. */
    c = discharge_at_10_A();
    FINE(take(&c, V | I | C, 400, NULL));
    for (int k = 0; k < 20; k++) {
        FINE(take(&c, V | I, GUARD_LIVELY_SAMPLES - 1, NULL));
        c.s.temperature_C += k % 2 ? 0.01 : -0.01;
    }
}

static void a_thermometer_that_sticks_before_the_output_goes_on(void **state)
{
    (void)state;
    srandom(20260405);
    struct scene c = discharge_at_10_A();
    c.at.output_on = c.at.output_wanted = false;
    c.at.set_A = NAN;
    c.s.current_A = 0;
    FINE(take(&c, V | C, 400, NULL));
    FINE(take(&c, V, 1000, NULL)); /* nothing flows yet: no harm */
    c.at.output_wanted = true;
    TRIPS(take(&c, V, 1, NULL), GUARD_TEMPERATURE_STUCK);
}

/* The noise may have been the load's: at rest a quiet thermometer is let be. */
static void what_was_learned_of_it_ends_with_the_output(void **state)
{
    (void)state;
    srandom(20260406);
    struct scene c = discharge_at_10_A();
    FINE(take(&c, V | I | C, 400, NULL));
    c.at.output_on = c.at.output_wanted = false;
    c.s.current_A = 0;
    FINE(take(&c, V, 1000, NULL));
    c.at.output_on = c.at.output_wanted = true;
    FINE(take(&c, V | I, 40000, NULL));
}

static void a_coarse_thermometer_may_stand_still(void **state)
{
    (void)state;
    srandom(20260407);
    struct scene c = discharge_at_10_A();
    for (int k = 0; k < 40000; k++) { /* 0.1 degC, a hundredth of it noise; 3 degC in a night */
        c.s.temperature_C = 0.1 * round(220 + k * 7.5e-4 + 0.1 * bell());
        FINE(take(&c, V | I, 1, NULL));
    }
}

static void voltage_alone_at_the_edge(void **state)
{
    (void)state;
    srandom(20260408);
    struct scene c = discharge_at_10_A();
    c.l.stuck_Ah = 0.5;
    c.l.voltage_stuck_Ah = 1; /* 360 s at 10 A */
    for (int t = 0; t <= 360; t++) {
        c.s.current_A = t % 2 ? -10.0005 : -9.9995;
        FINE(take(&c, 0, 1, NULL));
    }
    c.s.current_A = -9.9995;
    struct guard_verdict v = take(&c, 0, 1, NULL);
    TRIPS(v, GUARD_VOLTAGE_STUCK);
    assert_true(v.value > 1 && v.value < 1.01 && v.limit == 1);
    /* A change of the last digit in time, again and again: alive. */
    c = discharge_at_10_A();
    c.l.voltage_stuck_Ah = 1;
    for (int t = 0; t <= 20000; t++) {
        c.s.voltage_V = t / 350 % 2 ? 13 : 13.001;
        FINE(take(&c, I, 1, NULL));
    }
    /* A supply that holds a voltage repeats it. */
    c = discharge_at_10_A();
    c.l.voltage_stuck_Ah = 1;
    c.at.set_A = 10;
    FINE(take(&c, I, 20000, NULL));
}

static void one_that_moved_before_is_found_sooner(void **state)
{
    (void)state;
    srandom(20260409);
    const struct {
        int moved, moves, after;
        enum guard_reason reason;
    } rows[] = {
        {V | I, I, GUARD_ALONE_SAMPLES, GUARD_VOLTAGE_STUCK},
        {V | I, V, GUARD_ALONE_SAMPLES, GUARD_CURRENT_STUCK},
        {V | I, 0, GUARD_LIVELY_SAMPLES, GUARD_READING_STUCK},
        {I, 0, GUARD_ALONE_SAMPLES, GUARD_READING_STUCK}, /* the voltage was coarse */
        {V, 0, GUARD_ALONE_SAMPLES, GUARD_READING_STUCK}, /* the current was quiet */
        {V, V, -1, GUARD_FINE},                           /* and stays so */
        {I, I, -1, GUARD_FINE},
        {V | I, V | I, -1, GUARD_FINE},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct scene c = discharge_at_10_A();
        int when = 0;
        FINE(take(&c, rows[i].moved, 400, NULL));
        /* one last value that was none before, and from then on the same */
        c.s.voltage_V += rows[i].moved & V ? 0.0005 : 0;
        c.s.current_A += rows[i].moved & I ? 0.0005 : 0;
        struct guard_verdict v = take(&c, rows[i].moves, 20000, &when);
        TRIPS(v, rows[i].reason);
        if (rows[i].after > 0) {
            assert_int_equal(when, 1 + rows[i].after + 1);
            assert_true(fabs(v.value / v.limit - 1 - 1.0 / rows[i].after) < 1e-3);
        }
    }
}

static void switching_and_a_new_set_point_begin_anew(void **state)
{
    (void)state;
    srandom(20260410);
    struct scene c = discharge_at_10_A();
    FINE(take(&c, V | I | C, 400, NULL));
    c.at.changed_s = c.t_s; /* a new set point: the noise may be another */
    FINE(take(&c, C, 20000, NULL));
    c = discharge_at_10_A();
    FINE(take(&c, V | I | C, 400, NULL));
    c.at.output_on = c.at.output_wanted = false;
    FINE(take(&c, 0, 20000, NULL));
}

/* --- two voltages --- */

static struct scene beside_a_meter(void)
{
    struct scene c = discharge_at_10_A();
    c.l.disagreement_V = 0.1;
    c.at.has_other = true;
    return c;
}

/* n seconds in which the meter reads v and the load other_V at i. */
static struct guard_verdict both_read(struct scene *c, double v, double other_V, int n)
{
    struct guard_verdict verdict = {GUARD_FINE, NAN, NAN};
    c->s.voltage_V = v;
    c->at.other_V = other_V;
    for (int k = 0; k < n && verdict.reason == GUARD_FINE; k++) {
        c->s.voltage_V = v + (k % 2 ? 1e-7 : 0);
        verdict = take(c, 0, 1, NULL);
    }
    return verdict;
}

static void two_voltages_at_the_edge(void **state)
{
    (void)state;
    /* Before anything is known of the leads: 100 mOhm x 10 A and 0.1 V. */
    struct scene c = beside_a_meter();
    FINE(both_read(&c, 13, 13 - 1.0999, 5));
    c = beside_a_meter();
    FINE(both_read(&c, 13, 13 - 1.1001, 5)); /* 5 s after switching */
    struct guard_verdict v = both_read(&c, 13, 13 - 1.1001, 3);
    TRIPS(v, GUARD_VOLTAGE_DISAGREES);
    assert_true(fabs(v.value - 1.1001) < 1e-6 && fabs(v.limit - 1.1) < 1e-9);
    /* Leads cannot make it higher. */
    c = beside_a_meter();
    FINE(both_read(&c, 13, 13.0999, 5));
    c = beside_a_meter();
    TRIPS(both_read(&c, 13, 13.1001, 10), GUARD_VOLTAGE_DISAGREES);
    /* Afterwards: 20 mOhm seen, give or take 10 and 10 mOhm: 0.2 V, and 0.1 V. */
    for (int way = -1; way <= 1; way += 2) {
        c = beside_a_meter();
        FINE(both_read(&c, 13, 12.8, 30));
        FINE(both_read(&c, 12, 11.8 + way * 0.2999, 1000));
        FINE(both_read(&c, 12, 11.8 + way * 0.3001, 6)); /* not longer than 5 s */
        v = both_read(&c, 12, 11.8 + way * 0.3001, 1);
        TRIPS(v, GUARD_VOLTAGE_DISAGREES);
        assert_true(fabs(v.limit - 0.3) < 1e-6);
    }
}

static void two_voltages_while_charging(void **state)
{
    (void)state;
    struct scene c = beside_a_meter();
    c.at.set_A = 10;
    c.s.current_A = 10;
    FINE(both_read(&c, 13, 13.2, 1000)); /* the supply's own is the higher one */
    c = beside_a_meter();
    c.at.set_A = 10;
    c.s.current_A = 10;
    TRIPS(both_read(&c, 13, 12.8, 10), GUARD_VOLTAGE_DISAGREES);
}

static void a_meter_that_sticks_disagrees(void **state)
{
    (void)state;
    struct scene c = beside_a_meter();
    FINE(both_read(&c, 13.1, 12.9, 100));
    double other_V = 12.9;
    struct guard_verdict v = {GUARD_FINE, NAN, NAN};
    while (v.reason == GUARD_FINE && other_V > 10) {
        other_V -= 0.001;
        v = both_read(&c, 13.1, other_V, 10);
    }
    TRIPS(v, GUARD_VOLTAGE_DISAGREES);
    assert_true(other_V > 12.58);
}

static void what_leads_explain_is_let_through(void **state)
{
    (void)state;
    struct scene c = beside_a_meter();
    FINE(both_read(&c, 13, 12.8, 100));
    FINE(both_read(&c, 13, 12.71, 40000)); /* contacts that warm up, by half */
    FINE(both_read(&c, 13, 9, 5));         /* one absurd reading, or five */
    FINE(both_read(&c, 13, 12.8, 1));
    /* A load that reads nothing while it is off; one that never reads a voltage. */
    c.at.output_on = c.at.output_wanted = false;
    c.s.current_A = 0;
    FINE(both_read(&c, 13, 0, 100));
    c = beside_a_meter();
    c.at.has_other = false;
    FINE(both_read(&c, 13, 0, 100));
    c = beside_a_meter();
    FINE(both_read(&c, 13, NAN, 100));
    /* Nobody asked for it. */
    c = beside_a_meter();
    c.l.disagreement_V = NAN;
    FINE(both_read(&c, 13, 0, 100));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(noise_wider_than_a_digit_is_life),
        cmocka_unit_test(uneven_digits_are_no_noise),
        cmocka_unit_test(a_sensor_that_renews_seldom_is_given_time),
        cmocka_unit_test(a_thermometer_that_sticks),
        cmocka_unit_test(a_thermometer_that_sticks_before_the_output_goes_on),
        cmocka_unit_test(what_was_learned_of_it_ends_with_the_output),
        cmocka_unit_test(a_coarse_thermometer_may_stand_still),
        cmocka_unit_test(voltage_alone_at_the_edge),
        cmocka_unit_test(one_that_moved_before_is_found_sooner),
        cmocka_unit_test(switching_and_a_new_set_point_begin_anew),
        cmocka_unit_test(two_voltages_at_the_edge),
        cmocka_unit_test(two_voltages_while_charging),
        cmocka_unit_test(a_meter_that_sticks_disagrees),
        cmocka_unit_test(what_leads_explain_is_let_through),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
