/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the planner: values worked out by hand, the strictest limit wins and
 * says whose it is, every problem is reached with its whole sentence, and
 * warnings come when due and not otherwise. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "plan_scene.h"
#include "profile/chemistry.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char text_of_a_launch[] = "profile: Launch check\n"                          /* 1 */
                                       "for: [lfp]\n"                                     /* 2 */
                                       "limits:\n"                                        /* 3 */
                                       "  temperature: {min: 5 degC, max: 45 degC}\n"     /* 4 */
                                       "  voltage: {min: 2.2 V/cell, max: 3.65 V/cell}\n" /* 5 */
                                       "  current: 20 A\n"                                /* 6 */
                                       "  temperature_required: yes\n"                    /* 7 */
                                       "steps:\n"                                         /* 8 */
                                       "  - rest: {for: 10 min}\n"                        /* 9 */
                                       "  - discharge:\n"                                 /* 10 */
                                       "      name: capacity\n"                           /* 11 */
                                       "      current: 10 A\n"                            /* 12 */
                                       "      until: {voltage: 2.5 V/cell}\n"             /* 13 */
                                       "      at_most: {time: 20 h, charge: 150 %}\n"     /* 14 */
                                       "  - rest: {for: 5 min}\n"                         /* 15 */
                                       "acceptance:\n"                                    /* 16 */
                                       "  step: capacity\n"                               /* 17 */
                                       "  capacity: 100 %\n";                             /* 18 */

static void scene_start(struct scene *s)
{
    memset(s, 0, sizeof *s);
    strcpy(s->text, text_of_a_launch);
    s->battery = battery_blank();
    strcpy(s->battery.label, "launch-a");
    s->battery.chemistry = CHEM_LFP;
    s->battery.cells = 4;
    s->battery.rated_Ah = 125;
    s->battery.rated_hours = 12.5;
    s->battery.rated_cutoff_V = 10;
    s->stand = (struct stand_facts){
        .name = "jetty",
        .load = {true, 40, 80, 400, 0.5, true, false, false},
        .has_thermometer = true,
        .voltage_source = SOURCE_REMOTE_SENSE,
        .present_voltage_V = 13.3,
        .present_temperature_C = 22,
        .accuracy = {{2e-4, 2e-3, 1e-3}, {5e-4, 5e-3, 1e-3}, 1e-4},
        .free_bytes = NAN,
    };
}

static bool says(const struct plan_notes *n, const char *text)
{
    for (size_t i = 0; i < n->count; i++) {
        if (strcmp(n->text[i], text) == 0)
            return true;
    }
    return false;
}

static void not_judged(struct scene *s)
{
    scene_change(s, "acceptance:\n  step: capacity\n  capacity: 100 %\n", "");
}

/* --- values --- */

static void test_values(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_int_equal(p->warnings.count, 0);
    assert_string_equal(p->profile, "p");
    assert_string_equal(p->stand, "jetty");
    assert_string_equal(p->battery.label, "launch-a");
    assert_int_equal(p->step_count, 3);

    const struct plan_step *d = &p->steps[1];
    assert_float_equal(d->current_A, -10, 0); /* out of the battery */
    assert_float_equal(d->until_V, 10.0, 1e-12);
    assert_float_equal(d->max_s, 72000, 0);
    assert_float_equal(d->max_Ah, 187.5, 1e-9);
    assert_float_equal(d->sample_s, 1, 0);
    assert_float_equal(d->expected_Ah, 125, 0);
    assert_float_equal(d->expected_s, 45000, 1e-9); /* 125 Ah / 10 A = 12.5 h */
    assert_float_equal(d->expected_Wh, 1600, 1e-9); /* x 4 x 3.2 V */
    assert_float_equal(d->heat_W, 128, 1e-9);

    const struct plan_step *r = &p->steps[0];
    assert_int_equal(r->kind, STEP_REST);
    assert_float_equal(r->current_A, 0, 0);
    assert_true(isnan(r->until_V) && isnan(r->max_Ah));
    assert_float_equal(r->max_s, 600, 0);
    assert_float_equal(p->expected_s, 600 + 45000 + 300, 1e-9);
    assert_float_equal(p->expected_Ah, 125, 0);
    assert_float_equal(p->expected_Wh, 1600, 1e-9);

    assert_true(p->judged);
    assert_int_equal(p->judged_step, 1);
    assert_float_equal(p->accept_Ah, 125, 0);
    assert_true(p->guard_share >= 1);
    assert_true(p->limits.temperature_required);
    plan_free(p);
}

static void test_relative(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    s.battery.rated_hours = NAN;
    scene_change(&s, "10 A", "C/20");
    scene_change(&s, "2.5 V/cell", "11.2 V");
    scene_change(&s, "{time: 20 h, charge: 150 %}", "{time: 40 h, charge: 130 Ah}");
    scene_change(&s, "100 %", "120 Ah");
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[1].current_A, -6.25, 1e-12);
    assert_float_equal(p->steps[1].until_V, 11.2, 0);
    assert_float_equal(p->steps[1].max_Ah, 130, 0);
    assert_float_equal(p->steps[1].expected_s, 20 * 3600, 1e-6);
    assert_float_equal(p->accept_Ah, 120, 0);
    plan_free(p);
}

