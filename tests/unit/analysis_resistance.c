/* SPDX-License-Identifier: GPL-3.0-or-later
 * Propagation of uncertainty, two-point lines, pulse power, relaxation, ampere-hours
 * against voltage, and the parts of a record, against published and worked figures. */
#include "analysis/parts.h"
#include "analysis/propagate.h"
#include "analysis/pulse.h"
#include "analysis/relaxation.h"
#include "analysis/two_current.h"
#include "base/conductor.h"
#include "whole_record.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>

#include <cmocka.h>

#include "check_row.h"

static void near_row(const char *check, const char *source, double ours, double expected,
                     double allowed)
{
    check_row(&(struct check_row){
        .check = check, .source = source, .ours = ours, .expected = expected, .allowed = allowed});
}

/* --- GUM H.2: resistance and reactance measured together --- */

enum { VOLT, AMP, PHASE };

static double R_of(const double *x, const void *context)
{
    (void)context;
    return x[VOLT] * cos(x[PHASE]) / x[AMP];
}

static double X_of(const double *x, const void *context)
{
    (void)context;
    return x[VOLT] * sin(x[PHASE]) / x[AMP];
}

static double Z_of(const double *x, const void *context)
{
    (void)context;
    return x[VOLT] / x[AMP];
}

static void gum_example_h2(void **state)
{
    (void)state;
    const char *source = "GUM (JCGM 100) example H.2, figures as in GTC docs GUM_H2";
    struct propagate_inputs in = {
        .n = 3, .x = {4.999, 19.661e-3, 1.04446}, .u = {3.2e-3, 9.5e-6, 0.75e-3}};
    in.r[AMP][VOLT] = -0.36;
    in.r[PHASE][VOLT] = 0.86;
    in.r[PHASE][AMP] = -0.65;
    near_row("H.2 R, ohm", source, R_of(in.x, NULL), 127.732, 5e-4);
    near_row("H.2 X, ohm", source, X_of(in.x, NULL), 219.85, 5e-3);
    near_row("H.2 Z, ohm", source, Z_of(in.x, NULL), 254.26, 5e-3);
    near_row("H.2 u(R), ohm", source, propagate(R_of, NULL, &in), 0.070, 5e-4);
    near_row("H.2 u(X), ohm", source, propagate(X_of, NULL, &in), 0.30, 5e-3);
    near_row("H.2 u(Z), ohm", source, propagate(Z_of, NULL, &in), 0.24, 5e-3);
    double uR = propagate(R_of, NULL, &in), uX = propagate(X_of, NULL, &in),
           uZ = propagate(Z_of, NULL, &in);
    near_row("H.2 r(R,X)", source, propagate_covariance(R_of, X_of, NULL, &in) / uR / uX, -0.59,
             6e-3);
    near_row("H.2 r(R,Z)", source, propagate_covariance(R_of, Z_of, NULL, &in) / uR / uZ, -0.49,
             6e-3);
    near_row("H.2 r(X,Z)", source, propagate_covariance(X_of, Z_of, NULL, &in) / uX / uZ, 0.99,
             6e-3);
    const char *again = "recomputed from the inputs of GUM H.2";
    near_row("H.2 u(R), ohm, more digits", again, uR, 0.06998, 1e-5);
    near_row("H.2 u(X), ohm, more digits", again, uX, 0.29572, 1e-5);
    near_row("H.2 u(Z), ohm, more digits", again, uZ, 0.23660, 1e-5);
    memset(in.r, 0, sizeof in.r);
    near_row("H.2 u(Z), ohm, without correlation", again, propagate(Z_of, NULL, &in), 0.20392,
             1e-5);
}

/* --- two readings --- */

static const struct instrument_accuracy nothing = {{NAN, NAN, NAN}, {NAN, NAN, NAN}, NAN};

