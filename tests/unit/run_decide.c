/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of run/decide, one event at a time (run_explore.c goes through all orders): what of a
 * record fits the plan, a reading nobody asked for, a step that is overdue, who may confirm. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "run/decide.h"

/* Discharge at 9 A to 10 V, rest, then a person is asked. */
struct scene {
    struct plan_step steps[3];
    struct plan plan;
    struct decide_start from;
    struct decider d;
};

static struct scene *scene(void)
{
    static struct scene s;
    s = (struct scene){.plan = {.steps = s.steps, .step_count = 3}};
    s.steps[0] = plan_step_blank(STEP_DISCHARGE);
    s.steps[0].current_A = -9;
    s.steps[0].until_V = 10;
    s.steps[0].max_s = 36000;
    s.steps[0].limits = guard_limits_none();
    s.steps[1] = plan_step_blank(STEP_REST);
    s.steps[1].max_s = 600;
    s.steps[1].limits = guard_limits_none();
    s.steps[2] = plan_step_blank(STEP_HOLD);
    s.steps[2].max_s = 3600;
    s.steps[2].limits = guard_limits_none();
    s.from = (struct decide_start){.plan = &s.plan, .now_s = 0};
    decide_start(&s.d, &s.from);
    return &s;
}

static enum act take(struct scene *s, enum event_kind kind, double now_s)
{
    return decide_take(&s->d, &(struct event){.kind = kind, .now_s = now_s});
}

static enum act read_at(struct scene *s, double now_s, double voltage_V, double current_A)
{
    const struct sample sample = {now_s, voltage_V, current_A, NAN};
    return decide_take(&s->d,
                       &(struct event){.kind = EVENT_SAMPLE,
                                       .now_s = now_s,
                                       .sample = &sample,
                                       .load = s->d.output_on ? OUTPUT_READ_ON : OUTPUT_READ_OFF});
}

static void discharge(struct scene *s)
{
    assert_int_equal(take(s, EVENT_DONE, 0), ACT_READ);
    assert_int_equal(read_at(s, 0.1, 12.9, 0), ACT_SET);
    assert_int_equal(take(s, EVENT_DONE, 0.2), ACT_ARM);
    assert_int_equal(take(s, EVENT_DONE, 0.3), ACT_ON);
    assert_int_equal(take(s, EVENT_DONE, 0.4), ACT_WAIT);
    assert_true(s->d.output_on);
}

static void a_record_that_is_not_of_the_plan_is_not_taken_up(void **state)
{
    (void)state;
    struct scene *s = scene();
    const struct decide_past fits[] = {{0, 80, STEP_END_CUTOFF}};
    const struct decide_past other_step[] = {{1, 0, STEP_END_DURATION}};
    const struct decide_past too_many[] = {{0, 80, STEP_END_CUTOFF},
                                           {1, 0, STEP_END_DURATION},
                                           {2, 0, STEP_END_CONFIRMED},
                                           {3, 0, STEP_END_DURATION}};
    struct decide_resume at = {.step = 1, .past_count = 1, .past = fits, .step_start_s = 30000};
    assert_true(decide_resume(&s->d, &s->from, &at));
    assert_int_equal(s->d.act, ACT_WAIT); /* a rest: no output to read for */
    at.step = 2;
    assert_false(decide_resume(&s->d, &s->from, &at));
    at.step = 1;
    at.past = other_step;
    assert_false(decide_resume(&s->d, &s->from, &at));
    at = (struct decide_resume){.step = 3, .past_count = 3, .past = too_many};
    assert_false(decide_resume(&s->d, &s->from, &at)); /* it was through */
    at.past_count = 4;
    assert_false(decide_resume(&s->d, &s->from, &at));
}

static void a_reading_nobody_asked_for_ends_the_run(void **state)
{
    (void)state;
    struct scene *s = scene();
    assert_int_equal(s->d.act, ACT_BEGIN_STEP);
    assert_int_equal(read_at(s, 0.1, 12.9, 0), ACT_FINISH);
    assert_int_equal(s->d.outcome, RUN_TRIPPED);
    assert_int_equal(s->d.verdict.reason, GUARD_INSTRUMENT_DISOBEYED);
    assert_int_equal(take(s, EVENT_STOP, 1), ACT_FINISH); /* the first reason counts */
    assert_int_equal(s->d.outcome, RUN_TRIPPED);
}

/* 9 A for 1 s a time give 9/3600 Ah; the ceiling is reached before the voltage falls. */
static void a_charge_ceiling_that_is_a_fault_trips_with_its_figures(void **state)
{
    (void)state;
    struct scene *s = scene();
    s->steps[0].max_Ah = 0.05;
    s->steps[0].max_Ah_is_fault = true;
    discharge(s);
    enum act act = ACT_WAIT;
    for (int i = 1; act == ACT_WAIT && i < 100; i++)
        act = read_at(s, 0.4 + i, 12.5, -9);
    assert_int_equal(act, ACT_FINISH);
    assert_int_equal(s->d.verdict.reason, GUARD_OVERDUE_CHARGE);
    assert_true(s->d.verdict.limit == 0.05);
    assert_true(s->d.verdict.value >= 0.05 && s->d.verdict.value < 0.055);
}

static void the_same_ceiling_as_an_end_switches_off_and_goes_on(void **state)
{
    (void)state;
    struct scene *s = scene();
    s->steps[0].max_Ah = 0.05;
    discharge(s);
    enum act act = ACT_WAIT;
    for (int i = 1; act == ACT_WAIT && i < 100; i++)
        act = read_at(s, 0.4 + i, 12.5, -9);
    assert_int_equal(act, ACT_OFF);
    assert_int_equal(s->d.ended, STEP_END_CHARGE);
    assert_int_equal(take(s, EVENT_DONE, 30), ACT_END_STEP);
    assert_false(s->d.output_on);
    assert_int_equal(take(s, EVENT_DONE, 30), ACT_BEGIN_STEP);
    assert_int_equal(s->d.sequencer.step, 1);
}

static void a_person_confirms_a_hold_and_nothing_else(void **state)
{
    (void)state;
    struct scene *s = scene();
    discharge(s);
    assert_int_equal(take(s, EVENT_CONFIRM, 1), ACT_WAIT);
    assert_true(s->d.output_on);
    const struct decide_past past[] = {{0, 80, STEP_END_CUTOFF}, {1, 0, STEP_END_DURATION}};
    const struct decide_resume at = {.step = 2, .past_count = 2, .past = past, .step_start_s = 0};
    assert_true(decide_resume(&s->d, &s->from, &at));
    assert_true(decide_holds(&s->d));
    assert_int_equal(take(s, EVENT_CONFIRM, 2), ACT_OFF);
    assert_int_equal(s->d.ended, STEP_END_CONFIRMED);
    assert_int_equal(take(s, EVENT_DONE, 3), ACT_END_STEP);
    assert_int_equal(take(s, EVENT_DONE, 3), ACT_FINISH);
    assert_int_equal(s->d.outcome, RUN_COMPLETED);
    assert_true(isnan(decide_limits(&s->d).voltage_max_V)); /* no step is left to have limits */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_record_that_is_not_of_the_plan_is_not_taken_up),
        cmocka_unit_test(a_reading_nobody_asked_for_ends_the_run),
        cmocka_unit_test(a_charge_ceiling_that_is_a_fault_trips_with_its_figures),
        cmocka_unit_test(the_same_ceiling_as_an_end_switches_off_and_goes_on),
        cmocka_unit_test(a_person_confirms_a_hold_and_nothing_else),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
