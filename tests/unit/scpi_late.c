/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the promise that a late answer is never taken for the answer to
 * another question, whichever way a session resynchronises. Each question gets
 * its own recognisable answer, so that a wrong attribution cannot hide. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "pty_peer.h"
#include "scpi/scpi_session.h"

#include <math.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/eventfd.h>

#define HELD_MOST 4096

struct instrument {
    _Atomic int delay_from_ms, delay_ms; /* each answer waits so long, in order */
    _Atomic bool holds;                  /* keeps its answers until let_go() */
    _Atomic bool coincidence;   /* before the next nonce comes an old reading that equals it */
    _Atomic bool cuts;          /* the next answer stops in its middle, without an end */
    _Atomic bool finishes_late; /* ... and its second half comes before the one after it */
    _Atomic int nonces;         /* *ESE lines heard */
    _Atomic int stuck;          /* hears nothing until this is 0 */
    char tail[64], held[HELD_MOST];
    pthread_mutex_t lock;
    unsigned seed;
};

struct rig {
    struct pty_peer peer;
    struct instrument instrument;
    struct link *link;
    struct scpi_options options;
    struct scpi_session *session;
    struct err e;
};

static void pause_ms(int ms)
{
    struct clock *real = clock_new_real();
    clock_wait_until(real, clock_now_ns(real) + ms * NS_PER_MS, -1);
    clock_free(real);
}

static void answer(struct pty_peer *p, const char *text)
{
    struct instrument *i = p->context;
    char line[160];
    int delay_ms = atomic_load(&i->delay_ms);
    if (delay_ms > 0) {
        int from_ms = atomic_load(&i->delay_from_ms);
        pause_ms(from_ms + rand_r(&i->seed) % (delay_ms - from_ms + 1));
    }
    if (atomic_exchange(&i->cuts, false)) {
        size_t half = strlen(text) / 2;
        snprintf(i->tail, sizeof i->tail, "%s\n", text + half);
        peer_say(p, text, half);
        return;
    }
    snprintf(line, sizeof line, "%s%s\n", i->tail[0] != '\0' && i->finishes_late ? i->tail : "",
             text);
    i->tail[0] = '\0';
    pthread_mutex_lock(&i->lock);
    if (atomic_load(&i->holds)) {
        snprintf(i->held + strlen(i->held), HELD_MOST - strlen(i->held), "%s", line);
    } else {
        peer_say(p, line, strlen(line));
    }
    pthread_mutex_unlock(&i->lock);
}

static void let_go(struct rig *r)
{
    struct instrument *i = &r->instrument;
    pthread_mutex_lock(&i->lock);
    peer_say(&r->peer, i->held, strlen(i->held));
    i->held[0] = '\0';
    atomic_store(&i->holds, false);
    pthread_mutex_unlock(&i->lock);
}

/* `N?` is answered with N. */
static void hear(struct pty_peer *p, const char *line)
{
    struct instrument *i = p->context;
    char text[512];
    int nonce = 0;
    while (atomic_load(&i->stuck) != 0) {
        pause_ms(5);
    }
    snprintf(text, sizeof text, "%s", line);
    if (sscanf(line, "*ESE %d;*ESE?", &nonce) == 1) {
        atomic_fetch_add(&i->nonces, 1);
        snprintf(text, sizeof text, "%d", nonce);
        if (atomic_exchange(&i->coincidence, false)) {
            peer_say_line(p, text);
            pause_ms(5);
        }
        answer(p, text);
    } else if (strcmp(line, "*IDN?") == 0) {
        answer(p, "LAKE,LOAD,0001,1.0");
    } else if (strlen(line) > 1 && line[strlen(line) - 1] == '?') {
        text[strlen(text) - 1] = '\0';
        answer(p, text);
    }
}

