/* SPDX-License-Identifier: GPL-3.0-or-later
 * Preload object of limit_to_off.py: a disk that takes its time. Each flush of
 * the process it is loaded into takes longer by as many milliseconds as the file
 * says that FIGURES_SYNC_MS_FILE names; not at all longer while there is none. */
#include <fcntl.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static long stall_ms(void)
{
    char text[16] = "";
    const char *path = getenv("FIGURES_SYNC_MS_FILE");
    int fd = path != NULL ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    ssize_t n = fd >= 0 ? read(fd, text, sizeof text - 1) : 0;
    if (fd >= 0) {
        close(fd);
    }
    return n > 0 ? strtol(text, NULL, 10) : 0;
}

static void stall(void)
{
    long ms = stall_ms();
    struct timespec t = {ms / 1000, ms % 1000 * 1000000};
    nanosleep(&t, NULL);
}

int fsync(int fd)
{
    stall();
    return (int)syscall(SYS_fsync, fd);
}

int fdatasync(int fd)
{
    stall();
    return (int)syscall(SYS_fdatasync, fd);
}
