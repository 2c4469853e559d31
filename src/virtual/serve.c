/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/serve: one thread, one poll(). Ports are obeyed before control
 * clients, since what a client skips must come after what it sent before. */
#include "virtual/serve.h"

#include "base/clock.h"
#include "base/file.h"
#include "virtual/control.h"

#include <errno.h>
#include <limits.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define CLIENTS 16
#define LONGEST_WAIT_NS (100 * NS_PER_MS) /* the model never lags behind more than this */

struct connection {
    int fd; /* -1: free */
    struct client client;
    char input[1024];
    size_t input_n;
};

struct loop {
    struct server server;
    int listener;
    int signals;
    char socket_path[PATH_MAX];
    struct connection connections[CLIENTS];
    struct pollfd *fds; /* signals, listener, connections, ports */
    struct answer answer;
};

static bool make_dir(const char *dir, struct err *e)
{
    if (mkdir(dir, 0755) != 0 && errno != EEXIST) {
        return err_set_errno(e, errno, "cannot create the folder %s", dir);
    }
    return true;
}

static bool find_description(const struct serve_options *o, char out[PATH_MAX], struct err *e)
{
    if (o->description) {
        return text_format(out, PATH_MAX, "%s", o->description) ||
               err_set(e, ERR_CONFIG, "the path %s is too long", o->description);
    }
    if (!text_format(out, PATH_MAX, "%s/virtual.yaml", o->dir)) {
        return err_set(e, ERR_CONFIG, "the path %s is too long", o->dir);
    }
    if (access(out, F_OK) != 0) {
        return err_set(e, ERR_CONFIG,
                       "there is no %s: write one (ampledger-virtual --help shows a short one), or "
                       "name another with --bench FILE.yaml",
                       out);
    }
    return true;
}

/* A socket that still answers belongs to a running bench; a silent one is stale. */
static bool claim_socket(const struct sockaddr_un *address, struct err *e)
{
    struct stat st;
    if (lstat(address->sun_path, &st) != 0) {
        return true;
    }
    int probe = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (probe < 0) {
        return err_set_errno(e, errno, "cannot make a socket");
    }
    bool alive = connect(probe, (const struct sockaddr *)address, sizeof *address) == 0;
    close(probe);
    if (alive) {
        return err_set(e, ERR_REFUSED,
                       "another virtual bench already runs at %s; stop it first (SIGTERM, or "
                       "ampledger-virtual --control %s quit)",
                       address->sun_path, address->sun_path);
    }
    if (!S_ISSOCK(st.st_mode) || unlink(address->sun_path) != 0) {
        return err_set(e, ERR_REFUSED, "%s is in the way; move it away first", address->sun_path);
    }
    return true;
}

static bool listen_at(struct loop *l, const char *dir, struct err *e)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (!text_format(l->socket_path, sizeof l->socket_path, "%s/control", dir) ||
        !text_format(address.sun_path, sizeof address.sun_path, "%s", l->socket_path)) {
        return err_set(e, ERR_CONFIG, "the path %s/control is too long for a socket", dir);
    }
    if (!claim_socket(&address, e)) {
        return false;
    }
    l->listener = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (l->listener < 0 ||
        bind(l->listener, (const struct sockaddr *)&address, sizeof address) != 0 ||
        listen(l->listener, CLIENTS) != 0) {
        return err_set_errno(e, errno, "cannot listen at %s", address.sun_path);
    }
    return true;
}

static bool catch_signals(struct loop *l, struct err *e)
{
    sigset_t set;
    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGHUP);
    if (sigprocmask(SIG_BLOCK, &set, NULL) != 0) {
        return err_set_errno(e, errno, "cannot block signals");
    }
    l->signals = signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
    return l->signals >= 0 || err_set_errno(e, errno, "cannot watch for signals");
}

static void hang_up(struct connection *c)
{
    close(c->fd);
    memset(c, 0, sizeof *c);
    c->fd = -1;
}

static void welcome(struct loop *l)
{
    int fd = accept4(l->listener, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    if (fd < 0) {
        return;
    }
    for (size_t i = 0; i < CLIENTS; i++) {
        if (l->connections[i].fd < 0) {
            l->connections[i].fd = fd;
            return;
        }
    }
    static const char full[] = "error too many clients; close another one first\n";
    (void)send(fd, full, sizeof full - 1, MSG_NOSIGNAL);
    close(fd);
}

/* An answer that does not fit the socket's buffer means that the client does
 * not read what it asked for: it is dropped rather than waited for. */
static bool obey_line(struct loop *l, struct connection *c, const char *line)
{
    control_command(&l->server, &c->client, line, &l->answer);
    ssize_t n = send(c->fd, l->answer.text, l->answer.n, MSG_NOSIGNAL);
    return n == (ssize_t)l->answer.n;
}

static bool obey_lines(struct loop *l, struct connection *c)
{
    size_t from = 0;
    for (size_t i = 0; i < c->input_n; i++) {
        if (c->input[i] == '\n') {
            c->input[i] = '\0';
            if (i > from && c->input[i - 1] == '\r') {
                c->input[i - 1] = '\0';
            }
            if (!obey_line(l, c, c->input + from)) {
                return false;
            }
            from = i + 1;
        }
    }
    memmove(c->input, c->input + from, c->input_n - from);
    c->input_n -= from;
    return c->input_n < sizeof c->input;
}

static void hear_client(struct loop *l, struct connection *c)
{
    ssize_t n = recv(c->fd, c->input + c->input_n, sizeof c->input - c->input_n, 0);
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
        return;
    }
    if (n <= 0) {
        hang_up(c);
        return;
    }
    c->input_n += (size_t)n;
    if (!obey_lines(l, c)) {
        hang_up(c);
    }
}

