/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/thread: the attributes and signal masks behind it. */
#include "base/thread.h"

#include <signal.h>
#include <stddef.h>
#include <time.h>

void mutex_init_inheriting(pthread_mutex_t *m)
{
    pthread_mutexattr_t attr;
    pthread_mutexattr_init(&attr);
    pthread_mutexattr_setprotocol(&attr, PTHREAD_PRIO_INHERIT);
    pthread_mutex_init(m, &attr);
    pthread_mutexattr_destroy(&attr);
}

void cond_init_monotonic(pthread_cond_t *c)
{
    pthread_condattr_t attr;
    pthread_condattr_init(&attr);
    pthread_condattr_setclock(&attr, CLOCK_MONOTONIC);
    pthread_cond_init(c, &attr);
    pthread_condattr_destroy(&attr);
}

int thread_start_deaf(pthread_t *thread, void *body(void *), void *context)
{
    sigset_t all, before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    int failed = pthread_create(thread, NULL, body, context);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    return failed;
}

void *thread_aside(void *body(void *), void *context)
{
    pthread_t thread;
    void *made = NULL;
    if (thread_start_deaf(&thread, body, context) != 0) {
        return body(context);
    }
    pthread_join(thread, &made);
    return made;
}
