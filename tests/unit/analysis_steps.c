/* SPDX-License-Identifier: GPL-3.0-or-later
 * Resistance from steps of current, the drift of a rest, efficiencies and the mean of
 * several attempts, against figures that were worked out by hand. */
#include "analysis/cycle.h"
#include "analysis/pulse.h"
#include "analysis/settling.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static void near(double value, double expected, double tolerance)
{
    if (!(fabs(value - expected) <= tolerance)) {
        fail_msg("%.12g instead of %.12g", value, expected);
    }
}

/* --- pulses --- */

/* A level of current at a voltage that moves evenly. */
static double add_level(struct pulse_watch *w, double from_s, double current_A, double for_s,
                        double from_V, double to_V)
{
    int n = (int)lround(for_s / 0.1);
    for (int i = 1; i <= n; i++) {
        struct sample s = {from_s + i * 0.1, from_V + (to_V - from_V) * i / n, current_A, 21};
        pulse_watch_add(w, &s);
    }
    return from_s + for_s;
}

/* IEC 61960 as quoted in the header; the 2.5 Ah cell: 0.2 It 10 s to 4.10 V, 1 It 1 s to
 * 4.00 V: 50.0 mOhm (constructed). */
static void two_currents(void **state)
{
    (void)state;
    struct pulse_watch w;
    pulse_watch_start(&w, 2.5, 0);
    pulse_watch_add(&w, &(struct sample){0, 4.15, 0, 21});
    double t = add_level(&w, 0, -0.5, 10, 4.13, 4.10);
    add_level(&w, t, -2.5, 1, 4.04, 4.00);
    pulse_watch_finish(&w);
    assert_int_equal(w.count, 2);
    const struct pulse_change *c = pulse_chosen(&w);
    assert_int_equal(c->method, PULSE_TWO_CURRENT);
    near(c->before.voltage_V, 4.10, 1e-12);
    near(c->before.t_s, 10, 1e-9);
    near(c->held_s, 9.9, 1e-9);
    near(c->charge_Ah, -0.5 * 9.95 / 3600, 1e-9); /* the first interval is half a switch */
    near(pulse_last(c)->after_s, 1, 1e-9);
    near(1e3 * pulse_last(c)->resistance_ohm, 50.0, 1e-9);
    /* And from rest: (4.15 - 4.10) / 0.5. */
    assert_int_equal(w.change[0].method, PULSE_ON);
    near(1e3 * pulse_last(&w.change[0])->resistance_ohm, 100.0, 1e-9);
    near(pulse_last(&w.change[0])->after_s, 10, 1e-9);
    assert_int_equal(w.change[0].count, 3); /* first, 1 s, and 10 s, which is the last */
    near(w.change[0].instant[1].after_s, 1, 1e-9);
}

/* A pulse test as in DOE/INL manuals, figures worked out: 3.700 V to 3.520 V at 9 A:
 * 20.0 mOhm; rest to 3.690 V, charge pulse to 3.825 V at 6.75 A: 20.0 mOhm. */
static void discharge_and_charge_pulse(void **state)
{
    (void)state;
    struct pulse_watch w;
    pulse_watch_start(&w, 9, 0);
    pulse_watch_add(&w, &(struct sample){0, 3.7, 0, 21});
    double t = add_level(&w, 0, -9, 10, 3.6, 3.52);
    t = add_level(&w, t, 0, 40, 3.65, 3.69);
    add_level(&w, t, 6.75, 10, 3.8, 3.825);
    pulse_watch_finish(&w);
    assert_int_equal(w.count, 3);
    near(1e3 * pulse_last(&w.change[0])->resistance_ohm, 20.0, 1e-9);
    assert_int_equal(w.change[1].method, PULSE_OFF);
    assert_int_equal(w.change[2].method, PULSE_ON);
    near(1e3 * pulse_last(&w.change[2])->resistance_ohm, 20.0, 1e-9);
    assert_ptr_equal(pulse_chosen(&w), &w.change[2]); /* no two-current one: the last on */
}

/* Voltage read behind leads of 10 mOhm: the resistance is that of the battery. */
static void leads_are_taken_off(void **state)
{
    (void)state;
    struct pulse_watch w;
    pulse_watch_start(&w, 10, 0.010);
    pulse_watch_add(&w, &(struct sample){0, 13.2, 0, 21});
    add_level(&w, 0, -10, 1, 13.0, 13.0);
    pulse_watch_finish(&w);
    near(1e3 * pulse_last(&w.change[0])->resistance_ohm, 10.0, 1e-9);
}

