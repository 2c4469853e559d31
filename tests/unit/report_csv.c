/* SPDX-License-Identifier: GPL-3.0-or-later
 * CSV files of samples: what is read, what is refused and in which words, and
 * that written numbers read back as they were. */
#include "report/csv.h"

#include "base/clock.h"

#include <float.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

static char folder[] = "/tmp/ampledger-csv-XXXXXX";

static int enter_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) == NULL || chdir(folder) != 0;
}

static int leave_folder(void **state)
{
    (void)state;
    unlink("log.csv");
    return chdir("/") != 0 || rmdir(folder) != 0;
}

static void put_bytes(const char *text, size_t n)
{
    FILE *f = fopen("log.csv", "wb");
    assert_non_null(f);
    assert_int_equal(fwrite(text, 1, n, f), n);
    assert_int_equal(fclose(f), 0);
}

static void put(const char *text)
{
    put_bytes(text, strlen(text));
}

/* Read the whole file; false with the first error. */
static bool read_all(struct sample *rows, size_t max, size_t *n, struct err *e)
{
    struct csv_reader *r;
    bool more = true;
    bool ok = csv_open("log.csv", &r, e);
    *n = 0;
    while (ok && more) {
        struct sample s;
        ok = csv_read(r, &s, &more, e);
        if (ok && more) {
            assert_true(*n < max);
            rows[(*n)++] = s;
        }
    }
    csv_close(r);
    return ok;
}

static void expect_rows(const char *text, const struct sample *expected, size_t n)
{
    struct sample rows[16];
    size_t got;
    struct err e = {0};
    put(text);
    if (!read_all(rows, 16, &got, &e))
        fail_msg("%s", e.text);
    assert_int_equal(got, n);
    for (size_t i = 0; i < n; i++) {
        assert_true(memcmp(&rows[i], &expected[i], offsetof(struct sample, temperature_C)) == 0);
        if (isnan(expected[i].temperature_C))
            assert_true(isnan(rows[i].temperature_C));
        else
            assert_memory_equal(&rows[i].temperature_C, &expected[i].temperature_C, sizeof(double));
    }
}

static void expect_refusal_bytes(const char *text, size_t length, const char *message)
{
    struct sample rows[16];
    size_t n;
    struct err e = {0};
    put_bytes(text, length);
    assert_false(read_all(rows, 16, &n, &e));
    assert_string_equal(e.text, message);
    assert_int_equal(e.code, ERR_CONFIG);
}

static void expect_refusal(const char *text, const char *message)
{
    expect_refusal_bytes(text, strlen(text), message);
}

static const struct sample two[] = {{0, 3.75, -2, 21.5}, {10, 3.5, -2.5, 22}};

static void plain_files_are_read(void **state)
{
    (void)state;
    expect_rows("t_s,voltage_V,current_A,temperature_C\r\n0,3.75,-2,21.5\r\n10,3.5,-2.5,22\r\n",
                two, 2);
    expect_rows("t_s,voltage_V,current_A,temperature_C\n0,3.75,-2,21.5\n10,3.5,-2.5,22", two, 2);
    expect_rows("\xef\xbb\xbft_s,voltage_V,current_A,temperature_C\n0,3.75,-2,21.5\n"
                "1e1,3.5,-2.5,22\n",
                two, 2);
}

static void columns_are_found_by_name(void **state)
{
    (void)state;
    expect_rows("step,current_A,temperature_C,note,t_s,voltage_V\n"
                "1,-2,21.5,\"first, \"\"cold\"\"\r\nstart\",0,3.75\n"
                "1,-2.5,22,,10,3.5\n",
                two, 2);
    const struct sample cold[] = {{0, 3.75, -2, NAN}, {10, 3.5, -2.5, NAN}};
    expect_rows("t_s,voltage_V,current_A\n0,3.75,-2\n10,3.5,-2.5\n", cold, 2);
    expect_rows("t_s,voltage_V,current_A,temperature_C\n0,3.75,-2,\n10,3.5,-2.5,\n", cold, 2);
}

