/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the planner where it charges, pulses, repeats or holds: values by hand,
 * limits of each kind of step, problems and warnings with their whole sentences,
 * and the chemistries' numbers against published ones. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "plan_scene.h"
#include "profile/chemistry.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char text_of_a_launch[] = "profile: Launch\n"                                 /* 1 */
                                       "limits:\n"                                         /* 2 */
                                       "  voltage: {min: 2.2 V/cell}\n"                    /* 3 */
                                       "  temperature: {min: -5 degC}\n"                   /* 4 */
                                       "steps:\n"                                          /* 5 */
                                       "  - charge:\n"                                     /* 6 */
                                       "      name: fill\n"                                /* 7 */
                                       "      current: 0.2 C\n"                            /* 8 */
                                       "      voltage: 3.65 V/cell\n"                      /* 9 */
                                       "      until: {current: 0.05 C}\n"                  /* 10 */
                                       "      at_most: {time: 9 h}\n"                      /* 11 */
                                       "  - rest: {for: 1 h}\n"                            /* 12 */
                                       "  - discharge:\n"                                  /* 13 */
                                       "      name: capacity\n"                            /* 14 */
                                       "      current: 0.1 C\n"                            /* 15 */
                                       "      until: {voltage: 2.5 V/cell}\n"              /* 16 */
                                       "      at_most: {time: 15 h}\n"                     /* 17 */
                                       "  - hold: {say: \"take it off\", at_most: 1 h}\n"; /* 18 */

static const char text_of_a_lamp[] =
    "profile: Lamp\n"                                                  /* 1 */
    "steps:\n"                                                         /* 2 */
    "  - charge:\n"                                                    /* 3 */
    "      name: fill\n"                                               /* 4 */
    "      current: 0.5 C\n"                                           /* 5 */
    "      until: {drop: 5 mV/cell, warming: 1 degC/min, time: 3 h}\n" /* 6 */
    "      hold_off: 10 min\n";                                        /* 7 */

static const char text_of_a_block[] =
    "profile: Block\n"                                                   /* 1 */
    "steps:\n"                                                           /* 2 */
    "  - charge:\n"                                                      /* 3 */
    "      name: absorb\n"                                               /* 4 */
    "      current: 0.1 C\n"                                             /* 5 */
    "      voltage: 2.40 V/cell\n"                                       /* 6 */
    "      compensation: {per_degree: -3 mV/cell, reference: 25 degC}\n" /* 7 */
    "      until: {current: 0.02 C}\n"                                   /* 8 */
    "      at_most: {time: 24 h}\n"                                      /* 9 */
    "  - charge: {name: float, current: 0.05 C, voltage: 2.25 V/cell, until: {time: 2 h}}\n";

static void scene_start(struct scene *s, const char *text, enum chemistry chemistry, int cells,
                        double rated_Ah)
{
    memset(s, 0, sizeof *s);
    strcpy(s->text, text);
    s->battery = battery_blank();
    strcpy(s->battery.label, "launch-a");
    s->battery.chemistry = chemistry;
    s->battery.cells = cells;
    s->battery.rated_Ah = rated_Ah;
    s->stand = (struct stand_facts){
        .name = "jetty",
        .load = {true, 40, 80, 400, 0.5, true, true, true},
        .supply = {true, 25, 32, 400, NAN, true, false, false},
        .has_thermometer = true,
        .voltage_source = SOURCE_REMOTE_SENSE,
        .present_voltage_V = chemistry_data(chemistry)->nominal_V * cells,
        .present_temperature_C = 22,
        .accuracy = {{2e-4, 2e-3, 1e-3}, {5e-4, 5e-3, 1e-3}, 1e-4},
        .other_voltage = {NAN, NAN, NAN},
        .free_bytes = NAN,
    };
}

static void launch(struct scene *s)
{
    scene_start(s, text_of_a_launch, CHEM_LFP, 4, 100);
}
static void lamp(struct scene *s)
{
    scene_start(s, text_of_a_lamp, CHEM_NIMH, 4, 2);
}
static void block(struct scene *s)
{
    scene_start(s, text_of_a_block, CHEM_LEAD_AGM, 6, 90);
}

static bool says(const struct plan_notes *n, const char *text)
{
    for (size_t i = 0; i < n->count; i++) {
        if (strstr(n->text[i], text) != NULL)
            return true;
    }
    return false;
}

/* --- values --- */

