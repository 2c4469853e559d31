/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of `serial:` through unmodified libserialport, over a pseudo-terminal:
 * the program starts itself again under the preload object of the tests, which
 * makes a pseudo-terminal look like a port. That keeps baud rate, stop bits and
 * flow control by itself; bits and parity, which it has not, the preload object
 * remembers as they were asked for. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "link/link.h"
#include "pty_peer.h"

#include <signal.h>
#include <stdio.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/wait.h>

struct rig {
    struct pty_peer peer;
    struct link *link;
    char address[96];
    struct err e;
};

static void hear(struct pty_peer *p, const char *line)
{
    peer_say_line(p, line);
}

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    *state = r;
    bool ok = peer_start(&r->peer, hear, NULL);
    snprintf(r->address, sizeof r->address, "serial:%s", r->peer.path);
    return ok ? 0 : -1;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    link_close(r->link);
    peer_stop(&r->peer);
    free(r);
    return 0;
}

static void must_open(struct rig *r, const struct link_settings *s)
{
    if (!link_open(r->address, s, &r->link, &r->e)) {
        fail_msg("%s", r->e.text);
    }
}

static void must_talk(struct rig *r, const char *text)
{
    char line[64], answer[64];
    size_t n = 0;
    snprintf(line, sizeof line, "%s\n", text);
    if (!link_write(r->link, line, strlen(line), 1000, &r->e) ||
        !link_read_line(r->link, answer, sizeof answer, &n, 1000, &r->e)) {
        fail_msg("%s", r->e.text);
    }
    assert_string_equal(answer, text);
}

static struct termios terminal_of(const struct rig *r)
{
    struct termios t;
    assert_int_equal(tcgetattr(r->peer.keep, &t), 0);
    return t;
}

static void settings_reach_the_port(void **state)
{
    struct rig *r = *state;
    const struct {
        struct link_settings s;
        speed_t speed;
        tcflag_t frame, flow;
        bool xon_xoff;
    } rows[] = {
        {{115200, 8, 'n', 1, FLOW_NONE, -1, -1, -1}, B115200, CS8, 0, false},
        {{9600, 8, 'n', 1, FLOW_NONE, -1, -1, -1}, B9600, CS8, 0, false},
        {{4800, 7, 'e', 1, FLOW_NONE, -1, -1, -1}, B4800, CS7 | PARENB, 0, false},
        {{19200, 7, 'o', 2, FLOW_NONE, -1, -1, -1}, B19200, CS7 | PARENB | PARODD | CSTOPB, 0, false},
        {{57600, 8, 'n', 2, FLOW_RTS_CTS, -1, -1, -1}, B57600, CS8 | CSTOPB, CRTSCTS, false},
        {{38400, 8, 'n', 1, FLOW_XON_XOFF, -1, -1, -1}, B38400, CS8, 0, true},
        {{115200, 8, 'n', 1, FLOW_NONE, -1, -1, -1}, B115200, CS8, 0, false}, /* all undone again */
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        must_open(r, &rows[i].s);
        struct termios t = terminal_of(r);
        assert_int_equal(cfgetispeed(&t), rows[i].speed);
        assert_int_equal(cfgetospeed(&t), rows[i].speed);
        assert_int_equal(t.c_cflag & (CSIZE | PARENB | PARODD | CSTOPB), rows[i].frame);
        assert_int_equal(t.c_cflag & CRTSCTS, rows[i].flow);
        assert_int_equal((t.c_iflag & IXON) != 0, rows[i].xon_xoff);
        assert_int_equal((t.c_iflag & IXOFF) != 0, rows[i].xon_xoff);
        assert_int_equal(t.c_lflag & (ICANON | ECHO | ISIG), 0); /* raw */
        assert_int_equal(t.c_iflag & (ICRNL | INLCR | ISTRIP), 0);
        must_talk(r, "MEAS:VOLT?");
        must_talk(r, "12.345");
        link_close(r->link);
        r->link = NULL;
    }
}

static void control_lines_obey(void **state)
{
    struct rig *r = *state;
    struct link_settings s = link_settings_default();
    const struct {
        int dtr, rts, wanted;
    } rows[] = {
        {1, 1, TIOCM_DTR | TIOCM_RTS},
        {0, 1, TIOCM_RTS},
        {-1, -1, TIOCM_RTS}, /* left as they are */
        {1, 0, TIOCM_DTR},
        {1, 1, TIOCM_DTR | TIOCM_RTS},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        int lines = 0;
        s.dtr = rows[i].dtr;
        s.rts = rows[i].rts;
        must_open(r, &s);
        assert_int_equal(ioctl(link_fd(r->link), TIOCMGET, &lines), 0);
        assert_int_equal(lines & (TIOCM_DTR | TIOCM_RTS), rows[i].wanted);
        link_close(r->link);
        r->link = NULL;
    }
}

/* Closing and opening again is no pulse on DTR, and no other program inherits the port. */
static void the_descriptor_is_kept_well(void **state)
{
    struct rig *r = *state;
    struct link_settings s = link_settings_default();
    must_open(r, &s);
    assert_int_equal(terminal_of(r).c_cflag & HUPCL, 0);
    assert_int_equal(fcntl(link_fd(r->link), F_GETFD) & FD_CLOEXEC, FD_CLOEXEC);
    assert_int_equal(fcntl(link_fd(r->link), F_GETFL) & O_NONBLOCK, O_NONBLOCK);
    assert_string_equal(link_device(r->link), r->peer.path);
}

