/* SPDX-License-Identifier: GPL-3.0-or-later
 * Temperature corrections as worked, each by its own rule; what is from memory is marked
 * and decides nothing. */
#include "analysis/correction.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "check_row.h"

static struct correction_answer apply(struct correction_choice c, struct correction_subject s)
{
    struct correction_answer a;
    correction_apply(&c, &s, &a);
    return a;
}

static struct correction_choice choose(enum correction_rule rule)
{
    struct correction_choice c = correction_choice_none();
    c.rule = rule;
    return c;
}

static double degC(double degF)
{
    return (degF - 32) / 1.8;
}

static void iec_examples_are_met(void **state)
{
    (void)state;
    static const struct {
        double Ah, at_C, current_A, expected;
    } worked[] = {{95, 15, 10, 97.938},   {95, 25, 10, 92.233}, {95, 25, 33, 90.476},
                  {100, 10, 10, 106.383}, {80, 30, 10, 75.472}, {95, 20, 10, 95}};
    for (size_t i = 0; i < sizeof worked / sizeof worked[0]; i++) {
        struct correction_choice c = choose(CORRECTION_IEC_LINEAR);
        c.rated_Ah = 100;
        struct correction_answer a = apply(
            c, (struct correction_subject){.capacity_Ah = worked[i].Ah,
                                           .loaded_s = 3600 * worked[i].Ah / worked[i].current_A,
                                           .current_A = worked[i].current_A,
                                           .start_C = worked[i].at_C,
                                           .mean_C = 99,
                                           .end_C = 99});
        char check[96];
        snprintf(check, sizeof check, "iec-linear, %.0f Ah at %.0f degC, %.0f A, Ah", worked[i].Ah,
                 worked[i].at_C, worked[i].current_A);
        check_row(&(struct check_row){
            .check = check,
            .source = "worked by hand; coefficients of a maker's page, formula from memory",
            .expected = worked[i].expected,
            .ours = a.capacity_Ah,
            .allowed = 5.1e-4});
        assert_false(a.verified); /* the formula is from memory */
    }
    assert_false(correction_decides(&(struct correction_choice){.rule = CORRECTION_IEC_LINEAR}));
}

/* Published 100 A for 8 h, 60 degF at the start: the test runs at 90.09 A, and 7.2 h are
 * 90.0 %, nothing more applied. */
static void rate_adjusted_example_is_met(void **state)
{
    (void)state;
    struct correction_choice c = choose(CORRECTION_RATE_ADJUSTED);
    c.published_A = 100;
    c.published_s = 8 * 3600;
    double test_A = correction_test_current_A(&c, degC(60));
    check_row(&(struct check_row){.check = "rate-adjusted test current at 60 degF, A",
                                  .source = "maker's manual citing IEEE 450-2002; K: IEEE 485 t. 1",
                                  .expected = 90.09,
                                  .ours = test_A,
                                  .allowed = 0.005});
    struct correction_subject s = {.capacity_Ah = test_A * 7.2,
                                   .loaded_s = 7.2 * 3600,
                                   .current_A = test_A,
                                   .start_C = degC(60),
                                   .mean_C = NAN,
                                   .end_C = NAN};
    struct correction_answer a = apply(c, s);
    assert_true(a.applied && a.verified && correction_decides(&c));
    check_row(&(struct check_row){.check = "rate-adjusted, 7.2 h of 8 h, % of 800 Ah",
                                  .source = "maker's manual citing IEEE 450-2002",
                                  .expected = 90.0,
                                  .ours = 100 * a.capacity_Ah / 800,
                                  .allowed = 1e-9});
    /* The same by the label: 800 Ah in 8 h. */
    c.published_A = c.published_s = NAN;
    c.rated_Ah = 800;
    c.rated_hours = 8;
    assert_true(fabs(apply(c, s).capacity_Ah - a.capacity_Ah) < 1e-9);
    /* A test at the published current is no rate-adjusted one. */
    s.current_A = 100;
    a = apply(c, s);
    assert_false(a.applied);
    assert_non_null(strstr(a.why, "runs at 90.09 A, and this one ran at 100 A"));
}

