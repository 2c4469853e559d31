/* SPDX-License-Identifier: GPL-3.0-or-later
 * Verdicts and the uncertainty budget against published worked figures. */
#include "analysis/analysis.h"
#include "analysis/capacity_json.h"
#include "analysis/verdict.h"
#include "whole_record.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "check_row.h"

static void close_to(double value, double expected, double relative)
{
    if (!(fabs(value - expected) <= relative * fabs(expected)))
        fail_msg("%.17g instead of %.17g", value, expected);
}

static enum verdict judge(double value, double expanded, double limit)
{
    struct verdict_question q = {.value = value, .expanded = expanded, .limit = limit};
    return verdict_judge(&q);
}

/* Rating 2.500 Ah, U = 0.020 Ah: accept from 2.520, reject below 2.480 (guard
 * band w = U, ILAC-G8:09/2019; ISO 14253-1). */
static void guard_band_at_its_edges(void **state)
{
    (void)state;
    static const struct {
        double value;
        const char *word;
    } known[] = {
        {2.530, "pass"},      {2.520, "pass"},      {2.5199999, "undecided"}, {2.510, "undecided"},
        {2.490, "undecided"}, {2.480, "undecided"}, {2.4799999, "fail"},      {2.475, "fail"},
    };
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        char check[64];
        snprintf(check, sizeof check, "limit 2.500 Ah, U 0.020 Ah, w = U: %.9g Ah", known[i].value);
        check_row(&(struct check_row){.check = check,
                                      .source = "ILAC-G8:09/2019, w = U; ISO 14253-1",
                                      .word = verdict_name(judge(known[i].value, 0.020, 2.500)),
                                      .expected_word = known[i].word});
    }
}

/* Mirrored to a lower limit: upper limit 4.00, U 1.600, reading 3.20 passes with
 * w = 0 and not with w = U. */
static void simple_acceptance_ignores_uncertainty(void **state)
{
    (void)state;
    struct verdict_question q = {
        .value = 4.80, .expanded = 1.600, .limit = 4.00, .rule = DECISION_SIMPLE};
    assert_int_equal(verdict_judge(&q), VERDICT_PASS);
    q.rule = DECISION_GUARD_BAND;
    assert_int_equal(verdict_judge(&q), VERDICT_UNDECIDED);
    q.rule = DECISION_SIMPLE;
    q.value = 4.00;
    assert_int_equal(verdict_judge(&q), VERDICT_PASS);
    q.value = 3.9999;
    assert_int_equal(verdict_judge(&q), VERDICT_FAIL);
}

static void unknown_is_not_judged(void **state)
{
    (void)state;
    assert_int_equal(judge(NAN, 0.1, 2), VERDICT_NONE);
    assert_int_equal(judge(2, 0.1, NAN), VERDICT_NONE);
    assert_int_equal(judge(3, NAN, 2), VERDICT_UNDECIDED);
    struct verdict_question q = {.value = 1, .expanded = 0.01, .limit = 2, .lower_bound = true};
    assert_int_equal(verdict_judge(&q), VERDICT_UNDECIDED);
    q.value = 3;
    assert_int_equal(verdict_judge(&q), VERDICT_PASS);
}

/* More uncertainty may only make a verdict less sure: never fail to pass or back. */
static void verdict_weakens_with_uncertainty(void **state)
{
    (void)state;
    int turned = 0;
    srand(7);
    for (int trial = 0; trial < 100000; trial++) {
        double value = 2 + rand() / (double)RAND_MAX;
        double limit = 2 + rand() / (double)RAND_MAX;
        double u = rand() / (double)RAND_MAX;
        double more = u + rand() / (double)RAND_MAX;
        struct verdict_question q = {.value = value,
                                     .expanded = u,
                                     .limit = limit,
                                     .rule = (enum decision_rule)(trial % 3),
                                     .guard_share = rand() / (double)RAND_MAX};
        enum verdict before = verdict_judge(&q);
        q.expanded = more;
        enum verdict after = verdict_judge(&q);
        turned += after != before && after != VERDICT_UNDECIDED;
    }
    check_row(&(struct check_row){.check = "verdicts turned to the other by a larger U, of 100,000",
                                  .source = "law: more uncertainty makes a verdict less sure",
                                  .expected = 0,
                                  .ours = turned,
                                  .allowed = 0});
}