static void columns_may_have_other_names_and_units(void **state)
{
    (void)state;
    struct csv_columns c = csv_columns_usual();
    struct csv_reader *r = NULL;
    struct sample s = {0};
    struct err e = {0};
    bool more = false;
    assert_true(csv_columns_name(&c, CSV_TIME, "Elapsed:min", &e));
    assert_true(csv_columns_name(&c, CSV_VOLTAGE, "U:mV", &e));
    assert_true(csv_columns_name(&c, CSV_CURRENT, "ch:1", &e)); /* "1" is no unit */
    put("U,Elapsed,ch:1,temperature_C\n3700,1.5,-2,21\n3600,2,oops,21\n");
    assert_true(csv_open_stream(fopen("log.csv", "rb"), "sent.csv", &c, &r, &e));
    assert_true(csv_read(r, &s, &more, &e) && more);
    assert_float_equal(s.t_s, 90, 1e-9);
    assert_float_equal(s.voltage_V, 3.7, 1e-12);
    assert_float_equal(s.current_A, -2, 1e-12);
    assert_float_equal(s.temperature_C, 21, 1e-12);
    assert_false(csv_read(r, &s, &more, &e));
    assert_non_null(strstr(e.text, "sent.csv:3: ch:1 is \"oops\""));
    csv_close(r);
    put("t_s,voltage_V,current_A\n0,1,2\n");
    assert_false(csv_open_stream(fopen("log.csv", "rb"), "sent.csv", &c, &r, &e));
    assert_non_null(strstr(e.text, "needed are Elapsed, U, ch:1"));
    assert_false(csv_columns_name(&c, CSV_TIME, "", &e));
    assert_false(csv_columns_name(&c, CSV_TIME, ":min", &e));
}

static void times_may_be_dates(void **state)
{
    (void)state;
    static const char *const rows[] = {"2024-05-01T18:00:00.5Z", "2024-05-01 18:00:02",
                                       "2024-05-01T18:01:00.500Z"};
    const double seconds[] = {0, 1.5, 60};
    struct csv_columns c = csv_columns_usual();
    struct csv_reader *r = NULL;
    struct err e = {0};
    struct sample s = {0};
    bool more = false;
    char text[300];
    assert_true(csv_columns_name(&c, CSV_TIME, "Clock:utc", &e));
    snprintf(text, sizeof text, "Clock,voltage_V,current_A\n%s,1,2\n%s,1,2\n%s,1,2\n", rows[0],
             rows[1], rows[2]);
    put(text);
    assert_true(csv_open_stream(fopen("log.csv", "rb"), "log.csv", &c, &r, &e));
    for (int again = 0; again < 2; again++) {
        for (size_t i = 0; i < 3; i++) {
            assert_true(csv_read(r, &s, &more, &e) && more);
            assert_float_equal(s.t_s, seconds[i], 1e-9);
        }
        assert_true(csv_rewind(r, &e));
    }
    assert_int_equal(csv_first_utc_ns(r), 1714586400 * INT64_C(1000000000) + 500000000);
    csv_close(r);
    put("Clock,voltage_V,current_A\n12.5,1,2\n");
    assert_true(csv_open_stream(fopen("log.csv", "rb"), "log.csv", &c, &r, &e));
    assert_false(csv_read(r, &s, &more, &e));
    assert_non_null(strstr(e.text, "log.csv:2: Clock is \"12.5\", which is no date"));
    csv_close(r);
}

static void harmless_dress_is_accepted(void **state)
{
    (void)state;
    expect_rows("t_s ,\"voltage_V\",current_A,temperature_C\n\n"
                " 0,\"3.75\", -2 ,21.5\n\n10,3.5,-2.5,22\n\r\n",
                two, 2);
    const struct sample same_time[] = {{5, 3.75, -2, NAN}, {5, 3.5, -2.5, NAN}};
    expect_rows("t_s,voltage_V,current_A\n5,3.75,-2\n5,3.5,-2.5\n", same_time, 2);
}

