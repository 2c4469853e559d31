/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of what the guard sees in a series of samples: regulation, rise of
 * temperature, ceilings, stuck readings, leaks, opened circuits, wrong wiring;
 * each just inside, on and just outside its limit. Then whole healthy nights,
 * noisy and quantised, that must never trip. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "guard/guard.h"

#include <math.h>
#include <stdlib.h>

/* A launch at 10 A, on from second 0. */
struct scene {
    struct guard_limits l;
    struct guard_memory m;
    struct guard_moment at;
    struct sample s;
};

static struct scene discharge_at_10_A(void)
{
    struct scene c = {
        .l = guard_limits_none(),
        .at = {.output_wanted = true, .output_on = true, .set_A = -10, .cutoff_V = 10},
        .s = {.voltage_V = 13, .current_A = -10, .temperature_C = 22},
    };
    c.l.voltage_min_V = 8.8;
    guard_start(&c.m, 0);
    return c;
}

static struct guard_verdict take(struct scene *c, double t_s, double v, double i)
{
    c->at.now_s = t_s;
    c->s.t_s = t_s;
    c->s.voltage_V = v;
    c->s.current_A = i;
    return guard_check(&c->l, &c->m, &c->at, &c->s);
}

/* A sample a second from from_s to to_s; the first verdict that is not fine. */
static struct guard_verdict take_span(struct scene *c, int from_s, int to_s, double v, double i)
{
    struct guard_verdict verdict = {GUARD_FINE, NAN, NAN};
    for (int t = from_s; t <= to_s && verdict.reason == GUARD_FINE; t++) {
        /* a last digit that moves, as a live meter's does */
        verdict = take(c, t, v + 1e-6 * (t % 2), i);
    }
    return verdict;
}

#define FINE(x) assert_int_equal((x).reason, GUARD_FINE)
#define TRIPS(x, why) assert_int_equal((x).reason, why)

static void regulation_at_the_edge(void **state)
{
    (void)state;
    for (int direction = -1; direction <= 1; direction += 2) {
        struct scene c = discharge_at_10_A();
        c.l.regulation_percent = 5;
        FINE(take_span(&c, 1, 100, 13, -10 + direction * 0.5));
        c = discharge_at_10_A();
        c.l.regulation_percent = 5;
        FINE(take_span(&c, 1, 20, 13, -10));
        FINE(take_span(&c, 21, 26, 13, -10 + direction * 0.501)); /* away for 5 s and no more */
        struct guard_verdict v = take(&c, 26.001, 13, -10 + direction * 0.501);
        TRIPS(v, GUARD_REGULATION);
        assert_true(fabs(v.value - 0.501) < 1e-9 && fabs(v.limit - 0.5) < 1e-12);
    }
}

static void regulation_starts_anew_when_the_current_was_right(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.regulation_percent = 5;
    for (int t = 1; t < 1000; t++) {
        FINE(take(&c, t, 13 + 0.001 * (t % 7), t % 5 == 0 ? -10 : -8));
    }
}

static void regulation_is_judged_while_readings_stay_away(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.regulation_percent = 5;
    FINE(take_span(&c, 1, 20, 13, -10));
    FINE(take_span(&c, 21, 24, 13, -8));
    c.at.now_s = 26;
    FINE(guard_check(&c.l, &c.m, &c.at, NULL));
    c.at.now_s = 26.5;
    TRIPS(guard_check(&c.l, &c.m, &c.at, NULL), GUARD_REGULATION);
}

static void ages_count_from_when_a_sample_was_taken(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    FINE(take(&c, 1, 13, -10));
    c.at.now_s = 3.9; /* 2.5 s under way */
    c.s.t_s = 1.4;
    FINE(guard_check(&c.l, &c.m, &c.at, &c.s));
    c.at.now_s = 4.41;
    TRIPS(guard_check(&c.l, &c.m, &c.at, NULL), GUARD_READING_LOST);
}

