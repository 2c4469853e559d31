/* SPDX-License-Identifier: GPL-3.0-or-later
 * link: reading and writing, the same for every kind: poll() on the descriptor
 * together with the wake-up descriptor, never longer than the deadline. */
#include "link/link.h"

#include "base/clock.h"
#include "base/log.h"
#include "link/link_backend.h"

#include <errno.h>
#include <libserialport.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

struct link_settings link_settings_default(void)
{
    return (struct link_settings){
        .baud = 115200,
        .bits = 8,
        .parity = 'n',
        .stop_bits = 1,
        .flow = FLOW_NONE,
        .dtr = -1,
        .rts = -1,
        .wake_fd = -1,
    };
}

bool link_settings_equal(const struct link_settings *a, const struct link_settings *b)
{
    return a->baud == b->baud && a->bits == b->bits && a->parity == b->parity &&
           a->stop_bits == b->stop_bits && a->flow == b->flow && a->dtr == b->dtr &&
           a->rts == b->rts;
}

/* Others may hold duplicates of the descriptor, the keeper above all. What keeps everybody
 * else out belongs to the open file, not to one descriptor: left there it would keep us
 * out as well when we open the device again to switch off. */
static void let_others_in(const struct link *l)
{
    (void)flock(l->fd, LOCK_UN);
    (void)ioctl(l->fd, TIOCNXCL);
}

void link_close(struct link *l)
{
    if (l == NULL) {
        return;
    }
    if (l->fd >= 0 && l->kind != LINK_SOCKET) {
        let_others_in(l);
    }
    if (l->port != NULL) {
        if (l->fd >= 0) {
            sp_close(l->port);
        }
        sp_free_port(l->port);
    } else if (l->fd >= 0 && l->kind == LINK_SOCKET) {
        link_close_tcp(l);
    } else if (l->fd >= 0) {
        close(l->fd);
    }
    free(l);
}

const char *link_address(const struct link *l)
{
    return l->address;
}

const char *link_device(const struct link *l)
{
    return l->device;
}

int link_fd(const struct link *l)
{
    return l->fd;
}

void link_set_wake(struct link *l, int wake_fd)
{
    l->wake_fd = wake_fd;
}

static bool fail_lost(const struct link *l, struct err *e)
{
    return l->kind == LINK_SOCKET
               ? err_set(e, ERR_LINK_LOST,
                         "%s: the connection is lost; did the instrument close it, or restart?",
                         l->address)
               : err_set(e, ERR_LINK_LOST, "%s: the connection is lost; is the cable in?",
                         l->address);
}

static int64_t deadline_in(int timeout_ms)
{
    return clock_real_ns() + timeout_ms * NS_PER_MS;
}

static bool fail_interrupted(const struct link *l, struct err *e)
{
    return err_set(e, ERR_INTERRUPTED, "%s: interrupted", l->address);
}

static bool fail_late(const struct link *l, struct err *e)
{
    return err_set(e, ERR_TIMEOUT, "%s: no answer in time", l->address);
}

static bool wait_for_message(const struct link *l, int wake_fd, int64_t deadline_ns, struct err *e)
{
    bool woken = false;
    enum usbtmc_look seen = usbtmc_wait(l->fd, wake_fd, deadline_ns, &woken);
    if (woken) {
        return fail_interrupted(l, e);
    }
    return seen == USBTMC_ANSWER || (seen == USBTMC_GONE ? fail_lost(l, e) : fail_late(l, e));
}

