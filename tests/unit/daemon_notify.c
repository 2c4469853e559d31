/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of what the service manager hears: both kinds of sockets, silence where
 * there is none, and the watchdog's period. */
#include "base/file.h"
#include "daemon/notify.h"

#include <poll.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cmocka.h>

/* Binds a datagram socket as a service manager does and puts its name into the
 * environment. */
static int manager(const char *name)
{
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    size_t n = strlen(name);
    memcpy(a.sun_path, name, n);
    if (name[0] == '@') {
        a.sun_path[0] = '\0';
    }
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    socklen_t size = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + n);
    assert_int_equal(bind(fd, (struct sockaddr *)&a, size), 0);
    setenv("NOTIFY_SOCKET", name, 1);
    return fd;
}

static void assert_hears(int fd, const char *wanted)
{
    char got[1024] = "";
    struct pollfd p = {.fd = fd, .events = POLLIN};
    assert_int_equal(poll(&p, 1, 2000), 1);
    ssize_t n = recv(fd, got, sizeof got - 1, 0);
    assert_true(n >= 0);
    got[n] = '\0';
    assert_string_equal(got, wanted);
}

static void speaks_to_a_path_and_to_an_abstract_name(void **state)
{
    (void)state;
    char path[64], abstract[64];
    text_format(path, sizeof path, "/tmp/ampledger-notify-%d", (int)getpid());
    text_format(abstract, sizeof abstract, "@ampledger-notify-%d", (int)getpid());
    const char *const names[] = {path, abstract};
    for (size_t i = 0; i < 2; i++) {
        int fd = manager(names[i]);
        notify_send("WATCHDOG=1");
        assert_hears(fd, "WATCHDOG=1");
        notify_status("READY=1", "jetty idle");
        assert_hears(fd, "READY=1\nSTATUS=jetty idle");
        notify_status("", "one line\nREADY=1");
        assert_hears(fd, "STATUS=one line");
        close(fd);
    }
    unlink(path);
    unsetenv("NOTIFY_SOCKET");
}

static void a_manager_that_does_not_listen_stops_nobody(void **state)
{
    (void)state;
    char longer[300];
    memset(longer, 'x', sizeof longer);
    longer[0] = '/';
    longer[sizeof longer - 1] = '\0';
    const char *const names[] = {
        "/nonexistent/notify", "@nobody-there", "relative", "", "@", longer};
    unsetenv("NOTIFY_SOCKET");
    notify_send("READY=1");
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        setenv("NOTIFY_SOCKET", names[i], 1);
        notify_send("READY=1");
    }
    /* nor one whose queue is full */
    char name[64];
    text_format(name, sizeof name, "@ampledger-full-%d", (int)getpid());
    int fd = manager(name);
    for (int i = 0; i < 5000; i++) {
        notify_send("WATCHDOG=1");
    }
    assert_hears(fd, "WATCHDOG=1");
    close(fd);
    unsetenv("NOTIFY_SOCKET");
}

static void the_period_is_half_and_only_for_us(void **state)
{
    (void)state;
    char me[16];
    text_format(me, sizeof me, "%d", (int)getpid());
    unsetenv("WATCHDOG_PID");
    unsetenv("WATCHDOG_USEC");
    assert_int_equal(notify_watchdog_period_ns(), 0);
    setenv("WATCHDOG_USEC", "30000000", 1);
    assert_int_equal(notify_watchdog_period_ns(), INT64_C(15000000000));
    setenv("WATCHDOG_PID", me, 1);
    assert_int_equal(notify_watchdog_period_ns(), INT64_C(15000000000));
    setenv("WATCHDOG_PID", "1", 1);
    assert_int_equal(notify_watchdog_period_ns(), 0);
    setenv("WATCHDOG_PID", "", 1);
    assert_int_equal(notify_watchdog_period_ns(), 0);
    unsetenv("WATCHDOG_PID");
    static const char *const wrong[] = {
        "", "0", "-5", "30s", "1e6", "99999999999999999999999", "9223372036854775807"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        setenv("WATCHDOG_USEC", wrong[i], 1);
        assert_int_equal(notify_watchdog_period_ns(), 0);
    }
    unsetenv("WATCHDOG_USEC");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(speaks_to_a_path_and_to_an_abstract_name),
        cmocka_unit_test(a_manager_that_does_not_listen_stops_nobody),
        cmocka_unit_test(the_period_is_half_and_only_for_us),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
