/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/plan: the verbs plan and profiles. */
#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/plan_text.h"
#include "cli/table.h"
#include "cli/words.h"

#include <string.h>

static bool plan_request(const char *profile, const char *battery, const char *stand, json_t **out,
                         struct err *e)
{
    *out = json_pack("{s:s, s:s, s:s*}", "profile", profile, "battery", battery, "stand", stand);
    return *out != NULL || err_set(e, ERR_CONFIG, "an argument is not UTF-8");
}

int verb_plan(struct cli *c, int argc, char **argv)
{
    const char *profile = NULL, *battery = NULL, *stand = NULL;
    const struct option_spec options[] = {
        {.name = "battery", .wants = "LABEL", .text = &battery, .required = true},
        {.name = "stand", .wants = "NAME", .text = &stand},
    };
    const struct operand_spec operand = {"PROFILE", &profile, true};
    const struct args_spec spec = {options, 2, &operand, 1};
    struct err e = {0};
    json_t *request = NULL, *plan = NULL;
    bool ok = args_read(&spec, c, argc, argv, &e) &&
              plan_request(profile, battery, stand, &request, &e) &&
              ask_post(c, "/v1/plans", request, &plan, &e);
    json_decref(request);
    if (!ok) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(plan);
    } else {
        plan_print(plan, stdout);
    }
    bool starts = json_array_size(json_object_get(plan, "problems")) == 0;
    json_decref(plan);
    return starts ? EXIT_DONE : EXIT_USAGE;
}

/* "lfp, li-ion"; "any" where the profile names none. */
static void chemistries_of(const json_t *profile, char *out, size_t size)
{
    const json_t *list = json_object_get(profile, "chemistries");
    out[0] = '\0';
    for (size_t i = 0; i < json_array_size(list); i++) {
        size_t used = strlen(out);
        text_format(out + used, size - used, "%s%s", i > 0 ? ", " : "",
                    json_string_value(json_array_get(list, i)));
    }
    if (out[0] == '\0') {
        text_format(out, size, "any");
    }
}

static void print_profiles(const json_t *profiles)
{
    static const struct column columns[] = {{"profile", LEFT}, {"what it does", LEFT}};
    struct table *t = table_new(columns, 2);
    char what[ERR_TEXT_SIZE], chemistries[160];
    for (size_t i = 0; i < json_array_size(profiles); i++) {
        const json_t *p = json_array_get(profiles, i);
        const char *problem = text_at(p, "problem");
        chemistries_of(p, chemistries, sizeof chemistries);
        if (problem[0] != '\0') {
            text_format(what, sizeof what, "%s", problem);
        } else {
            text_format(what, sizeof what, "%s (for %s)", text_at(p, "title"), chemistries);
        }
        const char *cells[] = {text_at(p, "name"), what};
        table_add(t, cells);
    }
    if (json_array_size(profiles) == 0) {
        puts("no profiles in the bench's folder");
    }
    table_print(t, 0, stdout);
}

int verb_profiles(struct cli *c, int argc, char **argv)
{
    const struct args_spec spec = {0};
    struct err e = {0};
    json_t *document = NULL;
    if (!args_read(&spec, c, argc, argv, &e) || !ask_get(c, "/v1/profiles", &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(document);
    } else {
        print_profiles(json_object_get(document, "profiles"));
    }
    json_decref(document);
    return EXIT_DONE;
}
