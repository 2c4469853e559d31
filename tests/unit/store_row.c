/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the row of batteries at a stand, and of records that are corrected: what
 * waits, in which order, what became of each, and what a run of before goes by. */
#include "store_fixture.h"

#include "store/row.h"

#define LAMPS 4

struct yard {
    struct store *s;
    struct battery lamp[LAMPS];
};

static struct yard open_yard(const struct fixture *f)
{
    struct yard y = {0};
    struct err e = {0};
    ok(store_open(f->path, &y.s, &e));
    for (int i = 0; i < LAMPS; i++) {
        char label[16];
        snprintf(label, sizeof label, "lamp-%d", i + 1);
        y.lamp[i] = launch(label);
        ok(store_battery_add(y.s, &y.lamp[i], &e));
    }
    return y;
}

static void add(struct yard *y, const char *stand, int from, size_t count)
{
    struct err e = {0};
    const struct row_wanted wanted = {.stand = stand,
                                      .profile = "capacity",
                                      .added_by = "maud",
                                      .batteries = &y->lamp[from],
                                      .count = count,
                                      .utc_ns = FIXTURE_UTC_NS};
    ok(store_row_add(y->s, &wanted, &e));
}

/* "1:lamp-1:waiting 2:lamp-2:waiting": all that is listed, in its order. */
static const char *row_at(struct yard *y, const char *stand)
{
    static char text[400];
    struct row_place *places = NULL;
    size_t n = 0, used = 0;
    struct err e = {0};
    ok(store_row_list(y->s, stand, 10, &places, &n, &e));
    text[0] = '\0';
    for (size_t i = 0; i < n; i++)
        used +=
            (size_t)snprintf(text + used, sizeof text - used, "%s%d:%s:%s", i > 0 ? " " : "",
                             places[i].place, places[i].battery, row_state_names[places[i].state]);
    free(places);
    return text;
}

static struct row_place place_of(struct yard *y, const char *stand, size_t i)
{
    struct row_place *places = NULL, found;
    size_t n = 0;
    struct err e = {0};
    ok(store_row_list(y->s, stand, 10, &places, &n, &e));
    assert_true(i < n);
    found = places[i];
    free(places);
    return found;
}

static int64_t begin(struct yard *y, const struct row_place *place)
{
    struct err e = {0};
    struct battery b;
    int64_t nr = 0;
    ok(store_battery_find(y->s, place->battery, &b, &e));
    struct run_begin r = run_of(&b);
    r.row_nr = place->nr;
    ok(store_run_begin(y->s, &r, &nr, &e));
    return nr;
}

static void a_row_goes_through_its_states(void **state)
{
    struct fixture *f = *state;
    struct err e = {0};
    struct yard y = open_yard(f);
    add(&y, "jetty", 0, 3);
    add(&y, "slipway", 3, 1);
    assert_string_equal(row_at(&y, "jetty"), "1:lamp-1:waiting 2:lamp-2:waiting 3:lamp-3:waiting");
    struct row_place first = place_of(&y, "jetty", 0);
    assert_string_equal(first.added_by, "maud");
    assert_string_equal(first.profile, "capacity");
    assert_int_equal(first.added_utc_ns, FIXTURE_UTC_NS);
    ok(store_row_asked(y.s, first.nr, FIXTURE_UTC_NS + 1, &e));
    ok(store_row_asked(y.s, first.nr, FIXTURE_UTC_NS + 9, &e));
    assert_int_equal(place_of(&y, "jetty", 0).asked_utc_ns, FIXTURE_UTC_NS + 1);
    assert_string_equal(row_at(&y, "jetty"), "1:lamp-1:asked 2:lamp-2:waiting 3:lamp-3:waiting");

    int64_t nr = begin(&y, &first);
    assert_string_equal(row_at(&y, "jetty"), "1:lamp-2:waiting 2:lamp-3:waiting 0:lamp-1:running");
    store_close(y.s); /* and nothing of it is forgotten */
    ok(store_open(f->path, &y.s, &e));
    ok(store_run_end(y.s, nr, RUN_TRIPPED, FIXTURE_UTC_NS + 50, NULL, NULL, &e));
    struct row_place left = place_of(&y, "jetty", 2);
    assert_int_equal(left.state, ROW_DONE);
    assert_int_equal(left.outcome, RUN_TRIPPED);
    assert_int_equal(left.run_nr, nr);
    assert_int_equal(left.ended_utc_ns, FIXTURE_UTC_NS + 50);
    assert_true(uuid7_is_valid(left.run_id));

    struct row_place second = place_of(&y, "jetty", 0);
    ok(store_row_drop(y.s, second.nr, "leaks", FIXTURE_UTC_NS + 60, &e));
    assert_string_equal(row_at(&y, "jetty"), "1:lamp-3:waiting 0:lamp-2:dropped 0:lamp-1:done");
    assert_string_equal(place_of(&y, "jetty", 1).reason, "leaks");
    assert_string_equal(row_at(&y, "slipway"), "1:lamp-4:waiting");
    store_close(y.s);
    check_integrity(f->path);
}