static void bad_headers_are_told(void **state)
{
    (void)state;
    expect_refusal("", "log.csv: the file is empty; its first line must name the columns t_s, "
                       "voltage_V, current_A");
    expect_refusal("\n\r\n", "log.csv: the file is empty; its first line must name the columns "
                             "t_s, voltage_V, current_A");
    expect_refusal("t_s,voltage_V,watts\n0,1,2\n",
                   "log.csv:1: no column \"current_A\"; the header names t_s, voltage_V, watts; "
                   "needed are t_s, voltage_V, current_A");
    expect_refusal("t_s,volts\n0,1\n",
                   "log.csv:1: no column \"voltage_V\", \"current_A\"; the header names t_s, "
                   "volts; needed are t_s, voltage_V, current_A");
    expect_refusal("t_s,voltage_V,current_mA\n0,1,2\n",
                   "log.csv:1: no column \"current_A\"; the header names t_s, voltage_V, "
                   "current_mA; needed are t_s, voltage_V, current_A; is \"current_mA\" meant for "
                   "current_A (in A)?");
    expect_refusal("t_s;voltage_V;current_A\n0;3,7;1\n",
                   "log.csv:1: no column \"t_s\", \"voltage_V\", \"current_A\"; the header names "
                   "t_s;voltage_V;curren; needed are t_s, voltage_V, current_A; fields must be "
                   "parted by commas, and numbers written with a point");
    expect_refusal("0,3.7,-2\n1,3.7,-2\n", "log.csv:1: the first line holds numbers; it must name "
                                           "the columns t_s, voltage_V, current_A");
    expect_refusal("t_s,voltage_V,current_A,t_s\n0,1,2,0\n",
                   "log.csv:1: two columns are named \"t_s\"; keep one of them");
    expect_refusal("t_s,voltage_V,current_A\n",
                   "log.csv:1: no rows after the header; nothing was recorded");
}

#define HEADER "t_s,voltage_V,current_A,temperature_C\n0,3.7,-2,20\n"

static void bad_rows_are_told(void **state)
{
    (void)state;
    expect_refusal(HEADER "10,abc,-2,20\n", "log.csv:3: voltage_V is \"abc\", which is not a "
                                            "number; write it like 3.71");
    expect_refusal(HEADER "10,3.7,\"-2,5\",20\n", "log.csv:3: current_A is \"-2,5\", which is not "
                                                  "a number; write it like -2.05");
    expect_refusal(HEADER "10,3.7V,-2,20\n", "log.csv:3: voltage_V is \"3.7V\", which is not a "
                                             "number; write it like 3.71");
    expect_refusal(HEADER "10,3.7,nan,20\n", "log.csv:3: current_A is \"nan\", which is not a "
                                             "number; write it like -2.05");
    expect_refusal(HEADER "10,3.7,-2,warm\n", "log.csv:3: temperature_C is \"warm\", which is not "
                                              "a number; write it like 21.4");
    expect_refusal(HEADER "10,3.7,,20\n", "log.csv:3: current_A is empty; every row needs t_s, "
                                          "voltage_V, current_A");
    expect_refusal(HEADER "10,3.7,-2\n",
                   "log.csv:3: 3 fields, but the header names 4; every line needs as many as the "
                   "header, and numbers are written with a point");
    expect_refusal(HEADER "10,3,7,-2,20\n",
                   "log.csv:3: 5 fields, but the header names 4; every line needs as many as the "
                   "header, and numbers are written with a point");
    expect_refusal(HEADER "10,3.7,-2,20\n9.5,3.7,-2,20\n",
                   "log.csv:4: time goes back from 10 s to 9.5 s; put the rows in order of time");
}

