/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the shipped profiles: every file in profiles/ loads, says where it
 * comes from, and fits every chemistry that it is for, on a stand that has all. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/file.h"
#include "profile/chemistry.h"
#include "profile/plan.h"

#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FOLDER AMPLEDGER_SOURCE_DIR "/profiles"

/* A battery of the yard for each chemistry. */
static struct battery battery_of(enum chemistry c)
{
    static const struct {
        int cells;
        double rated_Ah;
    } sizes[CHEM_COUNT] = {
        [CHEM_LFP] = {4, 100},       [CHEM_LI_ION] = {3, 2.5},      [CHEM_LTO] = {5, 20},
        [CHEM_SODIUM_ION] = {4, 50}, [CHEM_LEAD_FLOODED] = {6, 90}, [CHEM_LEAD_AGM] = {6, 90},
        [CHEM_LEAD_GEL] = {6, 60},   [CHEM_NIMH] = {4, 2.0},        [CHEM_NICD] = {10, 5.0},
    };
    struct battery b = battery_blank();
    strcpy(b.label, "launch-a");
    b.chemistry = c;
    b.cells = sizes[c].cells;
    b.rated_Ah = sizes[c].rated_Ah;
    return b;
}

static struct stand_facts whole_stand(const struct battery *b)
{
    return (struct stand_facts){
        .name = "jetty",
        .load = {true, 40, 80, 400, 0.5, true, false, false},
        .supply = {true, 30, 32, 600, NAN, true, false, false},
        .has_thermometer = true,
        .voltage_source = SOURCE_REMOTE_SENSE,
        .present_voltage_V = chemistry_data(b->chemistry)->nominal_V * b->cells * 1.02,
        .present_temperature_C = 22,
        .accuracy = {{2e-4, 2e-3, 1e-3}, {5e-4, 5e-3, 1e-3}, 1e-4},
        .other_voltage = {NAN, NAN, NAN},
        .free_bytes = 100e9,
    };
}

static void is_sound(const struct plan *p, const char *name)
{
    for (size_t i = 0; i < p->problems.count; i++)
        fail_msg("%s: %s", name, p->problems.text[i]);
    assert_true(isfinite(p->expected_s) && p->expected_s > 60);
    assert_true(p->longest_s >= p->expected_s);
    assert_true(p->disk_bytes > 0);
    for (size_t i = 0; i < p->step_count; i++) {
        const struct plan_step *s = &p->steps[i];
        assert_true(isfinite(s->max_s));
        assert_true(s->rounds >= 1);
        if (s->kind != STEP_CHARGE)
            continue;
        /* Whatever a charge is told, something bounds it in volts, hours and charge. */
        assert_true(isfinite(s->charge_V) && isfinite(s->limits.voltage_max_V));
        assert_true(s->charge_V <= s->limits.voltage_max_V);
        assert_true(isfinite(s->limits.charge_max_Ah) && isfinite(s->limits.step_time_max_s));
        assert_true(s->limits.temperature_required);
        assert_true(s->limits.temperature_min_C >=
                    chemistry_data(p->battery.chemistry)->charge_min_C);
    }
}

static void fits(const struct profile *p, enum chemistry c)
{
    struct battery b = battery_of(c);
    struct stand_facts stand = whole_stand(&b);
    struct plan *plan = NULL;
    struct err e = {0};
    assert_true(plan_make(p, &b, &stand, &plan, &e));
    is_sound(plan, p->name);
    plan_free(plan);

    /* None needs more than a registered battery to be looked at. */
    assert_true(plan_make(p, &b, NULL, &plan, &e));
    is_sound(plan, p->name);
    plan_free(plan);
}

static bool is_profile(const char *name)
{
    size_t n = strlen(name);
    return n > 5 && strcmp(name + n - 5, ".yaml") == 0;
}

