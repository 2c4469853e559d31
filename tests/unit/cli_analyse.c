/* SPDX-License-Identifier: GPL-3.0-or-later
 * The verb `analyse` from arguments to exit status, with files of known content. */
#include "cli/analyse.h"
#include "report/csv.h"

#include <fcntl.h>
#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

static char folder[] = "/tmp/ampledger-analyse-XXXXXX";

static int enter_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) == NULL || chdir(folder) != 0;
}

static int leave_folder(void **state)
{
    (void)state;
    unlink("log.csv");
    unlink("out");
    unlink("err");
    return chdir("/") != 0 || rmdir(folder) != 0;
}

static struct {
    int status;
    char out[16384];
    char err[2048];
} said;

static void read_back(const char *name, char *text, size_t size)
{
    FILE *f = fopen(name, "r");
    assert_non_null(f);
    size_t n = fread(text, 1, size - 1, f);
    text[n] = '\0';
    fclose(f);
}

static int redirect(int fd, const char *name)
{
    int saved = dup(fd);
    int to = open(name, O_CREAT | O_TRUNC | O_WRONLY | O_CLOEXEC, 0600);
    assert_true(saved >= 0 && to >= 0 && dup2(to, fd) >= 0);
    close(to);
    return saved;
}

static void restore(int fd, int saved)
{
    assert_true(dup2(saved, fd) >= 0);
    close(saved);
}

/* Call the verb with arguments up to a NULL and keep what it said. */
static void run(const char *first, ...)
{
    char words[24][96];
    char *argv[25];
    int argc = 0;
    va_list args;
    va_start(args, first);
    snprintf(words[argc++], sizeof words[0], "analyse");
    for (const char *word = first; word != NULL; word = va_arg(args, const char *))
        snprintf(words[argc++], sizeof words[0], "%s", word);
    va_end(args);
    for (int i = 0; i < argc; i++)
        argv[i] = words[i];
    argv[argc] = NULL;

    fflush(stdout);
    fflush(stderr);
    int saved_out = redirect(STDOUT_FILENO, "out");
    int saved_err = redirect(STDERR_FILENO, "err");
    said.status = cli_analyse(argc, argv);
    fflush(stdout);
    fflush(stderr);
    restore(STDOUT_FILENO, saved_out);
    restore(STDERR_FILENO, saved_err);
    read_back("out", said.out, sizeof said.out);
    read_back("err", said.err, sizeof said.err);
}

static void expect_refusal(const char *message)
{
    assert_string_equal(said.err, message);
    assert_int_equal(said.status, 2);
    assert_string_equal(said.out, "");
}

static double number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    if (!json_is_number(v))
        fail_msg("\"%s\" is no number", key);
    return json_number_value(v);
}

static const char *word(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    if (!json_is_string(v))
        fail_msg("\"%s\" is no text", key);
    return json_string_value(v);
}

static json_t *document(void)
{
    json_error_t error;
    assert_string_equal(said.err, "");
    json_t *o = json_loads(said.out, 0, &error);
    if (o == NULL)
        fail_msg("no JSON: %s\n%s", error.text, said.out);
    return o;
}

static void close_to(double value, double expected, double relative)
{
    if (!(fabs(value - expected) <= relative * fabs(expected)))
        fail_msg("%.17g instead of %.17g", value, expected);
}

static void put(const char *text)
{
    FILE *f = fopen("log.csv", "wb");
    assert_non_null(f);
    fputs(text, f);
    assert_int_equal(fclose(f), 0);
}

static void put_sample(FILE *f, const struct sample *s)
{
    char line[CSV_SAMPLE_SIZE];
    size_t n = csv_format_sample(0, s, 0, line);
    assert_int_equal(fwrite(line, 1, n, f), n);
}

/* 5 A; 3.010 V at 3590 s, 2.990 V at 3600 s. */
static void put_crossing_log(double sign)
{
    FILE *f = fopen("log.csv", "wb");
    assert_non_null(f);
    fputs(CSV_SAMPLES_HEADER, f);
    for (int k = 0; k <= 360; k++) {
        struct sample s = {10.0 * k, k == 360 ? 2.990 : 4.087 - 0.003 * k, sign * 5, 20 + k / 60.0};
        put_sample(f, &s);
    }
    assert_int_equal(fclose(f), 0);
}

