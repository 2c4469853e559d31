/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/park: a list under one lock. The library aborts when it is stopped while a
 * connection is suspended, so closing lets all go on. */
#include "web/park.h"

#include <microhttpd.h>
#include <stddef.h>

void parking_open(struct parking *p)
{
    *p = (struct parking){0};
    pthread_mutex_init(&p->lock, NULL);
}

static void go_on(struct spot *s)
{
    *(s->before != NULL ? &s->before->next : &s->parking->first) = s->next;
    if (s->next != NULL) {
        s->next->before = s->before;
    }
    s->parked = false;
    MHD_resume_connection(s->connection);
}

void parking_close(struct parking *p)
{
    pthread_mutex_lock(&p->lock);
    p->closed = true;
    while (p->first != NULL) {
        go_on(p->first);
    }
    pthread_mutex_unlock(&p->lock);
}

void parking_free(struct parking *p)
{
    pthread_mutex_destroy(&p->lock);
}

bool spot_park(struct spot *s)
{
    struct parking *p = s->parking;
    pthread_mutex_lock(&p->lock);
    bool open = !p->closed;
    if (open && !s->parked) {
        s->parked = true;
        s->before = NULL;
        s->next = p->first;
        if (p->first != NULL) {
            p->first->before = s;
        }
        p->first = s;
        MHD_suspend_connection(s->connection);
    }
    pthread_mutex_unlock(&p->lock);
    return open;
}

void spot_leave(struct spot *s)
{
    pthread_mutex_lock(&s->parking->lock);
    if (s->parked) {
        go_on(s);
    }
    pthread_mutex_unlock(&s->parking->lock);
}
