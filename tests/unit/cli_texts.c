/* SPDX-License-Identifier: GPL-3.0-or-later
 * Texts: what a person reads, from the API's documents: numbers, tables, stands,
 * plans, runs; all within 80 columns. */
#include "cli/cli.h"
#include "cli/plan_text.h"
#include "cli/progress.h"
#include "cli/run_text.h"
#include "cli/stand_text.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

static json_t *parse(const char *text)
{
    json_error_t why;
    json_t *o = json_loads(text, 0, &why);
    if (o == NULL) {
        fail_msg("the test's own document: %s", why.text);
    }
    return o;
}

typedef void print_fn(const json_t *o, FILE *f);

static char *printed(print_fn *print, const json_t *o)
{
    char *text = NULL;
    size_t n = 0;
    FILE *f = open_memstream(&text, &n);
    assert_non_null(f);
    print(o, f);
    fclose(f);
    return text;
}

static void says(const char *text, const char *what)
{
    if (strstr(text, what) == NULL) {
        fail_msg("it does not say \"%s\":\n%s", what, text);
    }
}

static void fits_the_page(const char *text)
{
    for (const char *line = text; *line != '\0';) {
        size_t n = strcspn(line, "\n");
        char copy[400];
        assert_true(n < sizeof copy);
        memcpy(copy, line, n);
        copy[n] = '\0';
        if (text_width(copy) > PAGE_WIDTH || (n > 0 && copy[n - 1] == ' ')) {
            fail_msg("too wide, or a blank at its end: \"%s\"", copy);
        }
        line += n + (line[n] == '\n');
    }
}

static void numbers(void **state)
{
    (void)state;
    assert_string_equal(words_amount(12.844, 2, "V").s, "12.84 V");
    assert_string_equal(words_amount((double)NAN, 2, "V").s, "-");
    assert_string_equal(words_amount(3, 0, "").s, "3");
    assert_string_equal(words_current(-10).s, "discharge 10.0 A");
    assert_string_equal(words_current(-9.998).s, "discharge 10.0 A");
    assert_string_equal(words_current(2.5).s, "charge 2.50 A");
    assert_string_equal(words_current(-0.25).s, "discharge 0.250 A");
    assert_string_equal(words_current(0.001).s, "no current");
    assert_string_equal(words_current((double)NAN).s, "-");
    assert_string_equal(words_duration(45000).s, "12.5 h");
    assert_string_equal(words_duration(3600).s, "1.0 h");
    assert_string_equal(words_duration(3599).s, "1.0 h");
    assert_string_equal(words_duration(600).s, "10 min");
    assert_string_equal(words_duration(99).s, "99 s");
    assert_string_equal(words_duration((double)NAN).s, "-");
    assert_string_equal(words_short(125, "Ah").s, "125 Ah");
    assert_string_equal(words_cut("b\xC3\xBCgel", 2).s, "b\xC3\xBC");
}

/* GUM 7.2.6: at most two digits of the uncertainty, the value to the same place. */
static void counted_and_compared(void **state)
{
    (void)state;
    assert_string_equal(words_count(1, "battery", "batteries").s, "1 battery");
    assert_string_equal(words_count(0, "battery", "batteries").s, "0 batteries");
    json_t *o = parse("{\"text\": \"discharge 2 A to 10 V\", \"temperature_C\": 23,"
                      " \"temperature_within_K\": 5}");
    assert_string_equal(words_comparable(o).s, "discharge 2 A to 10 V at 23.0 degC +- 5 K");
    json_object_set_new(o, "temperature_C", json_null());
    assert_string_equal(words_comparable(o).s, "discharge 2 A to 10 V");
    json_decref(o);
}

