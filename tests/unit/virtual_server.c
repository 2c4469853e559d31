/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of virtual/server, virtual/port and virtual/control over real
 * pseudo-terminals, in one process: the test writes, the server obeys, the test
 * reads. */
#include "base/clock.h"
#include "base/file.h"
#include "virtual/control.h"

#include <fcntl.h>
#include <limits.h>
#include <poll.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

static char dir[64];
static char description[128];
static struct server server;
static struct client client;
static struct answer answer;
static char bytes[200000];
static size_t bytes_n;
static int tty = -1;

static const char text[] =
    "batteries:\n"
    "  - {name: launch-a, chemistry: lfp, cells: 4, capacity: 129.5 Ah}\n"
    "instruments:\n"
    "  - {name: load-1, kind: load, battery: launch-a}\n"
    "  - {name: lines-1, kind: thermometer, battery: launch-a, style: lines}\n"
    "  - {name: file-1, kind: thermometer, battery: launch-a, style: file}\n"
    "  - {name: load-2, kind: load, battery: launch-a, shares: load-1}\n";

static const char *path_of(const char *name)
{
    static char path[PATH_MAX];
    assert_true(text_format(path, sizeof path, "%s/%s", dir, name));
    return path;
}

static int open_port(const char *name)
{
    int fd = open(path_of(name), O_RDWR | O_NOCTTY | O_NONBLOCK);
    assert_true(fd >= 0);
    return fd;
}

static int set_up(void **state)
{
    (void)state;
    struct err e = {0};
    (void)text_format(dir, sizeof dir, "/tmp/ampledger-virtual-XXXXXX");
    assert_non_null(mkdtemp(dir));
    (void)text_format(description, sizeof description, "%s/virtual.yaml", dir);
    FILE *f = fopen(description, "w");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
    if (!server_open(&server, dir, description, &e)) {
        print_error("%s\n", e.text);
        fail();
    }
    client = (struct client){0};
    tty = open_port("load-1");
    return 0;
}

static int take_down(void **state)
{
    (void)state;
    if (tty >= 0) {
        close(tty);
    }
    tty = -1;
    server_close(&server);
    assert_int_equal(access(path_of("load-1"), F_OK), -1); /* links are gone */
    assert_int_equal(access(path_of("file-1"), F_OK), -1);
    unlink(description);
    assert_int_equal(rmdir(dir), 0);
    return 0;
}

static const char *control(const char *line)
{
    control_command(&server, &client, line, &answer);
    return answer.text;
}

static void assert_ok(const char *line)
{
    if (strncmp(control(line), "ok", 2) != 0) {
        print_error("%s gave %s", line, answer.text);
        fail();
    }
}

static double value_of(const char *line, const char *key)
{
    char pattern[64];
    (void)text_format(pattern, sizeof pattern, "%s=", key);
    assert_ok(line);
    const char *at = strstr(answer.text, pattern);
    assert_non_null(at);
    return strtod(at + strlen(pattern), NULL);
}

/* All that comes within wait_ms after the last byte. */
static void receive(int fd, int wait_ms)
{
    bytes_n = 0;
    for (;;) {
        server_flush(&server);
        struct pollfd p = {.fd = fd, .events = POLLIN};
        if (poll(&p, 1, wait_ms) <= 0) {
            break;
        }
        ssize_t n = read(fd, bytes + bytes_n, sizeof bytes - 1 - bytes_n);
        if (n <= 0) {
            break;
        }
        bytes_n += (size_t)n;
    }
    bytes[bytes_n] = '\0';
}

static void say(const char *message)
{
    size_t n = strlen(message);
    assert_int_equal(write(tty, message, n), n);
    struct pollfd p = {.fd = server.ports[0].master, .events = POLLIN};
    assert_int_equal(poll(&p, 1, 1000), 1);
    server_obey(&server);
}

static const char *ask(const char *message)
{
    say(message);
    receive(tty, 50);
    return bytes;
}

