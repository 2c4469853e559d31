/* SPDX-License-Identifier: GPL-3.0-or-later
 * daemon/notify: the protocol is a few lines, so there is no library for it. */
#include "daemon/notify.h"

#include "base/clock.h"
#include "base/file.h"

#include <errno.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#define LINES_SIZE 512

/* "/path" or "@abstract"; anything else is no address. Returns its length, 0: none. */
static socklen_t address_of(const char *name, struct sockaddr_un *out)
{
    size_t n = strlen(name);
    *out = (struct sockaddr_un){.sun_family = AF_UNIX};
    if ((name[0] != '/' && name[0] != '@') || n < 2 || n >= sizeof out->sun_path) {
        return 0;
    }
    memcpy(out->sun_path, name, n);
    if (name[0] == '@') {
        out->sun_path[0] = '\0';
        return (socklen_t)(offsetof(struct sockaddr_un, sun_path) + n);
    }
    return (socklen_t)(offsetof(struct sockaddr_un, sun_path) + n + 1);
}

void notify_send(const char *lines)
{
    struct sockaddr_un address;
    const char *name = getenv("NOTIFY_SOCKET");
    socklen_t n = name != NULL ? address_of(name, &address) : 0;
    if (n == 0) {
        return;
    }
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd >= 0) {
        (void)sendto(fd, lines, strlen(lines), MSG_NOSIGNAL, (struct sockaddr *)&address, n);
        close(fd);
    }
}

void notify_status(const char *extra, const char *text)
{
    char lines[LINES_SIZE];
    text_format(lines, sizeof lines, "%s%sSTATUS=%.*s", extra, extra[0] != '\0' ? "\n" : "",
                (int)strcspn(text, "\n"), text);
    notify_send(lines);
}

/* A whole decimal number > 0; 0: it is none. */
static long long whole_number(const char *text)
{
    char *end = NULL;
    if (text == NULL || text[0] < '0' || text[0] > '9') {
        return 0;
    }
    errno = 0;
    long long number = strtoll(text, &end, 10);
    return errno == 0 && *end == '\0' ? number : 0;
}

int64_t notify_watchdog_period_ns(void)
{
    const char *pid = getenv("WATCHDOG_PID");
    long long us = whole_number(getenv("WATCHDOG_USEC"));
    if (us <= 0 || us > INT64_MAX / 1000 || (pid != NULL && whole_number(pid) != getpid())) {
        return 0;
    }
    return us * 1000 / 2;
}
