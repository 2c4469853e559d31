/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the profile reader: charge, pulse, hold, repeat, and what discharge and
 * rest say besides. Values as read; each mistake with its place and its remedy. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/file.h"
#include "profile/plan.h"

#include <stdio.h>
#include <string.h>

static const char good[] =
    "profile: Every kind\n"                                                  /* 1 */
    "steps:\n"                                                               /* 2 */
    "  - hold: {say: \"connect it\", remind_every: 10 min, at_most: 12 h}\n" /* 3 */
    "  - repeat:\n"                                                          /* 4 */
    "      name: cycles\n"                                                   /* 5 */
    "      times: 30\n"                                                      /* 6 */
    "      until: {capacity_below: 80 %, capacity_reached: 3 Ah, agree_within: 2 %, cutoff: yes}\n"
    "      of: capacity\n"                                                     /* 8 */
    "      steps:\n"                                                           /* 9 */
    "        - charge:\n"                                                      /* 10 */
    "            name: fill\n"                                                 /* 11 */
    "            current: 0.5 C\n"                                             /* 12 */
    "            voltage: 2.4 V/cell\n"                                        /* 13 */
    "            compensation: {per_degree: -3 mV/cell, reference: 25 degC}\n" /* 14 */
    "            until: {current: 0.05 C, voltage: 14 V, drop: 5 mV/cell, warming: 1 degC/min, "
    "charge: 40 %, time: 3 h}\n"                        /* 15 */
    "            hold_off: 10 min\n"                    /* 16 */
    "            at_most: {time: 8 h, charge: 120 %}\n" /* 17 */
    "            precharge: {below: 1.9 V/cell, current: 0.05 C, at_most: {time: 30 min}}\n" /* 18
                                                                                              */
    "            sample_every: 1 s\n"                                                /* 19 */
    "        - rest: {until: {settled: 5 mV/h}, at_least: 10 min, at_most: 8 h}\n"   /* 20 */
    "        - discharge: {name: capacity, power: 50 W, until: {voltage: 10.5 V}}\n" /* 21 */
    "  - pulse:\n"                                                                   /* 22 */
    "      name: push\n"                                                             /* 23 */
    "      currents: [{current: 0 A, for: 10 s}, {current: 1 C, for: 1 s}]\n"        /* 24 */
    "      direction: charge\n"                                                      /* 25 */
    "      voltage: 14.4 V\n"                                                        /* 26 */
    "      until: {voltage: 14.6 V}\n"                                               /* 27 */
    "      sample_every: 0.1 s\n"                                                    /* 28 */
    "  - discharge: {name: last, resistance: 2 Ohm, at_most: {time: 1 h}}\n"         /* 29 */
    "acceptance: {step: capacity, capacity: 80 %, counts: mean}\n";                  /* 30 */

static struct profile *load(const char *text)
{
    struct profile *p = NULL;
    struct err e = {0};
    if (!profile_load_text("p.yaml", text, strlen(text), &p, &e))
        fail_msg("%s", e.text);
    return p;
}

