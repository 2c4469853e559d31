/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of two stands that share one instrument with two outputs: their threads
 * ask at the same time, and no answer goes to the wrong one; off does not wait for
 * the other's slow question; a lost link is lost for both. The instrument is a
 * thread behind a pseudo-terminal whose answers tell which output was asked. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "base/file.h"
#include "instrument/instrument.h"
#include "pty_peer.h"

#include <math.h>
#include <stdatomic.h>
#include <stdio.h>
#include <sys/eventfd.h>

#define TRANSACTIONS 1000

struct twin {
    double set_A[3], set_V[3];
    _Atomic bool on[3], flows; /* flows: whether on or not */
    int readings;
    _Atomic int slow_ms;    /* output 1 takes so long to be read */
    _Atomic int64_t off_ns; /* when output 2 was told off last */
    _Atomic int heard;
};

static void reply(struct pty_peer *p, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void reply(struct pty_peer *p, const char *format, ...)
{
    char text[128];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    peer_say_line(p, text);
}

static void obey(struct pty_peer *p, int n, const char *what)
{
    struct twin *t = p->context;
    if (strcmp(what, "MEASure:VOLTage?;:MEASure:CURRent?") == 0) {
        poll(NULL, 0, n == 1 ? atomic_load(&t->slow_ms) : 0);
        reply(p, "%d.5;%d.%04d", 10 * n, t->flows || t->on[n] ? n : 0,
              t->flows || t->on[n] ? ++t->readings % 10000 : 0);
    } else if (strcmp(what, "OUTPut?") == 0) {
        reply(p, "%d", t->on[n]);
    } else if (strcmp(what, "OUTPut ON") == 0) {
        t->on[n] = true;
    } else if (strcmp(what, "OUTPut OFF") == 0) {
        t->on[n] = false;
        if (n == 2) {
            atomic_store(&t->off_ns, clock_real_ns());
        }
    } else if (strcmp(what, "CURRent?") == 0) {
        reply(p, "%.4f", t->set_A[n]);
    } else if (strcmp(what, "VOLTage?") == 0) {
        reply(p, "%.4f", t->set_V[n]);
    } else if (sscanf(what, "CURRent %lf", &t->set_A[n]) != 1) {
        (void)!sscanf(what, "VOLTage %lf", &t->set_V[n]);
    }
}

static void hear(struct pty_peer *p, const char *line)
{
    struct twin *t = p->context;
    int n = 0, at = 0;
    atomic_fetch_add(&t->heard, 1);
    if (sscanf(line, "*ESE %d;*ESE?", &n) == 1) {
        reply(p, "%d", n);
    } else if (strcmp(line, "*IDN?") == 0) {
        reply(p, "REED BANK,TWIN,2,1.4");
    } else if (strcmp(line, "SYSTem:ERRor?") == 0) {
        reply(p, "0,\"No error\"");
    } else if (sscanf(line, "INSTrument:NSELect %d;:%n", &n, &at) == 1 && at > 0 && n >= 1 &&
               n <= 2) {
        obey(p, n, line + at);
    }
}

struct rig {
    struct twin twin;
    struct pty_peer peer;
    struct driver *driver[3];
    struct instrument *one[3]; /* by channel */
    struct err e;
};

static struct instrument *output(struct rig *r, int n)
{
    struct err e = {0};
    if (!driver_load_file(AMPLEDGER_SOURCE_DIR "/drivers/supply-two-output.yaml", &r->driver[n],
                          &e)) {
        fail_msg("%s", e.text);
    }
    driver_choose_channel(r->driver[n], n);
    r->driver[n]->scpi.pause_ms = 0;
    r->driver[n]->scpi.reply_timeout_ms = 5000; /* a busy machine is no fault of it */
    const struct instrument_config c = {.name = n == 1 ? "port side" : "starboard",
                                        .driver = r->driver[n],
                                        .link = r->peer.address,
                                        .settings = r->driver[n]->link,
                                        .identity = ""};
    return instrument_new(&c);
}

static void need(bool ok, const struct err *e)
{
    if (!ok) {
        fail_msg("%s", e->text);
    }
}

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    *state = r;
    if (!peer_start(&r->peer, hear, &r->twin)) {
        return -1;
    }
    for (int n = 1; n <= 2; n++) {
        r->one[n] = output(r, n);
        need(instrument_open(r->one[n], &r->e) && instrument_identify(r->one[n], &r->e), &r->e);
    }
    return 0;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    for (int n = 1; n <= 2; n++) {
        instrument_free(r->one[n]);
        driver_free(r->driver[n]);
    }
    peer_stop(&r->peer);
    free(r);
    return 0;
}

