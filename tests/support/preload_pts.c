/* SPDX-License-Identifier: GPL-3.0-or-later
 * Preload object of the tests: lets unmodified libserialport open a
 * pseudo-terminal. libserialport looks a port up under /sys/class/tty, reads
 * and sets modem lines and may want 7 bits; a pseudo-terminal has none of these. This object
 * answers just that, for names under /dev/pts and for pseudo-terminals, and passes all else on. The
 * modem lines are one set per process, up at first as after a real opening. */
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

static int is_looked_up(const char *path, struct stat *out)
{
    if (strncmp(path, LOOKUP, strlen(LOOKUP)) != 0) {
        return 0;
    }
    memset(out, 0, sizeof *out);
    out->st_mode = S_IFLNK | 0777;
    return 1;
}

static int is_pseudo_terminal(int fd)
{
    struct stat s;
    return fstat(fd, &s) == 0 && S_ISCHR(s.st_mode) && major(s.st_rdev) >= UNIX98_SLAVE_MAJOR &&
           major(s.st_rdev) < UNIX98_SLAVE_MAJOR + 8;
}

#define FRAME ((tcflag_t)(CSIZE | PARENB | PARODD))

/* A pseudo-terminal refuses what is not 8 bits without parity: the wish is kept
 * and shown again, one per process. */
static tcflag_t frame = CS8;

int tcsetattr(int fd, int when, const struct termios *t)
{
    int (*real)(int, int, const struct termios *) = NULL;
    struct termios possible = *t;
    *(void **)&real = next("tcsetattr");
    if (!is_pseudo_terminal(fd)) {
        return real(fd, when, t);
    }
    frame = t->c_cflag & FRAME;
    possible.c_cflag = (t->c_cflag & ~FRAME) | CS8;
    return real(fd, when, &possible);
}

int tcgetattr(int fd, struct termios *t)
{
    int (*real)(int, struct termios *) = NULL;
    *(void **)&real = next("tcgetattr");
    int result = real(fd, t);
    if (result == 0 && is_pseudo_terminal(fd)) {
        t->c_cflag = (t->c_cflag & ~FRAME) | frame;
    }
    return result;
}

/* What libserialport calls depends on the C library it was built with. */
int __lxstat(int version, const char *path, struct stat *out)
{
    int (*real)(int, const char *, struct stat *) = NULL;
    *(void **)&real = next("__lxstat");
    return is_looked_up(path, out) ? 0 : real(version, path, out);
}

int lstat(const char *restrict path, struct stat *restrict out)
{
    int (*real)(const char *, struct stat *) = NULL;
    *(void **)&real = next("lstat");
    return is_looked_up(path, out) ? 0 : real(path, out);
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

static int modem_lines(unsigned long request, int *argument)
{
    static int lines = TIOCM_DTR | TIOCM_RTS | TIOCM_CTS | TIOCM_DSR | TIOCM_CAR;
    switch (request) {
    case TIOCMGET:
        *argument = lines;
        return 0;
    case TIOCMSET:
        lines = *argument;
        return 0;
    case TIOCMBIS:
        lines |= *argument;
        return 0;
    case TIOCMBIC:
        lines &= ~*argument;
        return 0;
    default:
        return -1;
    }
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
    if (request == TERMIOX_GET || request == TERMIOX_SET) {
        errno = EINVAL; /* what a serial port without that says */
        return result;
    }
    return modem_lines(request, argument) == 0 ? 0 : result;
}
