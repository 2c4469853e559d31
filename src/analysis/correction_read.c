/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/correction_read: one name, or a map with what the rule needs. */
#include "analysis/correction_read.h"

#include "base/file.h"

#include <math.h>
#include <string.h>

bool correction_parse(const char *text, enum correction_rule *out, struct err *e)
{
    char list[200] = "";
    for (int i = 0; correction_names[i] != NULL; i++) {
        if (strcmp(correction_names[i], text) == 0) {
            *out = (enum correction_rule)i;
            return true;
        }
        size_t n = strlen(list);
        text_format(list + n, sizeof list - n, "%s%s", i == 0 ? "" : ", ", correction_names[i]);
    }
    const char *near = nearest_word(text, correction_names);
    if (near != NULL)
        return err_set(e, ERR_CONFIG, "no correction \"%.60s\"; is %s meant?", text, near);
    return err_set(e, ERR_CONFIG, "no correction \"%.60s\"; there are %s", text, list);
}

static bool read_rule(const struct yaml_doc *d, const struct yaml_node *name,
                      struct correction_choice *out, struct err *e)
{
    struct err why = {0};
    return correction_parse(yaml_text(name), &out->rule, &why) ||
           yaml_fail(d, name, e, "%s", why.text);
}

/* What one rule needs is a mistake with another: it would change nothing. */
static bool check_belongs(const struct yaml_doc *d, const struct yaml_node *map,
                          const struct correction_choice *c, struct err *e)
{
    static const struct {
        const char *key;
        enum correction_rule first, last;
    } of[] = {{"per_kelvin", CORRECTION_STATED_LINEAR, CORRECTION_STATED_LINEAR},
              {"reference", CORRECTION_STATED_LINEAR, CORRECTION_STATED_LINEAR},
              {"published_current", CORRECTION_RATE_ADJUSTED, CORRECTION_TIME_ADJUSTED},
              {"published_time", CORRECTION_RATE_ADJUSTED, CORRECTION_TIME_ADJUSTED}};
    for (size_t i = 0; i < sizeof of / sizeof of[0]; i++) {
        const struct yaml_node *n = yaml_get(map, of[i].key);
        if (n != NULL && (c->rule < of[i].first || c->rule > of[i].last))
            return yaml_fail(d, n, e, "\"%s\" belongs to %s, not to %s", of[i].key,
                             correction_names[of[i].first], correction_names[c->rule]);
    }
    return true;
}

static bool check_whole(const struct yaml_doc *d, const struct yaml_node *at,
                        const struct correction_choice *c, struct err *e)
{
    bool stated = c->rule != CORRECTION_STATED_LINEAR ||
                  (!isnan(c->coefficient_per_K) && !isnan(c->reference_C));
    if (!stated)
        return yaml_fail(d, at, e,
                         "stated-linear needs both: {rule: stated-linear, per_kelvin: 0.6 %%, "
                         "reference: 20 degC}");
    if (isnan(c->published_A) != isnan(c->published_s))
        return yaml_fail(d, at, e, "published_current and published_time belong together");
    if (c->published_A <= 0 || c->published_s <= 0 || c->temperature_error_C < 0)
        return yaml_fail(d, at, e,
                         "published figures must be above zero, the thermometer's limit "
                         "of error not below");
    return true;
}

bool correction_read(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                     struct correction_choice *out, struct err *e)
{
    static const char *const keys[] = {
        "rule",           "per_kelvin",  "reference", "published_current",
        "published_time", "thermometer", NULL};
    const struct yaml_node *n = yaml_get(map, key);
    if (n == NULL)
        return true;
    if (yaml_node_kind(n) == YAML_TEXT)
        return read_rule(d, n, out, e) && check_whole(d, n, out, e);
    if (!yaml_check_keys(d, n, keys, e))
        return false;
    const struct yaml_node *rule = yaml_get(n, "rule");
    if (rule == NULL)
        return yaml_fail(d, n, e, "\"%s\" needs a rule, e.g. {rule: rate-adjusted}", key);
    return read_rule(d, rule, out, e) && check_belongs(d, n, out, e) &&
           yaml_read_value(d, n, "per_kelvin", false, DIM_RATIO, &out->coefficient_per_K, e) &&
           yaml_read_value(d, n, "reference", false, DIM_TEMPERATURE, &out->reference_C, e) &&
           yaml_read_value(d, n, "published_current", false, DIM_CURRENT, &out->published_A, e) &&
           yaml_read_value(d, n, "published_time", false, DIM_TIME, &out->published_s, e) &&
           yaml_read_value(d, n, "thermometer", false, DIM_TEMPERATURE, &out->temperature_error_C,
                           e) &&
           check_whole(d, n, out, e);
}
