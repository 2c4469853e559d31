/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_text: a result in words for a person, in 80 columns. */
#ifndef AMPLEDGER_CLI_ANALYSE_TEXT_H
#define AMPLEDGER_CLI_ANALYSE_TEXT_H

#include "analysis/parts.h"
#include "analysis/two_current.h"
#include "cli/analyse_options.h"

#include <stdio.h>

/* What a log holds. */
struct analyse_findings {
    struct capacity_result result;
    struct record_parts parts;
    struct pulse_watch pulses;
    struct two_currents two_currents;
    struct relaxation_trace trace; /* work space of the pulses */
};

void analyse_print(FILE *f, const struct analyse_request *q, const struct analyse_findings *found);

#endif