static bool rig_open(struct rig *r)
{
    struct link_settings s = link_settings_default();
    r->instrument.seed = 7;
    pthread_mutex_init(&r->instrument.lock, NULL);
    r->options = scpi_options_default();
    r->options.reply_timeout_ms = 60;
    r->options.late_ms = 1000;
    if (!peer_start(&r->peer, hear, &r->instrument) ||
        !link_open(r->peer.address, &s, &r->link, &r->e)) {
        return false;
    }
    r->session = scpi_session_new(r->link, &r->options);
    return true;
}

static void rig_close(struct rig *r)
{
    scpi_session_free(r->session);
    link_close(r->link);
    peer_stop(&r->peer);
    pthread_mutex_destroy(&r->instrument.lock);
}

static int set_up(void **state)
{
    *state = calloc(1, sizeof(struct rig));
    return rig_open(*state) ? 0 : -1;
}

static int tear_down(void **state)
{
    rig_close(*state);
    free(*state);
    return 0;
}

static void renew(struct rig *r, enum resync_how how, int late_ms)
{
    scpi_session_free(r->session);
    r->options.how = how;
    r->options.late_ms = late_ms;
    r->session = scpi_session_new(r->link, &r->options);
}

enum outcome { RIGHT, FAILED, WRONG };

static enum outcome try_asking(struct rig *r, int number)
{
    char line[24];
    double v = NAN;
    snprintf(line, sizeof line, "%d?", number);
    /* Now and then ahead, and then at times another question than follows. */
    if (number % 3 == 0) {
        const char *ahead = number % 2 == 0 ? line : "987654?";
        if (!scpi_ask(r->session, ahead, &r->e) ||
            (number % 4 == 0 && !scpi_ask(r->session, ahead, &r->e))) {
            return FAILED;
        }
    }
    if (!scpi_query_numbers(r->session, line, &v, 1, &r->e)) {
        return FAILED;
    }
    return v == number ? RIGHT : WRONG;
}

/* False when the question failed; a wrong answer fails the test. */
static bool ask(struct rig *r, int number)
{
    enum outcome o = try_asking(r, number);
    if (o == WRONG) {
        fail_msg("question %d? got another's answer", number);
    }
    return o == RIGHT;
}

/* Patiently: a busy machine is no fault of the session. */
static void must_answer(struct rig *r, int number)
{
    int timeout_ms = r->options.reply_timeout_ms;
    r->options.reply_timeout_ms = 500;
    bool answered = ask(r, number);
    r->options.reply_timeout_ms = timeout_ms;
    if (!answered) {
        fail_msg("%d?: %s", number, r->e.text);
    }
    assert_false(scpi_is_suspect(r->session));
}

/* --- many, at random --- */

#define CROWD 100
#define QUESTIONS 100 /* each */

/* One of several instruments that are asked at the same time, to save time. */
struct one {
    pthread_t thread;
    enum resync_how how;
    int questions, timeout_ms, delay_from_ms, delay_ms, late_ms;
    unsigned seed;
    int count[3]; /* by outcome */
    bool opened;
};

static void *ask_many(void *arg)
{
    struct one *one = arg;
    struct rig r = {0};
    one->opened = rig_open(&r);
    if (!one->opened) {
        return NULL;
    }
    r.options.reply_timeout_ms = one->timeout_ms;
    r.instrument.seed = one->seed;
    atomic_store(&r.instrument.delay_from_ms, one->delay_from_ms);
    atomic_store(&r.instrument.delay_ms, one->delay_ms);
    renew(&r, one->how, one->late_ms);
    for (int n = 0; n < one->questions; n++) {
        /* Values around the nonces are asked for on purpose. */
        one->count[try_asking(&r, n % 256)]++;
    }
    rig_close(&r);
    return NULL;
}

/* Answers after 0.2 to 5 s where 2.5 s are allowed, so that half of them come too
 * late; shortened 125 or 25 times, as far as the way leaves the time-out longer than
 * its draining (50 ms) takes, so that answers also come after that. */
