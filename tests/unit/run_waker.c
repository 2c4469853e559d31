/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of run/waker: readable after a signal, readable after a time, quiet when disarmed. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "run/waker.h"

#include <fcntl.h>
#include <poll.h>
#include <sys/resource.h>
#include <unistd.h>

static bool readable(const struct waker *w, int timeout_ms)
{
    struct pollfd p = {.fd = w->fd, .events = POLLIN};
    return poll(&p, 1, timeout_ms) == 1;
}

static void signal_and_timer(void **state)
{
    (void)state;
    struct waker w;
    struct err e;
    assert_true(waker_open(&w, &e));
    assert_false(readable(&w, 0));

    waker_signal(&w);
    waker_signal(&w);
    assert_true(readable(&w, 0));
    waker_clear_signal(&w);
    assert_false(readable(&w, 0));

    waker_arm(&w, 0.02);
    assert_false(readable(&w, 0));
    assert_true(readable(&w, 2000));
    waker_disarm(&w);
    assert_false(readable(&w, 0));

    waker_arm(&w, -1); /* already too late: at once */
    assert_true(readable(&w, 2000));
    waker_arm(&w, 60); /* armed anew, the old expiry is forgotten */
    assert_false(readable(&w, 0));
    waker_disarm(&w);
    assert_false(readable(&w, 50));
    waker_close(&w);
}

/* It needs three: with fewer it says so and keeps none of those it had. */
static void without_descriptors_it_says_so(void **state)
{
    (void)state;
    struct rlimit before;
    assert_int_equal(getrlimit(RLIMIT_NOFILE, &before), 0);
    int next = open("/dev/null", O_RDONLY | O_CLOEXEC);
    assert_true(next >= 0);
    close(next);
    for (rlim_t left = 0; left < 3; left++) {
        const struct rlimit few = {(rlim_t)next + left, before.rlim_max};
        struct waker w;
        struct err e = {0};
        assert_int_equal(setrlimit(RLIMIT_NOFILE, &few), 0);
        bool opened = waker_open(&w, &e);
        assert_int_equal(setrlimit(RLIMIT_NOFILE, &before), 0);
        assert_false(opened);
        assert_int_equal(e.code, ERR_SYSTEM);
        assert_true(w.fd == -1 && w.event_fd == -1 && w.timer_fd == -1);
        int again = open("/dev/null", O_RDONLY | O_CLOEXEC);
        assert_int_equal(again, next);
        close(again);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(signal_and_timer),
                                       cmocka_unit_test(without_descriptors_it_says_so)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
