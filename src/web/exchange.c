/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/exchange: collects a request, has it handled, sends the answer. */
#include "web/exchange.h"

#include "base/file.h"
#include "base/log.h"
#include "base/thread.h"
#include "web/body.h"
#include "web/door.h"
#include "web/handlers.h"
#include "web/page.h"
#include "web/places.h"
#include "web/query.h"
#include "web/route.h"

#include <math.h>
#include <microhttpd.h>
#include <stdlib.h>
#include <string.h>

/* A body up to this is read, if only to be refused: whoever still sends does not hear the
 * answer. Beyond it the connection is cut. */
#define BODY_TOLERATED ((size_t)16 * BODY_LIMIT)
#define POINTS_DEFAULT 2000

struct exchange {
    struct exchange_house *house;
    struct exchange_request in;
    struct route_match match;
    struct request q;
    struct caller caller;
    char battery[LABEL_SIZE];
    char *body;
    size_t n;     /* received; only the first BODY_LIMIT bytes are kept */
    bool refused; /* the answer is known before the body is read */
    bool done, ok;
    bool is_stop;                  /* among the stops at work */
    bool is_stream;                /* goes on for as long as somebody takes it */
    struct MHD_Response *response; /* the reply in words; NULL: not yet */
    struct reply reply;
    struct err why;
};

void exchange_open(struct exchange_house *h)
{
    mutex_init_inheriting(&h->lock);
    cond_init_monotonic(&h->changed);
}

void exchange_close(struct exchange_house *h)
{
    pthread_mutex_lock(&h->lock);
    h->closed = true;
    while (h->at_work + h->stops > 0) {
        pthread_cond_wait(&h->changed, &h->lock);
    }
    pthread_mutex_unlock(&h->lock);
}

void exchange_free(struct exchange_house *h)
{
    pthread_cond_destroy(&h->changed);
    pthread_mutex_destroy(&h->lock);
}

struct exchange *exchange_new(struct exchange_house *h, const struct exchange_request *r)
{
    struct exchange *x = zalloc(sizeof *x);
    x->house = h;
    x->in = *r;
    return x;
}

void exchange_delete(struct exchange *x)
{
    json_decref(x->reply.body);
    if (x->reply.stream != NULL) {
        MHD_destroy_response(x->reply.stream);
    }
    if (x->response != NULL) {
        MHD_destroy_response(x->response);
    }
    free(x->body);
    free(x);
}

static const char *header(const struct exchange *x, const char *name)
{
    return MHD_lookup_connection_value(x->in.connection, MHD_HEADER_KIND, name);
}

static bool check_access(struct exchange *x)
{
    const struct door_request r = {.connection = x->in.connection,
                                   .method = x->in.method,
                                   .path = x->in.path,
                                   .version = x->in.version,
                                   .port = x->in.port,
                                   .http = x->in.http};
    return door_admit(x->house->config.door, &r, &x->caller, &x->reply, &x->why);
}

static bool check_size(struct exchange *x, uint64_t n)
{
    if (n <= BODY_LIMIT) {
        return true;
    }
    x->reply.status = HTTP_TOO_LARGE;
    return err_set(&x->why, ERR_CONFIG, "the body is larger than %d KiB", BODY_LIMIT / 1024);
}

bool exchange_begin(struct exchange *x)
{
    const char *length = header(x, MHD_HTTP_HEADER_CONTENT_LENGTH);
    uint64_t n = length != NULL ? strtoull(length, NULL, 10) : 0;
    x->refused = !check_access(x) || !check_size(x, n);
    x->done = n > BODY_TOLERATED;
    return !x->done;
}

bool exchange_take(struct exchange *x, const char *data, size_t n)
{
    size_t room = x->n < BODY_LIMIT ? BODY_LIMIT - x->n : 0;
    size_t kept = n < room ? n : room;
    if (kept > 0 && !x->refused) {
        char *more = realloc(x->body, x->n + kept);
        if (more == NULL) {
            return false;
        }
        x->body = more;
        memcpy(x->body + x->n, data, kept);
    }
    x->n += n;
    return x->n <= BODY_TOLERATED;
}

struct each_query {
    struct query_reading reading;
    struct err *e;
    bool ok;
};

static enum MHD_Result each_query(void *context, enum MHD_ValueKind kind, const char *key,
                                  const char *value)
{
    (void)kind;
    struct each_query *r = context;
    r->ok = query_item(&r->reading, key, value != NULL ? value : "", r->e);
    return r->ok ? MHD_YES : MHD_NO;
}

