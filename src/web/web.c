/* SPDX-License-Identifier: GPL-3.0-or-later
 * web: the shell around the routes: collects a request, calls its handler, sends
 * the answer. One thread per connection, because a handler may wait for a stand. */
#include "web/web.h"

#include "base/file.h"
#include "base/log.h"
#include "base/yaml.h"
#include "web/body.h"
#include "web/route.h"
#include "web/socket.h"

#include <microhttpd.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define CONNECTIONS_MAX 64u
/* Longer than any order to a stand is waited for. */
#define CONNECTION_TIMEOUT_S 120u
#define BODY_TOLERATED (16u * BODY_LIMIT) /* beyond it the connection is cut */
#define LIMIT_MAX 1000000

struct web {
    struct web_config config;
    char socket_path[PATH_SIZE];
    struct MHD_Daemon *daemon;
};

struct upload {
    size_t n; /* received; only the first BODY_LIMIT bytes are kept */
    bool announced_too_large;
    char bytes[BODY_LIMIT];
};

static enum MHD_Result send_reply(struct MHD_Connection *c, struct reply *r, const char *type)
{
    struct MHD_Response *response = r->stream;
    if (response == NULL) {
        char *text = json_dumps(r->body, JSON_COMPACT | JSON_REAL_PRECISION(15));
        response = text != NULL
                       ? MHD_create_response_from_buffer(strlen(text), text, MHD_RESPMEM_MUST_FREE)
                       : NULL;
        if (response == NULL) {
            free(text);
            return MHD_NO;
        }
        MHD_add_response_header(response, "Content-Type", type);
    }
    if (r->allow[0] != '\0') {
        MHD_add_response_header(response, "Allow", r->allow);
    }
    if (r->location[0] != '\0') {
        MHD_add_response_header(response, "Location", r->location);
    }
    MHD_add_response_header(response, "Cache-Control", "no-store");
    enum MHD_Result result = MHD_queue_response(c, r->status != 0 ? r->status : HTTP_OK, response);
    MHD_destroy_response(response);
    return result;
}

static enum MHD_Result send_problem(struct MHD_Connection *c, struct reply *r, const struct err *e)
{
    if (r->status == 0) {
        r->status = problem_status(e->code);
    }
    if (r->status >= HTTP_INTERNAL) {
        log_error("a request failed: %s", e->text);
    }
    json_decref(r->body);
    r->body = problem_to_json(r->status, e);
    return send_reply(c, r, "application/problem+json");
}

struct query_reading {
    const char *const *known;
    struct request *q;
    char *battery; /* LABEL_SIZE */
    struct err *e;
    bool ok;
};

static bool read_limit(const char *text, int *out, struct err *e)
{
    char *end = NULL;
    long v = strtol(text, &end, 10);
    if (text[0] < '0' || text[0] > '9' || *end != '\0' || v < 0 || v > LIMIT_MAX) {
        return err_set(e, ERR_CONFIG, "limit must be a whole number from 0 (all) to %d", LIMIT_MAX);
    }
    *out = (int)v;
    return true;
}

static bool read_query_item(struct query_reading *r, const char *key, const char *value)
{
    const char *const none[] = {NULL};
    const char *const *known = r->known != NULL ? r->known : none;
    size_t i = 0;
    while (known[i] != NULL && strcmp(known[i], key) != 0) {
        i++;
    }
    if (known[i] == NULL) {
        const char *near = nearest_word(key, known);
        return err_set(r->e, ERR_CONFIG, "\"%.40s\" is not asked for here%s%s%s", key,
                       near != NULL ? "; did you mean \"" : "", near != NULL ? near : "",
                       near != NULL ? "\"?" : "");
    }
    if (strcmp(key, "limit") == 0) {
        return read_limit(value, &r->q->limit, r->e);
    }
    if (!percent_decode(value, strlen(value), r->battery, LABEL_SIZE, r->e) ||
        !label_check(r->battery, r->e)) {
        return false;
    }
    r->q->battery = r->battery;
    return true;
}

static enum MHD_Result each_query(void *context, enum MHD_ValueKind kind, const char *key,
                                  const char *value)
{
    (void)kind;
    struct query_reading *r = context;
    r->ok = read_query_item(r, key, value != NULL ? value : "");
    return r->ok ? MHD_YES : MHD_NO;
}

struct incoming {
    struct MHD_Connection *connection;
    const char *method, *path;
    const struct upload *upload;
};

static bool check_size(const struct upload *u, struct reply *r, struct err *e)
{
    if (!u->announced_too_large && u->n <= BODY_LIMIT) {
        return true;
    }
    r->status = HTTP_TOO_LARGE;
    return err_set(e, ERR_CONFIG, "the body is larger than %d KiB", BODY_LIMIT / 1024);
}

