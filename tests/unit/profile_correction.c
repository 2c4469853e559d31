/* SPDX-License-Identifier: GPL-3.0-or-later
 * The correction that a profile's acceptance names: as read, as planned, and what keeps it
 * from being made. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "plan_scene.h"

static void scene_start(struct scene *s)
{
    memset(s, 0, sizeof *s);
    strcpy(s->text, "profile: Ten hours\n"                 /* 1 */
                    "starts_full: yes\n"                   /* 2 */
                    "steps:\n"                             /* 3 */
                    "  - discharge:\n"                     /* 4 */
                    "      name: capacity\n"               /* 5 */
                    "      current: 9 A\n"                 /* 6 */
                    "      until: {voltage: 1.8 V/cell}\n" /* 7 */
                    "      at_most: {time: 15 h}\n"        /* 8 */
                    "acceptance:\n"                        /* 9 */
                    "  step: capacity\n"                   /* 10 */
                    "  capacity: 80 %\n"                   /* 11 */
                    "  correction: below-25\n");           /* 12 */
    s->battery = battery_blank();
    strcpy(s->battery.label, "tender-2");
    s->battery.chemistry = CHEM_LEAD_AGM;
    s->battery.cells = 6;
    s->battery.rated_Ah = 90;
    s->battery.rated_hours = 10;
    s->stand = (struct stand_facts){
        .name = "jetty",
        .load = {true, 40, 80, 400, 0.5, true, false, false},
        .has_thermometer = true,
        .voltage_source = SOURCE_REMOTE_SENSE,
        .present_voltage_V = 12.8,
        .present_temperature_C = 25,
        .accuracy = {{2e-4, 2e-3, 1e-3}, {5e-4, 5e-3, 1e-3}, 1e-4},
        .free_bytes = NAN,
    };
}

static bool mentions(const struct plan_notes *n, const char *part)
{
    for (size_t i = 0; i < n->count; i++)
        if (strstr(n->text[i], part) != NULL)
            return true;
    return false;
}

static void a_name_is_enough(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_int_equal(p->correction.rule, CORRECTION_BELOW_25);
    assert_true(correction_decides(&p->correction));
    assert_true(fabs(p->correction.rated_Ah - 90) < 1e-12);
    plan_free(p);
    scene_change(&s, "  correction: below-25\n", "");
    p = scene_plan(&s);
    assert_int_equal(p->correction.rule, CORRECTION_NONE);
    assert_false(correction_decides(&p->correction));
    plan_free(p);
}

static void a_map_holds_what_the_rule_needs(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    scene_change(&s, "correction: below-25",
                 "correction: {rule: stated-linear, per_kelvin: 0.6 %, reference: 20 degC, "
                 "thermometer: 0.5 degC}");
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_true(fabs(p->correction.coefficient_per_K - 0.006) < 1e-15);
    assert_true(fabs(p->correction.reference_C - 20) < 1e-15);
    assert_true(fabs(p->correction.temperature_error_C - 0.5) < 1e-15);
    plan_free(p);
}

/* The thermometer's limit of error is the stand's, unless the profile states one. */
static void the_thermometer_is_the_stand_s(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    struct plan *p = scene_plan(&s);
    assert_true(isnan(p->correction.temperature_error_C));
    plan_free(p);
    s.stand.thermometer_error_C = 0.7;
    p = scene_plan(&s);
    assert_true(fabs(p->correction.temperature_error_C - 0.7) < 1e-15);
    plan_free(p);
    scene_change(&s, "correction: below-25", "correction: {rule: below-25, thermometer: 0.5 degC}");
    p = scene_plan(&s);
    assert_true(fabs(p->correction.temperature_error_C - 0.5) < 1e-15);
    plan_free(p);
}

/* 90 Ah in 10 h: 9 A at 25 degC, 8.108 A at 15.6 degC. */
static void the_current_must_fit_the_method(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    scene_change(&s, "correction: below-25", "correction: rate-adjusted");
    struct plan *p = scene_plan(&s);
    no_problem(p);
    plan_free(p);
    s.stand.present_temperature_C = (60 - 32) / 1.8;
    p = scene_plan(&s);
    assert_true(only_problem(p, 0,
                             "p.yaml:12: a rate-adjusted test of this battery runs at 8.108 A at "
                             "the temperature it has now, and the step sets 9 A: write current: "
                             "8.108 A"));
    plan_free(p);
    scene_change(&s, "current: 9 A", "current: 8.108 A");
    p = scene_plan(&s);
    no_problem(p);
    plan_free(p);
    s.battery.rated_hours = NAN;
    p = scene_plan(&s);
    assert_true(mentions(&p->problems, "compares with a published current and time"));
    plan_free(p);
}

static void what_cannot_be_made_is_a_problem(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    s.stand.has_thermometer = false;
    struct plan *p = scene_plan(&s);
    assert_true(mentions(&p->problems, "needs the battery's temperature"));
    plan_free(p);
    scene_start(&s);
    s.battery.chemistry = CHEM_NICD;
    p = scene_plan(&s);
    assert_true(mentions(&p->problems, "below-25 is for lead-acid, not for nicd"));
    plan_free(p);
    scene_start(&s);
    scene_change(&s, "below-25", "iec-linear");
    p = scene_plan(&s);
    no_problem(p);
    assert_true(mentions(&p->warnings, "iec-linear is unverified, from memory"));
    assert_false(correction_decides(&p->correction));
    plan_free(p);
}

static void mistakes_have_their_place(void **state)
{
    (void)state;
    static const struct {
        const char *to, *message;
    } rows[] = {
        {"correction: below25", "p.yaml:12:15: no correction \"below25\"; is below-25 meant?"},
        {"correction: stated-linear", "p.yaml:12:15: stated-linear needs both"},
        {"correction: {rule: below-25, per_kelvin: 0.6 %}",
         "p.yaml:12:44: \"per_kelvin\" belongs to stated-linear, not to below-25"},
        {"correction: {per_kelvin: 0.6 %}", "needs a rule"},
        {"correction: {rule: stated-linear, per_kelvin: 6 mV, reference: 20 degC}",
         "\"6 mV\" is a voltage; a ratio is wanted here, e.g. 95 %"},
        {"correction: {rule: rate-adjusted, published_current: 9 A}", "belong together"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct scene s;
        struct profile *p = NULL;
        struct err e = {0};
        scene_start(&s);
        scene_change(&s, "correction: below-25", rows[i].to);
        assert_false(profile_load_text("p.yaml", s.text, strlen(s.text), &p, &e));
        if (strstr(e.text, rows[i].message) == NULL)
            fail_msg("row %zu: %s", i, e.text);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_name_is_enough),
        cmocka_unit_test(a_map_holds_what_the_rule_needs),
        cmocka_unit_test(the_thermometer_is_the_stand_s),
        cmocka_unit_test(the_current_must_fit_the_method),
        cmocka_unit_test(what_cannot_be_made_is_a_problem),
        cmocka_unit_test(mistakes_have_their_place),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
