/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of what a voltage at rest tells of the battery that was connected. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "plan_scene.h"
#include "profile/plausible.h"

static const char discharge[] = "profile: capacity\n"
                                "starts_full: true\n"
                                "steps:\n"
                                "  - discharge:\n"
                                "      name: capacity\n"
                                "      current: 0.2 C\n"
                                "      until: {voltage: 75 %}\n";

/* Only what the judgement looks at. */
static struct plan *plan_of(enum chemistry chemistry, int cells, bool starts_full)
{
    struct plan *p = zalloc(sizeof *p);
    p->battery = battery_blank();
    p->battery.chemistry = chemistry;
    p->battery.cells = cells;
    strcpy(p->battery.label, "lamp-8");
    strcpy(p->stand, "lamp-desk");
    p->starts_full = starts_full;
    p->step_count = 1;
    p->steps = zalloc(sizeof *p->steps);
    p->steps[0] = plan_step_blank(STEP_DISCHARGE);
    p->steps[0].current_A = -1;
    return p;
}

struct row {
    enum chemistry chemistry;
    int cells;
    bool starts_full;
    double lowest_V, highest_V;
    enum plausible wanted;
    const char *text;
};

static const struct row rows[] = {
    {CHEM_LFP, 4, true, 13.31, 13.32, PLAUSIBLE, ""},
    {CHEM_LFP, 4, false, 12.0, 12.0, PLAUSIBLE, ""},
    {CHEM_LEAD_AGM, 6, true, 12.81, 12.81, PLAUSIBLE, ""},
    {CHEM_NIMH, 10, true, 13.4, 13.4, PLAUSIBLE, ""},

    /* polarity, nothing there, loose */
    {CHEM_LFP, 4, true, -13.3, -13.3, PLAUSIBLE_NOT,
     "stand \"lamp-desk\" reads -13.30 V: the battery is connected the wrong way round; disconnect "
     "it at once and correct the polarity"},
    {CHEM_LFP, 4, true, -0.09, -0.09, PLAUSIBLE_NOT,
     "stand \"lamp-desk\" reads -0.09 V: no battery is connected, a lead or fuse is open, or the "
     "battery's own protection is; check them"},
    {CHEM_LFP, 4, true, 0.79, 0.79, PLAUSIBLE_NOT,
     "stand \"lamp-desk\" reads 0.79 V: no battery is connected, a lead or fuse is open, or the "
     "battery's own protection is; check them"},
    {CHEM_LFP, 4, true, 13.1, 13.3, PLAUSIBLE_NOT,
     "stand \"lamp-desk\" reads 13.10 to 13.30 V within a second: a clamp is loose, or something "
     "else charges or loads the battery; see to it"},
    {CHEM_LFP, 1, true, 3.300, 3.329, PLAUSIBLE, ""}, /* a coarse meter's digits */

    /* cells */
    {CHEM_LFP, 4, true, 25.9, 25.9, PLAUSIBLE_NOT,
     "the battery reads 25.90 V at rest: that is 8 cells of lfp (3.24 V each), the label of "
     "\"lamp-8\" says 4; connect the right one, or correct its record"},
    {CHEM_LFP, 16, true, 13.3, 13.3, PLAUSIBLE_NOT,
     "the battery reads 13.30 V at rest, below the floor of 16 lfp cells (32.00 V): it is deeply "
     "discharged, or it is another one: that is 4 cells of lfp (3.33 V each); check battery "
     "\"lamp-8\""},
    {CHEM_LEAD_FLOODED, 6, false, 25.4, 25.4, PLAUSIBLE_NOT,
     "the battery reads 25.40 V at rest: that is 12 cells of lead-flooded (2.12 V each), the label "
     "of \"lamp-8\" says 6; connect the right one, or correct its record"},
    {CHEM_LI_ION, 7, false, 4.1, 4.1, PLAUSIBLE_NOT,
     "the battery reads 4.10 V at rest, below the floor of 7 li-ion cells (17.50 V): it is deeply "
     "discharged, or it is another one: that is 1 cell of li-ion (4.10 V each); check battery "
     "\"lamp-8\""},
    {CHEM_LI_ION, 1, false, 5.3, 5.3, PLAUSIBLE_NOT,
     "the battery reads 5.30 V at rest: no number of cells of li-ion reads so, the label of "
     "\"lamp-8\" says 1; connect the right one, or correct its record"},

    /* charge */
    {CHEM_LFP, 4, true, 12.7, 12.7, PLAUSIBLE_DOUBT,
     "the battery reads 12.70 V at rest, below its nominal 12.80 V: it hardly is full"},
    {CHEM_LFP, 4, true, 10.05, 10.05, PLAUSIBLE_DOUBT,
     "the battery reads 10.05 V at rest, below its nominal 12.80 V: it hardly is full, or it has 3 "
     "cells and not 4"},
    {CHEM_LFP, 4, false, 9.9, 9.9, PLAUSIBLE_DOUBT,
     "the battery reads 9.90 V at rest, below the usual end of discharge of 4 lfp cells (10.00 V): "
     "it is deeply discharged, or it has 3 cells and not 4"},
};

