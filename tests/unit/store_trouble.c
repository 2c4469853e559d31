/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of a disk that is full, locked, slow or gone: handing over never
 * blocks, nothing queued is lost, waiting ends with a reason and a remedy. */
#include "store_fixture.h"

#include "store/handle.h"

#include <pthread.h>
#include <signal.h>
#include <sys/mount.h>
#include <sys/resource.h>

static int64_t ms_since(int64_t start_ns)
{
    return (clock_real_ns() - start_ns) / NS_PER_MS;
}

static void pause_ms(int ms)
{
    struct clock *c = clock_new_real();
    clock_wait_until(c, clock_now_ns(c) + ms * NS_PER_MS, -1);
    clock_free(c);
}

/* A stranger who holds the write lock of the database. */
static sqlite3 *lock_out(const char *path)
{
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, NULL), SQLITE_OK);
    sqlite3_busy_timeout(db, 3000);
    assert_int_equal(sqlite3_exec(db, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
    return db;
}

static void let_in(sqlite3 *db)
{
    assert_int_equal(sqlite3_exec(db, "ROLLBACK", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
}

static void locked_for_three_seconds_loses_nothing(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    sqlite3 *stranger = lock_out(f->path);
    int64_t start = clock_real_ns(), longest_ns = 0;
    int n = 0, slow = 0;
    while (ms_since(start) < 3000) {
        struct sample x = sample_number(n);
        int64_t before = clock_real_ns();
        assert_true(store_put_sample(s, nr, 0, &x));
        if (n % 100 == 0)
            assert_true(store_put_event(s, nr, n, x.t_s, "note", "still here"));
        int64_t took = clock_real_ns() - before;
        longest_ns = took > longest_ns ? took : longest_ns;
        slow += took > 50 * NS_PER_MS;
        n++;
        pause_ms(1);
    }
    ok(store_is_recording(s, &e)); /* late, but not hopelessly */
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), 0);
    let_in(stranger);
    ok(store_flush(s, 5000, &e));
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), n);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM event"), (n + 99) / 100);
    store_close(s);
    check_integrity(f->path);
    print_message("%d samples handed over, the slowest in %.2f ms\n", n, (double)longest_ns / 1e6);
    /* None waits for the lock. (A busy computer may take the processor away once
     * or twice, which is not ours to prevent.) */
    assert_true(slow <= 2 && longest_ns < NS_PER_S);
}

/* A call that waits gives up after 5 s, says why, and has changed nothing; what
 * it left behind is cleared away by the writer. */
static void waiting_ends_with_the_reason(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    struct battery b = launch("launch-a"), c = launch("launch-b");
    ok(store_battery_add(s, &b, &e));
    sqlite3 *stranger = lock_out(f->path);
    int64_t start = clock_real_ns();
    struct run_begin r = run_of(&b);
    int64_t nr = 0;
    assert_false(store_run_begin(s, &r, &nr, &e));
    assert_in_range(ms_since(start), 4900, 6000);
    assert_int_equal(e.code, ERR_STORE);
    assert_non_null(
        strstr(e.text, "cannot write the start of the run now: cannot write to the database"));
    assert_non_null(strstr(e.text, "another process keeps it locked"));
    assert_non_null(strstr(e.text, "close the other program"));
    start = clock_real_ns();
    assert_false(store_flush(s, 300, &e));
    assert_in_range(ms_since(start), 290, 900);
    assert_int_equal(e.code, ERR_STORE);
    /* Reading what is there goes on meanwhile. */
    struct battery back;
    ok(store_battery_find(s, "launch-a", &back, &e));
    let_in(stranger);
    ok(store_battery_add(s, &c, &e));
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM run"), 0);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM battery"), 2);
    store_close(s);
}

