/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of link over a pseudo-terminal: lines, deadlines, interruption, draining,
 * unplugging, and the words for a port that cannot be had. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "link/link.h"
#include "link/ports.h"
#include "pty_peer.h"

#include <signal.h>
#include <stdio.h>
#include <sys/eventfd.h>
#include <sys/file.h>
#include <sys/wait.h>

/* "twice X" answers X and X again; "raw" 5000 bytes without an end; others are echoed. */
static void hear(struct pty_peer *p, const char *line)
{
    if (strncmp(line, "twice ", 6) == 0) {
        peer_say_line(p, line + 6);
        peer_say_line(p, line + 6);
    } else if (strcmp(line, "raw") == 0) {
        for (int i = 0; i < 500; i++) {
            peer_say(p, "0123456789", 10);
        }
    } else if (strcmp(line, "crlf") == 0) {
        peer_say(p, "with return\r\n", 13);
    } else if (strcmp(line, "nothing") != 0) {
        peer_say_line(p, line);
    }
}

struct fixture {
    struct pty_peer peer;
    struct link *link;
};

static int set_up(void **state)
{
    struct fixture *f = calloc(1, sizeof *f);
    struct link_settings s = link_settings_default();
    struct err e;
    *state = f;
    return peer_start(&f->peer, hear, NULL) && link_open(f->peer.address, &s, &f->link, &e) ? 0
                                                                                            : -1;
}

static int tear_down(void **state)
{
    struct fixture *f = *state;
    link_close(f->link);
    peer_stop(&f->peer);
    free(f);
    return 0;
}

static void say(struct link *l, const char *line)
{
    struct err e;
    assert_true(link_write(l, line, strlen(line), 1000, &e));
}

static void lines_come_whole_and_in_order(void **state)
{
    struct fixture *f = *state;
    char line[64];
    size_t n = 0;
    struct err e;
    say(f->link, "one\ntwo\ncrlf\n");
    assert_true(link_read_line(f->link, line, sizeof line, &n, 1000, &e));
    assert_string_equal(line, "one");
    assert_int_equal(n, 3);
    assert_true(link_read_line(f->link, line, sizeof line, &n, 1000, &e));
    assert_string_equal(line, "two");
    assert_true(link_read_line(f->link, line, sizeof line, &n, 1000, &e));
    assert_string_equal(line, "with return");
    assert_false(link_pending(f->link));
}

static void a_deadline_is_kept(void **state)
{
    struct fixture *f = *state;
    char line[64];
    size_t n = 0;
    struct err e = {0};
    int64_t before = clock_real_ns();
    say(f->link, "nothing\n");
    assert_false(link_read_line(f->link, line, sizeof line, &n, 120, &e));
    assert_int_equal(e.code, ERR_TIMEOUT);
    assert_true(clock_real_ns() - before >= 120 * NS_PER_MS);
    assert_non_null(strstr(e.text, "no answer in 120 ms"));
}

static void a_wake_up_interrupts(void **state)
{
    struct fixture *f = *state;
    char line[64];
    size_t n = 0;
    struct err e = {0};
    int wake = eventfd(1, EFD_CLOEXEC); /* readable from the start */
    link_set_wake(f->link, wake);
    assert_false(link_read_line(f->link, line, sizeof line, &n, 60000, &e));
    assert_int_equal(e.code, ERR_INTERRUPTED);
    link_set_wake(f->link, -1);
    say(f->link, "still here\n");
    assert_true(link_read_line(f->link, line, sizeof line, &n, 1000, &e));
    close(wake);
}

static void too_long_a_line_is_a_bad_reply(void **state)
{
    struct fixture *f = *state;
    char line[8];
    size_t n = 0, discarded = 0;
    struct err e = {0};
    say(f->link, "0123456789\nshort\n");
    assert_false(link_read_line(f->link, line, sizeof line, &n, 1000, &e));
    assert_int_equal(e.code, ERR_BAD_REPLY);
    assert_true(link_read_line(f->link, line, sizeof line, &n, 1000, &e));
    assert_string_equal(line, "short");

    say(f->link, "raw\n");
    assert_false(link_read_line(f->link, line, sizeof line, &n, 1000, &e));
    assert_int_equal(e.code, ERR_BAD_REPLY);
    assert_true(link_drain(f->link, 50, 2000, &discarded, &e));
    assert_true(discarded > 0 && discarded < 5000);
}

static void draining_ends_in_silence(void **state)
{
    struct fixture *f = *state;
    size_t discarded = 0;
    struct err e = {0};
    say(f->link, "twice hello\n");
    assert_true(link_drain(f->link, 50, 1000, &discarded, &e));
    assert_int_equal(discarded, 12);
    assert_false(link_pending(f->link));
}