static bool read_request(struct exchange *x)
{
    if (!check_size(x, x->n) ||
        !route_find(x->in.method, x->in.path, &x->match, &x->reply, &x->why)) {
        return false;
    }
    x->q = (struct request){.config = &x->house->config,
                            .param = x->match.param,
                            .limit = RUNS_LIMIT_DEFAULT,
                            .points = POINTS_DEFAULT,
                            .from_s = (double)NAN,
                            .below_percent = (double)NAN,
                            .to_s = (double)NAN,
                            .connection = x->in.connection,
                            .parking = x->house->parking,
                            .hub = x->house->hub,
                            .downloads = x->house->downloads,
                            .last_event = header(x, "Last-Event-ID"),
                            .caller = x->caller};
    struct each_query each = {{x->match.route->query, &x->q, x->battery}, &x->why, true};
    MHD_get_connection_values(x->in.connection, MHD_GET_ARGUMENT_KIND, each_query, &each);
    return each.ok;
}

static void handle(struct exchange *x)
{
    json_t *body = NULL;
    if (x->match.route == NULL) {
        x->ok = page_file(x->in.method, x->in.path, &x->reply, &x->why);
        return;
    }
    if (!body_parse(x->body != NULL ? x->body : "", x->n, &body, &x->why)) {
        return;
    }
    x->q.body = body;
    x->ok = x->match.route->handle(&x->q, &x->reply, &x->why);
    json_decref(body);
}

static struct MHD_Response *json_response(const json_t *body, const char *type)
{
    char *text = json_dumps(body, JSON_COMPACT | JSON_REAL_PRECISION(15));
    struct MHD_Response *r =
        text != NULL ? MHD_create_response_from_buffer(strlen(text), text, MHD_RESPMEM_MUST_FREE)
                     : NULL;
    if (r == NULL) {
        free(text);
        return NULL;
    }
    MHD_add_response_header(r, "Content-Type", type);
    return r;
}

static void prepare_problem(struct exchange *x)
{
    struct reply *r = &x->reply;
    if (r->status == 0) {
        r->status = problem_status(x->why.code);
    }
    if (r->status == HTTP_INTERNAL) {
        log_error("a request failed: %s", x->why.text);
    }
    json_decref(r->body);
    r->body = problem_to_json(r->status, &x->why);
}

/* For the page in a browser: it takes nothing from elsewhere and nobody frames it. The charts place
 * their labels by style attributes, which can run nothing. */
static const char page_policy[] =
    "default-src 'none'; script-src 'self'; style-src 'self'; style-src-attr 'unsafe-inline'; "
    "img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
static const char report_policy[] =
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'";

static void add_headers(struct MHD_Response *response, const struct reply *r)
{
    static const char *const always[][2] = {
        {"Cache-Control", "no-store"},
        {"X-Content-Type-Options", "nosniff"},
        {"Referrer-Policy", "no-referrer"},
        {"Cross-Origin-Resource-Policy", "same-origin"},
        {"Cross-Origin-Opener-Policy", "same-origin"},
    };
    for (size_t i = 0; i < sizeof always / sizeof always[0]; i++) {
        MHD_add_response_header(response, always[i][0], always[i][1]);
    }
    MHD_add_response_header(response, "Content-Security-Policy",
                            r->is_report ? report_policy : page_policy);
    if (r->allow[0] != '\0') {
        MHD_add_response_header(response, "Allow", r->allow);
    }
    if (r->location[0] != '\0') {
        MHD_add_response_header(response, "Location", r->location);
    }
    if (r->cookie[0] != '\0') {
        MHD_add_response_header(response, "Set-Cookie", r->cookie);
    }
    if (r->status == HTTP_UNAUTHORIZED) {
        MHD_add_response_header(response, "WWW-Authenticate", "Bearer realm=\"ampledger\"");
    }
    if (r->status == HTTP_TOO_MANY) {
        MHD_add_response_header(response, "Retry-After", "60");
    }
    if (r->leave) {
        MHD_add_response_header(response, "Connection", "close");
    }
}

/* The answer in words. */
static void prepare(struct exchange *x)
{
    struct reply *r = &x->reply;
    if (!x->ok) {
        prepare_problem(x);
    }
    if (x->ok && r->stream != NULL) {
        x->is_stream = x->match.route != NULL;
        x->response = r->stream;
        r->stream = NULL;
    } else {
        x->response =
            json_response(r->body, x->ok ? "application/json" : "application/problem+json");
    }
    json_decref(r->body);
    r->body = NULL;
    if (x->response != NULL) {
        add_headers(x->response, r);
    }
}

