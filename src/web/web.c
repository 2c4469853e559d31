/* SPDX-License-Identifier: GPL-3.0-or-later
 * web: the two listeners, the Unix socket and where browsers come in. Each has one
 * thread for all its connections, which never waits for anything but them; see
 * web/exchange for what may wait. */
#include "web/web.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "web/exchange.h"
#include "web/hub.h"
#include "web/imports.h"
#include "web/lookout.h"
#include "web/park.h"
#include "web/patience.h"
#include "web/samples.h"
#include "web/socket.h"

#include <microhttpd.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#define SOCKET_CONNECTIONS_MAX 128u
#define HTTP_CONNECTIONS_MAX 600u
/* For instruments, the keeper's duplicates, and what requests at work have open: a client
 * never takes the descriptor that a stand needs. */
#define DESCRIPTORS_KEPT 640u
/* Nothing sent or taken for so long. Longer than any order to a stand is waited for. */
#define CONNECTION_TIMEOUT_S 120u

struct listener {
    struct web *web;
    struct MHD_Daemon *daemon;
    int port; /* 0: the Unix socket */
};

struct web {
    struct exchange_house house;
    struct parking parking;
    struct event_hub *hub;
    struct lookout *lookout;
    struct patience *patience;
    char socket_path[PATH_SIZE], http[HTTP_ADDRESS_SIZE];
    struct listener socket, tcp;
};

static enum MHD_Result begin(struct listener *l, struct MHD_Connection *c, const char *path,
                             const char *method, void **state)
{
    const struct exchange_request r = {c, method, path, l->port};
    *state = exchange_new(&l->web->house, &r);
    return exchange_begin(*state) || exchange_send(*state) ? MHD_YES : MHD_NO;
}

static enum MHD_Result on_request(void *context, struct MHD_Connection *c, const char *path,
                                  const char *method, const char *version, const char *data,
                                  size_t *data_n, void **state)
{
    (void)version;
    struct listener *l = context;
    if (*state == NULL) {
        return begin(l, c, path, method, state);
    }
    struct exchange *x = *state;
    if (*data_n > 0) {
        bool ok = exchange_take(x, data, *data_n);
        *data_n = 0;
        return ok ? MHD_YES : MHD_NO;
    }
    if (!exchange_is_done(x)) {
        patience_off(l->web->patience, c);
        if (exchange_work(x)) {
            return MHD_YES;
        }
    }
    return exchange_send(x) ? MHD_YES : MHD_NO;
}

static void on_completed(void *context, struct MHD_Connection *c, void **state,
                         enum MHD_RequestTerminationCode code)
{
    (void)code;
    struct listener *l = context;
    if (*state != NULL) {
        exchange_delete(*state);
    }
    *state = NULL;
    patience_on(l->web->patience, c);
}

static void on_connection(void *context, struct MHD_Connection *c, void **slot,
                          enum MHD_ConnectionNotificationCode code)
{
    struct listener *l = context;
    if (code == MHD_CONNECTION_NOTIFY_STARTED) {
        patience_enter(l->web->patience, c, slot);
    } else {
        patience_leave(l->web->patience, slot);
    }
}

/* Names are decoded part by part in route.c: a %2F is not a slash of the path. */
static size_t leave_escapes(void *context, struct MHD_Connection *c, char *text)
{
    (void)context;
    (void)c;
    return strlen(text);
}

static void PRINTF_LIKE(2, 0) on_library_message(void *context, const char *fmt, va_list ap)
{
    (void)context;
    char text[256];
    vsnprintf(text, sizeof text, fmt, ap);
    log_debug("web: %.*s", (int)strcspn(text, "\n"), text);
}

/* Takes fd. */
static bool listen_on(struct listener *l, int fd, unsigned connections_max, struct err *e)
{
    l->daemon = MHD_start_daemon(
        MHD_USE_EPOLL_INTERNAL_THREAD | MHD_ALLOW_SUSPEND_RESUME | MHD_USE_ERROR_LOG, 0, NULL, NULL,
        on_request, l, MHD_OPTION_EXTERNAL_LOGGER, on_library_message, NULL,
        MHD_OPTION_LISTEN_SOCKET, fd, MHD_OPTION_CONNECTION_LIMIT, connections_max,
        MHD_OPTION_CONNECTION_TIMEOUT, CONNECTION_TIMEOUT_S, MHD_OPTION_NOTIFY_COMPLETED,
        on_completed, l, MHD_OPTION_NOTIFY_CONNECTION, on_connection, l,
        MHD_OPTION_UNESCAPE_CALLBACK, leave_escapes, NULL, MHD_OPTION_END);
    if (l->daemon == NULL) {
        close(fd);
        return err_set(e, ERR_SYSTEM, "the HTTP server does not start");
    }
    return true;
}

