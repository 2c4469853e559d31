/* SPDX-License-Identifier: GPL-3.0-or-later
 * How batteries age: lives of known law must be known again, and the interval of the
 * crossing must hold it as often as it says. `unit_analysis_fade LIVES` simulates more. */
#include "analysis/fade.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#include "check_row.h"

#define POINTS_MOST 200
static unsigned lives = 120;

static void close_to(double value, double expected, double allowed)
{
    if (!(fabs(value - expected) <= allowed))
        fail_msg("%.17g instead of %.17g", value, expected);
}

/* --- lives --- */

static double uniform(void)
{
    return (rand() + 0.5) / (RAND_MAX + 1.0);
}

static double normal(void)
{
    return sqrt(-2 * log(uniform())) * cos(6.283185307179586 * uniform());
}

struct life {
    struct fade_fit law; /* of a battery of 100 Ah */
    size_t n;
    double every;          /* x between tests */
    double noise;          /* standard deviation, Ah */
    double regained;       /* Ah after a rest; a third of it is left after each further test */
    double regained_share; /* how often a test comes after such a rest */
};

static void live(const struct life *l, struct fade_point *points)
{
    double extra = 0;
    for (size_t i = 0; i < l->n; i++) {
        extra = extra / 3 + (uniform() < l->regained_share ? l->regained : 0);
        double x = l->every * (double)i;
        points[i] = (struct fade_point){x, fade_value(&l->law, x) + l->noise * normal() + extra};
    }
}

static struct life life_of(enum fade_law law, size_t n, double every, double noise)
{
    static const struct fade_fit laws[FADE_LAWS] = {
        [FADE_NONE] = {FADE_NONE, 100, 0, NAN},
        [FADE_LINE] = {FADE_LINE, 100, -0.04, NAN},
        [FADE_ROOT] = {FADE_ROOT, 100, -0.9, NAN},
        [FADE_EXPONENTIAL] = {FADE_EXPONENTIAL, 4.605170185988092, -5e-4, NAN},
    };
    return (struct life){.law = laws[law], .n = n, .every = every, .noise = noise};
}

static double coverage(const struct life *l, double *width)
{
    struct fade_point points[POINTS_MOST];
    double *widths = calloc(lives, sizeof *widths);
    assert_non_null(widths);
    double truth = fade_crossing(&l->law, 80, false);
    unsigned inside = 0;
    for (unsigned i = 0; i < lives; i++) {
        live(l, points);
        struct fade_question q = {.points = points, .n = l->n, .limit = 80, .replicates = 300};
        struct fade_answer a;
        fade_judge(&q, &a, NULL);
        inside += a.crossing_low <= truth && truth <= a.crossing_high;
        widths[i] = a.crossing_high - a.crossing_low;
    }
    double sum = 0;
    for (unsigned i = 0; i < lives; i++)
        sum += fmin(widths[i], 1e5);
    *width = sum / lives;
    free(widths);
    return (double)inside / lives;
}

/* Laws, noise and number of tests as they come; all seen down to 84 to 88 %. */
static void interval_covers_as_often_as_it_says(void **state)
{
    (void)state;
    const struct {
        const char *name;
        struct life life;
    } rows[] = {
        {"line, 20 tests", life_of(FADE_LINE, 20, 18, 0.4)},
        {"line, 8 tests", life_of(FADE_LINE, 8, 45, 0.3)},
        {"root, 30 tests", life_of(FADE_ROOT, 30, 8, 0.3)},
        {"exponential, 25 tests", life_of(FADE_EXPONENTIAL, 25, 14, 0.4)},
        {"exponential, 60 tests, beyond the limit", life_of(FADE_EXPONENTIAL, 60, 10, 0.6)},
    };
    const size_t count = sizeof rows / sizeof rows[0];
    double mean = 0;
    srand(11);
    for (size_t i = 0; i < count; i++) {
        double width = 0, share = coverage(&rows[i].life, &width);
        printf("  %-42s truth %4.0f, covered in %5.1f %% of %u lives, mean width %.0f\n",
               rows[i].name, fade_crossing(&rows[i].life.law, 80, false), 100 * share, lives,
               width);
        mean += share / (double)count;
        /* So few lives say it to 2.5 % only; all together are the row below. */
        if (!(share >= 0.88 && share <= 1))
            fail_msg("%s: %.3f", rows[i].name, share);
    }
    check_row(
        &(struct check_row){.check = "crossing of 80 % inside its 95 % interval, share of lives",
                            .source = "simulated lives of known law",
                            .bound = true,
                            .at_least = 0.90,
                            .at_most = 0.98,
                            .ours = mean});
}

/* --- laws --- */

static struct fade_answer judge(const struct fade_point *points, size_t n, double *weights)
{
    struct fade_question q = {.points = points, .n = n, .limit = 80, .replicates = 200};
    struct fade_answer a;
    fade_judge(&q, &a, weights);
    return a;
}