static void test_launch(void **state)
{
    (void)state;
    struct scene s;
    launch(&s);
    struct plan *p = scene_plan(&s);
    no_problem(p);
    const struct plan_step *c = &p->steps[0];
    assert_int_equal(c->drive, DRIVE_CURRENT);
    assert_float_equal(c->current_A, 20, 1e-6);
    assert_float_equal(c->charge_V, 14.6, 1e-6);
    assert_float_equal(c->until_A, 5, 1e-6);
    assert_float_equal(c->max_s, 32400, 0);
    assert_true(c->max_s_is_fault && c->max_Ah_is_fault);
    assert_float_equal(c->max_Ah, 150, 1e-3); /* nobody wrote one: the chemistry's ceiling */
    /* From empty: 100 Ah by 0.99, and a taper. */
    assert_float_equal(c->expected_Ah, 101.0101, 1e-3);
    assert_float_equal(c->expected_s, 23636.4, 1); /* 101.01 Ah / 20 A x 1.3 */
    /* 20 A at (12.8 + 14.6) / 2 V: 15 of 85 parts lost in the supply, 5 % in the battery. */
    assert_float_equal(c->heat_W, 274 * (0.17647f + 0.05f), 0.1);
    assert_float_equal(p->steps[2].expected_Ah, 100, 1e-3);
    assert_float_equal(p->expected_Ah, 100, 1e-3);
    assert_float_equal(p->expected_charged_Ah, 101.0101, 1e-3);
    assert_float_equal(p->longest_s, (9 + 1 + 15 + 1) * 3600, 0);
    assert_true(says(&p->warnings, "foreseen as if the battery were empty at the start"));
    assert_true(says(&p->warnings, "waits for a person, for 1 h at most"));
    plan_free(p);
}

static void test_ends_of_a_charge(void **state)
{
    (void)state;
    struct scene s;
    launch(&s);
    scene_change(&s, "{current: 0.05 C}", "{charge: 40 %, time: 3 h}");
    scene_change(&s, "{time: 9 h}", "{time: 4 h, charge: 60 %}");
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[0].max_Ah, 40, 1e-3); /* normal ends */
    assert_float_equal(p->steps[0].max_s, 10800, 0);
    assert_false(p->steps[0].max_s_is_fault);
    assert_false(p->steps[0].max_Ah_is_fault);
    /* Behind them the guard holds what is never to be exceeded. */
    assert_float_equal(p->steps[0].limits.charge_max_Ah, 63, 1e-3);
    assert_float_equal(p->steps[0].limits.step_time_max_s, 14460, 0);
    plan_free(p);
}

static void test_compensation(void **state)
{
    (void)state;
    struct scene s;
    block(&s);
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[0].charge_V, 14.4, 1e-5);
    assert_float_equal(p->steps[0].charge_V_per_K, -0.018, 1e-6);
    assert_float_equal(p->steps[0].compensation_C, 25, 0);
    /* Charging from -20 degC: 45 degrees below the reference add 0.81 V to 14.70 V. */
    assert_float_equal(p->limits.voltage_max_V, 15.51, 1e-4);
    assert_true(p->steps[0].limits.temperature_required);
    assert_float_equal(p->steps[1].max_s, 7200, 0);
    assert_false(p->steps[1].max_s_is_fault);
    plan_free(p);
}

static void test_modes_of_a_load(void **state)
{
    (void)state;
    struct scene s;
    launch(&s);
    scene_change(&s, "current: 0.1 C", "power: 128 W");
    struct plan *p = scene_plan(&s);
    no_problem(p);
    const struct plan_step *d = &p->steps[2];
    assert_int_equal(d->drive, DRIVE_POWER);
    assert_float_equal(d->power_W, 128, 0);
    assert_float_equal(d->current_A, -12.8, 1e-5); /* at 10 V, where it is largest */
    assert_float_equal(d->heat_W, 128, 0);
    assert_float_equal(d->expected_s, 36000, 1);      /* 100 Ah at 128 W / 12.8 V */
    assert_true(isnan(d->limits.regulation_percent)); /* the current follows the voltage */
    assert_float_equal(d->limits.current_max_A, 15.36, 1e-4);
    plan_free(p);
    launch(&s);
    scene_change(&s, "current: 0.1 C", "resistance: 2 Ohm");
    p = scene_plan(&s);
    no_problem(p);
    d = &p->steps[2];
    assert_int_equal(d->drive, DRIVE_RESISTANCE);
    assert_float_equal(d->current_A, -7.3, 1e-5); /* at 14.6 V */
    assert_float_equal(d->heat_W, 81.92, 1e-3);   /* 12.8 V x 6.4 A */
    plan_free(p);
}

