/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/hub: what happens, for those who look on: the text of Server-Sent Events, and
 * from where each viewer goes on. Two kinds: events that are kept for a while, in
 * order, and the present state of each stand, of which only the newest counts, so that
 * a slow viewer skips and nobody waits for one. Knows nothing of HTTP. Thread-safe. */
#ifndef AMPLEDGER_WEB_HUB_H
#define AMPLEDGER_WEB_HUB_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HUB_KEPT 256 /* events kept for those who come back */
#define HUB_VIEWERS_MAX 64
#define HUB_VIEWERS_NEAR 4   /* of these, kept for who comes by the Unix socket */
#define HUB_VIEWERS_TOKEN 16 /* with one token: others get their turn too */

struct event_hub;
struct viewer;

/* `boot` distinguishes this daemon's numbers from those of one before. */
struct event_hub *hub_new(size_t stands, uint64_t boot);
void hub_free(struct event_hub *h); /* when no viewer is left; NULL is fine */

/* kind: one word; json: one line. */
void hub_put(struct event_hub *h, const char *kind, const char *json);
void hub_put_stand(struct event_hub *h, size_t index, const char *json);
/* A sign of life to all: those who left are noticed by it. */
void hub_beat(struct event_hub *h);

size_t hub_viewers(struct event_hub *h);
/* Waits until somebody came to look (true) or until `until_ns` of the monotonic clock;
 * also true at once when somebody came since the last call. hub_wake() ends it. */
bool hub_await(struct event_hub *h, int64_t until_ns);
void hub_wake(struct event_hub *h);

struct viewer_wanted {
    const char *last_event;      /* what it saw last, "BOOT-NUMBER", or NULL */
    uint32_t serial;             /* of its token; 0 none */
    bool is_near;                /* came by the Unix socket */
    void (*wake)(void *context); /* there is more to take; with the hub's lock held */
    void *context;
};
/* NULL when there are too many already. */
struct viewer *viewer_new(struct event_hub *h, const struct viewer_wanted *wanted);
void viewer_free(struct viewer *v);
/* Up to max bytes into out; returns how many. When there are none, `nothing` is called
 * with the hub's lock held, so that no wake is missed. */
size_t viewer_take(struct viewer *v, char *out, size_t max, void nothing(void *context));

#endif
