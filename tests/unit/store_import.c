/* SPDX-License-Identifier: GPL-3.0-or-later
 * Runs out of files: nobody sees one before it is whole, what is left of one that was cut
 * off goes, and those that are whole stand among the others by the time they began. */
#include "store_fixture.h"

#include "store/import.h"

#define EVERYTHING                                                                                 \
    "SELECT (SELECT count(*) FROM run) + (SELECT count(*) FROM step)"                              \
    " + (SELECT count(*) FROM sample) + (SELECT count(*) FROM import)"

/* One of `day` days after the fixture's, of the file named by its digit. */
static int64_t begin_one(struct stocked *y, int day)
{
    struct err e = {0};
    int64_t nr = 0;
    struct import_begin b = {
        .run = run_of(&y->b),
        .source = {.file = "old.csv", .sha256 = "0", .from_s = NAN, .to_s = 7, .utc_ns = 5},
        .step_name = "capacity",
        .step_kind = "discharge",
    };
    b.run.started_utc_ns += day * INT64_C(86400) * NS_PER_S;
    b.source.sha256[0] = (char)('a' + day);
    uuid7_make(b.run.started_utc_ns, b.run.id);
    ok(store_import_begin(y->s, &b, &nr, &e));
    return nr;
}

static void put_two(struct stocked *y, int64_t nr)
{
    const struct sample rows[] = {{0, 13.2, -2, NAN}, {1, 13.1, -2, 20.5}};
    struct err e = {0};
    ok(store_import_put(y->s, nr, rows, 2, &e));
}

static void end_one(struct stocked *y, int64_t nr)
{
    const struct import_end end = {0, 1, "cut-off reached", FIXTURE_UTC_NS,
                                   "{\"verdict\":\"pass\"}"};
    struct err e = {0};
    ok(store_import_end(y->s, nr, &end, &e));
}

static int64_t made_here(struct stocked *y, int day)
{
    struct run_begin r = run_of(&y->b);
    struct err e = {0};
    int64_t nr = 0;
    r.started_utc_ns += day * INT64_C(86400) * NS_PER_S;
    uuid7_make(r.started_utc_ns, r.id);
    ok(store_run_begin(y->s, &r, &nr, &e));
    ok(store_run_end(y->s, nr, RUN_STOPPED, r.started_utc_ns + 1, NULL, NULL, &e));
    return nr;
}