static const char text_of_rounds[] =
    "profile: Rounds\nsteps:\n  - repeat:\n      times: 4\n      until: {%s}\n      steps:\n"
    "        - repeat:\n            times: 3\n            steps:\n"
    "              - rest: {for: 1 h}\n"
    "        - charge: {current: 0.5 C, voltage: 4.2 V/cell, until: {current: 0.05 C}, at_most: "
    "{time: 5 h}}\n"
    "        - discharge: {current: 0.5 C, until: {voltage: 3 V/cell}, at_most: {time: 3 h}}\n";

static void test_rounds(void **state)
{
    (void)state;
    static const struct {
        const char *until;
        int foreseen;
    } rows[] = {
        {"capacity_below: 80 %", 4},    /* a good battery goes all the way */
        {"capacity_reached: 100 %", 1}, /* and passes at once */
        {"agree_within: 2 %", 2},
        {"cutoff: yes", 1},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct scene s;
        scene_start(&s, "", CHEM_LI_ION, 3, 2);
        const char *hole = strstr(text_of_rounds, "%s");
        text_format(s.text, sizeof s.text, "%.*s%s%s", (int)(hole - text_of_rounds), text_of_rounds,
                    rows[i].until, hole + 2);
        struct plan *p = scene_plan(&s);
        no_problem(p);
        assert_int_equal(p->step_count, 5);
        assert_int_equal(p->steps[1].kind, STEP_REPEAT);
        assert_int_equal(p->steps[1].repeat.back_to, 0);
        assert_int_equal(p->steps[4].repeat.back_to, 0);
        assert_int_equal(p->steps[4].repeat.times, 4);
        assert_float_equal(p->steps[0].rounds, 12, 0);
        assert_float_equal(p->steps[3].rounds, 4, 0);
        assert_float_equal(p->longest_s, (12 * 1 + 4 * 5 + 4 * 3) * 3600, 0);
        assert_float_equal(p->expected_Ah, 2.0f * (float)rows[i].foreseen, 1e-4);
        assert_float_equal(p->steps[3].expected_Ah, 2, 1e-4);
        plan_free(p);
    }
}

/* A sample a second for 11 h and 34 min, each of 22 bytes, a thousand rows, and four steps. */
static void test_disk(void **state)
{
    (void)state;
    struct scene s;
    launch(&s);
    scene_change(&s,
                 "  - charge:\n      name: fill\n      current: 0.2 C\n      voltage: 3.65 "
                 "V/cell\n      until: {current: 0.05 C}\n      at_most: {time: 9 h}\n",
                 "  - rest: {for: 34 min}\n");
    struct plan *p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->disk_bytes, (11 * 3600 + 34 * 60) * 22 + 50000 + 4 * 300, 1);
    plan_free(p);
    s.stand.free_bytes = 10.4e6; /* 0.55 MB wanted, 10 MB kept free */
    p = scene_plan(&s);
    assert_int_equal(p->problems.count, 1);
    assert_string_equal(p->problems.text[0],
                        "the samples of this run take about 1 MB, and 10 MB are free where they "
                        "are recorded, of which 10 MB must stay free: make room, or lower times "
                        "and at_most");
    plan_free(p);
    s.stand.free_bytes = 15e6;
    p = scene_plan(&s);
    no_problem(p);
    assert_true(says(&p->warnings, "the samples of this run take about 1 MB, and only 15 MB are "
                                   "free where they are recorded"));
    plan_free(p);
}

/* --- limits belong to the kind of step --- */