static void broken_quotes_are_told(void **state)
{
    (void)state;
    expect_refusal(HEADER "10,\"3.7,-2,20\n11,3.7,-2,20\n",
                   "log.csv:3: a quote is opened here and never closed");
    expect_refusal(HEADER "10,\"3.7\"V,-2,20\n", "log.csv:3: text after a closing quote; put a "
                                                 "comma there, or double the quote");
    expect_refusal(HEADER "10,3\".7,-2,20\n",
                   "log.csv:3: a quote inside an unquoted field; put the whole field in quotes and "
                   "double the quote inside");
    /* The line counter sees line ends inside quotes. */
    expect_refusal("t_s,voltage_V,current_A,n\n0,3.7,-2,\"a\nb\"\n1,x,-2,\n",
                   "log.csv:4: voltage_V is \"x\", which is not a number; write it like 3.71");
}

static void files_that_are_no_text_are_told(void **state)
{
    (void)state;
    static const char image[] = "\x89PNG\r\n\x1a\n\0\0\0\rIHDR";
    expect_refusal_bytes(image, sizeof image,
                         "log.csv:1: no column \"t_s\", \"voltage_V\", \"current_A\"; the header "
                         "names ?PNG; needed are t_s, voltage_V, current_A");
    static const char zero[] = HEADER "10,3.7\0,-2,20\n";
    expect_refusal_bytes(zero, sizeof zero - 1,
                         "log.csv:3: byte 0x00 is not text; save the record as plain text with "
                         "commas between the fields");
    expect_refusal_bytes("\xff\xfet\0_\0s\0", 8,
                         "log.csv:1: the file is in UTF-16; save it as "
                         "plain text (UTF-8 or ASCII)");
    expect_refusal("t_s,voltage_V,current_A\r0,3.7,-2\r",
                   "log.csv:1: a carriage return without a line feed; save the file with line "
                   "ends LF or CRLF");
}

static void endless_lines_are_told(void **state)
{
    (void)state;
    size_t n = 200000;
    char *text = malloc(n + 1);
    assert_non_null(text);
    memset(text, 'x', n);
    text[n] = '\0';
    expect_refusal(text, "log.csv:1: the line is longer than 65536 bytes; is this a CSV file of "
                         "samples?");
    memset(text, ',', n);
    expect_refusal(text, "log.csv:1: more than 256 fields; is this a CSV file of samples?");
    free(text);
}

static void files_that_are_none_are_told(void **state)
{
    (void)state;
    struct csv_reader *r;
    struct err e = {0};
    assert_false(csv_open("missing.csv", &r, &e));
    assert_null(r);
    assert_int_equal(e.code, ERR_CONFIG);
    assert_string_equal(e.text, "cannot read missing.csv: No such file or directory; check the "
                                "name and whether you may read it");
    assert_false(csv_open(".", &r, &e));
    assert_string_equal(e.text, "cannot read .: it is not a regular file; save the record as one");
    assert_false(csv_open("/dev/null", &r, &e));
    assert_string_equal(e.text,
                        "cannot read /dev/null: it is not a regular file; save the record as one");
}

static void rewinding_starts_over(void **state)
{
    (void)state;
    struct csv_reader *r;
    struct sample s;
    struct err e = {0};
    bool more;
    put("t_s,voltage_V,current_A,n\n0,3.75,-2,\"a\nb\"\n10,3.5,-2.5,\n");
    assert_true(csv_open("log.csv", &r, &e));
    for (int pass = 0; pass < 3; pass++) {
        assert_true(csv_read(r, &s, &more, &e) && more);
        assert_int_equal(csv_line(r), 2);
        assert_true(csv_read(r, &s, &more, &e) && more);
        assert_int_equal(csv_line(r), 4);
        assert_true(s.t_s > 9);
        assert_true(csv_read(r, &s, &more, &e) && !more);
        assert_true(csv_rewind(r, &e));
    }
    csv_close(r);
}

/* A row that a logger wrote late is put in its place, in every pass; rows of one time stay
 * as they were written. */