static void each_voltage_gets_its_sentence(void **state)
{
    (void)state;
    int wrong = 0;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const struct row *r = &rows[i];
        struct plan *p = plan_of(r->chemistry, r->cells, r->starts_full);
        struct plausible_seen seen = plausible_once(r->lowest_V);
        seen.highest_V = r->highest_V;
        char text[PLAUSIBLE_TEXT_SIZE];
        enum plausible got = plausible_judge(p, &seen, text);
        if (got != r->wanted || strcmp(text, r->text) != 0) {
            print_error("row %zu: %d, wanted %d\n--- wanted\n%s\n--- got\n%s\n", i, got, r->wanted,
                        r->text, text);
            wrong++;
        }
        plan_free(p);
    }
    assert_int_equal(wrong, 0);
}

/* One may be put in that is below the floor, when the plan begins by bringing it up. */
static void a_precharge_lowers_the_floor(void **state)
{
    (void)state;
    char text[PLAUSIBLE_TEXT_SIZE];
    struct plan *p = plan_of(CHEM_LEAD_AGM, 6, false);
    const struct plausible_seen low = plausible_once(9.3);
    assert_int_equal(plausible_judge(p, &low, text), PLAUSIBLE_NOT);
    p->steps[0] = plan_step_blank(STEP_CHARGE);
    p->steps[0].current_A = 1;
    p->steps[0].skip_above_V = 10.5;
    assert_int_equal(plausible_judge(p, &low, text), PLAUSIBLE);
    const struct plausible_seen lower = plausible_once(8.9);
    assert_int_equal(plausible_judge(p, &lower, text), PLAUSIBLE_NOT);
    plan_free(p);
}

static void leads_that_were_never_open_raise_a_doubt(void **state)
{
    (void)state;
    char text[PLAUSIBLE_TEXT_SIZE];
    struct plan *p = plan_of(CHEM_LFP, 4, false);
    struct plausible_seen seen = {13.3, 13.3, 12.1, 13.3, "lamp-7"};
    assert_int_equal(plausible_judge(p, &seen, text), PLAUSIBLE_DOUBT);
    assert_string_equal(text, "stand \"lamp-desk\" has read 12.10 to 13.30 V without a break since "
                              "the run of lamp-7 ended, so it looks as if lamp-7 were still "
                              "connected and lamp-8 were not");
    seen.since_lowest_V = 0.02; /* they were open */
    assert_int_equal(plausible_judge(p, &seen, text), PLAUSIBLE);
    seen.since_lowest_V = NAN; /* nobody looked all the time */
    assert_int_equal(plausible_judge(p, &seen, text), PLAUSIBLE);
    seen.since_lowest_V = 12.1;
    seen.former = "lamp-8"; /* the same once more */
    assert_int_equal(plausible_judge(p, &seen, text), PLAUSIBLE);
    seen.former = NULL;
    assert_int_equal(plausible_judge(p, &seen, text), PLAUSIBLE);
    plan_free(p);
}

