/* SPDX-License-Identifier: GPL-3.0-or-later
 * link/link_open: finding the device behind an address, and saying in words why
 * it cannot be had. */
#include "base/file.h"
#include "link/link_backend.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

/* Does the process `pid` (a folder name of /proc) hold the device open, by
 * another descriptor than `except`? */
static bool process_holds(const char *pid, const char *device, int except)
{
    char path[320], target[320], skipped[16];
    bool holds = false;
    text_format(path, sizeof path, "/proc/%.20s/fd", pid);
    text_format(skipped, sizeof skipped, "%d", except);
    DIR *dir = opendir(path);
    if (dir == NULL) {
        return false;
    }
    for (struct dirent *d = readdir(dir); d != NULL && !holds; d = readdir(dir)) {
        if (strcmp(d->d_name, skipped) == 0) {
            continue;
        }
        text_format(path, sizeof path, "/proc/%.20s/fd/%.20s", pid, d->d_name);
        ssize_t n = readlink(path, target, sizeof target - 1);
        if (n > 0) {
            target[n] = '\0';
            holds = strcmp(target, device) == 0;
        }
    }
    closedir(dir);
    return holds;
}

/* "process 1234 (its name)", "this program itself", or "another process" when it
 * cannot be seen. */
static void name_holder(const struct link *l, char *out, size_t size)
{
    char own[24];
    text_format(own, sizeof own, "%ld", (long)getpid());
    text_format(out, size, "%s",
                process_holds(own, l->device, l->fd) ? "this program itself, for another instrument"
                                                     : "another process");
    DIR *proc = opendir("/proc");
    if (proc == NULL) {
        return;
    }
    for (struct dirent *d = readdir(proc); d != NULL; d = readdir(proc)) {
        if (d->d_name[0] < '1' || d->d_name[0] > '9' || strcmp(d->d_name, own) == 0 ||
            !process_holds(d->d_name, l->device, -1)) {
            continue;
        }
        char path[64], *name = NULL;
        size_t n = 0;
        text_format(path, sizeof path, "/proc/%.20s/comm", d->d_name);
        bool named = file_read(path, 64, &name, &n, NULL);
        text_format(out, size, "process %s%s%.*s%s", d->d_name, named ? " (" : "",
                    named ? (int)strcspn(name, "\n") : 0, named ? name : "", named ? ")" : "");
        free(name);
        break;
    }
    closedir(proc);
}

bool link_fail_open(const struct link *l, int errno_value, struct err *e)
{
    char holder[96];
    switch (errno_value) {
    case ENOENT:
    case ENODEV:
    case ENXIO:
        return err_set(e, ERR_LINK_LOST,
                       "%s: there is no such port; is it plugged in and powered? "
                       "`ampledger ports` lists what is there",
                       l->address);
    case EACCES:
    case EPERM:
        return err_set(e, ERR_LINK_LOST,
                       "%s: no permission; add the user to the group that owns it (ls -l %s), "
                       "usually dialout, and log in again",
                       l->address, l->device);
    case EBUSY:
    case EWOULDBLOCK:
        name_holder(l, holder, sizeof holder);
        return err_set(e, ERR_LINK_LOST, "%s: held by %s; end it, or use another port", l->address,
                       holder);
    case ENOTTY:
        return err_set(e, ERR_LINK_LOST, "%s: this is not a terminal or serial port", l->address);
    default:
        return err_set(e, ERR_LINK_LOST, "%s: cannot be opened: %s", l->address,
                       strerror(errno_value));
    }
}

/* TIOCEXCL keeps ordinary users out, but not root; the advisory lock keeps out
 * every program that asks, this one included. */
bool link_lock(struct link *l, struct err *e)
{
    if (flock(l->fd, LOCK_EX | LOCK_NB) != 0) {
        return link_fail_open(l, errno, e);
    }
    (void)ioctl(l->fd, TIOCEXCL);
    return true;
}

bool link_open_tty(struct link *l, struct err *e)
{
    struct termios t;
    l->fd = open(l->device, O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    if (l->fd < 0) {
        return link_fail_open(l, errno, e);
    }
    if (tcgetattr(l->fd, &t) != 0) {
        return link_fail_open(l, ENOTTY, e);
    }
    if (!link_lock(l, e)) {
        return false;
    }
    cfmakeraw(&t);
    if (tcsetattr(l->fd, TCSANOW, &t) != 0) {
        return link_fail_open(l, errno, e);
    }
    tcflush(l->fd, TCIFLUSH);
    return true;
}

static bool resolve(struct link *l, const char *path, struct err *e)
{
    char *real = realpath(path, NULL);
    if (real == NULL) {
        text_format(l->device, sizeof l->device, "%s", path);
        return link_fail_open(l, errno, e);
    }
    bool fits = text_format(l->device, sizeof l->device, "%s", real);
    free(real);
    return fits || err_set(e, ERR_CONFIG, "%s: the path is too long", l->address);
}

bool link_open(const char *address, const struct link_settings *settings, struct link **out,
               struct err *e)
{
    struct link *l = zalloc(sizeof *l);
    bool ok = false;
    l->fd = -1;
    l->wake_fd = settings->wake_fd;
    if (!text_format(l->address, sizeof l->address, "%s", address)) {
        err_set(e, ERR_CONFIG, "%.80s...: the address is too long", address);
    } else if (strncmp(address, "serial:", 7) == 0) {
        ok = resolve(l, address + 7, e) && link_open_serial(l, settings, e);
    } else if (strncmp(address, "tty:", 4) == 0) {
        ok = resolve(l, address + 4, e) && link_open_tty(l, e);
    } else if (strncmp(address, "tcp:", 4) == 0) {
        ok = link_open_tcp(l, address + 4, e);
    } else if (strncmp(address, "usbtmc:", 7) == 0) {
        ok = resolve(l, address + 7, e) && link_open_usbtmc(l, e);
    } else {
        err_set(e, ERR_CONFIG,
                "\"%s\" is no link; write serial:/dev/ttyUSB0, tcp:192.168.1.20:5025, "
                "usbtmc:/dev/usbtmc0, or tty:/dev/pts/7 for a pseudo-terminal",
                address);
    }
    if (!ok) {
        link_close(l);
        return false;
    }
    *out = l;
    return true;
}
