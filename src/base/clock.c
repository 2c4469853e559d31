/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/clock: reads the system's clocks and waits on them; skips time on a
 * sped-up clock.
 *
 * How the skipping works. Every waiter stands in a list with its deadline. As
 * soon as all threads that joined stand in it, the one with the earliest
 * deadline leads: it waits its share of real time, then hands the skip to
 * `advance` with the mutex released and `skipping` set, and only then adds it
 * to the clock and nudges the others. While `skipping` is set nobody gets in
 * or out of the waiting, so a thread that computes never sees time jump. */
#include "base/clock.h"

#include "base/file.h"
#include "base/log.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <sys/eventfd.h>
#include <time.h>
#include <unistd.h>

/* poll() does not count suspend, our deadlines do: look up again this often. */
#define LOOK_UP_NS (500 * NS_PER_MS)
/* The same where there is no descriptor to be nudged through. */
#define LOOK_UP_BLIND_NS (5 * NS_PER_MS)
/* A thread in the list was woken, but has not run yet. */
#define LET_OTHERS_RUN_NS (NS_PER_MS / 5)
#define SHORTEST_SKIP_NS 1

enum kind { KIND_REAL, KIND_SPED_UP, KIND_MANUAL };

/* A thread that joined. */
struct member {
    struct member *next;
    pthread_t thread;
    int depth; /* joins not yet left */
    int nudge_fd;
};

/* A thread inside clock_wait_until(). */
struct waiter {
    struct waiter *next;
    const struct member *member; /* NULL: waits without having joined */
    int64_t deadline_ns;
    int wake_fd;
    int nudge_fd;
};

struct clock {
    enum kind kind;
    double speed;
    clock_advance_fn *advance;
    void *context;
    _Atomic int64_t skipped_ns; /* changed under the mutex, read anywhere */

    pthread_mutex_t mutex; /* everything below */
    pthread_cond_t skip_done;
    struct member *members;
    struct waiter *waiters;
    bool skipping;
    bool follower_gone;
    int64_t all_wait_since_ns; /* real; when the last joined thread began to wait */

    int64_t manual_ns;
    int64_t manual_utc_ns;
};

static int64_t read_ns(clockid_t id)
{
    struct timespec t;
    if (clock_gettime(id, &t) != 0) {
        return 0; /* cannot happen on Linux for the clocks asked here */
    }
    return (int64_t)t.tv_sec * NS_PER_S + t.tv_nsec;
}

int64_t clock_real_ns(void)
{
    return read_ns(CLOCK_BOOTTIME);
}

int64_t clock_real_utc_ns(void)
{
    return read_ns(CLOCK_REALTIME);
}

int64_t clock_monotonic_ns(void)
{
    return read_ns(CLOCK_MONOTONIC);
}

static struct clock *new_clock(enum kind kind)
{
    struct clock *c = zalloc(sizeof *c);
    c->kind = kind;
    c->speed = 1;
    pthread_mutex_init(&c->mutex, NULL);
    pthread_cond_init(&c->skip_done, NULL);
    return c;
}

struct clock *clock_new_real(void)
{
    return new_clock(KIND_REAL);
}

struct clock *clock_new_sped_up(double speed, clock_advance_fn *advance, void *context)
{
    struct clock *c = new_clock(KIND_SPED_UP);
    c->speed = isfinite(speed) && speed > 1 ? speed : 1;
    c->advance = advance;
    c->context = context;
    return c;
}

struct clock *clock_new_manual(int64_t boot_ns, int64_t utc_ns)
{
    struct clock *c = new_clock(KIND_MANUAL);
    c->manual_ns = boot_ns;
    c->manual_utc_ns = utc_ns;
    return c;
}

static void close_if_open(int fd)
{
    if (fd >= 0) {
        close(fd);
    }
}

void clock_free(struct clock *c)
{
    if (!c) {
        return;
    }
    while (c->members) {
        struct member *gone = c->members;
        c->members = gone->next;
        close_if_open(gone->nudge_fd);
        free(gone);
    }
    pthread_cond_destroy(&c->skip_done);
    pthread_mutex_destroy(&c->mutex);
    free(c);
}

double clock_speed(const struct clock *c)
{
    return c->speed;
}

int64_t clock_now_ns(struct clock *c)
{
    if (c->kind != KIND_MANUAL) {
        return clock_real_ns() + atomic_load(&c->skipped_ns);
    }
    pthread_mutex_lock(&c->mutex);
    int64_t now = c->manual_ns;
    pthread_mutex_unlock(&c->mutex);
    return now;
}

int64_t clock_utc_ns(struct clock *c)
{
    if (c->kind != KIND_MANUAL) {
        return clock_real_utc_ns() + atomic_load(&c->skipped_ns);
    }
    pthread_mutex_lock(&c->mutex);
    int64_t utc = c->manual_utc_ns;
    pthread_mutex_unlock(&c->mutex);
    return utc;
}

/* Takes an already locked mutex. */
static void manual_move(struct clock *c, int64_t by_ns)
{
    c->manual_ns += by_ns;
    c->manual_utc_ns += by_ns;
}

