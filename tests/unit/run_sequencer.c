/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of run/sequencer: which step comes next, decided from samples alone. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "run/sequencer.h"

#include <math.h>

static struct plan_step steps[] = {
    {.kind = STEP_REST,
     .name = "rest",
     .max_s = 600,
     .until_V = NAN,
     .until_V_per_h = NAN,
     .skip_above_V = NAN,
     .max_Ah = NAN,
     .sample_s = 1},
    {.kind = STEP_DISCHARGE,
     .name = "capacity",
     .current_A = -10,
     .until_V = 10.0,
     .max_s = 72000,
     .max_Ah = 187.5,
     .sample_s = 1},
    {.kind = STEP_REST,
     .name = "after",
     .max_s = 60,
     .until_V = NAN,
     .until_V_per_h = NAN,
     .max_Ah = NAN,
     .sample_s = 1},
};
static const struct plan plan = {.steps = steps, .step_count = 3};

static struct sample at(double t_s, double v, double i)
{
    return (struct sample){t_s, v, i, 23};
}

static struct sequencer in_discharge(double t_s)
{
    struct sequencer q;
    sequencer_start(&q, &plan, 0, 0);
    q.step = 1;
    sequencer_step_begun(&q, t_s);
    return q;
}

static void rest_ends_by_time_alone(void **state)
{
    (void)state;
    struct sequencer q;
    sequencer_start(&q, &plan, 0, 0);
    sequencer_step_begun(&q, 0);
    assert_false(sequencer_wants_output(&q));
    struct sample s = at(599.9, 5.0, 0); /* far below the next step's cut-off: no matter */
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s = at(600, 13, 0);
    struct sequencer_decision d = sequencer_take(&q, &s);
    assert_int_equal(d.wish, WISH_BEGIN_STEP);
    assert_int_equal(d.ended, STEP_END_DURATION);
    assert_int_equal(q.step, 1);
    assert_true(sequencer_wants_output(&q));
}

static void cutoff_counts_only_under_load(void **state)
{
    (void)state;
    struct sequencer q = in_discharge(600);
    struct sample s = at(600.1, 9.9, -0.2); /* the load has not taken hold yet */
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s = at(601, 10.0, -10); /* on the cut-off is not below it */
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s = at(602, nextafter(10.0, 0), -10);
    struct sequencer_decision d = sequencer_take(&q, &s);
    assert_int_equal(d.wish, WISH_BEGIN_STEP);
    assert_int_equal(d.ended, STEP_END_CUTOFF);
}

static void leads_are_taken_off_the_cutoff(void **state)
{
    (void)state;
    struct sequencer q;
    sequencer_start(&q, &plan, 0.020, 0);
    q.step = 1;
    sequencer_step_begun(&q, 0);
    struct sample s = at(1, 9.9, -10); /* 10 A over 20 mOhm: 10.1 V at the battery */
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s = at(2, 9.79, -10);
    assert_int_equal(sequencer_take(&q, &s).ended, STEP_END_CUTOFF);
}

static void charge_is_the_integral_of_what_flowed(void **state)
{
    (void)state;
    struct sequencer q = in_discharge(0);
    struct sample opening = at(0, 13, 0);
    sequencer_open(&q, &opening);
    for (int t = 1; t <= 3600; t++) { /* hunting around 10 A; the set point would say 10.0 Ah */
        struct sample s = at(t, 13, -10.2 + 0.1 * (t % 2));
        assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    }
    /* 3599 intervals of mean 10.15 A and the first from 0 to 10.1 A */
    assert_true(fabs(q.discharged_Ah - (3599 * 10.15 + 5.05) / 3600) < 1e-9);
    assert_true(q.charged_Ah == 0);
}

static void ceilings_end_a_discharge(void **state)
{
    (void)state;
    struct sequencer q = in_discharge(0);
    struct sample s = at(71999, 13, -0.1);
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s = at(72000, 13, -0.1);
    assert_int_equal(sequencer_take(&q, &s).ended, STEP_END_TIME);

    q = in_discharge(0);
    s = at(0, 13, -100);
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s = at(187.5 / 100 * 3600 - 1, 13, -100);
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_NOTHING);
    s = at(187.5 / 100 * 3600, 13, -100);
    assert_int_equal(sequencer_take(&q, &s).ended, STEP_END_CHARGE);
}

static void near_the_bottom_an_opened_protection_ends_the_step(void **state)
{
    (void)state;
    const struct {
        double before_V, now_V, now_A;
        enum step_end ended;
    } rows[] = {
        {11.5, 0, 0, STEP_END_PROTECTION},         /* 15 % above the cut-off is still near */
        {nextafter(11.5, 20), 0, 0, STEP_GOES_ON}, /* the guard's business */
        {11.0, 5.5, 0, STEP_GOES_ON},              /* half is not collapsed */
        {11.0, nextafter(5.5, 0), 0, STEP_END_PROTECTION},
        {11.0, 0, -1.0, STEP_GOES_ON}, /* a tenth still flows */
        {11.0, 0, nextafter(-1.0, 0), STEP_END_PROTECTION},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct sequencer q = in_discharge(0);
        struct sample s = at(1, rows[i].before_V, -10);
        assert_int_equal(sequencer_take(&q, &s).ended, STEP_GOES_ON);
        s = at(2, rows[i].now_V, rows[i].now_A);
        assert_int_equal(sequencer_take(&q, &s).ended, rows[i].ended);
    }
    struct sequencer q = in_discharge(0);
    struct sample s = at(1, 0, 0); /* never loaded: nothing can have opened */
    assert_int_equal(sequencer_take(&q, &s).ended, STEP_GOES_ON);
    assert_string_equal(step_end_text(STEP_END_PROTECTION), "protection opened");
}

static void after_the_last_step_it_finishes(void **state)
{
    (void)state;
    struct sequencer q = in_discharge(0);
    q.step = 2;
    sequencer_step_begun(&q, 100);
    struct sample s = at(160, 13, 0);
    struct sequencer_decision d = sequencer_take(&q, &s);
    assert_int_equal(d.wish, WISH_FINISH);
    assert_int_equal(d.ended, STEP_END_DURATION);
    assert_false(sequencer_wants_output(&q));
    assert_int_equal(sequencer_take(&q, &s).wish, WISH_FINISH);
}

static void a_charge_without_current_switches_nothing_on(void **state)
{
    (void)state;
    struct plan_step charge = {.kind = STEP_CHARGE, .current_A = 0, .max_s = 100, .sample_s = 1};
    struct plan p = {.steps = &charge, .step_count = 1};
    struct sequencer q;
    sequencer_start(&q, &p, 0, 0);
    assert_false(sequencer_wants_output(&q));
    assert_int_equal(sequencer_set_point(&q).direction, DIRECTION_NONE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rest_ends_by_time_alone),
        cmocka_unit_test(cutoff_counts_only_under_load),
        cmocka_unit_test(leads_are_taken_off_the_cutoff),
        cmocka_unit_test(charge_is_the_integral_of_what_flowed),
        cmocka_unit_test(ceilings_end_a_discharge),
        cmocka_unit_test(near_the_bottom_an_opened_protection_ends_the_step),
        cmocka_unit_test(after_the_last_step_it_finishes),
        cmocka_unit_test(a_charge_without_current_switches_nothing_on),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