static void uncertain_numbers(void **state)
{
    (void)state;
    assert_string_equal(words_uncertain(129.4184, 0.0921, "Ah").s, "129.42 Ah +- 0.09 Ah (k = 2)");
    assert_string_equal(words_uncertain(129.4184, 0.1063, "Ah").s, "129.42 Ah +- 0.11 Ah (k = 2)");
    assert_string_equal(words_uncertain(129.4184, 0.34, "Ah").s, "129.42 Ah +- 0.34 Ah (k = 2)");
    assert_string_equal(words_uncertain(1649.53, 14.2, "Wh").s, "1650 Wh +- 14 Wh (k = 2)");
    assert_string_equal(words_uncertain(129.4184, (double)NAN, "Ah").s, "129.42 Ah");
    assert_string_equal(words_uncertain(2.4184, 0, "Ah").s, "2.418 Ah");
    assert_string_equal(words_uncertain((double)NAN, 1, "Ah").s, "-");
}

static void times(void **state)
{
    (void)state;
    setenv("TZ", "EST5EDT,M3.2.0,M11.1.0", 1);
    tzset();
    assert_string_equal(words_time("2026-03-01T21:04:05.120Z").s, "2026-03-01 16:04:05 EST");
    assert_string_equal(words_time_of_day("2026-07-01T02:30:00Z").s, "22:30 EDT");
    assert_string_equal(words_time("").s, "-");
    assert_string_equal(words_time("soon").s, "-");
    setenv("TZ", "UTC", 1);
    tzset();
}

static void print_table(const json_t *o, FILE *f)
{
    static const struct column columns[] = {{"label", LEFT}, {"Ah", RIGHT}, {"note", LEFT}};
    struct table *t = table_new(columns, 3);
    const char *first[] = {"b\xC3\xBCgel", "9.5",
                           "a note so long that it has to be told in more "
                           "than one line, since a page is 80 wide"};
    const char *second[] = {"lamp-7", "129.42", ""};
    (void)o;
    table_add(t, first);
    table_add(t, second);
    table_print(t, 2, f);
}

static void tables(void **state)
{
    (void)state;
    char *text = printed(print_table, NULL);
    assert_string_equal(text,
                        "  label       Ah  note\n"
                        "  b\xC3\xBCgel      9.5  a note so long that it has to be told in more "
                        "than one line,\n"
                        "                  since a page is 80 wide\n"
                        "  lamp-7  129.42\n");
    free(text);
}

static const char running_stand[] =
    "{\"name\": \"jetty\", \"phase\": \"running\", \"problem\": null,"
    " \"output_unconfirmed\": false, \"trip\": null,"
    " \"reading\": {\"voltage_V\": 12.84, \"current_A\": -10.0, \"temperature_C\": 22.4,"
    "   \"age_s\": 0.4},"
    " \"instruments\": [{\"role\": \"load\", \"driver\": \"load-scpi\","
    "   \"link\": \"serial:/dev/ttyUSB0\", \"identity\": \"VIRTUAL,Load\", \"problem\": null}],"
    " \"run\": {\"number\": 3, \"profile\": \"overnight\", \"battery\": \"launch-a\","
    "   \"outcome\": \"running\", \"step\": 1, \"step_count\": 3, \"step_name\": \"capacity\","
    "   \"elapsed_s\": 28800, \"left_s\": 16920, \"discharged_Ah\": 78.2, \"charged_Ah\": 0,"
    "   \"expected_Ah\": 125, \"expected_end_utc\": \"2026-03-02T06:12:00.000Z\"}}";

static void stand_running(void **state)
{
    (void)state;
    json_t *o = parse(running_stand);
    char *text = printed(stand_print, o);
    fits_the_page(text);
    says(text, "jetty  running  12.84 V  discharge 10.0 A  22.4 degC\n");
    says(text, "step 2 of 3, capacity");
    says(text, "4.7 h left");
    says(text, "ends 06:12 UTC");
    free(text);
    struct progress_lines now = {.width = 79};
    progress_lines(o, &now);
    assert_string_equal(now.first,
                        "jetty  2/3 capacity  [#############-------]  63 %  ends 06:12 UTC");
    assert_string_equal(now.second,
                        "  12.84 V  discharge 10.0 A  22.4 degC  78.2 of 125.0 Ah  4.7 h left");
    for (now.width = 1; now.width < 70; now.width++) { /* a line that wraps is never redrawn */
        progress_lines(o, &now);
        assert_true(text_width(now.first) <= now.width && text_width(now.second) <= now.width);
    }
    now.width = 50;
    progress_lines(o, &now);
    assert_string_equal(now.first, "jetty  2/3 capacity  63 %  ends 06:12 UTC");
    assert_string_equal(now.second, "  12.84 V  discharge 10.0 A  22.4 degC  4.7 h left");
    json_decref(o);
}