static void regulation_waits_after_switching(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.regulation_percent = 5;
    c.at.switched_s = 50;
    FINE(take_span(&c, 1, 55, 13, -2));
    TRIPS(take(&c, 55.1, 13, -2), GUARD_REGULATION);
    /* Small set points: 50 mA are always allowed. */
    c = discharge_at_10_A();
    c.l.regulation_percent = 5;
    c.at.set_A = -0.1;
    FINE(take_span(&c, 1, 30, 13, -0.1499999));
    c.at.set_A = NAN;
    FINE(take_span(&c, 31, 60, 13, -0.9));
}

static struct guard_verdict ramp(double rate_C_per_min, double noise_C, int seconds)
{
    struct scene c = discharge_at_10_A();
    c.l.temperature_rate_C_per_min = 3;
    for (int t = 1; t <= seconds; t++) {
        double noise = noise_C * (2.0 * (double)random() / RAND_MAX - 1);
        c.s.temperature_C = 20 + rate_C_per_min * t / 60 + noise;
        struct guard_verdict v = take(&c, t, 13 + 0.001 * (t % 3), -10);
        if (v.reason != GUARD_FINE) {
            return v;
        }
    }
    return (struct guard_verdict){GUARD_FINE, NAN, NAN};
}

static void rise_at_the_edge(void **state)
{
    (void)state;
    FINE(ramp(2.999, 0, 600));
    struct guard_verdict v = ramp(3.001, 0, 600);
    TRIPS(v, GUARD_TEMPERATURE_RATE);
    assert_true(fabs(v.value - 3.001) < 0.01);
    /* On the limit: numbers that binary holds exactly. */
    struct scene c = discharge_at_10_A();
    c.l.temperature_rate_C_per_min = 3;
    for (int t = 0; t <= 400; t += 20) {
        c.s.temperature_C = t / 20.0;
        FINE(take(&c, t, 13, -10));
    }
    FINE(ramp(-30, 0, 600));
}

static void rise_forgives_noise_and_one_wild_reading(void **state)
{
    (void)state;
    srandom(20260302);
    FINE(ramp(0, 0.17, 47000)); /* even over +-0.17: standard deviation 0.1 */
    FINE(ramp(2.8, 0.17, 3000));
    TRIPS(ramp(3.2, 0.17, 3000), GUARD_TEMPERATURE_RATE);
    struct scene c = discharge_at_10_A();
    c.l.temperature_rate_C_per_min = 3;
    for (int t = 1; t <= 1000; t++) {
        c.s.temperature_C = t == 500 ? 60 : t % 10 == 0 ? (double)NAN : 22;
        FINE(take(&c, t, 13 + 0.001 * (t % 3), -10));
    }
}

static void a_pause_of_the_thermometer_is_no_rise(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.temperature_rate_C_per_min = 3;
    for (int t = 1; t <= 2000; t++) {
        c.s.temperature_C = t < 500 ? 20 : t < 900 ? (double)NAN : 40;
        FINE(take(&c, t, 13 + 0.001 * (t % 3), -10));
    }
}

static void ceilings_at_the_edge(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.charge_max_Ah = 1; /* 360 s at 10 A */
    FINE(take(&c, 0, 13, -10));
    FINE(take(&c, 359, 13, -10));
    FINE(take(&c, 360, 13, -10));
    struct guard_verdict v = take(&c, 361, 13, -10);
    TRIPS(v, GUARD_CHARGE_CEILING);
    assert_true(fabs(v.value - 361 / 360.0) < 1e-12 && v.limit == 1);

    c = discharge_at_10_A();
    c.l.energy_max_Wh = 12.5;
    c.at.lead_ohm = 0.05; /* 12 V at the load, 12.5 V at the battery */
    FINE(take(&c, 0, 12, -10));
    FINE(take(&c, 359, 12, -10));
    TRIPS(take(&c, 361, 12, -10), GUARD_ENERGY_CEILING);

    /* A new step counts anew. */
    c = discharge_at_10_A();
    c.l.charge_max_Ah = 1;
    FINE(take(&c, 0, 13, -10));
    FINE(take(&c, 300, 13, -10));
    guard_step_begun(&c.m, 300);
    FINE(take(&c, 600, 13, -10));
    TRIPS(take(&c, 700, 13, -10), GUARD_CHARGE_CEILING);
}

