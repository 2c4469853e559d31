/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile: reads a profile file from top to bottom, and finds it by name. */
#include "profile/profile.h"

#include "analysis/correction_read.h"
#include "base/file.h"
#include "profile/plan.h"
#include "profile/read.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What the program itself insists on: see guard.h. A profile may ask for less. */
#define TRUST_MOST_S 3.0
#define RESUME_MOST_S 3600.0
/* A current that may be half of what was set is not being held to anything. */
#define REGULATION_MOST 0.5

struct loading {
    const struct yaml_doc *doc;
    const struct yaml_node *root;
    struct profile *p;
};

static bool read_header(const struct loading *l, struct err *e)
{
    struct profile *p = l->p;
    return yaml_read_text(l->doc, l->root, "profile", true, p->title, sizeof p->title, e) &&
           yaml_read_text(l->doc, l->root, "about", false, p->about, sizeof p->about, e) &&
           yaml_read_bool(l->doc, l->root, "starts_full", false, &p->full_confirmed, e);
}

/* on_interruption: stop, or {resume_within: 10 min}. */
static bool read_on_interruption(const struct loading *l, struct err *e)
{
    static const char *const keys[] = {"resume_within", NULL};
    const struct yaml_node *n = yaml_get(l->root, "on_interruption");
    double within_s = 0;
    if (n == NULL || strcmp(yaml_text(n), "stop") == 0) {
        return true;
    }
    if (yaml_node_kind(n) != YAML_MAP) {
        return yaml_fail(l->doc, n, e,
                         "\"on_interruption\" is stop, or how long a gap may be for the run to go "
                         "on: {resume_within: 10 min}");
    }
    if (!yaml_check_keys(l->doc, n, keys, e) ||
        !yaml_read_value(l->doc, n, "resume_within", true, DIM_TIME, &within_s, e)) {
        return false;
    }
    if (within_s <= 0 || within_s > RESUME_MOST_S) {
        return yaml_fail(l->doc, yaml_get(n, "resume_within"), e,
                         "resume_within must be more than zero and at most 1 h: after that a "
                         "discharge is no longer one discharge");
    }
    l->p->resume_within_s = within_s;
    return true;
}

static bool read_chemistries(const struct loading *l, struct err *e)
{
    const struct yaml_node *list = yaml_get(l->root, "for");
    if (list == NULL) {
        return true;
    }
    if (yaml_node_kind(list) != YAML_LIST || yaml_count(list) == 0) {
        return yaml_fail(l->doc, list, e,
                         "\"for\" wants a list of chemistries, e.g. [lfp, li-ion]; leave it out "
                         "when any will do");
    }
    l->p->chemistries_line = yaml_line(list);
    for (size_t i = 0; i < yaml_count(list); i++) {
        enum chemistry c;
        struct err why;
        if (!chemistry_parse(yaml_text(yaml_item(list, i)), &c, &why)) {
            return yaml_fail(l->doc, yaml_item(list, i), e, "%s", why.text);
        }
        l->p->chemistries |= 1u << (unsigned)c;
    }
    return true;
}

/* {min: ..., max: ...}, either or both. */
static bool read_range(const struct loading *l, const struct yaml_node *map,
                       const struct written_rule *rule, struct written out[2], struct err *e)
{
    static const char *const keys[] = {"min", "max", NULL};
    const struct yaml_node *range = yaml_get(map, rule->key);
    if (range == NULL) {
        return true;
    }
    if (!yaml_check_keys(l->doc, range, keys, e)) {
        return false;
    }
    for (int i = 0; i < 2; i++) {
        struct written_rule bound = rule_as(keys[i], *rule);
        if (!written_read(l->doc, range, &bound, &out[i], e)) {
            return false;
        }
    }
    bool both = out[0].present && out[1].present && out[0].q.dimension == out[1].q.dimension;
    if (both && out[0].q.value >= out[1].q.value) {
        return yaml_fail(l->doc, yaml_get(range, "min"), e, "\"min\" must be below \"max\" (%.60s)",
                         yaml_text(yaml_get(range, "max")));
    }
    return true;
}

