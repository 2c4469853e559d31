/* SPDX-License-Identifier: GPL-3.0-or-later
 * daemon/keeper: the small parent process that starts the worker and switches
 * every armed instrument off when the worker dies or hangs. Its acting path
 * allocates nothing and calls nothing but the kernel; it is meant to be read in
 * one sitting. */
#ifndef AMPLEDGER_DAEMON_KEEPER_H
#define AMPLEDGER_DAEMON_KEEPER_H

#include "run/keeper_line.h"

/* What ties the worker to its keeper. */
struct keeper_tie {
    int line_fd; /* the worker's end of the line; it takes it */
    /* Of it `beats` is counted up by the worker while all its threads turn; once begun it
     * must go on, whether an output is on or not. */
    struct keeper_page *page;
};

/* What the worker process runs. Returns the exit status. */
typedef int worker_fn(void *context, const struct keeper_tie *tie);

/* Fork the worker and keep it until it leaves by itself or on SIGTERM/SIGINT;
 * a worker that dies or hangs is replaced, at most 5 times in 10 minutes. Hanging
 * is: no beat of an armed slot for its trust time, or none of the whole worker
 * for 15 s.
 * Must be called before any thread exists. Returns the exit status: the
 * worker's own, or 5 after too many deaths. Called in the worker process too,
 * where it returns the worker's status. */
int keeper_run(worker_fn *worker, void *context);

#endif