/* In the third of fifty rounds, and a person is waited for: told once. */
static void stand_that_waits(void **state)
{
    (void)state;
    json_t *o = parse(running_stand);
    json_t *run = json_object_get(o, "run");
    json_object_set_new(o, "name", json_string("a-long-name-of-a-stand"));
    json_object_set_new(run, "step", json_integer(11));
    json_object_set_new(run, "step_count", json_integer(13));
    json_object_set_new(run, "step_name", json_string("a long name of a step"));
    json_object_set_new(run, "round", json_integer(103));
    json_object_set_new(run, "rounds", json_integer(500));
    json_object_set_new(run, "hold",
                        json_pack("{s:s, s:s}", "say", "fill it with its own charger", "since_utc",
                                  "2026-03-01T21:12:00.000Z"));
    char *text = printed(stand_print, o);
    fits_the_page(text);
    says(text, "round 103 of 500");
    says(text, "WAITS for you since 2026-03-01 21:12:00 UTC: fill it with its own charger;");
    says(text, "ampledger confirm");
    free(text);
    struct progress_lines now = {.width = 79};
    progress_lines(o, &now);
    assert_non_null(strstr(now.first, " r103/500  [######----]  "));
    assert_true(text_width(now.first) <= 79);

    size_t n = 0;
    FILE *f = open_memstream(&text, &n);
    struct progress p;
    progress_start(&p, f);
    progress_show(&p, o, 0);
    progress_show(&p, o, 1000000000);
    fclose(f);
    char *once = strstr(text, "WAITS for you");
    assert_non_null(once);
    assert_null(strstr(once + 1, "WAITS for you"));
    free(text);
    json_decref(o);
}

static void stand_in_trouble(void **state)
{
    (void)state;
    json_t *o = parse("{\"name\": \"jetty\", \"phase\": \"latched\","
                      " \"problem\": \"jetty load does not answer\", \"output_unconfirmed\": true,"
                      " \"trip\": {\"reason\": \"temperature-high\", \"sentence\": \"too hot\","
                      "   \"at\": \"2026-03-02T03:12:00.000Z\"},"
                      " \"reading\": {\"age_s\": null}, \"instruments\": [], \"run\": null}");
    char *text = printed(stand_print, o);
    fits_the_page(text);
    says(text, "by hand");
    says(text, "too hot");
    says(text, "ampledger clear");
    says(text, "jetty load does not answer");
    says(text, "no reading yet");
    free(text);
    json_decref(o);
}

/* A line at the first look, at a new step, at every tenth of the time; and after
 * ten quiet minutes. */
static void progress_now_and_then(void **state)
{
    (void)state;
    char *text = NULL;
    size_t n = 0;
    FILE *f = open_memstream(&text, &n);
    json_t *o = parse(running_stand);
    json_t *run = json_object_get(o, "run");
    struct progress p;
    progress_start(&p, f);
    size_t length[6];
    progress_show(&p, o, 0);
    fflush(f);
    length[0] = n;
    progress_show(&p, o, 1000000000);
    fflush(f);
    length[1] = n;
    json_object_set_new(run, "left_s", json_real(1000));
    progress_show(&p, o, 2000000000);
    fflush(f);
    length[2] = n;
    json_object_set_new(run, "step", json_integer(2));
    progress_show(&p, o, 3000000000);
    fflush(f);
    length[3] = n;
    progress_show(&p, o, 602000000000);
    fflush(f);
    length[4] = n;
    progress_show(&p, o, 604000000000);
    fclose(f);
    length[5] = n;
    assert_true(length[0] > 0 && length[1] == length[0] && length[2] > length[1] &&
                length[3] > length[2] && length[4] == length[3] && length[5] > length[4]);
    free(text);
    json_decref(o);
}

