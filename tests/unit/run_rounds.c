/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of groups of steps that are gone through again (run/sequencer.c). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "run/sequencer.h"

#include <math.h>

static struct plan_step steps[8];

static struct plan_step *put(size_t i, enum step_kind kind)
{
    steps[i] = (struct plan_step){
        .kind = kind,
        .current_A = kind == STEP_DISCHARGE ? -10 : 0,
        .until_V = kind == STEP_DISCHARGE ? 10 : (double)NAN,
        .until_V_per_h = NAN,
        .skip_above_V = NAN,
        .max_Ah = NAN,
        .max_s = 1e6,
        .sample_s = 1,
    };
    return &steps[i];
}

static void put_repeat(size_t i, size_t back_to, unsigned times)
{
    put(i, STEP_REPEAT)->repeat = (struct plan_repeat){.back_to = back_to,
                                                       .times = times,
                                                       .of_step = SIZE_MAX,
                                                       .until_below_Ah = NAN,
                                                       .until_from_Ah = NAN,
                                                       .until_agree = NAN};
}

static struct sequencer start(size_t count)
{
    const struct plan p = {.steps = steps, .step_count = count};
    struct sequencer q;
    sequencer_start(&q, &p, 0, 0);
    return q;
}

/* End the present step, as if so much had been taken out in it. */
static struct sequencer_decision end(struct sequencer *q, double discharged_Ah, enum step_end why)
{
    sequencer_step_begun(q, 0);
    q->discharged_Ah = discharged_Ah;
    return sequencer_end(q, why);
}

static void a_group_is_gone_through_so_often(void **state)
{
    (void)state;
    put(0, STEP_REST);
    put(1, STEP_DISCHARGE);
    put(2, STEP_REST);
    put_repeat(3, 1, 3);
    put(4, STEP_REST);
    struct sequencer q = start(5);
    const size_t order[] = {0, 1, 2, 1, 2, 1, 2, 4};
    const unsigned rounds[] = {1, 1, 1, 2, 2, 3, 3, 1};
    for (size_t i = 0; i < 8; i++) {
        unsigned round = 0, of = 0;
        sequencer_round(&q, &round, &of);
        assert_int_equal(q.step, order[i]);
        assert_int_equal(q.occurrence, i);
        assert_int_equal(round, rounds[i]);
        assert_int_equal(of, i == 0 || i == 7 ? 1 : 3);
        enum sequencer_wish wish = end(&q, 0, STEP_END_TIME).wish;
        assert_int_equal(wish, i < 7 ? WISH_BEGIN_STEP : WISH_FINISH);
    }
    assert_int_equal(q.occurrence, 8);
    assert_int_equal(q.group_count, 0);
}

static void groups_hold_groups(void **state)
{
    (void)state;
    put(0, STEP_REST);
    put(1, STEP_DISCHARGE);
    put_repeat(2, 1, 2); /* inner: 1, twice */
    put_repeat(3, 0, 3); /* outer: 0 and the inner, three times */
    struct sequencer q = start(4);
    const size_t order[] = {0, 1, 1, 0, 1, 1, 0, 1, 1};
    for (size_t i = 0; i < 9; i++) {
        assert_int_equal(q.step, order[i]);
        assert_int_equal(end(&q, 0, STEP_END_TIME).wish, i < 8 ? WISH_BEGIN_STEP : WISH_FINISH);
    }
    /* both begin at the same step; the last step is a group's end twice */
    put(0, STEP_DISCHARGE);
    put_repeat(1, 0, 2);
    put_repeat(2, 0, 2);
    q = start(3);
    for (size_t i = 0; i < 4; i++) {
        assert_int_equal(q.step, 0);
        assert_int_equal(end(&q, 0, STEP_END_TIME).wish, i < 3 ? WISH_BEGIN_STEP : WISH_FINISH);
    }
}

static size_t rounds_with(const double *ah, size_t n, enum step_end why)
{
    struct sequencer q = start(3);
    for (size_t i = 0; i < n; i++) {
        assert_int_equal(q.step, 0);
        assert_int_equal(end(&q, ah[i], why).wish, WISH_BEGIN_STEP);
        assert_int_equal(q.step, 1);
        if (end(&q, 0, STEP_END_DURATION).wish == WISH_FINISH) {
            return i + 1;
        }
    }
    return 0; /* it would go on */
}

