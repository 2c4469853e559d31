/* SPDX-License-Identifier: GPL-3.0-or-later
 * Run times against figures worked by hand: a curve that falls in a straight line from
 * 13 V to 11 V over 100 Ah at 10 A. */
#include "analysis/runtime.h"
#include "whole_record.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "check_row.h"

static struct curve_point points[101];
static struct discharge_curve curve;

static int make_curve(void **state)
{
    (void)state;
    for (size_t i = 0; i <= 100; i++)
        points[i] = (struct curve_point){(double)i, 13 - 0.02 * (double)i};
    curve = (struct discharge_curve){101, points, 10, 10, NAN, 22};
    return 0;
}

static struct runtime_battery plain(void)
{
    return (struct runtime_battery){.curve = &curve,
                                    .exponent = 1,
                                    .least_exponent = 1,
                                    .most_exponent = 1,
                                    .charge_factor = 1};
}

static struct runtime_answer predict(const struct runtime_battery *b, struct runtime_load l,
                                     struct runtime_terms t)
{
    struct runtime_answer a;
    struct err e = {0};
    if (!runtime_predict(b, &l, &t, &a, &e))
        fail_msg("%s", e.text);
    return a;
}

static struct runtime_load amps(double A)
{
    return (struct runtime_load){0, A, 0, A};
}

static void hand(const char *check, double expected, double ours)
{
    check_row(&(struct check_row){.check = check,
                                  .source = "worked by hand from the definition",
                                  .expected = expected,
                                  .ours = ours,
                                  .allowed = 1e-9,
                                  .relative = true});
}

/* A new battery, labelled 125 Ah: a record of its discharge at 10 A, which falls in a straight
 * line from 13 V and meets 10.8 V after 12.947 h, and how long 125 Ah last at 10 A. */
static void a_healthy_battery_gives_more_than_its_label(void **state)
{
    (void)state;
    static struct sample rows[800];
    static struct curve_point label[126];
    const size_t n = 780; /* minutes: a little beyond the cut-off */
    const double lasts_h = 12.947;
    for (size_t k = 0; k < n; k++) {
        double hours = (double)k / 60;
        rows[k] = (struct sample){3600 * hours, 13 - 2.2 * hours / lasts_h, -10, 21};
    }
    struct discharge_options o = discharge_options_default();
    struct capacity_result r;
    struct err e = {0};
    o.cutoff_V = 10.8;
    o.rated_Ah = 125;
    if (!whole_record(rows, n, &o, &r, &e))
        fail_msg("%s", e.text);
    check_row(&(struct check_row){.check = "129.47 Ah delivered of 125 Ah, %",
                                  .source = "common practice, no source",
                                  .expected = 103.6,
                                  .ours = r.percent_of_rated,
                                  .allowed = 0.05});

    for (size_t i = 0; i <= 125; i++)
        label[i] = (struct curve_point){(double)i, 13 - 2.2 * (double)i / 125};
    struct discharge_curve as_labelled = {126, label, 10, 12.5, NAN, 22};
    struct runtime_battery b = plain();
    b.curve = &as_labelled;
    check_row(
        &(struct check_row){.check = "run time of 125 Ah at 10 A, h",
                            .source = "common practice, no source",
                            .expected = 12.5,
                            .ours = predict(&b, amps(10), (struct runtime_terms){10.8, 0, 0}).hours,
                            .allowed = 1e-9});
}

static void hours_are_charge_over_current(void **state)
{
    (void)state;
    struct runtime_battery b = plain();
    struct runtime_terms t = {11, 0, 0};
    hand("run time at 4 A without resistance, h", 25, predict(&b, amps(4), t).hours);
    t.reserve = 0.2;
    struct runtime_answer a = predict(&b, amps(4), t);
    hand("the same with 20 % in reserve, h", 20, a.hours);
    hand("charge drawn until the reserve, Ah", 80, a.charge_Ah);
    hand("to the cut-off, h", 25, a.to_cutoff_h);
    assert_int_equal(a.end, RUNTIME_CUTOFF);
}

/* 50 mOhm: 20 A is 0.5 V lower than 10 A, so 11 V is met where 11.5 V was: 75 Ah. */
static void resistance_ends_it_earlier(void **state)
{
    (void)state;
    struct runtime_battery b = plain();
    b.resistance_ohm = 0.05;
    hand("run time at 20 A with 50 mOhm, h", 75 / 20.0,
         predict(&b, amps(20), (struct runtime_terms){11, 0, 0}).hours);
    hand("run time at the record's own current, h", 10,
         predict(&b, amps(10), (struct runtime_terms){11, 0, 0}).hours);
    /* 5 A: 0.25 V higher, so the record ends first. */
    struct runtime_answer a = predict(&b, amps(5), (struct runtime_terms){11, 0, 0});
    assert_int_equal(a.end, RUNTIME_RECORD);
    hand("run time where the record ends first, h", 20, a.hours);
    /* A pump of 20 A that is on a tenth of the time: cut-off by all together, charge by the
     * mean. */
    a = predict(&b, (struct runtime_load){0, 2, 0, 20}, (struct runtime_terms){11, 0, 0});
    hand("run time by the peak, h", 75 / 2.0, a.hours);
    assert_true(a.mean_load_h > 1.3 * a.to_cutoff_h);
}

