/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_found: the steps of current and the parts of a log, as JSON and in words. */
#ifndef AMPLEDGER_CLI_ANALYSE_FOUND_H
#define AMPLEDGER_CLI_ANALYSE_FOUND_H

#include "cli/analyse_text.h"

#include <jansson.h>

/* Adds resistances, resistances_left_out, parts, parts_left_out. */
void analyse_put_findings(json_t *o, const struct analyse_request *q,
                          const struct analyse_findings *found);
void analyse_print_findings(FILE *f, const struct analyse_request *q,
                            const struct analyse_findings *found);

#endif
