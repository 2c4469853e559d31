/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_resistance: the resistances of a log in words. */
#ifndef AMPLEDGER_CLI_ANALYSE_RESISTANCE_H
#define AMPLEDGER_CLI_ANALYSE_RESISTANCE_H

#include "cli/analyse_text.h"

void analyse_print_resistance(FILE *f, const struct analyse_request *q,
                              const struct analyse_findings *found);

#endif