/* What must not be forgotten is written later, though nobody waits any more. */
static void the_end_of_a_run_and_its_trip_are_not_given_up(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    struct run_trip trip = {.reason = "cannot-record", .sentence = "The disk is full."};
    sqlite3 *stranger = lock_out(f->path);
    assert_false(store_latch_set(s, "jetty-1", nr, &trip, &e));
    assert_non_null(strstr(e.text, "cannot write the trip now; it is written as soon as that is "
                                   "possible: "));
    assert_non_null(strstr(e.text, "close the other program"));
    assert_false(store_run_end(s, nr, RUN_TRIPPED, FIXTURE_UTC_NS, &trip, "{}", &e));
    assert_int_equal(e.code, ERR_STORE);
    assert_false(store_latch_clear(s, "jetty-1", FIXTURE_UTC_NS, &e)); /* this one is given up */
    assert_null(strstr(e.text, "as soon as"));
    let_in(stranger);
    store_close(s); /* which waits for them */
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM latch WHERE cleared_utc_ns IS NULL"
                                      " AND reason = 'cannot-record'"),
                     1);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM run WHERE outcome = 'tripped'"), 1);
}

/* Callers with every kind of patience against a lock that comes and goes: each
 * learns the truth about its own change. */
struct impatient {
    struct store *s;
    int64_t nr;
    int seed, done;
};

static void *flush_often(void *arg)
{
    struct impatient *me = arg;
    for (int i = 0; i < 40; i++) {
        struct err e = {0};
        struct sample x = sample_number(i);
        if (!store_put_sample(me->s, me->nr, me->seed, &x))
            return NULL;
        if (store_flush(me->s, (i * 7 + me->seed * 13) % 60, &e))
            me->done++;
    }
    return NULL;
}

static void impatient_callers_leave_nothing_behind(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    struct impatient all[4];
    pthread_t threads[4];
    int64_t nr = begin_a_run(s);
    for (int i = 0; i < 4; i++) {
        all[i] = (struct impatient){.s = s, .nr = nr, .seed = i};
        assert_int_equal(pthread_create(&threads[i], NULL, flush_often, &all[i]), 0);
    }
    for (int i = 0; i < 5; i++) {
        sqlite3 *stranger = lock_out(f->path);
        pause_ms(70);
        let_in(stranger);
        pause_ms(30);
    }
    int done = 0;
    for (int i = 0; i < 4; i++) {
        pthread_join(threads[i], NULL);
        done += all[i].done;
    }
    assert_true(done > 0);
    ok(store_flush(s, 5000, &e));
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), 4 * 40);
    store_close(s);
    check_integrity(f->path);
}

/* The bound is kept by look of another process, not by our own word. */
static void samples_are_committed_within_two_seconds(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    int64_t handed_ns[600], worst_ns = 0;
    int64_t seen = 0;
    for (int i = 0; i < 600; i++) {
        struct sample x = sample_number(i);
        handed_ns[i] = clock_real_ns();
        assert_true(store_put_sample(s, nr, 0, &x));
        pause_ms(10);
        int64_t count = ask_int(f->path, "SELECT count(*) FROM sample");
        for (; seen < count; seen++) {
            int64_t waited = clock_real_ns() - handed_ns[seen];
            worst_ns = waited > worst_ns ? waited : worst_ns;
        }
    }
    assert_true(seen > 300); /* it was not all written at the end */
    assert_true(worst_ns < 2 * NS_PER_S);
    /* One that comes alone is not forgotten either. */
    ok(store_flush(s, 5000, &e));
    struct sample x = sample_number(600);
    int64_t start = clock_real_ns();
    assert_true(store_put_sample(s, nr, 0, &x));
    while (ask_int(f->path, "SELECT count(*) FROM sample") < 601 && ms_since(start) < 3000)
        pause_ms(10);
    assert_true(ms_since(start) < 2000);
    /* Steps and events do not wait. */
    start = clock_real_ns();
    assert_true(store_put_event(s, nr, 1, 60.0, "note", "now"));
    while (ask_int(f->path, "SELECT count(*) FROM event") < 1 && ms_since(start) < 3000)
        pause_ms(2);
    assert_true(ms_since(start) < 500);
    store_close(s);
}