static void leave_work(struct exchange_house *h, bool is_stop, uint32_t serial)
{
    if (is_stop) {
        h->stops--;
    } else {
        h->at_work--;
        places_pass(h->serials, WORK_MAX_ORDERS, serial, 0);
    }
    pthread_cond_broadcast(&h->changed);
}

static void *work_thread(void *context)
{
    struct exchange *x = context;
    struct exchange_house *h = x->house;
    bool is_stop = x->is_stop;
    uint32_t serial = x->caller.token.serial;
    handle(x);
    prepare(x);
    x->done = true;
    pthread_mutex_lock(&h->lock);
    MHD_resume_connection(x->in.connection); /* x may be gone from here on */
    leave_work(h, is_stop, serial);
    pthread_mutex_unlock(&h->lock);
    return NULL;
}

static bool has_place(const struct exchange *x)
{
    const struct exchange_house *h = x->house;
    const struct route *route = x->match.route;
    if (x->is_stop) {
        return h->stops < WORK_MAX_STOPS;
    }
    uint32_t serial = x->caller.token.serial;
    if (serial != 0 && places_of(h->serials, WORK_MAX_ORDERS, serial) >= WORK_MAX_TOKEN) {
        return false;
    }
    bool is_order = route != NULL && strcmp(route->method, "GET") != 0;
    return h->at_work < (is_order ? WORK_MAX_ORDERS : WORK_MAX);
}

/* Who gave an order from afar is found in the log. */
static void tell_order(const struct exchange *x)
{
    const struct route *route = x->match.route;
    if (x->caller.token.serial != 0 && route != NULL &&
        route_needs(x->in.method, x->in.path) >= MAY_CHANGE) {
        log_info("by the token \"%s\": %s %s%s%s", x->caller.token.name, route->method,
                 route->pattern, x->match.param[0] != '\0' ? " of " : "", x->match.param);
    }
}

static bool begin_work(struct exchange *x)
{
    struct exchange_house *h = x->house;
    pthread_t thread;
    x->is_stop = x->match.route != NULL && x->match.route->handle == post_stop;
    x->reply.status = HTTP_UNAVAILABLE;
    if (h->closed) {
        return err_set(&x->why, ERR_REFUSED, "the daemon is leaving");
    }
    if (!has_place(x)) {
        return err_set(&x->why, ERR_REFUSED, "too much is asked at once; try again in a moment");
    }
    x->reply.status = 0;
    tell_order(x);
    MHD_suspend_connection(x->in.connection);
    int failed = thread_start_deaf(&thread, work_thread, x);
    if (failed != 0) {
        MHD_resume_connection(x->in.connection);
        return err_set_errno(&x->why, failed, "start a thread for a request");
    }
    pthread_detach(thread);
    if (x->is_stop) {
        h->stops++;
    } else {
        h->at_work++;
        places_pass(h->serials, WORK_MAX_ORDERS, 0, x->caller.token.serial);
    }
    return true;
}

/* Known at once: nothing is read for it. */
static bool answer_now(struct exchange *x)
{
    if (x->refused) {
        return true;
    }
    if (!page_is_file(x->in.path)) {
        return !read_request(x);
    }
    if (page_is_on_disk(x->in.path)) {
        return false;
    }
    x->ok = page_file(x->in.method, x->in.path, &x->reply, &x->why);
    return true;
}

bool exchange_work(struct exchange *x)
{
    if (answer_now(x)) {
        x->done = true;
        return false;
    }
    pthread_mutex_lock(&x->house->lock);
    bool begun = begin_work(x);
    pthread_mutex_unlock(&x->house->lock);
    if (!begun) { /* else it is the worker's, who may have said so already */
        x->done = true;
    }
    return begun;
}

bool exchange_is_done(const struct exchange *x)
{
    return x->done;
}

bool exchange_is_stream(const struct exchange *x)
{
    return x->is_stream;
}

bool exchange_send(struct exchange *x)
{
    if (x->response == NULL) {
        prepare(x); /* a refusal: few words */
    }
    if (x->response == NULL) {
        return false;
    }
    unsigned status = x->reply.status != 0 ? x->reply.status : HTTP_OK;
    bool ok = MHD_queue_response(x->in.connection, status, x->response) == MHD_YES;
    MHD_destroy_response(x->response);
    x->response = NULL;
    return ok;
}
