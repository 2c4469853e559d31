/* SPDX-License-Identifier: GPL-3.0-or-later
 * Arguments: every form that is taken, every mistake with its message; what a
 * person wrote about a battery; addresses and problems of the API. */
#include "cli/args.h"
#include "cli/battery_request.h"
#include "cli/client.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

struct taken {
    const char *profile, *stand, *battery, *output;
    bool wait;
    struct cli c;
};

static bool take(struct taken *t, int argc, const char **words, struct err *e)
{
    *t = (struct taken){.c.socket = "default"};
    const struct option_spec options[] = {
        {.name = "battery", .wants = "LABEL", .text = &t->battery, .required = true},
        {.name = "output", .letter = 'o', .wants = "FILE", .text = &t->output},
        {.name = "wait", .flag = &t->wait},
    };
    const struct operand_spec operands[] = {{"PROFILE", &t->profile, true},
                                            {"STAND", &t->stand, false}};
    const struct args_spec spec = {options, 3, operands, 2};
    char *argv[12] = {NULL};
    for (int i = 0; i < argc; i++) {
        memcpy(&argv[i], &words[i], sizeof argv[i]); /* nothing is written through it */
    }
    return args_read(&spec, &t->c, argc, argv, e);
}
#define WORDS(...)                                                                                 \
    (int)(sizeof(const char *[]){"start", __VA_ARGS__} / sizeof(char *)), (const char *[])         \
    {                                                                                              \
        "start", __VA_ARGS__                                                                       \
    }

static void forms(void **state)
{
    (void)state;
    struct taken t;
    struct err e = {0};
    assert_true(take(&t, WORDS("night", "--battery", "a", "-o", "x.csv", "jetty"), &e));
    assert_string_equal(t.profile, "night");
    assert_string_equal(t.stand, "jetty");
    assert_string_equal(t.battery, "a");
    assert_string_equal(t.output, "x.csv");
    assert_false(t.wait || t.c.json);
    assert_true(take(&t, WORDS("--battery=a=b", "--wait", "--json", "--socket", "s", "night"), &e));
    assert_string_equal(t.battery, "a=b");
    assert_string_equal(t.c.socket, "s");
    assert_true(t.wait && t.c.json);
    assert_null(t.stand);
    assert_true(take(&t, WORDS("--battery", "-5", "--", "--night"), &e));
    assert_string_equal(t.battery, "-5");
    assert_string_equal(t.profile, "--night");
    assert_true(take(&t, WORDS("n", "--battery", "a", "-o", "-"), &e));
    assert_string_equal(t.output, "-");
}

