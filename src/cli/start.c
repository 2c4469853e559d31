/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/start: the verbs start and watch. */
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/plan_text.h"
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

/* The person at the keyboard may have skipped the plan. */
static void print_warnings(struct client *client, const char *run)
{
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *document = NULL;
    if (client_path(path, "/v1/runs/", run, "", &e) && client_get(client, path, &document, &e)) {
        plan_print_warnings(json_object_get(document, "plan"), stdout);
    }
    json_decref(document);
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
        print_warnings(client, run);
        fflush(stdout);
    }
    if (w->wait) {
        struct wait_wanted wanted = {
            .client = client, .verb = verb, .stand = w->stand, .run_id = run};
        status = wait_for_run(c, &wanted);
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

/* The stand that is running, else the only one. Borrowed. */
static const json_t *choose(const json_t *stands, struct err *e)
{
    const json_t *chosen = NULL;
    size_t running = 0, n = json_array_size(stands);
    for (size_t i = 0; i < n; i++) {
        const json_t *s = json_array_get(stands, i);
        if (strcmp(text_at(s, "phase"), "running") == 0) {
            chosen = s;
            running++;
        }
    }
    if (running == 0 && n == 1) {
        return json_array_get(stands, 0);
    }
    if (running > 1) {
        err_set(e, ERR_CONFIG, "%zu stands are running; name one, see: ampledger stands", running);
        return NULL;
    }
    if (running == 0) {
        err_set(e, ERR_REFUSED, "nothing is running; see: ampledger stands");
    }
    return chosen;
}

/* The API knows the nearest name of one that is not there. */
static bool find_stand(struct client *client, const char *name, json_t **stand, struct err *e)
{
    char path[CLIENT_PATH_SIZE];
    json_t *document = NULL;
    if (name != NULL) {
        return client_path(path, "/v1/stands/", name, "", e) && client_get(client, path, stand, e);
    }
    if (!client_get(client, "/v1/stands", &document, e)) {
        return false;
    }
    const json_t *chosen = choose(json_object_get(document, "stands"), e);
    *stand = json_deep_copy(chosen);
    json_decref(document);
    return chosen != NULL;
}

int verb_watch(struct cli *c, int argc, char **argv)
{
    const char *name = NULL;
    const struct operand_spec operand = {"STAND", &name, false};
    const struct args_spec spec = {.operands = &operand, .operand_count = 1};
    struct err e = {0};
    struct client *client = NULL;
    json_t *stand = NULL;
    bool ok = args_read(&spec, c, argc, argv, &e) && client_open(c->socket, &client, &e) &&
              find_stand(client, name, &stand, &e);
    const char *run = text_at(json_object_get(stand, "run"), "id");
    if (ok && run[0] == '\0') {
        ok = err_set(&e, ERR_REFUSED,
                     "nothing is running at %s, and nothing was since the daemon "
                     "began; see: ampledger runs",
                     text_at(stand, "name"));
    }
    struct wait_wanted wanted = {
        .client = client, .verb = argv[0], .stand = text_at(stand, "name"), .run_id = run};
    int status = ok ? wait_for_run(c, &wanted) : cli_fail(argv[0], &e);
    json_decref(stand);
    client_close(client);
    return status;
}
