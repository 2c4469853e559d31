/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of scpi/scpi_session against a peer behind a pseudo-terminal that
 * misbehaves in every way an instrument can. Each question gets its own
 * recognisable answer, so that a wrong attribution cannot hide. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "pty_peer.h"
#include "scpi/scpi_session.h"

#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum habit {
    GOOD,
    SILENT,
    GARBAGE,
    NULS,
    TRUNCATED,
    DOUBLED,
    ECHOES,
    CRLF,
    FLOOD,
    NOT_A_NUMBER,
    OUT_OF_RANGE,
    REFUSES, /* an entry in the error queue for each setting */
    OTHER    /* another identity */
};

struct instrument {
    _Atomic int habit;
    _Atomic int questions; /* `N?` that it heard */
    int ese;
    int errors;
};

static void answer(struct pty_peer *p, const char *text)
{
    struct instrument *i = p->context;
    char line[256];
    switch ((enum habit)atomic_load(&i->habit)) {
    case SILENT:
        return;
    case GARBAGE:
        peer_say(p, "\xf0\x81 z#!\n", 8);
        return;
    case NULS:
        peer_say(p,
                 "1\0"
                 "2\n",
                 4);
        return;
    case TRUNCATED:
        peer_say(p, text, strlen(text) / 2);
        return;
    case DOUBLED:
        snprintf(line, sizeof line, "%s\n%s", text, text); /* in one write: both are there */
        peer_say_line(p, line);
        return;
    case CRLF:
        snprintf(line, sizeof line, "%s\r", text);
        peer_say_line(p, line);
        return;
    case FLOOD:
        for (int k = 0; k < 4096; k++) {
            peer_say(p, "0123456789abcdef", 16);
        }
        return;
    case NOT_A_NUMBER:
        peer_say_line(p, strchr(text, ',') ? text : "9.91E37");
        return;
    case OUT_OF_RANGE:
        peer_say_line(p, strchr(text, ',') ? text : "9.9E37");
        return;
    case GOOD:
    case ECHOES:
    case REFUSES:
    case OTHER:
        break;
    }
    peer_say_line(p, text);
}

/* `N?` is answered with N and `N;M?` with N;M: a value says which question it is for. */
static void hear(struct pty_peer *p, const char *heard)
{
    struct instrument *i = p->context;
    char line[256], number[16];
    snprintf(line, sizeof line, "%s", heard);
    if (atomic_load(&i->habit) == ECHOES) {
        peer_say_line(p, line);
    }
    if (strncmp(line, "*ESE ", 5) == 0) {
        i->ese = (int)strtol(line + 5, NULL, 10);
        if (strstr(line, "*ESE?") != NULL) {
            snprintf(number, sizeof number, "%d", i->ese);
            answer(p, number);
        }
    } else if (strcmp(line, "*IDN?") == 0) {
        answer(p, atomic_load(&i->habit) == OTHER ? "INVENTED,Kettle,1,1" : "INVENTED,Load,1,1");
    } else if (strcmp(line, "SYSTem:ERRor?") == 0) {
        answer(p, i->errors > 0 ? "-222,\"Data out of range\"" : "0,\"No error\"");
        i->errors -= i->errors > 0;
    } else if (line[0] != '\0' && line[strlen(line) - 1] == '?') {
        line[strlen(line) - 1] = '\0';
        atomic_fetch_add(&i->questions, 1);
        answer(p, line);
    } else if (atomic_load(&i->habit) == REFUSES) {
        i->errors += 2;
    }
}

struct fixture {
    struct pty_peer peer;
    struct instrument instrument;
    struct link *link;
    struct scpi_options options;
    struct scpi_session *session;
};

static int set_up(void **state)
{
    struct fixture *f = calloc(1, sizeof *f);
    struct link_settings s = link_settings_default();
    struct err e;
    *state = f;
    f->options = scpi_options_default();
    f->options.reply_timeout_ms = 300; /* a busy machine is no fault of the session */
    f->options.late_ms = 3000;
    if (!peer_start(&f->peer, hear, &f->instrument) ||
        !link_open(f->peer.address, &s, &f->link, &e)) {
        return -1;
    }
    f->session = scpi_session_new(f->link, &f->options);
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *f = *state;
    scpi_session_free(f->session);
    link_close(f->link);
    peer_stop(&f->peer);
    free(f);
    return 0;
}

static void set_habit(struct fixture *f, enum habit h)
{
    atomic_store(&f->instrument.habit, h);
}

static void works_well(struct fixture *f)
{
    double v[2];
    struct err e = {0};
    if (!scpi_query_numbers(f->session, "7.25;-3?", v, 2, &e)) {
        fail_msg("%s", e.text);
    }
    assert_true(v[0] == 7.25 && v[1] == -3);
    assert_false(scpi_is_suspect(f->session));
}

