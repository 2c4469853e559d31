/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of many at once: four stands record, two readers follow, a person works
 * in the register and takes a copy. To be run under the thread sanitizer too. */
#include "store_fixture.h"

#include <pthread.h>
#include <stdatomic.h>
#include <sys/wait.h>

#define STANDS 4
#define SAMPLES 6000

static void pause_ms(int ms)
{
    struct clock *c = clock_new_real();
    clock_wait_until(c, clock_now_ns(c) + ms * NS_PER_MS, -1);
    clock_free(c);
}

struct stand {
    struct store *s;
    int number;
    int64_t nr;
    int64_t longest_ns;
    char failure[300];
};

/* cmocka's asserts belong to the main thread; the others report. */
static void *record_a_run(void *arg)
{
    struct stand *me = arg;
    struct store *s = me->s;
    struct err e = {0};
    struct battery b = launch("");
    snprintf(b.label, sizeof b.label, "launch-%d", me->number);
    bool fine = store_battery_add(s, &b, &e);
    struct run_begin r = run_of(&b);
    snprintf(r.stand, sizeof r.stand, "jetty-%d", me->number);
    fine = fine && store_run_begin(s, &r, &me->nr, &e);
    for (int i = 0; i < SAMPLES && fine; i++) {
        const struct step_begin step = {i / 1000, 0, 1 + i / 1000, "step", "discharge", i};
        if (i % 1000 == 0)
            fine = store_put_step_begin(s, me->nr, &step);
        struct sample x = sample_number(i);
        int64_t before = clock_real_ns();
        fine = fine && store_put_sample(s, me->nr, i / 1000, &x);
        int64_t took = clock_real_ns() - before;
        me->longest_ns = took > me->longest_ns ? took : me->longest_ns;
        if (i % 1000 == 999)
            fine = fine && store_put_step_end(s, me->nr, i / 1000, i, "time") &&
                   store_put_event(s, me->nr, i, i, "step-ended", "time");
        if (i % 20 == 19)
            pause_ms(1);
    }
    struct run_trip trip = {.reason = "stopped", .sentence = "by hand", .limit = (double)NAN};
    fine = fine && store_latch_set(s, r.stand, me->nr, &trip, &e) &&
           store_run_end(s, me->nr, RUN_TRIPPED, FIXTURE_UTC_NS + 1, &trip, "{}", &e);
    if (!fine)
        snprintf(me->failure, sizeof me->failure, "stand %d: %.200s", me->number, e.text);
    return NULL;
}

struct follower {
    const char *path;
    atomic_bool *stop;
    int64_t seen, rounds;
    char failure[300];
};

struct order {
    int64_t n;
    bool right;
};

static bool check_order(void *context, int step, const struct sample *sample)
{
    struct order *o = context;
    o->right = o->right && sample->t_s == sample_number((int)o->n).t_s && step == o->n / 1000;
    o->n++;
    return true;
}

/* What was seen once is seen again, in order, without gaps, never less of it. */
static void *follow(void *arg)
{
    struct follower *me = arg;
    struct reader *r = NULL;
    struct err e = {0};
    int64_t before[STANDS + 1] = {0};
    bool fine = reader_open(me->path, &r, &e);
    while (fine && !atomic_load(me->stop)) {
        struct run_row *rows = NULL;
        size_t n = 0;
        fine = reader_runs(r, NULL, 0, &rows, &n, &e);
        for (size_t i = 0; fine && i < n && rows[i].nr <= STANDS; i++) {
            struct order o = {.right = true};
            char which[24];
            struct run_row row;
            snprintf(which, sizeof which, "%lld", (long long)rows[i].nr);
            fine = reader_run(r, which, &row, &e) &&
                   reader_samples(r, rows[i].nr, -1, check_order, &o, &e);
            if (!fine)
                break;
            if (!o.right || o.n < row.sample_count || o.n < before[rows[i].nr])
                fine = err_set(&e, ERR_BUG, "run %s: %lld samples, out of order or fewer", which,
                               (long long)o.n);
            before[rows[i].nr] = o.n;
            run_row_free(&row);
        }
        free(rows);
        me->rounds++;
    }
    for (int i = 1; i <= STANDS; i++)
        me->seen += before[i];
    reader_close(r);
    if (!fine)
        snprintf(me->failure, sizeof me->failure, "%.250s", e.text);
    return NULL;
}

