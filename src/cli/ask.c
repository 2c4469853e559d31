/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/ask: one question to the daemon and its answer. */
#include "cli/ask.h"

#include "cli/plan_text.h"
#include "cli/run_text.h"

bool ask_get(const struct cli *c, const char *path, json_t **out, struct err *e)
{
    struct client *client = NULL;
    bool ok = client_open(c->socket, &client, e) && client_get(client, path, out, e);
    client_close(client);
    return ok;
}

bool ask_post(const struct cli *c, const char *path, const json_t *body, json_t **out,
              struct err *e)
{
    struct client *client = NULL;
    bool ok = client_open(c->socket, &client, e) && client_post(client, path, body, out, e);
    client_close(client);
    return ok;
}

void ask_tell_warnings(const struct cli *c, const char *run)
{
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *document = NULL;
    if (client_path(path, "/v1/runs/", run, "", &e) && ask_get(c, path, &document, &e)) {
        plan_print_warnings(json_object_get(document, "plan"), stdout);
    }
    json_decref(document);
}

void print_json(const json_t *document)
{
    json_dumpf(document, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(15));
    fputc('\n', stdout);
}

void ask_tell_run(const struct cli *c, const json_t *run)
{
    if (!c->json) {
        run_print(run, stdout);
        return;
    }
    json_t *document = run_document(run);
    print_json(document);
    json_decref(document);
}