static void a_full_queue_says_so_and_keeps_what_it_has(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    sqlite3 *stranger = lock_out(f->path);
    int accepted = 0;
    int64_t start = clock_real_ns();
    for (int i = 0; i < (int)STORE_QUEUE_ENTRIES + 10; i++) {
        struct sample x = sample_number(i);
        accepted += store_put_sample(s, nr, 0, &x);
    }
    assert_int_equal(accepted, STORE_QUEUE_ENTRIES);
    assert_false(store_put_event(s, nr, 1, 0, "note", "no room"));
    assert_true(ms_since(start) < 3000);
    let_in(stranger);
    ok(store_flush(s, 20000, &e));
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), STORE_QUEUE_ENTRIES);
    struct sample x = sample_number(0);
    assert_true(store_put_sample(s, nr, 0, &x)); /* and there is room again */
    store_close(s);
    check_integrity(f->path);
}

static void when_patience_ends_it_cannot_record(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    sqlite3 *stranger = lock_out(f->path);
    store_set_patience(s, 7);
    int64_t start = clock_real_ns();
    struct sample x = sample_number(0);
    int n = 0;
    while (store_put_sample(s, nr, 0, &x) && ms_since(start) < 20000) {
        n++;
        pause_ms(50);
    }
    assert_in_range(ms_since(start), 6900, 8500);
    assert_false(store_is_recording(s, &e));
    assert_non_null(strstr(e.text, "nothing could be recorded for 7 s"));
    assert_non_null(strstr(e.text, "another process keeps it locked"));
    /* What ends the run still goes in. */
    assert_true(store_put_event(s, nr, 1, 10.0, "trip", "cannot record"));
    let_in(stranger);
    ok(store_flush(s, 5000, &e));
    assert_true(store_put_sample(s, nr, 0, &x));
    ok(store_is_recording(s, &e));
    store_close(s);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), n + 2);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM event"), 1);
}

/* Longer than what is hopeless is given, with the patience that a store opens with. */
static void a_lock_is_waited_for_and_told(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    assert_false(store_is_late(s, &e));
    sqlite3 *stranger = lock_out(f->path);
    int64_t start = clock_real_ns(), told_ms = 0;
    struct sample x = sample_number(0);
    int n = 0;
    for (; ms_since(start) < STORE_HOPELESS_MS + 4000; n++) {
        assert_true(store_put_sample(s, nr, 0, &x));
        if (told_ms == 0 && store_is_late(s, &e))
            told_ms = ms_since(start);
        pause_ms(50);
    }
    assert_in_range(told_ms, 5000, 6500);
    assert_true(store_is_late(s, &e));
    assert_non_null(strstr(e.text, "records wait in memory since 14 s: "));
    assert_non_null(strstr(e.text, "another process keeps it locked"));
    ok(store_is_recording(s, &e));
    let_in(stranger);
    ok(store_flush(s, 5000, &e));
    assert_false(store_is_late(s, &e));
    store_close(s);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), n);
}

static void closing_has_an_end(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    sqlite3 *stranger = lock_out(f->path);
    struct sample x = sample_number(0);
    assert_true(store_put_sample(s, nr, 0, &x));
    int64_t start = clock_real_ns();
    store_close(s);
    assert_in_range(ms_since(start), 4500, 7000);
    let_in(stranger);
    check_integrity(f->path);
    /* And it is patient enough to get over a short lock. */
    ok(store_open(f->path, &s, &e));
    assert_true(store_put_sample(s, nr, 0, &x));
    store_close(s);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), 1);
}