/* A discharge that states no longest time gets 1.5 x what the rating takes. */
static void test_longest_time(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    scene_change(&s, "      at_most: {time: 20 h, charge: 150 %}\n", "");
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[1].max_s, 67500, 1e-6);
    assert_true(isnan(p->steps[1].max_Ah));
    assert_true(says(&p->warnings, "step \"capacity\" states no longest time; it ends after 18.75 "
                                   "h at the latest (1.5 x what the charge takes)"));
    plan_free(p);
    /* A charge limit above the rating wants time for itself. */
    scene_change(&s, "until: {voltage: 2.5 V/cell}\n",
                 "until: {voltage: 2.5 V/cell}\n      at_most: {charge: 200 Ah}\n");
    p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[1].max_s, 108000, 1e-6);
    plan_free(p);
}

/* By charge or time alone: the lesser of both is expected. */
static void test_end_without_cutoff(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    scene_change(&s, "      until: {voltage: 2.5 V/cell}\n", "");
    scene_change(&s, "{time: 20 h, charge: 150 %}", "{time: 2 h, charge: 50 %}");
    scene_change(&s, "acceptance:\n  step: capacity\n  capacity: 100 %\n", "");
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_true(isnan(p->steps[1].until_V));
    assert_float_equal(p->steps[1].expected_Ah, 20, 1e-9);
    assert_float_equal(p->steps[1].expected_s, 7200, 1e-9);
    assert_false(p->judged);
    assert_true(isnan(p->accept_Ah));
    assert_true(says(&p->warnings, "step \"capacity\" has no cut-off: if the battery empties "
                                   "earlier, the run trips at 8.80 V"));
    plan_free(p);
    scene_change(&s, "{time: 2 h, charge: 50 %}", "{charge: 40 Ah}");
    s.battery.rated_Ah = NAN; /* an absolute charge needs no rating */
    p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[1].expected_Ah, 40, 1e-9);
    assert_float_equal(p->steps[1].max_s, 1.5 * 4 * 3600, 1e-6);
    plan_free(p);
}

/* With a cut-off too, no more is expected than at_most lets through. */
static void test_cut_short(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    scene_change(&s, "time: 20 h", "time: 12 h");
    not_judged(&s);
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[1].expected_Ah, 120, 1e-9);
    plan_free(p);
}

/* What one step takes is not there for the next. */
static void test_two_discharges(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    scene_change(&s, "  - rest: {for: 10 min}\n",
                 "  - discharge: {current: 5 A, at_most: {time: 1 h}}\n");
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[0].expected_Ah, 5, 1e-9);
    assert_float_equal(p->steps[1].expected_Ah, 120, 1e-9);
    assert_float_equal(p->expected_Ah, 125, 1e-9);
    plan_free(p);
}

static void test_without_stand(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    s.no_stand = true;
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_string_equal(p->stand, "");
    assert_float_equal(p->limits.current_max_A, 12, 1e-9);
    plan_free(p);
}

/* --- limits --- */

/* One that is not there has a NAN value. */
static struct plan_limit limit_named(const struct plan *p, const char *name)
{
    for (size_t i = 0; i < p->limit_count; i++) {
        if (strcmp(p->limit_list[i].name, name) == 0)
            return p->limit_list[i];
    }
    return (struct plan_limit){.name = "none", .unit = "", .value = NAN};
}

typedef void set_fn(struct scene *s);

static void battery_allows_11_A(struct scene *s)
{
    s->battery.current_max_A = 11;
}
static void battery_allows_40_degC(struct scene *s)
{
    s->battery.temperature_max_C = 40;
}
static void battery_allows_70_degC(struct scene *s)
{
    s->battery.temperature_max_C = 70;
}
static void battery_allows_10_A(struct scene *s)
{
    s->battery.current_max_A = 10;
}
static void load_of_10_A(struct scene *s)
{
    s->stand.load.current_max_A = 10;
}
static void load_of_147_W(struct scene *s)
{
    s->stand.load.power_max_W = 147;
}
static void load_of_11_A(struct scene *s)
{
    s->stand.load.current_max_A = 11;
}
static void load_of_14_6_V(struct scene *s)
{
    scene_change(s, ", max: 3.65 V/cell", "");
    s->stand.load.voltage_max_V = 14.65;
}

static void load_beside_a_meter(struct scene *s)
{
    s->stand.voltage_source = SOURCE_METER;
    s->stand.other_voltage = (struct accuracy){5e-4, 10e-3, 1e-3};
}
static void unknown_load_beside_a_meter(struct scene *s)
{
    s->stand.voltage_source = SOURCE_METER;
    s->stand.other_voltage = (struct accuracy){NAN, NAN, NAN};
}

static void reading_in_steps_of_8_mV(struct scene *s)
{
    s->stand.accuracy.voltage.resolution = 0.008;
}
static void reading_of_unknown_steps(struct scene *s)
{
    s->stand.accuracy.voltage.resolution = NAN;
    s->stand.accuracy.current.offset = NAN;
}

