/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of how the steps of each kind end (run/step_end.c, run/course.c), with
 * numbers that can be worked out by hand. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "run/sequencer.h"

#include <math.h>

static struct plan_step blank(enum step_kind kind)
{
    struct plan_step s = plan_step_blank(kind);
    s.max_s = 100000;
    s.sample_s = 1;
    s.limits = guard_limits_none();
    return s;
}

static struct plan_step charge_of(double current_A, double charge_V)
{
    struct plan_step s = blank(STEP_CHARGE);
    s.drive = DRIVE_CURRENT;
    s.current_A = current_A;
    s.charge_V = charge_V;
    return s;
}

/* Opened by a sample at t = 0 with no current. */
static struct sequencer opened(const struct plan_step *step, double v)
{
    const struct plan p = {.steps = (struct plan_step *)step, .step_count = 1};
    struct sequencer q;
    const struct sample s = {0, v, 0, 25};
    sequencer_start(&q, &p, 0, 0);
    sequencer_step_begun(&q, 0);
    sequencer_open(&q, &s);
    sequencer_changed(&q, 0);
    return q;
}

static enum step_end take(struct sequencer *q, double t_s, double v, double i)
{
    const struct sample s = {t_s, v, i, 25};
    return sequencer_take(q, &s).ended;
}

static enum step_end take_warm(struct sequencer *q, double t_s, double v, double i, double celsius)
{
    const struct sample s = {t_s, v, i, celsius};
    return sequencer_take(q, &s).ended;
}

/* Noise that is the same each time: uniform, of unit standard deviation. */
static double noise(uint64_t *state)
{
    *state = *state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return sqrt(12) * ((double)(*state >> 11) / 9007199254740992.0 - 0.5);
}

/* --- charge: taper --- */

/* 0.5 C falling to 0.05 C with one time constant tau takes tau x ln 10 = 2.302585 tau and puts
 * in tau x (0.5 - 0.05) C = 0.45 C tau (textbook). Battery of 10 Ah, tau 900 s: 2072.3 s and
 * 1.125 Ah. The step ends ten seconds after the first sample below. */
static void a_taper_ends_where_it_should(void **state)
{
    (void)state;
    const double rated_Ah = 10, tau_s = 900;
    struct plan_step step = charge_of(0.5 * rated_Ah, 4.2);
    step.until_A = 0.05 * rated_Ah;
    struct sequencer q = opened(&step, 4.2);
    double crossed_Ah = NAN;
    int t = 0;
    enum step_end e = STEP_GOES_ON;
    /* the set current flows from the first instant */
    const struct sample first = {0, 4.2, 5, 25};
    sequencer_step_begun(&q, 0);
    sequencer_open(&q, &first);
    while (e == STEP_GOES_ON) {
        t++;
        e = take(&q, t, 4.2, 0.5 * rated_Ah * exp(-t / tau_s));
        crossed_Ah = t == 2072 ? q.charged_Ah : crossed_Ah;
    }
    assert_int_equal(e, STEP_END_TAPER);
    assert_true(fabs(tau_s * log(10) - 2072.3265) < 1e-3);
    assert_int_equal(t, 2073 + 10);
    /* 0.33 s at 0.5 A are missing from the whole */
    assert_true(fabs(crossed_Ah - (1.125 - 0.3265 * 0.5 / 3600)) < 1e-6);
}

/* An open lead shows the supply's own voltage and no current: neither tapered nor reached. */
static void an_open_circuit_ends_nothing(void **state)
{
    (void)state;
    struct plan_step step = charge_of(5, 14.6);
    step.limits.off_current_A = 0.02;
    step.until_A = 0.5;
    step.until_V = 14.4;
    struct sequencer q = opened(&step, 13.2);
    for (int t = 1; t <= 100; t++) {
        assert_int_equal(take(&q, t, 14.6, 0.001), STEP_GOES_ON);
    }
    assert_int_equal(take(&q, 101, 14.6, 0.1), STEP_GOES_ON);
    assert_int_equal(take(&q, 102, 14.6, 0.1), STEP_END_VOLTAGE);
    step.until_V = NAN;
    q = opened(&step, 13.2);
    for (int t = 1; t <= 100; t++) {
        assert_int_equal(take(&q, t, 14.6, 0.001), STEP_GOES_ON);
    }
    /* a small honest taper, down to nothing */
    for (int t = 101; t <= 110; t++) {
        assert_int_equal(take(&q, t, 14.6, 0.1 * exp(100 - t)), STEP_GOES_ON);
    }
    assert_int_equal(take(&q, 111, 14.6, 0), STEP_END_TAPER);
    /* the battery is there already */
    q = opened(&step, 14.6);
    for (int t = 1; t <= 10; t++) {
        assert_int_equal(take(&q, t, 14.6, 0), STEP_GOES_ON);
    }
    assert_int_equal(take(&q, 11, 14.6, 0), STEP_END_TAPER);
}

