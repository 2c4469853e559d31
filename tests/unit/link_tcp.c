/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of tcp: links against sockets of this very program on the loopback
 * interface: lines, options, refusal, silence, hanging up, reset, opening anew. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "link/link.h"

#include <errno.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

struct rig {
    int listener;
    int port;
    char address[64];
    struct link *link;
    int peer; /* the instrument's end */
    struct err e;
};

static bool listen_v4(struct rig *r, int backlog)
{
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof a;
    r->listener = socket(AF_INET, SOCK_STREAM, 0);
    if (bind(r->listener, (struct sockaddr *)&a, sizeof a) != 0 ||
        listen(r->listener, backlog) != 0 ||
        getsockname(r->listener, (struct sockaddr *)&a, &size) != 0) {
        return false;
    }
    r->port = ntohs(a.sin_port);
    snprintf(r->address, sizeof r->address, "tcp:127.0.0.1:%d", r->port);
    return true;
}

static bool reach(struct rig *r)
{
    struct link_settings s = link_settings_default();
    if (!link_open(r->address, &s, &r->link, &r->e)) {
        return false;
    }
    r->peer = accept(r->listener, NULL, NULL);
    return r->peer >= 0;
}

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    *state = r;
    return listen_v4(r, 4) && reach(r) ? 0 : -1;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    link_close(r->link);
    close(r->peer);
    close(r->listener);
    free(r);
    return 0;
}

static void say(int fd, const char *text)
{
    size_t n = strlen(text);
    assert_int_equal(write(fd, text, n), n);
}

static void exchange(struct rig *r)
{
    char line[64] = "";
    size_t n = 0;
    assert_true(link_write(r->link, "*IDN?\n", 6, 1000, &r->e));
    assert_int_equal(recv(r->peer, line, 6, MSG_WAITALL), 6);
    assert_memory_equal(line, "*IDN?\n", 6);
    say(r->peer, "LAKE,LO");
    say(r->peer, "AD\r\nmore\n");
    assert_true(link_read_line(r->link, line, sizeof line, &n, 1000, &r->e));
    assert_string_equal(line, "LAKE,LOAD");
    assert_true(link_read_line(r->link, line, sizeof line, &n, 1000, &r->e));
    assert_string_equal(line, "more");
    assert_false(link_pending(r->link));
}

static void lines_go_there_and_back(void **state)
{
    struct rig *r = *state;
    exchange(r);
    assert_string_equal(link_device(r->link), r->address + 4);
}

static void ipv6_in_brackets(void **state)
{
    (void)state;
    struct rig r = {0};
    struct sockaddr_in6 a = {.sin6_family = AF_INET6, .sin6_addr = IN6ADDR_LOOPBACK_INIT};
    socklen_t size = sizeof a;
    r.listener = socket(AF_INET6, SOCK_STREAM, 0);
    if (r.listener < 0 || bind(r.listener, (struct sockaddr *)&a, sizeof a) != 0) {
        print_message("skipped: no IPv6 on this machine: %s\n", strerror(errno));
        skip();
    }
    assert_int_equal(listen(r.listener, 1), 0);
    assert_int_equal(getsockname(r.listener, (struct sockaddr *)&a, &size), 0);
    snprintf(r.address, sizeof r.address, "tcp:[::1]:%d", ntohs(a.sin6_port));
    assert_true(reach(&r));
    exchange(&r);
    link_close(r.link);
    close(r.peer);
    close(r.listener);
}

static int option(const struct rig *r, int level, int name)
{
    int value = -1;
    socklen_t size = sizeof value;
    assert_int_equal(getsockopt(link_fd(r->link), level, name, &value, &size), 0);
    return value;
}

static void the_socket_is_quick_and_watched(void **state)
{
    struct rig *r = *state;
    assert_int_equal(option(r, IPPROTO_TCP, TCP_NODELAY), 1);
    assert_int_equal(option(r, SOL_SOCKET, SO_KEEPALIVE), 1);
    assert_in_range(option(r, IPPROTO_TCP, TCP_KEEPIDLE), 1, 10);
    assert_in_range(option(r, IPPROTO_TCP, TCP_USER_TIMEOUT), 1, 5000);
}

static void a_deadline_is_kept(void **state)
{
    struct rig *r = *state;
    char line[8];
    size_t n = 0;
    int64_t before = clock_real_ns();
    assert_false(link_read_line(r->link, line, sizeof line, &n, 100, &r->e));
    assert_int_equal(r->e.code, ERR_TIMEOUT);
    assert_in_range((clock_real_ns() - before) / NS_PER_MS, 100, 1100);
}

static void a_wake_up_interrupts(void **state)
{
    struct rig *r = *state;
    char line[8];
    size_t n = 0;
    int wake = eventfd(1, EFD_CLOEXEC);
    link_set_wake(r->link, wake);
    assert_false(link_read_line(r->link, line, sizeof line, &n, 5000, &r->e));
    assert_int_equal(r->e.code, ERR_INTERRUPTED);
    assert_true(link_write(r->link, "INP OFF\n", 8, 1000, &r->e)); /* never interrupted */
    close(wake);
}

