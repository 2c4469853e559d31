/* SPDX-License-Identifier: GPL-3.0-or-later
 * Preload object of limit_to_off.py: what of a figure passes inside the process it
 * is loaded into. Whenever a thread writes the off line to a link, it adds a line
 * "LINK READ-NS OFF-NS WAITS PREEMPTED FAULTS" to the file that FIGURES_STAMPS_FILE
 * names: the return of that thread's last read that ended a line, and the moment
 * before the write, both CLOCK_MONOTONIC; and how often in between the thread gave
 * the processor away to wait for something, lost it to another, and touched a page
 * that was not there. That is done after the write, and once for each read: the off
 * that is sent again to be confirmed is not the first. LINK is "tty:/dev/pts/7" or
 * "tcp:127.0.0.1:5025", as in bench.yaml. */
#include <arpa/inet.h>
#include <fcntl.h>
#include <inttypes.h>
#include <netinet/in.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#define OFF "INPut OFF\n"

static _Thread_local int64_t read_ns; /* 0: none since the last off */
static _Thread_local struct rusage at_read;

static int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static void name_link(int fd, char *out, size_t size)
{
    struct sockaddr_in a = {0};
    socklen_t n = sizeof a;
    char path[64], target[64] = "";
    if (getpeername(fd, (struct sockaddr *)&a, &n) == 0 && a.sin_family == AF_INET) {
        snprintf(out, size, "tcp:127.0.0.1:%d", ntohs(a.sin_port));
        return;
    }
    snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(path, target, sizeof target - 1);
    snprintf(out, size, "tty:%s", length > 0 ? target : "?");
}

static void note(int fd, int64_t off_ns, const struct rusage *at_off)
{
    char link[80], line[200];
    const char *path = getenv("FIGURES_STAMPS_FILE");
    int file = path != NULL ? open(path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600) : -1;
    name_link(fd, link, sizeof link);
    int n =
        snprintf(line, sizeof line, "%s %" PRId64 " %" PRId64 " %ld %ld %ld\n", link, read_ns,
                 off_ns, at_off->ru_nvcsw - at_read.ru_nvcsw, at_off->ru_nivcsw - at_read.ru_nivcsw,
                 at_off->ru_minflt + at_off->ru_majflt - at_read.ru_minflt - at_read.ru_majflt);
    if (file >= 0) {
        (void)!syscall(SYS_write, file, line, (size_t)n);
        close(file);
    }
    read_ns = 0;
}

/* When it is the off line; else 0. */
static int64_t before(const void *bytes, size_t n, struct rusage *r)
{
    if (read_ns == 0 || n != sizeof OFF - 1 || memcmp(bytes, OFF, n) != 0) {
        return 0;
    }
    getrusage(RUSAGE_THREAD, r);
    return now_ns();
}

ssize_t read(int fd, void *buffer, size_t size)
{
    ssize_t n = syscall(SYS_read, fd, buffer, size);
    if (n > 0 && ((const char *)buffer)[n - 1] == '\n') {
        read_ns = now_ns();
        getrusage(RUSAGE_THREAD, &at_read);
    }
    return n;
}

ssize_t write(int fd, const void *bytes, size_t n)
{
    struct rusage r;
    int64_t off_ns = before(bytes, n, &r);
    ssize_t written = syscall(SYS_write, fd, bytes, n);
    if (off_ns != 0) {
        note(fd, off_ns, &r);
    }
    return written;
}

ssize_t send(int fd, const void *bytes, size_t n, int flags)
{
    struct rusage r;
    int64_t off_ns = before(bytes, n, &r);
    ssize_t sent = syscall(SYS_sendto, fd, bytes, n, flags, NULL, 0);
    if (off_ns != 0) {
        note(fd, off_ns, &r);
    }
    return sent;
}
