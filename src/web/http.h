/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/http: what a handler is given and what it gives back. */
#ifndef AMPLEDGER_WEB_HTTP_H
#define AMPLEDGER_WEB_HTTP_H

#include "web/tokens.h"
#include "web/web.h"

#include <jansson.h>

struct MHD_Response;
struct MHD_Connection;
struct parking;
struct event_hub;
struct downloads;

#define HTTP_OK 200u
#define HTTP_CREATED 201u
#define HTTP_BAD_REQUEST 400u
#define HTTP_UNAUTHORIZED 401u
#define HTTP_FORBIDDEN 403u
#define HTTP_NOT_FOUND 404u
#define HTTP_METHOD_NOT_ALLOWED 405u
#define HTTP_CONFLICT 409u
#define HTTP_TOO_LARGE 413u
#define HTTP_WRONG_TYPE 415u
#define HTTP_TOO_MANY 429u
#define HTTP_INTERNAL 500u
#define HTTP_UNAVAILABLE 503u

#define BODY_LIMIT 65536
#define PARAM_SIZE 256
#define RUNS_LIMIT_DEFAULT 100

struct sockaddr;

/* Who asks. */
struct caller {
    enum may may;
    bool token_needed;              /* here, of everybody */
    int port;                       /* of the TCP listener it came by; 0: the Unix socket */
    bool is_secret;                 /* nobody reads it on its way: cookies are for such ways only */
    struct token_holder token;      /* serial 0: none was shown, or none is needed */
    const struct sockaddr *address; /* of the connection; NULL: the Unix socket */
};

struct request {
    const struct web_config *config;
    const char *param;    /* the part of the path that varies, decoded and checked; "" none */
    const json_t *body;   /* an object; empty when nothing was sent */
    const char *battery;  /* ?battery=, decoded and checked; NULL not given */
    int limit;            /* ?limit=, 0 all */
    int points;           /* ?points= */
    double from_s, to_s;  /* ?from= and ?to=, seconds; NAN not given */
    double below_percent; /* ?below=; NAN not given */
    /* for answers that go on for as long as somebody listens */
    struct MHD_Connection *connection;
    struct parking *parking;
    struct event_hub *hub;
    struct downloads *downloads;
    const char *last_event; /* Last-Event-ID, NULL not given */
    struct caller caller;
};

/* Zero-initialised by the caller. A handler that fails may set `status`; left at
 * 0 it follows from the error's code. */
struct reply {
    unsigned status;
    json_t *body;                /* owned */
    struct MHD_Response *stream; /* owned; instead of body */
    char location[128];          /* "" none */
    char allow[32];              /* "" none */
    char cookie[192];            /* Set-Cookie; "" none */
    bool leave;                  /* close the connection after it */
    bool is_report;              /* one HTML file that brings its own style, and no script */
};

typedef bool handler_fn(const struct request *q, struct reply *out, struct err *e);

/* What went wrong as a problem document (RFC 9457). New reference. */
json_t *problem_to_json(unsigned status, const struct err *e);
unsigned problem_status(enum err_code code);
const char *http_title(unsigned status);

#endif
