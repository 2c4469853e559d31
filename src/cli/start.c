/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/start: the verbs start and watch. */
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/wait.h"
#include "cli/words.h"

#include <string.h>

struct start_wanted {
    const char *profile, *battery, *stand;
    bool wait;
};

static bool begin(struct client *client, const struct start_wanted *w, json_t **answer,
                  struct err *e)
{
    char path[CLIENT_PATH_SIZE];
    json_t *request = json_pack("{s:s, s:s}", "profile", w->profile, "battery", w->battery);
    bool ok = (request != NULL || err_set(e, ERR_CONFIG, "an argument is not UTF-8")) &&
              client_path(path, "/v1/stands/", w->stand, "/start", e) &&
              client_post(client, path, request, answer, e);
    json_decref(request);
    return ok;
}

static int begin_and_tell(struct cli *c, struct client *client, const struct start_wanted *w,
                          const char *verb)
{
    struct err e = {0};
    json_t *answer = NULL;
    int status = EXIT_DONE;
    if (!begin(client, w, &answer, &e)) {
        return cli_fail(verb, &e);
    }
    const char *run = text_at(answer, "run");
    if (!c->json) {
        printf("%s: %s on %s has begun, run %s\n", w->stand, w->profile, w->battery, run);
        ask_tell_warnings(c, run);
        fflush(stdout);
    }
    if (w->wait) {
        const struct wait_wanted wanted = {
            .client = client, .verb = verb, .n = 1, .run = {{w->stand, run}}};
        status = wait_for_runs(c, &wanted);
    } else if (c->json) {
        print_json(answer);
    } else {
        printf("see it with: ampledger watch %s\n", w->stand);
    }
    json_decref(answer);
    return status;
}

int verb_start(struct cli *c, int argc, char **argv)
{
    struct start_wanted w = {0};
    const struct option_spec options[] = {
        {.name = "battery", .wants = "LABEL", .text = &w.battery, .required = true},
        {.name = "stand", .wants = "NAME", .text = &w.stand, .required = true},
        {.name = "wait", .flag = &w.wait},
    };
    const struct operand_spec operand = {"PROFILE", &w.profile, true};
    const struct args_spec spec = {options, 3, &operand, 1};
    struct err e = {0};
    struct client *client = NULL;
    if (!args_read(&spec, c, argc, argv, &e) || !client_open(c->socket, &client, &e)) {
        return cli_fail(argv[0], &e);
    }
    int status = begin_and_tell(c, client, &w, argv[0]);
    client_close(client);
    return status;
}

static bool is_running(const json_t *stand)
{
    return strcmp(text_at(stand, "phase"), "running") == 0;
}

static bool add(struct wait_wanted *w, const json_t *stand, struct err *e)
{
    const char *run = text_at(json_object_get(stand, "run"), "id");
    if (run[0] == '\0') {
        return err_set(e, ERR_REFUSED,
                       "nothing is running at %s, and nothing was since the daemon "
                       "began; see: ampledger runs",
                       text_at(stand, "name"));
    }
    if (w->n < WAIT_RUNS_MAX) {
        w->run[w->n++] = (struct wait_run){text_at(stand, "name"), run};
    }
    return true;
}

/* The stands that are running, else the only one. */
static bool choose(struct wait_wanted *w, const json_t *stands, struct err *e)
{
    size_t n = json_array_size(stands);
    bool ok = true;
    for (size_t i = 0; ok && i < n; i++) {
        const json_t *s = json_array_get(stands, i);
        ok = !(is_running(s) || n == 1) || add(w, s, e);
    }
    return ok && (w->n > 0 || err_set(e, ERR_REFUSED, "nothing is running; see: ampledger stands"));
}

/* The API knows the nearest name of one that is not there. What is found is borrowed from
 * *document. */
static bool find_runs(struct wait_wanted *w, const char *name, json_t **document, struct err *e)
{
    char path[CLIENT_PATH_SIZE];
    if (name != NULL) {
        return client_path(path, "/v1/stands/", name, "", e) &&
               client_get(w->client, path, document, e) && add(w, *document, e);
    }
    return client_get(w->client, "/v1/stands", document, e) &&
           choose(w, json_object_get(*document, "stands"), e);
}

int verb_watch(struct cli *c, int argc, char **argv)
{
    const char *name = NULL;
    const struct operand_spec operand = {"STAND", &name, false};
    const struct args_spec spec = {.operands = &operand, .operand_count = 1};
    struct wait_wanted wanted = {.verb = argv[0]};
    struct err e = {0};
    json_t *document = NULL;
    bool ok = args_read(&spec, c, argc, argv, &e) && client_open(c->socket, &wanted.client, &e) &&
              find_runs(&wanted, name, &document, &e);
    int status = ok ? wait_for_runs(c, &wanted) : cli_fail(argv[0], &e);
    json_decref(document);
    client_close(wanted.client);
    return status;
}