static const char passed_run[] =
    "{\"number\": 3, \"id\": \"0198f2c0-0000-7000-8000-000000000000\", \"battery\": \"launch-a\","
    " \"stand\": \"jetty\", \"profile\": \"overnight\", \"outcome\": \"completed\","
    " \"started_utc\": \"2026-03-01T21:04:05.000Z\", \"ended_utc\": \"2026-03-02T10:15:00.000Z\","
    " \"samples\": 46000, \"verdict\": \"pass\", \"capacity_Ah\": 129.4184,"
    " \"percent_of_rated\": 103.5, \"lower_bound\": false, \"trip\": null,"
    " \"battery_record\": {\"chemistry\": \"lfp\", \"cells\": 4, \"rated_Ah\": 125},"
    " \"voltage_source\": \"two-wire\", \"lead_resistance_ohm\": 0.012,"
    " \"steps\": [{\"step\": 0, \"end_s\": 46000}], \"instruments\": [], \"events\": [],"
    " \"plan\": {\"limits\": [{\"name\": \"voltage_min\", \"value\": 8.8, \"unit\": \"V\","
    "   \"source\": \"profile line 22\"}]},"
    " \"result\": {\"capacity_Ah\": 129.4184, \"capacity_uncertainty_Ah\": 0.0921,"
    "   \"percent_of_rated\": 103.5, \"verdict\": \"pass\", \"lower_bound\": false,"
    "   \"acceptance_Ah\": 118.75, \"decision_rule\": \"guard-band\","
    "   \"conformance_probability\": 1.0, \"samples\": 46000, \"temperature_max_C\": 23.1,"
    "   \"steps\": [{\"step\": 0, \"name\": \"capacity\", \"kind\": \"discharge\","
    "     \"start_s\": 0, \"end_s\": 46000, \"capacity_Ah\": 129.4184, \"energy_Wh\": 1650,"
    "     \"ended_by\": \"cut-off reached\"}], \"notes\": [\"a note\"]}}";

static void run_passed(void **state)
{
    (void)state;
    json_t *o = parse(passed_run);
    char *text = printed(run_print, o);
    fits_the_page(text);
    const char *verdict =
        "PASS  launch-a delivered 129.42 Ah +- 0.09 Ah (k = 2) of 125 Ah rated: 103.5 %\n";
    assert_int_equal(strncmp(text, verdict, strlen(verdict)), 0);
    says(text, "3: overnight on launch-a at jetty");
    says(text, "118.8 Ah is needed");
    says(text, "leads 12.0 mOhm");
    says(text, "voltage at least");
    says(text, "cut-off reached");
    says(text, "a note");
    free(text);
    assert_int_equal(run_exit_status(o), EXIT_DONE);
    json_decref(o);
}

/* Thirty rounds of charge and capacity: one line a round, and one a step of the plan. */
static json_t *thirty_rounds(void)
{
    json_t *o = parse(passed_run);
    json_t *result = json_object_get(o, "result");
    json_t *steps = json_array(), *rounds = json_array();
    for (int i = 0; i < 60; i++) {
        json_array_append_new(
            steps, json_pack("{s:i, s:i, s:i, s:s, s:s, s:f, s:f, s:f, s:s}", "step", i,
                             "plan_step", i % 2, "round", i / 2 + 1, "name",
                             i % 2 ? "capacity" : "charge", "kind", i % 2 ? "discharge" : "charge",
                             "start_s", i * 3600.0, "end_s", i * 3600.0 + 3600, "capacity_Ah",
                             129.4, "ended_by", i % 2 ? "cut-off reached" : "current tapered"));
    }
    for (int i = 0; i < 30; i++) {
        json_array_append_new(
            rounds, json_pack("{s:i, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:b, s:b}", "round",
                              i + 1, "capacity_Ah", 129.4 - 0.1 * i, "percent_of_rated", 103.5,
                              "energy_Wh", 1650.25, "charged_Ah", 130.1,
                              "coulombic_efficiency_percent", 99.46, "energy_efficiency_percent",
                              95.12, "resistance_mOhm", 12.34, "temperature_max_C", 31.2,
                              "efficiency_closed", i > 0, "lower_bound", i == 29));
    }
    json_object_set_new(result, "steps", steps);
    json_object_set_new(result, "rounds", rounds);
    json_object_set_new(result, "attempts",
                        json_pack("{s:s, s:i, s:i, s:f}", "counts", "best", "considered", 30,
                                  "round", 1, "scatter_Ah", 0.88));
    return o;
}

