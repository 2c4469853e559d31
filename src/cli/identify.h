/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/identify: asks a stranger on a port who it is: with *IDN? and nothing else,
 * since a port may serve something that other words would disturb. */
#ifndef AMPLEDGER_CLI_IDENTIFY_H
#define AMPLEDGER_CLI_IDENTIFY_H

#include "base/err.h"

#define FINDING_SIZE 256

struct finding {
    char identity[FINDING_SIZE]; /* "" nobody answered */
    bool by_message;             /* no port with a speed */
    int baud;                    /* at which it answered; 0: it has none */
    char problem[ERR_TEXT_SIZE]; /* why the port was left alone; "" it was asked */
};

/* At 115200 baud, then at 9600; each waits for an answer for half a second. */
void identify(const char *address, struct finding *out);

#endif
