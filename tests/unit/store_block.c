/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of store/block and store/pack: not a digit is lost in a block, people read it with
 * plain SQL, and whatever happens a sample is in one place. */
#include "store/block.h"
#include "store/schema.h"
#include "store_fixture.h"

#include <errno.h>
#include <inttypes.h>

static uint64_t state_of_chance = 7;

static uint64_t chance(void)
{
    state_of_chance = state_of_chance * UINT64_C(6364136223846793005) + 1442695040888963407u;
    return state_of_chance >> 11;
}

static double any_double(void)
{
    uint64_t bits = chance() << 32 ^ chance();
    double value;
    memcpy(&value, &bits, sizeof value);
    return isnan(value) ? (double)NAN : value;
}

/* As an instrument sends it: so many decimals. */
static double any_decimal(int decimals, int range)
{
    char text[64];
    snprintf(text, sizeof text, "%s%d.%0*d", chance() % 2 ? "-" : "", (int)(chance() % 100),
             decimals, (int)(chance() % (uint64_t)range));
    return strtod(text, NULL) + 0.0; /* a database knows no negative nought */
}

static bool same_bits(double a, double b)
{
    return isnan(a) ? isnan(b) : memcmp(&a, &b, sizeof a) == 0;
}

static void decimals_come_back_and_are_small(void **state)
{
    (void)state;
    static struct block_column c;
    double values[BLOCK_SAMPLES], back[BLOCK_SAMPLES];
    int power = 1;
    for (int decimals = 1; decimals <= 8; decimals++) {
        power *= 10;
        for (int round = 0; round < 20; round++) {
            size_t n = 1 + chance() % BLOCK_SAMPLES;
            for (size_t i = 0; i < n; i++)
                values[i] = chance() % 20 == 0 ? (double)NAN : any_decimal(decimals, power);
            assert_true(block_pack(values, n, round % 2 == 0, &c));
            assert_null(strpbrk(c.text, ".e"));
            assert_true(block_unpack(&c, c.text, n, back));
            for (size_t i = 0; i < n; i++)
                assert_true(same_bits(values[i], back[i]));
        }
    }
}

/* What a night's test writes: two digits and a comma where only the last digits move. */
static void a_quiet_reading_takes_two_or_three_bytes(void **state)
{
    (void)state;
    static struct block_column c;
    double values[BLOCK_SAMPLES];
    for (int i = 0; i < BLOCK_SAMPLES; i++)
        values[i] = (double)(i * 10000 + (int)(chance() % 9) + (i > 500 ? 77777 : 0)) / 1e4;
    assert_true(block_pack(values, 500, true, &c));
    assert_int_equal(strlen(c.text), 2 * 500 + 1);
    assert_int_equal(c.each, 10000);
    assert_true(block_pack(values, BLOCK_SAMPLES, true,
                           &c)); /* a pause costs, but is none the less exact */
}

static void what_is_no_decimal_comes_back_too(void **state)
{
    (void)state;
    static struct block_column c;
    double values[BLOCK_SAMPLES], back[BLOCK_SAMPLES];
    for (int round = 0; round < 50; round++) {
        for (size_t i = 0; i < BLOCK_SAMPLES; i++)
            values[i] = any_double();
        values[3] = (double)INFINITY;
        values[4] = -(double)INFINITY;
        values[5] = 1e22;
        values[6] = -9.9e37;
        values[7] = 5e-324;
        values[8] = 12345678901234568.0;
        values[9] = 0.1 + 0.2;
        assert_true(block_pack(values, BLOCK_SAMPLES, round % 2 == 0, &c));
        assert_true(block_unpack(&c, c.text, BLOCK_SAMPLES, back));
        for (size_t i = 0; i < BLOCK_SAMPLES; i++)
            assert_true(same_bits(values[i], back[i]));
    }
    /* Large integers, on the brink of what is exact, and far apart. */
    double large[] = {9007199254740991.0, -9007199254740991.0, 0, (double)NAN, 9007199254740991.0};
    assert_true(block_pack(large, 5, true, &c));
    assert_true(block_unpack(&c, c.text, 5, back));
    for (size_t i = 0; i < 5; i++)
        assert_true(same_bits(large[i], back[i]));
}

