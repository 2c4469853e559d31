/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the battery register: what goes in comes out bit by bit, labels are
 * unique, a slip of the pen is understood. */
#include "store_fixture.h"

static void a_battery_comes_back_bit_by_bit(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    struct battery b = launch("launch-a");
    b.chemistry = CHEM_SODIUM_ION;
    b.rated_Ah = nextafter(90.1, 91.0);
    b.rated_hours = (double)NAN;
    b.rated_cutoff_V = 0.1 + 0.2;
    b.current_max_A = 5e-324; /* the smallest there is */
    b.temperature_max_C = 1.7976931348623157e308;
    snprintf(b.note, sizeof b.note, "bow locker, \"port\"; d\xc3\xa9j\xc3\xa0 vu");
    ok(store_battery_add(s, &b, &e));
    assert_true(uuid7_is_valid(b.id));
    store_close(s);

    ok(store_open(f->path, &s, &e));
    struct battery back;
    ok(store_battery_find(s, "launch-a", &back, &e));
    assert_string_equal(back.id, b.id);
    assert_string_equal(back.label, b.label);
    assert_int_equal(back.chemistry, CHEM_SODIUM_ION);
    assert_int_equal(back.cells, 4);
    assert_memory_equal(&back.rated_Ah, &b.rated_Ah, sizeof(double));
    assert_true(isnan(back.rated_hours));
    assert_memory_equal(&back.rated_cutoff_V, &b.rated_cutoff_V, sizeof(double));
    assert_memory_equal(&back.current_max_A, &b.current_max_A, sizeof(double));
    assert_memory_equal(&back.temperature_max_C, &b.temperature_max_C, sizeof(double));
    assert_string_equal(back.lot, "spring");
    assert_string_equal(back.note, b.note);
    assert_int_equal(back.created_utc_ns, FIXTURE_UTC_NS);
    assert_int_equal(back.retired_utc_ns, 0);
    store_close(s);
}

static void the_store_dates_a_battery_when_nobody_else_does(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    struct battery b = launch("launch-a");
    b.created_utc_ns = 0;
    int64_t before = clock_real_utc_ns();
    ok(store_battery_add(s, &b, &e));
    assert_in_range(b.created_utc_ns, before, clock_real_utc_ns());
    store_close(s);
}

static void a_label_is_given_once(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    struct battery b = launch("launch-a"), again = launch("launch-a");
    ok(store_battery_add(s, &b, &e));
    assert_false(store_battery_add(s, &again, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_string_equal(e.text, "a battery with the label \"launch-a\" is in the register already; "
                                "choose another label");
    /* And nothing else was hurt by it. */
    struct battery other = launch("launch-b");
    ok(store_battery_add(s, &other, &e));
    struct battery *list = NULL;
    size_t n = 0;
    ok(store_battery_list(s, &list, &n, &e));
    assert_int_equal(n, 2);
    free(list);
    store_close(s);
}

static void nonsense_is_refused(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    struct battery b = launch("");
    assert_false(store_battery_add(s, &b, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    b = launch("launch-a");
    b.cells = 0;
    assert_false(store_battery_add(s, &b, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    struct battery *list = NULL;
    size_t n = 1;
    ok(store_battery_list(s, &list, &n, &e));
    assert_int_equal(n, 0);
    free(list);
    store_close(s);
}

static void a_slip_of_the_pen_is_understood(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    struct battery found;
    ok(store_open(f->path, &s, &e));
    assert_false(store_battery_find(s, "launch-a", &found, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_null(strstr(e.text, "did you mean"));
    struct battery b = launch("launch-a"), lamp = launch("hand-lamp-3");
    ok(store_battery_add(s, &b, &e));
    ok(store_battery_add(s, &lamp, &e));
    assert_false(store_battery_find(s, "lanch-a", &found, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_non_null(strstr(e.text, "\"lanch-a\""));
    assert_non_null(strstr(e.text, "did you mean \"launch-a\"?"));
    assert_non_null(strstr(e.text, "ampledger battery list"));
    store_close(s);
}

static void the_list_is_in_order_of_labels(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    static const char *const labels[] = {"navigation-2", "hand-lamp-1", "launch-b", "launch-a",
                                         "navigation-1"};
    for (size_t i = 0; i < 5; i++) {
        struct battery b = launch(labels[i]);
        ok(store_battery_add(s, &b, &e));
    }
    struct battery *list = NULL;
    size_t n = 0;
    ok(store_battery_list(s, &list, &n, &e));
    assert_int_equal(n, 5);
    for (size_t i = 1; i < n; i++)
        assert_true(strcmp(list[i - 1].label, list[i].label) < 0);
    free(list);
    store_close(s);
}

static void retiring_happens_once(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    struct battery b = launch("launch-a"), back;
    ok(store_battery_add(s, &b, &e));
    ok(store_battery_retire(s, "launch-a", FIXTURE_UTC_NS + 5, &e));
    ok(store_battery_retire(s, "launch-a", FIXTURE_UTC_NS + 9, &e));
    ok(store_battery_find(s, "launch-a", &back, &e));
    assert_int_equal(back.retired_utc_ns, FIXTURE_UTC_NS + 5);
    assert_false(store_battery_retire(s, "launch-z", FIXTURE_UTC_NS, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    store_close(s);
}

#define yard(test) cmocka_unit_test_setup_teardown(test, fixture_setup, fixture_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(a_battery_comes_back_bit_by_bit),
        yard(the_store_dates_a_battery_when_nobody_else_does),
        yard(a_label_is_given_once),
        yard(nonsense_is_refused),
        yard(a_slip_of_the_pen_is_understood),
        yard(the_list_is_in_order_of_labels),
        yard(retiring_happens_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