static void unplugging_is_a_lost_link(void **state)
{
    (void)state;
    struct pty_peer peer;
    struct link_settings s = link_settings_default();
    struct link *l = NULL;
    struct err e = {0};
    char line[64];
    size_t n = 0;
    assert_true(peer_start(&peer, hear, NULL));
    assert_true(link_open(peer.address, &s, &l, &e));
    peer_stop(&peer);
    assert_false(link_read_line(l, line, sizeof line, &n, 1000, &e));
    assert_int_equal(e.code, ERR_LINK_LOST);
    e = (struct err){0};
    assert_false(link_write(l, "x\n", 2, 1000, &e));
    assert_int_equal(e.code, ERR_LINK_LOST);
    assert_non_null(strstr(e.text, "cable"));
    link_close(l);
}

static void what_cannot_be_had_is_said(void **state)
{
    struct fixture *f = *state;
    struct link_settings s = link_settings_default();
    const struct {
        const char *address;
        enum err_code code;
        const char *text;
    } rows[] = {
        {"tty:/dev/pts/none", ERR_LINK_LOST, "there is no such port"},
        {"serial:/dev/ttyNONE7", ERR_LINK_LOST, "there is no such port"},
        {"serial:/dev/null", ERR_LINK_LOST, "not a serial port"},
        {"tty:/dev/null", ERR_LINK_LOST, "not a terminal"},
        {"pigeon:/roof", ERR_CONFIG, "is no link; write serial:/dev/ttyUSB0"},
        {"", ERR_CONFIG, "is no link"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct link *l = NULL;
        struct err e = {0};
        assert_false(link_open(rows[i].address, &s, &l, &e));
        assert_int_equal(e.code, rows[i].code);
        if (strstr(e.text, rows[i].text) == NULL) {
            fail_msg("%s: %s", rows[i].address, e.text);
        }
        assert_null(l);
    }
    /* The fixture's own link holds this one. */
    struct link *second = NULL;
    struct err e = {0};
    assert_false(link_open(f->peer.address, &s, &second, &e));
    assert_int_equal(e.code, ERR_LINK_LOST);
    assert_non_null(strstr(e.text, "held by this program itself"));
}

/* As the keeper has one while an output is on: what is lost must be opened anew to switch off. */
static void anothers_duplicate_does_not_keep_us_out(void **state)
{
    (void)state;
    struct pty_peer peer;
    struct link_settings s = link_settings_default();
    struct link *l = NULL;
    struct err e;
    assert_true(peer_start(&peer, hear, NULL));
    assert_true(link_open(peer.address, &s, &l, &e));
    int duplicate = dup(link_fd(l));
    assert_true(duplicate >= 0);
    link_close(l);
    if (!link_open(peer.address, &s, &l, &e)) {
        fail_msg("%s", e.text);
    }
    close(duplicate);
    link_close(l);
    peer_stop(&peer);
}

static void the_holder_is_named(void **state)
{
    (void)state;
    struct pty_peer peer;
    struct link_settings s = link_settings_default();
    struct link *l = NULL;
    struct err e = {0};
    int ready[2];
    char expected[40], c = 0;
    assert_int_equal(pipe(ready), 0);
    assert_true(peer_start(&peer, hear, NULL));
    pid_t child = fork();
    if (child == 0) {
        int fd = open(peer.path, O_RDWR | O_NOCTTY);
        flock(fd, LOCK_EX);
        ssize_t n = write(ready[1], "x", 1);
        (void)n;
        pause();
        _exit(0);
    }
    assert_int_equal(read(ready[0], &c, 1), 1);
    assert_false(link_open(peer.address, &s, &l, &e));
    snprintf(expected, sizeof expected, "process %d", (int)child);
    if (strstr(e.text, expected) == NULL) {
        fail_msg("%s does not name %s", e.text, expected);
    }
    kill(child, SIGKILL);
    waitpid(child, NULL, 0);
    close(ready[0]);
    close(ready[1]);
    peer_stop(&peer);
}

static void ports_can_be_listed(void **state)
{
    (void)state;
    struct port_info *ports = NULL;
    size_t n = 0;
    struct err e = {0};
    assert_true(ports_list(&ports, &n, &e));
    for (size_t i = 0; i < n; i++) {
        assert_true(strncmp(ports[i].name, "/dev/", 5) == 0);
    }
    free(ports);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(lines_come_whole_and_in_order, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_deadline_is_kept, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_wake_up_interrupts, set_up, tear_down),
        cmocka_unit_test_setup_teardown(too_long_a_line_is_a_bad_reply, set_up, tear_down),
        cmocka_unit_test_setup_teardown(draining_ends_in_silence, set_up, tear_down),
        cmocka_unit_test(unplugging_is_a_lost_link),
        cmocka_unit_test_setup_teardown(what_cannot_be_had_is_said, set_up, tear_down),
        cmocka_unit_test(anothers_duplicate_does_not_keep_us_out),
        cmocka_unit_test(the_holder_is_named),
        cmocka_unit_test(ports_can_be_listed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