static void rate_factors_are_met(void **state)
{
    (void)state;
    static const double K[][2] = {{40, 1.30}, {50, 1.19}, {60, 1.11}, {70, 1.04}, {77, 1.00}};
    bool verified;
    for (size_t i = 0; i < 5; i++) {
        char check[64];
        snprintf(check, sizeof check, "rate-adjusted factor at %.0f degF", K[i][0]);
        check_row(&(struct check_row){.check = check,
                                      .source = "K. Webb, ESE 471 slide 12, IEEE 485 table 1",
                                      .expected = K[i][1],
                                      .ours = correction_rate_factor(degC(K[i][0]), &verified),
                                      .allowed = 1e-9});
        assert_true(verified);
    }
    /* A published cubic in degC/100, all over the table. */
    double worst = 0;
    for (double T = -3.8; T < 51.6; T += 0.1) {
        double x = T / 100;
        double cubic = -2.8117 * x * x * x + 4.1916 * x * x - 2.4941 * x + 1.405;
        worst = fmax(worst, fabs(correction_rate_factor(T, &verified) - cubic));
        if (fabs(T - degC(40)) > 0.01 && fabs(T - degC(77)) > 0.01)
            assert_int_equal(verified, T > degC(40) && T < degC(77));
    }
    check_row(&(struct check_row){.check = "rate-adjusted factor against the cubic, worst",
                                  .source = "cubic of a trade page, x in degC/100",
                                  .expected = 0,
                                  .ours = worst,
                                  .allowed = 0.0155});
    assert_true(isnan(correction_rate_factor(-10, &verified)));
    /* A list in circulation is shifted by a row: 1.11 belongs to 15.6 degC, not to 10. */
    assert_true(fabs(correction_rate_factor(10, &verified) - 1.19) < 1e-9);
}

static void time_adjusted_is_from_memory(void **state)
{
    (void)state;
    struct correction_choice c = choose(CORRECTION_TIME_ADJUSTED);
    c.published_A = 100;
    c.published_s = 8 * 3600;
    struct correction_subject s = {720, 7.2 * 3600, 100, degC(60), NAN, NAN};
    struct correction_answer a = apply(c, s);
    check_row(&(struct check_row){.check = "time-adjusted, 7.2 h of 8 h at 60 degF, %",
                                  .source = "from memory, unverified; worked by hand",
                                  .expected = 102.04,
                                  .ours = 100 * a.capacity_Ah / 800,
                                  .allowed = 0.005});
    assert_true(a.applied);
    assert_false(a.verified);
    assert_false(correction_decides(&c));
    /* No reciprocal of the other method's factor. */
    assert_true(fabs(correction_time_factor(degC(40)) - 0.670) < 1e-9);
}

static void trade_rules_are_met(void **state)
{
    (void)state;
    struct correction_answer a = apply(choose(CORRECTION_GUIDE_27),
                                       (struct correction_subject){200, 480 * 60, 25, 30, 27, 24});
    check_row(&(struct check_row){.check = "guide-27, 480 min ending at 24 degC, min",
                                  .source = "deep-cycle maker's guide",
                                  .expected = 492.96,
                                  .ours = 480 * a.factor,
                                  .allowed = 1e-9});
    assert_true(a.verified);
    a = apply(choose(CORRECTION_GUIDE_27), (struct correction_subject){200, 28800, 25, 24, 24, 23});
    assert_false(a.applied);
    assert_non_null(strstr(a.why, "guide-27 holds from 24.0 to 32.0 degC"));

    static const struct {
        double at_C, minutes, percent;
    } change[] = {{0, 90, -16},  {5, 90, -12}, {10, 90, -10}, {15, 90, -6}, {20, 90, -1},
                  {25, 90, 0},   {30, 90, 3},  {35, 90, 4},   {40, 90, 5},  {0, 45, -18},
                  {10, 45, -11}, {20, 45, -2}, {40, 45, 8},   {0, 20, -20}, {20, 20, -3},
                  {35, 20, 8},   {40, 20, 10}};
    for (size_t i = 0; i < sizeof change / sizeof change[0]; i++) {
        double T = change[i].at_C;
        a = apply(choose(CORRECTION_CHANGE_TABLE),
                  (struct correction_subject){50, 60 * change[i].minutes, 10, T, T, T});
        char check[96];
        snprintf(check, sizeof check, "change-table at %.0f degC in %.0f min, %%", T,
                 change[i].minutes);
        check_row(&(struct check_row){.check = check,
                                      .source = "battery maker's table of capacity change",
                                      .expected = change[i].percent,
                                      .ours = 100 * (1 / a.factor - 1),
                                      .allowed = 1e-9});
    }
    a = apply(choose(CORRECTION_BELOW_25), (struct correction_subject){50, 3600, 50, 15, 15, 15});
    check_row(&(struct check_row){.check = "below-25, 91 Ah at 15 degC, Ah",
                                  .source = "K. Webb, ESE 471 slide 12: 0.9 %/degC",
                                  .expected = 100,
                                  .ours = 91 * a.factor,
                                  .allowed = 1e-9});
    a = apply(choose(CORRECTION_BELOW_25), (struct correction_subject){50, 3600, 50, 35, 35, 35});
    assert_true(a.applied && fabs(a.factor - 1) < 1e-12);
}

