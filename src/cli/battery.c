/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/battery: the verb battery: add, list, show, edit, retire. */
#include "base/yaml.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/battery_request.h"
#include "cli/run_text.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <string.h>

#define RECORD_OPTIONS 10

/* `added`: what a new record cannot do without is required. */
static void record_options(struct battery_words *w, bool added,
                           struct option_spec out[RECORD_OPTIONS])
{
    const struct option_spec options[RECORD_OPTIONS] = {
        {.name = "chemistry", .wants = "lfp", .text = &w->chemistry, .required = added},
        {.name = "cells", .wants = "4", .text = &w->cells, .required = added},
        {.name = "rated", .wants = "125Ah", .text = &w->rated},
        {.name = "rated-hours", .wants = "12.5h", .text = &w->rated_hours},
        {.name = "rated-cutoff", .wants = "10V", .text = &w->rated_cutoff},
        {.name = "current-max", .wants = "50A", .text = &w->current_max},
        {.name = "charge-current-max", .wants = "25A", .text = &w->charge_current_max},
        {.name = "temperature-max", .wants = "55degC", .text = &w->temperature_max},
        {.name = "lot", .wants = "NAME", .text = &w->lot},
        {.name = "note", .wants = "TEXT", .text = &w->note},
    };
    memcpy(out, options, sizeof options);
}

static int add(struct cli *c, int argc, char **argv)
{
    struct battery_words w = {0};
    struct option_spec options[RECORD_OPTIONS];
    const struct operand_spec operand = {"LABEL", &w.label, true};
    const struct args_spec spec = {.options = options,
                                   .option_count = RECORD_OPTIONS,
                                   .operands = &operand,
                                   .operand_count = 1};
    record_options(&w, true, options);
    struct err e = {0};
    json_t *request = NULL, *answer = NULL;
    bool ok = args_read(&spec, c, argc, argv, &e) && battery_request(&w, &request, &e) &&
              ask_post(c, "/v1/batteries", request, &answer, &e);
    json_decref(request);
    if (!ok) {
        return cli_fail("battery add", &e);
    }
    if (c->json) {
        print_json(answer);
    } else {
        printf("%s is in the register: %s\n", w.label, battery_in_words(answer).s);
    }
    json_decref(answer);
    return EXIT_DONE;
}

static void print_list(const json_t *batteries)
{
    static const struct column columns[] = {
        {"label", LEFT}, {"battery", LEFT}, {"lot", LEFT}, {"note", LEFT}};
    struct table *t = table_new(columns, 4);
    for (size_t i = 0; i < json_array_size(batteries); i++) {
        const json_t *b = json_array_get(batteries, i);
        struct words what = battery_in_words(b);
        const char *cells[] = {text_at(b, "label"), what.s, text_at(b, "lot"), text_at(b, "note")};
        table_add(t, cells);
    }
    if (json_array_size(batteries) == 0) {
        puts("no batteries yet; see: ampledger help battery");
    }
    table_print(t, 0, stdout);
}

static int list(struct cli *c, int argc, char **argv)
{
    const struct args_spec spec = {0};
    struct err e = {0};
    json_t *document = NULL;
    if (!args_read(&spec, c, argc, argv, &e) || !ask_get(c, "/v1/batteries", &document, &e)) {
        return cli_fail("battery list", &e);
    }
    if (c->json) {
        print_json(document);
    } else {
        print_list(json_object_get(document, "batteries"));
    }
    json_decref(document);
    return EXIT_DONE;
}

static void print_record(const json_t *b)
{
    static const struct column columns[] = {{NULL, LEFT}, {NULL, LEFT}};
    struct table *t = table_new(columns, 2);
    const struct {
        const char *name;
        struct words text;
    } facts[] = {
        {"rated for", words_amount(number_at(b, "rated_hours"), 1, "h")},
        {"rated to", words_amount(number_at(b, "rated_cutoff_V"), 2, "V")},
        {"current at most", words_amount(number_at(b, "current_max_A"), 1, "A")},
        {"charged with at most", words_amount(number_at(b, "charge_current_max_A"), 1, "A")},
        {"temperature at most", words_amount(number_at(b, "temperature_max_C"), 0, "degC")},
        {"in the register since", words_time(text_at(b, "created_utc"))},
        {"retired", words_time(text_at(b, "retired_utc"))},
    };
    printf("%s: %s\n", text_at(b, "label"), battery_in_words(b).s);
    for (size_t i = 0; i < sizeof facts / sizeof facts[0]; i++) {
        if (strcmp(facts[i].text.s, "-") != 0) {
            const char *cells[] = {facts[i].name, facts[i].text.s};
            table_add(t, cells);
        }
    }
    static const char *const texts[] = {"lot", "note"};
    for (size_t i = 0; i < 2; i++) {
        if (text_at(b, texts[i])[0] != '\0') {
            const char *cells[] = {texts[i], text_at(b, texts[i])};
            table_add(t, cells);
        }
    }
    table_print(t, 2, stdout);
}