/* Upper limits, mirrored: the limits of 4.00 and 0.0030 become lower ones of -4.00 and
 * -0.0030. */
static void published_examples_of_a_guard_band(void **state)
{
    (void)state;
    static const struct {
        const char *check, *source, *word;
        double value, expanded, limit;
        enum decision_rule rule;
    } known[] = {
        {"limit 4.00, U 1.600, w = 0: 3.20", "harpermetrology.com/ilac-g8", "pass", 3.20, 1.600,
         4.00, DECISION_SIMPLE},
        {"limit 4.00, U 1.600, w = U: 3.20", "worked by hand from that: A = 2.400", "undecided",
         3.20, 1.600, 4.00, DECISION_GUARD_BAND},
        {"limit 4.00, U 1.600, w = U: 2.40", "worked by hand from that: A = 2.400", "pass", 2.40,
         1.600, 4.00, DECISION_GUARD_BAND},
        {"limit 0.0030, U 0.0010, w = U: 0.0017", "talalspecialbolt.com, ILAC-G8", "pass", 0.0017,
         0.0010, 0.0030, DECISION_GUARD_BAND},
        {"limit 0.0030, U 0.0010, w = U: 0.0025", "talalspecialbolt.com, ILAC-G8", "undecided",
         0.0025, 0.0010, 0.0030, DECISION_GUARD_BAND},
    };
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        struct verdict_question q = {.value = -known[i].value,
                                     .expanded = known[i].expanded,
                                     .limit = -known[i].limit,
                                     .rule = known[i].rule};
        check_row(&(struct check_row){.check = known[i].check,
                                      .source = known[i].source,
                                      .word = verdict_name(verdict_judge(&q)),
                                      .expected_word = known[i].word});
    }
}

/* Standard normal distribution: 0.500000, 0.841345, 0.950005, 0.950529, 0.977250, 0.998650. */
static void probability_is_normal(void **state)
{
    (void)state;
    const double known[][2] = {{0, 0.500000},    {1, 0.841345}, {1.6449, 0.950005},
                               {1.65, 0.950529}, {2, 0.977250}, {3, 0.998650}};
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        struct verdict_question q = {
            .value = 2.5 + 0.01 * known[i][0], .expanded = 0.02, .limit = 2.5};
        char check[64];
        snprintf(check, sizeof check, "conformance probability %.5g u above the limit",
                 known[i][0]);
        check_row(&(struct check_row){.check = check,
                                      .source = "standard normal distribution, tables",
                                      .expected = known[i][1],
                                      .ours = verdict_probability(&q),
                                      .allowed = 6e-7});
    }
    struct verdict_question sure = {.value = 3, .expanded = 0, .limit = 2};
    assert_true(verdict_probability(&sure) >= 1);
    sure.limit = NAN;
    assert_true(isnan(verdict_probability(&sure)));
}

/* One hour at 2 A, 4.2 V to 3.0 V, a row each second. */
static struct sample record[3602];
static size_t hour_record(void)
{
    for (size_t k = 0; k < 3602; k++)
        record[k] = (struct sample){(double)k, 4.2 - 1.2 * (double)k / 3600, -2, NAN};
    record[0].current_A = 0;
    record[0].voltage_V = 4.25;
    return 3602;
}

static struct capacity_result assess(const struct instrument_accuracy *accuracy)
{
    struct capacity_result r;
    struct err e = {0};
    struct discharge_options o = discharge_options_default();
    o.cutoff_V = 3.0;
    o.accuracy = *accuracy;
    if (!whole_record(record, hour_record(), &o, &r, &e))
        fail_msg("%s", e.text);
    return r;
}

