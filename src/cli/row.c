/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/row: the verb queue: the row of batteries that wait at a stand. */
#include "base/file.h"
#include "base/yaml.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/row_text.h"
#include "cli/words.h"

#include <pwd.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define WORDS_MAX 500

struct row_words {
    const char *stand, *action;
    const char *lot, *reason;
    const char *rest[WORDS_MAX]; /* what stands behind the action */
    size_t rest_count;
};

static const char *who_asks(void)
{
    const struct passwd *p = getpwuid(geteuid());
    return p != NULL ? p->pw_name : NULL;
}

static bool want(const struct row_words *w, size_t least, size_t most, const char *form,
                 struct err *e)
{
    return (w->rest_count >= least && w->rest_count <= most) ||
           err_set(e, ERR_CONFIG, "write: ampledger queue %s %s", w->stand, form);
}

static bool add_request(const struct row_words *w, json_t **out, struct err *e)
{
    json_t *labels = NULL;
    if (w->lot == NULL) {
        if (!want(w, 2, WORDS_MAX, "add PROFILE BATTERY [BATTERY ...], or add PROFILE --lot NAME",
                  e)) {
            return false;
        }
        labels = json_array();
        for (size_t i = 1; i < w->rest_count; i++) {
            json_array_append_new(labels, json_string(w->rest[i]));
        }
    } else if (!want(w, 1, 1, "add PROFILE --lot NAME, without further batteries", e)) {
        return false;
    }
    *out = json_pack("{s:s, s:s*, s:o*, s:s*}", "profile", w->rest[0], "lot", w->lot, "batteries",
                     labels, "by", who_asks());
    return *out != NULL || err_set(e, ERR_CONFIG, "an argument is not UTF-8");
}

/* By its place if that is a number, else by its label. */
static bool point(const char *word, json_t *request, struct err *e)
{
    bool is_place = word[strspn(word, "0123456789")] == '\0';
    json_t *v = is_place ? json_integer(strtoll(word, NULL, 10)) : json_string(word);
    return json_object_set_new(request, is_place ? "place" : "battery", v) == 0 ||
           err_set(e, ERR_CONFIG, "an argument is not UTF-8");
}

static bool drop_request(const struct row_words *w, json_t **out, struct err *e)
{
    if (!want(w, 1, 1, "drop PLACE|BATTERY [--reason TEXT]", e)) {
        return false;
    }
    *out = json_pack("{s:s*}", "reason", w->reason);
    return (*out != NULL || err_set(e, ERR_CONFIG, "the reason is not UTF-8")) &&
           point(w->rest[0], *out, e);
}

static bool move_request(const struct row_words *w, json_t **out, struct err *e)
{
    if (!want(w, 2, 2, "move PLACE|BATTERY PLACE", e)) {
        return false;
    }
    *out = json_object();
    if (w->rest[1][strspn(w->rest[1], "0123456789")] != '\0') {
        return err_set(e, ERR_CONFIG, "\"%s\" is not a place: a number from 1, as queue %s shows",
                       w->rest[1], w->stand);
    }
    json_object_set_new(*out, "to", json_integer(strtoll(w->rest[1], NULL, 10)));
    return point(w->rest[0], *out, e);
}

static const struct action {
    const char *name, *path;
    bool (*request)(const struct row_words *w, json_t **out, struct err *e);
} actions[] = {
    {"add", "/queue", add_request},
    {"drop", "/queue/drop", drop_request},
    {"move", "/queue/move", move_request},
};

static const struct action *find_action(const char *name, struct err *e)
{
    static const char *const known[] = {"add", "drop", "move", NULL};
    for (size_t i = 0; i < sizeof actions / sizeof actions[0]; i++) {
        if (strcmp(actions[i].name, name) == 0) {
            return &actions[i];
        }
    }
    const char *near = nearest_word(name, known);
    err_set(e, ERR_CONFIG, "\"%s\" is not add, drop or move%s%s%s; see: ampledger help queue", name,
            near != NULL ? "; did you mean \"" : "", near != NULL ? near : "",
            near != NULL ? "\"?" : "");
    return NULL;
}

static bool change(const struct cli *c, const struct row_words *w, json_t **document, struct err *e)
{
    const struct action *a = find_action(w->action, e);
    json_t *request = NULL;
    char path[CLIENT_PATH_SIZE];
    bool ok = a != NULL && a->request(w, &request, e) &&
              client_path(path, "/v1/stands/", w->stand, a->path, e) &&
              ask_post(c, path, request, document, e);
    json_decref(request);
    return ok;
}

static bool look(const struct cli *c, const struct row_words *w, json_t **document, struct err *e)
{
    char path[CLIENT_PATH_SIZE];
    return client_path(path, "/v1/stands/", w->stand, "/queue", e) && ask_get(c, path, document, e);
}

int verb_queue(struct cli *c, int argc, char **argv)
{
    struct row_words w = {0};
    const struct option_spec options[] = {
        {.name = "lot", .wants = "NAME", .text = &w.lot},
        {.name = "reason", .wants = "TEXT", .text = &w.reason},
    };
    const struct operand_spec operands[] = {{"STAND", &w.stand, true},
                                            {"add, drop or move", &w.action, false}};
    const struct args_spec spec = {options, 2, operands, 2};
    struct args_rest rest = {w.rest, WORDS_MAX, 0};
    struct err e = {0};
    json_t *document = NULL;
    bool ok = args_read_rest(&spec, &rest, c, argc, argv, &e);
    w.rest_count = rest.count;
    if (!ok || !(w.action != NULL ? change(c, &w, &document, &e) : look(c, &w, &document, &e))) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(document);
    } else {
        row_print(document, stdout);
    }
    json_decref(document);
    return EXIT_DONE;
}