/* --- many at once --- */

struct asker {
    struct rig *r;
    int n, right, mixed_up, failed;
    char first[300];
};

static void count(struct asker *a, bool ok, bool right, const struct err *e)
{
    int *which = !ok ? &a->failed : right ? &a->right : &a->mixed_up;
    if (!ok && a->failed == 0) {
        text_format(a->first, sizeof a->first, "%s", e->text);
    }
    (*which)++;
}

static void *ask_and_set(void *arg)
{
    struct asker *a = arg;
    struct instrument *i = a->r->one[a->n];
    for (int k = 0; k < TRANSACTIONS; k++) {
        struct err e = {0};
        struct reading reading = {.voltage_V = NAN};
        bool ok = false;
        if (k % 3 == 0) { /* read back within; another's value would not agree */
            ok = instrument_set_current(i, a->n + k * 0.001, &e);
            count(a, ok, true, &e);
        } else {
            ok = instrument_read(i, &reading, &e);
            count(a, ok,
                  fabs(reading.voltage_V - (10 * a->n + 0.5)) < 1e-9 &&
                      floor(reading.current_A) == a->n,
                  &e);
        }
    }
    return NULL;
}

static void a_thousand_each_and_none_is_mixed_up(void **state)
{
    struct rig *r = *state;
    r->twin.flows = true;
    struct asker askers[2] = {{.r = r, .n = 1}, {.r = r, .n = 2}};
    pthread_t threads[2];
    for (int k = 0; k < 2; k++) {
        assert_int_equal(pthread_create(&threads[k], NULL, ask_and_set, &askers[k]), 0);
    }
    for (int k = 0; k < 2; k++) {
        pthread_join(threads[k], NULL);
        print_message("output %d: %d transactions right, %d mixed up, %d failed %s\n", k + 1,
                      askers[k].right, askers[k].mixed_up, askers[k].failed, askers[k].first);
    }
    for (int k = 0; k < 2; k++) {
        assert_int_equal(askers[k].mixed_up, 0);
        assert_int_equal(askers[k].failed, 0);
        assert_int_equal(askers[k].right, TRANSACTIONS);
    }
}

/* --- off first --- */

static void *read_slowly(void *arg)
{
    struct asker *a = arg;
    struct err e = {0};
    struct reading reading = {.voltage_V = NAN};
    bool ok = instrument_read(a->r->one[a->n], &reading, &e);
    count(a, ok, fabs(reading.voltage_V - (10 * a->n + 0.5)) < 1e-9, &e);
    return NULL;
}

static void wait_until_heard(struct rig *r, int more_than)
{
    for (int k = 0; k < 500 && atomic_load(&r->twin.heard) <= more_than; k++) {
        poll(NULL, 0, 10);
    }
}

/* The instrument hears lines while it still works on another; here it hears
 * them when it is done, so what is measured is when the bytes left. */
static void off_does_not_wait_for_a_slow_question(void **state)
{
    struct rig *r = *state;
    struct asker slow = {.r = r, .n = 1};
    pthread_t thread;
    need(instrument_on(r->one[2], &r->e), &r->e);
    atomic_store(&r->twin.slow_ms, 2000);
    int before = atomic_load(&r->twin.heard);
    assert_int_equal(pthread_create(&thread, NULL, read_slowly, &slow), 0);
    wait_until_heard(r, before);
    int64_t begun_ns = clock_real_ns();
    instrument_send_off(r->one[2]);
    int took_ms = (int)((clock_real_ns() - begun_ns) / NS_PER_MS);
    print_message("off past a question that takes 2000 ms: on the wire after %d ms\n", took_ms);
    assert_in_range(took_ms, 0, 1000);
    atomic_store(&r->twin.slow_ms, 0);
    pthread_join(thread, NULL);
    assert_int_equal(slow.mixed_up, 0);
    need(instrument_make_safe(r->one[2], 3, &r->e), &r->e);
    assert_false(r->twin.on[2]);
}

