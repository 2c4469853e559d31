/* SPDX-License-Identifier: GPL-3.0-or-later
 * Preload object of limit_to_off.py and slow_reads.sh: a disk that takes its time. Each
 * flush of the process it is loaded into takes longer by as many milliseconds as the file
 * says that FIGURES_SYNC_MS_FILE names, each read at a place of a file as FIGURES_READ_MS_FILE
 * says; not at all longer while there is none. */
#include <fcntl.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static long stall_ms(const char *variable)
{
    char text[16] = "";
    const char *path = getenv(variable);
    int fd = path != NULL ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    ssize_t n = fd >= 0 ? read(fd, text, sizeof text - 1) : 0;
    if (fd >= 0) {
        close(fd);
    }
    return n > 0 ? strtol(text, NULL, 10) : 0;
}

static void stall(const char *variable)
{
    long ms = stall_ms(variable);
    struct timespec t = {ms / 1000, ms % 1000 * 1000000};
    nanosleep(&t, NULL);
}

int fsync(int fd)
{
    stall("FIGURES_SYNC_MS_FILE");
    return (int)syscall(SYS_fsync, fd);
}

int fdatasync(int fd)
{
    stall("FIGURES_SYNC_MS_FILE");
    return (int)syscall(SYS_fdatasync, fd);
}

ssize_t pread(int fd, void *bytes, size_t n, off_t at)
{
    stall("FIGURES_READ_MS_FILE");
    return (ssize_t)syscall(SYS_pread64, fd, bytes, n, at);
}

ssize_t pread64(int fd, void *bytes, size_t n, off_t at)
{
    return pread(fd, bytes, n, at);
}
