/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/wait: stays with runs until they have ended, showing their progress. */
#ifndef AMPLEDGER_CLI_WAIT_H
#define AMPLEDGER_CLI_WAIT_H

#include "cli/cli.h"
#include "cli/client.h"

#define WAIT_RUNS_MAX 64

struct wait_wanted {
    struct client *client;
    const char *verb; /* for messages */
    size_t n;         /* 1 to WAIT_RUNS_MAX */
    struct wait_run {
        const char *stand, *run_id; /* borrowed */
    } run[WAIT_RUNS_MAX];
};

/* On a terminal a picture that follows its size, else a line now and then, to standard
 * output, with --json to standard error; then the result as `show` shows it, of several runs
 * the first line of each. Returns the exit status, of several the highest; prints its own
 * errors. Ctrl-C and SIGTERM end the waiting, never a run. */
int wait_for_runs(const struct cli *c, const struct wait_wanted *wanted);

#endif