static void test_all_kinds(void **state)
{
    (void)state;
    struct profile *p = load(good);
    static const struct {
        enum step_kind kind;
        const char *name;
    } order[] = {
        {STEP_HOLD, "hold 1"}, {STEP_CHARGE, "fill pre-charge"}, {STEP_CHARGE, "fill"},
        {STEP_REST, "rest 4"}, {STEP_DISCHARGE, "capacity"},     {STEP_REPEAT, "cycles"},
        {STEP_PULSE, "push"},  {STEP_DISCHARGE, "last"},
    };
    assert_int_equal(p->step_count, 8);
    for (size_t i = 0; i < 8; i++) {
        assert_int_equal(p->steps[i].kind, order[i].kind);
        assert_string_equal(p->steps[i].name, order[i].name);
    }
    const struct profile_step *s = p->steps;
    assert_string_equal(s[0].say, "connect it");
    assert_float_equal(s[0].remind_every.q.value, 600, 0);
    assert_float_equal(s[0].at_most_time.q.value, 43200, 0);

    assert_float_equal(s[1].until_voltage.q.value, 1.9, 1e-6);
    assert_float_equal(s[1].skip_above.q.value, 1.9, 1e-6);
    assert_float_equal(s[1].voltage.q.value, 2.4, 1e-6);
    assert_float_equal(s[1].at_most_time.q.value, 1800, 0);
    assert_int_equal(s[1].line, 18);

    assert_float_equal(s[2].compensation.q.value, -0.003, 1e-9);
    assert_float_equal(s[2].compensation_reference.q.value, 25, 0);
    assert_float_equal(s[2].until_current.q.value, 0.05, 1e-9);
    assert_float_equal(s[2].until_voltage.q.value, 14, 0);
    assert_float_equal(s[2].until_drop.q.value, 0.005, 1e-9);
    assert_float_equal(s[2].until_warming.q.value, 1, 0);
    assert_float_equal(s[2].until_charge.q.value, 0.4, 1e-9);
    assert_float_equal(s[2].until_time.q.value, 10800, 0);
    assert_float_equal(s[2].at_most_charge.q.value, 1.2, 1e-6);

    assert_float_equal(s[3].until_settled.q.value, 0.005, 1e-9);
    assert_float_equal(s[3].at_least.q.value, 600, 0);
    assert_float_equal(s[3].at_most_time.q.value, 28800, 0);
    assert_float_equal(s[4].power.q.value, 50, 0);

    assert_int_equal(s[5].repeat.times, 30);
    assert_int_equal(s[5].repeat.back_to, 1);
    assert_int_equal(s[5].repeat.of_step, 4);
    assert_true(s[5].repeat.until_cutoff);
    assert_float_equal(s[5].repeat.until_agree.q.value, 0.02, 1e-9);

    assert_int_equal(s[6].segment_count, 2);
    assert_true(s[6].charges);
    assert_float_equal(s[6].segments[0].current.q.value, 0, 0);
    assert_float_equal(s[6].segments[1].duration.q.value, 1, 0);
    assert_float_equal(s[7].resistance.q.value, 2, 0);
    assert_int_equal(p->acceptance.counts, ATTEMPT_MEAN);
    profile_free(p);
}

/* Of a group with one discharge to a cut-off, that one is meant. */
static void test_of_by_itself(void **state)
{
    (void)state;
    struct profile *p = load("profile: x\nsteps:\n  - repeat:\n      times: 2\n"
                             "      until: {agree_within: 1 %}\n      steps:\n"
                             "        - rest: {for: 1 s}\n"
                             "        - discharge: {current: 1 A, until: {voltage: 9 V}}\n");
    assert_int_equal(p->steps[2].repeat.of_step, 1);
    assert_int_equal(p->steps[2].repeat.back_to, 0);
    assert_string_equal(p->steps[2].name, "repeat 3");
    profile_free(p);
}

/* Groups within groups, as deep as is allowed, and one deeper. */
static void test_nesting(void **state)
{
    (void)state;
    for (int depth = 4; depth <= 5; depth++) {
        char text[4096] = "profile: Deep\nsteps:\n";
        struct profile *p = NULL;
        struct err e = {0};
        for (int d = 0; d < depth; d++) {
            size_t n = strlen(text);
            snprintf(text + n, sizeof text - n, "%*s- repeat:\n%*stimes: 2\n%*ssteps:\n", 4 * d, "",
                     4 * d + 4, "", 4 * d + 4, "");
        }
        size_t n = strlen(text);
        /* The deepest that is allowed has room for the deepest step. */
        snprintf(text + n, sizeof text - n, "%*s- %s\n", 4 * depth, "",
                 depth == 4 ? "pulse: {currents: [{current: 1 A, for: 1 s}], until: {voltage: 9 V}}"
                            : "rest: {for: 1 s}");
        bool taken = profile_load_text("p.yaml", text, strlen(text), &p, &e);
        assert_int_equal(taken, depth == 4);
        if (taken) {
            assert_int_equal(p->step_count, 5);
            for (size_t i = 1; i < 5; i++)
                assert_int_equal(p->steps[i].repeat.back_to, 0);
        } else {
            assert_non_null(strstr(e.text, "repeats can be nested at most 4 deep"));
        }
        profile_free(p);
    }
}