static void the_ramp_of_a_supply_ends_nothing(void **state)
{
    (void)state;
    struct plan_step step = charge_of(5, 14.6);
    step.until_A = 0.5;
    struct sequencer q = opened(&step, 13.2);
    for (int t = 1; t <= 60; t++) { /* a slow one: no current for a minute, far from 14.6 V */
        assert_int_equal(take(&q, t, 13.2, 0.01), STEP_GOES_ON);
    }
    q = opened(&step, 14.55); /* nearly full: within the share, but only for 9 s */
    for (int t = 1; t <= 9; t++) {
        assert_int_equal(take(&q, t, 14.55, 0.1), STEP_GOES_ON);
    }
    for (int t = 10; t <= 100; t++) {
        assert_int_equal(take(&q, t, 14.6, 0.6), STEP_GOES_ON);
    }
    assert_int_equal(take(&q, 101, 14.6, 0.4), STEP_GOES_ON);
    assert_int_equal(take(&q, 110, 14.6, 0.4), STEP_GOES_ON);
    assert_int_equal(take(&q, 110.5, 14.6, 0.5), STEP_GOES_ON); /* on it is not below it */
    assert_int_equal(take(&q, 111, 14.6, 0.4), STEP_GOES_ON);
    assert_int_equal(take(&q, 121, 14.6, 0.4), STEP_GOES_ON); /* two samples are no course */
    assert_int_equal(take(&q, 122, 14.6, 0.4), STEP_END_TAPER);
}

/* --- charge: voltage, ceilings --- */

static void a_charge_voltage_counts_twice_in_a_row_and_at_the_battery(void **state)
{
    (void)state;
    struct plan_step step = charge_of(5, 14.8);
    step.until_V = 14.4;
    struct sequencer q = opened(&step, 13);
    assert_int_equal(take(&q, 1, 14.5, 5), STEP_GOES_ON); /* one wild reading */
    assert_int_equal(take(&q, 2, 13.5, 5), STEP_GOES_ON);
    assert_int_equal(take(&q, 3, 14.4, 5), STEP_GOES_ON);
    assert_int_equal(take(&q, 4, 14.4, 5), STEP_END_VOLTAGE);
    q = opened(&step, 13);
    q.lead_ohm = 0.02; /* 5 A x 20 mOhm: 0.1 V are lost in the leads */
    for (int t = 1; t < 9; t++) {
        assert_int_equal(take(&q, t, 14.45, 5), STEP_GOES_ON);
    }
    assert_int_equal(take(&q, 9, 14.51, 5), STEP_GOES_ON);
    assert_int_equal(take(&q, 10, 14.51, 5), STEP_END_VOLTAGE);
}

static void ceilings_of_a_charge_count_what_flowed_in(void **state)
{
    (void)state;
    struct plan_step step = charge_of(5, 14.8);
    step.max_Ah = 5;
    struct sequencer q = opened(&step, 13);
    enum step_end e = STEP_GOES_ON;
    int t = 0;
    while (e == STEP_GOES_ON) {
        e = take(&q, ++t, 14, 5);
    }
    assert_int_equal(e, STEP_END_CHARGE);
    assert_int_equal(t, 3601); /* 5 Ah at 5 A, and half a second less in the first */
    assert_false(step_is_overdue(&step, e));
    step.max_Ah_is_fault = true;
    assert_true(step_is_overdue(&step, e));
    assert_false(step_is_overdue(&step, STEP_END_TIME));
    step.max_s_is_fault = true;
    assert_true(step_is_overdue(&step, STEP_END_TIME));
    assert_false(step_is_overdue(&step, STEP_END_TAPER));
    step.max_s = 100;
    q = opened(&step, 13);
    assert_int_equal(take(&q, 99.9, 14, 0), STEP_GOES_ON);
    assert_int_equal(take(&q, 100, 14, 0), STEP_END_TIME);
}