/* Limits of one number. */
static bool read_ceilings(const struct loading *l, const struct yaml_node *map, struct err *e)
{
    struct profile_limits *out = &l->p->limits;
    const struct {
        struct written_rule rule;
        struct written *to;
    } rows[] = {
        {rule_as("current", rule_current), &out->current_max},
        {rule_as("charge", rule_charge), &out->charge_max},
        {{"energy", DIM_BIT(DIM_ENERGY), 0, INFINITY, NULL}, &out->energy_max},
        {rule_as("step_time", rule_time), &out->step_time_max},
        {rule_as("run_time", rule_time), &out->run_time_max},
        {{"temperature_rate", DIM_BIT(DIM_TEMPERATURE_RATE), 0, INFINITY, NULL},
         &out->temperature_rate},
        {{"regulation", DIM_BIT(DIM_RATIO), 0, REGULATION_MOST, "50 %"}, &out->regulation},
        {{"trust_time", DIM_BIT(DIM_TIME), 0, TRUST_MOST_S, "3 s"}, &out->trust_time},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (!written_read(l->doc, map, &rows[i].rule, rows[i].to, e)) {
            return false;
        }
    }
    return true;
}

static bool read_limits(const struct loading *l, struct err *e)
{
    static const char *const keys[] = {"temperature", "temperature_rate", "temperature_required",
                                       "voltage",     "current",          "regulation",
                                       "charge",      "energy",           "step_time",
                                       "run_time",    "trust_time",       NULL};
    const struct yaml_node *map = yaml_get(l->root, "limits");
    if (map == NULL) {
        return true;
    }
    struct profile_limits *out = &l->p->limits;
    struct written_rule temperature = rule_as("temperature", rule_temperature);
    struct written_rule voltage = rule_as("voltage", rule_voltage);
    struct written degrees[2] = {0}, volts[2] = {0};
    bool ok =
        yaml_check_keys(l->doc, map, keys, e) && read_range(l, map, &temperature, degrees, e) &&
        read_range(l, map, &voltage, volts, e) && read_ceilings(l, map, e) &&
        yaml_read_bool(l->doc, map, "temperature_required", false, &out->temperature_required, e);
    out->temperature_min = degrees[0];
    out->temperature_max = degrees[1];
    out->voltage_min = volts[0];
    out->voltage_max = volts[1];
    return ok;
}

static bool read_steps(const struct loading *l, struct err *e)
{
    const struct step_place place = {l->doc, l->root, l->p, 1};
    l->p->steps = zalloc(PROFILE_STEPS_MAX * sizeof *l->p->steps);
    if (!steps_read(&place, e)) {
        return false;
    }
    /* Runs keep their profile: most have few steps. */
    struct profile_step *fewer = realloc(l->p->steps, (l->p->step_count + 1) * sizeof *fewer);
    l->p->steps = fewer != NULL ? fewer : l->p->steps;
    return true;
}

static bool read_judged_step(const struct loading *l, const struct yaml_node *map, struct err *e)
{
    struct profile_acceptance *a = &l->p->acceptance;
    const struct step_place place = {l->doc, map, l->p, 0};
    size_t index = 0;
    if (!step_reference(&place, "step", 0, &index, e)) {
        return false;
    }
    const struct profile_step *step = &l->p->steps[index];
    memcpy(a->step, step->name, sizeof a->step);
    if (step->kind != STEP_DISCHARGE || !step->until_voltage.present) {
        return yaml_fail(l->doc, yaml_get(map, "step"), e,
                         "the capacity of step \"%s\" cannot be judged: only a discharge with "
                         "until: {voltage: ...} delivers one",
                         a->step);
    }
    return true;
}