static void the_crossing_example_is_exact(void **state)
{
    (void)state;
    put_crossing_log(-1);
    run("log.csv", "--cutoff", "3V", "--json", NULL);
    assert_int_equal(said.status, 0);
    json_t *o = document();
    close_to(number(o, "capacity_Ah"), 5 * 3595.0 / 3600, 1e-12);
    assert_true(fabs(number(o, "capacity_Ah") - 4.993056) < 5e-7);
    close_to(number(o, "duration_s"), 3595, 1e-12);
    close_to(number(o, "temperature_max_C"), 26, 1e-12);
    assert_string_equal(word(o, "end_reason"), "cut-off crossed");
    assert_string_equal(word(o, "kind"), "discharge");
    assert_string_equal(word(o, "file"), "log.csv");
    assert_string_equal(word(o, "end_rule"), "crossing");
    assert_int_equal(number(o, "samples"), 361);
    assert_int_equal(number(o, "gaps"), 0);
    assert_true(json_is_null(json_object_get(o, "verdict")));
    assert_true(json_is_null(json_object_get(o, "percent_of_rated")));
    assert_true(json_is_array(json_object_get(o, "notes")));
    assert_true(number(o, "capacity_uncertainty_Ah") > 0);
    json_decref(o);
}

static void signs_and_rules_are_options(void **state)
{
    (void)state;
    put_crossing_log(+1);
    run("--discharge-positive", "--cutoff=3000 mV", "log.csv", "--end-rule", "first-below",
        "--json", NULL);
    json_t *o = document();
    close_to(number(o, "capacity_Ah"), 5, 1e-12);
    json_decref(o);
    run("--end-rule", "whole", "--discharge-positive", "log.csv", "--json", NULL);
    o = document();
    close_to(number(o, "capacity_Ah"), 5, 1e-12);
    assert_string_equal(word(o, "end_reason"), "end of record");
    assert_true(json_is_null(json_object_get(o, "cutoff_V")));
    json_decref(o);

    run("log.csv", "--cutoff", "3V", NULL);
    expect_refusal("log.csv: the voltage falls through the cut-off of 3 V while the current is "
                   "positive, which means charging; if this log writes discharge as positive, say "
                   "so (--discharge-positive turns the sign round)\n");
}

static void verdicts_set_the_exit_status(void **state)
{
    (void)state;
    put_crossing_log(-1);
    const struct {
        const char *rated, *accept, *verdict;
        int status;
    } known[] = {
        {"4.9Ah", "100 %", "pass", 0}, {"5Ah", "100 %", "undecided", 1},
        {"6Ah", "100 %", "fail", 1},   {"6Ah", "80 %", "pass", 0},
        {"6Ah", "5.5 Ah", "fail", 1},
    };
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        run("log.csv", "--cutoff", "3V", "--rated", known[i].rated, "--accept", known[i].accept,
            "--json", NULL);
        assert_int_equal(said.status, known[i].status);
        json_t *o = document();
        assert_string_equal(word(o, "verdict"), known[i].verdict);
        json_decref(o);
    }
    run("log.csv", "--cutoff", "3V", "--rated", "6000mAh", "--json", NULL);
    assert_int_equal(said.status, 1); /* the rating itself unless told otherwise */
    json_t *o = document();
    close_to(number(o, "percent_of_rated"), 100 * 5 * 3595.0 / 3600 / 6, 1e-12);
    json_decref(o);
    run("log.csv", "--cutoff", "3V", "--accept", "4Ah", NULL);
    assert_int_equal(said.status, 0);
    run("log.csv", "--cutoff", "3V", "--rated", "4.993Ah", "--decision", "simple", NULL);
    assert_int_equal(said.status, 0);
}

static void an_unfinished_discharge_does_not_fail(void **state)
{
    (void)state;
    put_crossing_log(-1);
    run("log.csv", "--cutoff", "2V", "--rated", "9Ah", "--json", NULL);
    assert_int_equal(said.status, 1);
    json_t *o = document();
    assert_string_equal(word(o, "verdict"), "undecided");
    assert_string_equal(word(o, "end_reason"), "cut-off not reached");
    json_decref(o);
}