static void many_at_once(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    atomic_bool stop = false;
    struct stand stands[STANDS];
    struct follower followers[2];
    pthread_t threads[STANDS + 2];
    for (int i = 0; i < 2; i++) {
        followers[i] = (struct follower){.path = f->path, .stop = &stop};
        assert_int_equal(pthread_create(&threads[STANDS + i], NULL, follow, &followers[i]), 0);
    }
    for (int i = 0; i < STANDS; i++) {
        stands[i] = (struct stand){.s = s, .number = i};
        assert_int_equal(pthread_create(&threads[i], NULL, record_a_run, &stands[i]), 0);
    }
    /* Meanwhile, a person. */
    for (int i = 0; i < 10; i++) {
        struct battery b = launch(""), *list = NULL;
        struct run_trip trip;
        bool found = false;
        size_t n = 0;
        snprintf(b.label, sizeof b.label, "hand-lamp-%d", i);
        ok(store_battery_add(s, &b, &e));
        ok(store_battery_list(s, &list, &n, &e));
        assert_true(n > (size_t)i);
        free(list);
        ok(store_latch_get(s, "jetty-1", &found, &trip, &e));
        ok(store_flush(s, 5000, &e));
    }
    char copy[700];
    struct reader *r = NULL;
    snprintf(copy, sizeof copy, "%s/copy.db", f->folder);
    ok(reader_open(f->path, &r, &e));
    ok(reader_backup(r, copy, &e));
    reader_close(r);
    check_integrity(copy);
    int64_t longest_ns = 0;
    for (int i = 0; i < STANDS; i++) {
        pthread_join(threads[i], NULL);
        if (stands[i].failure[0])
            fail_msg("%s", stands[i].failure);
        longest_ns = stands[i].longest_ns > longest_ns ? stands[i].longest_ns : longest_ns;
    }
    pause_ms(200);
    atomic_store(&stop, true);
    for (int i = 0; i < 2; i++) {
        pthread_join(threads[STANDS + i], NULL);
        if (followers[i].failure[0])
            fail_msg("%s", followers[i].failure);
        assert_true(followers[i].rounds > 0 && followers[i].seen > 0);
    }
    store_close(s);
    check_integrity(f->path);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), STANDS * SAMPLES);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM step WHERE end_reason = 'time'"),
                     STANDS * SAMPLES / 1000);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM latch WHERE cleared_utc_ns IS NULL"),
                     STANDS);
    print_message("slowest hand-over %.2f ms; readers went round %lld and %lld times\n",
                  (double)longest_ns / 1e6, (long long)followers[0].rounds,
                  (long long)followers[1].rounds);
}

/* A command line that looks into the ledger of a daemon at work. */
static void another_process_sees_what_is_committed(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    int go[2];
    assert_int_equal(pipe(go), 0);
    pid_t child = fork(); /* before SQLite is used: it must not cross a fork */
    assert_true(child >= 0);
    if (child == 0) {
        struct reader *r = NULL;
        struct order o = {.right = true};
        struct run_row row;
        char byte;
        bool fine = read(go[0], &byte, 1) == 1 && reader_open(f->path, &r, &e) &&
                    reader_run(r, "last", &row, &e) && row.sample_count == 500 &&
                    reader_samples(r, row.nr, -1, check_order, &o, &e) && o.n == 500 && o.right;
        _exit(fine ? 0 : 1);
    }
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    for (int i = 0; i < 500; i++) {
        struct sample x = sample_number(i);
        assert_true(store_put_sample(s, nr, 0, &x));
    }
    ok(store_flush(s, 5000, &e));
    assert_int_equal(write(go[1], "x", 1), 1);
    int status = 1;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 0);
    close(go[0]);
    close(go[1]);
    store_close(s);
}

#define yard(test) cmocka_unit_test_setup_teardown(test, fixture_setup, fixture_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(another_process_sees_what_is_committed),
        yard(many_at_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
