/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/stands: the verbs stands, confirm, stop and clear. */
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/stand_text.h"
#include "cli/words.h"

/* Nobody who waits for the page can see there why it is not opened. */
static void tell_page(const struct cli *c)
{
    struct err e = {0};
    json_t *document = NULL;
    if (ask_get(c, "/v1/daemon", &document, &e) && text_at(document, "http_problem")[0] != '\0') {
        printf("page: %s\n", text_at(document, "http_problem"));
    }
    json_decref(document);
}

static int show_all(const struct cli *c, const json_t *document)
{
    const json_t *stands = json_object_get(document, "stands");
    if (c->json) {
        print_json(document);
    } else {
        for (size_t i = 0; i < json_array_size(stands); i++) {
            stand_print(json_array_get(stands, i), stdout);
        }
        tell_page(c);
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

/* An order to a stand: what it is called in a path, what is said when it is done. */
struct order {
    const char *stand, *path, *done;
};

/* The stand as it is afterwards. */
static int order(const struct cli *c, const char *verb, const struct order *o)
{
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *document = NULL;
    if (!client_path(path, "/v1/stands/", o->stand, o->path, &e) ||
        !ask_post(c, path, NULL, &document, &e)) {
        return cli_fail(verb, &e);
    }
    if (c->json) {
        print_json(document);
    } else {
        printf("%s: %s\n", o->stand, o->done);
        stand_print_trouble(document, stdout);
    }
    json_decref(document);
    return EXIT_DONE;
}

static bool confirm(const struct cli *c, const char *stand, bool anyway, json_t **document,
                    struct err *e)
{
    char path[CLIENT_PATH_SIZE];
    json_t *request = json_pack("{s:b}", "anyway", anyway);
    bool ok = client_path(path, "/v1/stands/", stand, "/confirm", e) &&
              ask_post(c, path, request, document, e);
    json_decref(request);
    return ok;
}

static void tell_confirmed(const struct cli *c, const char *stand, const json_t *document)
{
    const json_t *run = json_object_get(document, "run");
    const char *begun = text_at(document, "begun");
    if (begun[0] != '\0') {
        printf("%s: %s on %s has begun, run %s\n", stand, text_at(run, "profile"),
               text_at(run, "battery"), begun);
        ask_tell_warnings(c, begun);
        printf("see it with: ampledger watch %s\n", stand);
    } else {
        printf("%s: confirmed; the run goes on\n", stand);
    }
    stand_print_trouble(document, stdout);
}

int verb_confirm(struct cli *c, int argc, char **argv)
{
    const char *stand = NULL;
    bool anyway = false;
    const struct option_spec option = {.name = "anyway", .flag = &anyway};
    const struct operand_spec operand = {"STAND", &stand, true};
    const struct args_spec spec = {&option, 1, &operand, 1};
    struct err e = {0};
    json_t *document = NULL;
    if (!args_read(&spec, c, argc, argv, &e) || !confirm(c, stand, anyway, &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(document);
    } else {
        tell_confirmed(c, stand, document);
    }
    json_decref(document);
    return EXIT_DONE;
}

int verb_stop(struct cli *c, int argc, char **argv)
{
    struct order o = {.path = "/stop",
                      .done = "stopped; the outputs are off, what was recorded stays"};
    const struct operand_spec operand = {"STAND", &o.stand, true};
    const struct args_spec spec = {.operands = &operand, .operand_count = 1};
    struct err e = {0};
    return args_read(&spec, c, argc, argv, &e) ? order(c, argv[0], &o) : cli_fail(argv[0], &e);
}

int verb_clear(struct cli *c, int argc, char **argv)
{
    bool accept = false;
    struct order o = {.path = "/clear", .done = "cleared; the next run may start"};
    const struct option_spec option = {.name = "accept-instruments", .flag = &accept};
    const struct operand_spec operand = {"STAND", &o.stand, true};
    const struct args_spec spec = {&option, 1, &operand, 1};
    struct err e = {0};
    if (!args_read(&spec, c, argc, argv, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (accept) {
        o.path = "/accept";
        o.done = "the instruments that answer now are its own; the next run may start";
    }
    return order(c, argv[0], &o);
}