static bool open_socket(struct web *w, struct err *e)
{
    int fd = -1;
    if (!socket_listen(w->socket_path, &fd, e)) {
        w->socket_path[0] = '\0'; /* not ours to remove */
        return false;
    }
    return listen_on(&w->socket, fd, SOCKET_CONNECTIONS_MAX, e);
}

/* As many as the process may have descriptors for; the limit is raised as far as it goes. */
static unsigned http_connections(void)
{
    struct rlimit limit = {0, 0};
    const rlim_t wanted = DESCRIPTORS_KEPT + SOCKET_CONNECTIONS_MAX + HTTP_CONNECTIONS_MAX;
    if (getrlimit(RLIMIT_NOFILE, &limit) != 0) {
        return HTTP_CONNECTIONS_MAX / 8;
    }
    if (limit.rlim_cur < wanted) {
        limit.rlim_cur = limit.rlim_max < wanted ? limit.rlim_max : wanted;
        (void)setrlimit(RLIMIT_NOFILE, &limit);
        getrlimit(RLIMIT_NOFILE, &limit);
    }
    if (limit.rlim_cur >= wanted) {
        return HTTP_CONNECTIONS_MAX;
    }
    log_info("no more than %llu files and connections are allowed (ulimit -n), so that fewer "
             "browsers can connect at once",
             (unsigned long long)limit.rlim_cur);
    return limit.rlim_cur > wanted / 2 ? HTTP_CONNECTIONS_MAX / 4 : HTTP_CONNECTIONS_MAX / 16;
}

static bool open_tcp(struct web *w, struct err *e)
{
    int fd = -1;
    return w->http[0] == '\0' || (socket_listen_tcp(w->http, w->http, &w->tcp.port, &fd, e) &&
                                  listen_on(&w->tcp, fd, http_connections(), e));
}

static void each_look(void *context)
{
    struct web *w = context;
    patience_look(w->patience);
    imports_tidy(w->house.config.imports);
}

static bool open_all(struct web *w, struct err *e)
{
    const struct lookout_config lookout = {
        .web = &w->house.config, .hub = w->hub, .each_look = each_look, .context = w};
    return open_socket(w, e) && open_tcp(w, e) && lookout_start(&lookout, &w->lookout, e);
}

bool web_start(const struct web_config *config, struct web **out, struct err *e)
{
    struct web *w = zalloc(sizeof *w);
    w->house.config = *config;
    if (!text_format(w->socket_path, sizeof w->socket_path, "%s", config->socket_path)) {
        free(w);
        return err_set(e, ERR_CONFIG, "the socket's path is too long: %s", config->socket_path);
    }
    text_format(w->http, sizeof w->http, "%s", config->http != NULL ? config->http : "");
    w->house.config.socket_path = w->socket_path;
    w->house.config.http = w->http;
    w->house.parking = &w->parking;
    w->socket.web = w->tcp.web = w;
    parking_open(&w->parking);
    exchange_open(&w->house);
    w->house.downloads = downloads_new();
    w->house.config.imports = imports_new(store_path(config->store));
    w->hub = w->house.hub =
        hub_new(run_host_count(config->host), (uint64_t)clock_real_utc_ns() / NS_PER_MS);
    w->patience = patience_new();
    if (!open_all(w, e)) {
        web_stop(w);
        return false;
    }
    *out = w;
    return true;
}

const char *web_http(const struct web *w)
{
    return w->http;
}

static void stop_listener(struct listener *l)
{
    if (l->daemon != NULL) {
        MHD_stop_daemon(l->daemon);
    }
}

void web_stop(struct web *w)
{
    if (w == NULL) {
        return;
    }
    lookout_stop(w->lookout);
    imports_cancel(w->house.config.imports);
    exchange_close(&w->house);
    parking_close(&w->parking);
    stop_listener(&w->tcp);
    stop_listener(&w->socket);
    if (w->socket_path[0] != '\0') {
        unlink(w->socket_path);
    }
    downloads_free(w->house.downloads);
    hub_free(w->hub);
    imports_free(w->house.config.imports);
    patience_free(w->patience);
    exchange_free(&w->house);
    parking_free(&w->parking);
    free(w);
}
