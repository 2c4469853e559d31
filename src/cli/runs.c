/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/runs: the verbs runs and show. */
#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/run_text.h"

#include <string.h>

static bool runs_path(const char *battery, const char *limit, char out[CLIENT_PATH_SIZE],
                      struct err *e)
{
    char before[128] = "/v1/runs";
    if (limit != NULL && !text_format(before, sizeof before, "/v1/runs?limit=%.20s", limit)) {
        return err_set(e, ERR_CONFIG, "--limit %.20s is too long", limit);
    }
    if (battery == NULL) {
        return client_path(out, before, "", "", e);
    }
    size_t n = strlen(before);
    return (text_format(before + n, sizeof before - n, "%sbattery=", limit != NULL ? "&" : "?") ||
            err_set(e, ERR_BUG, "the address does not fit")) &&
           client_path(out, before, battery, "", e);
}

int verb_runs(struct cli *c, int argc, char **argv)
{
    const char *battery = NULL, *limit = NULL;
    const struct option_spec options[] = {
        {.name = "battery", .wants = "LABEL", .text = &battery},
        {.name = "limit", .wants = "20", .text = &limit},
    };
    const struct args_spec spec = {.options = options, .option_count = 2};
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *document = NULL;
    if (!args_read(&spec, c, argc, argv, &e) || !runs_path(battery, limit, path, &e) ||
        !ask_get(c, path, &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(document);
    } else {
        runs_print(json_object_get(document, "runs"), stdout);
    }
    json_decref(document);
    return EXIT_DONE;
}

int verb_show(struct cli *c, int argc, char **argv)
{
    const char *which = NULL;
    const struct operand_spec operand = {"RUN", &which, true};
    const struct args_spec spec = {.operands = &operand, .operand_count = 1};
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *run = NULL;
    if (!args_read(&spec, c, argc, argv, &e) || !client_path(path, "/v1/runs/", which, "", &e) ||
        !ask_get(c, path, &run, &e)) {
        return cli_fail(argv[0], &e);
    }
    ask_tell_run(c, run);
    json_decref(run);
    return EXIT_DONE;
}
