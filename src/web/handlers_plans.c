/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_plans: the profiles there are, and what one would do. */
#include "base/file.h"
#include "run/filled.h"
#include "run/result.h"
#include "web/body.h"
#include "web/handlers.h"
#include "web/lookup.h"
#include "web/shapes.h"

#include <dirent.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

static int is_profile_file(const struct dirent *d)
{
    return d->d_name[0] != '.' && text_matches("?*.yaml", d->d_name);
}

/* A profile with a mistake is shown with it: better found now than in the evening. */
static json_t *profile_entry(const char *dir, const char *file)
{
    char name[64];
    struct profile *p = NULL;
    struct err e = {0};
    json_t *o = NULL;
    if (!text_format(name, sizeof name, "%.*s", (int)(strlen(file) - strlen(".yaml")), file)) {
        err_set(&e, ERR_CONFIG, "the name is longer than %zu bytes", sizeof name - 1);
    } else if (profile_find(dir, name, false, &p, &e)) {
        o = profile_to_json(p);
        profile_free(p);
    }
    return o != NULL ? o
                     : json_pack("{s:o, s:n, s:n, s:[], s:n, s:b, s:o}", "name", text_to_json(name),
                                 "title", "about", "chemistries", "steps", "judged", 0, "problem",
                                 text_to_json(e.text));
}

bool get_profiles(const struct request *q, struct reply *out, struct err *e)
{
    const char *dir = q->config->bench->profiles_dir;
    struct dirent **files = NULL;
    int n = scandir(dir, &files, is_profile_file, alphasort);
    if (n < 0) {
        return err_set_errno(e, errno, "list the folder of profiles %s", dir);
    }
    json_t *list = json_array();
    for (int i = 0; i < n; i++) {
        json_array_append_new(list, profile_entry(dir, files[i]->d_name));
        free(files[i]);
    }
    free(files);
    out->body = json_pack("{s:o}", "profiles", list);
    return true;
}

/* What would make the stand refuse, whatever the plan says. */
static void add_stand_problem(struct run_host *host, size_t index, json_t *problems)
{
    struct err e = {0};
    if (!run_host_ready(host, index, &e)) {
        json_array_append_new(problems, text_to_json(e.text));
    }
}

static bool make_plan(const struct web_config *c, const struct test_parts *parts, const char *stand,
                      json_t **out, struct err *e)
{
    struct stand_facts facts;
    const struct stand_facts *known = NULL;
    struct plan *plan = NULL;
    size_t index = 0;
    if (stand[0] != '\0') {
        if (!run_host_find(c->host, stand, &index, e)) {
            return false;
        }
        run_host_facts(c->host, index, &facts);
        known = &facts;
    }
    if (!plan_make(parts->profile, &parts->battery, known, &plan, e)) {
        return false;
    }
    char doubt[PLAN_NOTE_SIZE];
    filled_note(c->store, parts->profile, parts->battery.label, doubt);
    plan_doubt_full(plan, doubt);
    *out = plan_to_json(plan, known);
    plan_free(plan);
    if (known != NULL) {
        add_stand_problem(c->host, index, json_object_get(*out, "problems"));
    }
    return true;
}

bool post_plan(const struct request *q, struct reply *out, struct err *e)
{
    struct test_wanted wanted = {0};
    char stand[LABEL_SIZE] = "";
    const struct body_field fields[] = {
        {"profile", BODY_TEXT, true, wanted.profile, sizeof wanted.profile},
        {"battery", BODY_TEXT, true, wanted.battery, sizeof wanted.battery},
        {"stand", BODY_TEXT, false, stand, sizeof stand},
    };
    struct test_parts parts = {0};
    bool ok = body_read(q->body, fields, 3, e) && test_parts_load(q->config, &wanted, &parts, e) &&
              make_plan(q->config, &parts, stand, &out->body, e);
    test_parts_free(&parts);
    return ok;
}