static void run_of_thirty_rounds(void **state)
{
    (void)state;
    json_t *o = thirty_rounds();
    char *text = printed(run_print, o);
    fits_the_page(text);
    size_t lines = 0;
    for (const char *at = text; (at = strchr(at, '\n')) != NULL; at++) {
        lines++;
    }
    assert_true(lines < 75);
    says(text, "the best of 30 counts, round 1");
    says(text, "> 103.5");
    says(text, "  capacity  discharge     30       30.0 h  cut-off reached\n");
    says(text, "     1    129.400    103.5  1650.25  130.100      -      -  12.34  31.2\n");
    says(text, "     2    129.300    103.5  1650.25  130.100  99.46  95.12  12.34  31.2\n");
    says(text, "    30  > 126.500 ");
    free(text);
    json_decref(o);
}

static void run_with_pulses(void **state)
{
    (void)state;
    json_t *o = parse(passed_run);
    json_t *step = json_array_get(json_object_get(json_object_get(o, "result"), "steps"), 0);
    json_t *more =
        json_pack("{s:f, s:f, s:s, s:f, s:f, s:f, s:f}", "resistance_mOhm", 50.02,
                  "resistance_uncertainty_mOhm", 0.41, "resistance_method", "two-current",
                  "resistance_held_s", 9.9, "resistance_after_s", 1.0, "resistance_temperature_C",
                  21.5, "resistance_state_of_charge_percent", 99.94);
    json_object_update_new(step, more);
    char *text = printed(run_print, o);
    fits_the_page(text);
    says(text, "50.02 mOhm +- 0.41 mOhm (k = 2)");
    says(text, "100 %  21.5  two currents: 9.9 s, then");
    free(text);
    json_decref(o);
}

static void run_ends(const char *outcome, const char *verdict, int status, const char *word)
{
    json_t *o = parse(passed_run);
    json_object_set_new(o, "outcome", json_string(outcome));
    json_object_set_new(json_object_get(o, "result"), "verdict",
                        verdict != NULL ? json_string(verdict) : json_null());
    char *text = printed(run_headline, o);
    assert_int_equal(strncmp(text, word, strlen(word)), 0);
    assert_int_equal(run_exit_status(o), status);
    free(text);
    json_decref(o);
}

static void run_endings(void **state)
{
    (void)state;
    run_ends("completed", "pass", 0, "PASS  ");
    run_ends("completed", NULL, 0, "DONE  ");
    run_ends("completed", "fail", 1, "FAIL  ");
    run_ends("completed", "undecided", 1, "UNDECIDED  ");
    run_ends("tripped", "pass", 3, "TRIPPED  ");
    run_ends("stopped", NULL, 3, "STOPPED  ");
    run_ends("aborted", NULL, 3, "ABORTED  ");
    run_ends("interrupted", NULL, 3, "INTERRUPTED  ");
}

