/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/propose: a bench file to begin with, from what answered on the ports. */
#ifndef AMPLEDGER_CLI_PROPOSE_H
#define AMPLEDGER_CLI_PROPOSE_H

#include "cli/identify.h"
#include "link/ports.h"

#include <stdio.h>

/* Ports and what was found on each. */
struct proposal {
    const struct port_info *ports;
    const struct finding *found;
    size_t count;
};

/* What an answer to *IDN? sounds like by its words, "load", "supply", "meter" or
 * "thermometer"; NULL: it does not say. A guess, for a person to confirm. */
const char *propose_role(const char *identity);

/* The whole bench file: one stand with the first instrument of each role that was
 * guessed, its identity pinned; all else, and what a person must look up, as comments. */
void propose_print(FILE *f, const struct proposal *p);

#endif
