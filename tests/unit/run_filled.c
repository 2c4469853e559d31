/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the ledger knows of a battery that should be full: the last thing that was done to it
 * decides, however many runs ago that was. */
#include "run/filled.h"
#include "store_fixture.h"

struct did {
    const char *kind, *end_reason;
};
static const struct did REST = {"rest", "duration over"}, HOLD = {"hold", "confirmed by a person"},
                        DISCHARGE = {"discharge", "cut-off reached"},
                        PULSE = {"pulse", "pulses done"}, CHARGE = {"charge", "current tapered"};

/* A run of launch-a with these steps, up to the first without a kind; one without an end reason
 * was not ended. */
static void a_run(struct ledger *l, struct did first, struct did second)
{
    struct err e = {0};
    const struct did steps[] = {first, second};
    int64_t nr = begin_a_run(l->s);
    for (int i = 0; i < 2 && steps[i].kind != NULL; i++) {
        const struct step_begin step = {i, i, 1, "step", steps[i].kind, i};
        assert_true(store_put_step_begin(l->s, nr, &step));
        if (steps[i].end_reason != NULL) {
            assert_true(store_put_step_end(l->s, nr, i, i + 0.5, steps[i].end_reason));
        }
    }
    ok(store_flush(l->s, 20000, &e));
    ok(store_run_end(l->s, nr, RUN_COMPLETED, FIXTURE_UTC_NS + nr, NULL, NULL, &e));
}
#define NOTHING_MORE ((struct did){NULL, NULL})

static const char *note(struct ledger *l, const char *label, bool starts_full)
{
    static char text[PLAN_NOTE_SIZE];
    const struct profile p = {.full_confirmed = starts_full};
    filled_note(l->s, &p, label, text);
    return text;
}

static void the_last_current_decides(void **state)
{
    struct ledger *l = *state;
    a_run(l, REST, DISCHARGE);
    assert_string_equal(note(l, "launch-a", true),
                        "launch-a was last discharged in run 1, and no charge that filled it is on "
                        "record since: unless it was filled elsewhere, it is not full and the "
                        "verdict would be of a part of it");
    a_run(l, DISCHARGE, CHARGE);
    assert_string_equal(note(l, "launch-a", true), "");
    a_run(l, PULSE, REST);
    assert_non_null(strstr(note(l, "launch-a", true), "in run 3,"));
    a_run(l, (struct did){"charge", "time limit reached"}, REST);
    assert_string_equal(note(l, "launch-a", true), "");
}

static void a_charge_that_did_not_fill_it_settles_nothing(void **state)
{
    static const char *const ends[] = {"charge limit reached",
                                       "charge voltage reached",
                                       "tripped",
                                       "stopped",
                                       "interrupted",
                                       NULL};
    struct ledger *l = *state;
    a_run(l, DISCHARGE, REST);
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        a_run(l, (struct did){"charge", ends[i]}, NOTHING_MORE);
        assert_non_null(strstr(note(l, "launch-a", true), "in run 1,"));
    }
    a_run(l, CHARGE, (struct did){"charge", "charge limit reached"});
    assert_string_equal(note(l, "launch-a", true), "");
}

static void a_run_without_current_says_nothing(void **state)
{
    struct ledger *l = *state;
    a_run(l, REST, NOTHING_MORE);
    assert_string_equal(note(l, "launch-a", true), "");
    a_run(l, DISCHARGE, NOTHING_MORE);
    a_run(l, REST, HOLD);
    a_run(l, NOTHING_MORE, NOTHING_MORE);
    assert_non_null(strstr(note(l, "launch-a", true), "in run 2,"));
}

static void only_where_it_matters(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    struct battery other = launch("launch-b");
    a_run(l, DISCHARGE, NOTHING_MORE);
    ok(store_battery_add(l->s, &other, &e));
    assert_string_equal(note(l, "launch-a", false), ""); /* it is filled by the profile */
    assert_string_equal(note(l, "launch-b", true), "");
}

static void a_plan_keeps_the_doubt_where_it_starts_full(void **state)
{
    struct plan p = {.starts_full = true};
    (void)state;
    plan_doubt_full(&p, "");
    assert_int_equal(p.warnings.count, 0);
    plan_doubt_full(&p, "it was emptied");
    assert_string_equal(p.full_doubt, "it was emptied");
    assert_string_equal(p.warnings.text[0], "it was emptied");
    struct plan filled_by_itself = {.starts_full = false};
    plan_doubt_full(&filled_by_itself, "it was emptied");
    assert_int_equal(filled_by_itself.warnings.count, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        ledger(the_last_current_decides),
        ledger(a_charge_that_did_not_fill_it_settles_nothing),
        ledger(a_run_without_current_says_nothing),
        ledger(only_where_it_matters),
        cmocka_unit_test(a_plan_keeps_the_doubt_where_it_starts_full),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
