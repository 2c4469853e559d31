/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/read: what the readers of a profile file share. Inside the room. */
#ifndef AMPLEDGER_PROFILE_READ_H
#define AMPLEDGER_PROFILE_READ_H

#include "base/yaml.h"
#include "profile/profile.h"

/* What one key may hold. Currents and charges are magnitudes, so they have an
 * `above`; a temperature has none (-INFINITY). */
struct written_rule {
    const char *key;
    unsigned allowed;      /* dimensions, DIM_BIT */
    double above, at_most; /* in house units, by the number alone */
    const char *most;      /* at_most as a person reads it; NULL when nothing bounds it */
};
extern const struct written_rule rule_time;    /* these have no key: see rule_as() */
extern const struct written_rule rule_current; /* A or relative */
extern const struct written_rule rule_voltage; /* V or V/cell */
extern const struct written_rule rule_charge;  /* Ah or share of rated */
extern const struct written_rule rule_temperature;

/* Read map[key] into *out; an absent key leaves out->present false. */
bool written_read(const struct yaml_doc *d, const struct yaml_node *map,
                  const struct written_rule *rule, struct written *out, struct err *e) NODISCARD;
/* The same rule under another key. */
struct written_rule rule_as(const char *key, struct written_rule rule);

/* One item of `steps`: a map with one key, the kind. place counts from 1. */
bool step_read(const struct yaml_doc *d, const struct yaml_node *item, size_t place,
               struct profile_step *out, struct err *e) NODISCARD;

#endif
