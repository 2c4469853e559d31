/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/args: options and arguments of a verb, by a table. */
#include "cli/args.h"

#include "base/yaml.h"

#include <string.h>

#define OPTIONS_MAX 28

struct reading {
    const struct args_spec *spec;
    struct args_rest *rest; /* NULL: no further operands */
    const char *verb;
    struct option_spec options[OPTIONS_MAX]; /* of the verb, and those all verbs know */
    size_t option_count;
    bool seen[OPTIONS_MAX];
    size_t operands_seen;
    int argc, i;
    char **argv;
};

static bool unknown_option(const struct reading *r, const char *given, struct err *e)
{
    const char *known[OPTIONS_MAX + 1] = {NULL};
    for (size_t k = 0; k < r->option_count; k++) {
        known[k] = r->options[k].name;
    }
    const char *near = nearest_word(given + strspn(given, "-"), known);
    if (near != NULL) {
        return err_set(e, ERR_CONFIG, "\"%s\" is not an option of %s; did you mean --%s?", given,
                       r->verb, near);
    }
    return err_set(e, ERR_CONFIG, "\"%s\" is not an option of %s; see: ampledger help %s", given,
                   r->verb, r->verb);
}

static bool option_fits(const struct option_spec *o, const char *name, size_t n)
{
    return (n == 1 && o->letter != '\0' && name[0] == o->letter) ||
           (n > 1 && strlen(o->name) == n && memcmp(o->name, name, n) == 0);
}

static bool take_value(struct reading *r, const struct option_spec *o, const char *value,
                       struct err *e)
{
    if (o->wants == NULL) {
        if (value != NULL) {
            return err_set(e, ERR_CONFIG, "--%s takes no value", o->name);
        }
        *o->flag = true;
        return true;
    }
    if (value == NULL && r->i + 1 < r->argc) {
        value = r->argv[++r->i];
    }
    if (value == NULL || value[0] == '\0') {
        return err_set(e, ERR_CONFIG, "--%s needs a value: --%s %s", o->name, o->name, o->wants);
    }
    *o->text = value;
    return true;
}

static bool take_option(struct reading *r, const char *given, struct err *e)
{
    const char *name = given + strspn(given, "-");
    size_t dashes = (size_t)(name - given);
    size_t n = strcspn(name, "=");
    const char *value = name[n] == '=' ? name + n + 1 : NULL;
    for (size_t k = 0; k < r->option_count; k++) {
        const struct option_spec *o = &r->options[k];
        if ((dashes == 1) != (n == 1) || dashes > 2 || !option_fits(o, name, n)) {
            continue;
        }
        if (r->seen[k]) {
            return err_set(e, ERR_CONFIG, "--%s is given twice", o->name);
        }
        r->seen[k] = true;
        return take_value(r, o, value, e);
    }
    return unknown_option(r, given, e);
}

static bool take_operand(struct reading *r, const char *given, struct err *e)
{
    bool full = r->operands_seen >= r->spec->operand_count;
    if (full && r->rest != NULL && r->rest->count < r->rest->most && given[0] != '\0') {
        r->rest->words[r->rest->count++] = given;
        return true;
    }
    if (full) {
        return err_set(e, ERR_CONFIG, "\"%s\" is one argument too many; see: ampledger help %s",
                       given, r->verb);
    }
    if (given[0] == '\0') {
        return err_set(e, ERR_CONFIG, "%s is empty", r->spec->operands[r->operands_seen].wants);
    }
    *r->spec->operands[r->operands_seen++].text = given;
    return true;
}

static bool check_complete(const struct reading *r, struct err *e)
{
    for (size_t k = r->operands_seen; k < r->spec->operand_count; k++) {
        if (r->spec->operands[k].required) {
            return err_set(e, ERR_CONFIG, "%s is missing; see: ampledger help %s",
                           r->spec->operands[k].wants, r->verb);
        }
    }
    for (size_t k = 0; k < r->option_count; k++) {
        if (r->options[k].required && !r->seen[k]) {
            return err_set(e, ERR_CONFIG, "--%s %s is missing; see: ampledger help %s",
                           r->options[k].name, r->options[k].wants, r->verb);
        }
    }
    return true;
}

static void gather_options(struct reading *r, struct cli *c)
{
    const struct option_spec common[] = {
        {.name = "json", .flag = &c->json},
        {.name = "socket", .wants = "PATH", .text = &c->socket},
    };
    size_t n = r->spec->option_count;
    for (size_t k = 0; k < n && k < OPTIONS_MAX - 2; k++) {
        r->options[r->option_count++] = r->spec->options[k];
    }
    r->options[r->option_count++] = common[0];
    r->options[r->option_count++] = common[1];
}

bool args_read(const struct args_spec *spec, struct cli *c, int argc, char **argv, struct err *e)
{
    return args_read_rest(spec, NULL, c, argc, argv, e);
}

bool args_read_rest(const struct args_spec *spec, struct args_rest *rest, struct cli *c, int argc,
                    char **argv, struct err *e)
{
    struct reading r = {
        .spec = spec, .rest = rest, .verb = argv[0], .argc = argc, .argv = argv, .i = 1};
    bool only_operands = false;
    gather_options(&r, c);
    for (; r.i < argc; r.i++) {
        const char *given = argv[r.i];
        bool is_option = !only_operands && given[0] == '-' && given[1] != '\0';
        if (is_option && strcmp(given, "--") == 0) {
            only_operands = true;
        } else if (is_option ? !take_option(&r, given, e) : !take_operand(&r, given, e)) {
            return false;
        }
    }
    return check_complete(&r, e);
}