static void accuracy_enters_the_uncertainty(void **state)
{
    (void)state;
    put_crossing_log(-1);
    run("log.csv", "--cutoff", "3V", "--json", NULL);
    json_t *o = document();
    double plain = number(o, "capacity_uncertainty_Ah");
    json_decref(o);
    run("log.csv", "--cutoff", "3V", "--json", "--current-accuracy", "0.1 % + 5 mA",
        "--voltage-accuracy", "10mV", "--time-accuracy", "50 ppm", NULL);
    o = document();
    double with = number(o, "capacity_uncertainty_Ah");
    double charge = number(o, "capacity_Ah");
    json_decref(o);
    double more = 0;
    more += pow(charge * 0.001, 2) / 3;
    more += pow(0.005 * 3595 / 3600, 2) / 3;
    more += pow(charge * 50e-6, 2) / 3;
    more += pow(0.010 / (0.02 / 10) * 5 / 3600, 2) / 3;
    close_to(with, sqrt(plain * plain + 4 * more), 1e-9);
}

/* A current that swings and a voltage that sags, with known integrals. */
static void a_synthetic_log_is_met(void **state)
{
    (void)state;
    FILE *f = fopen("log.csv", "wb");
    assert_non_null(f);
    fputs(CSV_SAMPLES_HEADER, f);
    const double w = 2 * acos(-1) / 600;
    for (int k = 0; k <= 7200; k++) {
        double t = 0.5 * k;
        struct sample s = {t, 4 - t / 3600, -(2 + sin(w * t)), NAN};
        put_sample(f, &s);
    }
    assert_int_equal(fclose(f), 0);
    run("log.csv", "--end-rule", "whole", "--json", NULL);
    json_t *o = document();
    /* Six whole periods: the sine adds nothing to the charge; to the energy
     * -1/3600 of the integral of t sin(wt) = -T/w over T = 3600 s. */
    close_to(number(o, "capacity_Ah"), 2, 1e-6);
    close_to(number(o, "energy_Wh"), 7 + 1 / w / 3600, 1e-6);
    close_to(number(o, "mean_voltage_V"), (7 + 1 / w / 3600) / 2, 1e-6);
    assert_int_equal(number(o, "samples"), 7201);
    json_decref(o);
}

/* A row that was written late, and temperatures that are missing: counted as if in order, and
 * told. */
static void late_rows_are_counted_and_told(void **state)
{
    (void)state;
    put("t_s,voltage_V,current_A,temperature_C\n0,4.0,-2,20\n1200,3.6,-2,\n600,3.8,-1,\n"
        "1800,3.4,-2,21\n2400,3.2,-2,\n");
    run("log.csv", "--end-rule", "whole", "--gap", "1h", "--json", NULL);
    json_t *o = document();
    close_to(number(o, "capacity_Ah"), (4 * 2 - 1) * 600.0 / 3600, 1e-12);
    assert_int_equal(number(o, "late_rows"), 1);
    assert_int_equal(number(o, "rows_with_temperature"), 2);
    json_decref(o);
    run("log.csv", "--end-rule", "whole", "--gap", "1h", NULL);
    assert_non_null(
        strstr(said.out, "1 row stood out of order (line 4: time goes back from 1200 s"));
    assert_non_null(strstr(said.out, "no temperature in 3 of 5 rows"));
}

static void leads_are_a_cable(void **state)
{
    (void)state;
    put("t_s,voltage_V,current_A\n0,12.4,-20\n3600,10.4,-20\n");
    run("log.csv", "--cutoff", "11.6V", "--leads", "2 m of 4 mm2", "--gap", "2h", "--json", NULL);
    json_t *o = document();
    close_to(number(o, "lead_resistance_mOhm"), 9.90, 1e-9);
    close_to(number(o, "start_voltage_V"), 12.4 + 20 * 9.90e-3, 1e-12);
    json_decref(o);
    run("log.csv", "--cutoff", "11.6V", "--leads", "2 m of 3 mm2", NULL);
    expect_refusal("--leads: \"2 m of 3 mm2\": the table has no copper of 3 mm2; it has 0.5, 0.75, "
                   "1, 1.5, 2.5, 4, 6, 10, 16, 25, 35 and 50 mm2\n");
}

