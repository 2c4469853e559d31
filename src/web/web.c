/* SPDX-License-Identifier: GPL-3.0-or-later
 * web: the two listeners, the Unix socket and where browsers come in. Each has one
 * thread for all its connections, which never waits for anything but them; see
 * web/exchange for what may wait. */
#include "web/web.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "web/door.h"
#include "web/exchange.h"
#include "web/hub.h"
#include "web/imports.h"
#include "web/lookout.h"
#include "web/park.h"
#include "web/patience.h"
#include "web/samples.h"
#include "web/socket.h"
#include "web/tls.h"

#include <limits.h>
#include <microhttpd.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#define SOCKET_CONNECTIONS_MAX 128u
#define HTTP_CONNECTIONS_MAX 600u
/* Of other computers. Not of this one: whoever comes by a proxy comes from here. */
#define CONNECTIONS_PER_ADDRESS 100
/* A request's line and headers, and what is read and sent at a time. */
#define CONNECTION_MEMORY 32768
/* For instruments, the keeper's duplicates, and what requests at work have open: a client
 * never takes the descriptor that a stand needs. */
#define DESCRIPTORS_KEPT 640u
/* Nothing sent or taken for so long. Longer than any order to a stand is waited for. */
#define CONNECTION_TIMEOUT_S 120u

struct listener {
    struct web *web;
    struct MHD_Daemon *daemon;
    struct patience *patience; /* of its own: a crowd from afar does not hurry who is here */
    int port;                  /* 0: the Unix socket */
    int fd;                    /* taken, and nobody answers on it yet; -1: none */
};

struct web {
    struct exchange_house house;
    struct parking parking;
    struct event_hub *hub;
    struct lookout *lookout;
    char socket_path[PATH_SIZE];
    struct bench_http http; /* as in the bench, with the port it really has */
    char http_problem[ERR_TEXT_SIZE];
    struct listener socket, tcp;
};

static enum MHD_Result begin(struct listener *l, struct MHD_Connection *c, const char *path,
                             const char *method, const char *version, void **state)
{
    const struct exchange_request r = {c, method, path, version, l->port, &l->web->http};
    *state = exchange_new(&l->web->house, &r);
    return exchange_begin(*state) || exchange_send(*state) ? MHD_YES : MHD_NO;
}