static void times_at_the_edge(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.step_time_max_s = 100;
    c.l.run_time_max_s = 250;
    FINE(take(&c, 100, 13, -10));
    TRIPS(take(&c, nextafter(100, 200), 13, -10), GUARD_STEP_TIME);
    guard_step_begun(&c.m, 100);
    FINE(take(&c, 200, 13, -10));
    guard_step_begun(&c.m, 200);
    FINE(take(&c, 250, 13, -10));
    c.at.now_s = nextafter(250, 300);
    TRIPS(guard_check(&c.l, &c.m, &c.at, NULL), GUARD_RUN_TIME);
}

static void stuck_readings_at_the_edge(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.stuck_Ah = 1; /* 360 s at 10 A */
    for (int t = 0; t <= 360; t++) {
        FINE(take(&c, t, 13, -10));
    }
    TRIPS(take(&c, 361, 13, -10), GUARD_READING_STUCK);

    /* A large current: sixty repetitions first. */
    c = discharge_at_10_A();
    c.l.stuck_Ah = 0.01;
    for (int t = 0; t < GUARD_STUCK_SAMPLES; t++) {
        FINE(take(&c, t, 13, -10));
    }
    TRIPS(take(&c, GUARD_STUCK_SAMPLES, 13, -10), GUARD_READING_STUCK);

    /* One of the two moves: alive. At rest nothing flows: no matter. */
    c = discharge_at_10_A();
    c.l.stuck_Ah = 0.1;
    for (int t = 0; t <= 5000; t++) {
        FINE(take(&c, t, 13, t % 50 == 0 ? -10.001 : -10));
    }
    c.at.output_on = false;
    for (int t = 5001; t <= 9000; t++) {
        FINE(take(&c, t, 13, 0));
    }
}

static void leak_at_the_edge(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.off_current_A = 0.02;
    c.at.output_on = false;
    c.at.output_wanted = false;
    FINE(take_span(&c, 1, 100, 13, -0.02));
    FINE(take_span(&c, 101, 106, 13, -0.0201));
    struct guard_verdict v = take(&c, 106.5, 13, -0.0201);
    TRIPS(v, GUARD_CURRENT_WHILE_OFF);
    assert_true(v.value == 0.0201 && v.limit == 0.02);

    c = discharge_at_10_A();
    c.l.off_current_A = 0.02;
    FINE(take_span(&c, 1, 100, 13, -10)); /* on: it shall flow */
    c.at.output_on = false;
    c.at.switched_s = 100;
    FINE(take_span(&c, 101, 105, 13, -0.5)); /* just switched off */
    TRIPS(take_span(&c, 106, 108, 13, -0.5), GUARD_CURRENT_WHILE_OFF);
}

static void polarity_at_the_edge(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l = guard_limits_none();
    FINE(take(&c, 1, nextafter(GUARD_REVERSED_V, 0), 0));
    FINE(take(&c, 2, GUARD_REVERSED_V, 0));
    TRIPS(take(&c, 3, nextafter(GUARD_REVERSED_V, -1), 0), GUARD_POLARITY_REVERSED);
    c = discharge_at_10_A();
    TRIPS(take(&c, 1, -13, -10), GUARD_POLARITY_REVERSED); /* named before the voltage limit */
}

static void a_protection_that_opens_at_the_bottom_is_no_fault(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    FINE(take_span(&c, 1, 10, 11.49, -10));
    FINE(take(&c, 11, 0, 0)); /* the sequencer ends the step with this sample */
    c.at.output_on = false;
    c.at.output_wanted = false;
    c.at.switched_s = 11;
    FINE(take_span(&c, 12, 300, 0, 0)); /* it stays open at rest */
    c.at.output_wanted = true;          /* but nothing may be switched on like this */
    TRIPS(take(&c, 301, 0, 0), GUARD_VOLTAGE_LOW);

    /* Had the step not ended, the next sample would have tripped. */
    c = discharge_at_10_A();
    FINE(take_span(&c, 1, 10, 11.49, -10));
    FINE(take(&c, 11, 0, 0));
    TRIPS(take(&c, 12, 0, 0), GUARD_VOLTAGE_LOW);
}