/* Wait until bytes can move. ERR_TIMEOUT text is left to the caller. */
static bool wait_for(struct link *l, short events, int wake_fd, int64_t deadline_ns, struct err *e)
{
    if (l->kind == LINK_MESSAGES && events == POLLIN) {
        return wait_for_message(l, wake_fd, deadline_ns, e);
    }
    for (;;) {
        struct pollfd p[2] = {{.fd = l->fd, .events = events}, {.fd = wake_fd, .events = POLLIN}};
        int64_t left_ns = deadline_ns - clock_real_ns();
        struct timespec left = {left_ns > 0 ? left_ns / NS_PER_S : 0,
                                left_ns > 0 ? left_ns % NS_PER_S : 0};
        int ready = ppoll(p, 2, &left, NULL);
        if (ready < 0 && errno != EINTR) {
            return err_set_errno(e, errno, "%s: wait", l->address);
        }
        if (ready > 0 && wake_fd >= 0 && p[1].revents != 0) {
            return fail_interrupted(l, e);
        }
        if (ready > 0 && (p[0].revents & events) != 0) {
            return true;
        }
        if (ready > 0 && p[0].revents != 0) {
            return fail_lost(l, e);
        }
        if (left_ns <= 0) {
            return fail_late(l, e);
        }
    }
}

static bool is_gone(int errno_value)
{
    return errno_value == EIO || errno_value == ENXIO || errno_value == ENODEV ||
           errno_value == EBADF || errno_value == EPIPE || errno_value == ECONNRESET ||
           errno_value == ETIMEDOUT || errno_value == ENOTCONN || errno_value == EHOSTUNREACH ||
           errno_value == ENETUNREACH || errno_value == ENETDOWN;
}

static ssize_t put(const struct link *l, const char *bytes, size_t n)
{
    return l->kind == LINK_SOCKET ? send(l->fd, bytes, n, MSG_NOSIGNAL) : write(l->fd, bytes, n);
}

bool link_write(struct link *l, const char *bytes, size_t n, int timeout_ms, struct err *e)
{
    int64_t deadline_ns = deadline_in(timeout_ms);
    log_wire(l->address, '>', bytes, n);
    while (n > 0) {
        ssize_t written = put(l, bytes, n);
        if (written > 0) {
            bytes += written;
            n -= (size_t)written;
        } else if (written < 0 && errno != EAGAIN && errno != EINTR) {
            /* Of a message that did not go out nobody knows how much did: opened anew. */
            return l->kind == LINK_MESSAGES || is_gone(errno)
                       ? fail_lost(l, e)
                       : err_set_errno(e, errno, "%s: write", l->address);
        } else if (!wait_for(l, POLLOUT, -1, deadline_ns, e)) {
            return e != NULL && e->code == ERR_TIMEOUT
                       ? err_set(e, ERR_TIMEOUT,
                                 "%s: does not take any bytes; check cable and flow control",
                                 l->address)
                       : false;
        }
    }
    return true;
}

bool link_write_copy(int fd, const char *bytes, size_t n, int timeout_ms)
{
    int64_t deadline_ns = deadline_in(timeout_ms);
    while (n > 0) {
        struct pollfd p = {.fd = fd, .events = POLLOUT};
        ssize_t written = write(fd, bytes, n);
        if (written > 0) {
            bytes += written;
            n -= (size_t)written;
        } else if (written < 0 && errno != EAGAIN && errno != EINTR) {
            return false;
        } else {
            int64_t left_ms = (deadline_ns - clock_real_ns()) / NS_PER_MS;
            if (left_ms <= 0 || poll(&p, 1, (int)left_ms) < 0) {
                return false;
            }
        }
    }
    return true;
}

ssize_t link_read_copy(int fd, char *out, size_t size, int timeout_ms)
{
    struct pollfd p = {.fd = fd, .events = POLLIN};
    bool woken = false;
    if (usbtmc_is(fd)) {
        return usbtmc_wait(fd, -1, deadline_in(timeout_ms), &woken) == USBTMC_ANSWER
                   ? usbtmc_read(fd, out, size)
                   : 0;
    }
    return poll(&p, 1, timeout_ms) == 1 && (p.revents & POLLIN) != 0 ? read(fd, out, size) : 0;
}

static ssize_t get(const struct link *l, char *out, size_t size)
{
    return l->kind == LINK_MESSAGES ? usbtmc_read(l->fd, out, size) : read(l->fd, out, size);
}