static void a_link_to_the_port_will_do(void **state)
{
    struct rig *r = *state;
    struct link_settings s = link_settings_default();
    char folder[] = "/tmp/ampledger-link-XXXXXX", name[64];
    assert_non_null(mkdtemp(folder));
    snprintf(name, sizeof name, "%s/load", folder);
    assert_int_equal(symlink(r->peer.path, name), 0);
    snprintf(r->address, sizeof r->address, "serial:%s", name);
    must_open(r, &s);
    assert_string_equal(link_device(r->link), r->peer.path);
    must_talk(r, "hello");
    unlink(name);
    rmdir(folder);
}

static void must_not_open(struct rig *r, const struct link_settings *s, enum err_code code,
                          const char *text)
{
    struct link *second = NULL;
    assert_false(link_open(r->address, s, &second, &r->e));
    assert_null(second);
    assert_int_equal(r->e.code, code);
    if (strstr(r->e.text, text) == NULL) {
        fail_msg("\"%s\" does not say \"%s\"", r->e.text, text);
    }
}

static void one_at_a_time(void **state)
{
    struct rig *r = *state;
    struct link_settings s = link_settings_default();
    must_open(r, &s);
    must_not_open(r, &s, ERR_LINK_LOST, "held by this program itself");
    must_talk(r, "still ours");
    link_close(r->link);
    must_open(r, &s); /* free again */
}

static void another_holder_is_named(void **state)
{
    struct rig *r = *state;
    struct link_settings s = link_settings_default();
    char expected[40], c = 0;
    int ready[2];
    assert_int_equal(pipe(ready), 0);
    pid_t child = fork();
    if (child == 0) {
        int fd = open(r->peer.path, O_RDWR | O_NOCTTY);
        flock(fd, LOCK_EX);
        _exit(write(ready[1], "x", 1) == 1 && pause() == 0 ? 0 : 1);
    }
    assert_int_equal(read(ready[0], &c, 1), 1);
    /* The peer's own descriptors are in this process, the lock is in the other. */
    snprintf(expected, sizeof expected, "held by process %d", (int)child);
    must_not_open(r, &s, ERR_LINK_LOST, expected);
    kill(child, SIGKILL);
    waitpid(child, NULL, 0);
    close(ready[0]);
    close(ready[1]);
    must_open(r, &s);
}

static void impossible_settings_are_named(void **state)
{
    struct rig *r = *state;
    struct link_settings s = link_settings_default();
    s.parity = 'x';
    must_not_open(r, &s, ERR_CONFIG, "parity");
    s = link_settings_default();
    s.bits = 9;
    must_not_open(r, &s, ERR_CONFIG, "5 to 8 bits");
    s = link_settings_default();
    s.stop_bits = 3;
    must_not_open(r, &s, ERR_CONFIG, "1 or 2 stop bits");
    s = link_settings_default();
    s.baud = -1;
    must_not_open(r, &s, ERR_CONFIG, "baud rate");
    s = link_settings_default();
    s.flow = FLOW_DTR_DSR; /* Linux has it for no port */
    must_not_open(r, &s, ERR_CONFIG, "cannot do the wanted flow control");
    s = link_settings_default();
    must_open(r, &s); /* nothing of it stuck, and the port is free */
    must_talk(r, "fine");
}

static void unplugging_is_a_lost_link(void **state)
{
    (void)state;
    struct rig r = {0};
    struct link_settings s = link_settings_default();
    char line[16];
    size_t n = 0;
    assert_true(peer_start(&r.peer, hear, NULL));
    snprintf(r.address, sizeof r.address, "serial:%s", r.peer.path);
    must_open(&r, &s);
    must_talk(&r, "here");
    peer_stop(&r.peer);
    assert_false(link_read_line(r.link, line, sizeof line, &n, 1000, &r.e));
    assert_int_equal(r.e.code, ERR_LINK_LOST);
    assert_false(link_write(r.link, "x\n", 2, 1000, &r.e));
    assert_int_equal(r.e.code, ERR_LINK_LOST);
    link_close(r.link);
}

/* --- starting again under the preload object --- */

#define MARK "AMPLEDGER_PRELOADED"

static bool preload_path(char *out, size_t size)
{
    const char *given = getenv("AMPLEDGER_PRELOAD");
    char self[400];
    ssize_t n = readlink("/proc/self/exe", self, sizeof self - 1);
    if (n <= 0) {
        return false;
    }
    self[n] = '\0';
    *strrchr(self, '/') = '\0';
    snprintf(out, size, "%s%s", given != NULL ? given : self,
             given != NULL ? "" : "/preload_pts.so");
    return access(out, R_OK) == 0;
}

static int start_again(char **argv)
{
    char path[448], options[512];
    if (!preload_path(path, sizeof path)) {
        printf("skipped: %s is not built (target preload_pts)\n", path);
        return 77;
    }
    const char *asan = getenv("ASAN_OPTIONS");
    /* Sanitizers insist on being first in the list of libraries. */
    snprintf(options, sizeof options, "verify_asan_link_order=0%s%s", asan != NULL ? ":" : "",
             asan != NULL ? asan : "");
    setenv("ASAN_OPTIONS", options, 1);
    setenv("LD_PRELOAD", path, 1);
    setenv(MARK, "1", 1);
    execv("/proc/self/exe", argv);
    perror("start again");
    return 1;
}

#define serial_test(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(int argc, char **argv)
{
    (void)argc;
    if (getenv(MARK) == NULL) {
        return start_again(argv);
    }
    unsetenv("LD_PRELOAD");
    const struct CMUnitTest tests[] = {
        serial_test(settings_reach_the_port),
        serial_test(control_lines_obey),
        serial_test(the_descriptor_is_kept_well),
        serial_test(a_link_to_the_port_will_do),
        serial_test(one_at_a_time),
        serial_test(another_holder_is_named),
        serial_test(impossible_settings_are_named),
        cmocka_unit_test(unplugging_is_a_lost_link),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
