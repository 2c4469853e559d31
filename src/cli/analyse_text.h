/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_text: a result in words for a person, in 80 columns. */
#ifndef AMPLEDGER_CLI_ANALYSE_TEXT_H
#define AMPLEDGER_CLI_ANALYSE_TEXT_H

#include "cli/analyse_options.h"

#include <stdio.h>

void analyse_print(FILE *f, const struct analyse_request *q, const struct capacity_result *r);

#endif
