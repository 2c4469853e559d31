/* SPDX-License-Identifier: GPL-3.0-or-later
 * Preload object of the tests: a wall clock that can be stepped, and memory that
 * can run out, for the processes it is loaded into and nobody else. Both are
 * steered through a file of three numbers that a test may write at any time (a
 * shorter file: the rest are 0);
 * AMPLEDGER_FAULTS_PAGE names it. */
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

/* The file, in the byte order of the machine. */
struct page {
    volatile int64_t wall_step_s; /* is added to CLOCK_REALTIME */
    volatile int64_t no_memory;   /* 1: every allocation fails; a process: those of that one */
    volatile int64_t boot_step_s; /* is added to CLOCK_BOOTTIME: so long the computer slept */
};

static const struct page calm = {0, 0, 0};
static const struct page *page = &calm;

/* The allocator itself, under the names that glibc keeps for this purpose. */
void *__libc_malloc(size_t size);
void *__libc_calloc(size_t count, size_t size);
void *__libc_realloc(void *old, size_t size);

__attribute__((constructor)) static void open_page(void)
{
    const char *path = getenv("AMPLEDGER_FAULTS_PAGE");
    int fd = path != NULL ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    void *at = fd >= 0 ? mmap(NULL, sizeof *page, PROT_READ, MAP_SHARED, fd, 0) : MAP_FAILED;
    if (at != MAP_FAILED) {
        page = at;
    }
    if (fd >= 0) {
        close(fd);
    }
}

static int memory_is_out(void)
{
    int64_t whose = page->no_memory;
    int out = whose == 1 || (whose != 0 && whose == getpid());
    if (out) {
        errno = ENOMEM;
    }
    return out;
}

void *malloc(size_t size)
{
    return memory_is_out() ? NULL : __libc_malloc(size);
}

void *calloc(size_t count, size_t size)
{
    return memory_is_out() ? NULL : __libc_calloc(count, size);
}

void *realloc(void *old, size_t size)
{
    return memory_is_out() ? NULL : __libc_realloc(old, size);
}

int clock_gettime(clockid_t id, struct timespec *out)
{
    long failed = syscall(SYS_clock_gettime, id, out);
    if (failed == 0 && id == CLOCK_BOOTTIME) {
        out->tv_sec += page->boot_step_s;
    }
    if (failed == 0 && (id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE)) {
        out->tv_sec += page->wall_step_s;
    }
    return (int)failed;
}

time_t time(time_t *out)
{
    struct timespec now = {0, 0};
    clock_gettime(CLOCK_REALTIME, &now);
    if (out != NULL) {
        *out = now.tv_sec;
    }
    return now.tv_sec;
}

int gettimeofday(struct timeval *restrict out, void *restrict zone)
{
    struct timespec now = {0, 0};
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    out->tv_sec = now.tv_sec;
    out->tv_usec = now.tv_nsec / 1000;
    return 0;
}
