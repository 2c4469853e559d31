/* SPDX-License-Identifier: GPL-3.0-or-later
 * web: the HTTP JSON API on a Unix socket, and with the page for browsers on this
 * computer's own addresses; API.md is its reference. Hides
 * libmicrohttpd. Shows what run and store know, and passes a person's orders on
 * to them; decides nothing itself. */
#ifndef AMPLEDGER_WEB_WEB_H
#define AMPLEDGER_WEB_WEB_H

#include "bench/bench.h"
#include "run/run.h"
#include "store/store.h"

struct web;
struct imports;
struct door;

/* All borrowed; must outlive the web. */
struct web_config {
    struct run_host *host;
    struct store *store;
    struct bench *bench;
    const char *socket_path;
    const struct bench_http *http; /* NULL, or an empty address: nowhere */
    struct hooks *hooks;           /* whose messages are shown; NULL: none */
    const char *http_problem;      /* its own: why the page is not opened; "" */
    struct imports *imports;       /* its own; NULL */
    struct door *door;             /* its own; NULL */
    struct clock *clock; /* for the speed shown and the labels of changes; NULL: real time */
};

/* Listens on the Unix socket (as the bench says) and on `http`, with threads of its own. Where
 * other computers reach it, not before there is a token, and never with a certificate that cannot
 * be used: that is told in the log, and the socket works. A socket left
 * behind by a daemon that is gone is replaced; one on which somebody answers is
 * ERR_REFUSED, and a file that is no socket is ERR_CONFIG. */
bool web_start(const struct web_config *config, struct web **out, struct err *e) NODISCARD;

/* What would keep the page from being opened as `http` of the bench says: false, files that whoever
 * asks cannot read, or that do not belong together. What can only be mended once the daemon runs,
 * or lets it work all the same, is a warning. Opens nothing. */
struct web_warnings {
    size_t n;
    struct err item[3];
};
bool web_check_http(const struct bench *b, struct web_warnings *w, struct err *e) NODISCARD;

/* Where the page is, with the port it really has, "127.0.0.1:8470"; "" nowhere. */
const char *web_http(const struct web *w);

/* Finishes the requests under way, then removes the socket. NULL is fine. */
void web_stop(struct web *w);

#endif