/* What is changed; where the message points; what it holds. */
static const struct {
    const char *from, *to, *place, *message;
} bad[] = {
    /* hold */
    {"say: \"connect it\", ", "", "p.yaml:3:11:", "a hold needs what the person is to do"},
    {", at_most: 12 h", "", "p.yaml:3:11:", "a hold needs how long it waits: write e.g. at_most"},
    {"at_most: 12 h", "at_most: 12 V", "p.yaml:3:", "\"12 V\" is a voltage; a time is wanted here"},
    {"remind_every", "remind_evry", "p.yaml:3:31:", "did you mean \"remind_every\"?"},
    /* repeat */
    {"      times: 30\n", "", "p.yaml:5:7:", "a repeat needs how often at most, so that it ends"},
    {"times: 30", "times: 0", "p.yaml:6:14:", "0"},
    {"times: 30", "times: forever", "p.yaml:6:14:", "forever"},
    {"capacity_below: 80 %", "capacity_bellow: 80 %",
     "p.yaml:7:15:", "did you mean \"capacity_below\"?"},
    {"agree_within: 2 %", "agree_within: 2 Ah", "p.yaml:7:", "is a charge; a ratio is wanted"},
    {"of: capacity", "of: capasity",
     "p.yaml:8:11:", "no step of this group has the name \"capasity\"; did you mean \"capacity\"?"},
    {"of: capacity", "of: last", "p.yaml:8:11:", "no step of this group has the name \"last\""},
    {"of: capacity", "of: fill", "p.yaml:8:11:", "step \"fill\" delivers no capacity to look at"},
    {", until: {voltage: 10.5 V}}", ", at_most: {time: 1 h}}",
     "p.yaml:8:11:", "step \"capacity\" delivers no capacity to look at"},
    {"      steps:\n", "      stepz:\n", "p.yaml:9:7:", "did you mean \"steps\"?"},
    /* charge */
    {"            current: 0.5 C\n", "",
     "p.yaml:11:13:", "a charge needs its current: write e.g. current: 0.2 C"},
    {"            voltage: 2.4 V/cell\n", "",
     "p.yaml:13:27:", "\"compensation\" shifts the voltage that is held: write voltage too"},
    {", reference: 25 degC", "", "p.yaml:14:27:", "\"compensation\" needs both its keys"},
    {"-3 mV/cell", "-3 mV", "p.yaml:14:40:", "a voltage per"},
    {"drop: 5 mV/cell", "drop: 5 degC", "p.yaml:15:", "\"5 degC\" is a temperature"},
    {"charge: 40 %", "charge: 140 %",
     "p.yaml:17:22:", "\"at_most\" is less than the charge in \"until\""},
    {"time: 3 h", "time: 9 h",
     "p.yaml:17:22:", "\"at_most\" is shorter than the time in \"until\""},
    {"at_most: {time: 8 h", "at_most: {tim: 8 h", "p.yaml:17:23:", "did you mean \"time\"?"},
    {", time: 3 h}\n            hold_off: 10 min\n            at_most: {time: 8 h, charge: 120 "
     "%}\n",
     "}\n", "p.yaml:11:13:", "a charge needs a longest time, so that it ends whatever happens"},
    {"drop: 5 mV/cell, warming: 1 degC/min, ", "", "p.yaml:16:23:", "\"hold_off\" goes with until"},
    {"below: 1.9 V/cell, ", "", "p.yaml:18:24:", "a pre-charge needs all of"},
    {", at_most: {time: 30 min}}", "}", "p.yaml:18:24:", "a pre-charge needs all of"},
    {"name: fill\n", "name: fill every launch battery long before the season\n",
     "p.yaml:11:19:", "\"name\" is too long"},
    {"name: fill\n", "name: fill each of our batteries at the jetty\n",
     "p.yaml:18:24:", "is too long for \" pre-charge\""},
    /* rest */
    {", at_most: 8 h}", "}", "p.yaml:20:17:", "a rest until settled needs its longest time"},
    {"at_least: 10 min", "at_least: 10 h", "p.yaml:20:", "must be shorter than \"at_most\""},
    {"until: {settled: 5 mV/h}, at_least", "for: 1 h, at_least",
     "p.yaml:20:17:", "go with until: {settled: 5 mV/h}"},
    {"until: {settled: 5 mV/h}", "for: 1 h, until: {settled: 5 mV/h}",
     "p.yaml:20:", "\"for\" a time or \"until\" it has settled: keep one"},
    {"at_most: 8 h", "at_most: {charge: 8 Ah}", "p.yaml:20:", "no charge flows at rest"},
    {"5 mV/h", "5 mV", "p.yaml:20:35:", "\"5 mV\" is a voltage; a rate of voltage is wanted here"},
    /* discharge */
    {"power: 50 W", "power: 50 W, current: 1 A",
     "p.yaml:21:", "a discharge holds one of current, power and resistance: keep one"},
    {"power: 50 W", "power: 50 A", "p.yaml:21:", "\"50 A\" is a current; a power is wanted here"},
    {"resistance: 2 Ohm", "resistance: 2 V", "p.yaml:29:", "a resistance is wanted here"},
    {"resistance: 2 Ohm", "resistance: 0 Ohm", "p.yaml:29:", "must be above 0"},
    /* pulse */
    {"currents: [{current: 0 A, for: 10 s}, {current: 1 C, for: 1 s}]", "currents: []",
     "p.yaml:24:17:", "a pulse needs \"currents\", a list of 1 to 32 stretches"},
    {"{current: 1 C, for: 1 s}", "{current: 1 C}",
     "p.yaml:24:45:", "each stretch of a pulse needs its current and its time"},
    {"{current: 1 C, for: 1 s}", "{current: 0 C, for: 1 s}",
     "p.yaml:24:17:", "no current flows in this pulse"},
    {"{current: 1 C, for: 1 s}", "{current: -1 C, for: 1 s}", "p.yaml:24:55:", "must be above 0"},
    {"direction: charge", "direction: sideways",
     "p.yaml:25:18:", "unknown direction \"sideways\"; known are discharge, charge"},
    {"direction: charge", "direction: discharge", "p.yaml:26:16:", "a load holds none"},
    {"      until: {voltage: 14.6 V}\n", "",
     "p.yaml:23:7:", "a pulse needs the voltage at which it stops at once"},
    /* acceptance */
    {"counts: mean", "counts: middle", "p.yaml:30:", "unknown counts \"middle\""},
    {"{step: capacity", "{step: push",
     "p.yaml:30:20:", "the capacity of step \"push\" cannot be judged"},
    {"name: last", "name: push",
     "p.yaml:29:5:", "two steps have the name \"push\" (the other is in line 22); rename one"},
};