static void test_limits_of_steps(void **state)
{
    (void)state;
    struct scene s;
    launch(&s);
    scene_change(
        &s, "      at_most: {time: 9 h}\n",
        "      at_most: {time: 9 h}\n      precharge: {below: 2.5 V/cell, current: 0.02 C, "
        "at_most: {time: 30 min}}\n");
    s.battery.current_max_A = 15; /* the register's is for discharging */
    struct plan *p = scene_plan(&s);
    no_problem(p);
    const struct guard_limits *before = &p->steps[0].limits, *fill = &p->steps[1].limits;
    const struct guard_limits *rest = &p->steps[2].limits, *d = &p->steps[3].limits;
    const struct guard_limits *hold = &p->steps[4].limits;
    /* No lithium is charged below 0 degC, whatever the profile says. */
    assert_float_equal(fill->temperature_min_C, 0, 0);
    assert_float_equal(fill->temperature_max_C, 45, 0);
    assert_float_equal(d->temperature_min_C, -5, 0);
    assert_float_equal(d->temperature_max_C, 60, 0);
    assert_true(fill->temperature_required && before->temperature_required);
    assert_false(d->temperature_required);
    /* The profile's lower voltage ends discharges; a battery may start a charge below it. */
    assert_float_equal(d->voltage_min_V, 8.8, 1e-5);
    assert_float_equal(fill->voltage_min_V, 8.0, 1e-5);
    assert_float_equal(rest->voltage_min_V, 8.0, 1e-5);
    assert_true(isnan(hold->voltage_min_V)); /* a person may take the battery off */
    assert_float_equal(hold->voltage_max_V, 14.8, 1e-5);
    assert_float_equal(d->voltage_max_V, 14.8, 1e-5); /* a full battery begins above 14.6 V */
    assert_float_equal(fill->current_max_A, 24, 1e-5);
    assert_float_equal(before->current_max_A, 2.4, 1e-5);
    assert_float_equal(d->current_max_A, 12, 1e-5);
    /* At held voltage the current tapers: it is away from its set point, rightly. */
    assert_true(isnan(fill->regulation_percent));
    assert_float_equal(d->regulation_percent, 5, 0);
    assert_float_equal(before->step_time_max_s, 1860, 0);
    assert_float_equal(before->charge_max_Ah, 1.05, 1e-5); /* 2 A for 30 min, and 5 % */
    assert_float_equal(fill->charge_max_Ah, 157.5, 1e-3);
    assert_float_equal(p->steps[0].skip_above_V, 10, 1e-5);
    /* What is not as in the list of the plan is listed with the step. */
    bool listed = false;
    for (size_t i = 0; i < p->steps[1].own_limit_count; i++) {
        const struct plan_limit *l = &p->steps[1].own_limits[i];
        listed = listed || (strcmp(l->name, "temperature_min") == 0 &&
                            strcmp(l->source, "chemistry lfp: charge from 0 degC") == 0);
    }
    assert_true(listed);
    plan_free(p);
}

/* What the maker allows for charging is asked of charges only, as a problem and as a limit. */
static void test_largest_charge_current(void **state)
{
    (void)state;
    struct scene s;
    launch(&s); /* charges with 20 A, discharges with 10 A */
    s.battery.charge_current_max_A = 15;
    struct plan *p = scene_plan(&s);
    assert_true(only_problem(p, 0,
                             "p.yaml:8: step \"fill\" charges with 20 A, and battery \"launch-a\" "
                             "allows 15 A: lower the current"));
    plan_free(p);
    s.battery.charge_current_max_A = 22;
    p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[0].limits.current_max_A, 22, 1e-5);
    assert_float_equal(p->steps[2].limits.current_max_A, 12, 1e-5);
    plan_free(p);
}

/* A deeply discharged block may be brought up by a pre-charge; lithium not. */
static void test_deeply_discharged(void **state)
{
    (void)state;
    struct scene s;
    block(&s);
    s.stand.present_voltage_V = 9.3; /* 1.55 V/cell */
    struct plan *p = scene_plan(&s);
    assert_true(says(&p->problems, "below the floor of 6 lead-agm cells (9.60 V)"));
    plan_free(p);
    scene_change(&s, "      at_most: {time: 24 h}\n",
                 "      at_most: {time: 24 h}\n      precharge: {below: 1.75 V/cell, current: "
                 "0.02 C, at_most: {time: 2 h}}\n");
    p = scene_plan(&s);
    no_problem(p);
    assert_float_equal(p->steps[0].limits.voltage_min_V, 9.0, 1e-5);
    plan_free(p);
    launch(&s);
    scene_change(
        &s, "      at_most: {time: 9 h}\n",
        "      at_most: {time: 9 h}\n      precharge: {below: 2.5 V/cell, current: 0.02 C, "
        "at_most: {time: 30 min}}\n");
    s.stand.present_voltage_V = 7.6;
    p = scene_plan(&s);
    assert_true(says(&p->problems, "below the floor of 4 lfp cells (8.00 V)"));
    plan_free(p);
}

/* --- problems --- */

typedef void set_fn(struct scene *s);

static void no_supply(struct scene *s)
{
    s->stand.supply = (struct instrument_facts){false, NAN, NAN, NAN, NAN, false, false, false};
}
static void no_thermometer(struct scene *s)
{
    s->stand.has_thermometer = false;
    s->stand.present_temperature_C = NAN;
}
static void supply_of_15_A(struct scene *s)
{
    s->stand.supply.current_max_A = 15;
}
static void supply_of_14_V(struct scene *s)
{
    s->stand.supply.voltage_max_V = 14;
}
static void supply_of_200_W(struct scene *s)
{
    s->stand.supply.power_max_W = 200;
}
static void plain_load(struct scene *s)
{
    s->stand.load.holds_power = false;
    s->stand.load.holds_resistance = false;
}
static void load_of_10_A(struct scene *s)
{
    s->stand.load.current_max_A = 10;
}
static void below_zero(struct scene *s)
{
    s->stand.present_temperature_C = -2;
}
static void unrated(struct scene *s)
{
    s->battery.rated_Ah = NAN;
}