/* As the page and the report say it: how it ended, and that it was enough; never a verdict. */
static void a_stopped_run_that_had_enough(void **state)
{
    (void)state;
    json_t *o = parse(passed_run), *list = parse("[]");
    json_t *result = json_object_get(o, "result");
    json_object_set_new(o, "outcome", json_string("stopped"));
    json_object_set_new(o, "enough", json_true());
    json_object_set_new(result, "verdict", json_string("undecided"));
    json_object_set_new(result, "enough", json_true());
    char *text = printed(run_headline, o);
    says(text, "STOPPED  ");
    says(text, "enough for the 118.8 Ah wanted");
    free(text);
    json_array_append(list, o);
    text = printed(runs_print, list);
    says(text, "stopped, enough");
    free(text);
    json_object_set_new(result, "enough", json_false());
    text = printed(run_headline, o);
    says(text, "short of the 118.8 Ah wanted");
    free(text);
    /* By the corrected capacity, where that decides: the one beside it would say otherwise. */
    json_t *c = parse("{\"decides\": true, \"applied\": true, \"verified\": true, "
                      "\"capacity_Ah\": 117.2}");
    json_object_set_new(result, "correction", c);
    text = printed(run_headline, o);
    says(text, "short of the 118.8 Ah wanted (corrected capacity: 117.2 Ah)");
    free(text);
    json_object_set_new(c, "decides", json_false());
    text = printed(run_headline, o);
    assert_null(strstr(text, "corrected"));
    free(text);
    json_object_set_new(o, "enough", json_false()); /* what is bad is told as what is good */
    text = printed(runs_print, list);
    says(text, "stopped, short");
    free(text);
    json_object_set_new(o, "enough", json_null());
    text = printed(runs_print, list);
    assert_null(strstr(text, "stopped,"));
    free(text);
    json_decref(list);
    json_decref(o);
}

/* A bound is one in percent, too. */
static void a_bound_is_called_so(void **state)
{
    (void)state;
    json_t *o = parse(passed_run), *list = parse("[]");
    json_t *result = json_object_get(o, "result");
    json_object_set_new(o, "lower_bound", json_true());
    json_object_set_new(result, "lower_bound", json_true());
    char *text = printed(run_headline, o);
    says(text, "delivered at least 129.42 Ah +- 0.09 Ah (k = 2) of 125 Ah rated:");
    says(text, "at least 103.5 %");
    free(text);
    json_array_append(list, o);
    text = printed(runs_print, list);
    says(text, "> 129.42  > 103.5  ");
    free(text);
    json_decref(list);
    json_decref(o);
}

/* Its discharge may have come to its cut-off: no verdict is told of it all the same, so neither is
 * its rule, nor the probability of it. */
static void a_stopped_run_has_no_rule(void **state)
{
    (void)state;
    json_t *o = parse(passed_run);
    char *text = printed(run_print, o);
    says(text, "  judged   at least 118.8 Ah is needed, with guard band");
    says(text, "probability that it is there: 100.0 %");
    free(text);
    json_object_set_new(o, "outcome", json_string("tripped"));
    text = printed(run_print, o);
    says(text, "  wanted   at least 118.8 Ah\n");
    assert_null(strstr(text, "judged"));
    assert_null(strstr(text, "guard band"));
    assert_null(strstr(text, "probability"));
    free(text);
    json_decref(o);
}

/* A run cut off before anything could be computed. */
static void run_without_result(void **state)
{
    (void)state;
    static const char *const promised[] = {"capacity_Ah",
                                           "energy_Wh",
                                           "duration_s",
                                           "mean_voltage_V",
                                           "end_reason",
                                           "percent_of_rated",
                                           "resistance_mOhm",
                                           "verdict",
                                           "trip",
                                           "samples",
                                           "capacity_uncertainty_Ah",
                                           "temperature_max_C"};
    json_t *o = parse("{\"number\": 1, \"battery\": \"launch-a\", \"outcome\": \"interrupted\","
                      " \"samples\": 0, \"steps\": [], \"result\": null, \"plan\": null}");
    char *text = printed(run_print, o);
    fits_the_page(text);
    says(text, "no capacity was measured");
    free(text);
    json_t *document = run_document(o);
    for (size_t i = 0; i < sizeof promised / sizeof promised[0]; i++) {
        if (json_object_get(document, promised[i]) == NULL) {
            fail_msg("no key \"%s\"", promised[i]);
        }
    }
    json_decref(document);
    json_decref(o);
}

static void run_document_has_both(void **state)
{
    (void)state;
    json_t *o = parse(passed_run);
    json_t *d = run_document(o);
    assert_string_equal(text_at(d, "outcome"), "completed");
    assert_string_equal(text_at(d, "verdict"), "pass");
    assert_int_equal(integer_at(d, "samples"), 46000);
    assert_true(number_at(d, "capacity_uncertainty_Ah") > 0.09);
    assert_null(json_object_get(d, "result"));
    const json_t *step = json_array_get(json_object_get(d, "steps"), 0);
    assert_true(number_at(step, "capacity_Ah") > 129);
    json_decref(d);
    json_decref(o);
}