/* A load that comes up in steps is one change, from the reading before the ramp; one
 * reading out of line is none. */
static void a_ramp_is_one_change(void **state)
{
    (void)state;
    struct pulse_watch w;
    pulse_watch_start(&w, 10, 0);
    const struct sample rows[] = {
        {0.0, 13.2, 0, 21},  {0.1, 13.2, 0, 21},   {0.2, 13.15, -3, 21},
        {0.3, 13.1, -7, 21}, {0.4, 13.0, -10, 21}, {0.5, 13.0, -10, 21},
        {0.6, 13.1, -5, 21}, {0.7, 13.0, -10, 21}, {0.8, 13.0, -10, 21},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        pulse_watch_add(&w, &rows[i]);
    }
    pulse_watch_finish(&w);
    assert_int_equal(w.count, 1);
    near(w.change[0].before.t_s, 0.1, 1e-12);
    near(w.change[0].instant[0].after_s, 0.3, 1e-12);
    near(1e3 * pulse_last(&w.change[0])->resistance_ohm, 20.0, 1e-9);
}

static void nothing_is_found_where_nothing_is(void **state)
{
    (void)state;
    struct pulse_watch w;
    pulse_watch_start(&w, 10, 0);
    pulse_watch_finish(&w);
    assert_null(pulse_chosen(&w));
    pulse_watch_add(&w, &(struct sample){0, 13.2, 0, 21});
    pulse_watch_add(&w, &(struct sample){1, NAN, -10, 21});
    pulse_watch_add(&w, &(struct sample){2, 13.0, -10, 21}); /* read only once */
    pulse_watch_finish(&w);
    assert_null(pulse_chosen(&w));
    /* The daemon was away: what was before is not compared with what is after. */
    pulse_watch_start(&w, 10, 0);
    add_level(&w, 0, -2, 1, 13.1, 13.1);
    pulse_watch_break(&w);
    add_level(&w, 60, -10, 1, 13.0, 13.0);
    pulse_watch_finish(&w);
    assert_null(pulse_chosen(&w));
}

/* A supply that holds the voltage while the current falls, and a logger that reads the
 * voltage before the current: no resistance, and none of 0 mOhm. */
static void a_voltage_that_stands_still_tells_none(void **state)
{
    (void)state;
    struct pulse_watch w;
    pulse_watch_start(&w, 10, 0);
    double t = add_level(&w, 0, 10, 60, 4.2, 4.2);
    add_level(&w, t, 5, 60, 4.2, 4.2);
    pulse_watch_finish(&w);
    assert_int_equal(w.count, 0);
    assert_int_equal(w.unseen, 1);
    assert_null(pulse_chosen(&w));

    pulse_watch_start(&w, 10, 0);
    pulse_watch_add(&w, &(struct sample){0, 13.2, 0, 21});
    pulse_watch_add(&w, &(struct sample){1, 13.2, -10, 21});
    pulse_watch_add(&w, &(struct sample){2, 13.0, -10, 21});
    pulse_watch_finish(&w);
    assert_int_equal(w.count, 1);
    assert_true(isnan(w.change[0].instant[0].resistance_ohm));
    near(1e3 * pulse_last(&w.change[0])->resistance_ohm, 20, 1e-9);
}

/* Read after 10 min only, it is no resistance any more; one that is turned round is no
 * two-current method. */
static void late_readings_and_turns_are_told_apart(void **state)
{
    (void)state;
    struct pulse_watch w;
    pulse_watch_start(&w, 10, 0);
    w.latest_s = RESISTANCE_WITHIN_S;
    pulse_watch_add(&w, &(struct sample){0, 13.2, 0, 21});
    pulse_watch_add(&w, &(struct sample){600, 12.9, -10, 21});
    pulse_watch_add(&w, &(struct sample){1200, 12.8, -10, 21});
    pulse_watch_finish(&w);
    assert_int_equal(w.count, 0);
    assert_int_equal(w.unseen, 1);

    pulse_watch_start(&w, 10, 0);
    double t = add_level(&w, 0, 10, 20, 13.4, 13.4);
    add_level(&w, t, -10, 20, 13.0, 13.0);
    pulse_watch_finish(&w);
    assert_int_equal(w.count, 1);
    assert_int_equal(w.change[0].method, PULSE_TURNED);
    near(1e3 * pulse_last(&w.change[0])->resistance_ohm, 20, 1e-9);
    assert_null(pulse_chosen(&w));
}

