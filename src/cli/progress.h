/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/progress: a line now and then, where there is no terminal to draw on
 * (cli/screen.h). */
#ifndef AMPLEDGER_CLI_PROGRESS_H
#define AMPLEDGER_CLI_PROGRESS_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

struct progress {
    FILE *f;
    long long step;       /* last one told; -1 none yet */
    int tenths;           /* of the expected time, last told */
    int64_t told_real_ns; /* when a line was printed last */
    char hold[400];       /* what it waits for a person to do, last told; "" nothing */
    int64_t problem_ns;   /* when the stand's problem was; 0 never */
};

void progress_start(struct progress *p, FILE *f);
/* `stand` is the API's JSON of the stand; now_ns is real time. */
void progress_show(struct progress *p, const json_t *stand, int64_t now_ns);

#endif
