/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/wire: see the header. */
#include "instrument/wire.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/thread.h"

#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define LOOK_MS 10 /* how often who waits looks whether it is to stop waiting */
#define PUT_MS 100

/* The shared ones, so that whoever names the same address finds the same. */
static pthread_mutex_t all_lock = PTHREAD_MUTEX_INITIALIZER;
static struct wire *all;

static struct wire *wire_new(const char *address, bool shared)
{
    struct wire *w = zalloc(sizeof *w);
    text_format(w->address, sizeof w->address, "%s", address);
    w->shared = shared;
    w->copy_fd = -1;
    w->references = 1;
    pthread_mutex_init(&w->lock, NULL);
    pthread_mutex_init(&w->copy_lock, NULL);
    cond_init_monotonic(&w->changed);
    return w;
}

static void wire_free(struct wire *w)
{
    wire_close(w);
    pthread_cond_destroy(&w->changed);
    pthread_mutex_destroy(&w->copy_lock);
    pthread_mutex_destroy(&w->lock);
    free(w);
}

struct wire *wire_take(const char *address, bool shared)
{
    struct wire *w = NULL;
    if (!shared) {
        return wire_new(address, false);
    }
    pthread_mutex_lock(&all_lock);
    for (w = all; w != NULL && strcmp(w->address, address) != 0; w = w->next) {
    }
    if (w == NULL) {
        w = wire_new(address, true);
        w->next = all;
        all = w;
    } else {
        w->references++;
    }
    pthread_mutex_unlock(&all_lock);
    return w;
}

void wire_give_back(struct wire *w)
{
    pthread_mutex_lock(&all_lock);
    bool last = --w->references == 0;
    for (struct wire **at = &all; last && *at != NULL; at = &(*at)->next) {
        if (*at == w) {
            *at = w->next;
            break;
        }
    }
    pthread_mutex_unlock(&all_lock);
    if (last) {
        wire_free(w);
    }
}

/* --- taking turns --- */

static bool may_enter(const struct wire *w, const struct wire_turn *t)
{
    if (w->busy || (!t->urgent && w->urgent > 0)) {
        return false;
    }
    /* Who was in last lets those go first who wait; one of them is itself. */
    return t->urgent || w->last != t->who || w->waiting <= 1;
}

static bool is_woken(int wake_fd)
{
    struct pollfd p = {.fd = wake_fd, .events = POLLIN};
    return wake_fd >= 0 && poll(&p, 1, 0) == 1;
}

static void wait_a_moment(struct wire *w)
{
    int64_t until_ns = clock_monotonic_ns() + LOOK_MS * NS_PER_MS;
    const struct timespec until = {until_ns / NS_PER_S, until_ns % NS_PER_S};
    pthread_cond_timedwait(&w->changed, &w->lock, &until);
}

bool wire_enter(struct wire *w, const struct wire_turn *t, struct err *e)
{
    if (!w->shared) {
        return true;
    }
    int64_t deadline_ns = clock_real_ns() + t->patience_ms * NS_PER_MS;
    enum err_code failed = ERR_NONE;
    pthread_mutex_lock(&w->lock);
    int *count = t->urgent ? &w->urgent : &w->waiting;
    (*count)++;
    while (!may_enter(w, t) && failed == ERR_NONE) {
        if (is_woken(t->wake_fd)) {
            failed = ERR_INTERRUPTED;
        } else if (clock_real_ns() > deadline_ns) {
            failed = ERR_TIMEOUT;
        } else {
            wait_a_moment(w);
        }
    }
    (*count)--;
    if (failed == ERR_NONE) {
        w->busy = true;
        w->last = t->who;
    }
    pthread_cond_broadcast(&w->changed);
    pthread_mutex_unlock(&w->lock);
    if (failed == ERR_NONE && atomic_exchange(&w->disturbed, false) && w->session != NULL) {
        scpi_distrust(w->session);
    }
    if (failed == ERR_TIMEOUT) {
        return err_set(e, failed,
                       "the stand with its other output did not let go of the link in %d ms",
                       t->patience_ms);
    }
    return failed == ERR_NONE || err_set(e, failed, "interrupted");
}

void wire_leave(struct wire *w)
{
    if (!w->shared) {
        return;
    }
    pthread_mutex_lock(&w->lock);
    w->busy = false;
    pthread_cond_broadcast(&w->changed);
    pthread_mutex_unlock(&w->lock);
}

/* --- opening and closing --- */

static void set_copy(struct wire *w, int fd)
{
    pthread_mutex_lock(&w->copy_lock);
    if (w->copy_fd >= 0) {
        close(w->copy_fd);
    }
    w->copy_fd = fd;
    pthread_mutex_unlock(&w->copy_lock);
}

bool wire_open(struct wire *w, const struct link_settings *s, const struct scpi_options *o,
               struct err *e)
{
    if (!link_open(w->address, s, &w->link, e)) {
        return false;
    }
    w->session = scpi_session_new(w->link, o);
    w->settings = *s;
    w->users = 0;
    atomic_fetch_add(&w->generation, 1);
    if (w->shared) {
        set_copy(w, fcntl(link_fd(w->link), F_DUPFD_CLOEXEC, 0));
    }
    return true;
}

void wire_close(struct wire *w)
{
    set_copy(w, -1);
    scpi_session_free(w->session);
    link_close(w->link);
    w->session = NULL;
    w->link = NULL;
    w->users = 0;
    atomic_fetch_add(&w->generation, 1);
}

bool wire_put_past(struct wire *w, const char *lines, size_t n, int pause_ms)
{
    pthread_mutex_lock(&w->copy_lock);
    bool ok = w->copy_fd >= 0;
    atomic_store(&w->disturbed, true);
    while (ok && n > 0) {
        const char *end = memchr(lines, '\n', n);
        size_t length = end != NULL ? (size_t)(end - lines) + 1 : n;
        ok = link_write_copy(w->copy_fd, lines, length, PUT_MS);
        lines += length;
        n -= length;
        if (n > 0 && pause_ms > 0) {
            poll(NULL, 0, pause_ms);
        }
    }
    pthread_mutex_unlock(&w->copy_lock);
    return ok;
}