static void many_pulses_are_bounded(void **state)
{
    (void)state;
    struct pulse_watch w;
    double t = 0;
    pulse_watch_start(&w, 10, 0);
    for (int i = 0; i < PULSE_CHANGES_MAX + 8; i++) {
        t = add_level(&w, t, i % 2 == 0 ? -2 : -10, 1, i % 2 == 0 ? 13 : 12, i % 2 == 0 ? 13 : 12);
    }
    pulse_watch_finish(&w);
    assert_int_equal(w.count, PULSE_CHANGES_MAX);
    assert_int_equal(w.dropped, 7);
}

/* u(dU) of 1 mV steps twice is 1 mV/sqrt(6); 0.1 V apart: 0.408 %. Gains of 0.05 % and
 * 0.1 %. Offsets do not count. */
static void resistance_has_an_uncertainty(void **state)
{
    (void)state;
    struct pulse_change c = {.before = {10, 4.10, -0.5, 21}};
    struct pulse_instant i = {1, 1, {11, 4.00, -2.5, 21}, 0.050};
    struct instrument_accuracy a = {.voltage = {0.0005, 0.5, 0.001}, .current = {0.001, 1, NAN}};
    double gains = (0.0005 * 0.0005 + 0.001 * 0.001) / 3;
    double steps = 0.001 * 0.001 / 6 / (0.1 * 0.1);
    near(pulse_uncertainty_ohm(&c, &i, &a), 2 * 0.050 * sqrt(gains + steps), 1e-8);
    a.current.gain = NAN;
    assert_true(isnan(pulse_uncertainty_ohm(&c, &i, &a)));
}

/* --- rests --- */

/* 12.8 V - 0.2 V e^(-t/1800 s) after 2 h: 0.4 V/h e^-4 = 7.33 mV/h; over the last 10 min
 * the mean slope is between those at its ends, 10.22 and 7.33. */
static void a_rest_that_settles(void **state)
{
    (void)state;
    struct settling w;
    settling_start(&w);
    assert_true(isnan(settling_drift_V_per_h(&w)));
    for (int t = 0; t <= 7200; t += 1) {
        settling_add(&w, 100 + t, 12.8 - 0.2 * exp(-t / 1800.0));
    }
    double drift = settling_drift_V_per_h(&w);
    assert_true(drift > 0.4 * exp(-7200 / 1800.0));
    assert_true(drift < 0.4 * exp(-6595 / 1800.0)); /* one stretch more */
}

/* A straight line is met exactly, however long the record and however it is sampled. */
static void a_straight_drift_is_met(void **state)
{
    (void)state;
    const double steps_s[] = {0.1, 1, 60};
    for (size_t k = 0; k < 3; k++) {
        struct settling w;
        settling_start(&w);
        for (int i = 0; i < 20000; i++) {
            settling_add(&w, i * steps_s[k], 13 - 0.005 * i * steps_s[k] / 3600);
        }
        near(settling_drift_V_per_h(&w), -0.005, 1e-8);
        near(w.last_V, 13 - 0.005 * 19999 * steps_s[k] / 3600, 1e-12);
    }
    struct settling few;
    settling_start(&few);
    settling_add(&few, 0, 13);
    settling_add(&few, 60, NAN);
    settling_add(&few, 120, 13);
    assert_true(isnan(settling_drift_V_per_h(&few)));
}

/* --- cycles --- */

/* Worked: 2.40/2.50 = 96.00 %; 2.40 x 3.60 / (2.50 x 3.80) = 90.947 %. */
static void efficiency_of_a_cycle(void **state)
{
    (void)state;
    struct cycle_count c;
    const struct cycle_discharge d = {2.40, 2.40 * 3.60, 3, true};
    cycle_start(&c);
    struct cycle_efficiency none = cycle_discharge(&c, &d);
    assert_true(isnan(none.coulombic) && isnan(none.energy) && !none.closed);
    cycle_charge(&c, 2.00, 2.00 * 3.80); /* in two stages */
    cycle_charge(&c, 0.50, 0.50 * 3.80);
    struct cycle_efficiency e = cycle_discharge(&c, &d);
    near(100 * e.coulombic, 96.00, 1e-9);
    near(100 * e.energy, 90.947, 0.0005);
    assert_true(e.closed);
    /* The same again: what went before is not in it. */
    cycle_charge(&c, 2.50, 2.50 * 3.80);
    near(100 * cycle_discharge(&c, &d).coulombic, 96.00, 1e-9);
}

