/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/patience: a list of all connections and since when each has been waited for. A
 * shutdown of the socket is all that is done to one: the library notices and cleans up. */
#include "web/patience.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/thread.h"

#include <microhttpd.h>
#include <stdlib.h>
#include <sys/socket.h>

struct client {
    struct client *next, *before;
    int fd;
    uint32_t serial;  /* of the token that was shown; 0 none */
    int64_t since_ns; /* 0: not its turn */
    bool is_taking;   /* an answer; else to ask */
};

struct patience {
    pthread_mutex_t lock;
    struct client *first;
    size_t count;
};

struct patience *patience_new(void)
{
    struct patience *p = zalloc(sizeof *p);
    mutex_init_inheriting(&p->lock);
    return p;
}

void patience_free(struct patience *p)
{
    if (p != NULL) {
        pthread_mutex_destroy(&p->lock);
        free(p);
    }
}

void patience_enter(struct patience *p, struct MHD_Connection *c, void **slot)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(c, MHD_CONNECTION_INFO_CONNECTION_FD);
    struct client *k = zalloc(sizeof *k);
    k->fd = info != NULL ? info->connect_fd : -1;
    k->since_ns = clock_monotonic_ns();
    pthread_mutex_lock(&p->lock);
    k->next = p->first;
    if (p->first != NULL) {
        p->first->before = k;
    }
    p->first = k;
    p->count++;
    pthread_mutex_unlock(&p->lock);
    *slot = k;
}

void patience_leave(struct patience *p, void **slot)
{
    struct client *k = *slot;
    if (k == NULL) {
        return;
    }
    pthread_mutex_lock(&p->lock);
    *(k->before != NULL ? &k->before->next : &p->first) = k->next;
    if (k->next != NULL) {
        k->next->before = k->before;
    }
    p->count--;
    pthread_mutex_unlock(&p->lock);
    free(k);
    *slot = NULL;
}

static struct client *client_of(struct MHD_Connection *c)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(c, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
    return info != NULL ? info->socket_context : NULL;
}

static void set_turn(struct patience *p, struct MHD_Connection *c, int64_t since_ns, bool is_taking)
{
    struct client *k = client_of(c);
    if (k != NULL) {
        pthread_mutex_lock(&p->lock);
        k->since_ns = since_ns;
        k->is_taking = is_taking;
        pthread_mutex_unlock(&p->lock);
    }
}

void patience_off(struct patience *p, struct MHD_Connection *c)
{
    set_turn(p, c, 0, false);
}

void patience_on(struct patience *p, struct MHD_Connection *c)
{
    set_turn(p, c, clock_monotonic_ns(), false);
}

void patience_take(struct patience *p, struct MHD_Connection *c)
{
    set_turn(p, c, clock_monotonic_ns(), true);
}

void patience_know(struct patience *p, struct MHD_Connection *c, uint32_t serial)
{
    struct client *k = client_of(c);
    if (k != NULL) {
        pthread_mutex_lock(&p->lock);
        k->serial = serial;
        pthread_mutex_unlock(&p->lock);
    }
}

static void cut(struct client *k)
{
    if (k->fd >= 0) {
        shutdown(k->fd, SHUT_RDWR);
    }
    k->since_ns = 0;
}

void patience_cut(struct patience *p, uint32_t serial)
{
    pthread_mutex_lock(&p->lock);
    for (struct client *k = p->first; k != NULL; k = k->next) {
        if (k->serial == serial && serial != 0) {
            cut(k);
        }
    }
    pthread_mutex_unlock(&p->lock);
}

static int64_t patience_s(const struct patience *p, const struct client *k)
{
    bool is_crowded = p->count > PATIENCE_CROWD;
    if (k->is_taking) {
        return is_crowded && k->serial == 0 ? PATIENCE_TAKE_CROWDED_S : PATIENCE_TAKE_S;
    }
    return is_crowded ? PATIENCE_CROWDED_S : PATIENCE_S;
}

void patience_look(struct patience *p)
{
    int64_t now_ns = clock_monotonic_ns();
    pthread_mutex_lock(&p->lock);
    for (struct client *k = p->first; k != NULL; k = k->next) {
        if (k->since_ns != 0 && now_ns - k->since_ns > patience_s(p, k) * NS_PER_S) {
            cut(k);
        }
    }
    pthread_mutex_unlock(&p->lock);
}
