/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/token: the verb token: who may use the page and the API over the network. */
#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/table.h"
#include "cli/words.h"

#include "base/yaml.h"

#include <string.h>

static void print_list(const json_t *document)
{
    static const struct column columns[] = {{"token", LEFT}, {"may", LEFT}, {"made", LEFT}};
    const json_t *tokens = json_object_get(document, "tokens");
    struct table *t = table_new(columns, 3);
    for (size_t i = 0; i < json_array_size(tokens); i++) {
        const json_t *token = json_array_get(tokens, i);
        const char *cells[] = {text_at(token, "name"), text_at(token, "may"),
                               text_at(token, "made_utc")};
        table_add(t, cells);
    }
    if (json_array_size(tokens) == 0) {
        puts("there is no token; make one: ampledger token make NAME");
    }
    table_print(t, 0, stdout);
}

static void print_made(const json_t *made)
{
    printf("%s\n\n", text_at(made, "token"));
    print_wrapped("",
                  "This is shown once and kept nowhere: note it down now. On the page it is "
                  "asked for; programs send it as Authorization: Bearer TOKEN.",
                  stdout);
}

static bool make(const struct cli *c, const char *name, const char *may, json_t **out,
                 struct err *e)
{
    json_t *body = json_pack("{s:s, s:s}", "name", name, "may", may);
    bool ok = body != NULL ? ask_post(c, "/v1/tokens", body, out, e)
                           : err_set(e, ERR_CONFIG, "an argument is not UTF-8");
    json_decref(body);
    return ok;
}

static bool withdraw(const struct cli *c, const char *name, json_t **out, struct err *e)
{
    char path[CLIENT_PATH_SIZE];
    return client_path(path, "/v1/tokens/", name, "/withdraw", e) &&
           ask_post(c, path, NULL, out, e);
}

static bool no_action(const char *action, struct err *e)
{
    static const char *const known[] = {"make", "list", "withdraw", NULL};
    const char *near = nearest_word(action, known);
    return err_set(e, ERR_CONFIG,
                   "\"%s\" is not make, list or withdraw%s%s%s; see: ampledger help "
                   "token",
                   action, near != NULL ? "; did you mean \"" : "", near != NULL ? near : "",
                   near != NULL ? "\"?" : "");
}

struct token_words {
    const char *action, *name, *may;
};

static bool carry_out(const struct cli *c, const struct token_words *w, json_t **out, struct err *e)
{
    bool makes = strcmp(w->action, "make") == 0, lists = strcmp(w->action, "list") == 0;
    if (!makes && !lists && strcmp(w->action, "withdraw") != 0) {
        return no_action(w->action, e);
    }
    if (lists != (w->name == NULL) || (w->may != NULL && !makes)) {
        return err_set(e, ERR_CONFIG,
                       lists             ? "list takes no further words"
                       : w->name == NULL ? "whose token? Give it a name; see: ampledger help token"
                                         : "--may is for make");
    }
    return lists   ? ask_get(c, "/v1/tokens", out, e)
           : makes ? make(c, w->name, w->may != NULL ? w->may : "read", out, e)
                   : withdraw(c, w->name, out, e);
}

int verb_token(struct cli *c, int argc, char **argv)
{
    struct token_words w = {.action = "list"};
    const struct option_spec options[] = {{.name = "may", .wants = "read|change", .text = &w.may}};
    const struct operand_spec operands[] = {{"make, list or withdraw", &w.action, false},
                                            {"NAME", &w.name, false}};
    const struct args_spec spec = {options, 1, operands, 2};
    struct err e = {0};
    json_t *document = NULL;
    if (!args_read(&spec, c, argc, argv, &e) || !carry_out(c, &w, &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(document);
    } else if (json_object_get(document, "token") != NULL) {
        print_made(document);
    } else {
        print_list(document);
    }
    json_decref(document);
    return EXIT_DONE;
}
