/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/steps: reads the steps of a profile. Each kind has one row in the
 * table: the keys it knows and the function that reads them. A kind without a
 * function is known by name, and refused. */
#include "base/file.h"
#include "profile/read.h"

#include <string.h>

const char *const step_kind_names[] = {"discharge", "rest",   "charge", "pulse",
                                       "hold",      "repeat", NULL};

#define SAMPLE_LEAST_S 0.1

struct step_place {
    const struct yaml_doc *doc;
    const struct yaml_node *map;
};

typedef bool step_read_fn(const struct step_place *at, struct profile_step *out, struct err *e);

static bool read_sample_every(const struct step_place *at, struct profile_step *out, struct err *e)
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

static bool read_until(const struct step_place *at, struct profile_step *out, struct err *e)
{
    static const char *const keys[] = {"voltage", NULL};
    const struct yaml_node *until = yaml_get(at->map, "until");
    struct written_rule rule = rule_as("voltage", rule_voltage);
    if (until == NULL) {
        return true;
    }
    if (!yaml_check_keys(at->doc, until, keys, e) ||
        !written_read(at->doc, until, &rule, &out->until_voltage, e)) {
        return false;
    }
    return out->until_voltage.present ||
           yaml_fail(at->doc, until, e,
                     "\"until\" is empty; write e.g. until: {voltage: 2.5 V/cell}");
}

static bool read_at_most(const struct step_place *at, struct profile_step *out, struct err *e)
{
    static const char *const keys[] = {"time", "charge", NULL};
    const struct yaml_node *most = yaml_get(at->map, "at_most");
    struct written_rule time = rule_as("time", rule_time);
    struct written_rule charge = rule_as("charge", rule_charge);
    if (most == NULL) {
        return true;
    }
    if (!yaml_check_keys(at->doc, most, keys, e) ||
        !written_read(at->doc, most, &time, &out->at_most_time, e) ||
        !written_read(at->doc, most, &charge, &out->at_most_charge, e)) {
        return false;
    }
    return out->at_most_time.present || out->at_most_charge.present ||
           yaml_fail(at->doc, most, e, "\"at_most\" is empty; write e.g. at_most: {time: 20 h}");
}

static bool read_discharge(const struct step_place *at, struct profile_step *out, struct err *e)
{
    struct written_rule current = rule_as("current", rule_current);
    if (!written_read(at->doc, at->map, &current, &out->current, e) || !read_until(at, out, e) ||
        !read_at_most(at, out, e) || !read_sample_every(at, out, e)) {
        return false;
    }
    if (!out->current.present) {
        return yaml_fail(at->doc, at->map, e,
                         "a discharge needs its current: write e.g. current: 10 A, or "
                         "current: 0.2 C");
    }
    if (!out->until_voltage.present && yaml_get(at->map, "at_most") == NULL) {
        return yaml_fail(at->doc, at->map, e,
                         "this discharge never ends: write until: {voltage: 2.5 V/cell}, or "
                         "at_most: {time: 2 h}, or both");
    }
    return true;
}

static bool read_rest(const struct step_place *at, struct profile_step *out, struct err *e)
{
    struct written_rule duration = rule_as("for", rule_time);
    if (!written_read(at->doc, at->map, &duration, &out->duration, e) ||
        !read_sample_every(at, out, e)) {
        return false;
    }
    return out->duration.present ||
           yaml_fail(at->doc, at->map, e, "a rest needs its length: write e.g. for: 10 min");
}

static const char *const discharge_keys[] = {"name",    "current",      "until",
                                             "at_most", "sample_every", NULL};
static const char *const rest_keys[] = {"name", "for", "sample_every", NULL};

static const struct {
    const char *const *keys;
    step_read_fn *read;
} kinds[] = {
    [STEP_DISCHARGE] = {discharge_keys, read_discharge},
    [STEP_REST] = {rest_keys, read_rest},
    [STEP_CHARGE] = {NULL, NULL},
    [STEP_PULSE] = {NULL, NULL},
    [STEP_HOLD] = {NULL, NULL},
    [STEP_REPEAT] = {NULL, NULL},
};

static bool read_name(const struct step_place *at, size_t place, struct profile_step *out,
                      struct err *e)
{
    text_format(out->name, sizeof out->name, "%s %zu", step_kind_names[out->kind], place);
    return yaml_read_text(at->doc, at->map, "name", false, out->name, sizeof out->name, e);
}

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

bool step_read(const struct yaml_doc *d, const struct yaml_node *item, size_t place,
               struct profile_step *out, struct err *e)
{
    if (yaml_node_kind(item) != YAML_MAP || yaml_count(item) != 1) {
        return yaml_fail(d, item, e,
                         "a step is one kind with its keys, e.g. - rest: {for: 10 min}");
    }
    const struct yaml_node *key = yaml_key_at(item, 0);
    struct step_place at = {d, yaml_value_at(item, 0)};
    if (!find_kind(d, key, &out->kind, e)) {
        return false;
    }
    out->line = yaml_line(key);
    if (kinds[out->kind].read == NULL) {
        return yaml_fail(d, key, e,
                         "step \"%s\" is known, but this version runs only discharge and rest",
                         step_kind_names[out->kind]);
    }
    return yaml_check_keys(d, at.map, kinds[out->kind].keys, e) && read_name(&at, place, out, e) &&
           kinds[out->kind].read(&at, out, e);
}
