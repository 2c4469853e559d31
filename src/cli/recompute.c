/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/recompute: the verb recompute: a run's result once more from its samples. */
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/run_text.h"
#include "cli/table.h"
#include "cli/words.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

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

/* Somebody's sum, of a report or of a file, against that of the samples in the ledger. */
static bool print_sum(const json_t *document, const char *wanted, FILE *f)
{
    const char *sum = text_at(document, "samples_sha256");
    bool same = wanted == NULL || strcasecmp(sum, wanted) == 0;
    fprintf(f, "SHA-256 of its samples as exported:\n  %s\n", sum);
    if (wanted != NULL) {
        fprintf(f, same ? "these are the very samples that the sum you gave is of\n"
                        : "these are not the samples that the sum you gave is of\n");
    }
    return same;
}

static bool is_sum(const char *text)
{
    return strlen(text) == 64 && strspn(text, "0123456789abcdefABCDEF") == 64;
}

int verb_recompute(struct cli *c, int argc, char **argv)
{
    const char *which = NULL, *sum = NULL;
    const struct option_spec options[] = {
        {.name = "samples-sha256", .wants = "SUM", .text = &sum},
    };
    const struct operand_spec operand = {"RUN", &which, true};
    const struct args_spec spec = {options, 1, &operand, 1};
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *document = NULL;
    bool ok = args_read(&spec, c, argc, argv, &e);
    if (ok && sum != NULL && !is_sum(sum)) {
        ok = err_set(&e, ERR_CONFIG, "--samples-sha256 %.70s: a SHA-256 has 64 hexadecimal digits",
                     sum);
    }
    if (!ok || !client_path(path, "/v1/runs/", which, "/recomputed", &e) ||
        !ask_get(c, path, &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    bool same = !json_is_false(json_object_get(document, "equal"));
    if (c->json) {
        print_json(document);
        same = same && (sum == NULL || strcasecmp(sum, text_at(document, "samples_sha256")) == 0);
    } else {
        print_comparison(document, stdout);
        same = print_sum(document, sum, stdout) && same;
    }
    json_decref(document);
    return same ? EXIT_DONE : EXIT_FAILED;
}