/* Off is confirmed by the output's own current, not the other's. */
static void a_current_that_flows_is_not_off(void **state)
{
    struct rig *r = *state;
    need(instrument_make_safe(r->one[1], 1, &r->e), &r->e);
    r->twin.flows = true;
    assert_false(instrument_make_safe(r->one[2], 1, &r->e));
    assert_non_null(strstr(r->e.text, "still flows"));
    assert_true(atomic_load(&r->twin.off_ns) != 0);
}

/* --- waiting --- */

static void waiting_for_a_turn_can_be_interrupted(void **state)
{
    struct rig *r = *state;
    struct asker slow = {.r = r, .n = 1};
    struct reading reading;
    pthread_t thread;
    int wake = eventfd(1, EFD_CLOEXEC);
    atomic_store(&r->twin.slow_ms, 800);
    int before = atomic_load(&r->twin.heard);
    assert_int_equal(pthread_create(&thread, NULL, read_slowly, &slow), 0);
    wait_until_heard(r, before);
    instrument_set_wake(r->one[2], wake);
    int64_t begun_ns = clock_real_ns();
    assert_false(instrument_read(r->one[2], &reading, &r->e));
    assert_int_equal(r->e.code, ERR_INTERRUPTED);
    assert_in_range((clock_real_ns() - begun_ns) / NS_PER_MS, 0, 600);
    pthread_join(thread, NULL);
    assert_int_equal(slow.right, 1); /* the one is not the other's to interrupt */
    close(wake);
}

/* --- opening and closing --- */

static void one_leaves_and_the_other_goes_on(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    instrument_close(r->one[1]);
    assert_false(instrument_is_open(r->one[1]));
    assert_true(instrument_is_open(r->one[2]));
    need(instrument_read(r->one[2], &reading, &r->e), &r->e);
    assert_false(instrument_read(r->one[1], &reading, &r->e));
    assert_int_equal(r->e.code, ERR_LINK_LOST);
    need(instrument_read(r->one[2], &reading, &r->e), &r->e);
    need(instrument_open(r->one[1], &r->e), &r->e);
    need(instrument_read(r->one[1], &reading, &r->e), &r->e);
}

static void a_lost_link_is_lost_for_both(void **state)
{
    (void)state;
    struct rig r = {0};
    struct reading reading;
    assert_true(peer_start(&r.peer, hear, &r.twin));
    for (int n = 1; n <= 2; n++) {
        r.one[n] = output(&r, n);
        need(instrument_open(r.one[n], &r.e), &r.e);
    }
    peer_stop(&r.peer);
    assert_false(instrument_read(r.one[1], &reading, &r.e));
    assert_int_equal(r.e.code, ERR_LINK_LOST);
    assert_false(instrument_is_open(r.one[1]));
    assert_false(instrument_is_open(r.one[2]));
    assert_false(instrument_read(r.one[2], &reading, &r.e));
    assert_int_equal(r.e.code, ERR_LINK_LOST);
    for (int n = 1; n <= 2; n++) {
        instrument_free(r.one[n]);
        driver_free(r.driver[n]);
    }
}

/* Each has a descriptor of its own to hand over, and its own bytes. */
static void both_can_be_handed_over(void **state)
{
    struct rig *r = *state;
    char bytes[200];
    size_t n = 0;
    int first = instrument_copy_fd(r->one[1]), second = instrument_copy_fd(r->one[2]);
    assert_true(first >= 0 && second >= 0 && first != second);
    need(instrument_off_bytes(r->one[2], bytes, sizeof bytes, &n, &r->e), &r->e);
    assert_string_equal(bytes, "\nINSTrument:NSELect 2;:OUTPut OFF\n");
    r->twin.on[1] = r->twin.on[2] = true;
    assert_int_equal(write(second, bytes, n), n);
    bool on = true;
    need(instrument_is_on(r->one[2], &on, &r->e), &r->e);
    assert_false(on);
    need(instrument_is_on(r->one[1], &on, &r->e), &r->e);
    assert_true(on);
    close(first);
    close(second);
}

#define rig_test(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        rig_test(a_thousand_each_and_none_is_mixed_up),
        rig_test(off_does_not_wait_for_a_slow_question),
        rig_test(a_current_that_flows_is_not_off),
        rig_test(waiting_for_a_turn_can_be_interrupted),
        rig_test(one_leaves_and_the_other_goes_on),
        cmocka_unit_test(a_lost_link_is_lost_for_both),
        rig_test(both_can_be_handed_over),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
