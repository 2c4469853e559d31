/* SPDX-License-Identifier: GPL-3.0-or-later
 * Identification over pseudo-terminals: what is sent to a stranger is *IDN? and
 * nothing else, whatever the stranger does. */
#include "cli/identify.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

struct stranger {
    int master, keep, stop[2];
    char address[160];
    const char *unasked; /* said before anything was asked; NULL nothing */
    const char *answer;  /* to every line; NULL silence */
    char heard[4096];
    size_t n;
    pthread_t thread;
};

static void say(const struct stranger *s, const char *text)
{
    if (text != NULL) {
        assert_int_equal(write(s->master, text, strlen(text)), (ssize_t)strlen(text));
    }
}

static void *listen_and_answer(void *context)
{
    struct stranger *s = context;
    struct pollfd p[2] = {{.fd = s->master, .events = POLLIN},
                          {.fd = s->stop[0], .events = POLLIN}};
    while (poll(p, 2, 20000) > 0 && p[1].revents == 0) {
        ssize_t got = read(s->master, s->heard + s->n, sizeof s->heard - 1 - s->n);
        if (got <= 0) {
            break;
        }
        bool line = memchr(s->heard + s->n, '\n', (size_t)got) != NULL;
        s->n += (size_t)got;
        if (line) {
            say(s, s->answer);
        }
    }
    return NULL;
}

static void stranger_start(struct stranger *s)
{
    char path[128];
    s->master = posix_openpt(O_RDWR | O_NOCTTY);
    assert_true(s->master >= 0);
    assert_int_equal(grantpt(s->master), 0);
    assert_int_equal(unlockpt(s->master), 0);
    assert_int_equal(ptsname_r(s->master, path, sizeof path), 0);
    snprintf(s->address, sizeof s->address, "tty:%s", path);
    struct termios t;
    s->keep = open(path, O_RDWR | O_NOCTTY); /* raw, and alive between two openings */
    assert_true(s->keep >= 0);
    assert_int_equal(tcgetattr(s->keep, &t), 0);
    cfmakeraw(&t);
    assert_int_equal(tcsetattr(s->keep, TCSANOW, &t), 0);
    assert_int_equal(pipe(s->stop), 0);
    say(s, s->unasked);
    assert_int_equal(pthread_create(&s->thread, NULL, listen_and_answer, s), 0);
}

static void stranger_stop(struct stranger *s)
{
    assert_int_equal(write(s->stop[1], "x", 1), 1);
    pthread_join(s->thread, NULL);
    s->heard[s->n] = '\0';
    close(s->master);
    close(s->keep);
    close(s->stop[0]);
    close(s->stop[1]);
}

static void one_who_answers(void **state)
{
    (void)state;
    struct stranger s = {.answer = "VIRTUAL,Load,V0001,1.0\r\n"};
    struct finding f;
    stranger_start(&s);
    identify(s.address, &f);
    stranger_stop(&s);
    assert_string_equal(f.identity, "VIRTUAL,Load,V0001,1.0");
    assert_int_equal(f.baud, 115200);
    assert_string_equal(f.problem, "");
    assert_string_equal(s.heard, "*IDN?\n");
}

static void one_who_is_silent(void **state)
{
    (void)state;
    struct stranger s = {0};
    struct finding f;
    stranger_start(&s);
    identify(s.address, &f);
    stranger_stop(&s);
    assert_string_equal(f.identity, "");
    assert_string_equal(f.problem, "");
    assert_string_equal(s.heard, "*IDN?\n*IDN?\n");
}

static void one_who_speaks_unasked(void **state)
{
    (void)state;
    struct stranger s = {.unasked = "T=21.5 C\r\nT=21", .answer = "VIRTUAL,Load,V0001,1.0\n"};
    struct finding f;
    stranger_start(&s);
    identify(s.address, &f);
    stranger_stop(&s);
    assert_null(strstr(f.identity, "T="));
    for (const char *line = s.heard; *line != '\0'; line += strlen("*IDN?\n")) {
        assert_int_equal(strncmp(line, "*IDN?\n", strlen("*IDN?\n")), 0);
    }
}

static void one_who_answers_with_rubbish(void **state)
{
    (void)state;
    struct stranger s = {.answer = "\x01\xff\x80~\n"};
    struct finding f;
    stranger_start(&s);
    identify(s.address, &f);
    stranger_stop(&s);
    assert_string_equal(f.identity, "");
    for (const char *line = s.heard; *line != '\0'; line += strlen("*IDN?\n")) {
        assert_int_equal(strncmp(line, "*IDN?\n", strlen("*IDN?\n")), 0);
    }
}

static void none_there(void **state)
{
    (void)state;
    struct finding f;
    identify("tty:/dev/pts/no-such", &f);
    assert_string_equal(f.identity, "");
    assert_non_null(strstr(f.problem, "no-such"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_who_answers),
        cmocka_unit_test(one_who_is_silent),
        cmocka_unit_test(one_who_speaks_unasked),
        cmocka_unit_test(one_who_answers_with_rubbish),
        cmocka_unit_test(none_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
