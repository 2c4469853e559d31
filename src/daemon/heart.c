/* SPDX-License-Identifier: GPL-3.0-or-later
 * daemon/heart: see heart.h. */
#include "daemon/heart.h"

#include "base/log.h"

#include <errno.h>
#include <pthread.h>
#include <sched.h>
#include <semaphore.h>
#include <stdbool.h>
#include <string.h>
#include <unistd.h>

struct beginning {
    int fd;
    bool alone; /* the thread has a table of its own now */
    int error;
    sem_t done;
};

static bool keep_only(int fd)
{
    unsigned kept = (unsigned)fd;
    return unshare(CLONE_FILES) == 0 && (fd <= 3 || close_range(3, kept - 1, 0) == 0) &&
           close_range(kept + 1, ~0U, 0) == 0;
}

static void *heart(void *arg)
{
    struct beginning *b = arg;
    b->alone = keep_only(b->fd);
    b->error = errno;
    bool stay = b->alone;
    sem_post(&b->done); /* the starter takes b away now */
    if (!stay) {
        return NULL;
    }
    for (;;) {
        pause();
    }
}

void heart_start(int fd)
{
    struct beginning b = {.fd = fd};
    pthread_t thread;
    sem_init(&b.done, 0, 0);
    int error = pthread_create(&thread, NULL, heart, &b);
    if (error == 0) {
        pthread_detach(thread);
        while (sem_wait(&b.done) != 0) {
        }
        error = b.alone ? 0 : b.error;
    }
    sem_destroy(&b.done);
    if (error == 0) {
        close(fd); /* in this table; the heart has it in its own */
    } else {
        log_warn("a death of this process may be noticed late: %s", strerror(error));
    }
}