static void two_point_examples(void **state)
{
    (void)state;
    const char *line = "worked by hand: straight line through two readings";
    struct sample first = {0, 2.050, -40, 20}, second = {200, 1.850, -200, 20};
    struct two_point p = two_point(&first, &second, &nothing);
    near_row("two-point resistance, mOhm", line, 1e3 * p.ohm, 1.2500, 1e-9);
    near_row("two-point short-circuit current, A", line, p.short_A, 1680, 1e-6);
    near_row("two-point voltage without current, V", line, p.open_V, 2.100, 1e-12);
    assert_true(isnan(p.u_ohm));
    first = (struct sample){10, 4.10, -0.5, 20};
    second = (struct sample){11, 4.00, -2.5, 20};
    near_row("2.5 Ah cell, 0.2 It 10 s, 1 It 1 s, mOhm", "IEC 61960 as quoted; worked by hand",
             1e3 * two_point(&first, &second, &nothing).ohm, 50.0, 1e-9);
    second.current_A = -0.5;
    assert_true(isnan(two_point(&first, &second, &nothing).ohm));
}

/* --- the two-current methods, found in a record --- */

static double add_level(struct pulse_watch *w, double from_s, double current_A, double for_s,
                        double volts)
{
    for (int i = 1; i <= lround(for_s / 0.5); i++)
        pulse_watch_add(w, &(struct sample){from_s + 0.5 * i, volts, current_A, NAN});
    return from_s + for_s;
}

static struct two_currents found_in(struct pulse_watch *w)
{
    struct two_currents t;
    pulse_watch_finish(w);
    two_currents_find(w, &nothing, &t);
    return t;
}

static void methods_are_recognised(void **state)
{
    (void)state;
    struct pulse_watch w;
    pulse_watch_start(&w, 2.5, 0);
    double t = add_level(&w, 0, 0, 60, 4.2);
    t = add_level(&w, t, -0.5, 10, 4.10);
    t = add_level(&w, t, -2.5, 1, 4.00);
    add_level(&w, t, 0, 60, 4.18);
    struct two_currents found = found_in(&w);
    assert_int_equal(found.count, 1);
    assert_int_equal(found.found[0].method, TWO_CURRENT_10S_1S);
    near_row("10 s and 1 s recognised in a record, mOhm", "IEC 61960 as quoted; worked by hand",
             1e3 * found.found[0].line.ohm, 50.0, 1e-9);

    pulse_watch_start(&w, 200, 0);
    t = add_level(&w, 0, 0, 60, 2.11);
    t = add_level(&w, t, -40, 20, 2.050);
    t = add_level(&w, t, 0, 180, 2.10);
    t = add_level(&w, t, -200, 5, 1.850);
    add_level(&w, t, 0, 60, 2.09);
    found = found_in(&w);
    assert_int_equal(found.count, 1);
    assert_int_equal(found.found[0].method, TWO_CURRENT_20S_5S);
    const char *line = "worked by hand: straight line through two readings";
    near_row("20 s and 5 s recognised in a record, mOhm", line, 1e3 * found.found[0].line.ohm,
             1.2500, 1e-9);
    near_row("and its short-circuit current, A", line, found.found[0].line.short_A, 1680, 1e-6);
}

/* Times and ratio make the method: an ordinary drive has two currents as well. */
static void other_steps_are_no_method(void **state)
{
    (void)state;
    static const struct {
        double first_A, first_s, pause_s, second_A, second_s;
    } none[] = {
        {-0.5, 20, 0, -2.5, 1},   /* too long */
        {-0.5, 10, 0, -1.0, 1},   /* ratio 2 */
        {-40, 20, 30, -200, 5},   /* pause too short */
        {-40, 20, 180, -200, 30}, /* is read at 1, 10 and 30 s, not at 5 */
        {0.5, 10, 0, 2.5, 1},     /* a charge */
    };
    for (size_t i = 0; i < sizeof none / sizeof none[0]; i++) {
        struct pulse_watch w;
        pulse_watch_start(&w, fabs(none[i].second_A), 0);
        double sign = none[i].first_A < 0 ? 1 : -1;
        double t = add_level(&w, 0, 0, 60, 4.2);
        t = add_level(&w, t, none[i].first_A, none[i].first_s, 4.2 - sign * 0.05);
        t = add_level(&w, t, 0, none[i].pause_s, 4.19);
        t = add_level(&w, t, none[i].second_A, none[i].second_s, 4.2 - sign * 0.2);
        add_level(&w, t, 0, 60, 4.18);
        assert_int_equal(found_in(&w).count, 0);
    }
}

/* --- leads --- */