/* --- charge: -deltaV, dT/dt --- */

/* One cell: 1.40 V rising to 1.50 V in an hour, then falling 1 mV in 10 s. */
static double peaking_V(double t_s)
{
    return t_s < 3600 ? 1.40 + 0.10 * t_s / 3600 : 1.50 - 0.0001 * (t_s - 3600);
}

static void minus_delta_v_is_found_in_noise_and_not_made_by_it(void **state)
{
    (void)state;
    struct plan_step step = charge_of(1, 1.8);
    step.until_drop_V = 0.005;
    step.hold_off_s = 600;
    struct sequencer q = opened(&step, 1.3);
    uint64_t seed = 7;
    double t = 0;
    enum step_end e = STEP_GOES_ON;
    while (e == STEP_GOES_ON) {
        t++;
        double v = peaking_V(t) + 0.002 * noise(&seed);
        v -= (int)t % 500 < 2 ? 0.3 : 0; /* two wild readings in a row */
        e = take(&q, t, v, 1);
    }
    assert_int_equal(e, STEP_END_DROP);
    /* 50 s of falling make 5 mV, and the filter lags by some 22 s */
    assert_true(t > 3640 && t < 3600 + 50 + 40);
    /* ten hours on a plateau: not once */
    q = opened(&step, 1.3);
    for (int k = 1; k <= 36000; k++) {
        double v = 1.45 + 0.002 * noise(&seed) - (k % 500 < 2 ? 0.3 : 0);
        assert_int_equal(take(&q, k, v, 1), STEP_GOES_ON);
    }
}

static void early_peaks_are_held_off(void **state)
{
    (void)state;
    struct plan_step step = charge_of(1, 1.8);
    step.until_drop_V = 0.005;
    step.hold_off_s = 600;
    struct sequencer q = opened(&step, 1.3);
    for (int t = 1; t <= 1000; t++) { /* a peak of 50 mV in the first minutes */
        double v = 1.40 + 0.05 * exp(-(t - 100.0) * (t - 100.0) / 5000);
        assert_int_equal(take(&q, t, v, 1), STEP_GOES_ON);
    }
    step.hold_off_s = 0;
    q = opened(&step, 1.3);
    enum step_end e = STEP_GOES_ON;
    int t = 0;
    while (e == STEP_GOES_ON && t < 1000) {
        t++;
        e = take(&q, t, 1.40 + 0.05 * exp(-(t - 100.0) * (t - 100.0) / 5000), 1);
    }
    assert_int_equal(e, STEP_END_DROP);
}

static void warming_is_a_slope_and_no_single_reading(void **state)
{
    (void)state;
    struct plan_step step = charge_of(1, 1.8);
    step.until_C_per_min = 1.0;
    step.hold_off_s = 300;
    struct sequencer q = opened(&step, 1.3);
    uint64_t seed = 3;
    double t = 0;
    enum step_end e = STEP_GOES_ON;
    while (e == STEP_GOES_ON) { /* 0.5 degC/min, and 1.2 degC/min from 3000 s on */
        t++;
        double celsius = 20 + 0.5 / 60 * fmin(t, 3000) + 1.2 / 60 * fmax(0, t - 3000);
        e = take_warm(&q, t, 1.45, 1, celsius + 0.1 * noise(&seed));
    }
    assert_int_equal(e, STEP_END_WARMING);
    /* the window of 120 s must be mostly on the steep part */
    assert_true(t > 3040 && t < 3140);
    q = opened(&step, 1.3);
    for (int k = 1; k <= 299; k++) { /* held off, though steep */
        assert_int_equal(take_warm(&q, k, 1.45, 1, 20 + k / 20.0), STEP_GOES_ON);
    }
    assert_int_equal(take_warm(&q, 300, 1.45, 1, 35), STEP_END_WARMING);
}

static void a_charge_without_thermometer_does_not_warm(void **state)
{
    (void)state;
    struct plan_step step = charge_of(1, 1.8);
    step.until_C_per_min = 1.0;
    struct sequencer q = opened(&step, 1.3);
    for (int t = 1; t <= 1000; t++) {
        assert_int_equal(take_warm(&q, t, 1.45, 1, NAN), STEP_GOES_ON);
    }
}

