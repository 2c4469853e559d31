/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/access: may this request be answered? Over TCP, keeps out other sites that a person's
 * browser happens to show: they can neither pass for this one under a name of their own (DNS
 * rebinding) nor send it orders. By the Unix socket, keeps out what stands there for others. Pure.
 */
#ifndef AMPLEDGER_WEB_ACCESS_H
#define AMPLEDGER_WEB_ACCESS_H

#include "web/http.h"

/* Headers as they came, NULL where there was none. */
struct access_facts {
    const char *method;
    const char *host, *origin, *content_type, *fetch_site;
    const struct bench_http *http; /* where it came in; NULL: as if nothing more was said of it */
    int port;                      /* that it came in by */
    bool is_api;                   /* else a file of the page, which another site may link to */
    bool is_forwarded;             /* it shows that something in between has passed it on */
};

/* Host must be this computer's own name for itself with the port, a numeric address where other
 * computers reach it (nobody can give such a name to another), or a name that bench.yaml lists.
 * Whoever is shown
 * by a browser to come from another site is refused. What changes anything must be
 * application/json, which no form can send, and have the same origin or none.
 * False with out->status 403 or 415. */
bool access_check(const struct access_facts *f, struct reply *out, struct err *e) NODISCARD;

/* The same of what came by the Unix socket, where everything is allowed: so neither browsers nor
 * whatever passes requests on for others may use it. False with out->status 403. */
bool access_check_socket(const struct access_facts *f, struct reply *out, struct err *e) NODISCARD;

/* Where tokens are asked for (bench_http_needs_token()), and whatever came through a proxy: that
 * stands on this computer for somebody who does not. */
bool access_needs_token(const struct access_facts *f);
/* The token in "Bearer TOKEN"; NULL for any other scheme. */
const char *access_bearer(const char *authorization);

#endif