static void leads_by_their_section(void **state)
{
    (void)state;
    static const struct {
        const char *text, *check, *source;
        double temperature_C, factor, expected, allowed;
    } known[] = {
        {"2 m of 4 mm2", "2 m of flexible 4 mm2, mOhm", "IEC 60228, table", 20, 1, 9.90, 1e-9},
        {"2 m of 4 mm2", "the same at 20 A, mV", "IEC 60228, worked by hand", 20, 20, 198, 1e-9},
        {"2 m of 2.5 mm2", "2 m of flexible 2.5 mm2, mOhm", "IEC 60228, table", 20, 1, 15.96, 1e-9},
        {"2 m of 2.5 mm2", "the same at 10 A, mV", "IEC 60228, worked by hand", 20, 10, 159.6,
         1e-9},
        {"2 m of 12 AWG", "2 m of 12 AWG, mOhm", "hyperphysics, table of wire gauges", 20, 1, 10.42,
         1e-9},
        {"2 m of 12 AWG", "the same at 10 A, mV", "worked by hand from that table", 20, 10, 104.2,
         1e-9},
        {"1 m of solid 2.5 mm2", "1 m of solid 2.5 mm2, mOhm", "IEC 60228, table", 20, 1, 7.41,
         1e-9},
        {"1000 m of 10 AWG", "1000 ft of 10 AWG, ohm", "daycounter.com, AWG", 20, 0.3048e-3, 0.9989,
         1e-3},
    };
    struct conductor c;
    struct err e = {0};
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        assert_true(conductor_parse(known[i].text, &c, &e));
        near_row(known[i].check, known[i].source,
                 1e3 * known[i].factor * conductor_ohm(&c, known[i].temperature_C),
                 known[i].expected, known[i].allowed);
    }
    /* Factor that brings a reading to 20 degC; the source's first is 0.1 % high. */
    static const struct {
        double at_C, factor, allowed;
    } warm[] = {{10, 1.042, 1.2e-3}, {25, 0.980, 8e-4}, {30, 0.962, 8e-4}, {40, 0.926, 1.2e-3}};
    for (size_t i = 0; i < sizeof warm / sizeof warm[0]; i++) {
        char check[64];
        snprintf(check, sizeof check, "copper from %.0f to 20 degC, factor", warm[i].at_C);
        near_row(check, "uecables.com, table of factors",
                 conductor_ohm(&c, 20) / conductor_ohm(&c, warm[i].at_C), warm[i].factor,
                 warm[i].allowed);
    }
    /* Three gauges on a lead has twice the resistance, ten on ten times. */
    struct conductor ten = {.gauge = 10, .length_m = 1}, twenty = {.gauge = 20, .length_m = 1};
    near_row("ten gauges on, times the resistance", "daycounter.com, rule",
             conductor_ohm(&twenty, 20) / conductor_ohm(&ten, 20), 10, 0.2);

    static const char *const wrong[] = {
        "4 mm2", "2 m of 3 mm2", "-1 m of 4 mm2", "2 m of 13 AWG", "2 m of 4 mm", "2 m of 4 mm2 x",
        ""};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        assert_false(conductor_parse(wrong[i], &c, &e));
        assert_int_equal(e.code, ERR_CONFIG);
    }
}

static void pulse_test_example(void **state)
{
    (void)state;
    const char *source = "pulse test as in the DOE/INL manuals (from memory), worked by hand";
    struct sample open = {0, 3.700, 0, 20}, pulse = {10, 3.520, -9, 20};
    struct sample rest = {50, 3.690, 0, 20}, regen = {60, 3.825, 6.75, 20};
    double discharge = two_point(&open, &pulse, &nothing).ohm;
    double charge = two_point(&rest, &regen, &nothing).ohm;
    near_row("pulse test: discharge resistance, mOhm", source, 1e3 * discharge, 20.0, 1e-9);
    near_row("pulse test: charge resistance, mOhm", source, 1e3 * charge, 20.0, 1e-9);
    near_row("pulse test: discharge power to 2.5 V, W", source, pulse_power_W(3.7, 2.5, discharge),
             150.0, 1e-9);
    near_row("pulse test: charge power to 4.2 V, W", source, pulse_power_W(3.7, 4.2, charge), 105.0,
             1e-9);
    assert_true(isnan(pulse_power_W(3.7, NAN, discharge)));
    assert_true(isnan(pulse_power_W(3.7, 2.5, -0.02)));
}

/* --- the instants of a resistance --- */