/* rule: guard-band or simple; or guard_share alone, the part of U that guards. */
static bool read_rule(const struct loading *l, const struct yaml_node *map, struct err *e)
{
    static const char *const rules[] = {"guard-band", "simple", NULL};
    struct profile_acceptance *a = &l->p->acceptance;
    struct written share = {0};
    const struct written_rule guard_share = {"guard_share", DIM_BIT(DIM_RATIO), 0, 1, "100 %"};
    int rule = 0;
    if (!yaml_read_choice(l->doc, map, "rule", false, rules, &rule, e) ||
        !written_read(l->doc, map, &guard_share, &share, e)) {
        return false;
    }
    a->guard_share = rule == 0 ? 1 : 0;
    if (share.present && rule != 0) {
        return yaml_fail(l->doc, yaml_get(map, "guard_share"), e,
                         "\"guard_share\" is of a guard band, which rule: simple does not have: "
                         "leave one of them out");
    }
    if (share.present) {
        a->guard_share = share.q.value;
    }
    return true;
}

static bool read_acceptance(const struct loading *l, struct err *e)
{
    static const char *const keys[] = {"step",        "capacity",   "counts", "rule",
                                       "guard_share", "correction", NULL};
    const struct yaml_node *map = yaml_get(l->root, "acceptance");
    if (map == NULL) {
        return true;
    }
    struct profile_acceptance *a = &l->p->acceptance;
    struct written_rule capacity = rule_as("capacity", rule_charge);
    if (!yaml_check_keys(l->doc, map, keys, e) || !read_judged_step(l, map, e) ||
        !written_read(l->doc, map, &capacity, &a->capacity, e) ||
        !yaml_read_choice(l->doc, map, "counts", false, attempts_names, &a->counts, e) ||
        !read_rule(l, map, e) ||
        !correction_read(l->doc, map, "correction", &a->correction, e)) {
        return false;
    }
    if (!a->capacity.present) {
        return yaml_fail(l->doc, map, e,
                         "\"acceptance\" needs the least capacity: write e.g. capacity: 100 %%");
    }
    a->present = true;
    a->line = yaml_line(map);
    a->correction_line =
        a->correction.rule != CORRECTION_NONE ? yaml_line(yaml_get(map, "correction")) : 0;
    return true;
}

static bool read_root(const struct loading *l, struct err *e)
{
    static const char *const keys[] = {"profile",     "about",           "for",
                                       "starts_full", "limits",          "steps",
                                       "acceptance",  "on_interruption", NULL};
    return yaml_check_keys(l->doc, l->root, keys, e) && read_header(l, e) &&
           read_on_interruption(l, e) && read_chemistries(l, e) && read_limits(l, e) &&
           read_steps(l, e) && read_acceptance(l, e);
}

static bool set_path(struct profile *p, const char *path, struct err *e)
{
    const char *slash = strrchr(path, '/');
    const char *base = slash != NULL ? slash + 1 : path;
    size_t n = strlen(base);
    if (n > 5 && strcmp(base + n - 5, ".yaml") == 0) {
        n -= 5;
    }
    if (!text_format(p->path, sizeof p->path, "%s", path) ||
        !text_format(p->name, sizeof p->name, "%.*s", (int)n, base)) {
        return err_set(e, ERR_CONFIG,
                       "the name of profile file %.80s... is too long; at most %zu characters of "
                       "path and %zu of name can be kept",
                       path, sizeof p->path - 1, sizeof p->name - 1);
    }
    return true;
}

static bool load_doc(const char *path, const struct yaml_doc *d, struct profile **out,
                     struct err *e)
{
    struct profile *p = zalloc(sizeof *p);
    p->acceptance.correction = correction_choice_none();
    struct loading l = {d, yaml_root(d), p};
    if (!set_path(p, path, e) || !read_root(&l, e)) {
        profile_free(p);
        return false;
    }
    size_t n = 0;
    const char *source = yaml_source(d, &n);
    p->text = text_copy(source);
    sha256_hex(source, n, p->sha256);
    *out = p;
    return true;
}