/* A run that was cut off and is taken up again is the same place in the row. */
static void a_run_that_is_cut_off_keeps_its_place(void **state)
{
    struct fixture *f = *state;
    struct err e = {0};
    struct yard y = open_yard(f);
    int count = 0;
    add(&y, "jetty", 0, 1);
    struct row_place place = place_of(&y, "jetty", 0);
    int64_t nr = begin(&y, &place);
    ok(store_mark_interrupted(y.s, FIXTURE_UTC_NS, &count, &e));
    assert_string_equal(row_at(&y, "jetty"), "0:lamp-1:done");
    ok(store_run_resume(y.s, nr, &e));
    assert_string_equal(row_at(&y, "jetty"), "0:lamp-1:running");
    store_close(y.s);
}

static void what_does_not_wait_is_refused(void **state)
{
    struct fixture *f = *state;
    struct err e = {0};
    struct yard y = open_yard(f);
    add(&y, "jetty", 0, 2);
    struct row_place place = place_of(&y, "jetty", 0);
    begin(&y, &place);
    assert_false(store_row_drop(y.s, place.nr, "", FIXTURE_UTC_NS, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    assert_false(store_row_move(y.s, &place, 1, &e));
    assert_int_equal(e.code, ERR_REFUSED);

    /* Begun twice, or dropped just now: the run is not begun either. */
    struct run_begin r = run_of(&y.lamp[0]);
    r.row_nr = place.nr;
    int64_t nr = 0, before = ask_int(f->path, "SELECT count(*) FROM run");
    assert_false(store_run_begin(y.s, &r, &nr, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    assert_non_null(strstr(e.text, "taken out of the row"));
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM run"), before);

    /* One that waits already brings the whole addition down. */
    const struct row_wanted again = {.stand = "slipway",
                                     .profile = "capacity",
                                     .batteries = &y.lamp[0],
                                     .count = 3,
                                     .utc_ns = FIXTURE_UTC_NS};
    assert_false(store_row_add(y.s, &again, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    assert_string_equal(e.text,
                        "lamp-2 waits at jetty for \"capacity\" already; nothing was added");
    assert_string_equal(row_at(&y, "slipway"), "");
    store_close(y.s);
}

static void a_place_is_moved(void **state)
{
    struct fixture *f = *state;
    struct err e = {0};
    struct yard y = open_yard(f);
    add(&y, "jetty", 0, 4);
    struct row_place third = place_of(&y, "jetty", 2);
    ok(store_row_move(y.s, &third, 1, &e));
    assert_string_equal(row_at(&y, "jetty"), "1:lamp-3:waiting 2:lamp-1:waiting 3:lamp-2:waiting "
                                             "4:lamp-4:waiting");
    struct row_place first = place_of(&y, "jetty", 0);
    ok(store_row_move(y.s, &first, 3, &e));
    assert_string_equal(row_at(&y, "jetty"), "1:lamp-1:waiting 2:lamp-2:waiting 3:lamp-3:waiting "
                                             "4:lamp-4:waiting");
    first = place_of(&y, "jetty", 0);
    ok(store_row_move(y.s, &first, 99, &e));
    assert_string_equal(row_at(&y, "jetty"), "1:lamp-2:waiting 2:lamp-3:waiting 3:lamp-4:waiting "
                                             "4:lamp-1:waiting");
    first = place_of(&y, "jetty", 0);
    ok(store_row_move(y.s, &first, 1, &e)); /* stays */
    assert_string_equal(row_at(&y, "jetty"), "1:lamp-2:waiting 2:lamp-3:waiting 3:lamp-4:waiting "
                                             "4:lamp-1:waiting");
    store_close(y.s);
}

static void a_row_has_an_end(void **state)
{
    struct fixture *f = *state;
    struct err e = {0};
    struct yard y = open_yard(f);
    struct battery *many = zalloc((ROW_WAITING_MOST + 1) * sizeof *many);
    for (size_t i = 0; i <= ROW_WAITING_MOST; i++)
        many[i] = y.lamp[0];
    const struct row_wanted wanted = {.stand = "jetty",
                                      .profile = "capacity",
                                      .batteries = many,
                                      .count = ROW_WAITING_MOST + 1,
                                      .utc_ns = FIXTURE_UTC_NS};
    assert_false(store_row_add(y.s, &wanted, &e));
    assert_non_null(strstr(e.text, "500 are the most"));
    free(many);
    store_close(y.s);
}

/* --- records that are corrected --- */

static struct run_row run_number(const struct fixture *f, const char *which)
{
    struct reader *r = NULL;
    struct run_row row;
    struct err e = {0};
    ok(reader_open(f->path, &r, &e));
    ok(reader_run(r, which, &row, &e));
    reader_close(r);
    return row;
}

static void record_is(const struct fixture *f, const char *which, int cells, double rated_Ah)
{
    struct run_row row = run_number(f, which);
    assert_string_equal(row.battery, "lamp-one");
    assert_int_equal(row.battery_record.cells, cells);
    assert_float_equal(row.battery_record.rated_Ah, rated_Ah, 0);
    run_row_free(&row);
}

static void a_correction_leaves_former_runs_alone(void **state)
{
    struct fixture *f = *state;
    struct err e = {0};
    struct yard y = open_yard(f);
    struct battery b = y.lamp[0], back;
    int64_t nr = 0;
    for (int i = 0; i < 3; i++) { /* run 1 with 90 Ah, 2 with 80, 3 with 8 cells */
        struct run_begin r = run_of(&b);
        ok(store_run_begin(y.s, &r, &nr, &e));
        ok(store_run_end(y.s, nr, RUN_COMPLETED, FIXTURE_UTC_NS + i, NULL, NULL, &e));
        b.rated_Ah = i == 0 ? 80 : b.rated_Ah;
        b.cells = i == 1 ? 8 : b.cells;
        b.charge_current_max_A = 12.5;
        strcpy(b.label, "lamp-one");
        if (i < 2)
            ok(store_battery_edit(y.s, &b, FIXTURE_UTC_NS + i, &e));
    }
    record_is(f, "1", 4, 90);
    record_is(f, "2", 4, 80);
    record_is(f, "3", 8, 80);
    ok(store_battery_find(y.s, "lamp-one", &back, &e));
    assert_float_equal(back.charge_current_max_A, 12.5, 0);
    assert_string_equal(back.id, y.lamp[0].id);

    /* A label that is taken, or nonsense: nothing changes, also not the history. */
    int64_t before = ask_int(f->path, "SELECT count(*) FROM battery_was");
    strcpy(b.label, "lamp-2");
    assert_false(store_battery_edit(y.s, &b, FIXTURE_UTC_NS, &e));
    assert_non_null(strstr(e.text, "in the register already"));
    b.cells = 0;
    assert_false(store_battery_edit(y.s, &b, FIXTURE_UTC_NS, &e));
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM battery_was"), before);
    store_close(y.s);
    check_integrity(f->path);
}

static void the_newest_verdict_is_found(void **state)
{
    struct fixture *f = *state;
    struct err e = {0};
    struct yard y = open_yard(f);
    static const char *const results[] = {"{\"verdict\":\"fail\"}", "{\"verdict\":\"pass\"}",
                                          "{\"verdict\":null}", NULL};
    struct reader *r = NULL;
    int64_t nr = 0, judged = 0;
    for (size_t i = 0; i < 4; i++) {
        struct run_begin b = run_of(&y.lamp[0]);
        ok(store_run_begin(y.s, &b, &nr, &e));
        ok(store_run_end(y.s, nr, RUN_COMPLETED, FIXTURE_UTC_NS, NULL, results[i], &e));
    }
    struct run_begin b = run_of(&y.lamp[0]);
    ok(store_run_begin(y.s, &b, &nr, &e));
    ok(store_run_end(y.s, nr, RUN_STOPPED, FIXTURE_UTC_NS, NULL, "{\"verdict\":\"undecided\"}",
                     &e));
    ok(reader_open(f->path, &r, &e));
    ok(reader_judged(r, y.lamp[0].id, &judged, &e));
    assert_int_equal(judged, 2);
    ok(reader_judged(r, y.lamp[1].id, &judged, &e));
    assert_int_equal(judged, 0);
    reader_close(r);
    store_close(y.s);
}

#define yard(test) cmocka_unit_test_setup_teardown(test, fixture_setup, fixture_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(a_row_goes_through_its_states),
        yard(a_run_that_is_cut_off_keeps_its_place),
        yard(what_does_not_wait_is_refused),
        yard(a_place_is_moved),
        yard(a_row_has_an_end),
        yard(a_correction_leaves_former_runs_alone),
        yard(the_newest_verdict_is_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
