/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/steps: reads lists of steps, groups within groups, into one row of
 * steps. Each kind has one line in the table: the keys it knows and the function
 * that reads them. */
#include "base/file.h"
#include "profile/read.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

const char *const step_kind_names[] = {"discharge", "rest",   "charge", "pulse",
                                       "hold",      "repeat", NULL};

#define SAMPLE_LEAST_S 0.1

/* --- parts that several kinds share --- */

bool read_sample_every(const struct step_place *at, struct profile_step *out, struct err *e)
{
    struct written_rule rule = rule_as("sample_every", rule_time);
    if (!written_read(at->doc, at->map, &rule, &out->sample_every, e)) {
        return false;
    }
    if (out->sample_every.present && out->sample_every.q.value < SAMPLE_LEAST_S) {
        return yaml_fail(at->doc, yaml_get(at->map, "sample_every"), e,
                         "\"sample_every\" can be 0.1 s at the shortest; serial instruments "
                         "do not answer faster");
    }
    return true;
}

bool read_at_most(const struct step_place *at, struct profile_step *out, struct err *e)
{
    const struct yaml_node *most = yaml_get(at->map, "at_most");
    if (most != NULL && yaml_node_kind(most) == YAML_TEXT && yaml_text(most)[0] != '\0') {
        struct written_rule time = rule_as("at_most", rule_time);
        return written_read(at->doc, at->map, &time, &out->at_most_time, e);
    }
    const struct written_row rows[] = {
        {rule_as("time", rule_time), &out->at_most_time},
        {rule_as("charge", rule_charge), &out->at_most_charge},
    };
    const struct written_map map = {"at_most", "at_most: {time: 20 h}", rows, 2};
    return written_map_read(at, &map, e);
}

/* --- the kinds --- */

static const char *const discharge_keys[] = {"name",  "current", "power",        "resistance",
                                             "until", "at_most", "sample_every", NULL};
static const char *const rest_keys[] = {"name",    "for",          "until", "at_least",
                                        "at_most", "sample_every", NULL};
static const char *const charge_keys[] = {"name",         "current",  "voltage", "compensation",
                                          "until",        "hold_off", "at_most", "precharge",
                                          "sample_every", NULL};
static const char *const pulse_keys[] = {"name",  "currents",     "direction", "voltage",
                                         "until", "sample_every", NULL};
static const char *const hold_keys[] = {"name",    "say",          "remind_every",
                                        "at_most", "sample_every", NULL};
static const char *const repeat_keys[] = {"name", "times", "until", "of", "steps", NULL};

static const struct {
    const char *const *keys;
    step_read_fn *read;
} kinds[] = {
    [STEP_DISCHARGE] = {discharge_keys, read_discharge},
    [STEP_REST] = {rest_keys, read_rest},
    [STEP_CHARGE] = {charge_keys, read_charge},
    [STEP_PULSE] = {pulse_keys, read_pulse},
    [STEP_HOLD] = {hold_keys, read_hold},
    [STEP_REPEAT] = {repeat_keys, read_repeat},
};

static bool find_kind(const struct yaml_doc *d, const struct yaml_node *key, enum step_kind *out,
                      struct err *e)
{
    const char *word = yaml_text(key);
    for (int i = 0; step_kind_names[i] != NULL; i++) {
        if (strcmp(word, step_kind_names[i]) == 0) {
            *out = (enum step_kind)i;
            return true;
        }
    }
    const char *near = nearest_word(word, step_kind_names);
    if (near != NULL) {
        return yaml_fail(d, key, e, "unknown kind of step \"%.60s\"; did you mean \"%s\"?", word,
                         near);
    }
    return yaml_fail(d, key, e,
                     "unknown kind of step \"%.60s\"; known are discharge, rest, charge, pulse, "
                     "hold, repeat",
                     word);
}

/* --- by name --- */

size_t step_named(const struct profile *p, const char *name, size_t first, size_t n)
{
    for (size_t i = first; i < n; i++) {
        if (strcmp(p->steps[i].name, name) == 0) {
            return i;
        }
    }
    return SIZE_MAX;
}

