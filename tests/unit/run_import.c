/* SPDX-License-Identifier: GPL-3.0-or-later
 * Records from elsewhere: what no battery has is refused by column and unit, and times stay
 * the decimals that the log had. */
#include "run/import.h"
#include "store_fixture.h"

#define ROWS 100

struct log {
    struct sample rows[ROWS];
    size_t next;
};

static bool next_row(void *context, struct sample *s, bool *more, struct err *e)
{
    (void)e;
    struct log *l = context;
    *more = l->next < ROWS;
    if (*more)
        *s = l->rows[l->next];
    l->next = *more ? l->next + 1 : 0;
    return true;
}

/* A discharge by 2 A, every 0.1 s from 0.7 s on. */
static struct log a_log(void)
{
    struct log l = {.next = 0};
    for (int i = 0; i < ROWS; i++)
        l.rows[i] = (struct sample){(7 + i) / 10.0, 13.2 - 0.001 * i, -2, 21.5};
    return l;
}

#define DAY_NS (INT64_C(86400) * NS_PER_S)

static struct import_terms terms_of(const struct stocked *y)
{
    return (struct import_terms){
        .battery = y->b,
        .kind = STEP_DISCHARGE,
        .step_name = "discharge",
        .started_utc_ns = FIXTURE_UTC_NS,
        .cutoff_V = 10,
        .current_A = NAN,
        .accept_Ah = NAN,
        .source = {.file = "old.csv",
                   .sha256 = "0",
                   .from_s = NAN,
                   .to_s = NAN,
                   .utc_ns = FIXTURE_UTC_NS + DAY_NS},
    };
}

static bool import_as(struct stocked *y, struct log *l, const struct import_terms *terms,
                      struct err *e)
{
    int64_t nr = 0;
    const struct import_rows rows = {next_row, l};
    return import_run(y->s, terms, &rows, &nr, e);
}

static bool import(struct stocked *y, struct log *l, struct err *e)
{
    struct import_terms terms = terms_of(y);
    return import_as(y, l, &terms, e);
}

static void times_stay_decimals(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    struct log l = a_log();
    int none = 0; /* differences of decimals that are none among doubles */
    for (int i = 0; i < ROWS; i++)
        none += l.rows[i].t_s - l.rows[0].t_s != i / 10.0;
    assert_true(none > ROWS / 10);
    ok(import(y, &l, &e));
    assert_int_equal(ask_int(y->f.path, "SELECT count(*) FROM sample WHERE t_s <> seq / 10.0"), 0);
    assert_int_equal(ask_int(y->f.path, "SELECT end_s = 9.9 FROM step"), 1);
}