static void lists(void **state)
{
    (void)state;
    json_t *o = parse("[]");
    char *text = printed(runs_print, o);
    says(text, "no runs yet");
    free(text);
    json_array_append_new(o, parse(passed_run));
    text = printed(runs_print, o);
    fits_the_page(text);
    says(text, "pass");
    says(text, "129.42");
    free(text);
    json_decref(o);
}

static void plans(void **state)
{
    (void)state;
    json_t *o =
        parse("{\"profile\": \"overnight\", \"battery\": {\"label\": \"launch-a\","
              "   \"chemistry\": \"lfp\", \"cells\": 4, \"rated_Ah\": 125}, \"stand\": null,"
              " \"steps\": [{\"kind\": \"discharge\", \"name\": \"capacity\", \"current_A\": -10,"
              "   \"until_voltage_V\": 10, \"at_most_s\": 72000, \"at_most_Ah\": 187.5,"
              "   \"sample_every_s\": 1, \"expected_s\": 45000, \"expected_Ah\": 125,"
              "   \"expected_Wh\": 1600, \"heat_W\": 128}],"
              " \"limits\": [{\"name\": \"voltage_min\", \"value\": 8.8, \"unit\": \"V\","
              "   \"source\": \"chemistry lfp: floor 2.00 V/cell x 4\"}],"
              " \"acceptance\": {\"step_name\": \"capacity\", \"capacity_Ah\": 118.75,"
              "   \"rule\": \"guard-band\"},"
              " \"expected_s\": 45000, \"expected_Ah\": 125, \"expected_Wh\": 1600,"
              " \"problems\": [\"the load takes 5 A at most and this needs 10 A\"],"
              " \"warnings\": [], \"cautions\": [\"hydrogen\"]}");
    char *text = printed(plan_print, o);
    fits_the_page(text);
    says(text, "12.5 h");
    says(text, "discharge 10.0 A to 10.00 V, at most 20.0 h");
    says(text, "PROBLEMS");
    says(text, "the load takes 5 A at most");
    says(text, "8.80 V  chemistry lfp");
    assert_null(strstr(text, "Warnings"));
    free(text);
    json_array_clear(json_object_get(o, "problems"));
    text = printed(plan_print, o);
    says(text, "Nothing was switched on");
    assert_null(strstr(text, "PROBLEMS"));
    free(text);
    json_decref(o);
}

/* Lines that were wrapped become one again. */
static void unwrap(char *text)
{
    char *to = text;
    for (const char *from = text; *from != '\0'; from++) {
        bool blank = *from == ' ' || *from == '\n';
        if (!blank || (to > text && to[-1] != ' '))
            *to++ = blank ? ' ' : *from;
    }
    *to = '\0';
}