bool step_reference(const struct step_place *at, const char *key, size_t first, size_t *out,
                    struct err *e)
{
    const struct profile *p = at->profile;
    char name[STEP_NAME_SIZE] = "";
    if (!yaml_read_text(at->doc, at->map, key, true, name, sizeof name, e)) {
        return false;
    }
    *out = step_named(p, name, first, p->step_count);
    if (*out != SIZE_MAX) {
        return true;
    }
    const char *names[PROFILE_STEPS_MAX + 1] = {NULL};
    for (size_t i = first; i < p->step_count; i++) {
        names[i - first] = p->steps[i].name;
    }
    const char *near = nearest_word(name, names);
    return yaml_fail(at->doc, yaml_get(at->map, key), e, "no step%s has the name \"%s\"%s%s%s",
                     at->nesting > 0 ? " of this group" : "", name,
                     near != NULL ? "; did you mean \"" : "; write the name of a discharge",
                     near != NULL ? near : "", near != NULL ? "\"?" : "");
}

/* --- the list --- */

bool step_add(const struct step_place *at, const struct yaml_node *item,
              const struct profile_step *step, struct err *e)
{
    struct profile *p = at->profile;
    if (p->step_count == PROFILE_STEPS_MAX) {
        return yaml_fail(at->doc, item, e, "a profile can have at most %d steps",
                         PROFILE_STEPS_MAX);
    }
    size_t same = step_named(p, step->name, 0, p->step_count);
    if (same != SIZE_MAX) {
        return yaml_fail(at->doc, item, e,
                         "two steps have the name \"%s\" (the other is in line %d); rename one",
                         step->name, p->steps[same].line);
    }
    p->steps[p->step_count++] = *step;
    return true;
}

static bool add_precharge(const struct step_place *at, const struct yaml_node *item,
                          const struct profile_step *charge, struct err *e)
{
    struct profile_step before = {0};
    bool has = false;
    return read_precharge(at, charge, &has, &before, e) && (!has || step_add(at, item, &before, e));
}

/* A group's own steps and a pre-charge come first, so the place is known only
 * after them. */
static bool read_keys(const struct step_place *at, const struct yaml_node *item,
                      struct profile_step *out, struct err *e)
{
    if (!yaml_check_keys(at->doc, at->map, kinds[out->kind].keys, e) ||
        !yaml_read_text(at->doc, at->map, "name", false, out->name, sizeof out->name, e) ||
        !kinds[out->kind].read(at, out, e)) {
        return false;
    }
    if (out->name[0] == '\0') {
        size_t before = yaml_get(at->map, "precharge") != NULL ? 1 : 0;
        text_format(out->name, sizeof out->name, "%s %zu", step_kind_names[out->kind],
                    at->profile->step_count + before + 1);
    }
    return out->kind != STEP_CHARGE || add_precharge(at, item, out, e);
}

static bool step_read(const struct step_place *list, const struct yaml_node *item, struct err *e)
{
    if (yaml_node_kind(item) != YAML_MAP || yaml_count(item) != 1) {
        return yaml_fail(list->doc, item, e,
                         "a step is one kind with its keys, e.g. - rest: {for: 10 min}");
    }
    const struct yaml_node *key = yaml_key_at(item, 0);
    struct step_place at = *list;
    struct profile_step step = {.line = yaml_line(key), .repeat = {.of_step = SIZE_MAX}};
    at.map = yaml_value_at(item, 0);
    if (find_kind(at.doc, key, &step.kind, e) && read_keys(&at, item, &step, e) &&
        step_add(&at, item, &step, e)) {
        return true;
    }
    free(step.segments);
    return false;
}

bool steps_read(const struct step_place *place, struct err *e)
{
    const struct yaml_node *list = yaml_get(place->map, "steps");
    if (list == NULL || yaml_node_kind(list) != YAML_LIST || yaml_count(list) == 0) {
        return yaml_fail(place->doc, list != NULL ? list : place->map, e,
                         "a %s needs \"steps\", a list with at least one step, e.g. "
                         "- rest: {for: 10 min}",
                         place->nesting > 1 ? "repeat" : "profile");
    }
    for (size_t i = 0; i < yaml_count(list); i++) {
        if (!step_read(place, yaml_item(list, i), e)) {
            return false;
        }
    }
    return true;
}
