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
extern const struct written_rule rule_share; /* ratio */

/* Read map[key] into *out; an absent key leaves out->present false. */
bool written_read(const struct yaml_doc *d, const struct yaml_node *map,
                  const struct written_rule *rule, struct written *out, struct err *e) NODISCARD;
/* The same rule under another key. */
struct written_rule rule_as(const char *key, struct written_rule rule);

/* One item of `steps` being read, and where what it says goes. */
struct step_place {
    const struct yaml_doc *doc;
    const struct yaml_node *map; /* the keys of the step */
    struct profile *profile;
    unsigned nesting; /* 1 in the outermost list */
};

/* The list `steps` of the profile (nesting 1) or of a repeat, appended to
 * profile->steps. `place`: doc, map that holds the list, profile, nesting. */
bool steps_read(const struct step_place *place, struct err *e) NODISCARD;
/* Index of the step of that name among the first n, or SIZE_MAX. */
size_t step_named(const struct profile *p, const char *name, size_t first, size_t n);
/* The step that `key` of map names, among steps [first, n). */
bool step_reference(const struct step_place *at, const char *key, size_t first, size_t *out,
                    struct err *e) NODISCARD;
/* Takes *step as the profile's next one; `item`: where it is written. */
bool step_add(const struct step_place *at, const struct yaml_node *item,
              const struct profile_step *step, struct err *e) NODISCARD;

/* --- parts that several kinds of step share --- */

bool read_sample_every(const struct step_place *at, struct profile_step *out,
                       struct err *e) NODISCARD;
/* at_most: {time: ..., charge: ...}, or a time alone. */
bool read_at_most(const struct step_place *at, struct profile_step *out, struct err *e) NODISCARD;

/* One row of a map: what may be written and where it goes. */
struct written_row {
    struct written_rule rule;
    struct written *to;
};
/* Read the map `key` of at->map by its rows; nothing else may stand in it, and
 * something must. `example`: "until: {voltage: 2.5 V/cell}". An absent key is fine. */
struct written_map {
    const char *key, *example;
    const struct written_row *rows;
    size_t count;
};
bool written_map_read(const struct step_place *at, const struct written_map *m,
                      struct err *e) NODISCARD;

/* --- the kinds --- */

typedef bool step_read_fn(const struct step_place *at, struct profile_step *out, struct err *e);
step_read_fn read_discharge, read_rest, read_charge, read_pulse, read_hold, read_repeat;
/* The pre-charge of a charge: *has tells whether there is one; it is named after `charge`. */
bool read_precharge(const struct step_place *at, const struct profile_step *charge, bool *has,
                    struct profile_step *out, struct err *e) NODISCARD;

#endif
