/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of scpi/scpi_syntax. Examples of NR1, NR2, NR3 and the special numbers
 * are those that makers' programming guides print for IEEE 488.2 (8.7.2 to
 * 8.7.4) and SCPI-1999 (7.2.1.4, 7.2.1.5). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "scpi/scpi_syntax.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void good_numbers(void **state)
{
    (void)state;
    const struct {
        const char *text;
        double value;
        const char *unit;
    } rows[] = {
        {"146", 146, ""},        {"+146", 146, ""},         {"-12345", -12345, ""},
        {"12.3", 12.3, ""},      {"-0.123", -0.123, ""},    {"2.73E+2", 273, ""},
        {"2.73e2", 273, ""},     {" 3.7120\r", 3.7120, ""}, {".5", .5, ""},
        {"5.", 5, ""},           {"3.712V", 3.712, "V"},    {"3.712 V", 3.712, "V"},
        {"1.2mA", 0.0012, "A"},  {"1.2 kW", 1200, "W"},     {"21.5 CEL", 21.5, "CEL"},
        {"+9.9E36", 9.9e36, ""}, {"1E-400", 0, ""},         {"0", 0, ""},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct scpi_number n;
        struct err e = {0};
        if (!scpi_number_parse(rows[i].text, strlen(rows[i].text), &n, &e)) {
            fail_msg("%s: %s", rows[i].text, e.text);
        }
        assert_int_equal(n.kind, SCPI_NUMBER);
        assert_true(fabs(n.value - rows[i].value) <= 1e-15 * fabs(rows[i].value));
        assert_string_equal(n.unit, rows[i].unit);
    }
}

static void special_numbers(void **state)
{
    (void)state;
    const struct {
        const char *text;
        enum scpi_number_kind kind;
    } rows[] = {
        {"9.91E37", SCPI_NOT_A_NUMBER},
        {"9.91000E+37", SCPI_NOT_A_NUMBER},
        {"-9.91E37", SCPI_NOT_A_NUMBER},
        {"9.91e+37", SCPI_NOT_A_NUMBER},
        {"NAN", SCPI_NOT_A_NUMBER},
        {"9.9E37", SCPI_OUT_OF_RANGE},
        {"-9.9E+37", SCPI_OUT_OF_RANGE},
        {"9.90000000E+37", SCPI_OUT_OF_RANGE},
        {"INF", SCPI_OUT_OF_RANGE},
        {"NINF", SCPI_OUT_OF_RANGE},
        {"99100000000000000000000000000000000000", SCPI_NOT_A_NUMBER},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct scpi_number n;
        struct err e = {0};
        assert_true(scpi_number_parse(rows[i].text, strlen(rows[i].text), &n, &e));
        assert_int_equal(n.kind, rows[i].kind);
        assert_true(isnan(n.value));
    }
}

static void bad_numbers(void **state)
{
    (void)state;
    const char *const rows[] = {
        "",      " ",       "-",     "+.",    "1.2.3", "1,5",         "12 3",       "0x12",
        "1e999", "V",       "3.7 X", "3.7V4", "MEAS",  "--1",         "1e",         "1 e5",
        "3.7;",  "\"3.7\"", "1E+",   "MINF",  "ON",    "21 \xC2\xB0", "\xFF\x80 1",
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct scpi_number n;
        struct err e = {0};
        if (scpi_number_parse(rows[i], strlen(rows[i]), &n, &e)) {
            fail_msg("\"%s\" was taken as %g", rows[i], n.value);
        }
        assert_int_equal(e.code, ERR_BAD_REPLY);
        for (const char *c = e.text; *c != '\0'; c++) {
            assert_in_range(*c, 0x20, 0x7e); /* a person reads it, JSON carries it */
        }
    }
    struct scpi_number n;
    struct err e = {0};
    assert_false(scpi_number_parse("3\0"
                                   "7",
                                   3, &n, &e)); /* a NUL inside */
}

static void numbers_read_back_as_printed(void **state)
{
    (void)state;
    srandom(4882);
    for (int i = 0; i < 20000; i++) {
        char text[64];
        struct scpi_number n;
        struct err e = {0};
        double v = ((double)random() - 1e9) * pow(10, (double)(random() % 24) - 15);
        snprintf(text, sizeof text, i % 2 ? "%.17E" : "%+.17g", v);
        assert_true(scpi_number_parse(text, strlen(text), &n, &e));
        assert_true(n.value == v);
    }
}

