/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/route: from method and path to a handler. Pure. */
#ifndef AMPLEDGER_WEB_ROUTE_H
#define AMPLEDGER_WEB_ROUTE_H

#include "web/http.h"

#include <stddef.h>

enum route_param { PARAM_NONE, PARAM_LABEL, PARAM_RUN };

struct route {
    const char *method;  /* "GET" or "POST"; GET also serves HEAD */
    const char *pattern; /* "/v1/runs/?/samples": `?` stands for one part that varies */
    enum route_param param;
    handler_fn *handle;
    const char *const *query; /* NULL-terminated names allowed after "?"; NULL none */
};

struct route_match {
    const struct route *route;
    char param[PARAM_SIZE];
};

/* `path` as it stood in the request, not yet decoded. When it returns false,
 * out->status is 400, 404 or 405 (then with out->allow). */
bool route_find(const char *method, const char *path, struct route_match *match, struct reply *out,
                struct err *e) NODISCARD;

/* What it takes to ask that. GET reads and POST changes, but for what only computes; an address
 * that is not there takes what reading does. */
enum may route_needs(const char *method, const char *path);

/* The table itself, for documentation tests. */
const struct route *route_table(size_t *n);

/* Decode %XX. Refused: bad escapes, control characters, bytes that are not
 * UTF-8, texts that do not fit. `n` bytes of `text` are read. */
bool percent_decode(const char *text, size_t n, char *out, size_t size, struct err *e) NODISCARD;

/* A label as it may stand on a battery or a stand: 1 to 63 bytes of UTF-8, no
 * control characters, no slash, no space at either end. */
bool label_check(const char *label, struct err *e) NODISCARD;

/* "last", a number, or the beginning of an id. */
bool run_name_check(const char *name, struct err *e) NODISCARD;

#endif