static void each_influence_has_its_formula(void **state)
{
    (void)state;
    const double root3 = sqrt(3);
    struct instrument_accuracy acc = {
        .current = {0.001, 0.005, 0.001}, .voltage = {0.0005, 0.010, 0.001}, .time_gain = 50e-6};
    struct capacity_result r = assess(&acc);
    const struct uncertainty_budget *b = &r.uncertainty;
    double seconds = r.loaded_s;
    close_to(standard_of(b, "current gain"), r.capacity_Ah * 0.001 / root3, 1e-12);
    close_to(standard_of(b, "current offset"), 0.005 * seconds / 3600 / root3, 1e-12);
    /* The reading stands still on one step: the same error all the time. */
    close_to(standard_of(b, "current resolution"), 0.001 / (2 * root3) * seconds / 3600, 1e-9);
    close_to(standard_of(b, "time base"), r.capacity_Ah * 50e-6 / root3, 1e-12);
    double u_V = sqrt((0.0015 * 0.0015 + 0.010 * 0.010) / 3 + 0.001 * 0.001 / 12);
    close_to(standard_of(b, "voltage at the cut-off"), u_V / (1.2 / 3600) * 2 / 3600, 1e-6);
    /* The voltage falls along a straight line: the crossing on it is exact. */
    assert_true(standard_of(b, "end between rows") < 1e-9);
    assert_true(isnan(standard_of(b, "lead resistance")));
    close_to(standard_of(b, "switching between rows"), 2 * 0.5 / root3 / 3600, 1e-9);
    assert_true(b->accuracy_known);

    double sum = 0;
    for (size_t i = 0; i < b->count; i++)
        sum += pow(b->component[i].standard_Ah, 2);
    close_to(b->standard_Ah, sqrt(sum), 1e-12);
    close_to(b->expanded_Ah, 2 * b->standard_Ah, 1e-15);
}

/* Each step of the reading that is crossed draws the error of resolution anew. */
static void trembling_readings_average(void **state)
{
    (void)state;
    struct discharge_options o = discharge_options_default();
    struct capacity_result r;
    struct err e = {0};
    size_t n = hour_record();
    for (size_t k = 1; k < n; k++)
        record[k].current_A += k % 2 == 0 ? 0.001 : -0.001;
    o.cutoff_V = 3.0;
    o.accuracy.current.resolution = 0.001;
    assert_true(whole_record(record, n, &o, &r, &e));
    close_to(standard_of(&r.uncertainty, "current resolution"),
             0.001 / (2 * sqrt(3)) * sqrt(3600) / 3600, 2e-3);
    /* Each lies 2 mA off the line of its neighbours: sigma = 2 mA / sqrt(1.5). */
    close_to(standard_of(&r.uncertainty, "current noise"), 0.002 / sqrt(1.5) * sqrt(3600) / 3600,
             2e-3);
}

/* 20 mOhm of leads known to +-1 mOhm at 2 A: 2 mV at the cut-off, at 1.2 V/h; and in the
 * energy 4 A^2 h x 1 mOhm on top, in the same direction. */
static void leads_have_an_uncertainty(void **state)
{
    (void)state;
    const double root3 = sqrt(3);
    struct discharge_options o = discharge_options_default();
    struct capacity_result r;
    struct err e = {0};
    size_t n = hour_record();
    for (size_t k = 0; k < n; k++)
        record[k].voltage_V += record[k].current_A * 0.020;
    o.cutoff_V = 3.0;
    o.lead_ohm = 0.020;
    o.lead_error_ohm = 0.001;
    assert_true(whole_record(record, n, &o, &r, &e));
    double charge_Ah = 0.002 / 1.2 * 2 / root3;
    close_to(standard_of(&r.uncertainty, "lead resistance"), charge_Ah, 1e-3);
    double rest_Ah2 = pow(r.uncertainty.standard_Ah, 2) - charge_Ah * charge_Ah;
    double energy_Wh = 4 * 0.001 / root3 + 3.0 * charge_Ah;
    close_to(r.uncertainty.energy_standard_Wh,
             sqrt(energy_Wh * energy_Wh + r.mean_voltage_V * r.mean_voltage_V * rest_Ah2), 1e-3);
    o.lead_error_ohm = NAN; /* a tenth of it, and said so */
    assert_true(whole_record(record, n, &o, &r, &e));
    close_to(standard_of(&r.uncertainty, "lead resistance"), 2 * charge_Ah, 1e-3);
}

