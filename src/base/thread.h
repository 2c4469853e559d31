/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/thread: how this program's threads wait for each other. */
#ifndef AMPLEDGER_BASE_THREAD_H
#define AMPLEDGER_BASE_THREAD_H

#include <pthread.h>

/* Who holds it is not kept waiting while a thread that goes first waits for it: a
 * stand's thread goes before requests, and must not wait for one that holds a lock. */
void mutex_init_inheriting(pthread_mutex_t *m);

/* Deadlines of pthread_cond_timedwait() are clock_monotonic_ns(): no step of the wall
 * clock shortens or lengthens them. */
void cond_init_monotonic(pthread_cond_t *c);

/* Start a thread that no signal reaches: they are for the one that steers the daemon.
 * Returns 0 or an errno value, as pthread_create() does. */
int thread_start_deaf(pthread_t *thread, void *body(void *), void *context);

/* Have it done by a thread of its own, and wait for it; returns what body does. What a thread
 * once took of stack, and freed, it keeps for itself until it ends: so who lives long and is
 * one of many has done elsewhere what takes much room for a moment. Where no thread can be
 * had, the caller does it itself. */
void *thread_aside(void *body(void *), void *context);

#endif