/* Each scene has this one problem. */
static const struct {
    set_fn *scene;
    const char *from, *to;
    set_fn *set;
    const char *problem;
} problems[] = {
    /* the supply */
    {launch, "", "", no_supply,
     "stand \"jetty\" has no supply to charge with: choose another stand"},
    {launch, "", "", supply_of_15_A,
     "p.yaml:8: step \"fill\" charges with 20 A, and the supply of stand \"jetty\" is rated 15 A: "
     "lower the current or choose another stand"},
    {launch, "", "", supply_of_14_V,
     "p.yaml:9: step \"fill\" charges to 14.60 V, and the supply of stand \"jetty\" is rated 14 V: "
     "choose another stand"},
    {launch, "", "", supply_of_200_W,
     "p.yaml:8: step \"fill\" takes 292 W from the supply of stand \"jetty\" (20 A at 14.60 V), "
     "which is rated 200 W: lower the current or choose another stand"},
    /* the thermometer */
    {launch, "", "", no_thermometer,
     "p.yaml:6: step \"fill\" needs the battery's temperature, as this chemistry is charged only "
     "within its window, and stand \"jetty\" has no thermometer: add one to bench.yaml or choose "
     "another stand"},
    {block,
     "  - charge: {name: float, current: 0.05 C, voltage: 2.25 V/cell, until: {time: 2 h}}\n", "",
     no_thermometer,
     "p.yaml:3: step \"absorb\" needs the battery's temperature, and stand \"jetty\" has no "
     "thermometer: add one to bench.yaml or choose another stand"},
    {launch, "", "", below_zero,
     "p.yaml:6: the battery is at -2.0 degC, and step \"fill\" charges it between 0 and 45 degC "
     "only: let it come to room temperature"},
    /* what is held */
    {launch, "3.65 V/cell", "3.75 V/cell", NULL,
     "p.yaml:9: step \"fill\" charges to 15.00 V, above the ceiling of 4 lfp cells (14.80 V): "
     "lower "
     "it; 3.65 V/cell is usual"},
    {launch, "      voltage: 3.65 V/cell\n", "", NULL,
     "p.yaml:6: step \"fill\" does not say what voltage the supply holds at most: write voltage: "
     "3.65 V/cell, usual for lfp, or what the maker's sheet says"},
    {launch, "{min: 2.2 V/cell}", "{max: 14.5 V}", NULL,
     "p.yaml:9: step \"fill\" charges to 14.60 V, and the upper voltage limit is 14.50 V, so the "
     "run would trip: lower the voltage or raise the limit"},
    {block, "2.40 V/cell", "2.50 V/cell", NULL,
     "p.yaml:6: step \"absorb\" charges to 15.00 V, above the ceiling of 6 lead-agm cells (14.70 "
     "V): lower it; 2.40 V/cell is usual"},
    {block, "-3 mV/cell", "3 mV/cell", NULL,
     "p.yaml:7: step \"absorb\" is compensated by 3 mV per degree and cell, and less voltage is "
     "wanted when warm, at most 6 mV: write per_degree: -3 mV/cell"},
    {launch, "      until: {current: 0.05 C}\n",
     "      until: {current: 0.05 C}\n      compensation: {per_degree: -3 mV/cell, reference: 25 "
     "degC}\n",
     NULL,
     "p.yaml:11: the charge voltage of lfp does not follow the temperature: take compensation out "
     "of step \"fill\""},
    /* what ends it */
    {launch, "{current: 0.05 C}", "{current: 0.2 C}", NULL,
     "p.yaml:10: step \"fill\" ends when the current falls to 20 A, and charges with 20 A, so it "
     "would end at once: 0.05 C is usual"},
    {launch, "{current: 0.05 C}", "{voltage: 3.65 V/cell}", NULL,
     "p.yaml:10: step \"fill\" ends at 14.60 V, and the supply holds 14.60 V at most, so it might "
     "never end: raise voltage, or end it by until: {current: ...}"},
    {launch, "{current: 0.05 C}", "{warming: 1 degC/min}", NULL,
     "p.yaml:6: nothing in step \"fill\" tells when a lfp battery is full: write until: {current: "
     "0.05 C}"},
    {launch, "{time: 9 h}", "{time: 9 h, charge: 200 %}", NULL,
     "p.yaml:11: step \"fill\" may put in 200 Ah, and more than 150 % of rated (150 Ah) is never "
     "right for lfp: lower time, charge or current"},
    {lamp, "{drop: 5 mV/cell, warming: 1 degC/min, time: 3 h}\n      hold_off: 10 min\n",
     "{current: 0.05 C}\n      at_most: {time: 3 h}\n", NULL,
     "p.yaml:3: nothing in step \"fill\" tells when a nimh battery is full: write until: {drop: 5 "
     "mV/cell, warming: 1 degC/min}, or until: {time: 16 h} at 0.1 C"},
    {lamp, "time: 3 h", "time: 4 h", NULL,
     "p.yaml:3: step \"fill\" may put in 4 Ah, and more than 170 % of rated (3.4 Ah) is never "
     "right "
     "for nimh: lower time, charge or current"},
    {lamp, "warming: 1 degC/min", "warming: 4 degC/min", NULL,
     "p.yaml:6: step \"fill\" ends when the battery warms by 4 degC/min, and the limit is 3 "
     "degC/min, so the run would trip: 1 degC/min is usual"},
    {lamp, "hold_off: 10 min", "hold_off: 3 h", NULL,
     "p.yaml:7: step \"fill\" ends before its hold_off is over: shorten hold_off, or give the step "
     "more time"},
    /* the load's modes */
    {launch, "current: 0.1 C", "power: 100 W", plain_load,
     "p.yaml:15: step \"capacity\" holds a constant power, and the driver of the load at stand "
     "\"jetty\" has no lines for that: discharge by current, or add them to the driver"},
    {launch, "current: 0.1 C", "resistance: 2 Ohm", plain_load,
     "p.yaml:15: step \"capacity\" holds a constant resistance, and the driver of the load at "
     "stand "
     "\"jetty\" has no lines for that: discharge by current, or add them to the driver"},
    {launch, "current: 0.1 C", "power: 110 W", load_of_10_A,
     "p.yaml:15: step \"capacity\" draws 11 A, and the load of stand \"jetty\" is rated 10 A: "
     "lower "
     "the current or choose another stand"},
    /* pulses */
    {launch, "  - rest: {for: 1 h}\n",
     "  - pulse: {name: push, currents: [{current: 10 A, for: 10 s}, {current: 20 A, for: 1 s}], "
     "until: {voltage: 2.5 V/cell}}\n",
     load_of_10_A,
     "p.yaml:12: step \"push\" draws 20 A, and the load of stand \"jetty\" is rated 10 A: lower "
     "the "
     "current or choose another stand"},
    {launch, "  - rest: {for: 1 h}\n",
     "  - pulse: {name: push, currents: [{current: 10 A, for: 10 s}], direction: charge, until: "
     "{voltage: 3.65 V/cell}}\n",
     NULL,
     "p.yaml:12: step \"push\" does not say what voltage the supply holds at most: write voltage: "
     "3.65 V/cell, usual for lfp, or what the maker's sheet says"},
    {launch, "  - rest: {for: 1 h}\n",
     "  - pulse: {name: push, currents: [{current: 10 A, for: 10 s}], until: {voltage: 1.5 "
     "V/cell}}\n",
     NULL,
     "p.yaml:12: the cut-off of step \"push\", 6.00 V, is not above the floor of 4 lfp cells (8.00 "
     "V): raise it; 2.50 V/cell is usual"},
    /* rounds */
    {launch, "  - rest: {for: 1 h}\n",
     "  - repeat: {times: 9999, steps: [{repeat: {times: 100, steps: [{rest: {for: 1 s}}]}}]}\n",
     NULL,
     "p.yaml:12: with all its repeats this profile has 2009802 steps, one after the other, and "
     "100000 is the most: lower times"},
    {launch, "  - rest: {for: 1 h}\n", "  - repeat: {times: 300, steps: [{rest: {for: 30 h}}]}\n",
     NULL,
     "with every step and repeat at its longest this run takes 376 days, and 366 is the most: "
     "lower "
     "times or at_most"},
};

