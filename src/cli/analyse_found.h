/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_found: the steps of current and the parts of a log, as JSON and in words. */
#ifndef AMPLEDGER_CLI_ANALYSE_FOUND_H
#define AMPLEDGER_CLI_ANALYSE_FOUND_H

#include "cli/analyse_text.h"

#include <jansson.h>

/* State of charge before a step of current, of the rating, else of what was measured to the
 * cut-off; NAN unless the record itself shows that the battery was filled, or a person says
 * so. */
double analyse_state_percent(const struct analyse_request *q, const struct analyse_findings *found,
                             const struct pulse_change *c);
/* What a pulse from there could give or take without passing the voltage of its direction,
 * by the resistance at 10 s; NAN where that was not read. */
double analyse_power_W(const struct analyse_request *q, const struct pulse_change *c);

/* Adds resistances, resistances_left_out, two_current, parts, parts_left_out. */
void analyse_put_findings(json_t *o, const struct analyse_request *q,
                          const struct analyse_findings *found);
void analyse_print_findings(FILE *f, const struct analyse_request *q,
                            const struct analyse_findings *found);

#endif