static void a_law_without_scatter_is_found(void **state)
{
    (void)state;
    for (int law = 0; law < FADE_LAWS; law++) {
        struct life l = life_of((enum fade_law)law, 25, 14, 0);
        struct fade_point points[POINTS_MOST];
        live(&l, points);
        struct fade_answer a = judge(points, l.n, NULL);
        assert_int_equal(a.fit.law, law);
        close_to(a.fit.a, l.law.a, 1e-7 * l.law.a);
        close_to(a.fit.b, l.law.b, 1e-9);
        double truth = fade_crossing(&l.law, 80, false);
        if (law == FADE_NONE) {
            assert_true(isinf(a.crossing) && isinf(a.crossing_high));
            continue;
        }
        close_to(a.crossing, truth, 1e-4 * truth);
        close_to(a.crossing_low, truth, 1e-3 * truth);
        close_to(a.crossing_high, truth, 1e-3 * truth);
    }
}

/* A battery that does not change shows no law but the constant, in most of many lives. */
static void no_change_is_seen_as_none(void **state)
{
    (void)state;
    struct life l = life_of(FADE_NONE, 20, 10, 0.3);
    unsigned none = 0;
    srand(12);
    for (int i = 0; i < 100; i++) {
        struct fade_point points[POINTS_MOST];
        live(&l, points);
        none += judge(points, l.n, NULL).fit.law == FADE_NONE;
    }
    printf("  none in %u of 100 lives without change\n", none);
    assert_true(none >= 65);
}

/* One bad test at the end, where it bends a line most, and one in the middle. */
static void bad_tests_do_not_bend_the_law(void **state)
{
    (void)state;
    struct life l = life_of(FADE_LINE, 25, 14, 0.2);
    double robust = 0, plain = 0, truth = fade_crossing(&l.law, 80, false);
    srand(13);
    for (int i = 0; i < 40; i++) {
        struct fade_point points[POINTS_MOST];
        double weights[POINTS_MOST];
        live(&l, points);
        points[24].y -= 9;
        points[10].y -= 6;
        struct fade_answer a = judge(points, l.n, weights);
        assert_true(weights[24] < FADE_OUTLIER_WEIGHT && weights[10] < FADE_OUTLIER_WEIGHT);
        assert_true(a.outliers >= 2 && a.outliers <= 3);
        robust += fabs(a.crossing - truth) / 40;
        plain += fabs(fade_crossing(&a.plain[FADE_LINE], 80, false) - truth) / 40;
    }
    printf("  crossing off by %.1f cycles in the mean, by least squares %.1f\n", robust, plain);
    assert_true(robust < 0.5 * plain);
}

/* Capacity regained at long rests, 4 % each, lost again within some cycles. */
static void rests_bend_the_law_less_than_least_squares(void **state)
{
    (void)state;
    struct life l = life_of(FADE_LINE, 60, 6, 0.2);
    l.regained = 4;
    l.regained_share = 0.06;
    double robust = 0, plain = 0, truth = fade_crossing(&l.law, 80, false);
    srand(14);
    for (int i = 0; i < 60; i++) {
        struct fade_point points[POINTS_MOST];
        live(&l, points);
        struct fade_answer a = judge(points, l.n, NULL);
        robust += fabs(a.crossing - truth) / 60;
        plain += fabs(fade_crossing(&a.plain[FADE_LINE], 80, false) - truth) / 60;
    }
    printf("  crossing off by %.1f cycles in the mean, by least squares %.1f\n", robust, plain);
    assert_true(robust < 0.6 * plain);
}

/* Residuals that follow each other are drawn in blocks, and the interval gets wider. */
static void followers_are_drawn_in_blocks(void **state)
{
    (void)state;
    struct fade_point points[60];
    for (size_t i = 0; i < 60; i++) {
        double wave = 0.6 * sin((double)i / 4);
        points[i] = (struct fade_point){6 * (double)i, 100 - 0.24 * (double)i + wave};
    }
    struct fade_answer a = judge(points, 60, NULL);
    assert_true(a.follow > 0.8 && a.block > 4);
    srand(15);
    struct life l = life_of(FADE_LINE, 60, 6, 0.42);
    live(&l, points);
    struct fade_answer b = judge(points, 60, NULL);
    assert_int_equal(b.block, 1);
    assert_true(a.crossing_high - a.crossing_low > b.crossing_high - b.crossing_low);
}

static void resistance_rises_to_its_limit(void **state)
{
    (void)state;
    struct fade_point points[12];
    for (size_t i = 0; i < 12; i++)
        points[i] = (struct fade_point){30.0 * (double)i, 0.020 + 1e-5 * 30.0 * (double)i};
    struct fade_question q = {
        .points = points, .n = 12, .limit = 0.040, .rising = true, .replicates = 100};
    struct fade_answer a;
    fade_judge(&q, &a, NULL);
    close_to(a.crossing, 2000, 0.1);
    assert_int_equal(fade_first_beyond(points, 12, 0.0214, true), 5);
    assert_int_equal(fade_first_beyond(points, 12, 0.040, true), 12);
}

