/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/stands: the verbs stands, stop and clear. */
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/stand_text.h"

static int show_all(const struct cli *c, const json_t *document)
{
    const json_t *stands = json_object_get(document, "stands");
    if (c->json) {
        print_json(document);
    } else {
        for (size_t i = 0; i < json_array_size(stands); i++) {
            stand_print(json_array_get(stands, i), stdout);
        }
    }
    return EXIT_DONE;
}

int verb_stands(struct cli *c, int argc, char **argv)
{
    const struct args_spec spec = {0};
    struct err e = {0};
    json_t *document = NULL;
    if (!args_read(&spec, c, argc, argv, &e) || !ask_get(c, "/v1/stands", &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    int status = show_all(c, document);
    json_decref(document);
    return status;
}

/* stop and clear: the stand as it is afterwards. */
static int order(struct cli *c, int argc, char **argv, const char *done)
{
    const char *stand = NULL;
    const struct operand_spec operand = {"STAND", &stand, true};
    const struct args_spec spec = {.operands = &operand, .operand_count = 1};
    char path[CLIENT_PATH_SIZE], after[16];
    struct err e = {0};
    json_t *document = NULL;
    snprintf(after, sizeof after, "/%s", argv[0]);
    if (!args_read(&spec, c, argc, argv, &e) ||
        !client_path(path, "/v1/stands/", stand, after, &e) ||
        !ask_post(c, path, NULL, &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(document);
    } else {
        printf("%s: %s\n", stand, done);
        stand_print_trouble(document, stdout);
    }
    json_decref(document);
    return EXIT_DONE;
}

int verb_stop(struct cli *c, int argc, char **argv)
{
    return order(c, argc, argv, "stopped; the outputs are off, what was recorded stays");
}

int verb_clear(struct cli *c, int argc, char **argv)
{
    return order(c, argc, argv, "cleared; the next run may start");
}