static void test_bad(void **state)
{
    (void)state;
    int wrong = 0;
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        char text[4096];
        struct profile *p = NULL;
        struct err e = {0};
        const char *at = strstr(good, bad[i].from);
        assert_non_null(at);
        assert_true(text_format(text, sizeof text, "%.*s%s%s", (int)(at - good), good, bad[i].to,
                                at + strlen(bad[i].from)));
        bool taken = profile_load_text("p.yaml", text, strlen(text), &p, &e);
        bool is_said = !taken && strncmp(e.text, bad[i].place, strlen(bad[i].place)) == 0 &&
                       strstr(e.text, bad[i].message) != NULL && strstr(e.text, "^") != NULL;
        if (!is_said || e.code != ERR_CONFIG) {
            print_error("row %zu, %s\n--- wanted\n%s %s\n--- got\n%s\n", i, bad[i].to, bad[i].place,
                        bad[i].message, taken ? "taken" : e.text);
            wrong++;
        }
        profile_free(p);
    }
    assert_int_equal(wrong, 0);
}

/* Cut anywhere, or with any byte changed or left out, it is read or refused with a
 * message, never more (the sanitizers look on). */
static void test_damaged(void **state)
{
    (void)state;
    size_t refused = 0;
    for (size_t i = 0; i < strlen(good); i++) {
        char text[sizeof good];
        for (int c = 0; c < 5; c++) {
            static const char bytes[] = {'{', '}', ':', '9', '\0'};
            struct profile *p = NULL;
            struct err e = {0};
            memcpy(text, good, sizeof good);
            text[i] = bytes[c]; /* the last cuts the text short */
            if (!profile_load_text("p.yaml", text, strlen(text), &p, &e)) {
                refused++;
                assert_true(strlen(e.text) > 10);
                assert_null(p);
            }
            profile_free(p);
        }
    }
    assert_true(refused > 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_all_kinds), cmocka_unit_test(test_of_by_itself),
        cmocka_unit_test(test_nesting),   cmocka_unit_test(test_bad),
        cmocka_unit_test(test_damaged),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
