/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/wait: stays with a run until it has ended, showing its progress. */
#ifndef AMPLEDGER_CLI_WAIT_H
#define AMPLEDGER_CLI_WAIT_H

#include "cli/cli.h"
#include "cli/client.h"

struct wait_wanted {
    struct client *client;
    const char *verb; /* for messages */
    const char *stand, *run_id;
};

/* Progress goes to standard output, with --json to standard error; then the
 * result as `show` shows it. Returns the exit status; prints its own errors. */
int wait_for_run(const struct cli *c, const struct wait_wanted *wanted);

#endif
