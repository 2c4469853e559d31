/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of scpi_latest_line: instruments that print lines by themselves. Neither
 * half a line nor an old one is a reading. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "pty_peer.h"
#include "scpi/scpi_session.h"

#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/eventfd.h>

struct rig {
    struct pty_peer peer;
    struct link *link;
    struct scpi_options options;
    struct scpi_session *session;
    struct err e;
    char line[64];
};

static void hear(struct pty_peer *p, const char *line)
{
    (void)p;
    (void)line; /* it only prints */
}

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    struct link_settings s = link_settings_default();
    *state = r;
    r->options = scpi_options_default();
    r->options.how = RESYNC_QUIET;
    if (!peer_start(&r->peer, hear, NULL) || !link_open(r->peer.address, &s, &r->link, &r->e)) {
        return -1;
    }
    r->session = scpi_session_new(r->link, &r->options);
    return 0;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    scpi_session_free(r->session);
    link_close(r->link);
    peer_stop(&r->peer);
    free(r);
    return 0;
}

static void pause_ms(int ms)
{
    struct clock *real = clock_new_real();
    clock_wait_until(real, clock_now_ns(real) + ms * NS_PER_MS, -1);
    clock_free(real);
}

static void print(struct rig *r, const char *text)
{
    peer_say(&r->peer, text, strlen(text));
}

static void must_read(struct rig *r, const char *wanted, int timeout_ms)
{
    if (!scpi_latest_line(r->session, r->line, sizeof r->line, timeout_ms, &r->e)) {
        fail_msg("%s", r->e.text);
    }
    assert_string_equal(r->line, wanted);
}

static void must_fail(struct rig *r, enum err_code code, int timeout_ms)
{
    assert_false(scpi_latest_line(r->session, r->line, sizeof r->line, timeout_ms, &r->e));
    assert_int_equal(r->e.code, code);
}

static void the_first_line_may_be_half(void **state)
{
    struct rig *r = *state;
    print(r, "1.5 C\n"); /* of 21.5 C */
    must_fail(r, ERR_TIMEOUT, 120);
    print(r, "21.6 C\n");
    must_read(r, "21.6 C", 120);
}

static void after_a_silence_it_is_whole(void **state)
{
    struct rig *r = *state;
    must_fail(r, ERR_TIMEOUT, 120);
    print(r, "21.5 C\r\n");
    must_read(r, "21.5 C", 120);
}

static void the_newest_whole_line_counts(void **state)
{
    struct rig *r = *state;
    print(r, "0 C\n1 C\n2 C\n3");
    must_read(r, "2 C", 120);
    must_fail(r, ERR_TIMEOUT, 0);
    print(r, "3 C\n");
    must_read(r, "33 C", 120);
}

static void old_lines_are_thrown_away(void **state)
{
    struct rig *r = *state;
    print(r, "0 C\n1 C\n");
    must_read(r, "1 C", 120);
    for (int i = 0; i < 560; i++) { /* 3360 bytes while nobody reads */
        print(r, "1.0 C\n");
    }
    must_fail(r, ERR_TIMEOUT, 0);
    assert_non_null(strstr(r->e.text, "no answer"));
    print(r, "2.0 C\n");
    must_read(r, "2.0 C", 120);
}

static void broken_lines_are_no_readings(void **state)
{
    struct rig *r = *state;
    char endless[5000];
    must_fail(r, ERR_TIMEOUT, 60);
    peer_say(&r->peer, "2\0001 C\n", 6);
    must_fail(r, ERR_BAD_REPLY, 60);
    print(r, "0123456789012345678901234567890123456789012345678901234567890123456789\n");
    must_fail(r, ERR_TIMEOUT, 60); /* longer than the room for it, and skipped as a first line */
    print(r, "21.0 C\n");
    must_read(r, "21.0 C", 60);
    memset(endless, '7', sizeof endless);
    peer_say(&r->peer, endless, sizeof endless);
    must_fail(r, ERR_BAD_REPLY, 60);
    print(r, " C\n"); /* the end of it, too long as well */
    must_fail(r, ERR_BAD_REPLY, 60);
    must_fail(r, ERR_TIMEOUT, 60);
    print(r, "22.0 C\n");
    must_read(r, "22.0 C", 60);
}

struct fast {
    struct rig *rig;
    _Atomic bool stop;
};

static void *print_fast(void *arg)
{
    struct fast *f = arg;
    char line[16];
    for (int n = 0; !atomic_load(&f->stop); n++) {
        snprintf(line, sizeof line, "%d C\n", 100000 + n);
        print(f->rig, line);
    }
    return NULL;
}

/* Faster than any serial line: no reading may take for ever, nor be half a line. */
static void a_flood_ends_in_time(void **state)
{
    struct rig *r = *state;
    struct fast fast = {.rig = r};
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, print_fast, &fast), 0);
    for (int i = 0; i < 5; i++) {
        int64_t before = clock_real_ns();
        if (scpi_latest_line(r->session, r->line, sizeof r->line, 200, &r->e)) {
            assert_int_equal(strlen(r->line), strlen("100000 C"));
        } else {
            assert_int_equal(r->e.code, ERR_TIMEOUT);
        }
        assert_true(clock_real_ns() - before < 1500 * NS_PER_MS);
    }
    atomic_store(&fast.stop, true);
    /* Make room, should the printer wait for it. */
    while (link_drain(r->link, 100, 1000, NULL, &r->e) && link_pending(r->link)) {
    }
    pthread_join(thread, NULL);
}

static void a_wake_up_interrupts(void **state)
{
    struct rig *r = *state;
    int wake = eventfd(1, EFD_CLOEXEC);
    must_fail(r, ERR_TIMEOUT, 60);
    print(r, "21.");
    link_set_wake(r->link, wake);
    must_fail(r, ERR_INTERRUPTED, 5000);
    link_set_wake(r->link, -1);
    print(r, "5 C\n");
    must_read(r, "21.5 C", 60); /* nothing of the line was lost */
    close(wake);
}

static void unplugging_is_told(void **state)
{
    struct rig *r = *state;
    struct pty_peer other;
    struct link_settings settings = link_settings_default();
    assert_true(peer_start(&other, hear, NULL));
    link_close(r->link);
    assert_true(link_open(other.address, &settings, &r->link, &r->e));
    scpi_session_free(r->session);
    r->session = scpi_session_new(r->link, &r->options);
    peer_stop(&other);
    must_fail(r, ERR_LINK_LOST, 60);
    pause_ms(1);
    must_fail(r, ERR_LINK_LOST, 60);
}

#define printer_test(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        printer_test(the_first_line_may_be_half),   printer_test(after_a_silence_it_is_whole),
        printer_test(the_newest_whole_line_counts), printer_test(old_lines_are_thrown_away),
        printer_test(broken_lines_are_no_readings), printer_test(a_flood_ends_in_time),
        printer_test(a_wake_up_interrupts),         printer_test(unplugging_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