/* A zero error of 5 mA is read at rest before and after: taken off, it is gone, and what
 * is left of its uncertainty is the step of the reading. */
static void rest_current_is_taken_off(void **state)
{
    (void)state;
    static struct sample rows[3702];
    struct discharge_options o = discharge_options_default();
    struct capacity_result r;
    struct err e = {0};
    for (size_t k = 0; k < 3702; k++) {
        bool loaded = k >= 50 && k <= 3650;
        rows[k] = (struct sample){(double)k, loaded ? 4.2 - 1.2 * (double)(k - 50) / 3600 : 4.25,
                                  (loaded ? -2 : 0) + 0.005, NAN};
    }
    o.cutoff_V = 3.0;
    o.accuracy.current.resolution = 0.001;
    assert_true(whole_record(rows, 3702, &o, &r, &e));
    double with_Ah = r.capacity_Ah;
    assert_false(r.net_of_rest);
    o.net_of_rest = true;
    assert_true(whole_record(rows, 3702, &o, &r, &e));
    assert_true(r.net_of_rest);
    close_to(r.rest_A, 0.005, 1e-9);
    close_to(r.capacity_Ah, 2.0 * 3600.5 / 3600, 1e-9); /* half an interval before it was on */
    close_to(r.capacity_Ah - with_Ah, 0.005 * 3650 / 3600, 1e-6);
    close_to(standard_of(&r.uncertainty, "rest current"), 0.001 / (2 * sqrt(3)) * 3650 / 3600,
             1e-6);
    assert_true(isnan(standard_of(&r.uncertainty, "current offset")));
}

/* w = U/2 at a limit of 2.500 Ah, U = 0.020 Ah: 2.510 passes, 2.490 is undecided yet;
 * 0 is simple acceptance and 1 the whole band. */
static void share_of_the_guard_band(void **state)
{
    (void)state;
    struct verdict_question q = {
        .expanded = 0.020, .limit = 2.500, .rule = DECISION_GUARD_SHARE, .guard_share = 0.5};
    static const struct {
        double value;
        const char *word;
    } known[] = {{2.510, "pass"},
                 {2.5099, "undecided"},
                 {2.500, "undecided"},
                 {2.490, "undecided"},
                 {2.4899, "fail"}};
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        char check[64];
        q.value = known[i].value;
        snprintf(check, sizeof check, "limit 2.500 Ah, U 0.020 Ah, w = U/2: %.9g Ah", q.value);
        check_row(&(struct check_row){.check = check,
                                      .source = "ILAC-G8:09/2019, AL = TL + w",
                                      .word = verdict_name(verdict_judge(&q)),
                                      .expected_word = known[i].word});
    }
    for (int share = 0; share <= 1; share++) {
        for (double value = 2.45; value < 2.55; value += 0.001) {
            struct verdict_question other = q;
            q.value = other.value = value;
            q.guard_share = share;
            other.rule = share == 1 ? DECISION_GUARD_BAND : DECISION_SIMPLE;
            assert_int_equal(verdict_judge(&q), verdict_judge(&other));
        }
    }
}

/* u(I) 0.10 %, u(t) 0.005 %: u(Q) 0.100125 %; with u(V) 0.05 %: u(E) 0.111915 %
 * (sum of squares of relative uncertainties of a product). The record is made so
 * that nothing else matters. */