/* It hangs up, or restarts (a reset): lost, without a signal; opening anew works. */
static void hanging_up_is_a_lost_link(void **state)
{
    struct rig *r = *state;
    char line[8];
    size_t n = 0;
    for (int reset = 0; reset < 2; reset++) {
        const struct linger at_once = {.l_onoff = reset, .l_linger = 0};
        setsockopt(r->peer, SOL_SOCKET, SO_LINGER, &at_once, sizeof at_once);
        close(r->peer);
        assert_false(link_read_line(r->link, line, sizeof line, &n, 1000, &r->e));
        assert_int_equal(r->e.code, ERR_LINK_LOST);
        assert_non_null(strstr(r->e.text, "did the instrument close it"));
        bool written = true;
        for (int i = 0; i < 3 && written; i++) {
            written = link_write(r->link, "x\n", 2, 1000, &r->e); /* the first may still leave */
        }
        assert_false(written);
        assert_int_equal(r->e.code, ERR_LINK_LOST);
        link_close(r->link);
        assert_true(reach(r));
        exchange(r);
    }
}

static void refusal_is_said(void **state)
{
    struct rig *r = *state;
    struct link_settings s = link_settings_default();
    struct link *l = NULL;
    close(r->listener);
    assert_false(link_open(r->address, &s, &l, &r->e));
    assert_int_equal(r->e.code, ERR_LINK_LOST);
    assert_non_null(strstr(r->e.text, "takes no connection on this port"));
    r->listener = socket(AF_INET, SOCK_STREAM, 0);
}

/* A full queue of connections lets further ones hang, as a host that is switched off does. */
struct crowd {
    struct rig r;
    int fds[4];
};

static void crowd_in(struct crowd *c)
{
    assert_true(listen_v4(&c->r, 0));
    struct sockaddr_in a = {.sin_family = AF_INET,
                            .sin_port = htons((uint16_t)c->r.port),
                            .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    for (int i = 0; i < 4; i++) {
        c->fds[i] = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK, 0);
        (void)!connect(c->fds[i], (struct sockaddr *)&a, sizeof a);
    }
}

static void crowd_out(struct crowd *c)
{
    for (int i = 0; i < 4; i++) {
        close(c->fds[i]);
    }
    close(c->r.listener);
}

static void connecting_ends_in_time(void **state)
{
    (void)state;
    struct crowd c = {0};
    struct link_settings s = link_settings_default();
    crowd_in(&c);
    int64_t before = clock_real_ns();
    assert_false(link_open(c.r.address, &s, &c.r.link, &c.r.e));
    int64_t took_ms = (clock_real_ns() - before) / NS_PER_MS;
    assert_int_equal(c.r.e.code, ERR_LINK_LOST);
    assert_non_null(strstr(c.r.e.text, "cannot be reached"));
    assert_in_range(took_ms, 1400, 2500);
    crowd_out(&c);
}

static void *wake_soon(void *arg)
{
    struct clock *real = clock_new_real();
    clock_wait_until(real, clock_now_ns(real) + 100 * NS_PER_MS, -1);
    clock_free(real);
    eventfd_write(*(const int *)arg, 1);
    return NULL;
}

static void a_wake_up_interrupts_connecting(void **state)
{
    (void)state;
    struct crowd c = {0};
    pthread_t thread;
    struct link_settings s = link_settings_default();
    int wake = eventfd(0, EFD_CLOEXEC);
    s.wake_fd = wake;
    crowd_in(&c);
    int64_t before = clock_real_ns();
    assert_int_equal(pthread_create(&thread, NULL, wake_soon, &wake), 0);
    assert_false(link_open(c.r.address, &s, &c.r.link, &c.r.e));
    int64_t took_ms = (clock_real_ns() - before) / NS_PER_MS;
    pthread_join(thread, NULL);
    assert_int_equal(c.r.e.code, ERR_INTERRUPTED);
    assert_in_range(took_ms, 80, 1200);
    crowd_out(&c);
    close(wake);
}

/* The keeper's duplicate must not keep a connection that was given up. */
static void closing_ends_duplicates_too(void **state)
{
    struct rig *r = *state;
    char byte = 0;
    const struct timeval patience = {.tv_sec = 5};
    int copy = dup(link_fd(r->link));
    setsockopt(r->peer, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
    link_close(r->link);
    r->link = NULL;
    assert_int_equal(read(r->peer, &byte, 1), 0);
    close(copy);
}

static void addresses(void **state)
{
    (void)state;
    static const struct {
        const char *place;
        bool good;
    } rows[] = {
        {"192.168.1.20:5025", true},
        {"[fd00::20]:5025", true},
        {"[fe80::1%1]:5025", true},
        {"127.0.0.1:65535", true},
        {"127.0.0.1:65536", false},
        {"127.0.0.1:0", false},
        {"127.0.0.1:", false},
        {"127.0.0.1", false},
        {"fd00::20:5025", false},
        {"[fd00::20]", false},
        {"[127.0.0.1]:5025", false},
        {"[]:5025", false},
        {":5025", false},
        {"pier:5025", false},
        {"localhost:5025", false},
        {"127.0.0.1:50x", false},
        {"127.0.0.1:+50", false},
        {"", false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (link_tcp_check(rows[i].place) != rows[i].good) {
            fail_msg("%s", rows[i].place);
        }
    }
    struct link_settings s = link_settings_default();
    struct link *l = NULL;
    struct err e = {0};
    assert_false(link_open("tcp:pier:5025", &s, &l, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_non_null(strstr(e.text, "names are not looked up"));
}

#define rig_test(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        rig_test(lines_go_there_and_back),
        cmocka_unit_test(ipv6_in_brackets),
        rig_test(the_socket_is_quick_and_watched),
        rig_test(a_deadline_is_kept),
        rig_test(a_wake_up_interrupts),
        rig_test(hanging_up_is_a_lost_link),
        rig_test(refusal_is_said),
        cmocka_unit_test(connecting_ends_in_time),
        cmocka_unit_test(a_wake_up_interrupts_connecting),
        rig_test(closing_ends_duplicates_too),
        cmocka_unit_test(addresses),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
