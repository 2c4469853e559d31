/* SPDX-License-Identifier: GPL-3.0-or-later
 * daemon/keeper: the small parent process that starts the worker and switches
 * every armed instrument off when the worker dies or hangs. Its acting path
 * allocates nothing and calls nothing but the kernel; it is meant to be read in
 * one sitting. */
#ifndef AMPLEDGER_DAEMON_KEEPER_H
#define AMPLEDGER_DAEMON_KEEPER_H

#include <stdatomic.h>
#include <stdint.h>

/* What the worker process runs; line_fd is its end of the line to the keeper
 * (takes it); *alive_ns is when the keeper last looked (CLOCK_BOOTTIME).
 * Returns the exit status. */
typedef int worker_fn(void *context, int line_fd, const _Atomic int64_t *alive_ns);

/* Fork the worker and keep it until it leaves by itself or on SIGTERM/SIGINT;
 * a worker that dies or hangs is replaced, at most 5 times in 10 minutes.
 * Must be called before any thread exists. Returns the exit status: the
 * worker's own, or 5 after too many deaths. Called in the worker process too,
 * where it returns the worker's status. */
int keeper_run(worker_fn *worker, void *context);

#endif