static void opened_at_the_edge(void **state)
{
    (void)state;
    const double edge_V = NEAR_BOTTOM_RATIO * 10;
    struct scene c = discharge_at_10_A();
    FINE(take(&c, 10, edge_V, -10));
    FINE(take(&c, 11, 0, 0));
    c = discharge_at_10_A();
    FINE(take(&c, 10, nextafter(edge_V, 20), -10));
    struct guard_verdict v = take(&c, 11, 0, 0);
    TRIPS(v, GUARD_OPENED_EARLY);
    assert_true(v.value > edge_V && v.limit == edge_V);
    /* No cut-off: never near the bottom. */
    c = discharge_at_10_A();
    c.at.cutoff_V = NAN;
    FINE(take(&c, 10, 10.1, -10));
    TRIPS(take(&c, 11, 0, 0), GUARD_OPENED_EARLY);
    /* Voltage gone while the current flows: the sense lead. An ordinary voltage fault. */
    c = discharge_at_10_A();
    FINE(take(&c, 10, 10.5, -10));
    TRIPS(take(&c, 11, 0, -10), GUARD_VOLTAGE_LOW);
    /* A sample in between, before the collapse was complete, does not hide it. */
    c = discharge_at_10_A();
    FINE(take(&c, 10, 10.5, -10));
    FINE(take(&c, 11, 10.2, -0.5));
    FINE(take(&c, 12, 0, 0));
}

static void supply_and_load_never_together(void **state)
{
    (void)state;
    const enum guard_output all[] = {OUTPUT_UNKNOWN, OUTPUT_READ_OFF, OUTPUT_READ_ON};
    for (size_t i = 0; i < 3; i++) {
        for (size_t k = 0; k < 3; k++) {
            struct scene c = discharge_at_10_A();
            c.at.load = all[i];
            c.at.supply = all[k];
            /* A discharge wants the load: the supply must not be on in any case. */
            TRIPS(take(&c, 1, 13, -10), k == 2 ? GUARD_BOTH_ON : GUARD_FINE);
            TRIPS(guard_check(&c.l, &c.m, &c.at, NULL), k == 2 ? GUARD_BOTH_ON : GUARD_FINE);
            c.at.set_A = 10;
            TRIPS(take(&c, 2, 13, 10), i == 2 ? GUARD_BOTH_ON : GUARD_FINE);
            c.at.output_wanted = false;
            TRIPS(take(&c, 3, 13, 0), i == 2 && k == 2 ? GUARD_BOTH_ON : GUARD_FINE);
        }
    }
}

/* --- after a trip --- */

static void watch_raises_again_and_again_while_it_rises(void **state)
{
    (void)state;
    struct guard_watch w;
    double rise_C = NAN;
    int alarms = 0;
    watch_start(&w, 0);
    for (int t = 0; t < 600; t++) { /* 1.2 degC a minute: 12 degC */
        if (watch_take(&w, 61 + t * 0.02, t, &rise_C)) {
            alarms++;
            assert_true(rise_C >= WATCH_RISE_C * alarms && rise_C < WATCH_RISE_C * alarms + 0.1);
        }
    }
    assert_int_equal(alarms, 3);
}

static void watch_at_the_edge(void **state)
{
    (void)state;
    for (int k = -1; k <= 1; k++) {
        struct guard_watch w;
        double rise_C = NAN;
        bool told = false;
        watch_start(&w, 0);
        for (int t = 0; t < 100; t++) {
            told |= watch_take(&w, t < 50 ? 60 : 63 + 0.001 * k, t, &rise_C);
        }
        assert_int_equal(told, k >= 0);
    }
}

static void watch_keeps_quiet(void **state)
{
    (void)state;
    srandom(20260303);
    struct guard_watch w;
    double rise_C = NAN;
    watch_start(&w, 0);
    for (int t = 0; t < 36000; t++) { /* cooling, then a warm day: 6 degC in 6 h; wild readings */
        double now_C = t < 7200 ? 55 - t / 400.0 : 37 + (t - 7200) / 4800.0;
        now_C += 0.1 * (double)random() / RAND_MAX;
        now_C = t % 97 == 0 ? 90 : t % 31 == 0 ? (double)NAN : now_C;
        assert_false(watch_take(&w, now_C, t, &rise_C));
    }
}

