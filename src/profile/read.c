/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/read: reads one quantity of a profile, and insists that it makes sense. */
#include "profile/read.h"

#include <math.h>

const struct written_rule rule_time = {NULL, DIM_BIT(DIM_TIME), 0, 60.0 * 86400, "60 d"};
const struct written_rule rule_current = {
    NULL, DIM_BIT(DIM_CURRENT) | DIM_BIT(DIM_RELATIVE_CURRENT), 0, INFINITY, NULL};
const struct written_rule rule_voltage = {
    NULL, DIM_BIT(DIM_VOLTAGE) | DIM_BIT(DIM_VOLTAGE_PER_CELL), 0, INFINITY, NULL};
const struct written_rule rule_charge = {NULL, DIM_BIT(DIM_CHARGE) | DIM_BIT(DIM_RATIO), 0,
                                         INFINITY, NULL};
const struct written_rule rule_temperature = {NULL, DIM_BIT(DIM_TEMPERATURE), -INFINITY, INFINITY,
                                              NULL};

const struct written_rule rule_share = {NULL, DIM_BIT(DIM_RATIO), 0, INFINITY, NULL};

struct written_rule rule_as(const char *key, struct written_rule rule)
{
    rule.key = key;
    return rule;
}

bool written_read(const struct yaml_doc *d, const struct yaml_node *map,
                  const struct written_rule *rule, struct written *out, struct err *e)
{
    const struct yaml_node *n = yaml_get(map, rule->key);
    if (n == NULL) {
        return true;
    }
    struct quantity q;
    if (!yaml_read_quantity(d, map, rule->key, true, rule->allowed, &q, e)) {
        return false;
    }
    if (q.value <= rule->above) {
        return yaml_fail(d, n, e, "\"%s\" must be above 0, not %.60s%s", rule->key, yaml_text(n),
                         rule->allowed & DIM_BIT(DIM_CURRENT)
                             ? "; the kind of step says which way the current flows"
                             : "");
    }
    if (q.value > rule->at_most) {
        return yaml_fail(d, n, e, "\"%s\" can be at most %s, not %.60s", rule->key, rule->most,
                         yaml_text(n));
    }
    *out = (struct written){.present = true, .line = yaml_line(n), .q = q};
    return true;
}

#define MAP_KEYS_MAX 12

bool written_map_read(const struct step_place *at, const struct written_map *m, struct err *e)
{
    const char *keys[MAP_KEYS_MAX + 1] = {NULL};
    const struct yaml_node *map = yaml_get(at->map, m->key);
    bool any = false;
    if (map == NULL) {
        return true;
    }
    for (size_t i = 0; i < m->count && i < MAP_KEYS_MAX; i++) {
        keys[i] = m->rows[i].rule.key;
    }
    if (!yaml_check_keys(at->doc, map, keys, e)) {
        return false;
    }
    for (size_t i = 0; i < m->count; i++) {
        if (!written_read(at->doc, map, &m->rows[i].rule, m->rows[i].to, e)) {
            return false;
        }
        any = any || m->rows[i].to->present;
    }
    return any || yaml_fail(at->doc, map, e, "\"%s\" is empty; write e.g. %s", m->key, m->example);
}