/* What the thermometer makes of a correction stands in the budget; without one it says so. */
static void temperature_stands_in_the_budget(void **state)
{
    (void)state;
    put("t_s,voltage_V,current_A,temperature_C\n0,12.4,-20,15\n3600,10.4,-20,15\n");
    run("log.csv", "--cutoff", "11V", "--gap", "2h", NULL);
    assert_non_null(strstr(said.out, "no correction to a reference temperature"));
    run("log.csv", "--cutoff", "11V", "--gap", "2h", "--correction", "stated-linear",
        "--per-kelvin", "0.6 %", "--reference", "20degC", "--thermometer", "1degC", "--json", NULL);
    json_t *o = document();
    json_t *t = json_object_get(json_object_get(o, "uncertainty"), "temperature");
    /* C / (1 + a (T - T0)) at 15 and at 14 degC, rectangular. */
    double corrected = number(o, "capacity_Ah") / 0.97;
    close_to(number(t, "standard_Ah"), corrected * 0.006 / 0.964 / sqrt(3), 1e-6);
    json_decref(o);
}

/* A voltage that jumps and a load that was on for a moment: nobody fails by it. */
static void a_test_that_failed_judges_nobody(void **state)
{
    (void)state;
    put("t_s,voltage_V,current_A\n0,8.4,0\n1000,3.9,0\n2000,3.9,0\n2002,3.7,-2\n2004,3.6,-2\n"
        "2006,3.9,0\n");
    run("log.csv", "--cutoff", "2.7V", "--rated", "2Ah", NULL);
    assert_int_equal(said.status, 1);
    assert_non_null(strstr(said.out, "record        FAULTY: a discharge that failed"));
    assert_non_null(strstr(said.out, "undecided: the record is of a test that failed"));
}

static void lead_resistance_is_corrected(void **state)
{
    (void)state;
    put("t_s,voltage_V,current_A\n0,12.4,-20\n3600,10.4,-20\n");
    run("log.csv", "--cutoff", "11.6V", "--lead-resistance", "10mOhm", "--gap", "2h", "--json",
        NULL);
    json_t *o = document();
    close_to(number(o, "capacity_Ah"), 10, 1e-12);
    close_to(number(o, "start_voltage_V"), 12.6, 1e-12);
    json_decref(o);
}

static void a_charge_is_named_so(void **state)
{
    (void)state;
    put("t_s,voltage_V,current_A\n0,3.4,1.5\n1800,3.8,1.5\n3600,4.2,1.5\n");
    run("log.csv", "--cutoff", "2.7V", "--rated", "2Ah", "--json", NULL);
    assert_int_equal(said.status, 0);
    json_t *o = document();
    assert_string_equal(word(o, "kind"), "charge");
    close_to(number(o, "capacity_Ah"), 1.5, 1e-12);
    assert_true(json_is_null(json_object_get(o, "verdict")));
    json_decref(o);
    run("log.csv", "--cutoff", "2.7V", "--rated", "2Ah", NULL);
    assert_non_null(strstr(said.out, "none: a charge does not show"));
}

static void words_fit_eighty_columns(void **state)
{
    (void)state;
    put_crossing_log(-1);
    run("log.csv", "--cutoff", "3V", "--rated", "4.9Ah", "--current-accuracy", "0.1%", NULL);
    assert_int_equal(said.status, 0);
    assert_non_null(strstr(said.out, "log.csv: discharge to 3 V, cut-off crossed\n"));
    assert_non_null(strstr(said.out, "discharge 5 A, mean under load"));
    assert_non_null(strstr(said.out, "pass: at least the 4.9 Ah wanted"));
    assert_non_null(strstr(said.out, "59 min 55 s"));
    for (const char *at = said.out; *at != '\0';) {
        size_t n = strcspn(at, "\n");
        if (n > 80)
            fail_msg("%zu columns: %.*s", n, (int)n, at);
        at += n + (at[n] == '\n');
    }
}

static void help_teaches(void **state)
{
    (void)state;
    run("--help", NULL);
    assert_int_equal(said.status, 0);
    assert_non_null(strstr(said.out, "ampledger analyse launch-3.csv --cutoff 10.8V\n"));
    assert_string_equal(said.err, "");
}

