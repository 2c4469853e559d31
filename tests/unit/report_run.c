/* SPDX-License-Identifier: GPL-3.0-or-later
 * The report: small, soon made, every spike in it, nothing of a stranger's text obeyed, and a
 * sum over the samples that anybody can check. */
#include "store_fixture.h"

#include "analysis/fade.h"
#include "base/sha256_sum.h"
#include "report/csv.h"
#include "report/page.h"
#include "report/plot.h"
#include "report/report.h"

#include <time.h>

#define SAMPLES 45000

static double now_s(clockid_t which)
{
    struct timespec t;
    clock_gettime(which, &t);
    return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

struct made {
    char *html;
    char sha256[SHA256_TEXT_SIZE];
};

/* 12.5 h at 10 A, a sample a second; one of them is 2 V lower. */
static struct sample sample_at(int i, int spike)
{
    return (struct sample){i, 13.2 - 2.5e-5 * i - (i == spike ? 2.0 : 0), -10 - 1e-3 * (i % 7),
                           21 + 1e-4 * i};
}

static json_t *document_of(int64_t nr)
{
    return json_pack(
        "{s:I, s:s, s:s, s:s, s:f, s:f, s:s, s:f, s:f, s:s, s:s, s:i, s:{s:s, s:s, s:i, s:f}, "
        "s:[{s:s, s:s, s:s, s:s}], s:[{s:f, s:f}], s:[{s:f, s:s, s:s}], s:{s:[s], s:[{s:s, s:f}], "
        "s:b}, s:{s:f, s:s, s:f, s:[s]}}",
        "number", (json_int_t)nr, "id", "0198f2c0", "battery", "<b>launch & 'a'", "outcome",
        "completed", "capacity_Ah", 125.04, "capacity_uncertainty_Ah", 0.09, "verdict", "pass",
        "percent_of_rated", 100.03, "lead_resistance_ohm", 0.0, "started_utc",
        "2026-03-01T20:04:05.120Z", "voltage_source", "remote-sense", "samples", SAMPLES,
        "battery_record", "label", "<b>launch & 'a'", "chemistry", "lfp", "cells", 4, "rated_Ah",
        125.0, "instruments", "role", "load", "driver", "load-scpi", "identity",
        "<script>alert(1)</script>", "driver_sha256", "00ff", "steps", "start_s", 0.0, "end_s",
        (double)SAMPLES, "events", "t_s", 0.0, "kind", "start", "text", "begun", "plan", "cautions",
        "gas & fire", "steps", "kind", "discharge", "until_voltage_V", 12.3, "starts_full", 1,
        "result", "capacity_Ah", 125.04, "end_reason", "cut-off crossed", "acceptance_Ah", 118.75,
        "notes", "a note");
}

/* What the report of a run says; `document` is kept as it is. */
static char *say(const json_t *document)
{
    struct fixture f;
    struct store *s = NULL;
    struct reader *r = NULL;
    struct run_row row;
    struct err e = {0};
    char *html = NULL;
    fixture_make(&f);
    ok(store_open(f.path, &s, &e));
    begin_a_run(s);
    ok(store_flush(s, 60000, &e));
    ok(reader_open(f.path, &r, &e));
    ok(reader_run(r, "last", &row, &e));
    ok(report_run(r, &row, document, &html, &e));
    run_row_free(&row);
    reader_close(r);
    store_close(s);
    fixture_remove(&f);
    return html;
}

static void says(const char *html, const char *what)
{
    if (strstr(html, what) == NULL) {
        fail_msg("the report does not say: %s", what);
    }
}

/* No verdict was reached, since it was cut short: that is what is said of it. */
static void what_was_cut_short_says_how_it_ended(void **state)
{
    static const char *const outcomes[] = {"stopped", "tripped", "interrupted"};
    (void)state;
    json_t *o = document_of(1);
    json_object_set_new(o, "verdict", json_string("undecided"));
    json_object_set_new(o, "lower_bound", json_true());
    json_object_set_new(json_object_get(o, "result"), "lower_bound", json_true());
    for (size_t i = 0; i < 3; i++) {
        char badge[80];
        json_object_set_new(o, "outcome", json_string(outcomes[i]));
        char *html = say(o);
        snprintf(badge, sizeof badge, "<span class=\"verdict undecided\">%s</span>", outcomes[i]);
        says(html, badge);
        says(html, "<dt>Capacity</dt><dd>at least 125.04 Ah");
        says(html, "At least 118.8 Ah is wanted.");
        says(html, "<span class=\"aside\">at least 100.0 % of 125 Ah rated</span>");
        assert_null(strstr(html, "Decision rule"));
        free(html);
    }
    json_object_set_new(o, "outcome", json_string("completed"));
    char *html = say(o);
    says(html, "<span class=\"verdict undecided\">undecided</span>");
    says(html, "At least 118.8 Ah is needed. Decision rule: guard band");
    free(html);
    json_object_set_new(o, "outcome", json_string("stopped"));
    json_object_set_new(json_object_get(o, "result"), "enough", json_true());
    html = say(o);
    says(html, "<span class=\"verdict undecided\">stopped</span>");
    says(html, "<span class=\"aside\">enough for the 118.8 Ah wanted</span>");
    free(html);
    json_object_set_new(o, "lower_bound", json_false());
    html = say(o);
    says(html, "<span class=\"aside\">100.0 % of 125 Ah rated</span>");
    free(html);
    json_decref(o);
}

/* Whoever buys by this paper reads beside the verdict that it may be of a part of the battery. */
static void what_may_not_have_begun_full_is_said_on_top(void **state)
{
    static const char doubt[] = "it was last discharged in run 3 & not filled since";
    (void)state;
    json_t *o = document_of(1);
    char *html = say(o);
    says(html, "<dt>Began full</dt><dd>yes: filled and rested beforehand, by the profile");
    assert_null(strstr(html, "may not have begun full"));
    free(html);
    json_object_set_new(json_object_get(o, "plan"), "full_doubt", json_string(doubt));
    json_object_set_new(o, "verdict", json_string("pass")); /* part of it would have been enough */
    html = say(o);
    assert_null(strstr(html, "may not have begun full"));
    says(html, "a charge that filled it is not in the ledger");
    assert_null(strstr(html, "yes: filled"));
    free(html);
    json_object_set_new(o, "verdict", json_string("fail"));
    html = say(o);
    const char *said =
        strstr(html, "It may not have begun full:</strong> it was last discharged in "
                     "run 3 &amp; not filled since");
    assert_non_null(said);
    assert_true(said < strstr(html, "</header>"));
    says(html, "<dt>Began full</dt><dd>by the profile");
    assert_null(strstr(html, "yes: filled"));
    free(html);
    json_decref(o);
}

static struct made make(int spike)
{
    struct fixture f;
    struct store *s = NULL;
    struct reader *r = NULL;
    struct run_row row;
    struct err e = {0};
    struct made m = {0};
    struct sha256_sum sum;
    fixture_make(&f);
    ok(store_open(f.path, &s, &e));
    int64_t nr = begin_a_run(s);
    sha256_sum_start(&sum);
    sha256_sum_add(&sum, CSV_SAMPLES_HEADER, strlen(CSV_SAMPLES_HEADER));
    for (int i = 0; i < SAMPLES; i++) {
        char line[CSV_SAMPLE_SIZE];
        struct sample v = sample_at(i, spike);
        assert_true(store_put_sample(s, nr, 0, &v));
        sha256_sum_add(&sum, line, csv_format_sample(0, &v, FIXTURE_UTC_NS, line));
    }
    sha256_sum_end(&sum, m.sha256);
    ok(store_flush(s, 60000, &e));
    ok(reader_open(f.path, &r, &e));
    ok(reader_run(r, "last", &row, &e));
    json_t *document = document_of(nr);
    assert_non_null(document);
    double began_s = now_s(CLOCK_MONOTONIC), cpu_s = now_s(CLOCK_PROCESS_CPUTIME_ID);
    ok(report_run(r, &row, document, &m.html, &e));
    cpu_s = now_s(CLOCK_PROCESS_CPUTIME_ID) - cpu_s;
    printf("  %d samples: %zu bytes in %.3f s (%.3f s of the processor)\n", SAMPLES, strlen(m.html),
           now_s(CLOCK_MONOTONIC) - began_s, cpu_s);
    assert_true(strlen(m.html) < 400 * 1024);
    json_decref(document);
    run_row_free(&row);
    reader_close(r);
    store_close(s);
    fixture_remove(&f);
    return m;
}

/* Half way of the record is half way of the picture; the lowest voltage lies 6 parts in 112
 * above the bottom of its panel. */
static void a_spike_of_one_sample_is_drawn(void **state)
{
    (void)state;
    struct made with = make(SAMPLES / 2), without = make(-1);
    char place[32];
    snprintf(place, sizeof place, "%.1f %.1f", 52 + 0.5 * 660, 170 - 146 * 6 / 112.0);
    assert_non_null(strstr(with.html, place));
    assert_null(strstr(without.html, place));
    assert_non_null(strstr(with.html, with.sha256));
    assert_null(strstr(without.html, with.sha256));

    /* Everything in one file, nothing obeyed, nothing fetched. */
    assert_non_null(strstr(with.html, "&lt;b&gt;launch &amp; &#39;a&#39;"));
    assert_null(strstr(with.html, "<b>"));
    assert_null(strstr(with.html, "<script"));
    assert_null(strstr(with.html, "http:"));
    assert_null(strstr(with.html, "https:"));
    assert_null(strstr(with.html, "src="));
    assert_non_null(strstr(with.html, "125.04 Ah ± 0.09 Ah (k = 2)"));
    assert_non_null(strstr(with.html, "gas &amp; fire"));
    free(with.html);
    free(without.html);
}

static void extremes_survive_any_thinning(void **state)
{
    (void)state;
    static struct plot_record r;
    srand(41);
    for (int trial = 0; trial < 20; trial++) {
        double low = INFINITY, high = -INFINITY;
        plot_record_start(&r, 0, 10000, 0);
        for (int i = 0; i < 10000; i++) {
            struct sample s = {i, 12 + rand() / (double)RAND_MAX, -10, NAN};
            low = fmin(low, s.voltage_V);
            high = fmax(high, s.voltage_V);
            plot_record_add(&r, &s);
        }
        double drawn_low = INFINITY, drawn_high = -INFINITY;
        for (size_t i = 0; i < PLOT_BUCKETS; i++) {
            drawn_low = fmin(drawn_low, r.voltage.bucket[i].low);
            drawn_high = fmax(drawn_high, r.voltage.bucket[i].high);
        }
        assert_true(drawn_low <= low && drawn_low >= low);
        assert_true(drawn_high <= high && drawn_high >= high);
        assert_true(isnan(r.temperature.min));
    }
}

/* One result has a value and a limit, but no scale of days. */
static void one_point_has_no_scale(void **state)
{
    (void)state;
    double x = 0, y = 8;
    struct plot_points d = {
        .x = &x, .y = &y, .n = 1, .x_name = "days", .y_name = "Ah", .limit = 6.4};
    struct page p = {0};
    plot_points_draw(&d, &p);
    says(p.text, "days</text>");
    assert_null(strstr(p.text, "text-anchor=\"middle\""));
    free(p.text);
    p = (struct page){0};
    d.whole = true; /* numbers of a table: it is the first */
    plot_points_draw(&d, &p);
    says(p.text, "text-anchor=\"middle\"");
    free(p.text);
}

static void practice_is_called_so(void **state)
{
    (void)state;
    json_t *o = document_of(12);
    char *html = say(o);
    assert_null(strstr(html, "Practice"));
    says(html, ", issued 2");
    says(html, "ampledger export 12 -o run-12.csv; sha256sum run-12.csv");
    /* A label cannot end the text at the foot of the pages. */
    says(html, "@bottom-left{content:\"\\3c b\\3e launch\\20 \\26 \\20 \\27 a\\27 \\2c ");
    free(html);
    json_object_set_new(o, "simulated", json_true());
    json_object_set_new(o, "stand", json_string("jetty"));
    json_object_set_new(o, "bench_title", json_string("boat yard"));
    html = say(o);
    says(html, "Practice: simulated instruments on a virtual bench");
    says(html, "<dt>Stand</dt><dd>jetty, bench &quot;boat yard&quot;</dd>");
    free(html);
    json_decref(o);
}

static void nothing_to_draw_is_said(void **state)
{
    (void)state;
    static struct plot_record r;
    struct plot_marks marks = {NAN, NAN};
    struct page p = {0};
    plot_record_start(&r, 0, 0, 0);
    plot_record_draw(&r, &marks, &p);
    assert_non_null(strstr(p.text, "no samples"));
    free(p.text);
}

static void a_battery_has_its_life(void **state)
{
    (void)state;
    json_t *battery =
        json_pack("{s:s, s:s, s:i, s:f, s:f, s:f}", "label", "lamp <7>", "chemistry", "nimh",
                  "cells", 10, "rated_Ah", 8.0, "rated_hours", 5.0, "rated_cutoff_V", 10.0);
    json_t *points = json_array();
    for (int i = 0; i < 6; i++) {
        char utc[32];
        snprintf(utc, sizeof utc, "2026-0%d-01T12:00:00.000Z", i + 1);
        json_array_append_new(points,
                              json_pack("{s:i, s:s, s:s, s:f, s:f, s:f}", "run", i + 1,
                                        "started_utc", "2025-12-31T12:00:00.000Z", "utc", utc,
                                        "capacity_Ah", 8.0 - 0.1 * i, "capacity_uncertainty_Ah",
                                        0.02, "percent_of_reference", 100.0 - 1.25 * i));
    }
    json_t *trend = json_pack(
        "{s:f, s:f, s:s, s:o, s:{s:{s:b, s:s, s:f, s:f, s:f, s:s}}, s:[{s:i, s:s}]}",
        "limit_percent", 80.0, "limit_Ah", 6.4, "reference", "rated capacity", "points", points,
        "capacity", "by_date", "enough", 1, "law", "line", "a", 8.0, "b", -0.0033, "crossing",
        484.8, "crossing_utc", "2027-04-30T12:00:00.000Z", "left_out", "run", 9, "why", "too cold");
    assert_non_null(battery);
    assert_non_null(trend);
    char *html = report_battery(battery, trend);
    assert_non_null(strstr(html, "lamp &lt;7&gt;"));
    assert_non_null(strstr(html, "falls below 80 % on 2027-04-30"));
    says(html, "too cold");
    says(html, "80 % of the rated capacity</text>"); /* the line across has its name */
    says(html, "<dd>8 Ah in 5.0 h to 10.00 V</dd>");
    says(html, "<td>2025-12-31 "); /* when the run began, not its discharge */
    assert_non_null(strstr(html, "<circle"));
    free(html);
    json_decref(battery);
    json_decref(trend);
}

static void a_lot_has_all_its_batteries(void **state)
{
    (void)state;
    json_t *lot = json_pack(
        "{s:s, s:{s:i, s:i, s:i, s:i}, s:{s:{s:i, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:[s]}},"
        " s:[{s:s, s:s, s:f, s:f, s:f, s:i}, {s:s, s:s, s:f, s:b, s:i}, {s:s, s:s}]}",
        "name", "spring & <summer>", "counts", "pass", 1, "fail", 0, "undecided", 1, "untested", 1,
        "statistics", "capacity_Ah", "n", 3, "mean", 20.5, "deviation", 0.25, "min", 20.0, "max",
        21.0, "between_low", 18.0, "between_high", 23.0, "share", 0.9, "confidence", 0.95,
        "outliers", "lamp-9", "batteries", "battery", "lamp-7", "standing", "pass", "capacity_Ah",
        20.5, "acceptance_Ah", 18.5, "capacity_uncertainty_Ah", 0.02, "run", 4, "battery", "lamp-8",
        "standing", "undecided", "capacity_Ah", 11.0, "lower_bound", 1, "run", 5, "battery",
        "lamp-9", "standing", "untested");
    assert_non_null(lot);
    char *html = report_lot(lot);
    static const char *const said[] = {"spring &amp; &lt;summer&gt;",
                                       "3 batteries",
                                       "1 undecided",
                                       "20.50 Ah mean of 3",
                                       "90 % of such batteries lie between",
                                       "at least 11.00 Ah",
                                       "lamp-9"};
    for (size_t i = 0; i < sizeof said / sizeof said[0]; i++) {
        says(html, said[i]);
    }
    says(html, "<td class=\"n\">18.5 Ah</td>"); /* what was needed */
    assert_null(strstr(html, "0 fail"));
    assert_null(strstr(html, "<summer>"));
    /* One is drawn: a lower bound is no capacity. */
    const char *circle = strstr(html, "<circle");
    assert_non_null(circle);
    assert_null(strstr(circle + 1, "<circle"));
    free(html);
    json_t *capacity = json_object_get(json_object_get(lot, "statistics"), "capacity_Ah");
    json_object_set_new(capacity, "n", json_integer(1));
    html = report_lot(lot);
    says(html, "20.50 Ah; how much such batteries differ is not told from one");
    assert_null(strstr(html, "standard deviation"));
    free(html);
    json_decref(lot);
}

/* A thermometer's last digit is not drawn as large as a battery that warms up. */
static void a_steady_temperature_is_drawn_steady(void **state)
{
    (void)state;
    struct plot_record *r = calloc(1, sizeof *r);
    struct plot_marks none = {NAN, NAN};
    struct page p = {0};
    plot_record_start(r, 0, 3600, 0);
    for (int i = 0; i < 3600; i++) {
        struct sample s = {i, 13.2, -10, 21 + 0.01 * (i % 3)};
        plot_record_add(r, &s);
    }
    plot_record_draw(r, &none, &p);
    says(p.text, ">19</text>");
    says(p.text, ">23</text>");
    free(p.text);
    free(r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_spike_of_one_sample_is_drawn),
        cmocka_unit_test(a_steady_temperature_is_drawn_steady),
        cmocka_unit_test(what_was_cut_short_says_how_it_ended),
        cmocka_unit_test(what_may_not_have_begun_full_is_said_on_top),
        cmocka_unit_test(extremes_survive_any_thinning),
        cmocka_unit_test(one_point_has_no_scale),
        cmocka_unit_test(practice_is_called_so),
        cmocka_unit_test(nothing_to_draw_is_said),
        cmocka_unit_test(a_battery_has_its_life),
        cmocka_unit_test(a_lot_has_all_its_batteries),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