static void late_rows_are_put_in_order(void **state)
{
    (void)state;
    struct csv_reader *r;
    struct sample s;
    struct err e = {0};
    bool more = true;
    put("t_s,voltage_V,current_A\n0,4,0\n10,3,-1\n10,2,-1\n5,1,-1\n20,0.5,-1\n");
    assert_true(csv_open("log.csv", &r, &e));
    csv_any_order(r);
    while (more)
        assert_true(csv_read(r, &s, &more, &e));
    struct csv_late late = csv_late(r);
    assert_int_equal(late.rows, 1);
    assert_int_equal(late.first_line, 5);
    assert_true(late.from_s > 9.9 && late.to_s < 5.1 && late.most_s > 4.9);
    assert_true(csv_put_in_order(r, &e));
    for (int pass = 0; pass < 2; pass++) {
        const double volts[] = {4, 1, 3, 2, 0.5};
        for (size_t i = 0; i < 5; i++) {
            assert_true(csv_read(r, &s, &more, &e) && more);
            assert_true(fabs(s.voltage_V - volts[i]) < 1e-12);
        }
        assert_true(csv_read(r, &s, &more, &e) && !more);
        assert_true(csv_rewind(r, &e));
    }
    csv_close(r);
}

/* Two logs in one file, and a clock that was set back, are no late rows. */
static void what_is_not_one_record_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *rows, *message;
    } known[] = {
        {"0,4,-1\n10,4,-1\n20,4,-1\n30,4,-1\n0,4,-1\n10,4,-1\n20,4,-1\n29,4,-1\n",
         "log.csv:6: time goes back from 30 s to 0 s, and 4 of 8 rows stand behind a later one: "
         "that is not one record; part it, or put the rows in order of time"},
        {"0,4,-1\n3600,4,-1\n2900,4,-1\n",
         "log.csv:4: time goes back from 3600 s to 2900 s, and 1 of 3 rows stand behind a later "
         "one: that is not one record; part it, or put the rows in order of time"},
    };
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        struct csv_reader *r;
        struct sample s;
        struct err e = {0};
        bool more = true;
        char text[256];
        snprintf(text, sizeof text, "t_s,voltage_V,current_A\n%s", known[i].rows);
        put(text);
        assert_true(csv_open("log.csv", &r, &e));
        csv_any_order(r);
        while (more)
            assert_true(csv_read(r, &s, &more, &e));
        assert_false(csv_put_in_order(r, &e));
        assert_string_equal(e.text, known[i].message);
        csv_close(r);
    }
}

static double random_double(void)
{
    for (;;) {
        uint64_t bits = 0;
        double value;
        for (int i = 0; i < 5; i++)
            bits = bits << 15 ^ (uint64_t)(rand() & 0x7fff);
        memcpy(&value, &bits, sizeof value);
        if (isfinite(value))
            return value;
    }
}

static void numbers_read_back_as_they_were(void **state)
{
    (void)state;
    char text[CSV_NUMBER_SIZE];
    const struct {
        double value;
        const char *text;
    } known[] = {{0.1, "0.1"},
                 {-2.05, "-2.05"},
                 {3600, "3600"},
                 {NAN, ""},
                 {1e-9, "1e-09"},
                 {1.0 / 3, "0.3333333333333333"},
                 {0.1 + 0.2, "0.30000000000000004"}};
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        csv_format_number(known[i].value, text);
        assert_string_equal(text, known[i].text);
    }
    srand(4180);
    for (int trial = 0; trial < 200000; trial++) {
        double value = random_double();
        csv_format_number(value, text);
        double back = strtod(text, NULL);
        assert_memory_equal(&back, &value, sizeof value);
    }
    const double edges[] = {DBL_MAX, DBL_MIN, 5e-324, -0.0};
    for (size_t i = 0; i < 4; i++) {
        csv_format_number(edges[i], text);
        double back = strtod(text, NULL);
        assert_memory_equal(&back, &edges[i], sizeof back);
    }
}