static void random_bytes_do_no_harm(void **state)
{
    (void)state;
    srandom(1999);
    for (int i = 0; i < 100000; i++) {
        char bytes[24];
        size_t n = (size_t)random() % sizeof bytes;
        struct scpi_number number;
        struct scpi_error error;
        struct scpi_piece pieces[4];
        size_t count = 0;
        bool on = false;
        for (size_t k = 0; k < n; k++) {
            bytes[k] = i % 2 ? (char)random() : "0123456789+-.eE;,\" VmA"[random() % 22];
        }
        if (scpi_number_parse(bytes, n, &number, NULL) && number.kind == SCPI_NUMBER) {
            assert_true(isfinite(number.value));
        }
        if (scpi_split(bytes, n, pieces, 4, &count, NULL)) {
            assert_in_range(count, 1, 4);
        }
        (void)!scpi_error_parse(bytes, n, &error, NULL);
        (void)!scpi_boolean_parse(bytes, n, &on, NULL);
    }
}

static void booleans(void **state)
{
    (void)state;
    bool on = false;
    struct err e;
    assert_true(scpi_boolean_parse("1", 1, &on, &e) && on);
    assert_true(scpi_boolean_parse("0", 1, &on, &e) && !on);
    assert_true(scpi_boolean_parse("on", 2, &on, &e) && on);
    assert_true(scpi_boolean_parse("OFF\r", 4, &on, &e) && !on);
    assert_false(scpi_boolean_parse("2", 1, &on, &e));
    assert_false(scpi_boolean_parse("0.5", 3, &on, &e));
    assert_false(scpi_boolean_parse("", 0, &on, &e));
    assert_false(scpi_boolean_parse("9.91E37", 7, &on, &e));
}

static void compound_answers(void **state)
{
    (void)state;
    const char *text = "3.712; -10.01 ,\"a;b\",'c,d'";
    struct scpi_piece p[4];
    size_t count = 0;
    struct err e = {0};
    assert_true(scpi_split(text, strlen(text), p, 4, &count, &e));
    assert_int_equal(count, 4);
    assert_memory_equal(p[1].at, "-10.01", 6);
    assert_int_equal(p[1].n, 6);
    assert_memory_equal(p[2].at, "\"a;b\"", 5);
    assert_false(scpi_split(text, strlen(text), p, 3, &count, &e));
    assert_false(scpi_split("1;\"open", 7, p, 4, &count, &e));
    assert_true(scpi_split("", 0, p, 4, &count, &e));
    assert_int_equal(count, 1);
    assert_int_equal(p[0].n, 0);
}

static void error_queue_entries(void **state)
{
    (void)state;
    const struct {
        const char *text;
        int code;
        const char *words;
    } rows[] = {
        {"0,\"No error\"", 0, "No error"},
        {"+0,\"No error\"", 0, "No error"},
        {"-113,\"Undefined header\"", -113, "Undefined header"},
        {"-222", -222, "Data out of range"},
        {"101,\"fan \"\"two\"\" stands still\"", 101, "fan \"two\" stands still"},
        {"-350, 'Queue overflow' ", -350, "Queue overflow"},
        {"0,No error", 0, "No error"},
        {"5,\"\"", 5, ""},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct scpi_error s;
        struct err e = {0};
        if (!scpi_error_parse(rows[i].text, strlen(rows[i].text), &s, &e)) {
            fail_msg("%s: %s", rows[i].text, e.text);
        }
        assert_int_equal(s.code, rows[i].code);
        assert_string_equal(s.text, rows[i].words);
    }
    const char *const bad[] = {"",
                               "No error",
                               "3.7",
                               "-1e3,\"x\"",
                               ",\"x\"",
                               "12345678901,\"x\"",
                               "0,\"No err", /* cut off */
                               "0,\"No error\"-222",
                               "0,\"No error\"\"",
                               "0,No \"error\""};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct scpi_error s;
        struct err e = {0};
        if (scpi_error_parse(bad[i], strlen(bad[i]), &s, &e)) {
            fail_msg("\"%s\" was taken", bad[i]);
        }
    }
    assert_string_equal(scpi_error_text(-321), "Out of memory");
    assert_string_equal(scpi_error_text(-410), "Query INTERRUPTED");
    assert_string_equal(scpi_error_text(-999), "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_numbers),
        cmocka_unit_test(special_numbers),
        cmocka_unit_test(bad_numbers),
        cmocka_unit_test(numbers_read_back_as_printed),
        cmocka_unit_test(random_bytes_do_no_harm),
        cmocka_unit_test(booleans),
        cmocka_unit_test(compound_answers),
        cmocka_unit_test(error_queue_entries),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
