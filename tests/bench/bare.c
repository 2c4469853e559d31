/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/bare: the least that asking an instrument can cost.
 *
 *   bench_bare LINK QUESTION SECONDS
 *
 * Writes the question to the terminal, waits with poll() and reads until the line is
 * whole, again and again; prints how many answers there were, in how many seconds, and
 * the processor seconds that it took. */
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double cpu_s(void)
{
    struct rusage r;
    getrusage(RUSAGE_SELF, &r);
    return (double)(r.ru_utime.tv_sec + r.ru_stime.tv_sec) +
           1e-6 * (double)(r.ru_utime.tv_usec + r.ru_stime.tv_usec);
}

static int open_raw(const char *path)
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

static int ask(int fd, const char *question)
{
    char answer[256];
    struct pollfd p = {.fd = fd, .events = POLLIN};
    size_t n = strlen(question);
    if (write(fd, question, n) != (ssize_t)n) {
        return -1;
    }
    for (;;) {
        if (poll(&p, 1, 2000) != 1) {
            return -1;
        }
        ssize_t got = read(fd, answer, sizeof answer);
        if (got <= 0) {
            return -1;
        }
        if (answer[got - 1] == '\n') {
            return 0;
        }
    }
}

int main(int argc, char **argv)
{
    char question[256];
    if (argc != 4) {
        fprintf(stderr, "bench_bare LINK QUESTION SECONDS\n");
        return 2;
    }
    int fd = open_raw(argv[1]);
    snprintf(question, sizeof question, "%s\n", argv[2]);
    double begun_s = now_s(), end_s = begun_s + strtod(argv[3], NULL);
    long count = 0;
    while (now_s() < end_s) {
        if (ask(fd, question) != 0) {
            fprintf(stderr, "bench_bare: %s does not answer\n", argv[1]);
            return 5;
        }
        count++;
    }
    printf("%ld %.6f %.6f\n", count, now_s() - begun_s, cpu_s());
    return 0;
}