static void what_is_written_is_read(void **state)
{
    (void)state;
    const struct sample rows[] = {{0.1, 3.7000000000000001e0, -1.0 / 3, NAN},
                                  {0.30000000000000004, 1e-7, 2, 21.37}};
    char text[sizeof CSV_SAMPLES_HEADER + 2 * CSV_SAMPLE_SIZE] = CSV_SAMPLES_HEADER;
    struct sample back[4];
    size_t n, used = strlen(text);
    struct err e = {0};
    for (int i = 0; i < 2; i++)
        used += csv_format_sample(i, &rows[i], 0, text + used);
    assert_string_equal(text, CSV_SAMPLES_HEADER
                        "0.1,3.7,-0.3333333333333333,,1970-01-01T00:00:00.100Z,0\r\n"
                        "0.30000000000000004,1e-07,2,21.37,1970-01-01T00:00:00.300Z,1\r\n");
    put_bytes(text, used);
    assert_true(read_all(back, 4, &n, &e));
    assert_int_equal(n, 2);
    assert_memory_equal(&back[1], &rows[1], sizeof rows[1]);
}

static void lines_are_rfc_4180(void **state)
{
    (void)state;
    char line[CSV_SAMPLE_SIZE];
    struct sample s = {1.5, 12.8, -10.0 / 3, NAN};
    size_t n = csv_format_sample(2, &s, 1000 * NS_PER_S, line);
    assert_int_equal(n, strlen(line));
    assert_string_equal(line + n - 2, "\r\n");
    double back[3];
    assert_int_equal(
        sscanf(line, "%lf,%lf,%lf,,1970-01-01T00:16:41.500Z,2", &back[0], &back[1], &back[2]), 3);
    assert_memory_equal(&back[0], &s.t_s, sizeof(double));
    assert_memory_equal(&back[1], &s.voltage_V, sizeof(double));
    assert_memory_equal(&back[2], &s.current_A, sizeof(double));
    s = (struct sample){-1.7976931348623157e308, -2.2250738585072014e-308, -1.7976931348623157e308,
                        -1.7976931348623157e308};
    s.t_s = 123456789.12345679;
    assert_true(csv_format_sample(1000000, &s, 1700000000 * NS_PER_S, line) > 0);
}

/* Bytes at random never crash the reader, and errors always name the file. */
static void noise_is_survived(void **state)
{
    (void)state;
    static const char alphabet[] = "0123456789.,-\"\r\n \tet_sV,,\n\n";
    char text[400];
    srand(99);
    for (int trial = 0; trial < 3000; trial++) {
        size_t n = (size_t)snprintf(text, sizeof text, "t_s,voltage_V,current_A\n");
        size_t end = n + (size_t)rand() % 200;
        while (n < end)
            text[n++] =
                rand() % 50 == 0 ? (char)rand() : alphabet[(size_t)rand() % (sizeof alphabet - 1)];
        put_bytes(text, n);
        struct sample rows[400];
        size_t got;
        struct err e = {0};
        if (!read_all(rows, 400, &got, &e))
            assert_non_null(strstr(e.text, "log.csv"));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(plain_files_are_read),
        cmocka_unit_test(columns_are_found_by_name),
        cmocka_unit_test(columns_may_have_other_names_and_units),
        cmocka_unit_test(times_may_be_dates),
        cmocka_unit_test(harmless_dress_is_accepted),
        cmocka_unit_test(bad_headers_are_told),
        cmocka_unit_test(bad_rows_are_told),
        cmocka_unit_test(broken_quotes_are_told),
        cmocka_unit_test(files_that_are_no_text_are_told),
        cmocka_unit_test(endless_lines_are_told),
        cmocka_unit_test(files_that_are_none_are_told),
        cmocka_unit_test(rewinding_starts_over),
        cmocka_unit_test(late_rows_are_put_in_order),
        cmocka_unit_test(what_is_not_one_record_is_refused),
        cmocka_unit_test(numbers_read_back_as_they_were),
        cmocka_unit_test(what_is_written_is_read),
        cmocka_unit_test(lines_are_rfc_4180),
        cmocka_unit_test(noise_is_survived),
    };
    return cmocka_run_group_tests(tests, enter_folder, leave_folder);
}