static struct plan_repeat *rule_over_a_discharge(void)
{
    put(0, STEP_DISCHARGE);
    put(1, STEP_REST);
    put_repeat(2, 0, 100);
    steps[2].repeat.of_step = 0;
    return &steps[2].repeat;
}

static void a_rule_ends_the_rounds(void **state)
{
    (void)state;
    const double fading[] = {100, 92, 85, 80, 79.9, 70};
    struct plan_repeat *rule = rule_over_a_discharge();
    assert_int_equal(rounds_with(fading, 6, STEP_END_CUTOFF), 0);
    rule->until_below_Ah = 80;
    assert_int_equal(rounds_with(fading, 6, STEP_END_CUTOFF), 5);
    rule = rule_over_a_discharge();
    const double growing[] = {90, 95, 99.9, 100, 101};
    rule->until_from_Ah = 100;
    assert_int_equal(rounds_with(growing, 5, STEP_END_CUTOFF), 4);
    rule = rule_over_a_discharge();
    /* 2 % of the later one: 98.1 - 96.2 = 1.9 is within 1.962, 92 to 96.2 is not */
    const double settling[] = {88, 92, 96.2, 98.1, 98.2};
    rule->until_agree = 0.02;
    assert_int_equal(rounds_with(settling, 5, STEP_END_CUTOFF), 4);
    rule = rule_over_a_discharge();
    rule->until_cutoff = true;
    assert_int_equal(rounds_with(fading, 6, STEP_END_TIME), 0);
    assert_int_equal(rounds_with(fading, 6, STEP_END_CUTOFF), 1);
    assert_int_equal(rounds_with(fading, 6, STEP_END_PROTECTION), 1);
}

/* Each round of an outer group counts its inner group anew, and rules look at the last
 * round of the step they name. */
static void inner_rules_begin_anew(void **state)
{
    (void)state;
    put(0, STEP_DISCHARGE);
    put_repeat(1, 0, 10);
    steps[1].repeat.of_step = 0;
    steps[1].repeat.until_agree = 0.01;
    put(2, STEP_REST);
    put_repeat(3, 0, 2);
    struct sequencer q = start(4);
    const double ah[] = {90, 95, 95.5};
    for (int outer = 0; outer < 2; outer++) {
        for (int i = 0; i < 3; i++) {
            assert_int_equal(q.step, 0);
            assert_int_equal(end(&q, ah[i], STEP_END_CUTOFF).wish, WISH_BEGIN_STEP);
        }
        assert_int_equal(q.step, 2);
        assert_int_equal(end(&q, 0, STEP_END_DURATION).wish,
                         outer == 0 ? WISH_BEGIN_STEP : WISH_FINISH);
    }
}

/* The plan makes none of these; should one arrive, it comes to an end. */
static void a_repeat_that_makes_no_sense_ends(void **state)
{
    (void)state;
    put_repeat(0, 0, 5);
    put(1, STEP_REST);
    put_repeat(2, 2, 5);
    struct sequencer q = start(3);
    assert_int_equal(q.step, 1);
    assert_int_equal(end(&q, 0, STEP_END_DURATION).wish, WISH_FINISH);
    put_repeat(0, 0, 5);
    q = start(1);
    assert_int_equal(q.step, 1);
    assert_false(sequencer_wants_output(&q));
    put(0, STEP_REST);
    for (size_t r = 1; r <= 5; r++) { /* deeper than there is room for: the innermost is not kept */
        put_repeat(r, 0, 2);
    }
    q = start(6);
    size_t n = 1;
    while (end(&q, 0, STEP_END_DURATION).wish == WISH_BEGIN_STEP) {
        n++;
    }
    assert_int_equal(n, 16);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_group_is_gone_through_so_often),
        cmocka_unit_test(groups_hold_groups),
        cmocka_unit_test(a_rule_ends_the_rounds),
        cmocka_unit_test(inner_rules_begin_anew),
        cmocka_unit_test(a_repeat_that_makes_no_sense_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