static void test_every_file(void **state)
{
    (void)state;
    DIR *dir = opendir(FOLDER);
    const struct dirent *entry;
    size_t files = 0, fitted = 0;
    assert_non_null(dir);
    while ((entry = readdir(dir)) != NULL) {
        struct profile *p = NULL;
        struct err e = {0};
        char path[512];
        if (!is_profile(entry->d_name))
            continue;
        text_format(path, sizeof path, FOLDER "/%s", entry->d_name);
        if (!profile_load_file(path, &p, &e))
            fail_msg("%s", e.text);
        assert_int_equal(strncmp(p->text, "# SPDX-License-Identifier: GPL-3.0-or-later\n", 43), 0);
        if (strstr(p->text, "# Follows ") == NULL &&
            strstr(p->text, "# Where the values come") == NULL &&
            strstr(p->text, "with its sources") == NULL)
            fail_msg("%s does not say where it comes from", p->name);
        assert_true(p->chemistries != 0);
        for (unsigned c = 0; c < CHEM_COUNT; c++) {
            if (p->chemistries & (1u << c)) {
                fits(p, (enum chemistry)c);
                fitted++;
            }
        }
        profile_free(p);
        files++;
    }
    closedir(dir);
    assert_true(files >= 15);
    assert_true(fitted >= 20);
}

static struct plan *plan_of(const char *name, enum chemistry c)
{
    struct profile *p = NULL;
    struct plan *plan = NULL;
    struct err e = {0};
    struct battery b = battery_of(c);
    struct stand_facts stand = whole_stand(&b);
    if (!profile_find(FOLDER, name, false, &p, &e))
        fail_msg("%s", e.text);
    assert_true(plan_make(p, &b, &stand, &plan, &e));
    profile_free(p);
    return plan;
}

static const struct plan_step *step_called(const struct plan *p, const char *name)
{
    for (size_t i = 0; i < p->step_count; i++) {
        if (strcmp(p->steps[i].name, name) == 0)
            return &p->steps[i];
    }
    fail_msg("no step %s", name);
    return &p->steps[0]; /* not reached */
}

/* 100 Ah, 4 cells, worked out by hand. */
static void test_acceptance(void **state)
{
    (void)state;
    struct plan *p = plan_of("acceptance-lfp", CHEM_LFP);
    const struct plan_step *fill = step_called(p, "fill");
    assert_float_equal(fill->current_A, 20, 1e-9);
    assert_float_equal(fill->charge_V, 14.6, 1e-9);
    assert_float_equal(fill->until_A, 5, 1e-9);
    assert_true(fill->max_s_is_fault && fill->max_Ah_is_fault);
    assert_float_equal(fill->max_Ah, 150, 1e-9);
    const struct plan_step *before = step_called(p, "fill pre-charge");
    assert_float_equal(before->skip_above_V, 10, 1e-9);
    assert_float_equal(before->limits.voltage_min_V, 8, 1e-9);
    const struct plan_step *capacity = step_called(p, "capacity");
    assert_float_equal(capacity->expected_Ah, 100, 1e-9);
    assert_float_equal(capacity->rounds, 3, 0);
    const struct plan_step *storage = step_called(p, "storage");
    assert_float_equal(storage->max_Ah, 50, 1e-9);
    assert_false(storage->max_Ah_is_fault);
    assert_true(storage->max_s_is_fault);
    /* A battery as good as its label passes in the first of three tries. */
    assert_float_equal(p->expected_Ah, 100, 1e-9);
    assert_float_equal(p->expected_charged_Ah, 151.0101, 1e-3);
    assert_int_equal(p->attempts, ATTEMPT_BEST);
    plan_free(p);
}