static nfds_t list_descriptors(struct loop *l)
{
    nfds_t n = 0;
    int64_t now_ns = clock_real_ns();
    l->fds[n++] = (struct pollfd){.fd = l->signals, .events = POLLIN};
    l->fds[n++] = (struct pollfd){.fd = l->listener, .events = POLLIN};
    for (size_t i = 0; i < CLIENTS; i++) {
        l->fds[n++] = (struct pollfd){.fd = l->connections[i].fd, .events = POLLIN};
    }
    for (size_t i = 0; i < l->server.bench.place_count; i++) {
        const struct port *p = &l->server.ports[i];
        bool blocked = port_due_ns(p) <= now_ns;
        short events = (short)(blocked ? POLLIN | POLLOUT : POLLIN);
        l->fds[n++] = (struct pollfd){.fd = p->master, .events = events};
    }
    return n;
}

/* How long nothing needs doing unless something arrives. */
static int wait_ms(struct loop *l)
{
    int64_t now_ns = clock_real_ns();
    int64_t until_ns = now_ns + LONGEST_WAIT_NS;
    for (size_t i = 0; i < l->server.bench.place_count; i++) {
        int64_t due_ns = port_due_ns(&l->server.ports[i]);
        if (due_ns > now_ns && due_ns < until_ns) {
            until_ns = due_ns;
        }
    }
    return (int)((until_ns - now_ns + NS_PER_MS - 1) / NS_PER_MS);
}

static bool turn(struct loop *l, struct err *e)
{
    nfds_t n = list_descriptors(l);
    if (poll(l->fds, n, wait_ms(l)) < 0 && errno != EINTR) {
        return err_set_errno(e, errno, "cannot wait for work");
    }
    if (l->fds[0].revents) {
        l->server.quit = true;
        return true;
    }
    server_obey(&l->server);
    server_catch_up(&l->server);
    for (size_t i = 0; i < CLIENTS; i++) {
        struct connection *c = &l->connections[i];
        if (c->fd >= 0 && l->fds[2 + i].fd == c->fd && l->fds[2 + i].revents) {
            hear_client(l, c);
        }
    }
    if (l->fds[1].revents) {
        welcome(l);
    }
    server_flush(&l->server);
    return true;
}

static bool set_up(struct loop *l, const struct serve_options *o, struct err *e)
{
    char description[PATH_MAX];
    char *dir = NULL;
    memset(l, 0, sizeof *l);
    l->listener = l->signals = -1;
    for (size_t i = 0; i < CLIENTS; i++) {
        l->connections[i].fd = -1;
    }
    if (!make_dir(o->dir, e) || !find_description(o, description, e)) {
        return false;
    }
    dir = realpath(o->dir, NULL); /* clients compare paths */
    bool done = dir ? catch_signals(l, e) && listen_at(l, dir, e) &&
                          server_open(&l->server, dir, description, e)
                    : err_set_errno(e, errno, "cannot use the folder %s", o->dir);
    free(dir);
    if (done) {
        l->server.speed = o->speed;
        l->fds = zalloc((2 + CLIENTS + l->server.bench.place_count) * sizeof *l->fds);
    }
    return done;
}

static void tear_down(struct loop *l)
{
    for (size_t i = 0; i < CLIENTS; i++) {
        if (l->connections[i].fd >= 0) {
            hang_up(&l->connections[i]);
        }
    }
    server_close(&l->server);
    if (l->listener >= 0) {
        close(l->listener);
        unlink(l->socket_path);
    }
    if (l->signals >= 0) {
        close(l->signals);
    }
    free(l->fds);
}

bool serve(const struct serve_options *o, struct err *e)
{
    struct loop *l = zalloc(sizeof *l);
    bool done = set_up(l, o, e);
    if (done) {
        printf("ready %s instruments %zu batteries %zu speed %g\n", l->socket_path,
               l->server.bench.place_count, l->server.bench.circuit_count, o->speed);
        fflush(stdout);
    }
    while (done && !l->server.quit) {
        done = turn(l, e);
    }
    tear_down(l);
    free(l);
    return done;
}
