/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/asking: a terminal asked by bare calls of the system, for what others are held
 * against. */
#ifndef AMPLEDGER_BENCH_ASKING_H
#define AMPLEDGER_BENCH_ASKING_H

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static inline double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Of this process. */
static inline double cpu_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Returns -1 where there is none. */
static inline int open_raw(const char *path)
{
    struct termios t;
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (fd >= 0 && tcgetattr(fd, &t) == 0) {
        cfmakeraw(&t);
        tcsetattr(fd, TCSANOW, &t);
        tcflush(fd, TCIOFLUSH);
    }
    return fd;
}

/* Writes `question`, whose end of line is its own, and reads the line that answers it,
 * without its end. False: none within 2 s, or none that there is room for. */
static inline bool ask(int fd, const char *question, char *answer, size_t size)
{
    struct pollfd p = {.fd = fd, .events = POLLIN};
    size_t n = strlen(question), had = 0;
    if (write(fd, question, n) != (ssize_t)n) {
        return false;
    }
    while (poll(&p, 1, 2000) == 1) {
        ssize_t got = read(fd, answer + had, size - had);
        if (got <= 0) {
            return false;
        }
        had += (size_t)got;
        if (answer[had - 1] == '\n') {
            answer[had - 1] = '\0';
            return true;
        }
    }
    return false;
}

#endif
