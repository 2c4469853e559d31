/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/exchange: one request and its answer. A handler may wait, for a stand, the database
 * or a file, and a long answer takes a while to be put into words; so each has a thread for
 * as long as it takes, while the connection is set aside. The thread that serves all
 * connections never waits. For this room only. */
#ifndef AMPLEDGER_WEB_EXCHANGE_H
#define AMPLEDGER_WEB_EXCHANGE_H

#include "web/http.h"

#include <pthread.h>

/* At once under way: so many look, so many with those who give orders. An order to stop
 * has places of its own, however many others wait for something. */
#define WORK_MAX 48
#define WORK_MAX_ORDERS 96
#define WORK_MAX_STOPS 64
/* Of those, but for stops, with one token: others get their turn too. */
#define WORK_MAX_TOKEN 16

struct exchange_house {
    struct web_config config;
    struct parking *parking;
    struct event_hub *hub;
    struct downloads *downloads;
    pthread_mutex_t lock;
    pthread_cond_t changed;
    size_t at_work, stops;             /* stops are not counted in at_work */
    uint32_t serials[WORK_MAX_ORDERS]; /* the tokens of those at work; 0: a free place */
    bool closed;
};

void exchange_open(struct exchange_house *h);
/* No more is begun; waits for those under way. */
void exchange_close(struct exchange_house *h);
void exchange_free(struct exchange_house *h);

struct exchange; /* one request */

struct exchange_request {
    struct MHD_Connection *connection;
    const char *method, *path;     /* of the connection, valid until it is completed */
    const char *version;           /* the same */
    int port;                      /* of the TCP listener it came in by; 0: the Unix socket */
    const struct bench_http *http; /* of that listener */
};
struct exchange *exchange_new(struct exchange_house *h, const struct exchange_request *r);
void exchange_delete(struct exchange *x);

/* The headers are there: false when the body will not even be read; then exchange_send(). */
bool exchange_begin(struct exchange *x);
/* Some of the body. False: far too much, cut the connection. */
bool exchange_take(struct exchange *x, const char *data, size_t n);
/* All is there. True: the connection was set aside, and exchange_is_done() when it comes
 * again. False: send the answer now. */
bool exchange_work(struct exchange *x);
bool exchange_is_done(const struct exchange *x);
/* Its answer goes on for as long as somebody takes it: events, samples, a copy. */
bool exchange_is_stream(const struct exchange *x);
/* False when there is no memory for it. */
bool exchange_send(struct exchange *x);

#endif