static void a_record_tells_another_battery(void **state)
{
    (void)state;
    char text[PLAUSIBLE_TEXT_SIZE];
    struct battery b = battery_blank();
    b.chemistry = CHEM_LFP;
    b.cells = 4;
    strcpy(b.label, "lamp-8");
    assert_true(plausible_record(&b, 13.2, 13.3, text));
    assert_string_equal(text, "");
    assert_true(plausible_record(&b, 3.0, 14.4, text));   /* charged from nothing */
    assert_false(plausible_record(&b, 29.2, 29.3, text)); /* 7 cells of li-ion */
    assert_non_null(strstr(text, "the record begins at 29.20 V"));
    assert_non_null(strstr(text, "is it a record of \"lamp-8\"?"));
    assert_false(plausible_record(&b, 3.3, 3.4, text)); /* one cell of it */
    assert_non_null(strstr(text, "never reads more than 3.40 V: that is 1 cell of lfp"));
    assert_true(plausible_record(&b, NAN, NAN, text)); /* none was read: nothing tells */
}

/* Whatever is read, a number of cells that is named lies within what such cells can read. */
static void cells_that_are_named_fit(void **state)
{
    (void)state;
    static const int labels[] = {1, 4, 6, 16};
    for (int chemistry = 0; chemistry < CHEM_COUNT; chemistry++) {
        for (int mV = 10; mV < 60000; mV += 37) {
            for (size_t i = 0; i < sizeof labels / sizeof labels[0]; i++) {
                double v = mV / 1000.0;
                int n = plausible_cells((enum chemistry)chemistry, v, labels[i]);
                assert_true(n >= 0);
                assert_true(n == 0 || (v / n > 0.99 && v / n < 4.21));
            }
        }
    }
    assert_int_equal(plausible_cells(CHEM_LFP, 0.4, 4), 0);
    assert_int_equal(plausible_cells(CHEM_LFP, 26.6, 4), 8);
    assert_int_equal(plausible_cells(CHEM_LFP, 26.6, 7), 8);
    assert_int_equal(plausible_cells(CHEM_LFP, 53.2, 4), 16);
}

/* A plain start goes by the same judgement: what must not be is a problem, a doubt a warning. */
static void the_plan_says_the_same(void **state)
{
    (void)state;
    static const struct {
        double voltage_V;
        size_t problems;
        const char *warning;
    } rows_of_plan[] = {
        {13.3, 0, NULL},
        {26.6, 1, NULL},
        {10.05, 0, "it hardly is full, or it has 3 cells and not 4"},
    };
    for (size_t i = 0; i < sizeof rows_of_plan / sizeof rows_of_plan[0]; i++) {
        struct scene s = {.battery = battery_blank()};
        strcpy(s.text, discharge);
        scene_change(&s, "75 %", "2.5 V/cell");
        s.battery.cells = 4;
        s.battery.rated_Ah = 10;
        strcpy(s.battery.label, "lamp-8");
        strcpy(s.stand.name, "lamp-desk");
        s.stand.load = (struct instrument_facts){true, 30, 60, 200, 0.5, true, false, false};
        s.stand.present_voltage_V = rows_of_plan[i].voltage_V;
        s.stand.present_temperature_C = 22;
        s.stand.free_bytes = NAN;
        struct plan *p = scene_plan(&s);
        bool said = rows_of_plan[i].warning == NULL;
        for (size_t k = 0; k < p->warnings.count; k++) {
            said = said || strstr(p->warnings.text[k], rows_of_plan[i].warning) != NULL;
        }
        assert_true(said);
        assert_int_equal(p->problems.count, rows_of_plan[i].problems);
        plan_free(p);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_voltage_gets_its_sentence),
        cmocka_unit_test(a_precharge_lowers_the_floor),
        cmocka_unit_test(leads_that_were_never_open_raise_a_doubt),
        cmocka_unit_test(a_record_tells_another_battery),
        cmocka_unit_test(cells_that_are_named_fit),
        cmocka_unit_test(the_plan_says_the_same),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
