/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/correction_read: the correction a person names in a file. */
#ifndef AMPLEDGER_ANALYSIS_CORRECTION_READ_H
#define AMPLEDGER_ANALYSIS_CORRECTION_READ_H

#include "analysis/correction.h"
#include "base/yaml.h"

/* map[key]: a name of correction_names, or
 *   {rule: stated-linear, per_kelvin: 0.6 %, reference: 20 degC,
 *    published_current: 100 A, published_time: 8 h, thermometer: 1 degC}
 * with what its rule needs. Absent: *out as it was. What belongs to another rule is a mistake. */
bool correction_read(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                     struct correction_choice *out, struct err *e) NODISCARD;

/* By its name; the message lists all names. */
bool correction_parse(const char *text, enum correction_rule *out, struct err *e) NODISCARD;

#endif
