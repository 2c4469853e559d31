/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/hub: one number grows with all that is put. An event keeps its number in a ring;
 * a stand has a slot, whose number is that of its newest state. A viewer takes what has
 * the least number above the last one it took. */
#include "web/hub.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/thread.h"

#include <inttypes.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* How long a browser waits before it asks again when the daemon is gone. */
#define RETRY_LINE "retry: 1500\n"
#define BEAT "event: beat\ndata: {}\n\n"

struct piece {
    uint64_t number; /* 0: empty */
    char kind[16];
    char *json;
};

struct event_hub {
    pthread_mutex_t lock;
    pthread_cond_t wake;
    uint64_t boot, newest;
    uint64_t lost; /* the newest event that the ring let go */
    struct piece ring[HUB_KEPT];
    size_t next; /* place in the ring */
    size_t stand_count;
    struct piece *stands;
    struct viewer *first;
    size_t viewers;
    bool came, woken;
};

struct viewer {
    struct event_hub *hub;
    struct viewer *next;
    uint32_t serial;
    uint64_t seen;
    const char *greeting; /* to be told first: "hello" or "reload"; NULL told */
    bool beat;
    char *text; /* what is under way */
    size_t n, at;
    void (*wake)(void *context);
    void *context;
};

struct event_hub *hub_new(size_t stands, uint64_t boot)
{
    struct event_hub *h = zalloc(sizeof *h);
    mutex_init_inheriting(&h->lock);
    cond_init_monotonic(&h->wake);
    h->boot = boot;
    h->stand_count = stands;
    h->stands = zalloc((stands + 1) * sizeof *h->stands);
    return h;
}

void hub_free(struct event_hub *h)
{
    if (h == NULL) {
        return;
    }
    for (size_t i = 0; i < HUB_KEPT; i++) {
        free(h->ring[i].json);
    }
    for (size_t i = 0; i < h->stand_count; i++) {
        free(h->stands[i].json);
    }
    pthread_cond_destroy(&h->wake);
    pthread_mutex_destroy(&h->lock);
    free(h->stands);
    free(h);
}

static void wake_all(struct event_hub *h)
{
    for (struct viewer *v = h->first; v != NULL; v = v->next) {
        v->wake(v->context);
    }
}

static void put(struct event_hub *h, struct piece *p, const char *kind, const char *json)
{
    free(p->json);
    p->json = text_copy(json);
    p->number = ++h->newest;
    text_format(p->kind, sizeof p->kind, "%s", kind);
    wake_all(h);
}

void hub_put(struct event_hub *h, const char *kind, const char *json)
{
    pthread_mutex_lock(&h->lock);
    struct piece *p = &h->ring[h->next];
    h->next = (h->next + 1) % HUB_KEPT;
    h->lost = p->number != 0 ? p->number : h->lost;
    put(h, p, kind, json);
    pthread_mutex_unlock(&h->lock);
}

void hub_put_stand(struct event_hub *h, size_t index, const char *json)
{
    pthread_mutex_lock(&h->lock);
    put(h, &h->stands[index], "stand", json);
    pthread_mutex_unlock(&h->lock);
}

void hub_beat(struct event_hub *h)
{
    pthread_mutex_lock(&h->lock);
    for (struct viewer *v = h->first; v != NULL; v = v->next) {
        v->beat = true;
    }
    wake_all(h);
    pthread_mutex_unlock(&h->lock);
}

size_t hub_viewers(struct event_hub *h)
{
    pthread_mutex_lock(&h->lock);
    size_t n = h->viewers;
    pthread_mutex_unlock(&h->lock);
    return n;
}

bool hub_await(struct event_hub *h, int64_t until_ns)
{
    struct timespec until = {until_ns / NS_PER_S, until_ns % NS_PER_S};
    int waited = 0;
    pthread_mutex_lock(&h->lock);
    while (!h->came && !h->woken && waited == 0) {
        waited = pthread_cond_timedwait(&h->wake, &h->lock, &until);
    }
    bool came = h->came;
    h->came = false;
    pthread_mutex_unlock(&h->lock);
    return came;
}

void hub_wake(struct event_hub *h)
{
    pthread_mutex_lock(&h->lock);
    h->woken = true;
    pthread_cond_broadcast(&h->wake);
    pthread_mutex_unlock(&h->lock);
}

