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

struct yard {
    struct fixture f;
    struct store *s;
    struct reader *r;
    struct battery b;
};

static int setup(void **state)
{
    struct yard *y = zalloc(sizeof *y);
    struct err e = {0};
    *state = y;
    fixture_open(&y->f, &y->s, &y->r);
    y->b = launch("launch-a");
    ok(store_battery_add(y->s, &y->b, &e));
    return 0;
}

static int teardown(void **state)
{
    struct yard *y = *state;
    fixture_close(&y->f, y->s, y->r);
    free(y);
    return 0;
}

static bool import(struct yard *y, struct log *l, struct err *e)
{
    int64_t nr = 0;
    const struct import_rows rows = {next_row, l};
    struct import_terms terms = {
        .battery = y->b,
        .kind = STEP_DISCHARGE,
        .step_name = "discharge",
        .started_utc_ns = FIXTURE_UTC_NS,
        .cutoff_V = 10,
        .current_A = NAN,
        .accept_Ah = NAN,
        .source = {.file = "old.csv", .sha256 = "0", .from_s = NAN, .to_s = NAN, .utc_ns = 5},
    };
    return import_run(y->s, &terms, &rows, &nr, e);
}

static void times_stay_decimals(void **state)
{
    struct yard *y = *state;
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

static void refused(struct yard *y, struct log *l, const char *what)
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
    struct yard *y = *state;
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

#define yard(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(times_stay_decimals),
        yard(what_no_battery_has_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