/* What is there now, after the held bytes. Zero bytes from a readable
 * descriptor mean that the other end hung up, but for messages. */
static bool read_some(struct link *l, struct err *e)
{
    ssize_t n = get(l, l->buffer + l->held, sizeof l->buffer - l->held);
    if (n > 0) {
        log_wire(l->address, '<', l->buffer + l->held, (size_t)n);
        l->held += (size_t)n;
        return true;
    }
    if (l->kind == LINK_MESSAGES ? n == 0 : n < 0 && (errno == EAGAIN || errno == EINTR)) {
        return true;
    }
    return fail_lost(l, e);
}

static bool take_line(struct link *l, const char *end, char *line, size_t size, size_t *n)
{
    size_t length = (size_t)(end - l->buffer);
    size_t used = length + 1;
    if (length > 0 && l->buffer[length - 1] == '\r') {
        length--;
    }
    bool fits = length < size;
    if (fits) {
        memcpy(line, l->buffer, length);
        line[length] = '\0';
        *n = length;
    }
    l->held -= used;
    memmove(l->buffer, l->buffer + used, l->held);
    return fits;
}

bool link_read_line(struct link *l, char *line, size_t size, size_t *n, int timeout_ms,
                    struct err *e)
{
    int64_t deadline_ns = deadline_in(timeout_ms);
    for (;;) {
        const char *end = memchr(l->buffer, '\n', l->held);
        if (end != NULL) {
            return take_line(l, end, line, size, n) ||
                   err_set(e, ERR_BAD_REPLY, "%s: a line longer than %zu bytes came", l->address,
                           size - 1);
        }
        if (l->held >= sizeof l->buffer - 1) { /* no room for a message and its end */
            l->held = 0;
            return err_set(e, ERR_BAD_REPLY, "%s: %d bytes came without an end of line", l->address,
                           LINK_BUFFER);
        }
        if (!wait_for(l, POLLIN, l->wake_fd, deadline_ns, e)) {
            return e != NULL && e->code == ERR_TIMEOUT
                       ? err_set(e, ERR_TIMEOUT, "%s: no answer in %d ms", l->address, timeout_ms)
                       : false;
        }
        if (!read_some(l, e)) {
            return false;
        }
    }
}

bool link_read_bytes(struct link *l, char *out, size_t n, int timeout_ms, struct err *e)
{
    int64_t deadline_ns = deadline_in(timeout_ms);
    while (l->held < n) {
        if (!wait_for(l, POLLIN, l->wake_fd, deadline_ns, e) || !read_some(l, e)) {
            return false;
        }
    }
    memcpy(out, l->buffer, n);
    out[n] = '\0';
    l->held -= n;
    memmove(l->buffer, l->buffer + n, l->held);
    return true;
}

bool link_pending(struct link *l)
{
    struct pollfd p = {.fd = l->fd, .events = POLLIN};
    if (l->held > 0) {
        return true;
    }
    return l->kind == LINK_MESSAGES ? usbtmc_look(l->fd) != USBTMC_NOTHING
                                    : poll(&p, 1, 0) == 1 && p.revents != 0;
}

bool link_holds_more(const struct link *l)
{
    return l->held > 0;
}

bool link_drain(struct link *l, int quiet_ms, int timeout_ms, size_t *discarded, struct err *e)
{
    int64_t deadline_ns = deadline_in(timeout_ms);
    size_t total = 0;
    struct err why = {0};
    for (;;) {
        total += l->held;
        l->held = 0;
        if (discarded != NULL) {
            *discarded = total;
        }
        if (clock_real_ns() > deadline_ns) {
            return err_set(e, ERR_BAD_REPLY, "%s: it does not fall silent", l->address);
        }
        if (!wait_for(l, POLLIN, l->wake_fd, deadline_in(quiet_ms), &why)) {
            break;
        }
        if (!read_some(l, e)) {
            return false;
        }
    }
    if (why.code == ERR_TIMEOUT) {
        return true;
    }
    if (e != NULL) {
        *e = why;
    }
    return false;
}
