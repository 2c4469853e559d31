/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the profile reader: every bad input gives its one exact message with
 * place, line and caret; every shipped profile loads and fits its battery. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/file.h"
#include "profile/chemistry.h"
#include "profile/plan.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static const char good[] = "profile: Lamp check\n" /* 1 */
                           "about: A short one.\n" /* 2 */
                           "for: [lfp, li-ion]\n"  /* 3 */
                           "starts_full: yes\n"    /* 4 */
                           "limits:\n"             /* 5 */
                           "  temperature: {min: 5 degC, max: 45 degC}\n"
                           "  voltage: {min: 2.2 V/cell, max: 14.8 V}\n"
                           "  current: 20 A\n"                    /* 8 */
                           "  trust_time: 2 s\n"                  /* 9 */
                           "  temperature_required: yes\n"        /* 10 */
                           "steps:\n"                             /* 11 */
                           "  - rest: {for: 10 min}\n"            /* 12 */
                           "  - discharge:\n"                     /* 13 */
                           "      name: capacity\n"               /* 14 */
                           "      current: 0.2 C\n"               /* 15 */
                           "      until: {voltage: 2.5 V/cell}\n" /* 16 */
                           "      at_most: {time: 20 h, charge: 150 %}\n"
                           "      sample_every: 500 ms\n" /* 18 */
                           "  - rest: {for: 5 min}\n"     /* 19 */
                           "acceptance:\n"                /* 20 */
                           "  step: capacity\n"           /* 21 */
                           "  capacity: 95 %\n"           /* 22 */
                           "  rule: simple\n";            /* 23 */

/* The good text with one piece changed. */
static void change(const char *from, const char *to, char *out, size_t size)
{
    const char *at = strstr(good, from);
    assert_non_null(at);
    assert_true(text_format(out, size, "%.*s%s%s", (int)(at - good), good, to, at + strlen(from)));
}

static void test_good(void **state)
{
    (void)state;
    struct profile *p = NULL;
    struct err e = {0};
    if (!profile_load_text("yard/lamp-check.yaml", good, strlen(good), &p, &e))
        fail_msg("%s", e.text);
    assert_string_equal(p->path, "yard/lamp-check.yaml");
    assert_string_equal(p->name, "lamp-check");
    assert_string_equal(p->title, "Lamp check");
    assert_string_equal(p->about, "A short one.");
    assert_int_equal(p->chemistries, (1u << CHEM_LFP) | (1u << CHEM_LI_ION));
    assert_int_equal(p->chemistries_line, 3);
    assert_true(p->full_confirmed);
    assert_string_equal(p->text, good);
    char sha[SHA256_TEXT_SIZE];
    sha256_hex(good, strlen(good), sha);
    assert_string_equal(p->sha256, sha);

    const struct profile_limits *l = &p->limits;
    assert_true(l->temperature_required);
    assert_float_equal(l->temperature_min.q.value, 5, 0);
    assert_float_equal(l->temperature_max.q.value, 45, 0);
    assert_float_equal(l->voltage_min.q.value, 2.2, 0);
    assert_int_equal(l->voltage_min.q.dimension, DIM_VOLTAGE_PER_CELL);
    assert_int_equal(l->voltage_max.q.dimension, DIM_VOLTAGE);
    assert_int_equal(l->voltage_max.line, 7);
    assert_float_equal(l->current_max.q.value, 20, 0);
    assert_float_equal(l->trust_time.q.value, 2, 0);

    assert_int_equal(p->step_count, 3);
    assert_int_equal(p->steps[0].kind, STEP_REST);
    assert_string_equal(p->steps[0].name, "rest 1");
    assert_float_equal(p->steps[0].duration.q.value, 600, 0);
    assert_false(p->steps[0].sample_every.present);
    const struct profile_step *s = &p->steps[1];
    assert_int_equal(s->kind, STEP_DISCHARGE);
    assert_string_equal(s->name, "capacity");
    assert_int_equal(s->line, 13);
    assert_int_equal(s->current.q.dimension, DIM_RELATIVE_CURRENT);
    assert_int_equal(s->current.line, 15);
    assert_float_equal(s->until_voltage.q.value, 2.5, 0);
    assert_float_equal(s->at_most_time.q.value, 72000, 0);
    assert_float_equal(s->at_most_charge.q.value, 1.5, 1e-15);
    assert_float_equal(s->sample_every.q.value, 0.5, 0);
    assert_string_equal(p->steps[2].name, "rest 3");

    assert_true(p->acceptance.present);
    assert_string_equal(p->acceptance.step, "capacity");
    assert_float_equal(p->acceptance.capacity.q.value, 0.95, 1e-15);
    assert_false(p->acceptance.guard_share > 0);
    profile_free(p);
}