/* --- rest --- */

/* Relaxation 100 mV x exp(-t / tau), tau 1800 s: its slope is 5 mV/h where
 * exp(-t / tau) = 5 x 0.5 h / 100 = 0.025, at tau x ln 40 = 6640 s. The slope over a
 * window is that of its middle, nearly: 5 min later. */
static void a_rest_ends_when_the_voltage_has_settled(void **state)
{
    (void)state;
    struct plan_step step = blank(STEP_REST);
    step.until_V_per_h = 0.005;
    step.least_s = 600;
    step.max_s = 8 * 3600;
    struct sequencer q = opened(&step, 12);
    uint64_t seed = 5;
    double t = 0;
    enum step_end e = STEP_GOES_ON;
    while (e == STEP_GOES_ON) {
        t++;
        e = take(&q, t, 12.8 - 0.1 * exp(-t / 1800) + 0.0002 * noise(&seed), 0);
    }
    assert_int_equal(e, STEP_END_SETTLED);
    assert_true(fabs(t - (1800 * log(40) + 300)) < 200);
}

static void a_rest_that_does_not_settle_ends_by_time_and_says_so(void **state)
{
    (void)state;
    struct plan_step step = blank(STEP_REST);
    step.until_V_per_h = 0.005;
    step.least_s = 600;
    step.max_s = 1800;
    struct sequencer q = opened(&step, 12);
    enum step_end e = STEP_GOES_ON;
    int t = 0;
    while (e == STEP_GOES_ON) {
        t++;
        e = take(&q, t, 12 + 0.01 * t / 3600, 0); /* 10 mV/h */
    }
    assert_int_equal(e, STEP_END_UNSETTLED);
    assert_int_equal(t, 1800);
    step.least_s = 1200;
    q = opened(&step, 12);
    for (t = 1; t < 1200; t++) { /* quite still, but not long enough */
        assert_int_equal(take(&q, t, 12, 0), STEP_GOES_ON);
    }
    assert_int_equal(take(&q, 1200, 12, 0), STEP_END_SETTLED);
}

/* --- pulse --- */

static struct plan_segment segments[] = {{-2, 10, NAN}, {-10, 1, NAN}, {0, 5, 0.5}};

static struct plan_step pulse_step(void)
{
    struct plan_step s = blank(STEP_PULSE);
    s.drive = DRIVE_CURRENT;
    s.current_A = -10;
    s.until_V = 10;
    s.sample_s = 1;
    s.segments = segments;
    s.segment_count = 3;
    return s;
}

static void pulses_follow_one_another_by_time(void **state)
{
    (void)state;
    struct plan_step step = pulse_step();
    struct sequencer q = opened(&step, 13);
    assert_int_equal(sequencer_direction(&q), DIRECTION_LOAD);
    assert_true(sequencer_set_point(&q).current_A == -2);
    struct sample s = {9.9, 12.9, -2, 25};
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s.t_s = 10;
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_CHANGE);
    assert_true(sequencer_set_point(&q).current_A == -10);
    sequencer_changed(&q, 10.1); /* its second begins when it flows */
    s = (struct sample){11.05, 12, -10, 25};
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s.t_s = 11.1;
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_CHANGE);
    sequencer_changed(&q, 11.2);
    assert_true(sequencer_set_point(&q).current_A == 0);
    assert_true(sequencer_wants_output(&q)); /* on, at no current */
    s = (struct sample){16.1, 12.9, 0, 25};
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s.t_s = 16.2;
    struct sequencer_decision d = sequencer_take(&q, &s);
    assert_int_equal(d.wish, WISH_FINISH);
    assert_int_equal(d.ended, STEP_END_SEGMENTS);
}

static void edges_are_read_as_fast_as_the_link_allows(void **state)
{
    (void)state;
    struct plan_step step = pulse_step();
    struct sequencer q = opened(&step, 13);
    double end_s = 0;
    assert_true(sequencer_sample_s(&q, 1.9, &end_s) == 0 && end_s == 10);
    assert_true(sequencer_sample_s(&q, 2.1, &end_s) == 1 && end_s == 10);
    q.segment = 2;
    sequencer_changed(&q, 20);
    assert_true(sequencer_sample_s(&q, 20.1, &end_s) == 0.5 && end_s == 25);
    struct plan_step rest = blank(STEP_REST);
    q = opened(&rest, 13);
    assert_true(sequencer_sample_s(&q, 1, &end_s) == 1 && isinf(end_s));
}

