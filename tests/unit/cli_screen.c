/* SPDX-License-Identifier: GPL-3.0-or-later
 * What `watch` draws on a terminal: the curve in characters, and the picture of several runs
 * in windows of any size. */
#include "cli/screen.h"

#include "base/file.h"
#include "cli/table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void rows_of(const struct curve *c, const struct curve_size *size, char out[][256])
{
    for (size_t i = 0; i < size->rows; i++) {
        assert_true(CURVE_ROW_SIZE(size->width) <= 256);
        curve_row(c, size, i, out[i]);
    }
}

static void a_line_falls_from_corner_to_corner(void **state)
{
    (void)state;
    static struct curve c;
    const struct curve_size plain = {8, 4, true}, dots = {2, 1, false};
    char row[4][256];
    curve_start(&c);
    for (int i = 0; i < 8; i++)
        curve_add(&c, i, 8 - i);
    rows_of(&c, &plain, row);
    assert_string_equal(row[0], "***     ");
    assert_string_equal(row[1], "  ***   ");
    assert_string_equal(row[2], "    *** ");
    assert_string_equal(row[3], "      **");
    /* Four columns of four dots: U+2809 is dots 1 and 4, ... */
    rows_of(&c, &dots, row);
    assert_int_equal(strlen(row[0]), 6);
    assert_int_equal((unsigned char)row[0][0], 0xE2);
}

static void a_flat_curve_and_none(void **state)
{
    (void)state;
    static struct curve c;
    const struct curve_size size = {5, 3, true};
    double low = 0, high = 0;
    char row[3][256];
    curve_start(&c);
    assert_false(curve_range(&c, &low, &high));
    rows_of(&c, &size, row);
    assert_string_equal(row[0], "");
    curve_add(&c, NAN, 3);
    curve_add(&c, 3, NAN);
    assert_false(curve_range(&c, &low, &high));
    curve_add(&c, 5, 3);
    assert_true(curve_range(&c, &low, &high));
    rows_of(&c, &size, row);
    assert_string_equal(row[0], "     ");
    assert_string_equal(row[1], "*****");
    assert_string_equal(row[2], "     ");
}

/* However long it becomes, a spike stays, and what lies far apart is a line. */
static void nothing_is_lost_in_a_long_record(void **state)
{
    (void)state;
    static struct curve c;
    double low = 0, high = 0;
    curve_start(&c);
    for (int i = 0; i < 100000; i++)
        curve_add(&c, i, i == 40000 ? 99 : i == 70000 ? -99 : 12.5);
    assert_true(c.n <= CURVE_BUCKETS && c.n > CURVE_BUCKETS / 4);
    assert_true(curve_range(&c, &low, &high));
    assert_float_equal(low, -99, 0);
    assert_float_equal(high, 99, 0);
    curve_start(&c);
    curve_add(&c, 0, 0);
    curve_add(&c, 100, 100);
    for (size_t i = 0; i < c.n; i++) {
        assert_float_equal(c.bucket[i].low, (double)i, 1e-9);
        assert_float_equal(c.bucket[i].high, (double)i, 1e-9);
    }
}

static json_t *stand(const char *name)
{
    json_t *o = json_loads(
        "{\"name\": \"\", \"phase\": \"running\", \"problem\": null, \"output_unconfirmed\": false,"
        " \"trip\": null, \"reading\": {\"voltage_V\": 12.84, \"current_A\": -10.0,"
        " \"temperature_C\": 23.1}, \"run\": {\"id\": \"a\", \"step\": 1, \"step_count\": 3,"
        " \"step_name\": \"capacity\", \"elapsed_s\": 3600, \"left_s\": 7200,"
        " \"discharged_Ah\": 10.0, \"charged_Ah\": 0, \"expected_Ah\": 30.0}}",
        0, NULL);
    assert_non_null(o);
    json_object_set_new(o, "name", json_string(name));
    return o;
}

/* Never wider than the window and never more rows; every stand is there, or counted. */
static void every_window_is_kept_to(void **state)
{
    (void)state;
    static struct curve c;
    enum { N = 7 };
    struct screen_stand stands[N];
    json_t *documents[N];
    curve_start(&c);
    for (int i = 0; i < 500; i++)
        curve_add(&c, i, 13 - i / 500.0);
    for (size_t i = 0; i < N; i++) {
        char name[16];
        snprintf(name, sizeof name, "stand-%zu", i);
        documents[i] = stand(name);
        stands[i] = (struct screen_stand){documents[i], &c, NULL};
    }
    stands[2].became = "ended: completed, pass";
    for (size_t width = 1; width < 260; width += width < 30 ? 1 : 23) {
        for (size_t rows = 1; rows < 90; rows += rows < 30 ? 1 : 13) {
            for (size_t n = 1; n <= N; n += 3) {
                const struct screen_size size = {width, rows, rows % 2 == 0};
                char *text = screen_text(&size, stands, n);
                size_t lines = 0;
                for (char *line = text; line != NULL; lines++) {
                    char *end = strchr(line, '\n');
                    if (end != NULL)
                        *end++ = '\0';
                    assert_true(text_width(line) <= width);
                    line = end;
                }
                assert_true(lines <= rows);
                free(text);
            }
        }
    }
    const struct screen_size wide = {100, 60, true}, low = {100, 5, true};
    char *text = screen_text(&wide, stands, N);
    for (size_t i = 0; i < N; i++)
        assert_non_null(strstr(text, json_string_value(json_object_get(documents[i], "name"))));
    assert_non_null(strstr(text, "ended: completed, pass"));
    assert_non_null(strstr(text, "[#######-------------]"));
    assert_non_null(strstr(text, " 13.00 V *"));
    free(text);
    text = screen_text(&low, stands, N);
    assert_non_null(strstr(text, "stand-2"));
    assert_null(strstr(text, "stand-3"));
    assert_non_null(strstr(text, "and 4 more"));
    free(text);
    for (size_t i = 0; i < N; i++)
        json_decref(documents[i]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_line_falls_from_corner_to_corner),
        cmocka_unit_test(a_flat_curve_and_none),
        cmocka_unit_test(nothing_is_lost_in_a_long_record),
        cmocka_unit_test(every_window_is_kept_to),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