static bool handle(struct web *w, const struct incoming *in, struct reply *r, struct err *e)
{
    struct route_match match;
    char battery[LABEL_SIZE] = "";
    json_t *body = NULL;
    if (!check_size(in->upload, r, e) || !route_find(in->method, in->path, &match, r, e)) {
        return false;
    }
    struct request q = {.config = &w->config, .param = match.param, .limit = RUNS_LIMIT_DEFAULT};
    struct query_reading reading = {match.route->query, &q, battery, e, true};
    MHD_get_connection_values(in->connection, MHD_GET_ARGUMENT_KIND, each_query, &reading);
    if (!reading.ok || !body_parse(in->upload->bytes, in->upload->n, &body, e)) {
        return false;
    }
    q.body = body;
    bool ok = match.route->handle(&q, r, e);
    json_decref(body);
    return ok;
}

static enum MHD_Result answer(struct web *w, const struct incoming *in)
{
    struct reply r = {0};
    struct err e = {0};
    enum MHD_Result result = handle(w, in, &r, &e)
                                 ? send_reply(in->connection, &r, "application/json")
                                 : send_problem(in->connection, &r, &e);
    json_decref(r.body);
    return result;
}

/* A large body is refused before it is sent, when its size is announced. */
static bool announced_too_large(struct MHD_Connection *c)
{
    const char *length =
        MHD_lookup_connection_value(c, MHD_HEADER_KIND, MHD_HTTP_HEADER_CONTENT_LENGTH);
    return length != NULL && strtoull(length, NULL, 10) > BODY_LIMIT;
}

static enum MHD_Result on_request(void *context, struct MHD_Connection *c, const char *path,
                                  const char *method, const char *version, const char *data,
                                  size_t *data_n, void **state)
{
    (void)version;
    struct upload *u = *state != NULL ? *state : zalloc(sizeof *u);
    struct incoming in = {c, method, path, u};
    if (*state == NULL) {
        *state = u;
        u->announced_too_large = announced_too_large(c);
        return u->announced_too_large ? answer(context, &in) : MHD_YES;
    }
    if (*data_n == 0) {
        return answer(context, &in);
    }
    if (u->n < BODY_LIMIT) {
        size_t room = BODY_LIMIT - u->n;
        memcpy(u->bytes + u->n, data, *data_n < room ? *data_n : room);
    }
    u->n += *data_n;
    *data_n = 0;
    return u->n <= BODY_TOLERATED ? MHD_YES : MHD_NO;
}

static void on_completed(void *context, struct MHD_Connection *c, void **state,
                         enum MHD_RequestTerminationCode code)
{
    (void)context;
    (void)c;
    (void)code;
    free(*state);
    *state = NULL;
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

bool web_start(const struct web_config *config, struct web **out, struct err *e)
{
    int fd = -1;
    struct web *w = zalloc(sizeof *w);
    w->config = *config;
    if (!text_format(w->socket_path, sizeof w->socket_path, "%s", config->socket_path)) {
        free(w);
        return err_set(e, ERR_CONFIG, "the socket's path is too long: %s", config->socket_path);
    }
    w->config.socket_path = w->socket_path;
    if (!socket_listen(w->socket_path, &fd, e)) {
        free(w);
        return false;
    }
    w->daemon = MHD_start_daemon(
        MHD_USE_POLL_INTERNAL_THREAD | MHD_USE_THREAD_PER_CONNECTION | MHD_USE_ERROR_LOG, 0, NULL,
        NULL, on_request, w, MHD_OPTION_EXTERNAL_LOGGER, on_library_message, NULL,
        MHD_OPTION_LISTEN_SOCKET, fd, MHD_OPTION_CONNECTION_LIMIT, CONNECTIONS_MAX,
        MHD_OPTION_CONNECTION_TIMEOUT, CONNECTION_TIMEOUT_S, MHD_OPTION_NOTIFY_COMPLETED,
        on_completed, NULL, MHD_OPTION_UNESCAPE_CALLBACK, leave_escapes, NULL, MHD_OPTION_END);
    if (w->daemon == NULL) {
        close(fd);
        unlink(w->socket_path);
        free(w);
        return err_set(e, ERR_SYSTEM, "the HTTP server on %s does not start", config->socket_path);
    }
    *out = w;
    return true;
}

void web_stop(struct web *w)
{
    if (w == NULL) {
        return;
    }
    MHD_stop_daemon(w->daemon);
    unlink(w->socket_path);
    free(w);
}