void clock_manual_advance(struct clock *c, int64_t by_ns)
{
    if (c->kind != KIND_MANUAL || by_ns <= 0) {
        return;
    }
    pthread_mutex_lock(&c->mutex);
    manual_move(c, by_ns);
    pthread_mutex_unlock(&c->mutex);
}

/* A deadline that never comes is waited for, never skipped to. */
static bool is_never(int64_t deadline_ns)
{
    return deadline_ns == INT64_MAX;
}

/* Waits really, at most timeout_ns. A negative descriptor is left out. */
static bool poll_ns(int wake_fd, int nudge_fd, int64_t timeout_ns)
{
    struct pollfd fds[2] = {{.fd = wake_fd, .events = POLLIN}, {.fd = nudge_fd, .events = POLLIN}};
    if (timeout_ns < 0) {
        timeout_ns = 0;
    }
    struct timespec t = {.tv_sec = timeout_ns / NS_PER_S, .tv_nsec = timeout_ns % NS_PER_S};
    if (ppoll(fds, 2, &t, NULL) <= 0) {
        return false; /* a signal (EINTR) counts as an early look at the clock */
    }
    return fds[0].revents != 0;
}

static bool is_readable(int fd)
{
    return fd >= 0 && poll_ns(fd, -1, 0);
}

static int64_t at_most(int64_t a, int64_t limit)
{
    return a < limit ? a : limit;
}

static bool wait_real(int64_t deadline_ns, int wake_fd)
{
    for (;;) {
        int64_t now = clock_real_ns();
        if (now >= deadline_ns) {
            return true;
        }
        if (poll_ns(wake_fd, -1, at_most(deadline_ns - now, LOOK_UP_NS))) {
            return false;
        }
    }
}

static bool wait_manual(struct clock *c, int64_t deadline_ns, int wake_fd)
{
    while (is_never(deadline_ns)) {
        if (poll_ns(wake_fd, -1, LOOK_UP_NS)) {
            return false;
        }
    }
    bool woken = is_readable(wake_fd);
    pthread_mutex_lock(&c->mutex);
    bool due = c->manual_ns >= deadline_ns;
    if (!due && !woken) {
        manual_move(c, deadline_ns - c->manual_ns);
        due = true;
    }
    pthread_mutex_unlock(&c->mutex);
    return due;
}

/* --- the sped-up clock; all functions below take an already locked mutex --- */

static void nudge(int nudge_fd)
{
    const uint64_t one = 1;
    while (nudge_fd >= 0 && write(nudge_fd, &one, sizeof one) < 0 && errno == EINTR) {
        continue;
    }
}

static void nudge_all(struct clock *c)
{
    for (const struct waiter *w = c->waiters; w; w = w->next) {
        nudge(w->nudge_fd);
    }
}

static void take_nudges(int nudge_fd)
{
    uint64_t count;
    while (nudge_fd >= 0 && read(nudge_fd, &count, sizeof count) < 0 && errno == EINTR) {
        continue;
    }
}

static struct member **find_member(struct clock *c, pthread_t thread)
{
    struct member **at = &c->members;
    while (*at && !pthread_equal((*at)->thread, thread)) {
        at = &(*at)->next;
    }
    return at;
}

static bool everybody_waits(const struct clock *c)
{
    int joined = 0, waiting = 0;
    for (const struct member *m = c->members; m; m = m->next) {
        joined++;
    }
    for (const struct waiter *w = c->waiters; w; w = w->next) {
        waiting += w->member != NULL;
    }
    return joined > 0 && waiting == joined;
}

/* Call when somebody began to wait or left: a skip may be possible now. */
static void note_picture(struct clock *c)
{
    if (!everybody_waits(c)) {
        return;
    }
    c->all_wait_since_ns = clock_real_ns();
    nudge_all(c);
}

static const struct waiter *earliest(const struct clock *c)
{
    const struct waiter *first = NULL;
    for (const struct waiter *w = c->waiters; w; w = w->next) {
        if (w->member && (!first || w->deadline_ns < first->deadline_ns)) {
            first = w;
        }
    }
    return first;
}

static bool somebody_is_woken(const struct clock *c)
{
    for (const struct waiter *w = c->waiters; w; w = w->next) {
        if (w->member && is_readable(w->wake_fd)) {
            return true;
        }
    }
    return false;
}

/* Brings the clock to the deadline of the leader. Releases the mutex while the
 * follower is told; `skipping` keeps everybody where they are meanwhile. */
static void skip_to(struct clock *c, int64_t deadline_ns)
{
    int64_t total = deadline_ns - clock_real_ns();
    if (total - atomic_load(&c->skipped_ns) < SHORTEST_SKIP_NS) {
        return;
    }
    c->skipping = true;
    pthread_mutex_unlock(&c->mutex);
    bool follows = !c->advance || c->advance(c->context, total);
    pthread_mutex_lock(&c->mutex);
    if (follows) {
        atomic_store(&c->skipped_ns, total);
    } else {
        c->follower_gone = true;
        log_warn("the clock runs at speed 1 from now on: whatever follows it (the virtual bench) "
                 "does not answer any more");
    }
    c->skipping = false;
    pthread_cond_broadcast(&c->skip_done);
    nudge_all(c);
}