/* Wanted of an unrated battery: several, each with its place. */
static void test_unrated(void **state)
{
    (void)state;
    struct scene s;
    launch(&s);
    unrated(&s);
    scene_change(&s, "{time: 9 h}", "{time: 9 h, charge: 120 %}");
    struct plan *p = scene_plan(&s);
    assert_true(says(&p->problems, "p.yaml:8: 0.2 C is relative to the rated capacity"));
    assert_true(says(&p->problems, "p.yaml:10: 0.05 C is relative to the rated capacity"));
    assert_true(says(&p->problems, "p.yaml:11: 120 % is relative to the rated capacity"));
    plan_free(p);
}

static void test_problems(void **state)
{
    (void)state;
    int wrong = 0;
    for (size_t i = 0; i < sizeof problems / sizeof *problems; i++) {
        struct scene s;
        problems[i].scene(&s);
        struct plan *sound = scene_plan(&s);
        no_problem(sound);
        plan_free(sound);
        scene_change(&s, problems[i].from, problems[i].to);
        if (problems[i].set != NULL)
            problems[i].set(&s);
        struct plan *p = scene_plan(&s);
        wrong += !only_problem(p, i, problems[i].problem);
        plan_free(p);
    }
    assert_int_equal(wrong, 0);
}

/* --- warnings --- */

