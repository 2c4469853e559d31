/* SPDX-License-Identifier: GPL-3.0-or-later
 * Preload object of the tests: lets unmodified libserialport open a
 * pseudo-terminal. libserialport looks a port up under /sys/class/tty and reads
 * and sets modem lines; a pseudo-terminal has neither. This object answers just
 * that, for names under /dev/pts and for pseudo-terminals, and passes all else on. */
#include <dlfcn.h>
#include <errno.h>
#include <stdarg.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <sys/types.h>
#include <termios.h>
#include <unistd.h>

#define LOOKUP "/sys/class/tty/pts/"
#define UNIX98_SLAVE_MAJOR 136 /* to 143 */
#define TERMIOX_GET 0x5432
#define TERMIOX_SET 0x5433

int __lxstat(int version, const char *path, struct stat *out);

static void *next(const char *name)
{
    return dlsym(RTLD_NEXT, name);
}

int __lxstat(int version, const char *path, struct stat *out)
{
    if (strncmp(path, LOOKUP, strlen(LOOKUP)) == 0) {
        memset(out, 0, sizeof *out);
        out->st_mode = S_IFLNK | 0777;
        return 0;
    }
    int (*real)(int, const char *, struct stat *) = NULL;
    *(void **)&real = next("__lxstat");
    return real(version, path, out);
}

ssize_t readlink(const char *restrict path, char *restrict out, size_t size)
{
    static const char answer[] = "../../devices/virtual/tty/pts";
    if (strncmp(path, LOOKUP, strlen(LOOKUP)) == 0 && size >= sizeof answer) {
        memcpy(out, answer, sizeof answer);
        return (ssize_t)(sizeof answer - 1);
    }
    ssize_t (*real)(const char *, char *, size_t) = NULL;
    *(void **)&real = next("readlink");
    return real(path, out, size);
}

static int is_pseudo_terminal(int fd)
{
    struct stat s;
    return fstat(fd, &s) == 0 && S_ISCHR(s.st_mode) && major(s.st_rdev) >= UNIX98_SLAVE_MAJOR &&
           major(s.st_rdev) < UNIX98_SLAVE_MAJOR + 8;
}

int ioctl(int fd, unsigned long request, ...)
{
    va_list args;
    va_start(args, request);
    void *argument = va_arg(args, void *);
    va_end(args);
    int (*real)(int, unsigned long, ...) = NULL;
    *(void **)&real = next("ioctl");
    int result = real(fd, request, argument);
    if (result == 0 || !is_pseudo_terminal(fd)) {
        return result;
    }
    switch (request) {
    case TIOCMGET:
        *(int *)argument = TIOCM_CTS | TIOCM_DSR | TIOCM_CAR;
        return 0;
    case TIOCMSET:
    case TIOCMBIS:
    case TIOCMBIC:
        return 0;
    case TERMIOX_GET:
    case TERMIOX_SET:
        errno = EINVAL;
        return result;
    default:
        return result;
    }
}
