/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of what is taken for a battery: those there are pass, slips of the pen do
 * not, and each says what to write. */
#include "profile/chemistry.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static struct battery launch(void)
{
    struct battery b = battery_blank();
    strcpy(b.label, "launch-a");
    b.chemistry = CHEM_LFP;
    b.cells = 4;
    b.rated_Ah = 125;
    b.rated_hours = 12.5;
    b.rated_cutoff_V = 10;
    b.current_max_A = 100;
    b.temperature_max_C = 55;
    return b;
}

static void batteries_there_are_pass(void **state)
{
    (void)state;
    struct err e = {0};
    struct battery b = launch();
    assert_true(battery_check(&b, &e));
    b = battery_blank(); /* a label that states nothing */
    assert_true(battery_check(&b, &e));
    b = launch();
    b.chemistry = CHEM_LEAD_AGM;
    b.cells = 6;
    b.rated_hours = 0.25; /* a standby battery at its fifteen-minute rate */
    b.rated_cutoff_V = 9.6;
    assert_true(battery_check(&b, &e));
    b = launch();
    b.chemistry = CHEM_LI_ION;
    b.cells = 1;
    b.rated_Ah = 0.04; /* a hearing aid's */
    b.rated_cutoff_V = 3;
    b.current_max_A = 0.08;
    assert_true(battery_check(&b, &e));
    b = launch();
    b.chemistry = CHEM_NICD;
    b.cells = 184; /* 220 V of a standby plant */
    b.rated_Ah = 1200;
    b.rated_cutoff_V = 184;
    b.current_max_A = 3600;
    assert_true(battery_check(&b, &e));
}

static void slips_of_the_pen_are_refused(void **state)
{
    (void)state;
    const double none = NAN;
    const struct {
        int cells;
        double rated_Ah, hours, cutoff_V, current_A, max_C;
        const char *message;
    } rows[] = {
        {0, none, none, none, none, none,
         "battery \"launch-a\": 0 cells in series are not possible here, 1 to 400 are: a battery "
         "of "
         "nominally 12.8 V lfp has 4, one of 12 V lead has 6"},
        {1000, none, none, none, none, none, "1000 cells in series are not possible"},
        {-4, none, none, none, none, none, "-4 cells"},
        {4, 0, none, none, none, none,
         "battery \"launch-a\": a rated capacity of 0 Ah is not one of a battery: write what its "
         "label says, e.g. 125 Ah or 2500 mAh, or nothing"},
        {4, -125, none, none, none, none, "a rated capacity of -125 Ah"},
        {4, 1e9, none, none, none, none, "a rated capacity of 1e+09 Ah"},
        {4, INFINITY, none, none, none, none, "a rated capacity of inf Ah"},
        {4, 125, 0, none, none, none, "a rating for a discharge of 0 h"},
        {4, 125, 1e6, none, none, none, "a rating for a discharge of 1e+06 h"},
        {4, 125, 20, 1, none, none,
         "a rated cut-off of 1 V does not fit 4 lfp cells, 4.8 V to 12.8 V would: check it and the "
         "number of cells"},
        {4, 125, 20, 48, none, none, "a rated cut-off of 48 V does not fit 4 lfp cells"},
        {1, 125, 20, 10, none, none, "does not fit 1 lfp cell,"},
        {4, 125, 20, 10, 0, none, "a largest current of 0 A"},
        {4, 125, 20, 10, 1e6, none,
         "a largest current of 1e+06 A is none that a battery has, 6.25e+04 A would be the most: "
         "write what its sheet says, or nothing"},
        {4, 125, 20, 10, 50, -20, "a highest temperature of -20 degC"},
        {4, 125, 20, 10, 50, 328,
         "a highest temperature of 328 degC is not one of a battery: write what its sheet says, "
         "from 20 degC to 100 degC, or nothing"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct battery b = launch();
        struct err e = {0};
        b.cells = rows[i].cells;
        b.rated_Ah = rows[i].rated_Ah;
        b.rated_hours = rows[i].hours;
        b.rated_cutoff_V = rows[i].cutoff_V;
        b.current_max_A = rows[i].current_A;
        b.temperature_max_C = rows[i].max_C;
        assert_false(battery_check(&b, &e));
        assert_int_equal(e.code, ERR_CONFIG);
        if (strstr(e.text, rows[i].message) == NULL) {
            fail_msg("row %zu says \"%s\"", i, e.text);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(batteries_there_are_pass),
        cmocka_unit_test(slips_of_the_pen_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