static void a_file_that_is_moved_away_is_noticed(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    char elsewhere[700];
    snprintf(elsewhere, sizeof elsewhere, "%s/elsewhere.db", f->folder);
    assert_int_equal(rename(f->path, elsewhere), 0);
    struct sample x = sample_number(0);
    assert_true(store_put_sample(s, nr, 0, &x));
    assert_false(store_flush(s, 500, &e));
    assert_non_null(strstr(e.text, "moved, deleted or replaced"));
    assert_non_null(strstr(e.text, "put it back"));
    assert_int_equal(rename(elsewhere, f->path), 0);
    ok(store_flush(s, 5000, &e));
    store_close(s);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), 1);
}

/* Random bytes over all that the file and its log hold. */
static void damage(const char *path)
{
    static const char *const suffixes[] = {"", "-wal"};
    unsigned noise = 7;
    for (int i = 0; i < 2; i++) {
        char name[700];
        snprintf(name, sizeof name, "%s%s", path, suffixes[i]);
        FILE *f = fopen(name, "r+b");
        assert_non_null(f);
        assert_int_equal(fseek(f, 0, SEEK_END), 0);
        long size = ftell(f);
        rewind(f);
        for (long at = 0; at < size; at++) {
            noise = noise * 1664525u + 1013904223u;
            fputc((int)(noise >> 24), f);
        }
        assert_int_equal(fclose(f), 0);
    }
}

static void damage_is_noticed(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    struct sample x = sample_number(0);
    assert_true(store_put_sample(s, nr, 0, &x));
    ok(store_flush(s, 500, &e));
    damage(f->path);
    int64_t start = clock_real_ns();
    while (store_put_sample(s, nr, 0, &x) && ms_since(start) < 30000)
        pause_ms(200);
    assert_in_range(ms_since(start), 9900, 16500);
    assert_false(store_is_recording(s, &e));
    assert_non_null(strstr(e.text, f->path));
    assert_true(strstr(e.text, "damaged") || strstr(e.text, "not a database"));
    store_close(s);
}

/* Something for which the disk has no room, four times. */
static enum apply too_large_at_first(struct writer *w, struct op *op)
{
    if (op->count++ >= 4)
        return APPLY_DONE;
    sqlite3_exec(w->db.db, "SELECT no_such_function()", NULL, NULL, NULL);
    return APPLY_TROUBLE;
}

static void samples_do_not_wait_for_what_cannot_be_done(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    for (int i = 0; i < 100; i++) {
        struct sample x = sample_number(i);
        assert_true(store_put_sample(s, nr, 0, &x));
    }
    struct op *op = op_new(too_large_at_first, "write too much");
    op->insist = true;
    assert_null(writer_do(&s->writer, op, STORE_RETRY_MS * 2, &e));
    assert_non_null(strstr(e.text, "cannot write too much now"));
    assert_non_null(strstr(e.text, "no such function"));
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), 100);
    assert_false(store_is_late(s, &e));
    struct sample x = sample_number(100);
    assert_true(store_put_sample(s, nr, 0, &x));
    ok(store_flush(s, 5000, &e)); /* behind it: it was done in the end */
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), 101);
    ok(store_is_recording(s, &e));
    store_close(s);
    check_integrity(f->path);
}

/* Hand over until the disk has no room; then make room: all must be there. */
static void fill_then_free(struct store *s, const char *path, void (*make_room)(void *), void *what)
{
    struct err e = {0};
    int64_t nr = begin_a_run(s);
    int n = 0;
    bool full = false;
    for (int round = 0; round < 60 && !full; round++) {
        for (int i = 0; i < 2000; i++, n++) {
            struct sample x = sample_number(n);
            if (!store_put_sample(s, nr, 0, &x))
                fail_msg("refused after %d samples", n);
        }
        full = !store_flush(s, 700, &e);
    }
    assert_true(full);
    print_message("after %d samples: %s\n", n, e.text);
    assert_int_equal(e.code, ERR_STORE);
    assert_true(strstr(e.text, "disk full: ") || strstr(e.text, "the disk reported an error"));
    check_integrity(path);
    make_room(what);
    ok(store_flush(s, 10000, &e));
    ok(store_run_end(s, nr, RUN_COMPLETED, FIXTURE_UTC_NS + 1, NULL, NULL, &e));
    assert_int_equal(ask_int(path, "SELECT count(*) FROM sample"), n);
    check_integrity(path);
}