static void ten_thousand_late_answers(enum resync_how how, const char *name, int shortened)
{
    static struct one all[CROWD];
    int count[3] = {0};
    for (size_t i = 0; i < CROWD; i++) {
        all[i] = (struct one){.how = how,
                              .questions = QUESTIONS,
                              .timeout_ms = 2500 / shortened,
                              .delay_from_ms = 200 / shortened,
                              .delay_ms = 5000 / shortened,
                              .late_ms = 15000 / shortened + 700, /* a busy machine adds to it */
                              .seed = (unsigned)i + 1};
        assert_int_equal(pthread_create(&all[i].thread, NULL, ask_many, &all[i]), 0);
    }
    for (size_t i = 0; i < CROWD; i++) {
        pthread_join(all[i].thread, NULL);
        assert_true(all[i].opened);
        for (int o = 0; o < 3; o++) {
            count[o] += all[i].count[o];
        }
    }
    int questions = count[RIGHT] + count[FAILED] + count[WRONG];
    print_message("late answers, by %s: %d questions, delays 0.2 to 5 s shortened %d times: %d "
                  "right, %d failed, %d wrong\n",
                  name, questions, shortened, count[RIGHT], count[FAILED], count[WRONG]);
    assert_true(questions >= 10000);
    assert_int_equal(count[WRONG], 0);
    assert_true(count[RIGHT] > questions / 20 && count[FAILED] > questions / 20);
}

static void late_answers_are_never_misattributed_by_nonce(void **state)
{
    (void)state;
    ten_thousand_late_answers(RESYNC_NONCE, "nonce", 125);
}

static void late_answers_are_never_misattributed_by_identity(void **state)
{
    (void)state;
    ten_thousand_late_answers(RESYNC_IDENTITY, "identity", 25);
}

static void late_answers_are_never_misattributed_by_silence(void **state)
{
    (void)state;
    ten_thousand_late_answers(RESYNC_QUIET, "silence", 25);
}

/* --- the hard ones, one at a time --- */

static void a_reading_that_equals_the_nonce_does_not_fool(void **state)
{
    struct rig *r = *state;
    must_answer(r, 1);
    for (int i = 0; i < 5; i++) {
        atomic_store(&r->instrument.holds, true);
        assert_false(ask(r, 2));
        let_go(r);
        atomic_store(&r->instrument.coincidence, true);
        int before = atomic_load(&r->instrument.nonces);
        must_answer(r, 3);
        assert_true(atomic_load(&r->instrument.nonces) - before >=
                    4); /* the first pair was refused */
    }
}

static void *let_go_soon(void *arg)
{
    pause_ms(90); /* after the first silence was taken note of, within late_ms */
    let_go(arg);
    return NULL;
}