static void a_good_instrument(void **state)
{
    struct fixture *f = *state;
    char reply[64];
    struct err e = {0};
    assert_true(scpi_is_suspect(f->session)); /* who knows what it was asked before */
    works_well(f);
    assert_true(scpi_query(f->session, "*IDN?", reply, sizeof reply, &e));
    assert_string_equal(reply, "INVENTED,Load,1,1");
    assert_true(scpi_command(f->session, "CURR 1", &e));
    set_habit(f, CRLF);
    works_well(f);
}

/* The answer to a question asked ahead is taken by the query of that line, and by no other. */
static void questions_can_be_asked_ahead(void **state)
{
    struct fixture *f = *state;
    double v[2];
    struct err e = {0};
    works_well(f);
    assert_true(scpi_ask(f->session, "1;2?", NULL));
    usleep(50000); /* it is there */
    assert_true(scpi_is_suspect(f->session));
    assert_true(scpi_query_numbers(f->session, "1;2?", v, 2, &e));
    assert_true(v[0] == 1 && v[1] == 2);
    assert_false(scpi_is_suspect(f->session));
    assert_int_equal(atomic_load(&f->instrument.questions), 2);

    assert_true(scpi_ask(f->session, "3;4?", NULL));
    works_well(f);
    assert_true(scpi_ask(f->session, "7.25;-3?", NULL));
    assert_true(scpi_command(f->session, "CURR 1", &e));
    works_well(f);
    assert_true(scpi_ask(f->session, "1;2?", NULL));
    scpi_distrust(f->session);
    works_well(f);
    assert_true(scpi_ask(f->session, "1;2?", NULL));
    usleep(50000);
    assert_true(scpi_send(f->session, "CURR 2", &e));
    assert_true(scpi_query_numbers(f->session, "1;2?", v, 2, &e));
    works_well(f);
}

/* It may be as old as it likes: who asks again, or asks no more, gets a new one. */
static void an_answer_left_behind_is_not_taken(void **state)
{
    struct fixture *f = *state;
    double v[2];
    works_well(f);
    for (int again = 0; again < 2; again++) {
        int before = atomic_load(&f->instrument.questions);
        assert_true(scpi_ask(f->session, "1;2?", NULL));
        usleep(50000);
        if (again != 0) {
            assert_true(scpi_ask(f->session, "1;2?", NULL));
        } else {
            scpi_unask(f->session);
        }
        assert_true(scpi_query_numbers(f->session, "1;2?", v, 2, NULL));
        assert_true(atomic_load(&f->instrument.questions) >= before + 2);
        assert_false(scpi_is_suspect(f->session));
    }
}

/* Nothing is asked ahead where it could not be made up for at once. */
static void a_suspect_session_asks_nothing_ahead(void **state)
{
    struct fixture *f = *state;
    assert_true(scpi_ask(f->session, "1;2?", NULL));
    works_well(f);
    assert_int_equal(atomic_load(&f->instrument.questions), 1);
    f->options.how = RESYNC_QUIET;
    assert_true(scpi_ask(f->session, "1;2?", NULL));
    assert_false(scpi_is_suspect(f->session));
    works_well(f);
    assert_int_equal(atomic_load(&f->instrument.questions), 2);
}

/* Each fault fails the query it meets, leaves suspicion, and is over when the
 * instrument is good again. */
static void every_fault_fails_and_heals(void **state)
{
    struct fixture *f = *state;
    const struct {
        enum habit habit;
        enum err_code code;
    } rows[] = {
        {SILENT, ERR_TIMEOUT},    {GARBAGE, ERR_BAD_REPLY}, {NULS, ERR_BAD_REPLY},
        {TRUNCATED, ERR_TIMEOUT}, {FLOOD, ERR_BAD_REPLY},   {ECHOES, ERR_BAD_REPLY},
    };
    f->options.late_ms = 150;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        double v[2];
        struct err e = {0};
        set_habit(f, GOOD);
        works_well(f);
        set_habit(f, rows[i].habit);
        assert_false(scpi_query_numbers(f->session, "1;2?", v, 2, &e));
        if (e.code != rows[i].code) {
            fail_msg("habit %d: code %d: %s", (int)rows[i].habit, (int)e.code, e.text);
        }
        assert_true(scpi_is_suspect(f->session));
        assert_false(scpi_query_numbers(f->session, "3;4?", v, 2, &e)); /* cannot resynchronise */
        set_habit(f, GOOD);
        f->options.late_ms = 3000;
        works_well(f);
        f->options.late_ms = 150;
    }
}

