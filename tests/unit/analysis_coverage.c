/* SPDX-License-Identifier: GPL-3.0-or-later
 * Is the stated uncertainty true? 2,000 discharges of the virtual bench's battery model,
 * read by instruments whose errors are drawn within their limits: in how many of them
 * does the charge that really flowed until the battery's own voltage met the cut-off lie
 * within +-U? For k = 2 it should be about 95 % (95.45 % for a normal distribution; a few
 * rectangular parts of like size make it up to 97 %). */
#include "virtual/battery.h"
#include "whole_record.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#include "check_row.h"

#define DISCHARGES 2000
#define ROWS 4096
#define CUTOFF_V 9.0
#define LOAD_A 10.0
#define MODEL_S 1.0

/* --- chance, the same on every machine: G. Marsaglia, J. Stat. Software 8 (2003) --- */

static uint64_t chance = 20240607;

static double uniform(void)
{
    chance ^= chance << 13;
    chance ^= chance >> 7;
    chance ^= chance << 17;
    return (double)(chance >> 11) / 9007199254740992.0;
}

static double within(double limit)
{
    return limit * (2 * uniform() - 1);
}

static double normal(double sigma)
{
    double u = 1 - uniform(), v = uniform();
    return sigma * sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

/* --- the instruments --- */

struct scene {
    const char *check;
    double every_s;
    double noise_A, noise_V;
    struct instrument_accuracy limits;
    double lead_ohm, lead_error_ohm;
    double lowest, highest; /* coverage, % */
};

struct errors {
    double gain_A, offset_A, gain_V, offset_V, time, lead_ohm;
};

static struct errors draw_errors(const struct scene *s)
{
    return (struct errors){
        .gain_A = within(s->limits.current.gain),
        .offset_A = within(s->limits.current.offset),
        .gain_V = within(s->limits.voltage.gain),
        .offset_V = within(s->limits.voltage.offset),
        .time = within(s->limits.time_gain),
        .lead_ohm = s->lead_ohm + within(s->lead_error_ohm),
    };
}

static double in_steps(double value, double step)
{
    return step > 0 ? step * round(value / step) : value;
}

/* What is read at a true state, at the far end of the leads. */
static struct sample reading(const struct scene *s, const struct errors *x, const struct sample *is)
{
    double at_load_V = is->voltage_V + is->current_A * x->lead_ohm;
    double A = is->current_A * (1 + x->gain_A) + x->offset_A + normal(s->noise_A);
    double V = at_load_V * (1 + x->gain_V) + x->offset_V + normal(s->noise_V);
    return (struct sample){is->t_s * (1 + x->time), in_steps(V, s->limits.voltage.resolution),
                           in_steps(A, s->limits.current.resolution), NAN};
}

/* --- one discharge --- */

/* To the moment the battery's own voltage met the cut-off. */
struct truth {
    bool met;
    double charge_Ah, energy_Wh;
};

static struct sample record[ROWS];

static struct vbattery some_battery(void)
{
    struct vbattery b;
    struct vbattery_spec spec = vbattery_defaults(VCHEM_LI_ION, 3, 2.5 + within(0.3));
    spec.resistance_ohm *= 1 + within(0.3);
    spec.soc = 1;
    vbattery_init(&b, &spec);
    return b;
}

/* Up to_s at the load; the crossing on the way is the truth. */
static void go_on(struct vbattery *b, double *now_s, double to_s, double on_s, struct truth *t)
{
    while (*now_s < to_s) {
        double dt = fmin(MODEL_S, to_s - *now_s), before_V = vbattery_voltage_V(b, -LOAD_A);
        vbattery_step(b, -LOAD_A, dt);
        double after_V = vbattery_voltage_V(b, -LOAD_A);
        double part = after_V > CUTOFF_V ? 1 : (before_V - CUTOFF_V) / (before_V - after_V);
        if (!t->met) {
            t->charge_Ah = LOAD_A * (*now_s + part * dt - on_s) / 3600;
            t->energy_Wh += LOAD_A * part * dt * (before_V + fmax(after_V, CUTOFF_V)) / 2 / 3600;
        }
        t->met = t->met || after_V <= CUTOFF_V;
        *now_s += dt;
    }
}

/* The load comes on somewhere between the first two rows; rows go on until the voltage
 * read, leads taken off, is clearly below the cut-off. */
static size_t discharge(const struct scene *s, const struct errors *x, struct truth *t)
{
    struct vbattery b = some_battery();
    double on_s = s->every_s * uniform(), now_s = on_s;
    struct sample rest = {0, vbattery_voltage_V(&b, 0), 0, NAN};
    size_t n = 0;
    *t = (struct truth){0};
    record[n++] = reading(s, x, &rest);
    for (; n < ROWS; n++) {
        double at_s = (double)n * s->every_s;
        go_on(&b, &now_s, at_s, on_s, t);
        struct sample is = {at_s, vbattery_voltage_V(&b, -LOAD_A), -LOAD_A, NAN};
        record[n] = reading(s, x, &is);
        double V = sample_battery_voltage(&record[n], s->lead_ohm);
        if (t->met && V < CUTOFF_V - 0.05)
            return n + 1;
    }
    fail_msg("the battery does not become empty in %d rows", ROWS);
    return 0;
}

static void tell(const struct scene *s, const char *of, size_t inside)
{
    char check[128];
    snprintf(check, sizeof check, "coverage of U in %s, %%: %s", of, s->check);
    check_row(
        &(struct check_row){.check = check,
                            .source = "meaning of k = 2 (GUM 6.3), 2,000 simulated discharges",
                            .bound = true,
                            .at_least = s->lowest,
                            .at_most = s->highest,
                            .ours = 100.0 * (double)inside / DISCHARGES});
}

static void coverage_of(const struct scene *s)
{
    struct discharge_options o = discharge_options_default();
    size_t inside = 0, inside_Wh = 0;
    o.cutoff_V = CUTOFF_V;
    o.accuracy = s->limits;
    o.lead_ohm = s->lead_ohm;
    o.lead_error_ohm = s->lead_error_ohm;
    for (size_t i = 0; i < DISCHARGES; i++) {
        struct errors x = draw_errors(s);
        struct capacity_result r;
        struct truth t;
        struct err e = {0};
        size_t n = discharge(s, &x, &t);
        if (!whole_record(record, n, &o, &r, &e))
            fail_msg("%s", e.text);
        inside += fabs(r.capacity_Ah - t.charge_Ah) <= r.uncertainty.expanded_Ah;
        inside_Wh += fabs(r.energy_Wh - t.energy_Wh) <= 2 * r.uncertainty.energy_standard_Wh;
    }
    tell(s, "Ah", inside);
    tell(s, "Wh", inside_Wh);
}

static void everything_at_once(void **state)
{
    (void)state;
    const struct scene s = {
        .check = "gain, offset, noise, time, leads, switching",
        .every_s = 2,
        .noise_A = 0.010,
        .noise_V = 0.0005,
        .limits = {.current = {0.001, 0.005, 0.001},
                   .voltage = {1e-4, 0.001, 0.0005},
                   .time_gain = 100e-6},
        .lead_ohm = 0.010,
        .lead_error_ohm = 0.0003,
        .lowest = 94,
        .highest = 97,
    };
    coverage_of(&s);
}

/* A voltmeter that trembles by more than the voltage falls between two rows. */
static void noisy_voltage(void **state)
{
    (void)state;
    const struct scene s = {
        .check = "noisy voltage, coarse steps of current",
        .every_s = 1,
        .noise_A = 0.020,
        .noise_V = 0.003,
        .limits = {.current = {0.0008, 0.004, 0.010},
                   .voltage = {2e-4, 0.001, 0.001},
                   .time_gain = 100e-6},
        .lowest = 94,
        .highest = 97,
    };
    coverage_of(&s);
}

/* Few rows: where the load came on and how the curve bends are what is not known. */
static void few_rows(void **state)
{
    (void)state;
    const struct scene s = {
        .check = "a row in 10 s",
        .every_s = 10,
        .noise_A = 0.005,
        .noise_V = 0.0002,
        .limits = {.current = {0.004, 0.020, 0.001},
                   .voltage = {2e-4, 0.002, 0.001},
                   .time_gain = 100e-6},
        .lowest = 94,
        .highest = 97,
    };
    coverage_of(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(everything_at_once),
        cmocka_unit_test(noisy_voltage),
        cmocka_unit_test(few_rows),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
