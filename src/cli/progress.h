/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/progress: when and how progress is shown: on a terminal redrawn in place,
 * else a line now and then. */
#ifndef AMPLEDGER_CLI_PROGRESS_H
#define AMPLEDGER_CLI_PROGRESS_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

struct progress {
    FILE *f;
    bool terminal;
    bool drawn;           /* two lines stand on the terminal */
    long long step;       /* last one told; -1 none yet */
    int tenths;           /* of the expected time, last told */
    int64_t told_real_ns; /* when a line was printed last */
    char hold[400];       /* what it waits for a person to do, last told; "" nothing */
    int64_t problem_ns;   /* when the stand's problem was; 0 never */
};

void progress_start(struct progress *p, FILE *f, bool terminal);
/* `stand` is the API's JSON of the stand; now_ns is real time. */
void progress_show(struct progress *p, const json_t *stand, int64_t now_ns);
/* Leaves what was drawn and goes on below it. */
void progress_end(struct progress *p);

#endif