static void test_strictest_wins(void **state)
{
    (void)state;
    static const struct {
        const char *from, *to;
        set_fn *set;
        const char *limit;
        double value;
        const char *source;
    } rows[] = {
        {"", "", NULL, "voltage_min", 8.8, "profile line 5: 2.2 V/cell x 4"},
        {"min: 2.2 V/cell, ", "", NULL, "voltage_min", 8.0, "chemistry lfp: floor 2.00 V/cell x 4"},
        {"min: 2.2 V/cell", "min: 1.5 V/cell", NULL, "voltage_min", 8.0,
         "chemistry lfp: floor 2.00 V/cell x 4"},
        {"min: 2.2 V/cell", "min: 9.5 V", NULL, "voltage_min", 9.5, "profile line 5: 9.5 V"},
        {"", "", NULL, "voltage_max", 14.6, "profile line 5: 3.65 V/cell x 4"},
        {"max: 3.65 V/cell", "max: 4 V/cell", NULL, "voltage_max", 14.8,
         "chemistry lfp: ceiling 3.70 V/cell x 4"},
        {"", "", load_of_14_6_V, "voltage_max", 14.65, "load of stand jetty: rated 14.65 V"},
        {"", "", NULL, "current_max", 12, "1.2 x the largest set point, 10 A"},
        {"current: 20 A", "current: 11.5 A", NULL, "current_max", 11.5, "profile line 6: 11.5 A"},
        {"current: 20 A", "current: 0.09 C", NULL, "current_max", 11.25, "profile line 6: 0.09 C"},
        {"", "", battery_allows_11_A, "current_max", 11, "battery launch-a: at most 11 A"},
        {"", "", load_of_11_A, "current_max", 11, "load of stand jetty: rated 11 A"},
        /* set to its rating: 2 % of 10 A that it may hunt, 0.05 % and 6 mA of the reading */
        {"", "", load_of_10_A, "current_max", 10.211,
         "load of stand jetty: rated 10 A, and 0.211 A for what a reading of it shows"},
        {"", "", battery_allows_10_A, "current_max", 10.211,
         "battery launch-a: at most 10 A, and 0.211 A for what a reading of it shows"},
        {"current: 20 A", "current: 10 A", load_of_10_A, "current_max", 10,
         "profile line 6: 10 A"}, /* a written limit is kept to the letter, and warned of */
        {"", "", NULL, "temperature_min", 5, "profile line 4: 5 degC"},
        {"min: 5 degC", "min: -30 degC", NULL, "temperature_min", -20,
         "chemistry lfp: discharge from -20 degC"},
        {"", "", NULL, "temperature_max", 45, "profile line 4: 45 degC"},
        {"max: 45 degC", "max: 80 degC", NULL, "temperature_max", 60,
         "chemistry lfp: discharge up to 60 degC"},
        {"", "", battery_allows_40_degC, "temperature_max", 40,
         "battery launch-a: at most 40 degC"},
        {"max: 45 degC", "max: 80 degC", battery_allows_70_degC, "temperature_max", 60,
         "chemistry lfp: discharge up to 60 degC"},
        {"", "", NULL, "trust_time", 3, "the program's own longest"},
        {"  current: 20 A\n", "  current: 20 A\n  trust_time: 2.5 s\n", NULL, "trust_time", 2.5,
         "profile line 7: 2.5 s"},
        {"", "", NULL, "temperature_rate", 3, "the program's own highest"},
        {"  current: 20 A\n", "  current: 20 A\n  temperature_rate: 60 degC/h\n", NULL,
         "temperature_rate", 1, "profile line 7: 1 degC/min"},
        {"", "", NULL, "regulation", 5, "the program's own: of the set point"},
        {"  current: 20 A\n", "  current: 20 A\n  regulation: 2 %\n", NULL, "regulation", 2,
         "profile line 7: 2 %"},
        {"", "", NULL, "charge_max", 196.875, "1.05 x the largest step, 187.5 Ah"},
        {", charge: 150 %", "", NULL, "charge_max", 210, "1.05 x the largest step, 200 Ah"},
        {"  current: 20 A\n", "  current: 20 A\n  charge: 120 %\n", NULL, "charge_max", 150,
         "profile line 7: 120 %"},
        {"", "", NULL, "energy_max", 196.875 * 14.6, "the charge limit at the highest voltage"},
        {"  current: 20 A\n", "  current: 20 A\n  energy: 2 kWh\n", NULL, "energy_max", 2000,
         "profile line 7: 2000 Wh"},
        {"", "", NULL, "step_time_max", 72060, "the longest step, 20 h, and 60 s"},
        {"  current: 20 A\n", "  current: 20 A\n  step_time: 15 h\n", NULL, "step_time_max", 54000,
         "profile line 7: 15 h"},
        {"", "", NULL, "run_time_max", 1.1 * 72900 + 600,
         "1.1 x all steps at their longest, 20.25 h, and 600 s"},
        {"  current: 20 A\n", "  current: 20 A\n  run_time: 1 d\n", NULL, "run_time_max",
         1.1 * 72900 + 600, "1.1 x all steps at their longest, 20.25 h, and 600 s"},
        {"", "", NULL, "stuck_charge", 6.25, "5 % of rated, by a reading in steps of 1 mV"},
        {"", "", reading_in_steps_of_8_mV, "stuck_charge", 12.5,
         "10 % of rated, by a reading in steps of 8 mV"},
        {"", "", reading_of_unknown_steps, "stuck_charge", 15.625,
         "12.5 % of rated, by a reading in steps of 10 mV"},
        {"", "", NULL, "voltage_stuck_charge", 12.5,
         "10 % of rated, by a reading in steps of 1 mV"},
        {"", "", reading_in_steps_of_8_mV, "voltage_stuck_charge", 25,
         "20 % of rated, by a reading in steps of 8 mV"},
        {"", "", load_beside_a_meter, "voltage_disagreement",
         2e-4 * 14.6 + 3e-3 + 5e-4 * 14.6 + 11e-3 + 0.05,
         "accuracy of meter and instrument, and 50 mV; leads come on top"},
        {"", "", unknown_load_beside_a_meter, "voltage_disagreement",
         2e-4 * 14.6 + 3e-3 + 0.01 * 14.6 + 0.1 + 0.05,
         "accuracy of meter and instrument, and 50 mV; leads come on top"},
        {"", "", NULL, "off_current", 0.02, "what the instrument may read while it is off"},
        {"", "", reading_of_unknown_steps, "off_current", 0.08,
         "what the instrument may read while it is off"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct scene s;
        scene_start(&s);
        scene_change(&s, rows[i].from, rows[i].to);
        if (rows[i].set != NULL)
            rows[i].set(&s);
        struct plan *p = scene_plan(&s);
        no_problem(p);
        const struct plan_limit l = limit_named(p, rows[i].limit);
        if (!(fabs(l.value - rows[i].value) < 1e-9) || strcmp(l.source, rows[i].source) != 0)
            fail_msg("row %zu: %s is %g by %s", i, l.name, l.value, l.source);
        bool two = s.stand.voltage_source == SOURCE_METER;
        assert_int_equal(p->limit_count, two ? 16 : 15);
        /* The list says what the guard is given. */
        assert_float_equal(limit_named(p, "voltage_min").value, p->limits.voltage_min_V, 0);
        assert_float_equal(limit_named(p, "voltage_max").value, p->limits.voltage_max_V, 0);
        assert_float_equal(limit_named(p, "current_max").value, p->limits.current_max_A, 0);
        assert_float_equal(limit_named(p, "temperature_min").value, p->limits.temperature_min_C, 0);
        assert_float_equal(limit_named(p, "temperature_max").value, p->limits.temperature_max_C, 0);
        assert_float_equal(limit_named(p, "regulation").value, p->limits.regulation_percent, 0);
        assert_float_equal(limit_named(p, "temperature_rate").value,
                           p->limits.temperature_rate_C_per_min, 0);
        assert_float_equal(limit_named(p, "charge_max").value, p->limits.charge_max_Ah, 0);
        assert_float_equal(limit_named(p, "energy_max").value, p->limits.energy_max_Wh, 0);
        assert_float_equal(limit_named(p, "step_time_max").value, p->limits.step_time_max_s, 0);
        assert_float_equal(limit_named(p, "run_time_max").value, p->limits.run_time_max_s, 0);
        assert_float_equal(limit_named(p, "stuck_charge").value, p->limits.stuck_Ah, 0);
        assert_float_equal(limit_named(p, "voltage_stuck_charge").value, p->limits.voltage_stuck_Ah,
                           0);
        if (two)
            assert_float_equal(limit_named(p, "voltage_disagreement").value,
                               p->limits.disagreement_V, 0);
        else
            assert_true(isnan(p->limits.disagreement_V));
        assert_float_equal(limit_named(p, "off_current").value, p->limits.off_current_A, 0);
        assert_float_equal(limit_named(p, "trust_time").value, p->limits.trust_s, 0);
        plan_free(p);
    }
}

/* --- problems --- */

static void retired(struct scene *s)
{
    s->battery.retired_utc_ns = 1;
}
static void no_cells(struct scene *s)
{
    s->battery.cells = 0;
}
static void lead_acid(struct scene *s)
{
    s->battery.chemistry = CHEM_LEAD_AGM;
    s->battery.cells = 6;
    s->stand.present_voltage_V = NAN;
    scene_change(s, "  voltage: {min: 2.2 V/cell, max: 3.65 V/cell}\n", "\n");
    scene_change(s, "2.5 V/cell", "1.75 V/cell");
}
static void unrated(struct scene *s)
{
    s->battery.rated_Ah = NAN;
    scene_change(s, ", charge: 150 %", "");
    scene_change(s, "acceptance:\n  step: capacity\n  capacity: 100 %\n", "");
}
static void unrated_endless(struct scene *s)
{
    unrated(s);
    scene_change(s, "      at_most: {time: 20 h}\n", "");
}
static void unrated_charge(struct scene *s)
{
    unrated(s);
    scene_change(s, "{time: 20 h}", "{time: 20 h, charge: 150 %}");
}
static void unrated_judged(struct scene *s)
{
    s->battery.rated_Ah = NAN;
    scene_change(s, ", charge: 150 %", "");
}
static void battery_allows_8_A(struct scene *s)
{
    s->battery.current_max_A = 8;
}
static void battery_allows_4_degC(struct scene *s)
{
    s->battery.temperature_max_C = 4;
    s->stand.present_temperature_C = NAN; /* so that it is not out of the window too */
    s->stand.present_voltage_V = NAN;     /* nothing was read yet */
}
static void thermometer_is_silent(struct scene *s)
{
    s->stand.present_temperature_C = NAN;
}
static void no_load(struct scene *s)
{
    s->stand.load = (struct instrument_facts){false, NAN, NAN, NAN, NAN, false, false, false};
}
static void load_of_8_A(struct scene *s)
{
    s->stand.load.current_max_A = 8;
}
static void load_of_12_V(struct scene *s)
{
    s->stand.load.voltage_max_V = 14.3;
}
static void load_of_100_W(struct scene *s)
{
    s->stand.load.power_max_W = 100;
}
static void load_from_11_V(struct scene *s)
{
    s->stand.load.voltage_min_V = 11;
}
static void load_behind_leads(struct scene *s)
{
    s->stand.load.voltage_min_V = 9.95;
    s->stand.voltage_source = SOURCE_TWO_WIRE;
    s->stand.lead_ohm = 0.010;
}
static void no_thermometer(struct scene *s)
{
    s->stand.has_thermometer = false;
    s->stand.present_temperature_C = NAN;
}
static void frozen(struct scene *s)
{
    s->stand.present_temperature_C = 2.5;
}
static void hot(struct scene *s)
{
    s->stand.present_temperature_C = 46;
}
static void reads_9_9_V(struct scene *s)
{
    s->stand.present_voltage_V = 9.9;
}
static void reads_13_7_V(struct scene *s)
{
    s->stand.present_voltage_V = 13.7;
}
static void reads_10_5_V(struct scene *s)
{
    s->stand.present_voltage_V = 10.5;
}
static void reversed(struct scene *s)
{
    s->stand.present_voltage_V = -13.2;
}
static void nothing_there(struct scene *s)
{
    s->stand.present_voltage_V = 0.02;
}
static void two_cells(struct scene *s)
{
    s->stand.present_voltage_V = 6.5;
}
static void eight_cells(struct scene *s)
{
    s->stand.present_voltage_V = 26.4;
}

/* Each scene has this one problem. */
static const struct {
    const char *from, *to;
    set_fn *set;
    const char *problem;
} problems[] = {
    {"", "", retired, "battery \"launch-a\" is retired: choose another, or register it anew"},
    {"", "", lead_acid,
     "p.yaml:2: this profile is not for lead-agm, the chemistry of battery \"launch-a\": choose a "
     "profile made for it"},

    /* relative to a rating that is not there */
    {"10 A", "0.1 C", unrated,
     "p.yaml:12: 0.1 C is relative to the rated capacity, and battery \"launch-a\" has none: "
     "register its rated capacity, or write the current in A"},
    {"10 A", "0.1 C", unrated_endless, /* told once, not also as a missing end */
     "p.yaml:12: 0.1 C is relative to the rated capacity, and battery \"launch-a\" has none: "
     "register its rated capacity, or write the current in A"},
    {"", "", unrated_charge,
     "p.yaml:14: 150 % is relative to the rated capacity, and battery \"launch-a\" has none: "
     "register its rated capacity, or write the charge in Ah"},
    {"", "", unrated_judged,
     "p.yaml:18: 100 % is relative to the rated capacity, and battery \"launch-a\" has none: "
     "register its rated capacity, or write the capacity in Ah"},
    {"current: 20 A", "current: 1 C", unrated,
     "p.yaml:6: 1 C is relative to the rated capacity, and battery \"launch-a\" has none: "
     "register its rated capacity, or write the limit in A"},
    {"", "", unrated_endless,
     "p.yaml:10: step \"capacity\" might never end: it has no longest time, and battery "
     "\"launch-a\" has no rated capacity to work one out from; write at_most: {time: ...}"},

    /* cut-off and chemistry */
    {"2.5 V/cell", "1.9 V/cell", NULL,
     "p.yaml:13: the cut-off of step \"capacity\", 7.60 V, is not above the floor of 4 lfp cells "
     "(8.00 V): raise it; 2.50 V/cell is usual"},
    {"2.5 V/cell", "8.0 V", NULL,
     "p.yaml:13: the cut-off of step \"capacity\", 8.00 V, is not above the floor of 4 lfp cells "
     "(8.00 V): raise it; 2.50 V/cell is usual"},
    {"2.5 V/cell", "3.65 V/cell", NULL,
     "p.yaml:13: the cut-off of step \"capacity\", 14.60 V, is not below what 4 lfp cells have "
     "when full (14.60 V): lower it; 2.50 V/cell is usual"},

    /* currents */
    {"", "", battery_allows_8_A,
     "p.yaml:12: step \"capacity\" draws 10 A, and battery \"launch-a\" allows 8 A: lower the "
     "current"},
    {"current: 20 A", "current: 9 A", NULL,
     "p.yaml:12: step \"capacity\" draws 10 A, above this profile's own limit of 9 A in line 6: "
     "lower the current or raise the limit"},

    /* ends that come too early */
    {"time: 20 h", "time: 12 h", NULL,
     "p.yaml:14: step \"capacity\" ends after 12 h, before 125 Ah can be delivered at 10 A (12.5 "
     "h): give at_most more time"},
    {"charge: 150 %", "charge: 90 %", NULL,
     "p.yaml:14: step \"capacity\" ends after 112.5 Ah, and acceptance wants 125 Ah: give at_most "
     "more charge"},

    /* sampling and trust */
    {"for: 10 min", "for: 10 min, sample_every: 2 s", NULL,
     "p.yaml:9: step \"rest 1\" reads every 2 s, and readings are trusted for 3 s, in which two "
     "must fit: write sample_every: 1.5 s or less"},

    /* limits among themselves */
    {"min: 2.2 V/cell", "min: 2.5 V/cell", NULL,
     "p.yaml:5: the lower voltage limit, 10.00 V, is not below the cut-off of step \"capacity\", "
     "10.00 V, so the run would trip before the step ends: lower the limit"},
    {"", "", thermometer_is_silent,
     "the thermometer of stand \"jetty\" gives no reading: see to its cable and where it touches "
     "the battery"},
    {"", "", battery_allows_4_degC,
     "p.yaml:4: the temperature limits leave no room: at least 5 degC and at most 4 degC; correct "
     "the limits of the profile or of battery \"launch-a\""},

    {"current: 20 A\n", "current: 20 A\n  charge: 110 Ah\n", NULL,
     "p.yaml:7: the limit of 110 Ah is less than what is expected of step \"capacity\", 125 Ah, so "
     "the run would trip: raise the limit"},
    {"current: 20 A\n", "current: 20 A\n  energy: 1 kWh\n", NULL,
     "p.yaml:7: the limit of 1000 Wh is less than what is expected of step \"capacity\", 1600 Wh, "
     "so the run would trip: raise the limit"},
    {"current: 20 A\n", "current: 20 A\n  step_time: 12 h\n", NULL,
     "p.yaml:7: the limit of 12 h is less than what is expected of step \"capacity\", 12.5 h, so "
     "the run would trip: raise the limit"},
    {"current: 20 A\n", "current: 20 A\n  run_time: 12 h\n", NULL,
     "p.yaml:7: the limit of 12 h is less than what is expected of the run, 12.75 h, so the run "
     "would trip: raise the limit"},

    /* the stand */
    {"", "", no_load, "stand \"jetty\" has no load to discharge with: choose another stand"},
    {"", "", load_of_8_A,
     "p.yaml:12: step \"capacity\" draws 10 A, and the load of stand \"jetty\" is rated 8 A: lower "
     "the current or choose another stand"},
    {"", "", load_of_12_V,
     "the full battery has 14.60 V, and the load of stand \"jetty\" is rated 14.3 V: choose "
     "another stand"},
    {"", "", load_of_100_W,
     "p.yaml:12: step \"capacity\" takes 146 W from the full battery (10 A at 14.60 V), and the "
     "load of stand \"jetty\" is rated 100 W: lower the current or choose another stand"},
    {"", "", load_from_11_V,
     "p.yaml:13: at the cut-off of step \"capacity\" the load of stand \"jetty\" has 10.00 V left, "
     "and needs 11.00 V to hold its current: choose another stand or raise the cut-off"},
    {"", "", load_behind_leads,
     "p.yaml:13: at the cut-off of step \"capacity\" the load of stand \"jetty\" has 9.90 V left, "
     "and needs 9.95 V to hold its current: choose another stand or raise the cut-off"},
    {"", "", no_thermometer,
     "this profile requires the battery's temperature, and stand \"jetty\" has no thermometer: "
     "add one to bench.yaml or choose another stand"},
    {"", "", frozen,
     "p.yaml:4: the battery is at 2.5 degC, outside 5 to 45 degC: let it come to room "
     "temperature"},
    {"", "", hot,
     "p.yaml:4: the battery is at 46.0 degC, outside 5 to 45 degC: let it come to room "
     "temperature"},

    /* the battery as it is now */
    {"", "", reads_9_9_V,
     "p.yaml:13: the battery reads 9.90 V at rest, the cut-off is 10.00 V: nothing would be "
     "measured; charge the battery, or check cut-off and number of cells"},
    {"max: 3.65 V/cell", "max: 13.6 V", reads_13_7_V,
     "p.yaml:5: the battery reads 13.70 V at rest, above the limit of 13.60 V: let it rest, or "
     "change the limit"},
    {"", "", reversed,
     "stand \"jetty\" reads -13.20 V: the battery is connected the wrong way round; disconnect it "
     "at once and correct the polarity"},
    {"", "", nothing_there,
     "stand \"jetty\" reads 0.02 V: no battery is connected, a lead or fuse is open, or the "
     "battery's own protection is; check them"},
    {"", "", two_cells,
     "the battery reads 6.50 V at rest, below the floor of 4 lfp cells (8.00 V): it is deeply "
     "discharged, or it is another one: that is 2 cells of lfp (3.25 V each); check battery "
     "\"launch-a\""},
    {"", "", eight_cells,
     "the battery reads 26.40 V at rest: that is 8 cells of lfp (3.30 V each), the label of "
     "\"launch-a\" says 4; connect the right one, or correct its record"},
};

static void test_problems(void **state)
{
    (void)state;
    int wrong = 0;
    for (size_t i = 0; i < sizeof problems / sizeof *problems; i++) {
        struct scene s;
        scene_start(&s);
        scene_change(&s, problems[i].from, problems[i].to);
        if (problems[i].set != NULL)
            problems[i].set(&s);
        struct plan *p = scene_plan(&s);
        wrong += !only_problem(p, i, problems[i].problem);
        plan_free(p);
    }
    assert_int_equal(wrong, 0);
}

/* Where one mistake has several consequences. */
static void test_more_problems(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    scene_change(&s, "20 A\n", "20 A\n  trust_time: 1 s\n");
    struct plan *p = scene_plan(&s);
    assert_int_equal(p->problems.count, 3);
    assert_string_equal(p->problems.text[1],
                        "p.yaml:11: step \"capacity\" reads every 1 s, and readings are trusted "
                        "for 1 s, in which two must fit: write sample_every: 0.5 s or less");
    plan_free(p);

    scene_start(&s);
    s.stand.present_voltage_V = NAN;
    scene_change(&s, "max: 3.65 V/cell", "max: 8.5 V");
    p = scene_plan(&s);
    assert_int_equal(p->problems.count, 1);
    assert_string_equal(p->problems.text[0],
                        "p.yaml:5: the voltage limits leave no room: at least 8.80 V and at most "
                        "8.50 V for 4 cells; correct the limits, or the number of cells of battery "
                        "\"launch-a\"");
    plan_free(p);

    scene_start(&s);
    no_cells(&s);
    p = scene_plan(&s);
    assert_true(says(&p->problems, "battery \"launch-a\" has 0 cells in series: register how many "
                                   "it has"));
    plan_free(p);

    /* Below the profile's limit, but with no cut-off to say so first. */
    scene_start(&s);
    reads_10_5_V(&s);
    scene_change(&s, "      until: {voltage: 2.5 V/cell}\n", "");
    scene_change(&s, "acceptance:\n  step: capacity\n  capacity: 100 %\n", "");
    scene_change(&s, "min: 2.2 V/cell", "min: 11 V");
    p = scene_plan(&s);
    assert_int_equal(p->problems.count, 1);
    assert_string_equal(p->problems.text[0],
                        "p.yaml:5: the battery reads 10.50 V at rest, below the limit of 11.00 V: "
                        "charge it, or change the limit");
    plan_free(p);
}

/* A place is named only when the profile is what won, and then the right one. */
static void test_places(void **state)
{
    (void)state;
    static const struct {
        const char *from, *to;
        double present_C;
        const char *problem;
    } rows[] = {
        {"{min: 5 degC, max: 45 degC}", "\n    min: 5 degC\n    max: 45 degC", 3,
         "p.yaml:5: the battery is at 3.0 degC, outside 5 to 45 degC: let it come to room "
         "temperature"},
        {"{min: 5 degC, max: 45 degC}", "\n    min: 5 degC\n    max: 45 degC", 47,
         "p.yaml:6: the battery is at 47.0 degC, outside 5 to 45 degC: let it come to room "
         "temperature"},
        {"max: 45 degC", "max: 80 degC", 61,
         "the battery is at 61.0 degC, outside 5 to 60 degC: let it come to room temperature"},
        {"min: 5 degC, ", "", -21,
         "the battery is at -21.0 degC, outside -20 to 45 degC: let it come to room temperature"},
        {"min: 2.2 V/cell, max: 3.65 V/cell", "max: 7.5 V", 22,
         "p.yaml:5: the voltage limits leave no room: at least 8.00 V and at most 7.50 V for 4 "
         "cells; correct the limits, or the number of cells of battery \"launch-a\""},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct scene s;
        scene_start(&s);
        s.stand.present_voltage_V = NAN;
        s.stand.present_temperature_C = rows[i].present_C;
        scene_change(&s, rows[i].from, rows[i].to);
        struct plan *p = scene_plan(&s);
        assert_int_equal(p->problems.count, 1);
        assert_string_equal(p->problems.text[0], rows[i].problem);
        plan_free(p);
    }
}

/* More than can be listed: the last place says so, nothing is overrun. */
static void test_too_many_problems(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    strcpy(s.text, "profile: Many\nsteps:\n");
    for (int i = 0; i < 40; i++)
        strcat(s.text, "  - rest: {for: 1 s, sample_every: 3 s}\n");
    struct plan *p = scene_plan(&s);
    assert_int_equal(p->problems.count, PLAN_NOTES_MAX);
    assert_string_equal(p->problems.text[PLAN_NOTES_MAX - 1],
                        "and more than can be listed here; mend the others first");
    plan_free(p);
}

/* A problem in a file with a long path keeps its sentence. */
static void test_long_path(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    s.battery.current_max_A = 8;
    char path[240];
    memset(path, 'd', sizeof path);
    memcpy(path + sizeof path - 17, "/evening/p.yaml", 16);
    struct profile *profile = NULL;
    struct plan *p = NULL;
    struct err e = {0};
    if (!profile_load_text(path, s.text, strlen(s.text), &profile, &e))
        fail_msg("%s", e.text);
    assert_true(plan_make(profile, &s.battery, &s.stand, &p, &e));
    assert_int_equal(p->problems.count, 1);
    assert_int_equal(strncmp(p->problems.text[0], "...ddd", 6), 0);
    assert_non_null(strstr(p->problems.text[0],
                           "ddd/evening/p.yaml:12: step \"capacity\" draws 10 A, and battery "
                           "\"launch-a\" allows 8 A: lower the current"));
    plan_free(p);
    profile_free(profile);
}

/* --- warnings --- */

static void two_wire(struct scene *s)
{
    s->stand.voltage_source = SOURCE_TWO_WIRE;
}
static void rated_at_20_h(struct scene *s)
{
    s->battery.rated_hours = 20;
}
static void rated_somehow(struct scene *s)
{
    s->battery.rated_hours = NAN;
}
static void rated_to_11_2_V(struct scene *s)
{
    s->battery.rated_cutoff_V = 11.2;
}
static void no_backstop(struct scene *s)
{
    s->stand.load.has_backstop = false;
}
static void unknown_rating(struct scene *s)
{
    s->stand.load.power_max_W = NAN;
}
static void unknown_accuracy(struct scene *s)
{
    s->stand.accuracy.current.gain = NAN;
    s->stand.accuracy.current.offset = NAN;
}
static void cool(struct scene *s)
{
    s->stand.present_temperature_C = 12;
}
static void half_empty(struct scene *s)
{
    s->stand.present_voltage_V = 12.7;
    scene_change(s, "for: [lfp]\n", "for: [lfp]\nstarts_full: yes\n");
}
static void nickel(struct scene *s)
{
    s->battery.chemistry = CHEM_NIMH;
    s->battery.cells = 10;
    scene_change(s, "for: [lfp]\n", "\n");
    scene_change(s, "  voltage: {min: 2.2 V/cell, max: 3.65 V/cell}\n", "\n");
    scene_change(s, "2.5 V/cell", "1.0 V/cell");
}
static void test_warnings(void **state)
{
    (void)state;
    static const struct {
        const char *from, *to;
        set_fn *set;
        const char *warning;
    } rows[] = {
        {"", "", two_wire,
         "2-wire reading at stand \"jetty\": it reads low by I x R of the leads, so the discharge "
         "ends early; measure the lead resistance and write it into bench.yaml, or use remote "
         "sense"},
        {"", "", rated_at_20_h,
         "battery \"launch-a\" is rated for a discharge of 20 h (6.25 A), and step \"capacity\" "
         "takes 12.5 h (10 A): compare the percent of rated with care"},
        {"", "", rated_somehow,
         "the rate for which battery \"launch-a\" is rated 125 Ah is not known; step \"capacity\" "
         "takes 12.5 h, and at another rate another capacity is right"},
        {"", "", rated_to_11_2_V,
         "battery \"launch-a\" is rated to a cut-off of 11.20 V, and step \"capacity\" ends at "
         "10.00 V: compare the percent of rated with care"},
        {"", "", unrated,
         "battery \"launch-a\" has no rated capacity: neither hours nor percent of rated can be "
         "foretold"},
        {"time: 20 h", "time: 12 h", not_judged,
         "step \"capacity\" ends after 12 h, before the rated capacity can be delivered"},
        {"time: 20 h", "time: 30 min", not_judged,
         "step \"capacity\" ends after 30 min, before the rated capacity can be delivered"},
        {"min: 2.2 V/cell", "min: 9.95 V", NULL,
         "the lower voltage limit is only 0.050 V below the cut-off of step \"capacity\": a fast "
         "fall may trip the run instead of ending the step"},
        {"current: 20 A", "current: 10 A", NULL,
         "step \"capacity\" sets 10 A, and the limit in line 6 is 10 A: noise of the reading may "
         "trip "
         "the run; write 10.3 A there, or lower the current"},
        {"current: 20 A", "current: 10.2 A", NULL,
         "step \"capacity\" sets 10 A, and the limit in line 6 is 10.2 A: noise of the reading may "
         "trip the run; write 10.3 A there, or lower the current"},
        {"", "", load_of_147_W,
         "step \"capacity\" takes up to 146 W, and the load of stand \"jetty\" is rated 147 W: its "
         "own protection may end the discharge; a little less current is safer"},
        {"", "", no_backstop,
         "the load of stand \"jetty\" has no under-voltage protection that can be programmed: "
         "should this computer and its keeper fail, nothing but the battery's own protection ends "
         "the discharge; set one at its panel"},
        {"", "", unknown_rating,
         "the driver of the load at stand \"jetty\" does not state its rated power: check that it "
         "can take 10 A and 146 W"},
        {"", "", unknown_accuracy,
         "the accuracy of the current reading at stand \"jetty\" is not known: the uncertainty of "
         "the result leaves it out; write it into the driver file"},
        {"temperature_required: yes", "temperature_required: no", NULL,
         "this profile does not require the temperature: if the thermometer of stand \"jetty\" "
         "falls silent, the run goes on without it"},
        {"temperature_required: yes", "temperature_required: no", no_thermometer,
         "stand \"jetty\" has no thermometer: a hot battery goes unnoticed, and the result cannot "
         "be referred to a temperature"},
        {"", "", cool,
         "the battery is at 12.0 degC, and capacities of this chemistry are stated for about 25 "
         "degC: the colder, the less it delivers"},
        {"for: [lfp]\n", "for: [lfp]\nstarts_full: yes\n", NULL,
         "the battery must be fully charged and rested before the start: see to it, nothing here "
         "can measure it"},
        {"", "", half_empty,
         "the battery reads 12.70 V at rest, below its nominal 12.80 V: it hardly is full"},
        {"", "", nickel,
         "the capacity of nickel batteries rises over the first cycles after a long rest: if the "
         "first result is low, repeat it"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct scene s;
        scene_start(&s);
        scene_change(&s, rows[i].from, rows[i].to);
        if (rows[i].set != NULL)
            rows[i].set(&s);
        struct plan *p = scene_plan(&s);
        no_problem(p);
        if (!says(&p->warnings, rows[i].warning)) {
            for (size_t k = 0; k < p->warnings.count; k++)
                print_error("%s\n", p->warnings.text[k]);
            fail_msg("row %zu, not said: %s", i, rows[i].warning);
        }
        /* One cause, one warning; half_empty also has the reminder. */
        assert_in_range(p->warnings.count, 1, rows[i].set == half_empty ? 2 : 1);
        plan_free(p);
    }
}

/* An accuracy stated as a share alone, or as an offset alone, is one. */
static void test_partial_accuracy(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    s.stand.accuracy.current.gain = NAN;
    s.stand.accuracy.voltage.offset = NAN;
    struct plan *p = scene_plan(&s);
    assert_int_equal(p->warnings.count, 0);
    plan_free(p);
}

/* Leads of known resistance are corrected for: no warning. */
static void test_known_leads(void **state)
{
    (void)state;
    struct scene s;
    scene_start(&s);
    two_wire(&s);
    s.stand.lead_ohm = 0.010;
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_int_equal(p->warnings.count, 0);
    plan_free(p);
}

static void test_cautions(void **state)
{
    (void)state;
    for (int c = 0; c < CHEM_COUNT; c++) {
        struct scene s;
        scene_start(&s);
        s.battery.chemistry = (enum chemistry)c;
        struct plan *p = scene_plan(&s);
        const struct chemistry_data *data = chemistry_data((enum chemistry)c);
        for (size_t i = 0; data->cautions[i] != NULL; i++)
            assert_true(says(&p->cautions, data->cautions[i]));
        char heat[PLAN_NOTE_SIZE];
        text_format(heat, sizeof heat,
                    "The load turns about %.3g W into heat, into the room it stands in: keep its "
                    "air inlets free and nothing that burns near it.",
                    10 * data->nominal_V * 4);
        assert_true(says(&p->cautions, heat));
        assert_non_null(strstr(p->cautions.text[p->cautions.count - 1], "Local codes"));
        plan_free(p);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_values),           cmocka_unit_test(test_relative),
        cmocka_unit_test(test_longest_time),     cmocka_unit_test(test_end_without_cutoff),
        cmocka_unit_test(test_cut_short),        cmocka_unit_test(test_two_discharges),
        cmocka_unit_test(test_without_stand),    cmocka_unit_test(test_strictest_wins),
        cmocka_unit_test(test_problems),         cmocka_unit_test(test_more_problems),
        cmocka_unit_test(test_places),           cmocka_unit_test(test_too_many_problems),
        cmocka_unit_test(test_long_path),        cmocka_unit_test(test_warnings),
        cmocka_unit_test(test_partial_accuracy), cmocka_unit_test(test_known_leads),
        cmocka_unit_test(test_cautions),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