static void a_pulse_has_a_safety_end(void **state)
{
    (void)state;
    struct plan_step step = pulse_step();
    struct sequencer q = opened(&step, 13);
    assert_int_equal(take(&q, 1, 9.9, -0.1), STEP_GOES_ON); /* not under load */
    assert_int_equal(take(&q, 2, 9.9, -2), STEP_END_CUTOFF);
    static struct plan_segment up[] = {{2, 10, NAN}, {10, 10, NAN}};
    step.segments = up;
    step.segment_count = 2;
    step.current_A = 10;
    step.until_V = 14.6;
    q = opened(&step, 13);
    assert_int_equal(sequencer_direction(&q), DIRECTION_SUPPLY);
    assert_int_equal(take(&q, 1, 14.6, 2), STEP_GOES_ON);
    assert_int_equal(take(&q, 2, 14.6, 2), STEP_END_VOLTAGE);
}

/* --- hold, pre-charge, compensation --- */

static void a_hold_waits_for_a_person_or_its_time(void **state)
{
    (void)state;
    struct plan_step step = blank(STEP_HOLD);
    step.max_s = 3600;
    struct sequencer q = opened(&step, 13);
    assert_false(sequencer_wants_output(&q));
    assert_int_equal(take(&q, 3599, 13, 0), STEP_GOES_ON);
    struct sequencer again = q;
    assert_int_equal(take(&q, 3600, 13, 0), STEP_END_UNCONFIRMED);
    struct sequencer_decision d = sequencer_end(&again, STEP_END_CONFIRMED);
    assert_true(d.wish == WISH_FINISH && d.ended == STEP_END_CONFIRMED);
    assert_string_equal(step_end_text(STEP_END_CONFIRMED), "confirmed by a person");
}

static void a_precharge_is_left_out_where_it_is_not_needed(void **state)
{
    (void)state;
    struct plan_step step = charge_of(0.5, 12);
    step.skip_above_V = 10;
    struct sequencer q = opened(&step, 9);
    const struct sample low = {0, nextafter(10, 0), 0, 25}, enough = {0, 10, 0, 25};
    assert_false(sequencer_is_needless(&q, &low));
    assert_true(sequencer_is_needless(&q, &enough));
    step.skip_above_V = NAN;
    assert_false(sequencer_is_needless(&q, &enough));
}

/* -3 mV per cell and degree, six cells, reference 25 degC: 18 mV per degree. */
static void a_held_voltage_follows_the_temperature(void **state)
{
    (void)state;
    struct plan_step step = charge_of(5, 14.4);
    step.charge_V_per_K = -0.018;
    step.compensation_C = 25;
    step.limits.voltage_max_V = 14.9;
    const struct plan p = {.steps = &step, .step_count = 1};
    struct sequencer q;
    struct sample s = {0, 13, 0, 15};
    sequencer_start(&q, &p, 0, 0);
    sequencer_open(&q, &s);
    assert_true(fabs(sequencer_set_point(&q).voltage_V - 14.58) < 1e-9);
    sequencer_changed(&q, 0);
    for (int t = 1; t <= 59; t++) { /* much warmer, but not more than once a minute */
        s = (struct sample){t, 14, 5, 20};
        assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    }
    s.t_s = 60;
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_CHANGE);
    assert_true(fabs(sequencer_set_point(&q).voltage_V - 14.49) < 1e-9);
    s.t_s = 200;
    s.temperature_C = NAN;
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    /* very cold: 15.12 V would be above the limit */
    s.temperature_C = -15;
    sequencer_open(&q, &s);
    assert_true(fabs(sequencer_set_point(&q).voltage_V - 14.9 / 1.01) < 1e-9);
    s.temperature_C = NAN; /* unknown: as at the reference */
    sequencer_open(&q, &s);
    assert_true(sequencer_set_point(&q).voltage_V == 14.4);
}

static void a_load_is_set_to_power_or_resistance(void **state)
{
    (void)state;
    struct plan_step step = blank(STEP_DISCHARGE);
    step.drive = DRIVE_POWER;
    step.power_W = 50;
    step.current_A = -5;
    step.until_V = 10;
    struct sequencer q = opened(&step, 13);
    struct set_point p = sequencer_set_point(&q);
    assert_true(p.direction == DIRECTION_LOAD && p.drive == DRIVE_POWER && p.power_W == 50 &&
                isnan(p.voltage_V));
    assert_int_equal(take(&q, 1, 9.9, -5), STEP_END_CUTOFF);
}

