/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of run/plan_json: what a person agrees to stands in the document as the plan has it,
 * every key is there for every kind of step, and what a plan has not is null, never 0. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "run/result.h"

enum { CHARGE, PULSE, DISCHARGE, REPEAT, HOLD, STEPS };

struct scene {
    struct plan_segment segments[2];
    struct plan_step steps[STEPS];
    struct plan plan;
};

static struct scene *scene(void)
{
    static struct scene s;
    s = (struct scene){.segments = {{-2.5, 10, 0.1}, {0, 30, NAN}}};
    const enum step_kind kinds[STEPS] = {STEP_CHARGE, STEP_PULSE, STEP_DISCHARGE, STEP_REPEAT,
                                         STEP_HOLD};
    for (size_t i = 0; i < STEPS; i++) {
        s.steps[i] = plan_step_blank(kinds[i]);
        strcpy(s.steps[i].name, step_kind_names[kinds[i]]);
    }
    s.steps[PULSE].segments = s.segments;
    s.steps[PULSE].segment_count = 2;
    s.steps[REPEAT].repeat = (struct plan_repeat){.back_to = CHARGE,
                                                  .times = 3,
                                                  .of_step = DISCHARGE,
                                                  .until_below_Ah = 70,
                                                  .until_from_Ah = NAN,
                                                  .until_agree = 0.02,
                                                  .until_cutoff = true};
    strcpy(s.steps[HOLD].say, "connect the charger on the pier");
    s.plan = (struct plan){.profile = "capacity",
                           .battery = {.label = "launch-a", .cells = 6, .rated_Ah = 90},
                           .steps = s.steps,
                           .step_count = STEPS,
                           .judged = true,
                           .judged_step = DISCHARGE,
                           .attempts = ATTEMPT_BEST,
                           .accept_Ah = 72,
                           .correction = correction_choice_none()};
    return &s;
}

static json_t *step_of(json_t *plan, size_t i)
{
    return json_array_get(json_object_get(plan, "steps"), i);
}

static double number(const json_t *o, const char *key)
{
    return json_number_value(json_object_get(o, key));
}

static const char *text(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s != NULL ? s : "(none)";
}

static void a_repeat_says_how_often_and_until_when(void **state)
{
    (void)state;
    struct scene *s = scene();
    json_t *o = plan_to_json(&s->plan, NULL);
    const json_t *r = json_object_get(step_of(o, REPEAT), "repeat");
    assert_true(number(r, "back_to_step") == CHARGE && number(r, "times") == 3);
    assert_true(number(r, "of_step") == DISCHARGE && number(r, "until_capacity_below_Ah") == 70);
    assert_true(json_is_null(json_object_get(r, "until_capacity_reached_Ah")));
    assert_true(number(r, "until_agree_within_percent") == 2);
    assert_true(json_is_true(json_object_get(r, "until_cutoff")));
    json_decref(o);
    s->steps[REPEAT].repeat.of_step = SIZE_MAX; /* no rule looks at a step */
    o = plan_to_json(&s->plan, NULL);
    r = json_object_get(step_of(o, REPEAT), "repeat");
    assert_true(json_is_null(json_object_get(r, "of_step")));
    json_decref(o);
}

static void every_kind_has_every_key(void **state)
{
    (void)state;
    struct scene *s = scene();
    json_t *o = plan_to_json(&s->plan, NULL);
    for (size_t i = 0; i < STEPS; i++) {
        assert_int_equal(json_object_size(step_of(o, i)), json_object_size(step_of(o, 0)));
        assert_int_equal(json_is_null(json_object_get(step_of(o, i), "repeat")), i != REPEAT);
        assert_int_equal(json_is_null(json_object_get(step_of(o, i), "segments")), i != PULSE);
        assert_int_equal(json_is_null(json_object_get(step_of(o, i), "say")), i != HOLD);
    }
    const json_t *segments = json_object_get(step_of(o, PULSE), "segments");
    assert_int_equal(json_array_size(segments), 2);
    assert_true(number(json_array_get(segments, 0), "current_A") == -2.5);
    assert_true(json_is_null(json_object_get(json_array_get(segments, 1), "sample_every_s")));
    assert_string_equal(text(step_of(o, HOLD), "say"), "connect the charger on the pier");
    assert_true(json_is_null(json_object_get(o, "stand")));
    assert_true(json_is_null(json_object_get(o, "resume_within_s")));
    json_decref(o);
}

static void acceptance_names_its_rule(void **state)
{
    (void)state;
    static const struct {
        double share;
        const char *rule;
    } known[] = {{0, "simple"}, {0.5, "guard-share"}, {1, "guard-band"}};
    struct scene *s = scene();
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        s->plan.guard_share = known[i].share;
        json_t *o = plan_to_json(&s->plan, NULL);
        const json_t *a = json_object_get(o, "acceptance");
        assert_string_equal(text(a, "rule"), known[i].rule);
        assert_true(number(a, "guard_share_percent") == 100 * known[i].share);
        assert_true(number(a, "step") == DISCHARGE && number(a, "capacity_Ah") == 72);
        assert_string_equal(text(a, "counts"), "best");
        assert_true(json_is_null(json_object_get(a, "correction")));
        json_decref(o);
    }
    s->plan.judged = false;
    json_t *o = plan_to_json(&s->plan, NULL);
    assert_true(json_is_null(json_object_get(o, "acceptance")));
    json_decref(o);
}

static void a_correction_keeps_its_numbers(void **state)
{
    (void)state;
    struct scene *s = scene();
    s->plan.correction.rule = CORRECTION_STATED_LINEAR;
    s->plan.correction.coefficient_per_K = 0.008;
    s->plan.correction.reference_C = 25;
    json_t *o = plan_to_json(&s->plan, NULL);
    const json_t *c = json_object_get(json_object_get(o, "acceptance"), "correction");
    assert_string_equal(text(c, "rule"), "stated-linear");
    assert_true(number(c, "coefficient_per_K") == 0.008 && number(c, "reference_C") == 25);
    assert_true(json_is_null(json_object_get(c, "published_A")));
    assert_int_equal(json_is_true(json_object_get(c, "decides")),
                     correction_decides(&s->plan.correction));
    json_decref(o);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_repeat_says_how_often_and_until_when),
        cmocka_unit_test(every_kind_has_every_key),
        cmocka_unit_test(acceptance_names_its_rule),
        cmocka_unit_test(a_correction_keeps_its_numbers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
