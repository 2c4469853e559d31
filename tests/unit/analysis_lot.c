/* SPDX-License-Identifier: GPL-3.0-or-later
 * Lots: tolerance factors against a table, statistics, outliers. */
#include "analysis/lot.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "check_row.h"

static void close_to(double value, double expected, double allowed)
{
    if (!(fabs(value - expected) <= allowed))
        fail_msg("%.17g instead of %.17g", value, expected);
}

/* Tables of ISO 16269-6, share 95 %, confidence 95 %, to three places: from memory. The
 * second opinion (tests/checks/second_opinion_fade.py) holds the same to 1e-6. */
static void factors_are_those_of_the_table(void **state)
{
    (void)state;
    static const struct {
        size_t n;
        double one_sided, two_sided;
    } known[] = {{3, 7.656, 9.789},
                 {5, 4.203, 5.077},
                 {10, 2.911, 3.393},
                 {20, 2.396, 2.760},
                 {30, 2.220, 2.555}};
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        char check[96];
        const char *source = "ISO 16269-6, from memory, unverified";
        snprintf(check, sizeof check, "tolerance factor 95 %%/95 %%, n = %zu, one-sided",
                 known[i].n);
        check_row(&(struct check_row){.check = check,
                                      .source = source,
                                      .expected = known[i].one_sided,
                                      .ours = tolerance_factor_one_sided(known[i].n, 0.95, 0.95),
                                      .allowed = 6e-4});
        snprintf(check, sizeof check, "tolerance factor 95 %%/95 %%, n = %zu, two-sided",
                 known[i].n);
        check_row(&(struct check_row){.check = check,
                                      .source = source,
                                      .expected = known[i].two_sided,
                                      .ours = tolerance_factor_two_sided(known[i].n, 0.95, 0.95),
                                      .allowed = 6e-4});
    }
    assert_true(isnan(tolerance_factor_one_sided(1, 0.95, 0.95)));
    assert_true(isnan(tolerance_factor_two_sided(5, 1.0, 0.95)));
    assert_true(isnan(tolerance_factor_two_sided(5, 0.95, NAN)));
}

static double uniform(void)
{
    return (rand() + 0.5) / (RAND_MAX + 1.0);
}

static double normal(void)
{
    return sqrt(-2 * log(uniform())) * cos(6.283185307179586 * uniform());
}

/* What the words mean: the lower bound of 95 % of lots is below what 95 % of batteries have. */
static void bounds_hold_as_often_as_they_say(void **state)
{
    (void)state;
    const int lots = 4000;
    const double share_at = -1.6448536269514722; /* 5 % of a standard normal are below */
    double k = tolerance_factor_one_sided(8, 0.95, 0.95);
    int held = 0;
    srand(31);
    for (int lot = 0; lot < lots; lot++) {
        double sum = 0, squares = 0;
        for (int i = 0; i < 8; i++) {
            double x = normal();
            sum += x;
            squares += x * x;
        }
        double mean = sum / 8, s = sqrt((squares - 8 * mean * mean) / 7);
        held += mean - k * s <= share_at;
    }
    check_row(&(struct check_row){.check = "lower tolerance bound of 8 holds, share of 4000 lots",
                                  .source = "simulated normal lots",
                                  .expected = 0.95,
                                  .ours = held / (double)lots,
                                  .allowed = 0.01});
}

static void a_lot_is_summed_up(void **state)
{
    (void)state;
    const double values[] = {2.51, 2.49, NAN, 2.50, 2.52, 2.48, 2.10, 2.505};
    bool outlier[8];
    struct lot_statistics s;
    lot_judge(values, 8, &s, outlier);
    assert_int_equal(s.n, 7);
    close_to(s.median, 2.50, 1e-12);
    close_to(s.mean, (2.51 + 2.49 + 2.50 + 2.52 + 2.48 + 2.10 + 2.505) / 7, 1e-12);
    close_to(s.min, 2.10, 0);
    close_to(s.max, 2.52, 0);
    assert_int_equal(s.outliers, 1);
    for (size_t i = 0; i < 8; i++)
        assert_int_equal(outlier[i], i == 6);
    close_to(s.lower, s.mean - s.factor_lower * s.deviation, 1e-12);
    close_to(s.between_high - s.mean, s.mean - s.between_low, 1e-12);
    close_to(s.factor_lower, tolerance_factor_one_sided(7, LOT_SHARE, LOT_CONFIDENCE), 0);
}

static void few_say_little(void **state)
{
    (void)state;
    const double values[] = {2.5, 2.4, NAN, INFINITY};
    struct lot_statistics s;
    lot_judge(values, 0, &s, NULL);
    assert_true(s.n == 0 && isnan(s.mean) && isnan(s.lower));
    lot_judge(values, 1, &s, NULL);
    assert_true(s.n == 1 && isnan(s.deviation) && isnan(s.factor));
    lot_judge(values, 4, &s, NULL);
    assert_true(s.n == 2 && isfinite(s.deviation) && isnan(s.lower));
    const double same[] = {2.5, 2.5, 2.5, 2.5, 2.5, 2.6};
    bool outlier[6];
    lot_judge(same, 6, &s, outlier); /* most are equal: no scale to judge by */
    assert_int_equal(s.outliers, 0);
}

/* For tests/checks/second_opinion_fade.py. */
static void print_factors(void)
{
    static const size_t counts[] = {2, 3, 4, 7, 12, 31, 100, 500};
    static const double shares[][2] = {{0.95, 0.95}, {0.9, 0.99}, {0.99, 0.9}};
    for (size_t i = 0; i < sizeof counts / sizeof counts[0]; i++)
        for (size_t k = 0; k < sizeof shares / sizeof shares[0]; k++)
            printf("%zu %g %g %.15g %.15g\n", counts[i], shares[k][0], shares[k][1],
                   tolerance_factor_one_sided(counts[i], shares[k][0], shares[k][1]),
                   tolerance_factor_two_sided(counts[i], shares[k][0], shares[k][1]));
}

int main(int argc, char **argv)
{
    if (argc > 1 && strcmp(argv[1], "factors") == 0) {
        print_factors();
        return 0;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(factors_are_those_of_the_table),
        cmocka_unit_test(bounds_hold_as_often_as_they_say),
        cmocka_unit_test(a_lot_is_summed_up),
        cmocka_unit_test(few_say_little),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
