/* SPDX-License-Identifier: GPL-3.0-or-later
 * The files of `runtime`: what is read, and mistakes with their place. */
#include "cli/runtime_file.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

static char folder[] = "/tmp/ampledger-runtime-XXXXXX";

static int enter(void **state)
{
    (void)state;
    return mkdtemp(folder) == NULL || chdir(folder) != 0;
}

static int leave(void **state)
{
    (void)state;
    unlink("r.yaml");
    return chdir("/") != 0 || rmdir(folder) != 0;
}

static const char evening[] = "runtime: An evening on the lake\n"                        /* 1 */
                              "logs: [launch-5A.csv, launch-20A.csv]\n"                  /* 2 */
                              "cutoff: 11.5 V\n"                                         /* 3 */
                              "reserve: 20 %\n"                                          /* 4 */
                              "temperature: 12 degC\n"                                   /* 5 */
                              "correction: change-table\n"                               /* 6 */
                              "over: 6 h\n"                                              /* 7 */
                              "inverter: {efficiency: 88 %, idle: 5 W}\n"                /* 8 */
                              "appliances:\n"                                            /* 9 */
                              "  - {name: lamp, power: 12 W}\n"                          /* 10 */
                              "  - {name: bilge pump, current: 4 A, duty: 10 %}\n"       /* 11 */
                              "  - {name: plate, power: 150 W, hours: 20 min, through: " /* 12 */
                              "inverter}\n";

static bool read_text(const char *text, struct runtime_file *out, struct err *e)
{
    FILE *f = fopen("r.yaml", "w");
    assert_non_null(f);
    fputs(text, f);
    assert_int_equal(fclose(f), 0);
    return runtime_file_read("r.yaml", out, e);
}

static struct runtime_file file; /* large */

static void an_evening_is_read(void **state)
{
    (void)state;
    struct err e = {0};
    if (!read_text(evening, &file, &e))
        fail_msg("%s", e.text);
    assert_string_equal(file.title, "An evening on the lake");
    assert_int_equal(file.log_count, 2);
    assert_non_null(strstr(file.logs[1], "launch-20A.csv"));
    assert_int_equal(file.correction.rule, CORRECTION_CHANGE_TABLE);
    assert_int_equal(file.appliance_count, 3);
    assert_true(fabs(file.terms.cutoff_V - 11.5) < 1e-12 && fabs(file.terms.reserve - 0.2) < 1e-12);
    assert_true(fabs(file.terms.load_error - 0.1) < 1e-12);
    assert_true(isnan(file.appliance[1].power_W) && fabs(file.appliance[1].duty - 0.1) < 1e-12);
    assert_true(fabs(file.appliance[2].share - 1 / 18.0) < 1e-12);
    assert_true(file.appliance[2].through_inverter &&
                fabs(file.inverter.efficiency - 0.88) < 1e-12);
}

static void mistakes_have_their_place(void **state)
{
    (void)state;
    static const struct {
        const char *from, *to, *message;
    } rows[] = {
        {"power: 12 W", "power: 12 V", "r.yaml:10:25: \"12 V\" is a voltage; a power is wanted"},
        {"power: 12 W", "current: 1 A, power: 12 W", "r.yaml:10:5: an appliance has either"},
        {"duty: 10 %", "duty: 110 %", "r.yaml:11:44: \"duty\" must be above 0 % and at most 100 %"},
        {"hours: 20 min", "hours: 7 h", "is more than the 6 h that \"over\" says"},
        {"cutoff: 11.5 V\n", "", "the key \"cutoff\" is missing here"},
        {"cutof", "kutof", "unknown key \"kutoff\"; did you mean \"cutoff\"?"},
        {"change-table", "rate-adjusted", "r.yaml:6:13: rate-adjusted judges a test"},
        {"temperature: 12 degC\n", "", "a correction needs the temperature in use as well"},
        {"inverter: {efficiency: 88 %, idle: 5 W}\n", "", "there is no inverter in this file"},
        {"logs: [", "battery: a\nlogs: [", "only one of battery, run and logs"},
        {"power: 150 W", "current: 9 A", "behind an inverter the current at the battery"},
        {"efficiency: 88 %", "efficiency: 0 %", "\"efficiency\" must be above 0 %"},
        {"reserve: 20 %", "reserve: 100 %", "\"reserve\" must be from 0 % to 95 %"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[2048];
        struct err e = {0};
        const char *at = strstr(evening, rows[i].from);
        assert_non_null(at);
        snprintf(text, sizeof text, "%.*s%s%s", (int)(at - evening), evening, rows[i].to,
                 at + strlen(rows[i].from));
        assert_false(read_text(text, &file, &e));
        if (strstr(e.text, rows[i].message) == NULL)
            fail_msg("row %zu: %s", i, e.text);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_evening_is_read),
        cmocka_unit_test(mistakes_have_their_place),
    };
    return cmocka_run_group_tests(tests, enter, leave);
}
