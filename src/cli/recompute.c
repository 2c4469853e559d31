/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/recompute: the verb recompute: a run's result once more from its samples. */
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/run_text.h"
#include "cli/table.h"
#include "cli/words.h"

#include <stdlib.h>

static void print_differences(const json_t *list, FILE *f)
{
    static const struct column columns[] = {{"what", LEFT}, {"stored", RIGHT}, {"now", LEFT}};
    struct table *t = table_new(columns, 3);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *d = json_array_get(list, i);
        char *stored = json_dumps(json_object_get(d, "stored"), JSON_ENCODE_ANY | JSON_COMPACT);
        char *now = json_dumps(json_object_get(d, "recomputed"), JSON_ENCODE_ANY | JSON_COMPACT);
        struct words short_stored = words_cut(stored != NULL ? stored : "?", 24);
        struct words short_now = words_cut(now != NULL ? now : "?", 24);
        const char *cells[] = {text_at(d, "key"), short_stored.s, short_now.s};
        table_add(t, cells);
        free(stored);
        free(now);
    }
    table_print(t, 2, f);
}

static void print_comparison(const json_t *document, FILE *f)
{
    const json_t *equal = json_object_get(document, "equal");
    const json_t *list = json_object_get(document, "differences");
    long long number = integer_at(document, "number"), samples = integer_at(document, "samples");
    run_headline(document, f);
    if (json_is_null(equal)) {
        fprintf(f,
                "run %lld: nothing was stored to compare with (%s); this is what its %lld\n"
                "samples say now\n",
                number, text_at(document, "outcome"), samples);
    } else if (json_is_true(equal)) {
        fprintf(f, "run %lld: %lld samples give the very result that was stored\n", number,
                samples);
    } else {
        fprintf(f, "run %lld: %lld samples do not give the result that was stored:\n", number,
                samples);
        print_differences(list, f);
    }
}

int verb_recompute(struct cli *c, int argc, char **argv)
{
    const char *which = NULL;
    const struct operand_spec operand = {"RUN", &which, true};
    const struct args_spec spec = {.operands = &operand, .operand_count = 1};
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *document = NULL;
    if (!args_read(&spec, c, argc, argv, &e) ||
        !client_path(path, "/v1/runs/", which, "/recomputed", &e) ||
        !ask_get(c, path, &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    bool differs = json_is_false(json_object_get(document, "equal"));
    if (c->json) {
        print_json(document);
    } else {
        print_comparison(document, stdout);
    }
    json_decref(document);
    return differs ? EXIT_FAILED : EXIT_DONE;
}