/* Values per cell or relative to the rated capacity go by the record there is. */
static bool correct(const struct cli *c, const char *label, const struct battery_words *w,
                    json_t **answer, struct err *e)
{
    char path[CLIENT_PATH_SIZE], edit_path[CLIENT_PATH_SIZE];
    json_t *record = NULL, *request = NULL;
    bool ok = client_path(path, "/v1/batteries/", label, "", e) &&
              client_path(edit_path, "/v1/batteries/", label, "/edit", e) &&
              ask_get(c, path, &record, e) && battery_correction(w, record, &request, e) &&
              ask_post(c, edit_path, request, answer, e);
    json_decref(record);
    json_decref(request);
    return ok;
}

static int edit(struct cli *c, int argc, char **argv)
{
    struct battery_words w = {0};
    const char *label = NULL;
    struct option_spec options[RECORD_OPTIONS + 1] = {
        [RECORD_OPTIONS] = {.name = "label", .wants = "LABEL", .text = &w.label}};
    const struct operand_spec operand = {"LABEL", &label, true};
    const struct args_spec spec = {.options = options,
                                   .option_count = RECORD_OPTIONS + 1,
                                   .operands = &operand,
                                   .operand_count = 1};
    record_options(&w, false, options);
    struct err e = {0};
    json_t *answer = NULL;
    if (!args_read(&spec, c, argc, argv, &e) || !correct(c, label, &w, &answer, &e)) {
        return cli_fail("battery edit", &e);
    }
    if (c->json) {
        print_json(answer);
    } else {
        print_record(answer);
    }
    json_decref(answer);
    return EXIT_DONE;
}

/* show and retire: one battery named, its record in the answer. */
static int one(struct cli *c, int argc, char **argv, bool retire)
{
    const char *label = NULL;
    const struct operand_spec operand = {"LABEL", &label, true};
    const struct args_spec spec = {.operands = &operand, .operand_count = 1};
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *document = NULL;
    if (!args_read(&spec, c, argc, argv, &e) ||
        !client_path(path, "/v1/batteries/", label, retire ? "/retire" : "", &e) ||
        !(retire ? ask_post(c, path, NULL, &document, &e) : ask_get(c, path, &document, &e))) {
        return cli_fail(retire ? "battery retire" : "battery show", &e);
    }
    if (c->json) {
        print_json(document);
    } else {
        print_record(document);
        if (!retire) {
            putchar('\n');
            runs_print(json_object_get(document, "runs"), stdout);
        }
    }
    json_decref(document);
    return EXIT_DONE;
}

int verb_battery(struct cli *c, int argc, char **argv)
{
    static const char *const known[] = {"add", "list", "show", "edit", "retire", NULL};
    struct err e = {0};
    if (argc < 2) {
        err_set(&e, ERR_CONFIG,
                "add, list, show, edit or retire is missing; see: ampledger help battery");
        return cli_fail("battery", &e);
    }
    const char *what = argv[1];
    /* The rest reads its arguments as if it were a verb of its own. */
    argv[1] = argv[0];
    if (strcmp(what, "add") == 0) {
        return add(c, argc - 1, argv + 1);
    }
    if (strcmp(what, "list") == 0) {
        return list(c, argc - 1, argv + 1);
    }
    if (strcmp(what, "edit") == 0) {
        return edit(c, argc - 1, argv + 1);
    }
    if (strcmp(what, "show") == 0 || strcmp(what, "retire") == 0) {
        return one(c, argc - 1, argv + 1, what[0] == 'r');
    }
    const char *near = nearest_word(what, known);
    err_set(&e, ERR_CONFIG, "\"%s\" is not add, list, show, edit or retire%s%s%s", what,
            near != NULL ? "; did you mean \"" : "", near != NULL ? near : "",
            near != NULL ? "\"?" : "");
    return cli_fail("battery", &e);
}