static void an_instrument_answers_on_its_terminal(void **state)
{
    (void)state;
    assert_string_equal(ask("*IDN?\n"), "VIRTUAL,Load,load-1,1.0\n");
    assert_string_equal(ask("CURR 10;CURR?\r\n"), "10.000\n"); /* either line end */
    assert_string_equal(ask("CURR 5\nCURR?\n*OPC?\n"), "5.000\n1\n");
    say("CUR");
    assert_string_equal(ask("R?\n"), "5.000\n"); /* in pieces */
}

static void an_endless_line_is_an_overrun(void **state)
{
    (void)state;
    static char line[PORT_INPUT + 100];
    memset(line, 'A', sizeof line - 1);
    for (size_t sent = 0; sent < sizeof line - 1;) { /* a terminal takes it in parts */
        ssize_t n = write(tty, line + sent, sizeof line - 1 - sent);
        sent += n > 0 ? (size_t)n : 0;
        server_obey(&server);
    }
    assert_string_equal(ask("\nSYST:ERR?\n"), "-363,\"Input buffer overrun\"\n");
    assert_string_equal(ask("*OPC?\n"), "1\n");
}

static void skips_move_the_model_before_the_answer(void **state)
{
    (void)state;
    say("CURR 10;INP ON\n");
    assert_string_equal(control("skip 3600000000000"), "ok\n");
    double Ah = value_of("counter launch-a", "discharged_Ah");
    assert_true(Ah > 9.999 && Ah < 10.01);
    assert_string_equal(control("skip 1800000000000"), "ok\n"); /* a total: no way back */
    assert_true(value_of("counter launch-a", "discharged_Ah") < Ah + 0.01);
    client = (struct client){0}; /* another client begins at zero */
    assert_string_equal(control("skip 3600000000000"), "ok\n");
    Ah = value_of("counter launch-a", "discharged_Ah");
    assert_true(Ah > 19.998 && Ah < 20.02);
}

static void what_was_sent_before_a_skip_is_obeyed_before_it(void **state)
{
    (void)state;
    say("CURR 10;INP ON\n");
    assert_string_equal(control("skip 1000000000"), "ok\n");
    assert_int_equal(write(tty, "INP OFF\n", 8), 8);
    assert_string_equal(control("skip 3600000000000"), "ok\n");
    assert_true(value_of("counter launch-a", "discharged_Ah") < 0.1);
    assert_ok("output load-1");
    assert_non_null(strstr(answer.text, "ok off current_A=0.000000"));
}

static void the_log_knows_when_it_was_switched_off(void **state)
{
    (void)state;
    assert_ok("log load-1");
    assert_non_null(strstr(answer.text, "last_off_real_ns=never"));
    assert_ok("skip 5000000000");
    double before = (double)clock_real_ns();
    say("INP OFF\n");
    assert_true(value_of("log load-1", "last_off_real_ns") >= before);
    double off_real_ns = value_of("log load-1", "last_off_real_ns");
    assert_true(value_of("log load-1", "last_off_virtual_ns") - off_real_ns > 4.9e9);
    assert_true(value_of("log load-1", "off") > 0.5);
}

static void faults_of_the_link(void **state)
{
    (void)state;
    static const struct {
        const char *fault, *expected;
    } cases[] = {
        {"fault load-1 silence", ""},       {"fault load-1 hang", ""},
        {"fault load-1 truncate", "5."},    {"fault load-1 double", "5.000\n5.000\n"},
        {"fault load-1 crlf", "5.000\r\n"}, {"fault load-1 echo", "CURR?\r\n5.000\n"},
    };
    say("CURR 5\n");
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        assert_ok(cases[i].fault);
        assert_string_equal(ask("CURR?\n"), cases[i].expected);
        assert_ok("clear-fault load-1");
        assert_string_equal(ask("CURR?\n"), "5.000\n");
    }
    assert_ok("fault load-1 nul");
    ask("CURR?\n");
    assert_int_equal(bytes_n, 8);
    assert_memory_equal(bytes, "\0005.\000000\n", 8);
}