static void relative_uncertainties_add_in_squares(void **state)
{
    (void)state;
    const double root3 = sqrt(3);
    struct discharge_options o = discharge_options_default();
    struct sample two[] = {{0, 3.7, 0, NAN}, {0, 3.7, -2, NAN}, {3600, 3.7, -2, NAN}};
    struct capacity_result r;
    struct err e = {0};
    o.rule = END_WHOLE;
    o.gap_s = 1e9;
    o.accuracy.current.gain = 0.001 * root3;
    o.accuracy.time_gain = 5e-5 * root3;
    o.accuracy.voltage.gain = 5e-4 * root3;
    assert_true(whole_record(two, 3, &o, &r, &e));
    const char *source = "product of independent inputs, PMC3387884 table 2";
    check_row(&(struct check_row){.check = "u of the charge, %: gain 0.10, time 0.005",
                                  .source = source,
                                  .expected = 0.100125,
                                  .ours = 100 * r.uncertainty.standard_Ah / r.capacity_Ah,
                                  .allowed = 1e-6});
    check_row(&(struct check_row){.check = "U of the charge, %, k = 2",
                                  .source = source,
                                  .expected = 0.20025,
                                  .ours = 100 * r.uncertainty.expanded_Ah / r.capacity_Ah,
                                  .allowed = 1e-6});
    check_row(&(struct check_row){.check = "u of the energy, %: voltage gain 0.05 as well",
                                  .source = source,
                                  .expected = 0.111915,
                                  .ours = 100 * r.uncertainty.energy_standard_Wh / r.energy_Wh,
                                  .allowed = 1e-6});
}

/* A gain error is the same for all samples: it does not shrink with their number. */
static void gain_does_not_average_out(void **state)
{
    (void)state;
    struct instrument_accuracy acc = {
        .current = {0.001, NAN, NAN}, .voltage = {NAN, NAN, NAN}, .time_gain = NAN};
    struct capacity_result r = assess(&acc);
    assert_true(r.uncertainty.standard_Ah >= r.capacity_Ah * 0.001 / sqrt(3));
}

static void plain_data_say_what_is_missing(void **state)
{
    (void)state;
    struct instrument_accuracy none = discharge_options_default().accuracy;
    struct capacity_result r = assess(&none);
    assert_false(r.uncertainty.accuracy_known);
    assert_true(isnan(standard_of(&r.uncertainty, "current gain")));
    assert_true(r.uncertainty.expanded_Ah > 0);
    assert_string_equal(r.notes.text[r.notes.count - 1],
                        "instrument accuracy not given: uncertainty covers sampling only");
}

/* The document for scripts: nothing unknown becomes a number. */
static void document_has_its_keys(void **state)
{
    (void)state;
    static const char *const keys[] = {
        "capacity_Ah", "energy_Wh",        "duration_s", "mean_voltage_V",
        "end_reason",  "percent_of_rated", "verdict",    "capacity_uncertainty_Ah",
        "notes",       "samples",          "gaps",       "temperature_max_C"};
    struct instrument_accuracy none = discharge_options_default().accuracy;
    struct capacity_result r = assess(&none);
    struct acceptance a = {.limit_Ah = NAN};
    json_t *o = capacity_to_json(&r, &a);
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
        assert_non_null(json_object_get(o, keys[i]));
    assert_true(json_is_null(json_object_get(o, "verdict")));
    assert_true(json_is_null(json_object_get(o, "temperature_max_C")));
    assert_true(json_is_null(json_object_get(o, "percent_of_rated")));
    json_decref(o);

    a.limit_Ah = 1.9;
    o = capacity_to_json(&r, &a);
    assert_string_equal(json_string_value(json_object_get(o, "verdict")), "pass");
    json_decref(o);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(guard_band_at_its_edges),
        cmocka_unit_test(simple_acceptance_ignores_uncertainty),
        cmocka_unit_test(unknown_is_not_judged),
        cmocka_unit_test(verdict_weakens_with_uncertainty),
        cmocka_unit_test(published_examples_of_a_guard_band),
        cmocka_unit_test(probability_is_normal),
        cmocka_unit_test(each_influence_has_its_formula),
        cmocka_unit_test(trembling_readings_average),
        cmocka_unit_test(leads_have_an_uncertainty),
        cmocka_unit_test(rest_current_is_taken_off),
        cmocka_unit_test(share_of_the_guard_band),
        cmocka_unit_test(relative_uncertainties_add_in_squares),
        cmocka_unit_test(gain_does_not_average_out),
        cmocka_unit_test(plain_data_say_what_is_missing),
        cmocka_unit_test(document_has_its_keys),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