/* Cell of 2.5 Ah: the currents of the method, 0.5 A and 2.5 A. */
static void test_two_currents(void **state)
{
    (void)state;
    struct plan *p = plan_of("capacity-and-resistance-li-ion", CHEM_LI_ION);
    const struct plan_step *pulse = step_called(p, "resistance");
    assert_int_equal(pulse->segment_count, 2);
    assert_float_equal(pulse->segments[0].current_A, -0.5, 1e-9);
    assert_float_equal(pulse->segments[0].for_s, 10, 0);
    assert_float_equal(pulse->segments[1].current_A, -2.5, 1e-9);
    assert_float_equal(pulse->segments[1].for_s, 1, 0);
    assert_float_equal(pulse->current_A, -2.5, 1e-9);
    assert_float_equal(pulse->max_s, 11, 1e-9);
    assert_float_equal(pulse->segments[1].sample_s, 0.1, 0);
    plan_free(p);
}

/* From a NiMH maker's test methods: 2000 mAh: 200 mA for 16 h put in 3.2 Ah,
 * then 400 mA for 300 min. */
static void test_nimh(void **state)
{
    (void)state;
    struct plan *p = plan_of("capacity-nimh-16h", CHEM_NIMH);
    const struct plan_step *charge = step_called(p, "standard charge");
    assert_float_equal(charge->current_A, 0.2, 1e-9);
    assert_float_equal(charge->max_s, 16 * 3600, 0);
    assert_false(charge->max_s_is_fault);
    assert_float_equal(charge->expected_Ah, 3.2, 1e-9);
    const struct plan_step *capacity = step_called(p, "capacity");
    assert_float_equal(capacity->current_A, -0.4, 1e-9);
    assert_float_equal(capacity->expected_s, 300 * 60, 1e-6);
    plan_free(p);
    p = plan_of("capacity-nimh-fast", CHEM_NIMH);
    const struct plan_step *fill = step_called(p, "fill");
    assert_float_equal(fill->until_drop_V, 0.020, 1e-9);
    assert_float_equal(fill->until_C_per_min, 1, 0);
    assert_float_equal(fill->hold_off_s, 600, 0);
    assert_float_equal(fill->charge_V, 6.4, 1e-6); /* never more than the ceiling */
    plan_free(p);
}

/* From full to empty in steps of a tenth; the eleventh finds it empty. */
static void test_levels(void **state)
{
    (void)state;
    struct plan *p = plan_of("resistance-by-level-lfp", CHEM_LFP);
    assert_true(p->expected_Ah > 99.9 && p->expected_Ah < 101);
    plan_free(p);
}

static void test_ageing(void **state)
{
    (void)state;
    struct plan *p = plan_of("ageing-li-ion", CHEM_LI_ION);
    assert_float_equal(step_called(p, "cycle")->rounds, 500, 0);
    assert_float_equal(step_called(p, "reference")->rounds, 10, 0);
    assert_float_equal(p->expected_Ah, 1275, 1e-3);
    plan_free(p);
}

/* The example of the README is one too. */
static void test_readme(void **state)
{
    (void)state;
    static char text[65536];
    FILE *f = fopen(AMPLEDGER_SOURCE_DIR "/README.md", "r");
    assert_non_null(f);
    text[fread(text, 1, sizeof text - 1, f)] = '\0';
    fclose(f);
    char *begin = strstr(text, "```yaml\nprofile: ");
    assert_non_null(begin);
    begin += strlen("```yaml\n");
    char *end = strstr(begin, "```");
    assert_non_null(end);
    struct profile *p = NULL;
    struct err e = {0};
    if (!profile_load_text("README.md", begin, (size_t)(end - begin), &p, &e))
        fail_msg("%s", e.text);
    for (int kind = 0; step_kind_names[kind] != NULL; kind++) {
        bool shown = false;
        for (size_t i = 0; i < p->step_count; i++)
            shown = shown || (int)p->steps[i].kind == kind;
        assert_true(shown);
    }
    fits(p, CHEM_LFP);
    profile_free(p);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_file),   cmocka_unit_test(test_acceptance),
        cmocka_unit_test(test_two_currents), cmocka_unit_test(test_nimh),
        cmocka_unit_test(test_levels),       cmocka_unit_test(test_ageing),
        cmocka_unit_test(test_readme),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