static void stated_coefficient_counts_the_thermometer(void **state)
{
    (void)state;
    struct correction_choice c = choose(CORRECTION_STATED_LINEAR);
    struct correction_subject s = {95, 36000, 9.5, 15, NAN, NAN};
    assert_false(apply(c, s).applied);
    c.coefficient_per_K = 0.006;
    c.reference_C = 20;
    struct correction_answer a = apply(c, s);
    assert_true(a.applied && a.verified && fabs(a.capacity_Ah - 97.938) < 5.1e-4);
    assert_true(a.standard_Ah <= 0);
    /* 1 K off is 0.6 % of 1.0309 of it, rectangular. */
    c.temperature_error_C = 1;
    a = apply(c, s);
    assert_true(fabs(a.standard_Ah / (a.capacity_Ah * 0.006 / 0.97 / sqrt(3)) - 1) < 0.01);
    /* A temperature that is stated goes before the recorded one; none is no answer. */
    c.temperature_C = 20;
    assert_true(fabs(apply(c, s).factor - 1) < 1e-12);
    c.temperature_C = NAN;
    s.start_C = NAN;
    a = apply(c, s);
    assert_false(a.applied);
    assert_non_null(strstr(a.why, "temperature at the start, which was not recorded"));
}

/* The same raw run by each rule: the answers differ, so they must not be mixed. */
static void rules_differ(void **state)
{
    (void)state;
    struct correction_subject s = {100, 36000, 10, 20, 20, 24};
    double seen[CORRECTION_COUNT] = {0};
    size_t n = 0;
    for (enum correction_rule r = CORRECTION_IEC_LINEAR; r < CORRECTION_COUNT; r++) {
        struct correction_choice c = choose(r);
        c.rated_Ah = 100;
        c.rated_hours = 10;
        struct correction_answer a = apply(c, s);
        for (size_t i = 0; a.applied && i < n; i++)
            assert_true(fabs(seen[i] - a.capacity_Ah) > 1e-6);
        if (a.applied)
            seen[n++] = a.capacity_Ah;
        assert_string_equal(correction_rules[r].name, correction_names[r]);
        assert_true(correction_rules[r].source[0] != '\0');
    }
    assert_true(n >= 5);
    assert_null(correction_names[CORRECTION_COUNT]);
    struct correction_answer none = apply(correction_choice_none(), s);
    assert_false(none.applied);
    assert_string_equal(none.why, "");
}

static void iec_between_its_rates_is_refused(void **state)
{
    (void)state;
    struct correction_choice c = choose(CORRECTION_IEC_LINEAR);
    c.rated_Ah = 100;
    struct correction_answer a =
        apply(c, (struct correction_subject){90, 4.5 * 3600, 20, 18, 18, 18});
    assert_false(a.applied);
    assert_non_null(strstr(a.why, "this is a 5 h rate"));
    a = apply(c, (struct correction_subject){90, 9 * 3600, 10, 10, 10, 10});
    assert_non_null(strstr(a.remark, "between 15 and 25 degC"));
    c = choose(CORRECTION_RATE_ADJUSTED);
    c.published_A = 100;
    c.published_s = 28800;
    bool verified;
    double A = 100 / correction_rate_factor(30, &verified);
    a = apply(c, (struct correction_subject){8 * A, 28800, A, 30, 30, 30});
    assert_true(a.applied && !a.verified);
    assert_non_null(strstr(a.remark, "from memory"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(iec_examples_are_met),
        cmocka_unit_test(rate_adjusted_example_is_met),
        cmocka_unit_test(rate_factors_are_met),
        cmocka_unit_test(time_adjusted_is_from_memory),
        cmocka_unit_test(trade_rules_are_met),
        cmocka_unit_test(stated_coefficient_counts_the_thermometer),
        cmocka_unit_test(rules_differ),
        cmocka_unit_test(iec_between_its_rates_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