bool profile_load_text(const char *path, const char *text, size_t n, struct profile **out,
                       struct err *e)
{
    struct yaml_doc *d = NULL;
    if (!yaml_load_text(path, text, n, &d, e)) {
        return false;
    }
    bool ok = load_doc(path, d, out, e);
    yaml_doc_free(d);
    return ok;
}

bool profile_load_file(const char *path, struct profile **out, struct err *e)
{
    struct yaml_doc *d = NULL;
    if (!yaml_load_file(path, &d, e)) {
        return false;
    }
    bool ok = load_doc(path, d, out, e);
    yaml_doc_free(d);
    return ok;
}

void profile_free(struct profile *p)
{
    if (p == NULL) {
        return;
    }
    for (size_t i = 0; i < p->step_count; i++) {
        free(p->steps[i].segments);
    }
    free(p->steps);
    free(p->text);
    free(p);
}

/* --- by name --- */

static int by_text(const void *a, const void *b)
{
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

static void collect_names(DIR *dir, struct profile_names *out)
{
    const struct dirent *entry;
    while (out->count < PROFILE_NAMES_MAX && (entry = readdir(dir)) != NULL) {
        size_t n = strlen(entry->d_name);
        if (n <= 5 || entry->d_name[0] == '.' || strcmp(entry->d_name + n - 5, ".yaml") != 0) {
            continue;
        }
        char *name = text_copy(entry->d_name);
        name[n - 5] = '\0';
        out->name[out->count++] = name;
    }
    qsort(out->name, out->count, sizeof out->name[0], by_text);
}

bool profile_names(const char *dir, struct profile_names *out, struct err *e)
{
    DIR *d = opendir(dir);
    *out = (struct profile_names){0};
    if (d == NULL) {
        return err_set(
            e, ERR_NOT_FOUND,
            "cannot open the folder of profiles %s: %s; check \"profiles\" in bench.yaml", dir,
            strerror(errno));
    }
    collect_names(d, out);
    closedir(d);
    return true;
}

void profile_names_free(struct profile_names *names)
{
    for (size_t i = 0; i < names->count; i++) {
        free(names->name[i]);
    }
    *names = (struct profile_names){0};
}

static bool fail_unknown_name(const char *dir, const char *name, struct err *e)
{
    struct profile_names all;
    if (!profile_names(dir, &all, e)) {
        return false;
    }
    const char *near = nearest_word(name, (const char *const *)all.name);
    if (near != NULL) {
        err_set(e, ERR_NOT_FOUND, "no profile \"%.60s\" in %s; did you mean \"%s\"?", name, dir,
                near);
    } else {
        char list[512] = "";
        for (size_t i = 0; i < all.count; i++) {
            size_t used = strlen(list);
            text_format(list + used, sizeof list - used, "%s%s", i == 0 ? "" : ", ", all.name[i]);
        }
        err_set(e, ERR_NOT_FOUND, "no profile \"%.60s\" in %s; there %s%s", name, dir,
                all.count == 0 ? "are none" : "are ", list);
    }
    profile_names_free(&all);
    return false;
}

bool profile_find(const char *dir, const char *name, bool paths_allowed, struct profile **out,
                  struct err *e)
{
    char path[sizeof((struct profile *)0)->path];
    bool is_path = strchr(name, '/') != NULL;
    if (is_path && paths_allowed) {
        return profile_load_file(name, out, e);
    }
    if (is_path || name[0] == '.' || name[0] == '\0') {
        return err_set(e, ERR_CONFIG,
                       "\"%.60s\" is not the name of a profile; write a file name in %s without "
                       ".yaml, not a path",
                       name, dir);
    }
    struct err why = {0};
    if (!text_format(path, sizeof path, "%s/%s.yaml", dir, name)) {
        return fail_unknown_name(dir, name, e);
    }
    if (profile_load_file(path, out, &why)) {
        return true;
    }
    if (why.code == ERR_NOT_FOUND) {
        return fail_unknown_name(dir, name, e);
    }
    if (e != NULL) {
        *e = why;
    }
    return false;
}
