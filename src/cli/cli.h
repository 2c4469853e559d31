/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli: the program ampledger: verbs, each a function from arguments to an exit
 * status. A client of the API, except for `analyse` and `ports`, which need no
 * daemon. */
#ifndef AMPLEDGER_CLI_CLI_H
#define AMPLEDGER_CLI_CLI_H

#include "base/err.h"

#include <stddef.h>

#define DEFAULT_SOCKET "/run/ampledger/ampledger.sock"

enum exit_status {
    EXIT_DONE = 0,        /* and verdict pass or none */
    EXIT_FAILED = 1,      /* verdict fail or undecided */
    EXIT_USAGE = 2,       /* or a bad file, a plan with problems */
    EXIT_REFUSED = 3,     /* or tripped, stopped, aborted */
    EXIT_UNREACHABLE = 4, /* no daemon answers */
    EXIT_INTERNAL = 5,
    EXIT_LEFT = 130 /* Ctrl-C while waiting; the run goes on */
};

/* What every verb is given. */
struct cli {
    const char *socket; /* --socket, else AMPLEDGER_SOCKET, else DEFAULT_SOCKET */
    bool json;
};

typedef int verb_fn(struct cli *c, int argc, char **argv); /* argv[0] is the verb */

struct verb {
    const char *name;
    const char *arguments; /* as shown in the list of verbs */
    const char *summary;   /* one line */
    const char *help;      /* teaches by example; NULL: the verb tells it itself */
    verb_fn *run;
};

/* NULL when there is none. */
const struct verb *verb_find(const char *name);
const struct verb *verb_table(size_t *n);

/* The whole program; returns the exit status. */
int cli_main(int argc, char **argv);

/* Prints "ampledger VERB: text" on standard error; returns the exit status. */
int cli_fail(const char *verb, const struct err *e);

verb_fn verb_stands, verb_confirm, verb_stop, verb_clear;
verb_fn verb_battery, verb_lot, verb_queue;
verb_fn verb_plan, verb_profiles;
verb_fn verb_start, verb_watch;
verb_fn verb_runs, verb_show, verb_recompute, verb_export, verb_report;
verb_fn verb_import, verb_backup;
verb_fn verb_trend, verb_match;
verb_fn verb_ports, verb_token;
verb_fn verb_rates, verb_runtime, verb_corrections;

#endif