static void wrong_usage_is_told(void **state)
{
    (void)state;
    put_crossing_log(-1);
    run(NULL, NULL);
    expect_refusal("analyse: no file named; `ampledger analyse --help` shows examples\n");
    run("log.csv", NULL);
    expect_refusal("analyse: where does the discharge end? Give --cutoff, e.g. --cutoff 2.7V, or "
                   "take every row with --end-rule whole\n");
    run("log.csv", "more.csv", "--cutoff", "3V", NULL);
    expect_refusal("analyse: one file at a time, but more.csv follows log.csv\n");
    run("log.csv", "--cutof=3V", "--ratde", "2Ah", NULL);
    expect_refusal("analyse: unknown option --ratde; is --rated meant?\n");
    run("log.csv", "--cutoff", NULL);
    expect_refusal("analyse: --cutoff needs a value; `ampledger analyse --help` shows examples\n");
    run("log.csv", "--cutoff", "3V", "--accept", "80 %", NULL);
    expect_refusal("analyse: --accept as a share needs --rated, the charge it is a share of, e.g. "
                   "--rated 90Ah\n");
    run("log.csv", "--cutoff", "-3V", NULL);
    expect_refusal("--cutoff: \"-3V\" must be above zero\n");
    run("log.csv", "--cutoff", "3V", "--end-rule", "cross", NULL);
    expect_refusal("--end-rule: \"cross\" is not known; choose one of crossing, first-below, "
                   "whole\n");
    run("log.csv", "--cutoff", "3V", "--current-accuracy", "0.1 % + 0.2 %", NULL);
    expect_refusal("--current-accuracy: \"0.1 % + 0.2 %\" must be one share and one amount, none "
                   "negative, e.g. \"0.1 % + 5 mA\"\n");
    run("log.csv", "--cutoff", "3V", "--decision", "guard-share", NULL);
    expect_refusal("analyse: --decision guard-share needs --guard-share, e.g. --guard-share \"50 "
                   "%\"\n");
    run("log.csv", "--cutoff", "3V", "--decision", "simple", "--guard-share", "50 %", NULL);
    expect_refusal("analyse: --guard-share belongs to --decision guard-share, not to simple\n");
    run("log.csv", "--cutoff", "3V", "--guard-share", "150 %", NULL);
    expect_refusal("--guard-share: \"150 %\" is more than the uncertainty itself; at most 100 %\n");
}

/* A wrong unit is named together with the option. */
static void units_are_checked(void **state)
{
    (void)state;
    static const char *const wrong[][2] = {
        {"--cutoff", "2.7"},
        {"--cutoff", "2.7A"},
        {"--rated", "2A"},
        {"--lead-resistance", "10"},
        {"--gap", "60"},
        {"--accept", "80"},
        {"--current-accuracy", "5V"},
        {"--voltage-accuracy", ""},
        {"--time-accuracy", "1s"},
    };
    put_crossing_log(-1);
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        run("log.csv", wrong[i][0], wrong[i][1], NULL);
        assert_int_equal(said.status, 2);
        assert_int_equal(strncmp(said.err, wrong[i][0], strlen(wrong[i][0])), 0);
        assert_true(strlen(said.err) > strlen(wrong[i][0]) + 10);
        assert_string_equal(said.out, "");
    }
}

static void bad_files_are_told(void **state)
{
    (void)state;
    const struct {
        const char *text, *message;
    } known[] = {
        {"", "log.csv: the file is empty; its first line must name the columns t_s, voltage_V, "
             "current_A\n"},
        {"t_s,voltage_V,watts\n", "log.csv:1: no column \"current_A\"; the header names t_s, "
                                  "voltage_V, watts; needed are t_s, voltage_V, current_A\n"},
        {"t_s,voltage_V,current_A\n0,4,-1\n9,x,-1\n",
         "log.csv:3: voltage_V is \"x\", which is not a number; write it like 3.71\n"},
        {"t_s,voltage_V,current_A\n0,4,-1\n900,3.9,-1\n8,3.8,-1\n",
         "log.csv:4: time goes back from 900 s to 8 s, and 1 of 3 rows stand behind a later one: "
         "that is not one record; part it, or put the rows in order of time\n"},
        {"t_s,voltage_V,current_A\n0,4,-1\n",
         "log.csv: the record holds 1 row with voltage and current; at least two are needed\n"},
        {"t_s,voltage_V,current_A\n0,2.6,-1\n9,2.5,-1\n",
         "log.csv: row 1, the first under load, is already below the cut-off: 2.6 V against 2.7 V; "
         "the battery was empty, or the cut-off is not meant for it\n"},
        {"t_s,voltage_V,current_A\n0,4,0\n9,4,0\n",
         "log.csv: no load in the record: the current never exceeds 0 A in 2 rows\n"},
    };
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        put(known[i].text);
        run("log.csv", "--cutoff", "2.7V", "--json", NULL);
        expect_refusal(known[i].message);
    }
    run("no.csv", "--cutoff", "2.7V", NULL);
    expect_refusal("cannot read no.csv: No such file or directory; check the name and whether you "
                   "may read it\n");
}