static void doubled_answers_are_noticed(void **state)
{
    struct fixture *f = *state;
    double v = 0;
    struct err e = {0};
    works_well(f);
    set_habit(f, DOUBLED);
    assert_false(scpi_query_numbers(f->session, "5?", &v, 1, &e));
    assert_int_equal(e.code, ERR_BAD_REPLY);
    assert_true(scpi_is_suspect(f->session));
    set_habit(f, GOOD);
    assert_true(scpi_query_numbers(f->session, "6?", &v, 1, &e)); /* not 5 again */
    assert_true(v == 6);
}

static void no_number_is_said_and_trusted(void **state)
{
    struct fixture *f = *state;
    double v = 0;
    struct err e = {0};
    works_well(f);
    set_habit(f, NOT_A_NUMBER);
    assert_false(scpi_query_numbers(f->session, "5?", &v, 1, &e));
    assert_non_null(strstr(e.text, "not-a-number"));
    assert_false(scpi_is_suspect(f->session));
    set_habit(f, OUT_OF_RANGE);
    assert_false(scpi_query_numbers(f->session, "5?", &v, 1, &e));
    assert_non_null(strstr(e.text, "out of its range"));
    set_habit(f, GOOD);
    assert_false(scpi_query_numbers(f->session, "1;2?", &v, 1, &e)); /* two where one is due */
    assert_int_equal(e.code, ERR_BAD_REPLY);
    assert_true(scpi_is_suspect(f->session));
}

static void refused_commands_show_the_queue(void **state)
{
    struct fixture *f = *state;
    struct err e = {0};
    set_habit(f, REFUSES);
    assert_false(scpi_command(f->session, "CURR 99", &e));
    assert_int_equal(e.code, ERR_INSTRUMENT);
    assert_non_null(strstr(e.text, "CURR 99"));
    assert_non_null(strstr(e.text, "-222 \"Data out of range\", -222"));
    assert_true(scpi_send(f->session, "CURR 99", &e));
    assert_true(scpi_drain_errors(f->session, &e));
    set_habit(f, GOOD);
    assert_true(scpi_command(f->session, "CURR 1", &e));
}

/* With every way of resynchronising, from the start and after a fault. */
static void echo_can_be_expected(void **state)
{
    struct fixture *f = *state;
    static const enum resync_how ways[] = {RESYNC_NONCE, RESYNC_IDENTITY, RESYNC_QUIET};
    char reply[64];
    struct err e = {0};
    f->options.echo = true;
    f->options.late_ms = 150;
    for (size_t i = 0; i < sizeof ways / sizeof ways[0]; i++) {
        f->options.how = ways[i];
        scpi_session_free(f->session);
        f->session = scpi_session_new(f->link, &f->options);
        set_habit(f, ECHOES);
        works_well(f);
        assert_true(scpi_command(f->session, "CURR 1", &e));
        assert_true(scpi_send(f->session, "CURR 2", &e));
        assert_false(scpi_is_suspect(f->session)); /* the echo was read and is right */
        works_well(f);
        set_habit(f, SILENT); /* answers nothing, and echoes no more */
        assert_false(scpi_query(f->session, "1?", reply, sizeof reply, &e));
        assert_int_equal(e.code, ERR_TIMEOUT);
        assert_true(scpi_send(f->session, "INP OFF", &e)); /* out, whatever comes back */
        set_habit(f, ECHOES);
        works_well(f);
        set_habit(f, GOOD); /* the echo was switched off at the front panel */
        assert_false(scpi_command(f->session, "CURR 1", &e));
        assert_true(scpi_is_suspect(f->session));
    }
}

static void identity_resynchronises_too(void **state)
{
    struct fixture *f = *state;
    char reply[64];
    struct err e = {0};
    f->options.how = RESYNC_IDENTITY;
    assert_true(scpi_query(f->session, "*IDN?", reply, sizeof reply, &e));
    set_habit(f, SILENT);
    assert_false(scpi_query(f->session, "1?", reply, sizeof reply, &e));
    set_habit(f, OTHER); /* another instrument was plugged in */
    assert_false(scpi_query(f->session, "1?", reply, sizeof reply, &e));
    set_habit(f, GOOD);
    works_well(f);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_good_instrument, set_up, tear_down),
        cmocka_unit_test_setup_teardown(questions_can_be_asked_ahead, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_answer_left_behind_is_not_taken, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_suspect_session_asks_nothing_ahead, set_up, tear_down),
        cmocka_unit_test_setup_teardown(every_fault_fails_and_heals, set_up, tear_down),
        cmocka_unit_test_setup_teardown(doubled_answers_are_noticed, set_up, tear_down),
        cmocka_unit_test_setup_teardown(no_number_is_said_and_trusted, set_up, tear_down),
        cmocka_unit_test_setup_teardown(refused_commands_show_the_queue, set_up, tear_down),
        cmocka_unit_test_setup_teardown(echo_can_be_expected, set_up, tear_down),
        cmocka_unit_test_setup_teardown(identity_resynchronises_too, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