/* --- healthy nights --- */

struct night {
    double resolution_V, resolution_A, noise_V, noise_A, hunting_A, noise_C, resolution_C;
};

static double even(void)
{
    return 2.0 * (double)random() / RAND_MAX - 1;
}

static double in_steps(double x, double step)
{
    return step > 0 ? round(x / step) * step : x;
}

/* 4 cells of iron phosphate: full, a long flat part, the knee. */
static double voltage_at(double share_out)
{
    return 13.1 - 0.25 * share_out + 0.3 * exp(-60 * share_out) - 2.8 * exp(40 * (share_out - 1));
}

/* A supply that holds a voltage, and a load that holds power, flow less than the most. */
static void less_than_the_most_is_no_deviation(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.regulation_percent = 5;
    c.at.set_A = 10;
    c.at.cutoff_V = NAN;
    c.at.set_is_most = true;
    FINE(take_span(&c, 1, 60, 14.4, 0.1));
    FINE(take_span(&c, 61, 100, 14.4, 10.4));
    FINE(take_span(&c, 101, 105, 14.4, 10.6));
    TRIPS(take_span(&c, 106, 120, 14.4, 10.6), GUARD_REGULATION);
    c = discharge_at_10_A();
    c.l.regulation_percent = 5;
    c.at.set_A = 10;
    c.at.cutoff_V = NAN;
    c.at.set_is_most = true;
    TRIPS(take_span(&c, 1, 60, 14.4, -1), GUARD_REGULATION); /* the wrong way is one */
}

/* Pulses of a second each: a current that is right in none of them is noticed. */
static void a_change_of_the_set_point_gives_no_more_time(void **state)
{
    (void)state;
    struct scene c = discharge_at_10_A();
    c.l.regulation_percent = 5;
    for (int t = 1; t <= 5; t++) {
        c.at.set_A = t % 2 == 0 ? -2 : -10;
        c.at.changed_s = t - 0.9;
        FINE(take(&c, t, 12, -6));
    }
    c.at.set_A = -2;
    FINE(take(&c, 6, 12, -6));
    c.at.set_A = -10;
    TRIPS(take(&c, 7, 12, -6), GUARD_REGULATION);
    c = discharge_at_10_A();
    c.l.regulation_percent = 5;
    for (int t = 1; t <= 100; t++) { /* late in each, but there */
        c.at.set_A = (t / 2) % 2 == 0 ? -2 : -10;
        FINE(take(&c, t, 12, t % 2 == 0 ? -6 : c.at.set_A));
    }
}

static struct guard_limits limits_of_a_night(const struct night *n)
{
    struct guard_limits l = guard_limits_none();
    l.voltage_min_V = 8.8;
    l.voltage_max_V = 14.8;
    l.current_max_A = 12;
    l.temperature_min_C = 5;
    l.temperature_max_C = 45;
    l.temperature_required = true;
    l.temperature_rate_C_per_min = 3;
    l.regulation_percent = 5;
    l.charge_max_Ah = 187.5 * 1.05;
    l.energy_max_Wh = 187.5 * 1.05 * 14.8;
    l.step_time_max_s = 72060;
    l.run_time_max_s = 80000;
    l.stuck_Ah = 0.05 * 125 * fmax(1, n->resolution_V / 0.004);
    l.voltage_stuck_Ah = 2 * l.stuck_Ah;
    l.disagreement_V = 0.1;
    l.off_current_A = 0.02;
    return l;
}