static void too_little_is_said_to_be_so(void **state)
{
    (void)state;
    struct fade_point points[] = {{0, 100}, {1, 99}, {2, 98}, {3, 97}, {4, 96}};
    struct fade_answer a = judge(points, 4, NULL);
    assert_false(a.enough);
    assert_true(isnan(a.crossing) && isnan(a.fit.a));
    close_to(a.plain[FADE_LINE].b, -1, 1e-12);
    a = judge(points, 5, NULL);
    assert_true(a.enough);
    close_to(a.crossing, 20, 1e-3);
    for (size_t i = 0; i < 5; i++)
        points[i].x = 7;
    assert_false(judge(points, 5, NULL).enough);
    assert_false(judge(points, 0, NULL).enough);
    assert_true(isnan(fade_fit_plain(FADE_LINE, points, 1).b));
}

static void crossings_at_their_edges(void **state)
{
    (void)state;
    struct fade_fit up = {FADE_LINE, 100, 0.1, NAN}, down = {FADE_LINE, 79, -0.1, NAN};
    assert_true(isinf(fade_crossing(&up, 80, false)));
    close_to(fade_crossing(&down, 80, false), 0, 0);
    close_to(fade_crossing(&up, 80, true), 0, 0);
    close_to(fade_crossing(&up, 101, true), 10, 1e-12);
    assert_true(isinf(fade_crossing(&down, 80, true)));
}

static void the_same_points_give_the_same_answer(void **state)
{
    (void)state;
    struct life l = life_of(FADE_EXPONENTIAL, 25, 14, 0.4);
    struct fade_point points[POINTS_MOST];
    srand(16);
    live(&l, points);
    struct fade_answer a = judge(points, l.n, NULL);
    srand(17);
    struct fade_answer b = judge(points, l.n, NULL);
    assert_true(a.crossing_low == b.crossing_low && a.crossing_high == b.crossing_high);
    assert_true(a.crossing_low < a.crossing && a.crossing < a.crossing_high);
}

/* Both are of the same replicates: where the lower edge of a falling law comes to the limit,
 * there the interval of the crossing begins. */
static void the_band_meets_the_limit_where_the_interval_ends(void **state)
{
    (void)state;
    struct life l = life_of(FADE_LINE, 25, 14, 0.4);
    struct fade_point points[POINTS_MOST];
    srand(16);
    live(&l, points);
    struct fade_answer a = judge(points, l.n, NULL);
    const double x[] = {points[l.n / 2].x, a.crossing_low, a.crossing, a.crossing_high};
    double fit[4], low[4], high[4];
    struct fade_band band = {4, x, fit, low, high};
    struct fade_question q = {
        .points = points, .n = l.n, .limit = 80, .band = &band, .replicates = 200};
    struct fade_answer b;
    fade_judge(&q, &b, NULL);
    assert_true(b.crossing_low == a.crossing_low && b.crossing_high == a.crossing_high);
    double width = high[2] - low[2];
    close_to(low[1], 80, 0.1 * width);
    close_to(fit[2], 80, 1e-9 * 80);
    close_to(high[3], 80, 0.1 * width);
    for (size_t k = 0; k < 4; k++) {
        assert_true(low[k] < fit[k] && fit[k] < high[k]);
    }
    assert_true(high[0] - low[0] < width); /* surer amid the results than beyond them */
}

/* For tests/checks/second_opinion_fade.py: random records and what comes out here. */
static void print_records(void)
{
    srand(18);
    for (int i = 0; i < 40; i++) {
        struct life l = life_of((enum fade_law)(i % FADE_LAWS), 6 + (size_t)i, 7, 0.5);
        struct fade_point points[POINTS_MOST];
        double weights[POINTS_MOST];
        live(&l, points);
        points[i / 2].y -= i % 3 == 0 ? 8 : 0;
        struct fade_answer a = judge(points, l.n, weights);
        for (size_t k = 0; k < l.n; k++)
            printf("%.17g,%.17g ", points[k].x, points[k].y);
        for (int law = FADE_LINE; law < FADE_LAWS; law++)
            printf("| %.17g %.17g %.17g ", a.plain[law].a, a.plain[law].b, a.plain[law].r_squared);
        printf("| %s %.17g %.17g %.17g\n", fade_law_names[a.fit.law], a.fit.a, a.fit.b, a.scatter);
    }
}

int main(int argc, char **argv)
{
    if (argc > 1 && strcmp(argv[1], "records") == 0) {
        print_records();
        return 0;
    }
    if (argc > 1)
        lives = (unsigned)strtoul(argv[1], NULL, 10);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(interval_covers_as_often_as_it_says),
        cmocka_unit_test(a_law_without_scatter_is_found),
        cmocka_unit_test(no_change_is_seen_as_none),
        cmocka_unit_test(bad_tests_do_not_bend_the_law),
        cmocka_unit_test(rests_bend_the_law_less_than_least_squares),
        cmocka_unit_test(followers_are_drawn_in_blocks),
        cmocka_unit_test(resistance_rises_to_its_limit),
        cmocka_unit_test(too_little_is_said_to_be_so),
        cmocka_unit_test(crossings_at_their_edges),
        cmocka_unit_test(the_same_points_give_the_same_answer),
        cmocka_unit_test(the_band_meets_the_limit_where_the_interval_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