static enum MHD_Result on_request(void *context, struct MHD_Connection *c, const char *path,
                                  const char *method, const char *version, const char *data,
                                  size_t *data_n, void **state)
{
    struct listener *l = context;
    if (*state == NULL) {
        return begin(l, c, path, method, version, state);
    }
    struct exchange *x = *state;
    if (*data_n > 0) {
        bool ok = exchange_take(x, data, *data_n);
        *data_n = 0;
        return ok ? MHD_YES : MHD_NO;
    }
    if (!exchange_is_done(x)) {
        patience_off(l->patience, c);
        if (exchange_work(x)) {
            return MHD_YES;
        }
    }
    if (!exchange_is_stream(x)) {
        patience_take(l->patience, c);
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
    patience_on(l->patience, c);
}

static void on_connection(void *context, struct MHD_Connection *c, void **slot,
                          enum MHD_ConnectionNotificationCode code)
{
    struct listener *l = context;
    if (code == MHD_CONNECTION_NOTIFY_STARTED) {
        patience_enter(l->patience, c, slot);
    } else {
        patience_leave(l->patience, slot);
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

/* `more` ends the options. */
static bool answer_on(struct listener *l, unsigned flags, struct MHD_OptionItem *more,
                      struct err *e)
{
    l->daemon = MHD_start_daemon(
        MHD_USE_EPOLL_INTERNAL_THREAD | MHD_ALLOW_SUSPEND_RESUME | MHD_USE_ERROR_LOG | flags, 0,
        NULL, NULL, on_request, l, MHD_OPTION_EXTERNAL_LOGGER, on_library_message, NULL,
        MHD_OPTION_LISTEN_SOCKET, l->fd, MHD_OPTION_CONNECTION_TIMEOUT, CONNECTION_TIMEOUT_S,
        MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)CONNECTION_MEMORY, MHD_OPTION_STRICT_FOR_CLIENT,
        1, MHD_OPTION_NOTIFY_COMPLETED, on_completed, l, MHD_OPTION_NOTIFY_CONNECTION,
        on_connection, l, MHD_OPTION_UNESCAPE_CALLBACK, leave_escapes, NULL, MHD_OPTION_ARRAY, more,
        MHD_OPTION_END);
    if (l->daemon != NULL || (flags & MHD_USE_TLS) != 0) {
        l->fd = -1; /* the library's; with TLS it has closed it also where it does not start */
    }
    return l->daemon != NULL || err_set(e, ERR_SYSTEM, "the HTTP server does not start");
}

static bool take_socket(struct web *w, struct err *e)
{
    const struct bench *b = w->house.config.bench;
    const struct socket_wanted wanted = {w->socket_path, b->socket_mode, b->socket_group};
    if (!socket_listen(&wanted, &w->socket.fd, e)) {
        w->socket_path[0] = '\0'; /* not ours to remove */
        return false;
    }
    return true;
}

static bool answer_socket(struct web *w, struct err *e)
{
    struct MHD_OptionItem more[] = {{MHD_OPTION_CONNECTION_LIMIT, SOCKET_CONNECTIONS_MAX, NULL},
                                    {MHD_OPTION_END, 0, NULL}};
    return answer_on(&w->socket, 0, more, e);
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

/* With a token from the first moment, or not at all; where nobody else comes there is time. */
static bool is_guarded(const struct web *w, struct err *e)
{
    return !bench_http_is_far(w->http.address) ||
           door_has_key(door_tokens(w->house.config.door), &w->http, false, e);
}

/* What is wrong with the page must not stop a bench: its runs, and who orders by the Unix socket,
 * do not wait for it. */
static bool stay_closed(struct web *w, const struct err *why)
{
    text_format(w->http_problem, sizeof w->http_problem, "%s", why->text);
    w->http.address[0] = '\0';
    return true;
}

static bool take_tcp(struct web *w, struct tls_files *tls, struct err *e)
{
    struct err why = {0};
    struct bench_http *http = &w->http;
    if (http->address[0] == '\0') {
        return true;
    }
    if (!is_guarded(w, &why) || !tls_read(http, tls, &why) || !tls_check(http, tls, &why)) {
        return stay_closed(w, &why);
    }
    return socket_listen_tcp(http->address, http->address, &w->tcp.port, &w->tcp.fd, e);
}

static bool answer_tcp(struct web *w, struct tls_files *tls, struct err *e)
{
    struct err why = {0};
    if (w->http.address[0] == '\0') {
        return true;
    }
    bool is_far = bench_http_is_far(w->http.address);
    struct MHD_OptionItem more[TLS_OPTIONS + 3] = {
        {MHD_OPTION_CONNECTION_LIMIT, (intptr_t)http_connections(), NULL},
        {MHD_OPTION_PER_IP_CONNECTION_LIMIT, is_far ? CONNECTIONS_PER_ADDRESS : 0, NULL}};
    tls_options(tls, more + 2);
    if (tls->certificate == NULL) {
        return answer_on(&w->tcp, 0, more, e);
    }
    return answer_on(&w->tcp, MHD_USE_TLS, more, &why) || stay_closed(w, &why);
}

/* Of a bench that works, so that it is true. */
static void tell_http(const struct web *w, const struct tls_files *tls)
{
    struct err why = {0};
    if (w->http_problem[0] != '\0') {
        log_error("the bench works without the page: %s", w->http_problem);
        return;
    }
    if (!door_has_key(door_tokens(w->house.config.door), &w->http, true, &why)) {
        log_warn("%s", why.text);
    }
    if (bench_http_is_far(w->http.address) && w->http.certificate[0] == '\0') {
        log_warn("http: %s has no certificate: whoever is on the way reads along, tokens too",
                 w->http.address);
    }
    if (!tls_is_valid_at(&w->http, tls, clock_real_utc_ns(), &why)) {
        log_warn("%s", why.text);
    }
}

static void each_look(void *context)
{
    struct web *w = context;
    patience_look(w->socket.patience);
    patience_look(w->tcp.patience);
    imports_tidy(w->house.config.imports);
}

/* Both listeners are known, and what is wrong with the page is, before anybody is answered: by
 * either of them anybody may ask for it at once. */
static bool open_all(struct web *w, struct err *e)
{
    const struct lookout_config lookout = {
        .web = &w->house.config, .hub = w->hub, .each_look = each_look, .context = w};
    struct tls_files tls = {0};
    bool ok = take_socket(w, e) && take_tcp(w, &tls, e) && answer_tcp(w, &tls, e) &&
              answer_socket(w, e) && lookout_start(&lookout, &w->lookout, e);
    if (ok) {
        tell_http(w, &tls);
    }
    tls_clear(&tls);
    return ok;
}

static bool tokens_path(const char *database, char out[PATH_MAX], struct err *e)
{
    return text_format(out, PATH_MAX, "%s.tokens", database) ||
           err_set(e, ERR_CONFIG, "the database path is too long");
}

static bool open_door(struct web *w, struct err *e)
{
    char path[PATH_MAX];
    struct tokens *tokens = NULL;
    if (!tokens_path(store_path(w->house.config.store), path, e)) {
        return false;
    }
    struct err why = {0};
    if (!tokens_open(path, &tokens, &why) && !bench_http_needs_token(&w->http)) {
        /* else it is told with what it means for the page */
        log_error("http: %s; until then no token holds", why.text);
    }
    w->house.config.door = door_new(tokens, w->tcp.patience);
    return true;
}

bool web_start(const struct web_config *config, struct web **out, struct err *e)
{
    struct web *w = zalloc(sizeof *w);
    w->house.config = *config;
    if (!text_format(w->socket_path, sizeof w->socket_path, "%s", config->socket_path)) {
        free(w);
        return err_set(e, ERR_CONFIG, "the socket's path is too long: %s", config->socket_path);
    }
    if (config->http != NULL) {
        w->http = *config->http;
    }
    w->house.config.socket_path = w->socket_path;
    w->house.config.http = &w->http;
    w->house.config.http_problem = w->http_problem;
    w->house.parking = &w->parking;
    w->socket.web = w->tcp.web = w;
    w->socket.fd = w->tcp.fd = -1;
    parking_open(&w->parking);
    exchange_open(&w->house);
    w->house.downloads = downloads_new();
    w->house.config.imports = imports_new(store_path(config->store));
    w->hub = w->house.hub =
        hub_new(run_host_count(config->host), (uint64_t)clock_real_utc_ns() / NS_PER_MS);
    w->socket.patience = patience_new();
    w->tcp.patience = patience_new();
    if (!open_door(w, e) || !open_all(w, e)) {
        web_stop(w);
        return false;
    }
    *out = w;
    return true;
}

static void add_warning(struct web_warnings *w, bool is_good, const struct err *why)
{
    if (!is_good) {
        w->item[w->n++] = *why;
    }
}

static bool is_kept_secret(const char *key, struct err *e)
{
    struct stat st;
    return key[0] == '\0' || stat(key, &st) != 0 || (st.st_mode & S_IROTH) == 0 ||
           err_set(e, ERR_CONFIG,
                   "everybody on this computer can read the key %s; chown root:ampledger and chmod "
                   "0640 leave it to the daemon",
                   key);
}

/* A list that cannot be read is a warning too: it may be the daemon's alone. */
static bool has_key_in_file(const struct bench *b, struct err *e)
{
    char path[PATH_MAX];
    struct tokens *tokens = NULL;
    bool ok = !bench_http_needs_token(&b->http) ||
              (tokens_path(b->database, path, e) && tokens_open(path, &tokens, e) &&
               door_has_key(tokens, &b->http, false, e));
    tokens_free(tokens);
    return ok;
}

bool web_check_http(const struct bench *b, struct web_warnings *w, struct err *e)
{
    struct tls_files tls = {0};
    struct err why = {0};
    bool ok = tls_read(&b->http, &tls, e) && tls_check(&b->http, &tls, e);
    *w = (struct web_warnings){0};
    add_warning(w, has_key_in_file(b, &why), &why);
    add_warning(w, is_kept_secret(b->http.key, &why), &why);
    add_warning(w, !ok || tls_is_valid_at(&b->http, &tls, clock_real_utc_ns(), &why), &why);
    tls_clear(&tls);
    return ok;
}

const char *web_http(const struct web *w)
{
    return w->http.address;
}

static void stop_listener(struct listener *l)
{
    if (l->daemon != NULL) {
        MHD_stop_daemon(l->daemon);
    }
    if (l->fd >= 0) {
        close(l->fd);
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
    door_free(w->house.config.door);
    imports_free(w->house.config.imports);
    patience_free(w->socket.patience);
    patience_free(w->tcp.patience);
    exchange_free(&w->house);
    parking_free(&w->parking);
    free(w);
}
