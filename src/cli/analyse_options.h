/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_options: what the verb `analyse` was asked, from its arguments. */
#ifndef AMPLEDGER_CLI_ANALYSE_OPTIONS_H
#define AMPLEDGER_CLI_ANALYSE_OPTIONS_H

#include "analysis/analysis.h"
#include "analysis/capacity_json.h"

struct analyse_request {
    const char *file; /* borrowed from argv */
    struct discharge_options options;
    struct acceptance acceptance; /* limit_Ah NAN: nothing to judge */
    double charge_voltage_V;      /* for the power of charge pulses; NAN: not given */
    bool starts_full;             /* the battery was full when the record began */
    bool discharge_positive;      /* the log writes discharge as positive */
    bool json;
    bool help;
};

/* Arguments as cli_analyse takes them. */
bool analyse_request_parse(int argc, char **argv, struct analyse_request *out,
                           struct err *e) NODISCARD;

extern const char analyse_help_text[];

#endif
