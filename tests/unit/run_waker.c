/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of run/waker: readable after a signal, readable after a time, quiet when disarmed. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "run/waker.h"

#include <poll.h>

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

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(signal_and_timer)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