static void remove_ballast(void *name)
{
    assert_int_equal(unlink(name), 0);
}

static void a_full_disk_loses_nothing(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    if (mount("none", f->folder, "tmpfs", 0, "size=4m") != 0) {
        print_message("skipped: this user may not mount a small disk to fill\n");
        skip();
    }
    char ballast[700];
    snprintf(ballast, sizeof ballast, "%s/ballast", f->folder);
    FILE *out = fopen(ballast, "wb");
    assert_non_null(out);
    static const char kilobyte[1024] = "";
    for (int i = 0; i < 3000; i++)
        assert_int_equal(fwrite(kilobyte, 1, sizeof kilobyte, out), sizeof kilobyte);
    fclose(out);
    ok(store_open(f->path, &s, &e));
    fill_then_free(s, f->path, remove_ballast, ballast);
    store_close(s);
    check_integrity(f->path);
    assert_int_equal(umount(f->folder), 0);
}

/* With more and more room: full at every stage of opening, until it fits. */
static void a_disk_too_full_to_begin_leaves_nothing(void **state)
{
    struct fixture *f = *state;
    struct err e = {0};
    int refused = 0, opened = 0;
    for (int kilobytes = 4; kilobytes <= 320; kilobytes += 4) {
        struct store *s = NULL;
        char size[32], listing[4096];
        snprintf(size, sizeof size, "size=%dk", kilobytes);
        if (mount("none", f->folder, "tmpfs", 0, size) != 0) {
            print_message("skipped: this user may not mount a small disk to fill\n");
            skip();
        }
        if (store_open(f->path, &s, &e)) {
            opened++;
            store_close(s);
            check_integrity(f->path);
        } else {
            refused++;
            if (e.code != ERR_STORE || !strstr(e.text, "disk full: ") ||
                !strstr(e.text, "free space"))
                fail_msg("%d kB: %s", kilobytes, e.text);
        }
        folder_listing(f, listing, sizeof listing);
        assert_null(strstr(listing, "creating"));
        assert_int_equal(umount(f->folder), 0);
    }
    assert_true(refused > 5 && opened > 5);
}

static void lift_limit(void *limit)
{
    assert_int_equal(setrlimit(RLIMIT_FSIZE, limit), 0);
}

/* The same without the right to mount: files may not grow beyond a size. */
static void a_file_size_limit_loses_nothing(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    struct rlimit before, small;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    small = before;
    small.rlim_cur = 400 * 1024;
    ok(store_open(f->path, &s, &e));
    signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    fill_then_free(s, f->path, lift_limit, &before);
    store_close(s);
    check_integrity(f->path);
}

/* Also after a test that failed with its small disk mounted. */
static int unmount_and_remove(void **state)
{
    struct fixture *f = *state;
    umount2(f->folder, MNT_DETACH);
    return fixture_teardown(state);
}

#define yard(test) cmocka_unit_test_setup_teardown(test, fixture_setup, unmount_and_remove)

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(locked_for_three_seconds_loses_nothing),
        yard(waiting_ends_with_the_reason),
        yard(the_end_of_a_run_and_its_trip_are_not_given_up),
        yard(impatient_callers_leave_nothing_behind),
        yard(samples_are_committed_within_two_seconds),
        yard(a_full_queue_says_so_and_keeps_what_it_has),
        yard(when_patience_ends_it_cannot_record),
        yard(a_lock_is_waited_for_and_told),
        yard(closing_has_an_end),
        yard(a_file_that_is_moved_away_is_noticed),
        yard(damage_is_noticed),
        yard(samples_do_not_wait_for_what_cannot_be_done),
        yard(a_full_disk_loses_nothing),
        yard(a_disk_too_full_to_begin_leaves_nothing),
        yard(a_file_size_limit_loses_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