static void a_strangers_text_is_refused(void **state)
{
    (void)state;
    const struct block_column frame = {.base = INT64_MAX, .each = INT64_MIN, .scale = 0};
    double back[3];
    static const char *const texts[] = {"",          "[",       "[]",        "[1,2]",
                                        "[1,2,3,4]", "[1,2,3",  "1,2,3]",    "[1,,3]",
                                        "[1,2,x]",   "[1,2,-]", "[nul,2,3]", "[1 ,2,3]"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        assert_false(block_unpack(&frame, texts[i], 3, back));
    assert_true(block_unpack(&frame, "[1,-999999999999999999,99999999999999999999]", 3, back));
}

/* --- in the database --- */

struct seen {
    const struct sample *all;
    int step, n, wrong;
};

static bool compare(void *context, int step, const struct sample *s)
{
    struct seen *seen = context;
    const struct sample *x = &seen->all[seen->n];
    bool same = same_bits(s->t_s, x->t_s) && same_bits(s->voltage_V, x->voltage_V) &&
                same_bits(s->current_A, x->current_A) &&
                same_bits(s->temperature_C, x->temperature_C);
    seen->wrong += !same || (seen->step >= 0 && step != seen->step);
    seen->n++;
    return true;
}

/* A run's samples as readers give them are these n. */
static void check_samples(const struct fixture *f, int64_t nr, const struct sample *all, int n)
{
    struct reader *r = NULL;
    struct err e = {0};
    struct seen seen = {.all = all, .step = -1};
    ok(reader_open(f->path, &r, &e));
    ok(reader_samples(r, nr, -1, compare, &seen, &e));
    assert_int_equal(seen.n, n);
    assert_int_equal(seen.wrong, 0);
    /* And from any place on, as a curve is asked for. */
    for (int i = 0; i < 50 && n > 0; i++) {
        int from = (int)(chance() % (uint64_t)n);
        struct sample_span span;
        ok(reader_span(r, nr, all[from].t_s, (double)NAN, &span, &e));
        int first = from > 0 ? from - 1 : 0;
        assert_int_equal(span.first, first);
        assert_int_equal(span.last, n - 1);
        assert_true(span.from_s == all[first].t_s && span.to_s == all[n - 1].t_s);
        seen = (struct seen){.all = all + first, .step = -1};
        ok(reader_span_samples(r, nr, &span, compare, &seen, &e));
        assert_int_equal(seen.n, n - first);
        assert_int_equal(seen.wrong, 0);
    }
    reader_close(r);
}

/* The view, in SQLite's own words. */
static void check_view(const struct fixture *f, int64_t nr, const struct sample *all, int n)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    assert_int_equal(sqlite3_open_v2(f->path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(db,
                                        "SELECT t_s, voltage_V, current_A, temperature_C, seq"
                                        " FROM sample WHERE run_nr = ? ORDER BY seq",
                                        -1, &st, NULL),
                     SQLITE_OK);
    sqlite3_bind_int64(st, 1, nr);
    int k = 0;
    for (; sqlite3_step(st) == SQLITE_ROW; k++) {
        double v[4];
        for (int c = 0; c < 4; c++)
            v[c] = sqlite3_column_type(st, c) == SQLITE_NULL ? (double)NAN
                                                             : sqlite3_column_double(st, c);
        assert_true(k < n && same_bits(v[0], all[k].t_s) && same_bits(v[1], all[k].voltage_V) &&
                    same_bits(v[2], all[k].current_A) && same_bits(v[3], all[k].temperature_C));
        assert_int_equal(sqlite3_column_int(st, 4), k);
    }
    assert_int_equal(k, n);
    sqlite3_finalize(st);
    sqlite3_close(db);
}

/* Samples of an instrument; every so often its temperature fails. */
static struct sample *make_samples(int n)
{
    struct sample *all = zalloc((size_t)n * sizeof *all);
    for (int i = 0; i < n; i++)
        all[i] = (struct sample){.t_s = (double)(i * 10000 + (int)(chance() % 9)) / 1e4,
                                 .voltage_V = (double)(132000 - i + (int)(chance() % 9)) / 1e4,
                                 .current_A = -(double)(10000 + (int)(chance() % 9)) / 1e3,
                                 .temperature_C = chance() % 50 == 0
                                                      ? (double)NAN
                                                      : (double)(2200 + (int)(chance() % 5)) / 1e2};
    return all;
}

static void put(struct store *s, int64_t nr, const struct sample *all, int from, int to)
{
    struct err e = {0};
    for (int i = from; i < to; i++)
        assert_true(store_put_sample(s, nr, i / 3000, &all[i]));
    ok(store_flush(s, 5000, &e));
}

static int64_t rows(const struct fixture *f)
{
    return ask_int(f->path, "SELECT count(*) FROM sample_row");
}

/* Packing comes when nothing else waits. */
static void await_rows(const struct fixture *f, int64_t at_most)
{
    struct clock *c = clock_new_real();
    for (int i = 0; i < 1000 && rows(f) > at_most; i++)
        clock_wait_until(c, clock_now_ns(c) + 10 * NS_PER_MS, -1);
    clock_free(c);
    assert_true(rows(f) <= at_most);
}

static void a_run_goes_into_blocks_bit_by_bit(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    enum { N = 7000 };
    struct sample *all = make_samples(N);
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    put(s, nr, all, 0, N);
    await_rows(f, BLOCK_SAMPLES);
    assert_true(rows(f) > 0); /* the newest stay rows while the run is at work */
    check_samples(f, nr, all, N);
    check_view(f, nr, all, N);
    ok(store_run_end(s, nr, RUN_COMPLETED, FIXTURE_UTC_NS + 1, NULL, NULL, &e));
    await_rows(f, 0);
    check_samples(f, nr, all, N);
    check_view(f, nr, all, N);
    check_integrity(f->path);
    /* By step: blocks end where steps do. */
    struct reader *r = NULL;
    struct seen seen = {.all = all + 3000, .step = 1};
    ok(reader_open(f->path, &r, &e));
    ok(reader_samples(r, nr, 1, compare, &seen, &e));
    assert_int_equal(seen.n, 3000);
    assert_int_equal(seen.wrong, 0);
    reader_close(r);
    store_close(s);
    free(all);
}

static void values_of_any_kind_go_into_blocks(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    enum { N = 3000 };
    struct sample *all = make_samples(N);
    for (int i = 0; i < N; i++) {
        all[i].voltage_V = any_double() + 0.0;
        all[i].current_A = (double)NAN;
        all[i].temperature_C = 0.1 * i;
    }
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    put(s, nr, all, 0, N);
    ok(store_run_end(s, nr, RUN_COMPLETED, FIXTURE_UTC_NS + 1, NULL, NULL, &e));
    await_rows(f, 0);
    check_samples(f, nr, all, N);
    store_close(s);
    free(all);
}

static void a_cut_off_run_is_packed_and_goes_on(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    enum { N = 2500 };
    int count = 0;
    struct sample *all = make_samples(N);
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    put(s, nr, all, 0, 2000);
    store_close(s); /* the run is still marked running, as after a death */
    for (int round = 0; round < 2; round++) {
        ok(store_open(f->path, &s, &e));
        ok(store_mark_interrupted(s, FIXTURE_UTC_NS, &count, &e));
        assert_int_equal(count, 1);
        await_rows(f, 0);
        /* The time of its last sample, wherever that is: also when no row was left. */
        int64_t lasted_ns = llround(all[round == 0 ? 1999 : 2009].t_s * 1e9);
        assert_int_equal(ask_int(f->path, "SELECT ended_utc_ns - started_utc_ns FROM run"),
                         lasted_ns);
        ok(store_run_resume(s, nr, &e));
        if (round == 0)
            put(s, nr, all, 2000, 2010);
        store_close(s);
    }
    ok(store_open(f->path, &s, &e));
    put(s, nr, all, 2010, N);
    check_samples(f, nr, all, N);
    check_view(f, nr, all, N);
    check_integrity(f->path);
    store_close(s);
    free(all);
}

#define A_BLOCK(first, last)                                                                       \
    "INSERT INTO sample_block(run_nr, first_seq, last_seq, step, last_t_s, t_each, t_base,"        \
    " t_scale, voltage_base, voltage_scale, current_base, current_scale, temperature_base,"        \
    " temperature_scale, t) VALUES(1, " first ", " last                                            \
    ", 0, 9, 1, 0, 1, 0, 1, 0, 1, 0, 1, '[0]')"

static void a_block_is_final_and_a_row_stays_without_one(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    struct sample *all = make_samples(1500);
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    put(s, nr, all, 0, 1500);
    await_rows(f, 1500 - BLOCK_SAMPLES);
    static const char *const attempts[] = {"DELETE FROM sample",
                                           "UPDATE sample SET voltage_V = 14",
                                           "DELETE FROM sample_row",
                                           "UPDATE sample_row SET voltage_V = 14",
                                           "DELETE FROM sample_block",
                                           "UPDATE sample_block SET voltage_base = 1",
                                           "DELETE FROM sample_row WHERE seq = 1024",
                                           "INSERT OR REPLACE INTO sample_block"
                                           " SELECT * FROM sample_block",
                                           A_BLOCK("1", "1023"),
                                           A_BLOCK("1023", "1025"),
                                           A_BLOCK("1030", "1029"),
                                           "INSERT INTO import(run_nr, file, sha256, utc_ns)"
                                           " VALUES(1, '', '', 0)"};
    for (size_t i = 0; i < sizeof attempts / sizeof attempts[0]; i++)
        assert_int_equal(exec_sql(f->path, attempts[i]), SQLITE_CONSTRAINT);
    check_samples(f, nr, all, 1500);
    store_close(s);
    free(all);
}

/* Readers at work while rows become blocks under them see every sample once. */
static void reading_meanwhile_sees_each_sample_once(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct reader *r = NULL;
    struct err e = {0};
    enum { N = 40000 };
    struct sample *all = make_samples(N);
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    ok(reader_open(f->path, &r, &e));
    for (int i = 0; i < N; i++) {
        assert_true(store_put_sample(s, nr, i / 3000, &all[i]));
        if (i % 2000 != 0)
            continue;
        struct seen seen = {.all = all, .step = -1};
        ok(reader_samples(r, nr, -1, compare, &seen, &e));
        assert_int_equal(seen.wrong, 0);
    }
    reader_close(r);
    store_close(s);
    check_samples(f, nr, all, N);
    free(all);
}

static int64_t blocks_of(const struct fixture *f, int64_t nr)
{
    char sql[96];
    snprintf(sql, sizeof sql, "SELECT count(*) FROM sample_block WHERE run_nr = %" PRId64, nr);
    return ask_int(f->path, sql);
}

/* Here a stranger's block has the place of the first run's: it stays as rows, the other does not.
 */
static void a_run_that_cannot_be_packed_keeps_no_other_from_it(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    struct sample *all = make_samples(BLOCK_SAMPLES);
    ok(store_open(f->path, &s, &e));
    int64_t first = begin_a_run(s), second = begin_a_run(s);
    assert_int_equal(exec_sql(f->path, A_BLOCK("2000", "2000")), SQLITE_OK);
    assert_int_equal(exec_sql(f->path, "INSERT INTO sample_row(run_nr, seq, step)"
                                       " VALUES(1, 2000, 0)"),
                     SQLITE_OK);
    put(s, second, all, 0, 500);
    ok(store_run_end(s, first, RUN_COMPLETED, FIXTURE_UTC_NS + 1, NULL, NULL, &e));
    ok(store_run_end(s, second, RUN_COMPLETED, FIXTURE_UTC_NS + 1, NULL, NULL, &e));
    await_rows(f, 1);
    assert_int_equal(blocks_of(f, second), 1);
    assert_int_equal(blocks_of(f, first), 1);
    store_close(s);
    free(all);
}

/* Of a large database only the one run's blocks are opened. */
static void people_ask_for_one_run_only(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    store_close(s);
    static const char *const questions[] = {
        "EXPLAIN QUERY PLAN SELECT * FROM sample WHERE run_nr = 3",
        "EXPLAIN QUERY PLAN SELECT * FROM sample_readable WHERE run_nr = 3",
    };
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open_v2(f->path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    for (size_t i = 0; i < sizeof questions / sizeof questions[0]; i++) {
        sqlite3_stmt *st = NULL;
        assert_int_equal(sqlite3_prepare_v2(db, questions[i], -1, &st, NULL), SQLITE_OK);
        bool by_run = false;
        while (sqlite3_step(st) == SQLITE_ROW) {
            const char *how = (const char *)sqlite3_column_text(st, 3);
            by_run = by_run || strstr(how, "SEARCH b USING INDEX") != NULL;
            assert_null(strstr(how, "SCAN b"));
        }
        assert_true(by_run);
        sqlite3_finalize(st);
    }
    sqlite3_close(db);
}

#define yard(test) cmocka_unit_test_setup_teardown(test, fixture_setup, fixture_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(decimals_come_back_and_are_small),
        cmocka_unit_test(a_quiet_reading_takes_two_or_three_bytes),
        cmocka_unit_test(what_is_no_decimal_comes_back_too),
        cmocka_unit_test(a_strangers_text_is_refused),
        yard(a_run_goes_into_blocks_bit_by_bit),
        yard(values_of_any_kind_go_into_blocks),
        yard(a_cut_off_run_is_packed_and_goes_on),
        yard(a_block_is_final_and_a_row_stays_without_one),
        yard(reading_meanwhile_sees_each_sample_once),
        yard(a_run_that_cannot_be_packed_keeps_no_other_from_it),
        yard(people_ask_for_one_run_only),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
