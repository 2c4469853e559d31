/* SPDX-License-Identifier: GPL-3.0-or-later
 * link/link_tcp: a raw SCPI socket: bytes over TCP as over a wire.
 *
 * Addresses are numeric. A name is refused: finding what it means can take a name
 * server half a minute, and switching off opens a lost link anew, so it would wait
 * for that. Who wants names gives the instrument a fixed address. */
#include "base/clock.h"
#include "base/file.h"
#include "link/link_backend.h"

#include <errno.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

/* A neighbour on the same cable answers in a millisecond; a lost first packet is
 * sent again after a second. */
#define CONNECT_MS 1500
/* A silent connection is asked for after so long, and given up after three more. */
#define KEEPALIVE_IDLE_S 5
#define KEEPALIVE_EVERY_S 1
#define KEEPALIVE_TRIES 3
/* Bytes that nobody acknowledges for so long mean a lost link. */
#define UNHEARD_MS 3000

struct place {
    char host[64], port[8];
};

static bool fail_address(const struct link *l, struct err *e)
{
    return err_set(e, ERR_CONFIG,
                   "\"%s\" is no address of a socket; write tcp:192.168.1.20:5025, or "
                   "tcp:[fd00::20]:5025 for an IPv6 address; names are not looked up, since "
                   "switching off must not wait for a name server",
                   l->address);
}

static bool port_is_valid(const char *port)
{
    size_t n = strlen(port);
    long number = n > 0 && n <= 5 && strspn(port, "0123456789") == n ? strtol(port, NULL, 10) : 0;
    return number >= 1 && number <= 65535;
}

/* "HOST:PORT", an IPv6 host in brackets. */
static bool split(const char *text, struct place *out)
{
    const char *colon = strrchr(text, ':');
    if (colon == NULL || !port_is_valid(colon + 1)) {
        return false;
    }
    bool in_brackets = text[0] == '[' && colon > text + 2 && colon[-1] == ']';
    const char *from = in_brackets ? text + 1 : text;
    const char *to = in_brackets ? colon - 1 : colon;
    bool is_v6 = memchr(from, ':', (size_t)(to - from)) != NULL;
    return is_v6 == in_brackets && to > from &&
           text_format(out->host, sizeof out->host, "%.*s", (int)(to - from), from) &&
           text_format(out->port, sizeof out->port, "%s", colon + 1);
}

/* AI_NUMERICHOST: never asks anybody, so it does not block. */
static struct addrinfo *parse(const struct place *p)
{
    struct addrinfo wanted = {.ai_flags = AI_NUMERICHOST | AI_NUMERICSERV,
                              .ai_family = AF_UNSPEC,
                              .ai_socktype = SOCK_STREAM};
    struct addrinfo *found = NULL;
    return getaddrinfo(p->host, p->port, &wanted, &found) == 0 ? found : NULL;
}

bool link_tcp_check(const char *place)
{
    struct place p;
    struct addrinfo *a = split(place, &p) ? parse(&p) : NULL;
    if (a != NULL) {
        freeaddrinfo(a);
    }
    return a != NULL;
}

static bool fail_connect(const struct link *l, int errno_value, struct err *e)
{
    if (errno_value == ECONNREFUSED) {
        return err_set(e, ERR_LINK_LOST,
                       "%s: it is there but takes no connection on this port; is the port number "
                       "right, is its socket server switched on, is another program connected?",
                       l->address);
    }
    return err_set(e, ERR_LINK_LOST,
                   "%s: cannot be reached: %s; is it switched on, is the cable in, is the address "
                   "right?",
                   l->address, strerror(errno_value));
}

/* Until the connection stands, at most CONNECT_MS. */
static bool await_connection(const struct link *l, struct err *e)
{
    int64_t deadline_ns = clock_real_ns() + CONNECT_MS * NS_PER_MS;
    for (;;) {
        struct pollfd p[2] = {{.fd = l->fd, .events = POLLOUT},
                              {.fd = l->wake_fd, .events = POLLIN}};
        int64_t left_ms = (deadline_ns - clock_real_ns() + NS_PER_MS - 1) / NS_PER_MS;
        int ready = left_ms > 0 ? poll(p, 2, (int)left_ms) : 0;
        if (ready < 0 && errno == EINTR) {
            continue;
        }
        if (ready <= 0) {
            return fail_connect(l, ready < 0 ? errno : ETIMEDOUT, e);
        }
        if (p[1].revents != 0) {
            return err_set(e, ERR_INTERRUPTED, "%s: interrupted", l->address);
        }
        int why = 0;
        socklen_t size = sizeof why;
        if (getsockopt(l->fd, SOL_SOCKET, SO_ERROR, &why, &size) != 0) {
            why = errno;
        }
        return why == 0 || fail_connect(l, why, e);
    }
}

/* Short lines go out at once; a peer that vanished without a word is noticed. */
static bool configure(const struct link *l, struct err *e)
{
    static const struct {
        int level, name, value;
    } options[] = {
        {IPPROTO_TCP, TCP_NODELAY, 1},
        {SOL_SOCKET, SO_KEEPALIVE, 1},
        {IPPROTO_TCP, TCP_KEEPIDLE, KEEPALIVE_IDLE_S},
        {IPPROTO_TCP, TCP_KEEPINTVL, KEEPALIVE_EVERY_S},
        {IPPROTO_TCP, TCP_KEEPCNT, KEEPALIVE_TRIES},
        {IPPROTO_TCP, TCP_USER_TIMEOUT, UNHEARD_MS},
    };
    for (size_t i = 0; i < sizeof options / sizeof options[0]; i++) {
        if (setsockopt(l->fd, options[i].level, options[i].name, &options[i].value,
                       sizeof options[i].value) != 0) {
            return err_set_errno(e, errno, "%s: set up the socket", l->address);
        }
    }
    return true;
}

bool link_open_tcp(struct link *l, const char *place, struct err *e)
{
    struct place p;
    struct addrinfo *a = split(place, &p) ? parse(&p) : NULL;
    bool ok = false;
    text_format(l->device, sizeof l->device, "%s", place);
    l->kind = LINK_SOCKET;
    if (a == NULL) {
        return fail_address(l, e);
    }
    l->fd = socket(a->ai_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (l->fd < 0) {
        fail_connect(l, errno, e);
    } else if (configure(l, e)) {
        ok = connect(l->fd, a->ai_addr, a->ai_addrlen) == 0 ||
             (errno == EINPROGRESS ? await_connection(l, e) : fail_connect(l, errno, e));
    }
    freeaddrinfo(a);
    return ok;
}

/* The keeper may hold a duplicate, which would keep the connection up, and many
 * instruments take only one at a time: whoever closes a link wants it opened anew. */
void link_close_tcp(struct link *l)
{
    (void)shutdown(l->fd, SHUT_RDWR);
    close(l->fd);
}
