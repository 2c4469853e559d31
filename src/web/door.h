/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/door: lets a request in or not: where it says that it goes and comes from, how it is
 * framed, and which token it shows. Before anything of it is kept or done. */
#ifndef AMPLEDGER_WEB_DOOR_H
#define AMPLEDGER_WEB_DOOR_H

#include "web/http.h"

struct patience;

/* `tokens` is taken; `patience` is borrowed. */
struct door *door_new(struct tokens *tokens, struct patience *patience);
void door_free(struct door *d); /* NULL is fine */
struct tokens *door_tokens(struct door *d);

/* Is there a token for whoever comes by `http`, where one is asked for? False with what that means
 * (`is_open`: it stays open when the last one is withdrawn) and what to do. */
bool door_has_key(struct tokens *t, const struct bench_http *http, bool is_open,
                  struct err *e) NODISCARD;

struct door_request {
    struct MHD_Connection *connection;
    const char *method, *path, *version;
    int port;                      /* of the TCP listener it came by; 0: the Unix socket */
    const struct bench_http *http; /* of that listener */
};
/* *who is filled as far as it is known. False with out->status: 400, 401, 403, 415 or 429. */
bool door_admit(struct door *d, const struct door_request *r, struct caller *who, struct reply *out,
                struct err *e) NODISCARD;

/* Whose token is `text`? False with out->status 401 or 429. */
bool door_know(struct door *d, const char *text, struct caller *who, struct reply *out,
               struct err *e) NODISCARD;

/* The token is worth nothing from now on, and the connections that it opened end. */
bool door_withdraw(struct door *d, const char *name, struct err *e) NODISCARD;

/* The cookie that keeps a browser's token: of this port, since benches beside each other on one
 * computer share their cookies. */
#define COOKIE_NAME_SIZE 24
void door_cookie_name(int port, char out[COOKIE_NAME_SIZE]);

#endif
