/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/waker: an eventfd and a timerfd behind one epoll descriptor, which is
 * itself pollable. */
#include "run/waker.h"

#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <sys/epoll.h>
#include <sys/eventfd.h>
#include <sys/timerfd.h>
#include <unistd.h>

static bool watch(int epoll_fd, int fd)
{
    struct epoll_event event = {.events = EPOLLIN, .data.fd = fd};
    return epoll_ctl(epoll_fd, EPOLL_CTL_ADD, fd, &event) == 0;
}

bool waker_open(struct waker *w, struct err *e)
{
    w->event_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    w->timer_fd = timerfd_create(CLOCK_BOOTTIME, TFD_CLOEXEC | TFD_NONBLOCK);
    w->fd = epoll_create1(EPOLL_CLOEXEC);
    if (w->event_fd >= 0 && w->timer_fd >= 0 && w->fd >= 0 && watch(w->fd, w->event_fd) &&
        watch(w->fd, w->timer_fd)) {
        return true;
    }
    int why = errno;
    waker_close(w);
    return err_set_errno(e, why, "make the wake-up descriptors of a stand");
}

static void close_one(int *fd)
{
    if (*fd >= 0) {
        close(*fd);
    }
    *fd = -1;
}

void waker_close(struct waker *w)
{
    close_one(&w->fd);
    close_one(&w->event_fd);
    close_one(&w->timer_fd);
}

void waker_signal(struct waker *w)
{
    uint64_t one = 1;
    /* Fails only when the counter is full: then it is readable already. */
    ssize_t n = write(w->event_fd, &one, sizeof one);
    (void)n;
}

void waker_clear_signal(struct waker *w)
{
    uint64_t count = 0;
    ssize_t n = read(w->event_fd, &count, sizeof count);
    (void)n;
}

static void set_timer(struct waker *w, double seconds)
{
    struct itimerspec spec = {0};
    if (seconds > 0) {
        double whole = floor(seconds);
        spec.it_value.tv_sec = (time_t)whole;
        spec.it_value.tv_nsec = (long)((seconds - whole) * 1e9);
    }
    timerfd_settime(w->timer_fd, 0, &spec, NULL);
}

void waker_arm(struct waker *w, double seconds)
{
    set_timer(w, fmax(seconds, 1e-9)); /* zero would disarm */
}

void waker_disarm(struct waker *w)
{
    set_timer(w, 0); /* also forgets an expiry that nobody read */
}