static void one_night(const struct night *n, unsigned seed)
{
    srandom(seed);
    struct guard_limits l = limits_of_a_night(n);
    struct guard_memory m;
    guard_start(&m, 0);
    struct guard_moment at = {.set_A = 0, .cutoff_V = NAN};
    const int on_s = 600, off_s = 47000;
    for (int t = 1; t <= off_s + 300; t++) {
        if (t == on_s + 1 || t == off_s + 1) {
            at.output_on = at.output_wanted = t == on_s + 1;
            at.switched_s = at.changed_s = t - 0.9;
            at.set_A = at.output_on ? -10 : 0;
            at.cutoff_V = at.output_on ? 10.0 : (double)NAN;
            guard_step_begun(&m, t - 0.9);
        }
        double share = fmin(1, fmax(0, (double)(t - on_s) / (off_s - on_s)));
        double hunting = n->hunting_A * (sin(t * 0.31) + 0.5 * sin(t * 0.047));
        double a = at.output_on ? -10.002 + hunting + n->noise_A * even() : n->noise_A * even();
        double v = voltage_at(share) + (at.output_on ? 0 : 0.14) + n->noise_V * even();
        double c = 22 + 6 * share + n->noise_C * even();
        /* the moment of switching: half a second of the old state in the reading */
        a = t == on_s + 1 ? 0.5 * a : a;
        struct sample s = {t, in_steps(v, n->resolution_V), in_steps(a, n->resolution_A),
                           in_steps(c, n->resolution_C)};
        at.now_s = t + 0.02;
        at.has_other = true; /* 25 mOhm of leads, 30 by the end of the night */
        at.other_V = s.voltage_V + a * (0.025 + 0.005 * share) + 0.004 + n->noise_V * even();
        bool lost = random() % 500 == 0; /* a reading that did not come in time */
        struct guard_verdict verdict = guard_check(&l, &m, &at, lost ? NULL : &s);
        if (verdict.reason != GUARD_FINE) {
            fail_msg("second %d: %s: %g, limit %g", t, guard_reason_name(verdict.reason),
                     verdict.value, verdict.limit);
        }
    }
}

static void healthy_nights_never_trip(void **state)
{
    (void)state;
    const struct night nights[] = {
        {0.001, 0.001, 0.0015, 0.003, 0.003, 0.03, 0.01}, /* as the virtual bench */
        {0.001, 0.001, 0.0005, 0.001, 0.050, 0.10, 0.1},  /* a load that hunts */
        {0.010, 0.010, 0, 0, 0, 0, 0.5},                  /* coarse and without any noise */
        {0.001, 0.010, 0, 0, 0, 0, 0.1},
        {0, 0, 0.010, 0.018, 0.300, 0.5, 0}, /* as noisy as off can still be told from on */
    };
    for (size_t i = 0; i < sizeof nights / sizeof nights[0]; i++) {
        for (unsigned seed = 1; seed <= 3; seed++) {
            one_night(&nights[i], seed);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(regulation_at_the_edge),
        cmocka_unit_test(regulation_starts_anew_when_the_current_was_right),
        cmocka_unit_test(regulation_is_judged_while_readings_stay_away),
        cmocka_unit_test(ages_count_from_when_a_sample_was_taken),
        cmocka_unit_test(regulation_waits_after_switching),
        cmocka_unit_test(rise_at_the_edge),
        cmocka_unit_test(rise_forgives_noise_and_one_wild_reading),
        cmocka_unit_test(a_pause_of_the_thermometer_is_no_rise),
        cmocka_unit_test(ceilings_at_the_edge),
        cmocka_unit_test(times_at_the_edge),
        cmocka_unit_test(stuck_readings_at_the_edge),
        cmocka_unit_test(leak_at_the_edge),
        cmocka_unit_test(polarity_at_the_edge),
        cmocka_unit_test(a_protection_that_opens_at_the_bottom_is_no_fault),
        cmocka_unit_test(opened_at_the_edge),
        cmocka_unit_test(supply_and_load_never_together),
        cmocka_unit_test(watch_raises_again_and_again_while_it_rises),
        cmocka_unit_test(watch_at_the_edge),
        cmocka_unit_test(watch_keeps_quiet),
        cmocka_unit_test(less_than_the_most_is_no_deviation),
        cmocka_unit_test(a_change_of_the_set_point_gives_no_more_time),
        cmocka_unit_test(healthy_nights_never_trip),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