/* Everything that may be left out is. */
static void test_least(void **state)
{
    (void)state;
    static const char text[] = "profile: Least\nsteps:\n  - discharge: {current: 1 A, until: "
                               "{voltage: 3 V/cell}}\nacceptance: {step: discharge 1, capacity: "
                               "2 Ah}\n";
    struct profile *p = NULL;
    struct err e = {0};
    if (!profile_load_text("least.yaml", text, strlen(text), &p, &e))
        fail_msg("%s", e.text);
    assert_int_equal(p->chemistries, 0);
    assert_false(p->full_confirmed);
    assert_false(p->limits.temperature_required);
    assert_false(p->limits.trust_time.present);
    assert_false(p->steps[0].at_most_time.present);
    assert_true(p->acceptance.guard_share >= 1);
    assert_int_equal(p->acceptance.capacity.q.dimension, DIM_CHARGE);
    profile_free(p);
    static const char shared[] = "profile: Less\nsteps:\n  - discharge: {current: 1 A, until: "
                                 "{voltage: 3 V/cell}}\nacceptance: {step: discharge 1, capacity: "
                                 "2 Ah, guard_share: 82.5 %}\n";
    assert_true(profile_load_text("less.yaml", shared, strlen(shared), &p, &e));
    assert_float_equal(p->acceptance.guard_share, 0.825, 1e-15);
    profile_free(p);
}

/* --- bad input: what is changed, and the whole message --- */

#define SHOWN "\n    "