/* 4.993 Ah from 20 to 26 degC, mean 23: both values are shown, and by which rule. */
static void a_correction_is_shown_beside(void **state)
{
    (void)state;
    put_crossing_log(-1);
    run("log.csv", "--cutoff", "3V", "--rated", "5.05Ah", "--decision", "simple", "--correction",
        "below-25", "--json", NULL);
    assert_int_equal(said.status, 0);
    json_t *o = document();
    json_t *c = json_object_get(o, "correction");
    close_to(number(o, "capacity_Ah"), 5 * 3595.0 / 3600, 1e-12);
    close_to(number(c, "capacity_Ah"),
             5 * 3595.0 / 3600 / (1 - 0.009 * (25 - number(c, "temperature_C"))), 1e-9);
    assert_true(fabs(number(c, "temperature_C") - 23) < 0.01);
    assert_string_equal(word(o, "verdict"), "pass");
    assert_string_equal(word(c, "temperature_at"), "mean");
    json_decref(o);

    /* From memory: the verdict is about what was measured. */
    run("log.csv", "--cutoff", "3V", "--rated", "5.05Ah", "--decision", "simple", "--correction",
        "iec-linear", "--temperature", "17degC", NULL);
    assert_int_equal(said.status, 1);
    assert_non_null(strstr(said.out, "unverified, from memory"));
    assert_non_null(strstr(said.out, "fail: less than"));
    assert_non_null(strstr(said.out, "17.0 degC (stated)"));

    /* It cannot be made: no verdict by the back door. */
    run("log.csv", "--cutoff", "3V", "--rated", "4Ah", "--correction", "guide-27", "--temperature",
        "10 degC", NULL);
    assert_int_equal(said.status, 1);
    assert_non_null(strstr(said.out, "undecided: the correction asked for cannot be relied on"));
    assert_non_null(strstr(said.out, "guide-27 holds from 24.0 to 32.0 degC"));

    run("log.csv", "--cutoff", "3V", "--correction", "below25", NULL);
    expect_refusal("--correction: no correction \"below25\"; is below-25 meant?\n");
    run("log.csv", "--cutoff", "3V", "--correction", "stated-linear", NULL);
    assert_int_equal(said.status, 2);
    run("log.csv", "--cutoff", "3V", "--temperature", "12 degC", NULL);
    assert_int_equal(said.status, 2);
    assert_non_null(strstr(said.err, "a temperature changes nothing without --correction"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_crossing_example_is_exact),
        cmocka_unit_test(signs_and_rules_are_options),
        cmocka_unit_test(verdicts_set_the_exit_status),
        cmocka_unit_test(an_unfinished_discharge_does_not_fail),
        cmocka_unit_test(accuracy_enters_the_uncertainty),
        cmocka_unit_test(a_synthetic_log_is_met),
        cmocka_unit_test(lead_resistance_is_corrected),
        cmocka_unit_test(a_test_that_failed_judges_nobody),
        cmocka_unit_test(late_rows_are_counted_and_told),
        cmocka_unit_test(leads_are_a_cable),
        cmocka_unit_test(temperature_stands_in_the_budget),
        cmocka_unit_test(a_charge_is_named_so),
        cmocka_unit_test(a_correction_is_shown_beside),
        cmocka_unit_test(words_fit_eighty_columns),
        cmocka_unit_test(help_teaches),
        cmocka_unit_test(wrong_usage_is_told),
        cmocka_unit_test(units_are_checked),
        cmocka_unit_test(bad_files_are_told),
    };
    return cmocka_run_group_tests(tests, enter_folder, leave_folder);
}