static struct pulse_watch step_read_every(double every_s, double for_s)
{
    struct pulse_watch w;
    pulse_watch_start(&w, 5, 0);
    pulse_watch_add(&w, &(struct sample){-every_s, 13, 0, NAN});
    pulse_watch_add(&w, &(struct sample){0, 13, 0, NAN});
    for (int i = 1; i * every_s <= for_s + 1e-9; i++)
        pulse_watch_add(&w, &(struct sample){i * every_s, 12.9, -5, NAN});
    pulse_watch_finish(&w);
    return w;
}

/* A time that the sampling did not see has no number. */
static void only_what_was_seen_is_told(void **state)
{
    (void)state;
    static const struct {
        double every_s;
        bool seen[3];
    } known[] = {{0.1, {true, true, true}},
                 {0.5, {true, true, true}},
                 {7, {false, false, false}},
                 {10, {false, true, true}},
                 {60, {false, false, false}}};
    static const double marks_s[] = {1, 10, 30};
    for (size_t k = 0; k < sizeof known / sizeof known[0]; k++) {
        struct pulse_watch w = step_read_every(known[k].every_s, 240);
        assert_int_equal(w.count, 1);
        for (size_t m = 0; m < 3; m++) {
            size_t found = 0;
            for (size_t i = 0; i < w.change[0].count; i++)
                if (fabs(w.change[0].instant[i].mark_s - marks_s[m]) < 0.1) {
                    found++;
                    assert_true(fabs(w.change[0].instant[i].after_s / marks_s[m] - 1) < 0.101);
                }
            assert_int_equal(found, known[k].seen[m]);
        }
    }
}

/* The fading current at the end of a charge is no step. */
static void a_taper_is_no_step(void **state)
{
    (void)state;
    struct pulse_watch w;
    pulse_watch_start(&w, 2, 0);
    for (int i = 0; i < 4000; i++)
        pulse_watch_add(&w, &(struct sample){i, 4.2, 2 * exp(-i / 900.0), NAN});
    pulse_watch_finish(&w);
    assert_int_equal(w.count, 0);
}

/* --- relaxation --- */

static uint64_t chance = 7;

static double uniform(void)
{
    chance ^= chance << 13;
    chance ^= chance >> 7;
    chance ^= chance << 17;
    return (double)(chance >> 11) / 9007199254740992.0;
}

