/* SPDX-License-Identifier: GPL-3.0-or-later
 * Matched sets: as good as the best of all choices on small lots, never worse than sorting,
 * the same each time, and in bounded time. */
#include "analysis/match.h"
#include "base/clock.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static double uniform(void)
{
    return rand() / (double)RAND_MAX;
}

static void draw(double *capacity, double *resistance, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        capacity[i] = 2.5 * (0.97 + 0.06 * uniform());
        resistance[i] = 0.020 * (0.9 + 0.2 * uniform());
    }
}

/* --- all choices --- */

struct all {
    const struct match_question *q;
    size_t sets, place[12], filled[12];
    double least;
};

static void judge(struct all *a)
{
    double sum = 0;
    for (size_t set = 0; set < a->sets; set++)
        sum += match_spread_of(a->q, a->place, set).cost;
    a->least = fmin(a->least, sum / (double)a->sets);
}

/* Battery i to every group that has room, of those still empty to the first only, or to the
 * spares. */
static void place_rest(struct all *a, size_t i, size_t spares)
{
    size_t groups = a->sets * a->q->series;
    if (i == a->q->n) {
        judge(a);
        return;
    }
    for (size_t g = 0; g < groups; g++) {
        if (a->filled[g] < a->q->parallel) {
            a->place[i] = g;
            a->filled[g]++;
            place_rest(a, i + 1, spares);
            a->filled[g]--;
        }
        if (a->filled[g] == 0 && g % a->q->series == 0)
            break;
    }
    if (spares > 0) {
        a->place[i] = MATCH_SPARE;
        place_rest(a, i + 1, spares - 1);
    }
}

static double best_of_all(const struct match_question *q, size_t sets)
{
    struct all a = {.q = q, .sets = sets, .least = INFINITY};
    place_rest(&a, 0, q->n - sets * q->series * q->parallel);
    return a.least;
}

static void small_lots_are_matched_as_well_as_can_be(void **state)
{
    (void)state;
    static const size_t shapes[][3] = {{4, 2, 1}, {6, 3, 1}, {7, 3, 1}, {6, 2, 2},
                                       {8, 2, 2}, {8, 4, 2}, {9, 2, 2}, {9, 3, 1}};
    size_t lots = 0;
    srand(3);
    for (size_t k = 0; k < sizeof shapes / sizeof shapes[0]; k++) {
        for (int lot = 0; lot < 6; lot++, lots++) {
            double capacity[12], resistance[12];
            size_t place[12];
            draw(capacity, resistance, shapes[k][0]);
            struct match_question q = {.capacity_Ah = capacity,
                                       .resistance_ohm = lot % 2 == 0 ? resistance : NULL,
                                       .n = shapes[k][0],
                                       .series = shapes[k][1],
                                       .parallel = shapes[k][2]};
            struct match_answer a;
            assert_true(match_sets(&q, &a, place));
            assert_true(a.complete);
            double best = best_of_all(&q, a.sets);
            if (!(a.matched.cost <= best + 1e-12))
                fail_msg("%zu as %zus%zup: %.9f, best is %.9f", q.n, q.series, q.parallel,
                         a.matched.cost, best);
        }
    }
    printf("  %zu lots: the best of all choices each time\n", lots);
}

static void never_worse_than_sorting(void **state)
{
    (void)state;
    double ours = 0, sorted = 0;
    srand(4);
    for (int lot = 0; lot < 40; lot++) {
        double capacity[48], resistance[48];
        size_t place[48], seen[48] = {0};
        size_t n = 8 + (size_t)(rand() % 40);
        draw(capacity, resistance, n);
        struct match_question q = {.capacity_Ah = capacity,
                                   .resistance_ohm = resistance,
                                   .n = n,
                                   .series = 2 + (size_t)(rand() % 3),
                                   .parallel = 1 + (size_t)(rand() % 2)};
        struct match_answer a;
        assert_true(match_sets(&q, &a, place));
        assert_true(a.matched.cost <= a.sorted.cost + 1e-12);
        assert_int_equal(a.sets, n / (q.series * q.parallel));
        for (size_t i = 0; i < n; i++)
            if (place[i] != MATCH_SPARE)
                seen[place[i]]++;
        for (size_t g = 0; g < a.sets * q.series; g++)
            assert_int_equal(seen[g], q.parallel);
        ours += a.matched.cost / 40;
        sorted += a.sorted.cost / 40;
    }
    printf("  40 lots: mean cost %.4f, by sorting %.4f\n", ours, sorted);
    assert_true(ours < 0.7 * sorted);
}

static void the_same_each_time_and_soon(void **state)
{
    (void)state;
    static double capacity[MATCH_MOST], resistance[MATCH_MOST];
    static size_t place[MATCH_MOST], again[MATCH_MOST];
    srand(5);
    draw(capacity, resistance, MATCH_MOST);
    struct match_question q = {.capacity_Ah = capacity,
                               .resistance_ohm = resistance,
                               .n = MATCH_MOST,
                               .series = 7,
                               .parallel = 4};
    struct match_answer a, b;
    int64_t begun_ns = clock_real_ns();
    assert_true(match_sets(&q, &a, place));
    printf("  %d batteries as 7s4p: %.2f s, cost %.4f, by sorting %.4f\n", MATCH_MOST,
           (double)(clock_real_ns() - begun_ns) / 1e9, a.matched.cost, a.sorted.cost);
    assert_true(match_sets(&q, &b, again));
    assert_memory_equal(place, again, sizeof place);
    assert_true(a.matched.cost <= a.sorted.cost);
}

static void what_cannot_be_matched_is_refused(void **state)
{
    (void)state;
    double capacity[] = {2.5, 2.4, NAN, 2.6};
    size_t place[4];
    struct match_answer a;
    struct match_question q = {.capacity_Ah = capacity, .n = 4, .series = 2, .parallel = 1};
    assert_false(match_sets(&q, &a, place)); /* a capacity is not known */
    q.n = 2;
    assert_true(match_sets(&q, &a, place));
    assert_false(a.resistance_counted);
    assert_true(isnan(a.matched.resistance_percent));
    q.series = 3;
    assert_false(match_sets(&q, &a, place));
    q.series = 0;
    assert_false(match_sets(&q, &a, place));
    q.series = 1;
    q.sets = 3;
    assert_false(match_sets(&q, &a, place));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(small_lots_are_matched_as_well_as_can_be),
        cmocka_unit_test(never_worse_than_sorting),
        cmocka_unit_test(the_same_each_time_and_soon),
        cmocka_unit_test(what_cannot_be_matched_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
