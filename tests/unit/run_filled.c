/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the ledger knows of a battery that should be full: the last thing that was done to it
 * decides, however many runs ago that was. */
#include "run/filled.h"
#include "store_fixture.h"

struct yard {
    struct fixture f;
    struct store *s;
    struct reader *r;
};

static int setup(void **state)
{
    struct yard *y = zalloc(sizeof *y);
    *state = y;
    fixture_open(&y->f, &y->s, &y->r);
    return 0;
}

static int teardown(void **state)
{
    struct yard *y = *state;
    fixture_close(&y->f, y->s, y->r);
    free(y);
    return 0;
}

/* A run of launch-a whose steps are of these kinds. */
static void a_run(struct yard *y, const char *first, const char *second)
{
    struct err e = {0};
    const char *const kinds[] = {first, second};
    int64_t nr = begin_a_run(y->s);
    for (int i = 0; i < 2 && kinds[i] != NULL; i++) {
        const struct step_begin step = {i, i, 1, "step", kinds[i], i};
        assert_true(store_put_step_begin(y->s, nr, &step));
        assert_true(store_put_step_end(y->s, nr, i, i + 0.5, "time"));
    }
    ok(store_flush(y->s, 20000, &e));
    ok(store_run_end(y->s, nr, RUN_COMPLETED, FIXTURE_UTC_NS + nr, NULL, NULL, &e));
}

/* The warning; "" when there is none. */
static const char *warning(struct yard *y, struct plan *p, const char *label, bool starts_full)
{
    struct err e = {0};
    *p = (struct plan){.starts_full = starts_full, .battery = launch(label)};
    ok(filled_warn(y->s, p, &e));
    return p->warnings.count > 0 ? p->warnings.text[0] : "";
}

static void the_last_current_decides(void **state)
{
    struct yard *y = *state;
    struct plan p;
    a_run(y, "rest", "discharge");
    assert_string_equal(warning(y, &p, "launch-a", true),
                        "launch-a was last discharged here in run 1, and no charge since is on "
                        "record: unless it was filled elsewhere, it is not full and the verdict "
                        "would be of a part of it");
    assert_int_equal(p.warnings.count, 1);
    a_run(y, "discharge", "charge");
    assert_string_equal(warning(y, &p, "launch-a", true), "");
    a_run(y, "pulse", "rest");
    assert_non_null(strstr(warning(y, &p, "launch-a", true), "in run 3,"));
}

static void a_run_without_current_says_nothing(void **state)
{
    struct yard *y = *state;
    struct plan p;
    a_run(y, "rest", NULL);
    assert_string_equal(warning(y, &p, "launch-a", true), "");
    a_run(y, "discharge", NULL);
    a_run(y, "rest", "hold");
    a_run(y, NULL, NULL);
    assert_non_null(strstr(warning(y, &p, "launch-a", true), "in run 2,"));
}

static void only_where_it_matters(void **state)
{
    struct yard *y = *state;
    struct plan p;
    struct err e = {0};
    struct battery other = launch("launch-b");
    a_run(y, "discharge", NULL);
    ok(store_battery_add(y->s, &other, &e));
    assert_string_equal(warning(y, &p, "launch-a", false), ""); /* it is filled by the profile */
    assert_string_equal(warning(y, &p, "launch-b", true), "");
}

#define yard(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(the_last_current_decides),
        yard(a_run_without_current_says_nothing),
        yard(only_where_it_matters),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