static void nobody_sees_one_before_it_is_whole(void **state)
{
    struct stocked *y = *state;
    struct run_row row, *list = NULL;
    struct err e = {0};
    size_t n = 9;
    int64_t nr = begin_one(y, 0), judged = 9;
    put_two(y, nr);
    assert_false(reader_run(y->r, "1", &row, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_false(reader_run(y->r, "last", &row, &e));
    ok(reader_runs(y->r, NULL, 0, &list, &n, &e));
    assert_int_equal(n, 0);
    free(list);
    ok(reader_judged(y->r, y->b.id, &judged, &e));
    assert_int_equal(judged, 0);
    ok(reader_import(y->r, nr, &row, &e)); /* but who computes its result does */
    assert_int_equal(row.sample_count, 2);
    run_row_free(&row);
    end_one(y, nr);
    ok(reader_run(y->r, "last", &row, &e));
    assert_int_equal(row.nr, nr);
    assert_int_equal(row.outcome, RUN_COMPLETED);
    assert_string_equal(row.imported.file, "old.csv");
    assert_true(isnan(row.imported.from_s) && row.imported.to_s > 6);
    assert_int_equal(row.imported.utc_ns, 5);
    assert_string_equal(row.stand, "");
    assert_string_equal(row.steps[0].end_reason, "cut-off reached");
    run_row_free(&row);
    ok(reader_judged(y->r, y->b.id, &judged, &e));
    assert_int_equal(judged, nr);
}

/* It goes when nothing else is to be written; nobody sees it meanwhile. */
static void await_things(struct stocked *y, int64_t n)
{
    struct clock *c = clock_new_real();
    int64_t start = clock_now_ns(c);
    while (ask_int(y->f.path, EVERYTHING) != n && clock_now_ns(c) - start < 60 * NS_PER_S)
        clock_wait_until(c, clock_now_ns(c) + 10 * NS_PER_MS, -1);
    clock_free(c);
    assert_int_equal(ask_int(y->f.path, EVERYTHING), n);
}

static void drop_one(struct stocked *y, int64_t nr, bool expected_whole)
{
    struct err e = {0};
    bool whole = !expected_whole;
    ok(store_import_drop(y->s, nr, &whole, &e));
    assert_int_equal(whole, expected_whole);
}

static void one_that_is_dropped_leaves_nothing(void **state)
{
    struct stocked *y = *state;
    int64_t nr = begin_one(y, 0);
    put_two(y, nr);
    assert_int_equal(ask_int(y->f.path, EVERYTHING), 5);
    drop_one(y, nr, false);
    await_things(y, 0);
    /* And the number of its samples does not go on where it was. */
    nr = begin_one(y, 0);
    put_two(y, nr);
    assert_int_equal(ask_int(y->f.path, "SELECT max(seq) FROM sample"), 1);
}

/* Its end may be on the disk though nobody waited for it so long. */
static void a_whole_one_stays(void **state)
{
    struct stocked *y = *state;
    int64_t nr = begin_one(y, 0);
    put_two(y, nr);
    end_one(y, nr);
    drop_one(y, nr, true);
    assert_int_equal(exec_sql(y->f.path, "UPDATE import SET whole = 0"), SQLITE_CONSTRAINT);
    drop_one(y, begin_one(y, 1), false);
    await_things(y, 5);
}

static void put_many(struct stocked *y, int64_t nr, int pieces)
{
    static struct sample piece[IMPORT_PIECE];
    struct err e = {0};
    for (int i = 0; i < pieces; i++) {
        for (int k = 0; k < IMPORT_PIECE; k++)
            piece[k] = (struct sample){i * IMPORT_PIECE + k, 13.2, -2, 20.5};
        ok(store_import_put(y->s, nr, piece, IMPORT_PIECE, &e));
    }
}

static void what_was_cut_off_goes_after_the_start(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    int interrupted = 9;
    int64_t whole = begin_one(y, 0);
    put_two(y, whole);
    end_one(y, whole);
    for (int day = 1; day < 4; day++)
        put_two(y, begin_one(y, day));
    put_many(y, begin_one(y, 4), 5);
    ok(store_mark_interrupted(y->s, FIXTURE_UTC_NS, &interrupted, &e));
    assert_int_equal(interrupted, 0); /* they never ran */
    await_things(y, 5);
    assert_int_equal(ask_int(y->f.path, "SELECT run_nr FROM import"), whole);
    check_integrity(y->f.path);
}

/* However large: the start only marks it, and a transaction takes away one piece at most. */
static void the_start_waits_for_none_of_it(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    int interrupted = 9;
    put_many(y, begin_one(y, 0), 20);
    int64_t most = ask_int(y->f.path, "SELECT count(*) FROM sample_row"), before = most, n;
    ok(store_mark_interrupted(y->s, FIXTURE_UTC_NS, &interrupted, &e));
    assert_true(ask_int(y->f.path, "SELECT count(*) FROM sample_row") >= most - IMPORT_PIECE);
    /* Closed in the middle of it, it goes on when opened. */
    store_close(y->s);
    n = ask_int(y->f.path, "SELECT count(*) FROM sample_row");
    assert_in_range(n, before - 2 * IMPORT_PIECE, before);
    assert_int_equal(n % IMPORT_PIECE, 0);
    ok(store_open(y->f.path, &y->s, &e));
    await_things(y, 0);
}

static void refused_as_known(const struct err *e)
{
    assert_int_equal(e->code, ERR_REFUSED);
    assert_non_null(strstr(e->text, " are run 1 of that battery already"));
}

static void the_same_rows_are_taken_once(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    int64_t nr = begin_one(y, 0), again = begin_one(y, 0); /* both under way: fine so far */
    end_one(y, nr);
    const struct import_end end = {0, 1, "cut-off reached", FIXTURE_UTC_NS, "{}"};
    assert_false(store_import_end(y->s, again, &end, &e));
    refused_as_known(&e);
    drop_one(y, again, false);
    struct import_begin b = {.run = run_of(&y->b),
                             .source = {.file = "x.csv", .sha256 = "a", .from_s = NAN, .to_s = 7},
                             .step_name = "capacity",
                             .step_kind = "discharge"};
    uuid7_make(FIXTURE_UTC_NS, b.run.id);
    assert_false(store_import_begin(y->s, &b, &again, &e));
    refused_as_known(&e);
    b.source.to_s = 8; /* other rows of the same file */
    ok(store_import_begin(y->s, &b, &again, &e));
    ok(store_import_end(y->s, again, &end, &e));
}

static void they_stand_by_the_time_they_began(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    struct run_row *list = NULL, row;
    size_t n = 0;
    made_here(y, 10);               /* 1 */
    made_here(y, 8);                /* 2: the wall clock was set back */
    int64_t days[] = {9, 0, 20, 5}; /* 3 to 6 */
    for (size_t i = 0; i < sizeof days / sizeof days[0]; i++)
        end_one(y, begin_one(y, (int)days[i]));
    made_here(y, 30); /* 7 */
    ok(reader_runs(y->r, NULL, 0, &list, &n, &e));
    const int64_t expected[] = {7, 5, 3, 2, 1, 6, 4};
    assert_int_equal(n, 7);
    for (size_t i = 0; i < n; i++)
        assert_int_equal(list[i].nr, expected[i]);
    free(list);
    ok(reader_run(y->r, "last", &row, &e));
    assert_int_equal(row.nr, 7);
    run_row_free(&row);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        stocked(nobody_sees_one_before_it_is_whole),
        stocked(one_that_is_dropped_leaves_nothing),
        stocked(a_whole_one_stays),
        stocked(what_was_cut_off_goes_after_the_start),
        stocked(the_start_waits_for_none_of_it),
        stocked(the_same_rows_are_taken_once),
        stocked(they_stand_by_the_time_they_began),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