static void silence_obeys_and_hang_does_not(void **state)
{
    (void)state;
    say("CURR 5;INP ON\n");
    assert_ok("fault load-1 hang");
    say("INP OFF\n");
    assert_non_null(strstr(control("output load-1"), "ok on"));
    assert_ok("clear-fault load-1");
    assert_ok("fault load-1 silence");
    say("INP OFF\n");
    assert_non_null(strstr(control("output load-1"), "ok off"));
}

static void late_answers_keep_their_order(void **state)
{
    (void)state;
    assert_ok("fault load-1 late 0.1 0.3");
    int64_t began_ns = clock_real_ns();
    say("CURR 1;CURR?\n");
    say("CURR 2;CURR?\n");
    say("CURR 3;CURR?\n");
    size_t got = 0;
    char all[64] = "";
    while (got < 18 && clock_real_ns() - began_ns < 2 * NS_PER_S) {
        receive(tty, 10);
        assert_true(got + bytes_n < sizeof all);
        memcpy(all + got, bytes, bytes_n + 1);
        got += bytes_n;
        if (bytes_n > 0 && got == bytes_n) {
            assert_true(clock_real_ns() - began_ns >= NS_PER_S / 10);
        }
    }
    assert_string_equal(all, "1.000\n2.000\n3.000\n");
}

static void a_flood_and_garbage_end_when_cleared(void **state)
{
    (void)state;
    assert_ok("fault load-1 flood");
    ask("CURR?\n");
    assert_int_equal(bytes_n, 65536);
    assert_null(memchr(bytes, '\n', bytes_n));
    assert_ok("clear-fault load-1");
    assert_ok("fault load-1 garbage");
    ask("CURR?\n");
    assert_true(bytes_n > 0 && bytes_n < 60);
    assert_ok("clear-fault load-1");
    assert_string_equal(ask("CURR?\n"), "0.000\n");
}

static void unplugged_it_hangs_up_and_comes_back_under_its_name(void **state)
{
    (void)state;
    assert_ok("fault load-1 unplug");
    assert_int_equal(access(path_of("load-1"), F_OK), -1);
    struct pollfd p = {.fd = tty, .events = POLLIN};
    assert_int_equal(poll(&p, 1, 1000), 1);
    assert_true(p.revents & POLLHUP);
    char named[PATH_MAX + 32];
    text_format(named, sizeof named, "\nserves %s load-1\n", path_of("load-1"));
    assert_non_null(strstr(control("hello"), named)); /* by the name it comes back under */
    assert_int_equal(symlink("/dev/null", path_of("load-1")), 0);
    assert_null(strstr(control("hello"), "load-1")); /* which is another's just now */
    close(tty);
    assert_ok("replug load-1");
    tty = open_port("load-1");
    assert_string_equal(ask("*OPC?\n"), "1\n");
    assert_non_null(strstr(control("hello"), " load-1\n"));
}

static void exclusive_use_ends_with_its_user(void **state)
{
    (void)state;
    assert_int_equal(ioctl(tty, TIOCEXCL), 0);
    assert_string_equal(ask("*OPC?\n"), "1\n");
    int exclusive = 1;
    assert_int_equal(ioctl(tty, TIOCGEXCL, &exclusive), 0);
    assert_int_equal(exclusive, 0);
}

static void thermometers_speak_by_themselves(void **state)
{
    (void)state;
    int fd = open_port("lines-1");
    assert_ok("heat launch-a 30");
    assert_ok("skip 3500000000");
    receive(fd, 50);
    assert_memory_equal(bytes, "T=", 2);
    int lines = 0;
    for (const char *at = bytes; (at = strstr(at, " C\n")) != NULL; at++) {
        lines++;
    }
    assert_in_range(lines, 3, 4);
    char *file = NULL;
    struct err e = {0};
    assert_true(file_read(path_of("file-1"), 100, &file, NULL, &e));
    long millidegrees = strtol(file, NULL, 10);
    free(file);
    assert_in_range(millidegrees, 29900, 30100);
    assert_ok("fault lines-1 lost");
    assert_ok("skip 4500000000");
    receive(fd, 50);
    assert_string_equal(bytes, "T=ERR\n");
    /* what nobody reads for an hour does not pile up */
    assert_ok("skip 3600000000000");
    receive(fd, 50);
    if (bytes_n == 0 || bytes_n > 16000) { /* an hour prints twice as much */
        fail_msg("%zu bytes came", bytes_n);
    }
    close(fd);
}

