/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse: the verb that judges a recorded log without a daemon. */
#ifndef AMPLEDGER_CLI_ANALYSE_H
#define AMPLEDGER_CLI_ANALYSE_H

/* argv[0] is the verb itself ("analyse"), its options and the file follow.
 * Writes the result to standard output, one message to standard error when
 * something is wrong. Returns the exit status: 0 pass or nothing to judge,
 * 1 fail or undecided, 2 wrong usage or bad file, 5 internal. */
int cli_analyse(int argc, char **argv);

#endif
