/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/match: the verb match: batteries of a lot that go together. */
#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <stdlib.h>

static void print_set(const json_t *set, size_t nr, FILE *f)
{
    static const struct column columns[] = {
        {"group", RIGHT}, {"Ah", RIGHT}, {"mOhm", RIGHT}, {"batteries", LEFT}};
    const json_t *groups = json_object_get(set, "groups");
    struct table *t = table_new(columns, 4);
    for (size_t g = 0; g < json_array_size(groups); g++) {
        const json_t *group = json_array_get(groups, g);
        const json_t *members = json_object_get(group, "batteries");
        char number[16], names[1024] = "";
        text_format(number, sizeof number, "%zu", g + 1);
        for (size_t i = 0; i < json_array_size(members); i++) {
            char more[1024];
            text_format(more, sizeof more, "%s%s%s", names, i > 0 ? ", " : "",
                        text_at(json_array_get(members, i), "battery"));
            text_format(names, sizeof names, "%s", more);
        }
        struct words Ah = words_amount(number_at(group, "capacity_Ah"), 3, "");
        struct words mOhm = words_amount(number_at(group, "resistance_mOhm"), 2, "");
        const char *cells[] = {number, Ah.s, mOhm.s, names};
        table_add(t, cells);
    }
    struct words capacity = words_amount(number_at(set, "capacity_Ah"), 3, "Ah");
    struct words spread = words_amount(number_at(set, "capacity_spread_percent"), 2, "%");
    fprintf(f, "set %zu: %s, its groups within %s\n", nr, capacity.s, spread.s);
    table_print(t, 2, f);
}

static void print_spread(const char *name, const json_t *spread, FILE *f)
{
    struct words capacity = words_amount(number_at(spread, "capacity_spread_percent"), 2, "%");
    struct words resistance = words_amount(number_at(spread, "resistance_spread_percent"), 2, "%");
    struct words worst = words_amount(number_at(spread, "worst_capacity_spread_percent"), 2, "%");
    fprintf(f, "  %-12s capacity %s (worst set %s), resistance %s\n", name, capacity.s, worst.s,
            resistance.s);
}

static void print_match(const json_t *document, FILE *f)
{
    const json_t *sets = json_object_get(document, "sets");
    const json_t *spare = json_object_get(document, "spare");
    const json_t *left_out = json_object_get(document, "left_out");
    for (size_t i = 0; i < json_array_size(sets); i++) {
        print_set(json_array_get(sets, i), i + 1, f);
    }
    fprintf(f, "spread between the groups of a set, in the mean:\n");
    print_spread("matched", json_object_get(document, "matched"), f);
    print_spread("by sorting", json_object_get(document, "by_sorting"), f);
    if (!true_at(document, "resistance_counted")) {
        fprintf(f, "resistance did not count: it is not known of every battery\n");
    }
    for (size_t i = 0; i < json_array_size(spare); i++) {
        fprintf(f, "spare: %s\n", text_at(json_array_get(spare, i), "battery"));
    }
    for (size_t i = 0; i < json_array_size(left_out); i++) {
        const json_t *o = json_array_get(left_out, i);
        char before[96];
        text_format(before, sizeof before, "left out: %s: ", text_at(o, "battery"));
        print_wrapped(before, text_at(o, "why"), f);
    }
}

/* The daemon says what a wrong number is; here it need only be one. */
static bool put_count(json_t *body, const char *name, const char *text, struct err *e)
{
    char *end = NULL;
    if (text == NULL) {
        return true;
    }
    long v = strtol(text, &end, 10);
    if (end == text || *end != '\0') {
        return err_set(e, ERR_CONFIG, "--%s %.20s is not a whole number", name, text);
    }
    json_object_set_new(body, name, json_integer(v));
    return true;
}

int verb_match(struct cli *c, int argc, char **argv)
{
    const char *lot = NULL, *series = NULL, *parallel = NULL, *sets = NULL;
    const struct option_spec options[] = {
        {.name = "series", .wants = "4", .text = &series, .required = true},
        {.name = "parallel", .wants = "1", .text = &parallel},
        {.name = "sets", .wants = "2", .text = &sets},
    };
    const struct operand_spec operand = {"LOT", &lot, true};
    const struct args_spec spec = {options, 3, &operand, 1};
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *document = NULL, *body = json_object();
    bool ok = args_read(&spec, c, argc, argv, &e) && put_count(body, "series", series, &e) &&
              put_count(body, "parallel", parallel, &e) && put_count(body, "sets", sets, &e) &&
              client_path(path, "/v1/lots/", lot, "/match", &e) &&
              ask_post(c, path, body, &document, &e);
    json_decref(body);
    if (!ok) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(document);
    } else {
        print_match(document, stdout);
    }
    json_decref(document);
    return EXIT_DONE;
}