/* Power is met with the energy there is; the sum of trapezoids has a relative error below
 * 1e-6 here. */
static void a_power_uses_the_energy(void **state)
{
    (void)state;
    struct runtime_battery b = plain();
    struct runtime_answer a =
        predict(&b, (struct runtime_load){60, 0, 60, 0}, (struct runtime_terms){11, 0, 0});
    check_row(&(struct check_row){.check = "run time of 60 W from 1200 Wh, h",
                                  .source = "worked by hand from the definition",
                                  .expected = 20,
                                  .ours = a.hours,
                                  .allowed = 2e-6,
                                  .relative = true});
    assert_true(fabs(a.energy_Wh - 1200) < 0.01);
}

static void another_record_sets_the_exponent(void **state)
{
    (void)state;
    struct runtime_battery b = plain();
    struct curve_point none[2];
    struct discharge_curve other = {0, none, 20, 3.2, NAN, NAN};
    b.resistance_ohm = 0.05;
    b.exponent = runtime_exponent(&b, &other, 11);
    hand("exponent beside the resistance", 1 + log(3.75 / 3.2) / log(2), b.exponent);
    hand("run time at the other record's current, h", 3.2,
         predict(&b, amps(20), (struct runtime_terms){11, 0, 0}).hours);
    hand("and at the first one's, h", 10,
         predict(&b, amps(10), (struct runtime_terms){11, 0, 0}).hours);
    other.current_A = 10.1;
    assert_true(isnan(runtime_exponent(&b, &other, 11)));
}

static void the_interval_holds_the_answer(void **state)
{
    (void)state;
    struct runtime_battery b = plain();
    struct runtime_terms t = {11, 0.1, 0.1};
    struct runtime_answer a = predict(&b, amps(10), t);
    /* Only the appliances: 9 h / 1.1 and 9 h / 0.9. */
    hand("least hours, appliances 10 % off", 9 / 1.1, a.least_h);
    hand("most hours, appliances 10 % off", 9 / 0.9, a.most_h);
    double width = a.most_h - a.least_h;
    curve.expanded = 0.02;
    b.resistance_ohm = 0.02;
    b.resistance_expanded_ohm = 0.01;
    b.most_exponent = 1.2;
    b.charge_factor = 0.9;
    b.charge_factor_half = 0.05;
    a = predict(&b, amps(15), t);
    assert_int_equal(a.parts, 5);
    assert_true(a.least_h < a.hours && a.hours < a.most_h);
    assert_true(a.most_h - a.least_h > 0.5 * width);
    double less2 = 0;
    for (size_t i = 0; i < a.parts; i++)
        less2 += a.part[i].less_h * a.part[i].less_h;
    assert_true(fabs(a.hours - a.least_h - sqrt(less2)) < 1e-9);
    curve.expanded = NAN;
}

static void appliances_add_up(void **state)
{
    (void)state;
    const struct appliance a[] = {
        {"lamp", 12, NAN, 1, 1, false},
        {"bilge pump", NAN, 4, 0.1, 1, false},
        {"kettle plate", 88, NAN, 1, 0.25, true},
    };
    const struct inverter v = {0.88, 6};
    struct runtime_load l = runtime_load_of(a, 3, &v);
    hand("mean power of lamp, plate and idle inverter, W", 12 + 25 + 6, l.mean_W);
    hand("mean current of the pump, A", 0.4, l.mean_A);
    hand("power of all together, W", 12 + 100 + 6, l.peak_W);
    hand("current of all together, A", 4, l.peak_A);
    l = runtime_load_of(a, 2, &v); /* nothing behind it: it is off */
    hand("without the inverter, W", 12, l.mean_W);
}

static void too_much_is_refused(void **state)
{
    (void)state;
    struct runtime_battery b = plain();
    struct runtime_answer a;
    struct err e = {0};
    struct runtime_load l = amps(60);
    struct runtime_terms t = {11, 0, 0};
    b.resistance_ohm = 0.05;
    assert_false(runtime_predict(&b, &l, &t, &a, &e));
    assert_non_null(strstr(e.text, "would have 10.5 V under all appliances together (60 A)"));
    l = (struct runtime_load){3000, 0, 3000, 0};
    assert_false(runtime_predict(&b, &l, &t, &a, &e));
    l = (struct runtime_load){0};
    assert_false(runtime_predict(&b, &l, &t, &a, &e));
    assert_non_null(strstr(e.text, "draw nothing"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_healthy_battery_gives_more_than_its_label),
        cmocka_unit_test(hours_are_charge_over_current),
        cmocka_unit_test(resistance_ends_it_earlier),
        cmocka_unit_test(a_power_uses_the_energy),
        cmocka_unit_test(another_record_sets_the_exponent),
        cmocka_unit_test(the_interval_holds_the_answer),
        cmocka_unit_test(appliances_add_up),
        cmocka_unit_test(too_much_is_refused),
    };
    return cmocka_run_group_tests(tests, make_curve, NULL);
}
