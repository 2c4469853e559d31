/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/pulse_json: DC resistances as the JSON that scripts read; one definition for
 * recorded logs and for runs. */
#ifndef AMPLEDGER_ANALYSIS_PULSE_JSON_H
#define AMPLEDGER_ANALYSIS_PULSE_JSON_H

#include "analysis/two_current.h"

#include <jansson.h>

/* New reference: method, at_s, held_s, switched_within_s, voltage_before_V,
 * current_before_A, temperature_C, instants, relaxation (null: not fitted). */
json_t *pulse_change_to_json(const struct pulse_change *c,
                             const struct instrument_accuracy *accuracy);

/* Likewise what was meant as a method of a standard. New reference. */
json_t *two_currents_to_json(const struct two_currents *t);

#endif