static const struct {
    const char *from, *to, *message;
} bad[] = {
    /* the head of the file */
    {"profile: Lamp check\n", "",
     "p.yaml:1:1: the key \"profile\" is missing here" SHOWN "about: A short one." SHOWN "^"},
    {"about:", "abuot:",
     "p.yaml:2:1: unknown key \"abuot\"; did you mean \"about\"?" SHOWN "abuot: A short one." SHOWN
     "^"},
    {"about: A short one.", "run: rm -rf /",
     "p.yaml:2:1: unknown key \"run\"; known are profile, about, for, starts_full, limits, steps, "
     "acceptance, on_interruption" SHOWN "run: rm -rf /" SHOWN "^"},
    {"starts_full: yes", "on_interruption: perhaps",
     "p.yaml:4:18: \"on_interruption\" is stop, or how long a gap may be for the run to go on: "
     "{resume_within: 10 min}" SHOWN "on_interruption: perhaps" SHOWN "                 ^"},
    {"starts_full: yes", "on_interruption: {resume_within: 2 h}",
     "p.yaml:4:34: resume_within must be more than zero and at most 1 h: after that a discharge is "
     "no longer one discharge" SHOWN "on_interruption: {resume_within: 2 h}" SHOWN
     "                                 ^"},
    {"starts_full: yes", "starts_full: perhaps",
     "p.yaml:4:14: unknown starts_full \"perhaps\"; known are no, yes, false, true, off, on" SHOWN
     "starts_full: perhaps" SHOWN "             ^"},
    {"for: [lfp, li-ion]", "for: lfp",
     "p.yaml:3:6: \"for\" wants a list of chemistries, e.g. [lfp, li-ion]; leave it out when any "
     "will do" SHOWN "for: lfp" SHOWN "     ^"},
    {"for: [lfp, li-ion]", "for: []",
     "p.yaml:3:6: \"for\" wants a list of chemistries, e.g. [lfp, li-ion]; leave it out when any "
     "will do" SHOWN "for: []" SHOWN "     ^"},
    {"[lfp, li-ion]", "[lfp, lion]",
     "p.yaml:3:12: unknown chemistry \"lion\" (did you mean \"li-ion\"?); known are lfp, li-ion, "
     "lto, sodium-ion, lead-flooded, lead-agm, lead-gel, nimh, nicd" SHOWN "for: [lfp, lion]" SHOWN
     "           ^"},

    /* limits */
    {"temperature: {min: 5 degC, max: 45 degC}", "temperature: {min: 5 degC, max: 45 V}",
     "p.yaml:6:35: \"45 V\" is a voltage; a temperature is wanted here, e.g. 45 degC" SHOWN
     "  temperature: {min: 5 degC, max: 45 V}" SHOWN "                                  ^"},
    {"temperature: {min: 5 degC, max: 45 degC}", "temperature: {min: 45 degC, max: 5 degC}",
     "p.yaml:6:22: \"min\" must be below \"max\" (5 degC)" SHOWN
     "  temperature: {min: 45 degC, max: 5 degC}" SHOWN "                     ^"},
    {"temperature: {min: 5 degC, max: 45 degC}", "temperature: 45 degC",
     "p.yaml:6:16: keys with values are wanted here: min, max" SHOWN "  temperature: 45 degC" SHOWN
     "               ^"},
    {"voltage: {min: 2.2 V/cell", "voltage: {min: -2.2 V/cell",
     "p.yaml:7:18: \"min\" must be above 0, not -2.2 V/cell" SHOWN
     "  voltage: {min: -2.2 V/cell, max: 14.8 V}" SHOWN "                 ^"},
    {"current: 20 A", "curent: 20 A",
     "p.yaml:8:3: unknown key \"curent\"; did you mean \"current\"?" SHOWN "  curent: 20 A" SHOWN
     "  ^"},
    {"trust_time: 2 s", "trust_time: 10 s",
     "p.yaml:9:15: \"trust_time\" can be at most 3 s, not 10 s" SHOWN "  trust_time: 10 s" SHOWN
     "              ^"},
    {"trust_time: 2 s", "trust_time: 0 s",
     "p.yaml:9:15: \"trust_time\" must be above 0, not 0 s" SHOWN "  trust_time: 0 s" SHOWN
     "              ^"},

    /* steps */
    {"  - rest: {for: 10 min}\n", "  - rset: {for: 10 min}\n",
     "p.yaml:12:5: unknown kind of step \"rset\"; did you mean \"rest\"?" SHOWN
     "  - rset: {for: 10 min}" SHOWN "    ^"},
    {"  - rest: {for: 10 min}\n", "  - sail: {for: 10 min}\n",
     "p.yaml:12:5: unknown kind of step \"sail\"; known are discharge, rest, charge, pulse, hold, "
     "repeat" SHOWN "  - sail: {for: 10 min}" SHOWN "    ^"},
    {"  - rest: {for: 10 min}\n", "  - rest\n",
     "p.yaml:12:5: a step is one kind with its keys, e.g. - rest: {for: 10 min}" SHOWN
     "  - rest" SHOWN "    ^"},
    {"  - rest: {for: 10 min}\n", "  - {rest: {for: 1 min}, hold: {}}\n",
     "p.yaml:12:5: a step is one kind with its keys, e.g. - rest: {for: 10 min}" SHOWN
     "  - {rest: {for: 1 min}, hold: {}}" SHOWN "    ^"},
    {"  - rest: {for: 10 min}\n", "  - rest:\n",
     "p.yaml:12:10: keys with values are wanted here: name, for, until, at_least, "
     "at_most, sample_every" SHOWN "  - rest:" SHOWN "         ^"},
    {"  - rest: {for: 10 min}\n", "  - rest: {name: early}\n",
     "p.yaml:12:11: a rest needs its length: write e.g. for: 10 min" SHOWN
     "  - rest: {name: early}" SHOWN "          ^"},
    {"for: 10 min", "for: 0 min",
     "p.yaml:12:17: \"for\" must be above 0, not 0 min" SHOWN "  - rest: {for: 0 min}" SHOWN
     "                ^"},
    {"for: 10 min", "for: 10", /* no unit */
     "p.yaml:12:17: \"10\" needs a unit, e.g. 10 s" SHOWN "  - rest: {for: 10}" SHOWN
     "                ^"},
    {"for: 10 min", "for: 100 d",
     "p.yaml:12:17: \"for\" can be at most 60 d, not 100 d" SHOWN "  - rest: {for: 100 d}" SHOWN
     "                ^"},
    {"current: 0.2 C", "current: 10 V",
     "p.yaml:15:16: \"10 V\" is a voltage; a current is wanted here, e.g. 10 A or 0.2 C" SHOWN
     "      current: 10 V" SHOWN "               ^"},
    {"current: 0.2 C", "current: -10 A",
     "p.yaml:15:16: \"current\" must be above 0, not -10 A; the kind of step says which way the "
     "current flows" SHOWN "      current: -10 A" SHOWN "               ^"},
    {"current: 0.2 C", "curent: 10 A",
     "p.yaml:15:7: unknown key \"curent\"; did you mean \"current\"?" SHOWN
     "      curent: 10 A" SHOWN "      ^"},
    {"      current: 0.2 C\n", "",
     "p.yaml:14:7: a discharge needs its current: write e.g. current: 10 A, or current: 0.2 "
     "C" SHOWN "      name: capacity" SHOWN "      ^"},
    {"current: 0.2 C", "current: 0,2 C",
     "p.yaml:15:16: \"0,2 C\" has a decimal comma; write 0.2 C" SHOWN "      current: 0,2 C" SHOWN
     "               ^"},
    {"until: {voltage: 2.5 V/cell}", "until: {voltage: 2,5 V/cell}", /* YAML: two entries */
     "p.yaml:16:26: unknown key \"5 V/cell\"; known are voltage" SHOWN
     "      until: {voltage: 2,5 V/cell}" SHOWN "                         ^"},
    {"until: {voltage: 2.5 V/cell}", "until: {}",
     "p.yaml:16:14: \"until\" is empty; write e.g. until: {voltage: 2.5 V/cell}" SHOWN
     "      until: {}" SHOWN "             ^"},
    {"until: {voltage: 2.5 V/cell}", "until: {voltage: 2.5 V/cell, mood: bad}",
     "p.yaml:16:36: unknown key \"mood\"; known are voltage" SHOWN
     "      until: {voltage: 2.5 V/cell, mood: bad}" SHOWN "                                   ^"},
    {"at_most: {time: 20 h, charge: 150 %}", "at_most: {}",
     "p.yaml:17:16: \"at_most\" is empty; write e.g. at_most: {time: 20 h}" SHOWN
     "      at_most: {}" SHOWN "               ^"},
    {"at_most: {time: 20 h, charge: 150 %}", "at_most: {time: 20 h, charge: 0 %}",
     "p.yaml:17:37: \"charge\" must be above 0, not 0 %" SHOWN
     "      at_most: {time: 20 h, charge: 0 %}" SHOWN "                                    ^"},
    {"      until: {voltage: 2.5 V/cell}\n      at_most: {time: 20 h, charge: 150 %}\n", "",
     "p.yaml:14:7: this discharge never ends: write until: {voltage: 2.5 V/cell}, or at_most: "
     "{time: 2 h}, or both" SHOWN "      name: capacity" SHOWN "      ^"},
    {"sample_every: 500 ms", "sample_every: 10 ms",
     "p.yaml:18:21: \"sample_every\" can be 0.1 s at the shortest; serial instruments do not "
     "answer faster" SHOWN "      sample_every: 10 ms" SHOWN "                    ^"},
    {"  - rest: {for: 5 min}", "  - rest: {for: 5 min, name: capacity}",
     "p.yaml:19:5: two steps have the name \"capacity\" (the other is in line 13); rename "
     "one" SHOWN "  - rest: {for: 5 min, name: capacity}" SHOWN "    ^"},
    {"name: capacity", "name: rest 1",
     "p.yaml:13:5: two steps have the name \"rest 1\" (the other is in line 12); rename one" SHOWN
     "  - discharge:" SHOWN "    ^"},
    {"name: capacity", "name: a name much longer than anybody would ever want to read",
     "p.yaml:14:13: \"name\" is too long (at most 47 characters)" SHOWN
     "      name: a name much longer than anybody would ever want to read" SHOWN "            ^"},

    {"sample_every: 500 ms", "sample_every: 2 V",
     "p.yaml:18:21: \"2 V\" is a voltage; a time is wanted here, e.g. 12.5 h" SHOWN
     "      sample_every: 2 V" SHOWN "                    ^"},

    /* acceptance */
    {"  step: capacity\n", "",
     "p.yaml:21:3: the key \"step\" is missing here" SHOWN "  capacity: 95 %" SHOWN "  ^"},
    {"step: capacity", "step: capasity",
     "p.yaml:21:9: no step has the name \"capasity\"; did you mean \"capacity\"?" SHOWN
     "  step: capasity" SHOWN "        ^"},
    {"step: capacity", "step: voyage",
     "p.yaml:21:9: no step has the name \"voyage\"; write the name of a discharge" SHOWN
     "  step: voyage" SHOWN "        ^"},
    {"step: capacity", "step: rest 1",
     "p.yaml:21:9: the capacity of step \"rest 1\" cannot be judged: only a discharge with until: "
     "{voltage: ...} delivers one" SHOWN "  step: rest 1" SHOWN "        ^"},
    {"      until: {voltage: 2.5 V/cell}\n", "",
     "p.yaml:20:9: the capacity of step \"capacity\" cannot be judged: only a discharge with "
     "until: {voltage: ...} delivers one" SHOWN "  step: capacity" SHOWN "        ^"},
    {"  capacity: 95 %\n", "",
     "p.yaml:21:3: \"acceptance\" needs the least capacity: write e.g. capacity: 100 %" SHOWN
     "  step: capacity" SHOWN "  ^"},
    {"capacity: 95 %", "capacity: 95 W",
     "p.yaml:22:13: \"95 W\" is a power; a charge or a ratio is wanted here, e.g. 2500 mAh or 95 "
     "%" SHOWN "  capacity: 95 W" SHOWN "            ^"},
    {"rule: simple", "guard_share: 120 %",
     "p.yaml:23:16: \"guard_share\" can be at most 100 %, not 120 %" SHOWN
     "  guard_share: 120 %" SHOWN "               ^"},
    {"rule: simple", "rule: simple\n  guard_share: 50 %",
     "p.yaml:24:16: \"guard_share\" is of a guard band, which rule: simple does not have: leave "
     "one of them out" SHOWN "  guard_share: 50 %" SHOWN "               ^"},
    {"rule: simple", "rule: simpel",
     "p.yaml:23:9: unknown rule \"simpel\"; did you mean \"simple\"?" SHOWN "  rule: simpel" SHOWN
     "        ^"},
};