/* --- the filters themselves --- */

static void a_slope_is_that_of_the_line(void **state)
{
    (void)state;
    struct slope s;
    slope_start(&s, 600);
    for (int t = 0; t < 500; t++) {
        slope_take(&s, 1e6 + t, 12 + 1e-6 * t);
        assert_true(isnan(slope_per_s(&s)));
    }
    for (int t = 500; t < 5000; t++) {
        slope_take(&s, 1e6 + t, t % 7 == 0 ? (double)NAN : 12 + 1e-6 * t);
    }
    assert_true(fabs(slope_per_s(&s) - 1e-6) < 1e-10);
    /* sparse: one reading a minute */
    slope_start(&s, 600);
    for (int t = 0; t <= 1200; t += 60) {
        slope_take(&s, t, 3 - 2e-6 * t);
    }
    assert_true(fabs(slope_per_s(&s) + 2e-6) < 1e-12);
    /* noise of 1 mV at one reading a second: 0.85 mV/h in 600 s (see sequencer.h) */
    uint64_t seed = 11;
    double sum = 0;
    for (int round = 0; round < 400; round++) {
        slope_start(&s, 600);
        for (int t = 0; t < 640; t++) {
            slope_take(&s, t, 0.001 * noise(&seed));
        }
        sum += pow(3600 * slope_per_s(&s), 2);
    }
    double deviation = sqrt(sum / 400);
    assert_true(deviation > 0.00075 && deviation < 0.00095);
}

static void smoothing_takes_noise_and_wild_readings_away(void **state)
{
    (void)state;
    struct smooth s;
    uint64_t seed = 2;
    double sum = 0, worst = 0;
    smooth_start(&s);
    for (int t = 0; t < 4; t++) {
        assert_true(isnan(smooth_take(&s, t, 1)));
    }
    for (int t = 4; t < 20000; t++) {
        bool wild = t % 100 < 2;
        double v = smooth_take(&s, t, wild ? 50 : 1 + 0.01 * noise(&seed));
        sum += (v - 1) * (v - 1);
        worst = fmax(worst, fabs(v - 1));
    }
    double left = sqrt(sum / 20000) / 0.01;
    assert_true(left > 0.1 && left < 0.25);
    assert_true(worst < 0.01);
    smooth_start(&s);
    for (int t = 0; t < 400; t++) {
        smooth_take(&s, t, 0.001 * t);
    }
    double lag_s = (0.399 - s.value) / 0.001;
    assert_true(lag_s > 20 && lag_s < 24);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_taper_ends_where_it_should),
        cmocka_unit_test(an_open_circuit_ends_nothing),
        cmocka_unit_test(the_ramp_of_a_supply_ends_nothing),
        cmocka_unit_test(a_charge_voltage_counts_twice_in_a_row_and_at_the_battery),
        cmocka_unit_test(ceilings_of_a_charge_count_what_flowed_in),
        cmocka_unit_test(minus_delta_v_is_found_in_noise_and_not_made_by_it),
        cmocka_unit_test(early_peaks_are_held_off),
        cmocka_unit_test(warming_is_a_slope_and_no_single_reading),
        cmocka_unit_test(a_charge_without_thermometer_does_not_warm),
        cmocka_unit_test(a_rest_ends_when_the_voltage_has_settled),
        cmocka_unit_test(a_rest_that_does_not_settle_ends_by_time_and_says_so),
        cmocka_unit_test(pulses_follow_one_another_by_time),
        cmocka_unit_test(edges_are_read_as_fast_as_the_link_allows),
        cmocka_unit_test(a_pulse_has_a_safety_end),
        cmocka_unit_test(a_hold_waits_for_a_person_or_its_time),
        cmocka_unit_test(a_precharge_is_left_out_where_it_is_not_needed),
        cmocka_unit_test(a_held_voltage_follows_the_temperature),
        cmocka_unit_test(a_load_is_set_to_power_or_resistance),
        cmocka_unit_test(a_slope_is_that_of_the_line),
        cmocka_unit_test(smoothing_takes_noise_and_wild_readings_away),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