static void a_cycle_from_or_to_an_unknown_state_is_open(void **state)
{
    (void)state;
    struct cycle_count c;
    struct cycle_discharge d = {2.4, 8.64, 3, true};
    cycle_start(&c);
    cycle_charge(&c, 1.0, 3.8); /* it was not empty */
    struct cycle_efficiency e = cycle_discharge(&c, &d);
    near(e.coulombic, 2.4, 1e-12);
    assert_false(e.closed);
    cycle_charge(&c, 2.5, 9.5);
    cycle_other(&c, -0.1, -0.36); /* a pulse test of the full battery */
    d.to_cutoff = false;
    d.Ah = 2.3;
    e = cycle_discharge(&c, &d);
    near(100 * e.coulombic, 96.0, 1e-9);
    assert_false(e.closed);
    cycle_charge(&c, 2.5, 9.5);
    d.to_cutoff = true;
    d.plan_step = 7; /* at another rate */
    assert_false(cycle_discharge(&c, &d).closed);
}

/* --- attempts --- */

static struct capacity_result attempt(double capacity_Ah)
{
    struct capacity_result r = {
        .capacity_Ah = capacity_Ah, .energy_Wh = 12.8 * capacity_Ah, .percent_of_rated = NAN};
    r.uncertainty.accuracy_known = true;
    uncertainty_add(&r.uncertainty, "current gain", 0.04, "");
    uncertainty_add(&r.uncertainty, "end between rows", 0.03, "");
    return r;
}

/* Four attempts: the gain keeps its 0.04 Ah, the end becomes 0.03/2. */
static void what_is_the_same_in_all_does_not_average(void **state)
{
    (void)state;
    struct attempt_mean m;
    struct capacity_result r = {0};
    const double capacities[] = {99, 100, 101, 104};
    attempt_mean_start(&m);
    assert_true(isnan(attempt_scatter_Ah(&m)));
    for (size_t i = 0; i < 4; i++) {
        r = attempt(capacities[i]);
        attempt_mean_add(&m, &r);
    }
    near(attempt(1).uncertainty.standard_Ah, 0.05, 1e-12);
    attempt_mean_finish(&m, 100, &r);
    near(r.capacity_Ah, 101, 1e-12);
    near(r.energy_Wh, 12.8 * 101, 1e-9);
    near(r.mean_voltage_V, 12.8, 1e-12);
    near(r.percent_of_rated, 101, 1e-12);
    near(r.uncertainty.expanded_Ah, 2 * hypot(0.04, 0.015), 1e-12);
    near(attempt_scatter_Ah(&m), sqrt((4 + 1 + 0 + 9) / 3.0), 1e-12);
}

static void one_attempt_is_its_own_mean(void **state)
{
    (void)state;
    struct attempt_mean m;
    struct capacity_result r = attempt(90);
    attempt_mean_start(&m);
    attempt_mean_add(&m, &r);
    attempt_mean_finish(&m, 100, &r);
    near(r.capacity_Ah, 90, 1e-12);
    near(r.uncertainty.standard_Ah, 0.05, 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_currents),
        cmocka_unit_test(discharge_and_charge_pulse),
        cmocka_unit_test(leads_are_taken_off),
        cmocka_unit_test(a_ramp_is_one_change),
        cmocka_unit_test(nothing_is_found_where_nothing_is),
        cmocka_unit_test(a_voltage_that_stands_still_tells_none),
        cmocka_unit_test(late_readings_and_turns_are_told_apart),
        cmocka_unit_test(many_pulses_are_bounded),
        cmocka_unit_test(resistance_has_an_uncertainty),
        cmocka_unit_test(a_rest_that_settles),
        cmocka_unit_test(a_straight_drift_is_met),
        cmocka_unit_test(efficiency_of_a_cycle),
        cmocka_unit_test(a_cycle_from_or_to_an_unknown_state_is_open),
        cmocka_unit_test(what_is_the_same_in_all_does_not_average),
        cmocka_unit_test(one_attempt_is_its_own_mean),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