static void test_bad(void **state)
{
    (void)state;
    int wrong = 0;
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        char text[2048];
        struct profile *p = NULL;
        struct err e = {0};
        change(bad[i].from, bad[i].to, text, sizeof text);
        if (profile_load_text("p.yaml", text, strlen(text), &p, &e)) {
            print_error("row %zu was taken: %s\n", i, bad[i].to);
            profile_free(p);
            wrong++;
        } else if (strcmp(e.text, bad[i].message) != 0 || e.code != ERR_CONFIG) {
            print_error("row %zu, code %s\n--- wanted\n%s\n--- got\n%s\n", i, err_code_name(e.code),
                        bad[i].message, e.text);
            wrong++;
        }
        assert_null(p);
    }
    assert_int_equal(wrong, 0);
}

/* Whole texts that are no profile at all. */
static void test_no_profile(void **state)
{
    (void)state;
    static const struct {
        const char *text, *message;
    } rows[] = {
        {"[]\n", "p.yaml:1:1: keys with values are wanted here: profile, about, for, starts_full, "
                 "limits, steps, acceptance, on_interruption" SHOWN "[]" SHOWN "^"},
        {"profile: x\n", "p.yaml:1:1: a profile needs \"steps\", a list with at least one step, "
                         "e.g. - rest: {for: 10 min}" SHOWN "profile: x" SHOWN "^"},
        {"profile: x\nsteps: []\n",
         "p.yaml:2:8: a profile needs \"steps\", a list with at least one step, e.g. - rest: {for: "
         "10 min}" SHOWN "steps: []" SHOWN "       ^"},
        {"profile: x\nsteps: {rest: {for: 1 s}}\n",
         "p.yaml:2:8: a profile needs \"steps\", a list with at least one step, e.g. - rest: {for: "
         "10 min}" SHOWN "steps: {rest: {for: 1 s}}" SHOWN "       ^"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct profile *p = NULL;
        struct err e = {0};
        assert_false(profile_load_text("p.yaml", rows[i].text, strlen(rows[i].text), &p, &e));
        assert_string_equal(e.text, rows[i].message);
    }
}

static void test_most_steps(void **state)
{
    (void)state;
    for (size_t n = PROFILE_STEPS_MAX; n <= PROFILE_STEPS_MAX + 1; n++) {
        char text[4096] = "profile: Many\nsteps:\n";
        for (size_t i = 0; i < n; i++)
            strcat(text, "  - rest: {for: 1 s}\n");
        struct profile *p = NULL;
        struct err e = {0};
        bool taken = profile_load_text("p.yaml", text, strlen(text), &p, &e);
        assert_int_equal(taken, n == PROFILE_STEPS_MAX);
        if (!taken)
            assert_string_equal(e.text, "p.yaml:67:5: a profile can have at most 64 steps" SHOWN
                                        "  - rest: {for: 1 s}" SHOWN "    ^");
        profile_free(p);
    }
}

/* Cut anywhere, or with any byte changed, a profile is read or refused with a
 * message, never more (the sanitizers look on). */
static void test_damaged(void **state)
{
    (void)state;
    size_t refused = 0;
    for (size_t i = 0; i < strlen(good); i++) {
        char text[sizeof good];
        struct profile *p = NULL;
        struct err e = {0};
        memcpy(text, good, sizeof good);
        for (int c = 0; c < 3; c++) {
            static const char bytes[] = {'{', '\xFF', '\t'};
            text[i] = bytes[c];
            if (!profile_load_text("p.yaml", text, strlen(text), &p, &e)) {
                refused++;
                assert_true(strlen(e.text) > 10);
            }
            profile_free(p);
            p = NULL;
        }
        if (!profile_load_text("p.yaml", good, i, &p, &e))
            refused++;
        profile_free(p);
    }
    assert_true(refused > 1000);
}

/* --- the shipped ones --- */

struct shipped {
    const char *name;
    enum chemistry chemistry;
    int cells;
    double rated_Ah, rated_hours;
    double current_A, cutoff_V, accept_Ah, expected_h;
};

static const struct shipped shipped[] = {
    {"overnight-capacity-lfp", CHEM_LFP, 4, 125, 12.5, 10, 10.0, 125, 12.5},
    {"capacity-lead-acid-20h", CHEM_LEAD_AGM, 6, 90, 20, 4.5, 10.5, 72, 20},
    {"capacity-lead-acid-20h", CHEM_LEAD_GEL, 6, 60, 20, 3.0, 10.5, 48, 20},
    {"capacity-lead-acid-10h", CHEM_LEAD_FLOODED, 6, 90, 10, 9, 10.8, 72, 10},
    {"capacity-li-ion", CHEM_LI_ION, 3, 2.5, 5, 0.5, 9.0, 2.5, 5},
    {"capacity-nimh", CHEM_NIMH, 4, 2.0, 5, 0.4, 4.0, 2.0, 5},
    {"capacity-nimh", CHEM_NICD, 10, 5.0, 5, 1.0, 10.0, 5.0, 5},
};

static void check_shipped(const struct shipped *s)
{
    struct profile *p = NULL;
    struct plan *plan = NULL;
    struct err e = {0};
    if (!profile_find(AMPLEDGER_SOURCE_DIR "/profiles", s->name, false, &p, &e))
        fail_msg("%s", e.text);
    assert_string_equal(p->name, s->name);
    struct battery b = battery_blank();
    text_format(b.label, sizeof b.label, "launch-a");
    b.chemistry = s->chemistry;
    b.cells = s->cells;
    b.rated_Ah = s->rated_Ah;
    b.rated_hours = s->rated_hours;
    struct stand_facts stand = {
        .name = "jetty",
        .load = {true, 40, 80, 400, 0.5, true, false, false},
        .has_thermometer = true,
        .voltage_source = SOURCE_REMOTE_SENSE,
        .present_voltage_V = chemistry_data(s->chemistry)->nominal_V * s->cells * 1.04,
        .present_temperature_C = 22,
        .free_bytes = NAN,
    };
    assert_true(plan_make(p, &b, &stand, &plan, &e));
    for (size_t i = 0; i < plan->problems.count; i++)
        fail_msg("%s: %s", s->name, plan->problems.text[i]);
    assert_true(plan->judged);
    const struct plan_step *step = &plan->steps[plan->judged_step];
    assert_float_equal(step->current_A, -s->current_A, 1e-9);
    assert_float_equal(step->until_V, s->cutoff_V, 1e-9);
    assert_float_equal(step->expected_s, s->expected_h * 3600, 1e-6);
    assert_true(step->max_s >= 1.5 * step->expected_s);
    assert_float_equal(plan->accept_Ah, s->accept_Ah, 1e-9);
    assert_true(plan->guard_share >= 1);
    assert_true(plan->limits.voltage_min_V < s->cutoff_V);
    /* A rating at this very rate calls for no warning of the rate. */
    for (size_t i = 0; i < plan->warnings.count; i++)
        assert_null(strstr(plan->warnings.text[i], "percent of rated"));
    plan_free(plan);
    profile_free(p);
}

static void test_shipped(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof shipped / sizeof *shipped; i++)
        check_shipped(&shipped[i]);
}