/* Each kind of step says what it does, how it ends, and what it never exceeds. */
static void plan_of_every_kind(void **state)
{
    (void)state;
    json_t *o = parse(
        "{\"profile\": \"all\", \"battery\": {\"label\": \"lamp-7\", \"chemistry\": \"nimh\","
        "   \"cells\": 4, \"rated_Ah\": 2}, \"stand\": null, \"steps\": ["
        " {\"kind\": \"hold\", \"say\": \"connect it\", \"at_most_s\": 43200},"
        " {\"kind\": \"charge\", \"current_A\": 1, \"charge_voltage_V\": 6.4,"
        "   \"until_drop_V\": 0.02, \"until_warming_C_per_min\": 1, \"at_most_s\": 10800,"
        "   \"at_most_Ah\": 3.4, \"at_most_s_is_fault\": false, \"at_most_Ah_is_fault\": true,"
        "   \"sample_every_s\": 1, \"rounds\": 3, \"limits\": [{\"name\": \"temperature_min\","
        "   \"value\": 0, \"unit\": \"degC\", \"source\": \"chemistry nimh: charge from 0 "
        "degC\"}]},"
        " {\"kind\": \"charge\", \"current_A\": 0.2, \"charge_voltage_V\": 14.4,"
        "   \"charge_voltage_V_per_K\": -0.018, \"compensation_reference_C\": 25,"
        "   \"until_current_A\": 0.05, \"at_most_s\": 57600, \"at_most_s_is_fault\": true,"
        "   \"at_most_Ah_is_fault\": true, \"skip_above_V\": 4, \"sample_every_s\": 1},"
        " {\"kind\": \"rest\", \"until_settled_V_per_h\": 0.005, \"at_least_s\": 600,"
        "   \"at_most_s\": 28800, \"sample_every_s\": 1},"
        " {\"kind\": \"discharge\", \"power_W\": 50, \"current_A\": -12, \"until_voltage_V\": 4,"
        "   \"at_most_s\": 3600, \"sample_every_s\": 1},"
        " {\"kind\": \"discharge\", \"resistance_ohm\": 2, \"current_A\": -3, \"at_most_s\": 3600,"
        "   \"sample_every_s\": 1},"
        " {\"kind\": \"pulse\", \"until_voltage_V\": 4, \"sample_every_s\": 0.1, \"segments\": ["
        "   {\"current_A\": -0.4, \"for_s\": 10}, {\"current_A\": -4, \"for_s\": 3}]},"
        " {\"kind\": \"repeat\", \"rounds\": 3, \"repeat\": {\"back_to_step\": 1, \"times\": 3,"
        "   \"until_agree_within_percent\": 2, \"until_cutoff\": false}}],"
        " \"limits\": [], \"acceptance\": {\"step_name\": \"capacity\", \"capacity_Ah\": 2,"
        "   \"rule\": \"simple\", \"counts\": \"best\"},"
        " \"expected_s\": 45000, \"expected_Ah\": 2, \"expected_Wh\": 10,"
        " \"expected_charged_Ah\": 3, \"expected_charged_Wh\": 17, \"longest_s\": 90000,"
        " \"disk_bytes\": 2700000, \"problems\": [], \"warnings\": [], \"cautions\": []}");
    char *text = printed(plan_print, o);
    fits_the_page(text);
    unwrap(text);
    static const char *const parts[] = {
        "wait for a person, at most 12.0 h",
        "charge 1.00 A, at most 6.40 V",
        "until it warms by 1.0 degC/min,",
        "or after 3.0 h",
        "at most 3 times",
        "only if below 4.00 V",
        "until the current is",
        "rest until it drifts by no more than 5.0",
        "discharge 50 W to 4.00 V",
        "discharge through 2 Ohm",
        "pulse: discharge 0.400 A for 10 s",
        "from step 2 again, 3 times in all",
        "discharged",
        "charged",
        "At its longest 25.0 h; samples take about 2.7 MB",
        "In these steps instead",
        "charge from 0 degC",
        "in its best round",
    };
    for (size_t i = 0; i < sizeof parts / sizeof *parts; i++)
        says(text, parts[i]);
    free(text);
    json_decref(o);
}

int main(void)
{
    setenv("TZ", "UTC", 1);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers),
        cmocka_unit_test(counted_and_compared),
        cmocka_unit_test(uncertain_numbers),
        cmocka_unit_test(times),
        cmocka_unit_test(tables),
        cmocka_unit_test(stand_running),
        cmocka_unit_test(stand_in_trouble),
        cmocka_unit_test(stand_that_waits),
        cmocka_unit_test(progress_now_and_then),
        cmocka_unit_test(run_passed),
        cmocka_unit_test(run_endings),
        cmocka_unit_test(a_stopped_run_that_had_enough),
        cmocka_unit_test(a_stopped_run_has_no_rule),
        cmocka_unit_test(a_bound_is_called_so),
        cmocka_unit_test(run_without_result),
        cmocka_unit_test(run_document_has_both),
        cmocka_unit_test(run_of_thirty_rounds),
        cmocka_unit_test(run_with_pulses),
        cmocka_unit_test(lists),
        cmocka_unit_test(plans),
        cmocka_unit_test(plan_of_every_kind),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