static void control_answers_mistakes(void **state)
{
    (void)state;
    static const char *const wrong[] = {
        "",
        "stat",
        "state nobody",
        "counter",
        "skip",
        "skip -1",
        "skip 1.5",
        "skip 1 2",
        "fault load-1",
        "fault load-1 nix",
        "fault x nan",
        "heat launch-a",
        "heat launch-a hot",
        "soc launch-a 7",
        "hello there",
        "output launch-a",
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        control(wrong[i]);
        if (strncmp(answer.text, "error ", 6) != 0 || answer.text[answer.n - 1] != '\n' ||
            strchr(answer.text, '\n') != answer.text + answer.n - 1) {
            print_error("\"%s\" gave: %s", wrong[i], answer.text);
            fail();
        }
    }
    assert_ok("help");
    assert_ok("quit");
    assert_true(server.quit);
}

static void a_second_output_has_no_link_of_its_own(void **state)
{
    (void)state;
    assert_int_equal(access(path_of("load-2"), F_OK), -1);
    static const char *const of_the_link[] = {"fault load-2 unplug", "fault load-2 replug",
                                              "fault load-2 silence", "fault load-2 identity X",
                                              "replug load-2"};
    for (size_t i = 0; i < sizeof of_the_link / sizeof of_the_link[0]; i++) {
        control_command(&server, &client, of_the_link[i], &answer);
        assert_memory_equal(answer.text, "error ", 6);
        assert_non_null(strstr(answer.text, "do that to load-1"));
    }
    assert_string_equal(ask("CURR 7,(@2);:INP ON,(@2);:INP? (@1);:INP? (@2)\n"), "0;1\n");
    assert_ok("output load-2");
    assert_memory_equal(answer.text, "ok on", 5);
    assert_ok("fault load-2 stays-on");
    assert_string_equal(ask("INP OFF,(@2);:INP? (@2)\n"), "1\n");
    assert_ok("clear-fault load-2");
    assert_string_equal(ask("INP OFF,(@2);:INP? (@2)\n"), "0\n");
}

static void help_is_a_line_for_each_command(void **state)
{
    (void)state;
    control("help");
    assert_memory_equal(answer.text, "ok commands:\n  hello\n  skip TOTAL_NS\n", 37);
    assert_non_null(strstr(answer.text, "\nkinds of fault:\n  silence\n"));
    assert_string_equal(answer.text + answer.n - 5, "\nend\n");
}

static void hello_lists_what_is_served(void **state)
{
    (void)state;
    control("hello");
    assert_memory_equal(answer.text, "ok speed 1\nserves /dev/pts/", 27);
    assert_non_null(strstr(answer.text, "/file-1 file-1\nend\n"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, take_down)
        TEST(an_instrument_answers_on_its_terminal),
        TEST(an_endless_line_is_an_overrun),
        TEST(skips_move_the_model_before_the_answer),
        TEST(what_was_sent_before_a_skip_is_obeyed_before_it),
        TEST(the_log_knows_when_it_was_switched_off),
        TEST(faults_of_the_link),
        TEST(a_second_output_has_no_link_of_its_own),
        TEST(silence_obeys_and_hang_does_not),
        TEST(late_answers_keep_their_order),
        TEST(a_flood_and_garbage_end_when_cleared),
        TEST(unplugged_it_hangs_up_and_comes_back_under_its_name),
        TEST(exclusive_use_ends_with_its_user),
        TEST(thermometers_speak_by_themselves),
        TEST(control_answers_mistakes),
        TEST(help_is_a_line_for_each_command),
        TEST(hello_lists_what_is_served),
#undef TEST
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