/* --- by name --- */

static void test_find(void **state)
{
    (void)state;
    char dir[] = "/tmp/profiles-XXXXXX", path[64], want[512];
    assert_non_null(mkdtemp(dir));
    static const char *const names[] = {"lamp-check.yaml", "anchor-watch.yaml", "notes.txt",
                                        ".hidden.yaml"};
    for (size_t i = 0; i < 4; i++) {
        text_format(path, sizeof path, "%s/%s", dir, names[i]);
        FILE *f = fopen(path, "w");
        assert_non_null(f);
        fputs(good, f);
        fclose(f);
    }
    struct profile *p = NULL;
    struct err e = {0};
    assert_true(profile_find(dir, "lamp-check", false, &p, &e));
    text_format(path, sizeof path, "%s/lamp-check.yaml", dir);
    assert_string_equal(p->path, path);
    profile_free(p);
    p = NULL;
    assert_true(profile_find("/nowhere", path, true, &p, &e)); /* a path, where allowed */
    profile_free(p);
    p = NULL;

    text_format(path, sizeof path, "%s/notes.txt", dir);
    assert_true(profile_find("/nowhere", path, true, &p, &e));
    assert_string_equal(p->name, "notes.txt"); /* no .yaml to take off */
    profile_free(p);
    p = NULL;

    assert_false(profile_find(dir, path, false, &p, &e)); /* and where not */
    assert_int_equal(e.code, ERR_CONFIG);
    assert_false(profile_find(dir, "../../etc/passwd", false, &p, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_false(profile_find(dir, "..", true, &p, &e));
    assert_int_equal(e.code, ERR_CONFIG);

    assert_false(profile_find(dir, "lamp-chekc", true, &p, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    text_format(want, sizeof want, "no profile \"lamp-chekc\" in %s; did you mean \"lamp-check\"?",
                dir);
    assert_string_equal(e.text, want);
    assert_false(profile_find(dir, "voyage", true, &p, &e));
    text_format(want, sizeof want,
                "no profile \"voyage\" in %s; there are anchor-watch, lamp-check", dir);
    assert_string_equal(e.text, want);
    assert_false(profile_find("/nowhere", "voyage", true, &p, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_string_equal(e.text, "cannot open the folder of profiles /nowhere: No such file or "
                                "directory; check \"profiles\" in bench.yaml");
    for (size_t i = 0; i < 4; i++) {
        text_format(path, sizeof path, "%s/%s", dir, names[i]);
        unlink(path);
    }
    assert_false(profile_find(dir, "voyage", true, &p, &e));
    text_format(want, sizeof want, "no profile \"voyage\" in %s; there are none", dir);
    assert_string_equal(e.text, want);
    /* One that is there, but wrong, says what is wrong. */
    text_format(path, sizeof path, "%s/torn.yaml", dir);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs("profile: Torn\n", f);
    fclose(f);
    assert_false(profile_find(dir, "torn", false, &p, NULL));
    assert_false(profile_find(dir, "torn", false, &p, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_non_null(strstr(e.text, "/torn.yaml:1:1: a profile needs \"steps\""));
    unlink(path);
    rmdir(dir);
}

/* Numbers of every chemistry stand in the one order that makes sense. */
static void test_chemistries(void **state)
{
    (void)state;
    for (int i = 0; i < CHEM_COUNT; i++) {
        const struct chemistry_data *c = chemistry_data((enum chemistry)i);
        assert_true(c->floor_V < c->cutoff_V && c->cutoff_V < c->nominal_V &&
                    c->nominal_V < c->ceiling_V);
        assert_true(isnan(c->full_charge_V) ||
                    (c->nominal_V < c->full_charge_V && c->full_charge_V < c->ceiling_V));
        assert_true(c->discharge_min_C < c->reference_C && c->reference_C < c->discharge_max_C);
        assert_true(c->charge_min_C < c->reference_C && c->reference_C < c->charge_max_C);
        bool lithium = i == CHEM_LFP || i == CHEM_LI_ION || i == CHEM_LTO || i == CHEM_SODIUM_ION;
        assert_true(!lithium || c->charge_min_C >= 0); /* no lithium charging below 0 degC */
        assert_non_null(c->title);
        assert_true(c->cautions[0] != NULL && c->cautions[1] != NULL);
        for (size_t k = 0; c->cautions[k] != NULL; k++)
            assert_true(strlen(c->cautions[k]) < PLAN_NOTE_SIZE);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_good),        cmocka_unit_test(test_least),
        cmocka_unit_test(test_bad),         cmocka_unit_test(test_no_profile),
        cmocka_unit_test(test_most_steps),  cmocka_unit_test(test_damaged),
        cmocka_unit_test(test_shipped),     cmocka_unit_test(test_find),
        cmocka_unit_test(test_chemistries),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