/* The leader's turn: skips when its share of real time is over. Returns how
 * long to wait really before looking again. */
static int64_t lead(struct clock *c, const struct waiter *w, int64_t now)
{
    int64_t real = clock_real_ns();
    int64_t since = c->all_wait_since_ns;
    int64_t began = since + atomic_load(&c->skipped_ns);
    int64_t share = (int64_t)((double)(w->deadline_ns - began) / c->speed);
    if (since + share > real) {
        return at_most(since + share - real, w->deadline_ns - now);
    }
    if (somebody_is_woken(c)) {
        return LET_OTHERS_RUN_NS;
    }
    skip_to(c, w->deadline_ns);
    return 0;
}

static int64_t time_to_look_again(struct clock *c, const struct waiter *w, int64_t now)
{
    int64_t limit = w->nudge_fd >= 0 ? LOOK_UP_NS : LOOK_UP_BLIND_NS;
    bool leads = w->member && !c->follower_gone && !is_never(w->deadline_ns) &&
                 everybody_waits(c) && earliest(c) == w;
    return at_most(leads ? lead(c, w, now) : w->deadline_ns - now, limit);
}

static bool wait_in_list(struct clock *c, const struct waiter *w)
{
    bool woken = is_readable(w->wake_fd);
    for (;;) {
        while (c->skipping) {
            pthread_cond_wait(&c->skip_done, &c->mutex);
        }
        int64_t now = clock_now_ns(c);
        if (now >= w->deadline_ns) {
            return true;
        }
        if (woken) {
            return false;
        }
        int64_t timeout = time_to_look_again(c, w, now);
        pthread_mutex_unlock(&c->mutex);
        woken = poll_ns(w->wake_fd, w->nudge_fd, timeout);
        take_nudges(w->nudge_fd);
        pthread_mutex_lock(&c->mutex);
    }
}

static void leave_list(struct clock *c, const struct waiter *w)
{
    struct waiter **at = &c->waiters;
    while (*at != w) {
        at = &(*at)->next;
    }
    *at = w->next;
}

static int new_nudge_fd(void)
{
    return eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
}

static bool wait_sped_up(struct clock *c, int64_t deadline_ns, int wake_fd)
{
    pthread_mutex_lock(&c->mutex);
    while (c->skipping) {
        pthread_cond_wait(&c->skip_done, &c->mutex);
    }
    const struct member *member = *find_member(c, pthread_self());
    struct waiter w = {.next = c->waiters,
                       .member = member,
                       .deadline_ns = deadline_ns,
                       .wake_fd = wake_fd,
                       .nudge_fd = member ? member->nudge_fd : new_nudge_fd()};
    c->waiters = &w;
    if (member) {
        note_picture(c);
    }
    bool at_deadline = wait_in_list(c, &w);
    leave_list(c, &w);
    pthread_mutex_unlock(&c->mutex);
    if (!member) {
        close_if_open(w.nudge_fd);
    }
    return at_deadline;
}

/* --- the door --- */

bool clock_wait_until(struct clock *c, int64_t deadline_ns, int wake_fd)
{
    switch (c->kind) {
    case KIND_SPED_UP:
        return wait_sped_up(c, deadline_ns, wake_fd);
    case KIND_MANUAL:
        return wait_manual(c, deadline_ns, wake_fd);
    case KIND_REAL:
    default:
        return wait_real(deadline_ns, wake_fd);
    }
}

void clock_join(struct clock *c)
{
    if (c->kind != KIND_SPED_UP) {
        return;
    }
    pthread_mutex_lock(&c->mutex);
    while (c->skipping) {
        pthread_cond_wait(&c->skip_done, &c->mutex);
    }
    struct member **at = find_member(c, pthread_self());
    if (!*at) {
        *at = zalloc(sizeof **at);
        (*at)->thread = pthread_self();
        (*at)->nudge_fd = new_nudge_fd();
    }
    (*at)->depth++;
    pthread_mutex_unlock(&c->mutex);
}

void clock_leave(struct clock *c)
{
    if (c->kind != KIND_SPED_UP) {
        return;
    }
    pthread_mutex_lock(&c->mutex);
    struct member **at = find_member(c, pthread_self());
    struct member *gone = *at;
    if (gone && --gone->depth == 0) {
        *at = gone->next;
        close_if_open(gone->nudge_fd);
        free(gone);
        note_picture(c);
    }
    pthread_mutex_unlock(&c->mutex);
}

void clock_kick(struct clock *c)
{
    if (c->kind != KIND_SPED_UP) {
        return; /* the others poll the descriptor itself */
    }
    pthread_mutex_lock(&c->mutex);
    nudge_all(c);
    pthread_mutex_unlock(&c->mutex);
}