/* Where a viewer goes on that comes back; false when it cannot. */
static bool resume(const struct event_hub *h, const char *last_event, uint64_t *seen)
{
    uint64_t boot = 0, number = 0;
    int end = 0;
    if (sscanf(last_event, "%16" SCNx64 "-%19" SCNu64 "%n", &boot, &number, &end) != 2 ||
        last_event[end] != '\0' || boot != h->boot || number > h->newest || number < h->lost) {
        return false;
    }
    *seen = number;
    return true;
}

static bool has_place(const struct event_hub *h, const struct viewer_wanted *wanted)
{
    size_t same = 0;
    for (const struct viewer *v = h->first; v != NULL; v = v->next) {
        same += v->serial == wanted->serial;
    }
    return h->viewers < HUB_VIEWERS_MAX - (wanted->is_near ? 0 : HUB_VIEWERS_NEAR) &&
           (wanted->serial == 0 || same < HUB_VIEWERS_TOKEN);
}

struct viewer *viewer_new(struct event_hub *h, const struct viewer_wanted *wanted)
{
    const char *last_event = wanted->last_event;
    struct viewer *v = zalloc(sizeof *v);
    *v = (struct viewer){.hub = h,
                         .serial = wanted->serial,
                         .wake = wanted->wake,
                         .context = wanted->context,
                         .greeting = "hello"};
    pthread_mutex_lock(&h->lock);
    bool room = has_place(h, wanted);
    if (room) {
        v->seen = h->newest;
        if (last_event != NULL && last_event[0] != '\0' && !resume(h, last_event, &v->seen)) {
            v->greeting = "reload";
        }
        v->next = h->first;
        h->first = v;
        h->viewers++;
        h->came = true;
        pthread_cond_broadcast(&h->wake);
    }
    pthread_mutex_unlock(&h->lock);
    if (!room) {
        free(v);
        return NULL;
    }
    return v;
}

void viewer_free(struct viewer *v)
{
    struct event_hub *h = v->hub;
    pthread_mutex_lock(&h->lock);
    struct viewer **at = &h->first;
    while (*at != v) {
        at = &(*at)->next;
    }
    *at = v->next;
    h->viewers--;
    pthread_mutex_unlock(&h->lock);
    free(v->text);
    free(v);
}

static const struct piece *sooner(const struct viewer *v, const struct piece *a,
                                  const struct piece *b)
{
    bool fits = b->number > v->seen && (a == NULL || b->number < a->number);
    return fits ? b : a;
}

static const struct piece *next_piece(const struct viewer *v)
{
    const struct event_hub *h = v->hub;
    const struct piece *p = NULL;
    for (size_t i = 0; i < HUB_KEPT; i++) {
        p = sooner(v, p, &h->ring[i]);
    }
    for (size_t i = 0; i < h->stand_count; i++) {
        p = sooner(v, p, &h->stands[i]);
    }
    return p;
}

static void set_text(struct viewer *v, const char *kind, const char *json, uint64_t number)
{
    size_t size = strlen(json) + 128;
    free(v->text);
    v->text = zalloc(size);
    text_format(v->text, size, "%sid: %" PRIx64 "-%" PRIu64 "\nevent: %s\ndata: %s\n\n",
                v->greeting != NULL ? RETRY_LINE : "", v->hub->boot, number, kind, json);
    v->n = strlen(v->text);
    v->at = 0;
}

/* False when there is nothing. */
static bool fill(struct viewer *v)
{
    struct event_hub *h = v->hub;
    if (v->greeting == NULL && v->seen < h->lost) { /* so slow that events are gone */
        v->greeting = "reload";
    }
    if (v->greeting != NULL) {
        v->seen = strcmp(v->greeting, "reload") == 0 ? h->newest : v->seen;
        set_text(v, v->greeting, "{}", v->seen);
        v->greeting = NULL;
        return true;
    }
    const struct piece *p = next_piece(v);
    if (p != NULL) {
        v->seen = p->number;
        set_text(v, p->kind, p->json, p->number);
        return true;
    }
    if (v->beat) {
        free(v->text);
        v->text = text_copy(BEAT);
        v->n = strlen(BEAT);
        v->at = 0;
        v->beat = false;
        return true;
    }
    return false;
}

size_t viewer_take(struct viewer *v, char *out, size_t max, void nothing(void *context))
{
    size_t n = 0;
    pthread_mutex_lock(&v->hub->lock);
    if (v->at < v->n || fill(v)) {
        n = v->n - v->at < max ? v->n - v->at : max;
        memcpy(out, v->text + v->at, n);
        v->at += n;
    } else {
        nothing(v->context);
    }
    pthread_mutex_unlock(&v->hub->lock);
    return n;
}