static void no_backstop(struct scene *s)
{
    s->stand.supply.has_backstop = false;
}
static void unknown_rating(struct scene *s)
{
    s->stand.supply.voltage_max_V = NAN;
}

static void test_warnings(void **state)
{
    (void)state;
    static const struct {
        set_fn *scene;
        const char *from, *to;
        set_fn *set;
        const char *warning;
    } rows[] = {
        {launch, "", "", no_backstop,
         "the supply of stand \"jetty\" has no over-voltage protection that can be programmed: "
         "should this computer and its keeper fail, nothing but the voltage that was set ends the "
         "charge; set one at its panel"},
        {launch, "", "", unknown_rating,
         "the driver of the supply at stand \"jetty\" does not state its rated voltage: check that "
         "it can give 20 A"},
        {launch, "{min: 2.2 V/cell}", "{min: 2.2 V/cell, max: 14.62 V}", NULL,
         "step \"fill\" charges to 14.60 V, and the upper voltage limit is 14.62 V: noise of the "
         "reading may trip the run; leave 0.04 V between them"},
        {lamp, "current: 0.5 C", "current: 1.2 C", NULL,
         "step \"fill\" charges with 2.4 A, and 2 A (1 C) is the usual most for nimh: check the "
         "maker's sheet"},
        {block, "      compensation: {per_degree: -3 mV/cell, reference: 25 degC}\n", "", NULL,
         "step \"absorb\" holds the same voltage at any temperature, and lead-agm wants less when "
         "warm: write compensation: {per_degree: -3 mV/cell, reference: 25 degC} if the stand has "
         "a thermometer"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct scene s;
        rows[i].scene(&s);
        struct plan *p = scene_plan(&s);
        assert_false(says(&p->warnings, rows[i].warning));
        plan_free(p);
        scene_change(&s, rows[i].from, rows[i].to);
        if (rows[i].set != NULL)
            rows[i].set(&s);
        p = scene_plan(&s);
        if (!says(&p->warnings, rows[i].warning)) {
            for (size_t k = 0; k < p->warnings.count; k++)
                print_error("%s\n", p->warnings.text[k]);
            fail_msg("row %zu, not said: %s", i, rows[i].warning);
        }
        plan_free(p);
    }
}

/* --- numbers of the chemistries --- */

/* Typed from the pages named; volts per cell, degC. NAN: that page gives none. */
static void test_published(void **state)
{
    (void)state;
    static const struct {
        enum chemistry chemistry;
        double nominal_V, full_V, cutoff_V, floor_V;
    } volts[] = {
        /* a cell maker's summary table of lithium-based batteries */
        {CHEM_LFP, 3.20, 3.65, 2.50, 2.00},
        {CHEM_LI_ION, 3.60, 4.20, 3.00, 2.50},
        {CHEM_LTO, 2.40, 2.85, 1.80, 1.50},
        /* a battery page on cell voltages; a public handbook's 10.50 V of a 12 V block */
        {CHEM_LEAD_AGM, 2.00, 2.40, 1.75, NAN},
        {CHEM_LEAD_FLOODED, 2.00, 2.40, 1.75, NAN},
        /* a guide on NiMH charging; a maker's test methods; FIST 3-6 for NiCd */
        {CHEM_NIMH, 1.2, NAN, 1.0, NAN},
        {CHEM_NICD, 1.2, NAN, 1.0, NAN},
    };
    for (size_t i = 0; i < sizeof volts / sizeof *volts; i++) {
        const struct chemistry_data *c = chemistry_data(volts[i].chemistry);
        assert_float_equal(c->nominal_V, volts[i].nominal_V, 1e-6);
        assert_float_equal(c->cutoff_V, volts[i].cutoff_V, 1e-6);
        if (isfinite(volts[i].full_V))
            assert_float_equal(c->full_charge_V, volts[i].full_V, 1e-6);
        else
            assert_true(isnan(c->full_charge_V));
        if (isfinite(volts[i].floor_V))
            assert_float_equal(c->floor_V, volts[i].floor_V, 1e-6);
    }
    static const struct {
        enum chemistry chemistry;
        double charge_min_C, charge_max_C, discharge_min_C, discharge_max_C;
    } windows[] = {
        /* a public battery handbook, charging at high and low temperatures */
        {CHEM_LI_ION, 0, 45, -20, 60},     {CHEM_LFP, 0, 45, -20, 60},
        {CHEM_NIMH, 0, 45, -20, 65},       {CHEM_NICD, 0, 45, -20, 65},
        {CHEM_LEAD_AGM, -20, 50, -20, 50}, {CHEM_LEAD_FLOODED, -20, 50, -20, 50},
    };
    for (size_t i = 0; i < sizeof windows / sizeof *windows; i++) {
        const struct chemistry_data *c = chemistry_data(windows[i].chemistry);
        assert_float_equal(c->charge_min_C, windows[i].charge_min_C, 0);
        assert_float_equal(c->charge_max_C, windows[i].charge_max_C, 0);
        assert_float_equal(c->discharge_min_C, windows[i].discharge_min_C, 0);
        assert_float_equal(c->discharge_max_C, windows[i].discharge_max_C, 0);
    }
    /* 18650 sheet: 125 mA of 2.5 Ah; sheet of a 304 Ah cell: 0.05 C */
    assert_float_equal(chemistry_data(CHEM_LI_ION)->taper_C, 0.05, 1e-6);
    assert_float_equal(chemistry_data(CHEM_LFP)->taper_C, 0.05, 1e-6);
    /* a battery page: 2.30 V at 25, 2.27 at 35, 2.33 at 15 degC */
    const struct chemistry_data *lead = chemistry_data(CHEM_LEAD_AGM);
    assert_true(fabs(2.30 + 10 * lead->compensation_V_per_K - 2.27) < 1e-9);
    assert_true(fabs(2.30 - 10 * lead->compensation_V_per_K - 2.33) < 1e-9);
    assert_float_equal(lead->compensation_reference_C, 25, 0);
    /* a charger's manual: 5 mV per cell; a guide: 66 % kept at C/10 */
    assert_float_equal(chemistry_data(CHEM_NIMH)->drop_V, 0.005, 1e-6);
    assert_float_equal(chemistry_data(CHEM_NIMH)->charge_Ah_kept, 0.66, 1e-6);
    /* a maker's test methods: 0.1 It for 16 h must be possible */
    assert_true(chemistry_data(CHEM_NIMH)->charge_most >= 1.6);
    assert_true(chemistry_data(CHEM_NICD)->charge_most >= 1.6);
}

/* What any chemistry must have, so that a charge has its bounds. */
static void test_complete(void **state)
{
    (void)state;
    for (int i = 0; i < CHEM_COUNT; i++) {
        const struct chemistry_data *c = chemistry_data((enum chemistry)i);
        bool lead = i == CHEM_LEAD_FLOODED || i == CHEM_LEAD_AGM || i == CHEM_LEAD_GEL;
        bool nickel = i == CHEM_NIMH || i == CHEM_NICD;
        assert_true(c->charge_usual_C > 0 && c->charge_usual_C <= 1);
        assert_true(c->charge_most > 1 && c->charge_most < 2);
        assert_true(c->charge_Ah_kept > 0.5 && c->charge_Ah_kept < 1);
        assert_true(c->charge_Wh_kept > 0.5 && c->charge_Wh_kept < c->charge_Ah_kept);
        assert_true(c->charge_most * c->charge_Ah_kept > 1); /* it can be filled at all */
        assert_true(c->recover_V > 0 && c->recover_V <= c->floor_V);
        assert_true(lead == (c->compensation_V_per_K < 0));
        assert_true(lead != c->charge_needs_temperature);
        assert_true(nickel == isnan(c->taper_C));
        assert_true(nickel == isfinite(c->drop_V));
        assert_true(lead || nickel || c->recover_V == c->floor_V); /* lithium is not brought back */
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_launch),
        cmocka_unit_test(test_ends_of_a_charge),
        cmocka_unit_test(test_compensation),
        cmocka_unit_test(test_modes_of_a_load),
        cmocka_unit_test(test_rounds),
        cmocka_unit_test(test_disk),
        cmocka_unit_test(test_limits_of_steps),
        cmocka_unit_test(test_largest_charge_current),
        cmocka_unit_test(test_deeply_discharged),
        cmocka_unit_test(test_unrated),
        cmocka_unit_test(test_problems),
        cmocka_unit_test(test_warnings),
        cmocka_unit_test(test_published),
        cmocka_unit_test(test_complete),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