/* The answer comes while the session is already finding its way back. */
static void an_answer_amid_resynchronising_does_not_fool(void **state)
{
    struct rig *r = *state;
    static const struct {
        enum resync_how how;
        const char *question;
    } rows[] = {
        {RESYNC_NONCE, "2?"},    {RESYNC_IDENTITY, "2?"},    {RESYNC_QUIET, "2?"},
        {RESYNC_NONCE, "*IDN?"}, {RESYNC_IDENTITY, "*IDN?"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char reply[64];
        pthread_t thread;
        renew(r, rows[i].how, 700);
        must_answer(r, 1);
        atomic_store(&r->instrument.holds, true);
        assert_false(scpi_query(r->session, rows[i].question, reply, sizeof reply, &r->e));
        assert_int_equal(r->e.code, ERR_TIMEOUT);
        assert_true(scpi_is_suspect(r->session));
        assert_int_equal(pthread_create(&thread, NULL, let_go_soon, r), 0);
        must_answer(r, 4);
        must_answer(r, 5);
        pthread_join(thread, NULL);
    }
}

/* What a new session finds: the one before it left questions unanswered. */
static void the_last_sessions_answers_do_not_fool(void **state)
{
    struct rig *r = *state;
    static const enum resync_how ways[] = {RESYNC_NONCE, RESYNC_IDENTITY, RESYNC_QUIET};
    static const char *const questions[] = {"2?", "*IDN?"};
    for (size_t i = 0; i < 6; i++) {
        char reply[64];
        pthread_t thread;
        renew(r, ways[i / 2], 700);
        must_answer(r, 1);
        atomic_store(&r->instrument.holds, true);
        assert_false(scpi_query(r->session, questions[i % 2], reply, sizeof reply, &r->e));
        renew(r, ways[i / 2], 700);
        assert_int_equal(pthread_create(&thread, NULL, let_go_soon, r), 0);
        must_answer(r, 3);
        must_answer(r, 4);
        pthread_join(thread, NULL);
    }
}

struct wake_soon {
    int fd, ms;
};

static void *wake_soon(void *arg)
{
    const struct wake_soon *w = arg;
    pause_ms(w->ms);
    eventfd_write(w->fd, 1);
    return NULL;
}

/* The identity that an interrupted resynchronisation had asked for comes later. */
static void an_interrupted_resynchronising_does_not_fool(void **state)
{
    struct rig *r = *state;
    struct wake_soon wake = {.fd = eventfd(0, EFD_CLOEXEC), .ms = 150};
    pthread_t waker, releaser;
    renew(r, RESYNC_IDENTITY, 900);
    must_answer(r, 1);
    atomic_store(&r->instrument.holds, true);
    assert_false(ask(r, 2));
    link_set_wake(r->link, wake.fd);
    assert_int_equal(pthread_create(&waker, NULL, wake_soon, &wake), 0);
    assert_false(ask(r, 3)); /* silence, then *IDN?, then the wake-up */
    assert_int_equal(r->e.code, ERR_INTERRUPTED);
    pthread_join(waker, NULL);
    link_set_wake(r->link, -1);
    assert_int_equal(pthread_create(&releaser, NULL, let_go_soon, r), 0);
    must_answer(r, 4);
    must_answer(r, 5);
    pthread_join(releaser, NULL);
    close(wake.fd);
}

/* The nonces of resynchronisations that failed are answered all at once, later. */
static void answers_to_old_nonces_do_not_fool(void **state)
{
    struct rig *r = *state;
    renew(r, RESYNC_NONCE, 100);
    must_answer(r, 1);
    atomic_store(&r->instrument.holds, true);
    for (int n = 2; n < 6; n++) {
        assert_false(ask(r, n));
        assert_int_equal(r->e.code, ERR_TIMEOUT);
    }
    let_go(r);
    must_answer(r, 7);
    must_answer(r, 8);
}

static void an_answer_cut_off_does_not_fool(void **state)
{
    struct rig *r = *state;
    static const enum resync_how ways[] = {RESYNC_NONCE, RESYNC_IDENTITY, RESYNC_QUIET};
    for (size_t i = 0; i < 6; i++) {
        renew(r, ways[i / 2], 500);
        must_answer(r, 1234);
        atomic_store(&r->instrument.finishes_late, i % 2 == 0);
        atomic_store(&r->instrument.cuts, true);
        assert_false(ask(r, 5678));
        for (int n = 0; n < 10 && !ask(r, 4321); n++) {
            assert_true(scpi_is_suspect(r->session)); /* refused, not wrong */
        }
        must_answer(r, 8765);
    }
}

static void an_interrupted_question_leaves_suspicion(void **state)
{
    struct rig *r = *state;
    int wake = eventfd(1, EFD_CLOEXEC);
    static const enum resync_how ways[] = {RESYNC_NONCE, RESYNC_IDENTITY, RESYNC_QUIET};
    for (size_t i = 0; i < 3; i++) {
        renew(r, ways[i], 150);
        must_answer(r, 1);
        link_set_wake(r->link, wake);
        assert_false(ask(r, 2));
        assert_int_equal(r->e.code, ERR_INTERRUPTED);
        assert_true(scpi_is_suspect(r->session));
        assert_false(ask(r, 3)); /* and so is resynchronising */
        assert_int_equal(r->e.code, ERR_INTERRUPTED);
        assert_true(scpi_send(r->session, "INP OFF", &r->e)); /* but not switching off */
        link_set_wake(r->link, -1);
        must_answer(r, 4);
    }
    close(wake);
}

static void unasked_bytes_are_noticed(void **state)
{
    struct rig *r = *state;
    must_answer(r, 1);
    peer_say_line(&r->peer, "77");
    must_answer(r, 2);                                /* not 77 */
    assert_true(scpi_send(r->session, "66?", &r->e)); /* a question sent as a command */
    assert_true(scpi_is_suspect(r->session));
    must_answer(r, 3);
}

static void resynchronising_ends_in_time(void **state)
{
    struct rig *r = *state;
    static const enum resync_how ways[] = {RESYNC_NONCE, RESYNC_IDENTITY};
    for (size_t i = 0; i < 2; i++) {
        renew(r, ways[i], 200);
        atomic_store(&r->instrument.holds, true);
        int64_t before = clock_real_ns();
        assert_false(ask(r, 1));
        assert_int_equal(r->e.code, ERR_TIMEOUT);
        assert_non_null(strstr(r->e.text, "it does not answer"));
        int64_t took_ms = (clock_real_ns() - before) / NS_PER_MS;
        assert_in_range(took_ms, 200, 200 + 2 * 60 + 200 + 1000); /* the last: a busy machine */
        let_go(r);
    }
}

/* The instrument stops hearing while a line is written: the next line must not
 * become the end of the broken one. */
static void half_a_line_is_ended(void **state)
{
    struct rig *r = *state;
    char filler[400];
    memset(filler, 'x', sizeof filler - 1);
    filler[sizeof filler - 1] = '\0';
    must_answer(r, 1);
    atomic_store(&r->instrument.stuck, 1);
    bool sent = true;
    for (int n = 0; n < 1000 && sent; n++) {
        sent = scpi_send(r->session, filler, &r->e);
    }
    assert_false(sent);
    assert_int_equal(r->e.code, ERR_TIMEOUT);
    assert_true(scpi_is_suspect(r->session));
    atomic_store(&r->instrument.stuck, 0);
    pause_ms(100);
    must_answer(r, 2); /* at the first try: the nonce was not swallowed */
}

static void unplugging_is_told(void **state)
{
    struct rig *r = *state;
    struct pty_peer other;
    struct link_settings settings = link_settings_default();
    assert_true(peer_start(&other, hear, &r->instrument));
    link_close(r->link);
    assert_true(link_open(other.address, &settings, &r->link, &r->e));
    renew(r, RESYNC_NONCE, 1000); /* the session borrows the link */
    must_answer(r, 1);
    peer_stop(&other);
    assert_false(ask(r, 2));
    assert_int_equal(r->e.code, ERR_LINK_LOST);
    assert_false(ask(r, 3));
    assert_int_equal(r->e.code, ERR_LINK_LOST);
}

#define late_test(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(late_answers_are_never_misattributed_by_nonce),
        cmocka_unit_test(late_answers_are_never_misattributed_by_identity),
        cmocka_unit_test(late_answers_are_never_misattributed_by_silence),
        late_test(a_reading_that_equals_the_nonce_does_not_fool),
        late_test(an_answer_amid_resynchronising_does_not_fool),
        late_test(the_last_sessions_answers_do_not_fool),
        late_test(an_interrupted_resynchronising_does_not_fool),
        late_test(answers_to_old_nonces_do_not_fool),
        late_test(an_answer_cut_off_does_not_fool),
        late_test(an_interrupted_question_leaves_suspicion),
        late_test(unasked_bytes_are_noticed),
        late_test(resynchronising_ends_in_time),
        late_test(half_a_line_is_ended),
        late_test(unplugging_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