static void refused(struct stocked *y, struct log *l, const char *what)
{
    struct err e = {0};
    assert_false(import(y, l, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    if (strstr(e.text, what) == NULL)
        fail_msg("\"%s\" is not in: %s", what, e.text);
    assert_int_equal(ask_int(y->f.path, "SELECT count(*) FROM import"), 0);
}

static void what_no_battery_has_is_refused(void **state)
{
    struct stocked *y = *state;
    struct log l = a_log();
    l.rows[3].voltage_V = 13200;
    refused(y, &l, "row 4 of that time has a voltage of 13200 V");
    l = a_log();
    l.rows[9].current_A = -100001;
    refused(y, &l, "current of -100001 A");
    l = a_log();
    l.rows[0].temperature_C = -274;
    refused(y, &l, "temperature of -274 degC");
    l = a_log();
    l.rows[ROWS - 1].t_s = 1e12;
    refused(y, &l, "time of 1e+12 s");
    l = a_log();
    l.rows[ROWS - 1].t_s = (double)INFINITY;
    refused(y, &l, "time of inf s");
    l = a_log();
    l.rows[ROWS - 1].t_s = 2e9;
    refused(y, &l, "old.csv lasts 2e+09 s");
}

static void refused_as(struct stocked *y, struct log *l, const struct import_terms *t,
                       const char *what)
{
    struct err e = {0};
    int64_t before = ask_int(y->f.path, "SELECT count(*) FROM run");
    assert_false(import_as(y, l, t, &e));
    if (strstr(e.text, what) == NULL)
        fail_msg("\"%s\" is not in: %s", what, e.text);
    assert_int_equal(ask_int(y->f.path, "SELECT count(*) FROM run"), before);
}

static void another_battery_is_refused(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    struct log l = a_log();
    struct import_terms t = terms_of(y);
    for (int i = 0; i < ROWS; i++)
        l.rows[i].voltage_V *= 2;
    refused_as(y, &l, &t, "old.csv: the record begins at 26.40 V: that is 8 cells of lfp");
    t.anyway = true;
    ok(import_as(y, &l, &t, &e));
}

static void the_future_is_refused(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    struct log l = a_log();
    struct import_terms t = terms_of(y);
    t.anyway = true;
    t.started_utc_ns = t.source.utc_ns + 1;
    refused_as(y, &l, &t, "would begin at 2026-03-02T20:04:05.120Z, in the future");
    t.started_utc_ns = t.source.utc_ns - NS_PER_S; /* of a record of 9.9 s */
    refused_as(y, &l, &t, "would end at 2026-03-02T20:04:14.020Z, in the future");
    t.started_utc_ns = t.source.utc_ns - 10 * NS_PER_S;
    ok(import_as(y, &l, &t, &e));
}

static void a_battery_is_in_one_test_at_a_time(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    struct log l = a_log();
    struct import_terms t = terms_of(y);
    ok(import_as(y, &l, &t, &e));
    strcpy(t.source.sha256, "1");
    t.started_utc_ns += 9 * NS_PER_S;
    refused_as(y, &l, &t, "run 1 of that battery already, which began at 2026-03-01T20:04:05.120Z");
    t.started_utc_ns += NS_PER_S;
    ok(import_as(y, &l, &t, &e)); /* it had ended by then */
    strcpy(t.source.sha256, "2");
    t.started_utc_ns -= NS_PER_S;
    t.anyway = true;
    ok(import_as(y, &l, &t, &e));
}

static void what_was_exported_here_is_refused(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    struct log l = a_log();
    struct import_terms t = terms_of(y);
    ok(import_as(y, &l, &t, &e));
    assert_int_equal(exec_sql(y->f.path, "PRAGMA busy_timeout = 5000; DELETE FROM import"),
                     SQLITE_OK); /* made here, then */
    strcpy(t.source.sha256, "1");
    t.started_utc_ns -= 365 * DAY_NS;
    refused_as(y, &l, &t, "old.csv holds the samples of run 1 of launch-a, which was made here");
    for (int i = 0; i < ROWS; i++)
        l.rows[i].current_A *= -1;
    t.kind = STEP_CHARGE;
    t.cutoff_V = NAN;
    refused_as(y, &l, &t, "the samples of run 1");
    l = a_log();
    l.rows[50].voltage_V -= 1e-4;
    t = terms_of(y);
    strcpy(t.source.sha256, "1");
    t.started_utc_ns -= 365 * DAY_NS;
    ok(import_as(y, &l, &t, &e));
}

/* What a person says of the record must be in it. */
static void a_record_must_be_what_it_is_said_to_be(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    struct log l = a_log();
    struct import_terms t = terms_of(y);
    t.kind = STEP_CHARGE;
    refused_as(y, &l, &t, "old.csv moves 0.0055 Ah out of the battery, so it is no charge");
    for (int i = 0; i < ROWS; i++)
        l.rows[i].current_A = 2;
    t.kind = STEP_DISCHARGE;
    refused_as(y, &l, &t, "moves 0.0055 Ah into the battery, so it is no discharge");
    for (int i = 0; i < ROWS; i++)
        l.rows[i].current_A = 0;
    refused_as(y, &l, &t, "no current flows in it; is it a rest?");
    t.kind = STEP_CHARGE;
    refused_as(y, &l, &t, "no current flows in it; is it a rest?");
    t.kind = STEP_REST;
    for (int i = 0; i < ROWS; i++)
        l.rows[i].temperature_C = NAN;
    ok(import_as(y, &l, &t, &e));
    for (int i = 1; i < ROWS; i++)
        l.rows[i].t_s = l.rows[0].t_s;
    strcpy(t.source.sha256, "1");
    t.anyway = true;
    refused_as(y, &l, &t, "a run needs two at least");
}

/* A source that ends in the middle the `fail_in`th time it is gone through. */
struct torn {
    struct log log;
    int round, fail_in;
};

static bool next_until_torn(void *context, struct sample *s, bool *more, struct err *e)
{
    struct torn *t = context;
    if (t->round == t->fail_in && t->log.next == ROWS / 2) {
        return err_set(e, ERR_SYSTEM, "the disk with the log was taken out");
    }
    bool done = next_row(&t->log, s, more, e);
    t->round += *more ? 0 : 1;
    return done;
}

static size_t runs_shown(struct stocked *y)
{
    struct run_row *rows = NULL;
    struct err e = {0};
    size_t n = 0;
    ok(reader_runs(y->r, NULL, 0, &rows, &n, &e));
    for (size_t i = 0; i < n; i++) {
        run_row_free(&rows[i]);
    }
    free(rows);
    return n;
}

/* Looked through twice, then written: whenever it breaks off, nothing of it stays. */
static void a_log_that_breaks_off_leaves_nothing(void **state)
{
    struct stocked *y = *state;
    for (int i = 0; i < 3; i++) {
        struct err e = {0};
        int64_t nr = 0;
        struct torn t = {.log = a_log(), .fail_in = i};
        const struct import_rows rows = {next_until_torn, &t};
        const struct import_terms terms = terms_of(y);
        assert_false(import_run(y->s, &terms, &rows, &nr, &e));
        assert_string_equal(e.text, "the disk with the log was taken out");
        assert_int_equal(t.round, i);
        assert_int_equal(runs_shown(y), 0);
    }
    struct err e = {0};
    struct log l = a_log();
    ok(import(y, &l, &e)); /* the same log, once it can be read */
    assert_int_equal(runs_shown(y), 1);
}

/* Its own time of day instead of a beginning that is said. */
static void rows_that_tell_the_time_place_it(void **state)
{
    struct stocked *y = *state;
    struct err e = {0};
    struct log l = a_log();
    struct import_terms t = terms_of(y);
    t.started_utc_ns = 0;
    t.zero_utc_ns = FIXTURE_UTC_NS;
    t.accept_Ah = 0.005;
    t.current_A = 2;
    ok(import_as(y, &l, &t, &e));
    char sql[96]; /* the first row is at 0.7 s */
    snprintf(sql, sizeof sql, "SELECT count(*) FROM run WHERE started_utc_ns = %lld",
             (long long)(FIXTURE_UTC_NS + 700 * NS_PER_MS));
    assert_int_equal(ask_int(y->f.path, sql), 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        stocked(times_stay_decimals),
        stocked(what_no_battery_has_is_refused),
        stocked(another_battery_is_refused),
        stocked(the_future_is_refused),
        stocked(a_battery_is_in_one_test_at_a_time),
        stocked(what_was_exported_here_is_refused),
        stocked(a_record_must_be_what_it_is_said_to_be),
        stocked(a_log_that_breaks_off_leaves_nothing),
        stocked(rows_that_tell_the_time_place_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