static double normal(double sigma)
{
    double u = 1 - uniform(), v = uniform();
    return sigma * sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

/* 10 A off after 600 s: 8 mOhm in series, pairs of 5 mOhm and 10 s, 12 mOhm and 200 s. The
 * switch lies at a share of the interval between the reading before and the first after. */
static struct relaxation_trace trace_of(double noise_V, double every_s, double share)
{
    struct relaxation_trace t;
    double a1 = -10 * 0.005 * -expm1(-600 / 10.0), a2 = -10 * 0.012 * -expm1(-600 / 200.0);
    struct sample before = {0, 13 - 10 * 0.008 + a1 + a2, -10, NAN};
    relaxation_begin(&t, &before, 600);
    for (int i = 1; i * every_s <= 1800; i++) {
        double at = (i - share) * every_s;
        struct sample s = {i * every_s,
                           13 + a1 * exp(-at / 10) + a2 * exp(-at / 200) + normal(noise_V), 0, NAN};
        relaxation_add(&t, &s);
    }
    return t;
}

static void relaxation_is_found_again(void **state)
{
    (void)state;
    const char *source = "made from the model itself";
    struct relaxation_trace t = trace_of(0, 0.1, 0.5);
    struct relaxation r = relaxation_fit(&t);
    assert_int_equal(r.pairs, 2);
    near_row("relaxation: faster time constant, s", source, r.pair[0].tau_s, 10, 1e-6);
    near_row("relaxation: slower time constant, s", source, r.pair[1].tau_s, 200, 1e-4);
    near_row("relaxation: slower pair, mOhm", source, 1e3 * r.pair[1].ohm, 12, 1e-4);
    near_row("relaxation: voltage it goes to, V", source, r.end_V, 13, 1e-7);
    near_row("relaxation: series resistance, mOhm", source, 1e3 * r.series_ohm, 8, 1e-5);
    near_row("relaxation: insertion delay, s", source, r.switched_within_s, 0.1, 1e-12);
    t = trace_of(0, 200, 0.5); /* nine readings */
    assert_int_equal(relaxation_fit(&t).pairs, 0);
}

/* With noise, the true values lie within +-U as often as k = 2 says. */
static void relaxation_covers(void **state)
{
    (void)state;
    size_t all = 0, inside[5] = {0};
    static const char *const what[] = {"faster time constant", "slower time constant",
                                       "faster pair", "voltage it goes to", "series"};
    for (int trial = 0; trial < 400; trial++) {
        struct relaxation_trace t = trace_of(0.0005, 1, uniform());
        struct relaxation r = relaxation_fit(&t);
        if (r.pairs != 2)
            continue;
        all++;
        inside[0] += fabs(r.pair[0].tau_s - 10) <= r.pair[0].u_tau_s;
        inside[1] += fabs(r.pair[1].tau_s - 200) <= r.pair[1].u_tau_s;
        inside[2] += fabs(r.pair[0].ohm - 0.005) <= r.pair[0].u_ohm;
        inside[4] += fabs(r.series_ohm - 0.008) <= r.u_series_ohm;
        inside[3] += fabs(r.end_V - 13) <= r.u_end_V;
    }
    assert_true(all > 390);
    for (size_t i = 0; i < 5; i++) {
        char check[80];
        snprintf(check, sizeof check, "relaxation: coverage of U, %%: %s", what[i]);
        check_row(&(struct check_row){.check = check,
                                      .source = "meaning of k = 2 (GUM 6.3), 400 simulated rests",
                                      .bound = true,
                                      .at_least = 92,
                                      .at_most = i == 2 || i == 4 ? 100 : 98,
                                      .ours = 100.0 * (double)inside[i] / (double)all});
    }
}

/* --- ampere-hours against voltage --- */

#define ROWS 3700
static struct sample rows[ROWS];

/* 2 A, 4.2 V to 3.0 V in one hour. */
static void straight_hour(void)
{
    for (size_t k = 0; k < ROWS; k++)
        rows[k] = (struct sample){(double)k, 4.2 - 1.2 * (double)k / 3600, -2, NAN};
}

static struct capacity_result analyse(const struct sample *s, size_t n,
                                      const struct discharge_options *o)
{
    struct capacity_result r;
    struct err e = {0};
    if (!whole_record(s, n, o, &r, &e))
        fail_msg("%s", e.text);
    return r;
}

static void voltages_have_their_charge(void **state)
{
    (void)state;
    struct discharge_options o = discharge_options_default();
    o.cutoff_V = 3.0;
    o.voltages = (struct voltages_asked){2, {3.333, 3.9}};
    straight_hour();
    rows[100].voltage_V = 3.2; /* an early dip counts for nothing: it comes back */
    struct capacity_result r = analyse(rows, ROWS, &o);
    assert_int_equal(r.voltage_count, 13); /* 4.1 to 3.0 in tenths, and 3.333 */
    for (size_t i = 0; i < r.voltage_count; i++) {
        const struct voltage_row *v = &r.voltage[i];
        double delivered = (4.2 - v->voltage_V) / 1.2 * 2;
        assert_true(i == 0 || v->voltage_V < r.voltage[i - 1].voltage_V);
        assert_true(fabs(v->delivered_Ah - delivered) < 1e-9);
        assert_true(fabs(v->delivered_Ah + v->remaining_Ah - r.capacity_Ah) < 1e-9);
        assert_true(fabs(v->after_s - 1800 * delivered) < 1e-6);
    }
    near_row("Ah remaining at 3.6 V of 4.2 to 3.0 V at 2 A, one hour", "worked by hand",
             r.voltage[5].remaining_Ah, 1.0, 1e-9);
    near_row("Ah remaining at the cut-off", "worked by hand",
             r.voltage[r.voltage_count - 1].remaining_Ah, 0, 1e-9);
}

/* --- laws --- */

static void random_record(size_t n)
{
    double t = 0;
    for (size_t k = 0; k < n; k++) {
        rows[k] = (struct sample){t, 3 + uniform(), -5 * uniform() - 0.2, NAN};
        t += 0.1 + 3 * uniform();
    }
}

static struct discharge_options whole(void)
{
    struct discharge_options o = discharge_options_default();
    o.rule = END_WHOLE;
    return o;
}

static bool same(double a, double b)
{
    return fabs(a - b) <= 1e-11 * fmax(fabs(a), fabs(b));
}

static void worse(double *worst, double ours, double expected)
{
    *worst = fmax(*worst, fabs(ours / expected - 1));
}

static void laws_of_the_integral(void **state)
{
    (void)state;
    static struct sample other[2 * ROWS];
    struct discharge_options o = whole();
    double split = 0, shifted = 0, inserted = 0;
    for (int trial = 0; trial < 100; trial++) {
        size_t n = 20 + (size_t)(uniform() * 300), cut = 5 + (size_t)(uniform() * 10);
        random_record(n);
        struct capacity_result all = analyse(rows, n, &o);
        /* splitting and adding */
        struct capacity_result head = analyse(rows, cut + 1, &o);
        struct capacity_result tail = analyse(rows + cut, n - cut, &o);
        worse(&split, head.capacity_Ah + tail.capacity_Ah, all.capacity_Ah);
        worse(&split, head.energy_Wh + tail.energy_Wh, all.energy_Wh);
        /* shifting time, scaling the current */
        double shift_s = 1000 * uniform(), scale = 0.1 + 3 * uniform();
        for (size_t k = 0; k < n; k++) {
            other[k] = rows[k];
            other[k].t_s += shift_s;
            other[k].current_A *= scale;
        }
        struct capacity_result scaled = analyse(other, n, &o);
        worse(&shifted, scaled.capacity_Ah, scale * all.capacity_Ah);
        worse(&shifted, scaled.energy_Wh, scale * all.energy_Wh);
        /* a reading more on each straight line changes no charge */
        for (size_t k = 0; k + 1 < n; k++) {
            double share = uniform();
            other[2 * k] = rows[k];
            other[2 * k + 1] = (struct sample){
                rows[k].t_s + share * (rows[k + 1].t_s - rows[k].t_s), rows[k].voltage_V,
                rows[k].current_A + share * (rows[k + 1].current_A - rows[k].current_A), NAN};
        }
        other[2 * n - 2] = rows[n - 1];
        worse(&inserted, analyse(other, 2 * n - 1, &o).capacity_Ah, all.capacity_Ah);
    }
    const char *source = "law of the integral, 100 random records";
    near_row("splitting a record and adding, worst share", source, split, 0, 1e-9);
    near_row("time shifted and current scaled, worst share", source, shifted, 0, 1e-9);
    near_row("readings added on straight lines, worst share", source, inserted, 0, 1e-9);
}

/* --- parts --- */

static void a_record_is_taken_apart(void **state)
{
    (void)state;
    struct record_parts p;
    parts_start(&p, 0.1, 0);
    static const double current_A[] = {0, 0, 0, -5, -5, -5, 0, -5, -5, 0, 0, 2, 2, 2};
    for (size_t i = 0; i < sizeof current_A / sizeof current_A[0]; i++)
        parts_add(&p, &(struct sample){(double)i, 13, current_A[i], NAN});
    assert_int_equal(p.count, 4);
    static const int direction[] = {0, -1, 0, 1};
    static const size_t first[] = {1, 4, 10, 12}, count[] = {3, 6, 2, 3};
    for (size_t i = 0; i < 4; i++) {
        assert_int_equal(p.part[i].direction, direction[i]);
        assert_int_equal(p.part[i].first_row, first[i]);
        assert_int_equal(p.part[i].rows, count[i]);
    }
    assert_true(same(p.part[3].in_Ah, 2 * 2 / 3600.0));
    assert_true(same(p.part[1].in_Ah, -5 * 4 / 3600.0)); /* one row out of line */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(methods_are_recognised),     cmocka_unit_test(other_steps_are_no_method),
        cmocka_unit_test(leads_by_their_section),     cmocka_unit_test(gum_example_h2),
        cmocka_unit_test(two_point_examples),         cmocka_unit_test(pulse_test_example),
        cmocka_unit_test(only_what_was_seen_is_told), cmocka_unit_test(a_taper_is_no_step),
        cmocka_unit_test(relaxation_is_found_again),  cmocka_unit_test(relaxation_covers),
        cmocka_unit_test(voltages_have_their_charge), cmocka_unit_test(laws_of_the_integral),
        cmocka_unit_test(a_record_is_taken_apart),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