static void refuses(const char *says, int argc, const char **words)
{
    struct taken t;
    struct err e = {0};
    assert_false(take(&t, argc, words, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    if (strstr(e.text, says) == NULL) {
        fail_msg("\"%s\" does not say \"%s\"", e.text, says);
    }
}

static void mistakes(void **state)
{
    (void)state;
    refuses("PROFILE is missing", WORDS("--battery", "a"));
    refuses("--battery LABEL is missing", WORDS("night"));
    refuses("did you mean --battery", WORDS("night", "--batery", "a"));
    refuses("is not an option of start", WORDS("night", "--zzzzzz"));
    refuses("is not an option of start", WORDS("night", "-battery", "a"));
    refuses("is not an option of start", WORDS("night", "---battery", "a"));
    refuses("is not an option of start", WORDS("night", "-x"));
    refuses("--battery needs a value", WORDS("night", "--battery"));
    refuses("--battery needs a value", WORDS("night", "--battery="));
    refuses("--battery is given twice", WORDS("night", "--battery", "a", "--battery", "b"));
    refuses("--wait takes no value", WORDS("night", "--battery", "a", "--wait=yes"));
    refuses("one argument too many", WORDS("night", "jetty", "more", "--battery", "a"));
    refuses("PROFILE is empty", WORDS("", "--battery", "a"));
}

static void battery_is(const struct battery_words *w, const char *key, double value)
{
    json_t *o = NULL;
    struct err e = {0};
    if (!battery_request(w, &o, &e)) {
        fail_msg("%s", e.text);
    }
    double got = number_at(o, key);
    if (!(got > value - 1e-9 && got < value + 1e-9)) {
        fail_msg("%s is %g, not %g", key, got, value);
    }
    json_decref(o);
}

static void battery_refused(const struct battery_words *w, const char *says)
{
    json_t *o = NULL;
    struct err e = {0};
    assert_false(battery_request(w, &o, &e));
    if (e.code != ERR_CONFIG || strstr(e.text, says) == NULL) {
        fail_msg("\"%s\" does not say \"%s\"", e.text, says);
    }
}

static void batteries(void **state)
{
    (void)state;
    struct battery_words w = {.label = "launch-a", .chemistry = "lfp", .cells = "4"};
    battery_is(&w, "cells", 4);
    w.rated = "125000 mAh";
    battery_is(&w, "rated_Ah", 125);
    w.rated_hours = "12.5h";
    battery_is(&w, "rated_hours", 12.5);
    w.rated_hours = "750 min";
    battery_is(&w, "rated_hours", 12.5);
    w.rated_cutoff = "2.5V/cell";
    battery_is(&w, "rated_cutoff_V", 10);
    w.current_max = "0.4C";
    battery_is(&w, "current_max_A", 50);
    w.temperature_max = "55degC";
    battery_is(&w, "temperature_max_C", 55);
    w.temperature_max = "55 V";
    battery_refused(&w, "--temperature-max");
    w.temperature_max = NULL;
    w.rated = NULL;
    battery_refused(&w, "--rated");
    w.current_max = NULL;
    w.chemistry = "lpf";
    battery_refused(&w, "lfp");
    w.chemistry = "lfp";
    static const char *const wrong[] = {"0", "-4", "4.5", "four", "4S", "1e10", "nan", ""};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        w.cells = wrong[i];
        battery_refused(&w, "--cells");
    }
    w.cells = "4";
    w.note = "\xff";
    battery_refused(&w, "UTF-8");
}

static void addresses(void **state)
{
    (void)state;
    char path[CLIENT_PATH_SIZE], name[2000];
    struct err e = {0};
    assert_true(client_path(path, "/v1/batteries/", "a b/c%\xC3\xBC?#&", "/retire", &e));
    assert_string_equal(path, "/v1/batteries/a%20b%2Fc%25%C3%BC%3F%23%26/retire");
    memset(name, ' ', sizeof name);
    name[sizeof name - 1] = '\0';
    assert_false(client_path(path, "/v1/", name, "", &e));
    assert_int_equal(e.code, ERR_CONFIG);
}

static void problem_is(const char *text, enum err_code code, const char *says)
{
    struct err e = {0};
    problem_read(text, strlen(text), 500, &e);
    assert_int_equal(e.code, code);
    assert_non_null(strstr(e.text, says));
}

static void problems(void **state)
{
    (void)state;
    problem_is("{\"code\": \"refused\", \"detail\": \"busy\"}", ERR_REFUSED, "busy");
    problem_is("{\"code\": \"config\", \"detail\": \"x\"}", ERR_CONFIG, "x");
    problem_is("{\"code\": \"not-found\", \"detail\": \"x\"}", ERR_NOT_FOUND, "x");
    problem_is("{\"code\": \"store\", \"detail\": \"x\"}", ERR_STORE, "x");
    /* An unplugged instrument is no daemon that cannot be reached. */
    problem_is("{\"code\": \"link-lost\", \"detail\": \"x\"}", ERR_REFUSED, "x");
    problem_is("{\"code\": \"something-new\", \"detail\": \"x\"}", ERR_BUG, "x");
    problem_is("<html>no</html>", ERR_BUG, "500");
    problem_is("", ERR_BUG, "500");
}

static void verbs(void **state)
{
    (void)state;
    size_t n = 0;
    const struct verb *table = verb_table(&n);
    assert_true(n >= 13);
    for (size_t i = 0; i < n; i++) {
        assert_ptr_equal(verb_find(table[i].name), &table[i]);
        /* Help teaches by example: each text shows its own verb in use. */
        if (table[i].help != NULL) {
            char example[64] = "ampledger ";
            strcat(example, table[i].name);
            assert_non_null(strstr(table[i].help, example));
        }
        assert_true(12 + 1 + 38 + 1 + strlen(table[i].summary) <= 80);
        assert_true(strlen(table[i].arguments) <= 38);
    }
    assert_null(verb_find("anlyse"));
}

/* A correction goes by the record there is, and "none" makes a value unknown again. */
static void corrections(void **state)
{
    (void)state;
    struct err e = {0};
    json_t *record = json_pack("{s:i, s:f}", "cells", 4, "rated_Ah", 125.0), *request = NULL;
    struct battery_words w = {.rated_cutoff = "2.5V/cell",
                              .current_max = "0.4C",
                              .charge_current_max = "0.2C",
                              .rated_hours = "none",
                              .lot = "none"};
    assert_true(battery_correction(&w, record, &request, &e));
    json_t *wanted =
        json_pack("{s:[s,s], s:f, s:f, s:f}", "forget", "rated_hours", "lot", "rated_cutoff_V",
                  10.0, "current_max_A", 50.0, "charge_current_max_A", 25.0);
    assert_true(json_equal(request, wanted));
    json_decref(request);
    json_decref(wanted);
    w = (struct battery_words){.cells = "8", .rated_cutoff = "2.5V/cell", .chemistry = "lto"};
    assert_true(battery_correction(&w, record, &request, &e));
    wanted = json_pack("{s:[], s:i, s:s, s:f}", "forget", "cells", 8, "chemistry", "lto",
                       "rated_cutoff_V", 20.0);
    assert_true(json_equal(request, wanted));
    json_decref(request);
    json_decref(wanted);
    w.chemistry = "lot";
    assert_false(battery_correction(&w, record, &request, &e));
    w = (struct battery_words){.cells = "none"};
    assert_false(battery_correction(&w, record, &request, &e));
    json_decref(record);
}

static void further_operands(void **state)
{
    (void)state;
    struct cli c = {0};
    struct err e = {0};
    const char *stand = NULL, *words[3];
    const struct operand_spec operand = {"STAND", &stand, true};
    const struct args_spec spec = {.operands = &operand, .operand_count = 1};
    struct args_rest rest = {words, 3, 0};
    char *argv[] = {"queue", "jetty", "a", "--json", "b", "c", "d"};
    assert_true(args_read_rest(&spec, &rest, &c, 6, argv, &e));
    assert_string_equal(stand, "jetty");
    assert_int_equal(rest.count, 3);
    assert_string_equal(words[2], "c");
    assert_true(c.json);
    rest.count = 0;
    assert_false(args_read_rest(&spec, &rest, &c, 7, argv, &e));
    assert_non_null(strstr(e.text, "\"d\" is one argument too many"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(forms),
        cmocka_unit_test(mistakes),
        cmocka_unit_test(batteries),
        cmocka_unit_test(corrections),
        cmocka_unit_test(further_operands),
        cmocka_unit_test(addresses),
        cmocka_unit_test(problems),
        cmocka_unit_test(verbs),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
