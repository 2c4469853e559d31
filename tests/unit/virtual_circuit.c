/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of virtual/circuit, virtual/instrument and virtual/description: what
 * flows when instruments and a battery are wired together. */
#include "base/clock.h"
#include "virtual/bench.h"
#include "virtual/commands.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static void assert_near(double value, double expected, double tolerance)
{
    if (!(fabs(value - expected) <= tolerance)) {
        print_error("%.12g is not within %g of %.12g\n", value, tolerance, expected);
        fail();
    }
}

static struct vbench bench;
static int64_t now_ns;

static void build(const char *text)
{
    struct err e = {0};
    now_ns = 1000 * NS_PER_S;
    if (!vbench_parse("virtual.yaml", text, now_ns, &bench, &e)) {
        print_error("%s\n", e.text);
        fail();
    }
}

static int take_down(void **state)
{
    (void)state;
    vbench_free(&bench);
    return 0;
}

static void pass(double seconds)
{
    now_ns += (int64_t)(seconds * 1e9);
    vbench_advance(&bench, now_ns);
}

static struct vinstrument *instrument(const char *name)
{
    struct vplace *p = vbench_instrument(&bench, name, NULL);
    assert_non_null(p);
    return &p->instrument;
}

static const char *tell(const char *name, const char *message)
{
    static struct reply reply;
    commands_message(instrument(name), message, strlen(message), (struct moment){now_ns, now_ns},
                     &reply);
    return reply.text;
}

static double ask(const char *name, const char *message)
{
    double value = NAN;
    assert_int_equal(sscanf(tell(name, message), "%lf", &value), 1);
    return value;
}

#define LAUNCH                                                                                     \
    "batteries:\n"                                                                                 \
    "  - {name: launch-a, chemistry: lfp, cells: 4, capacity: 129.5 Ah, resistance: 14 mOhm}\n"    \
    "instruments:\n"
#define QUIET "voltage_noise: 0 V, current_noise: 0 A"

static void a_load_draws_what_it_is_set_to(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: load-1, kind: load, battery: launch-a, set_gain: -200 ppm, "
                 "current_gain: 120 ppm, " QUIET "}\n");
    tell("load-1", "CURR 10;INP ON");
    pass(5.0);
    assert_near(bench.circuits[0].current_A, -10.0 * (1.0 - 200e-6), 1e-9);
    assert_near(ask("load-1", "MEAS:CURR?"), 10.0 * (1.0 - 200e-6) * (1.0 + 120e-6), 0.0006);
    tell("load-1", "INP OFF");
    assert_near(bench.circuits[0].current_A, 0.0, 0.0); /* at once */
    assert_near(ask("load-1", "MEAS:CURR?"), 0.0, 0.0);
}

static void two_wires_read_low_by_their_drop(void **state)
{
    (void)state;
    build(LAUNCH
          "  - {name: load-1, kind: load, battery: launch-a, lead_resistance: 10 mOhm, " QUIET "}\n"
          "  - {name: meter-1, kind: meter, battery: launch-a, " QUIET "}\n");
    tell("load-1", "CURR 20;INP ON");
    pass(5.0);
    assert_near(ask("meter-1", "MEAS:VOLT?") - ask("load-1", "MEAS:VOLT?"), 0.2, 0.0011);
    assert_near(ask("meter-1", "MEAS:VOLT?"), bench.circuits[0].node_V, 0.0006);
}

static void power_and_resistance_modes(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: load-1, kind: load, battery: launch-a, lead_resistance: 5 mOhm, " QUIET
                 "}\n");
    tell("load-1", "FUNC POW;POW 120;:INP ON");
    assert_string_equal(tell("load-1", "FUNC?;:POW?"), "POW;120.00");
    const struct vinstrument *m = instrument("load-1");
    double first_A = 0.0;
    for (int h = 0; h < 10; h++) { /* held while the voltage falls, by drawing more */
        pass(3600.0);
        assert_near(-m->true_A * m->true_V, 120.0, 1e-6);
        assert_near(ask("load-1", "MEAS:POW?"), 120.0, 0.02);
        assert_true(-m->true_A > first_A);
        first_A = -m->true_A;
    }
    tell("load-1", "MODE RESistance;RES 2");
    assert_string_equal(tell("load-1", "MODE?;:RES?"), "RES;2.0000");
    pass(2.0);
    assert_near(-m->true_V / m->true_A, 2.0, 1e-6);
    pass(600.0);
    assert_near(-m->true_V / m->true_A, 2.0, 1e-6);
    vbattery_set_soc(&bench.circuits[0].battery, 1.0);
    tell("load-1", "FUNC VOLT;VOLT 13");
    pass(2.0);
    assert_near(m->true_V, 13.0, 0.02 * 42.0);
    assert_true(m->true_A < 0.0);
}

static void a_supply_holds_current_then_voltage_and_never_sinks(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: supply-1, kind: supply, battery: launch-a, " QUIET "}\n");
    struct vcircuit *c = &bench.circuits[0];
    vbattery_set_soc(&c->battery, 0.95);
    tell("supply-1", "VOLT 14.4;CURR 20;OUTP ON");
    pass(1.0);
    assert_near(c->current_A, 20.0, 1e-9);
    assert_true(c->node_V < 14.4);
    pass(4 * 3600.0);
    assert_near(c->node_V, 14.4, 0.005);
    assert_true(c->current_A > 0.0 && c->current_A < 5.0);
    tell("supply-1", "VOLT 10");
    pass(1.0);
    assert_near(c->current_A, 0.0, 0.0);
    assert_true(c->node_V > 13.0);
}

static void a_supply_rises_to_its_voltage(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: supply-1, kind: supply, battery: launch-a, rise_time: 50 ms}\n");
    tell("supply-1", "VOLT 20;CURR 1;OUTP ON");
    pass(0.02);
    assert_near(bench.circuits[0].current_A, 0.0, 0.0); /* still below the battery */
    pass(1.0);
    assert_near(bench.circuits[0].current_A, 1.0, 1e-9);
}

static void a_supply_starts_softly(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: supply-1, kind: supply, battery: launch-a, relay: 20 ms, "
                 "soft_start: 500 ms, rise_time: 20 ms, " QUIET "}\n");
    struct vcircuit *c = &bench.circuits[0];
    assert_true(faults_add(&instrument("supply-1")->faults, "open", NULL)); /* seen by itself */
    tell("supply-1", "VOLT 14.6;CURR 10;OUTP ON");
    pass(0.02); /* the contacts are still open */
    assert_near(instrument("supply-1")->true_V, 0.0, 1e-9);
    double before = 0.0;
    for (int i = 1; i <= 50; i++) { /* a line, and behind it by the rise time */
        pass(0.01);
        double V = instrument("supply-1")->true_V;
        assert_true(V > before && V - before < 14.6 * 0.011 / 0.5);
        if (i > 10) {
            assert_near(V, 14.6 * (0.01 * i - 0.02) / 0.5, 0.05);
        }
        before = V;
    }
    pass(1.0);
    assert_near(instrument("supply-1")->true_V, 14.6, 1e-6);
    assert_near(c->current_A, 0.0, 0.0);
}

static void its_current_limit_does_not_jump(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: supply-1, kind: supply, battery: launch-a, relay: 0 s, "
                 "soft_start: 0 s, rise_time: 100 ms, " QUIET "}\n");
    struct vcircuit *c = &bench.circuits[0];
    vbattery_set_soc(&c->battery, 0.5);
    tell("supply-1", "VOLT 30;CURR 20;OUTP ON"); /* far above: the limit rules */
    pass(0.1);
    assert_near(c->current_A, 20.0 * (1.0 - exp(-1.0)), 1e-6);
    pass(2.0);
    assert_near(c->current_A, 20.0, 0.0);
    tell("supply-1", "CURR 5");
    pass(0.1);
    assert_near(c->current_A, 5.0 + 15.0 * exp(-1.0), 1e-6);
}

static void it_overshoots_by_as_much_as_asked(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: supply-1, kind: supply, battery: launch-a, relay: 0 s, "
                 "soft_start: 0 s, rise_time: 50 ms, overshoot: 5 %, " QUIET "}\n");
    struct vinstrument *m = instrument("supply-1");
    assert_true(faults_add(&m->faults, "open", NULL));
    tell("supply-1", "VOLT 20;CURR 1;OUTP ON");
    double highest = 0.0;
    for (int i = 0; i < 1000; i++) {
        pass(0.001);
        highest = fmax(highest, m->true_V);
    }
    assert_near(highest, 20.0 * 1.05, 0.002);
    pass(2.0);
    assert_near(m->true_V, 20.0, 1e-6);
    /* its own over-voltage protection judges the peak, not the setting */
    tell("supply-1", "OUTP OFF;:VOLT:PROT 20.5");
    assert_near(ask("supply-1", "VOLT:PROT?"), 20.5, 0.0);
    tell("supply-1", "OUTP ON");
    pass(1.0);
    assert_false(m->on);
    assert_int_equal(ask("supply-1", "VOLT:PROT:TRIP?"), 1);
}

static void a_supply_lets_go_by_its_own_protections(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: supply-1, kind: supply, battery: launch-a, " QUIET "}\n");
    struct vinstrument *m = instrument("supply-1");
    struct vcircuit *c = &bench.circuits[0];
    vbattery_set_soc(&c->battery, 0.5);
    tell("supply-1", "VOLT 14.4;CURR 10;:CURR:PROT 12;:CURR:PROT:STAT ON;:VOLT:PROT 14;:OUTP ON");
    assert_near(ask("supply-1", "CURR:PROT?"), 12.0, 0.0);
    assert_int_equal(ask("supply-1", "CURR:PROT:STAT?"), 1);
    pass(1.0);
    assert_near(c->current_A, 10.0, 1e-9);
    tell("supply-1", "CURR 15");
    pass(1.0);
    assert_false(m->on);
    assert_int_equal(m->trips, VTRIP_OVER_CURRENT);
    assert_near(c->current_A, 0.0, 0.0);
    tell("supply-1", "OUTP:PROT:CLE;:CURR 10;:OUTP ON");
    pass(8.0 * 3600.0); /* until the battery lets the voltage rise */
    assert_false(m->on);
    assert_int_equal(m->trips, VTRIP_OVER_VOLTAGE);
    assert_near(c->current_A, 0.0, 0.0);
}

/* A whole charge through a real source: what its counter says is what the battery
 * took, and the current tapers by the model's own time constant. */
static void a_charge_tapers_and_nothing_is_lost(void **state)
{
    (void)state;
    build(LAUNCH
          "  - {name: supply-1, kind: supply, battery: launch-a, current_gain: 100 ppm, " QUIET
          "}\n");
    struct vcircuit *c = &bench.circuits[0];
    struct vbattery *b = &c->battery;
    b->forced_C = 25.0;
    vbattery_set_soc(b, 0.4);
    tell("supply-1", "VOLT 14.4;CURR 20;OUTP ON");
    double measured_Ah = 0.0;
    double skipped_Ah = 0.0;
    double before_A = 0.0;
    bool tapering = false;
    for (int s = 0; s < 8 * 3600; s++) {
        pass(1.0);
        double amps = instrument("supply-1")->average_A * (1.0 + 100e-6);
        measured_Ah += s < 5 ? 0.0 : 0.5 * (amps + before_A) / 3600.0;
        skipped_Ah = s < 5 ? b->counter.charged_Ah : skipped_Ah; /* while it starts */
        tapering = tapering || (s > 60 && amps < 19.9);
        assert_true(!tapering || amps <= before_A + 1e-6);
        before_A = amps;
    }
    assert_true(tapering && before_A < 0.5);
    assert_near(measured_Ah / (b->counter.charged_Ah - skipped_Ah), 1.0001, 5e-6);
    assert_near(b->soc, 0.4 + 0.999 * b->counter.charged_Ah / 129.5, 1e-9);
}

#define TWO_OUTPUTS                                                                                \
    "batteries:\n"                                                                                 \
    "  - {name: launch-a, chemistry: lfp, cells: 4, capacity: 120 Ah, soc: 50 %}\n"                \
    "  - {name: lamp-b, chemistry: nimh, cells: 10, capacity: 4 Ah, soc: 50 %}\n"                  \
    "instruments:\n"                                                                               \
    "  - {name: supply-1, kind: supply, battery: launch-a, " QUIET "}\n"                           \
    "  - {name: supply-2, kind: supply, battery: lamp-b, shares: supply-1, " QUIET "}\n"

static void two_outputs_over_one_link(void **state)
{
    (void)state;
    build(TWO_OUTPUTS);
    struct vcircuit *a = &bench.circuits[0];
    struct vcircuit *b = &bench.circuits[1];
    assert_string_equal(tell("supply-1", "INST:NSEL?;:INST?"), "1;CH1");
    tell("supply-1", "VOLT 14.4;CURR 10;:OUTP ON");
    tell("supply-1", "INST:NSEL 2;:VOLT 16;CURR 2;:OUTP ON");
    pass(2.0);
    assert_near(a->current_A, 10.0, 1e-9);
    assert_near(b->current_A, 2.0, 1e-9);
    assert_string_equal(tell("supply-1", "CURR?;:CURR? (@1);:INST?"), "2.000;10.000;CH2");
    /* a list is for its own part only, and needs nothing selected */
    tell("supply-1", "INST CH1;:OUTP OFF,(@2)");
    pass(0.1);
    assert_near(b->current_A, 0.0, 0.0);
    assert_near(a->current_A, 10.0, 1e-9);
    assert_string_equal(tell("supply-1", "OUTP? (@1);:OUTP? (@2)"), "1;0");
    assert_near(ask("supply-1", "MEAS:VOLT? (@2)"), b->node_V, 0.0006);
    /* errors go to the one queue; outputs that are not there are out of range */
    tell("supply-1", "*CLS;:OUTP ON,(@3);:INST:NSEL 0;:CURR 1,(@1,2)");
    assert_string_equal(tell("supply-1", "SYST:ERR?;:SYST:ERR?;:SYST:ERR?"),
                        "-222,\"Data out of range\";-222,\"Data out of range\";"
                        "-108,\"Parameter not allowed\"");
    tell("supply-1", "*RST");
    pass(0.1);
    assert_near(a->current_A, 0.0, 0.0);
}

static void one_output_knows_no_other(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: supply-1, kind: supply, battery: launch-a}\n");
    tell("supply-1", "*CLS;INST:NSEL 1");
    assert_string_equal(tell("supply-1", "SYST:ERR?"), "-113,\"Undefined header\"");
}

static void current_law_holds_with_several_instruments(void **state)
{
    (void)state;
    build(LAUNCH
          "  - {name: load-1, kind: load, battery: launch-a}\n"
          "  - {name: load-2, kind: load, battery: launch-a, lead_resistance: 20 mOhm}\n"
          "  - {name: supply-1, kind: supply, battery: launch-a, lead_resistance: 8 mOhm}\n");
    tell("load-1", "CURR 12;INP ON");
    tell("load-2", "FUNC RES;RES 3;:INP ON");
    tell("supply-1", "VOLT 14;CURR 20;OUTP ON");
    for (int i = 0; i < 20; i++) {
        pass(1.0);
        double sum = instrument("load-1")->true_A + instrument("load-2")->true_A +
                     instrument("supply-1")->true_A;
        const struct vcircuit *c = &bench.circuits[0];
        assert_near(c->current_A, sum, 1e-9);
        assert_near(c->node_V, vbattery_voltage_V(&c->battery, sum), 1e-3);
    }
}

static void a_load_lets_go_by_its_own_protections(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: load-1, kind: load, battery: launch-a}\n");
    struct vinstrument *m = instrument("load-1");
    tell("load-1", "VOLT:PROT:UND 13.2;:CURR 30;INP ON");
    vbattery_set_soc(&bench.circuits[0].battery, 0.5);
    pass(1.0);
    assert_false(m->on);
    assert_int_equal(m->trips, VTRIP_UNDER_VOLTAGE);
    assert_near(bench.circuits[0].current_A, 0.0, 0.0);
    tell("load-1", "*CLS;INP ON");
    assert_string_equal(tell("load-1", "SYST:ERR?"), "-221,\"Settings conflict\"");
    tell("load-1", "INP:PROT:CLE;:VOLT:PROT:UND 9;:INP ON");
    pass(1.0);
    assert_true(m->on);
    tell("load-1", "CURR:PROT 20");
    pass(0.1);
    assert_false(m->on);
    assert_int_equal(m->trips, VTRIP_OVER_CURRENT);
}

static void the_pack_opens_and_the_voltage_collapses(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: load-1, kind: load, battery: launch-a, " QUIET "}\n"
                 "  - {name: supply-1, kind: supply, battery: launch-a}\n");
    struct vcircuit *c = &bench.circuits[0];
    vbattery_set_soc(&c->battery, 0.01);
    tell("load-1", "CURR 20;INP ON");
    for (int i = 0; i < 900 && vbattery_gate(&c->battery) == VGATE_CLOSED; i++) {
        pass(1.0);
    }
    assert_int_equal(vbattery_gate(&c->battery), VGATE_NO_DISCHARGE);
    pass(1.0);
    assert_near(ask("load-1", "MEAS:VOLT?"), 0.0, 0.01);
    assert_near(c->current_A, 0.0, 1e-6);
    tell("load-1", "INP OFF");
    tell("supply-1", "VOLT 14.4;CURR 5;OUTP ON");
    pass(5.0);
    assert_int_equal(vbattery_gate(&c->battery), VGATE_CLOSED);
    assert_near(c->current_A, 5.0, 1e-9);
}

static void an_open_pack_lets_current_through_one_way(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: load-1, kind: load, battery: launch-a, " QUIET "}\n"
                 "  - {name: supply-1, kind: supply, battery: launch-a}\n");
    struct vcircuit *c = &bench.circuits[0];
    vbattery_set_soc(&c->battery, 0.5);
    c->battery.stopped_discharge = true;
    vcircuit_changed(c);
    assert_near(c->node_V, 0.0, 0.01);
    tell("supply-1", "VOLT 13.3;CURR 5;OUTP ON"); /* above the cells, but by less than a diode */
    pass(1.0);
    assert_int_equal(vbattery_gate(&c->battery), VGATE_NO_DISCHARGE);
    assert_near(c->current_A, 0.0, 1e-9);
    assert_near(c->node_V, 13.3, 0.001);
    tell("supply-1", "OUTP OFF");
    c->battery.stopped_discharge = false;
    c->battery.stopped_charge = true;
    c->battery.over_for_s = 0.0;
    vcircuit_changed(c);
    tell("supply-1", "VOLT 14;OUTP ON");
    pass(1.0);
    assert_near(c->current_A, 0.0, 1e-9);
    assert_near(c->node_V, 14.0, 0.001);
    tell("supply-1", "OUTP OFF");
    tell("load-1", "CURR 5;INP ON");
    pass(1.0);
    assert_int_equal(vbattery_gate(&c->battery), VGATE_CLOSED);
    assert_near(c->current_A, -5.0, 1e-9);
}

static void faults_of_the_power_stage(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: load-1, kind: load, battery: launch-a, " QUIET "}\n");
    struct vinstrument *m = instrument("load-1");
    struct vcircuit *c = &bench.circuits[0];
    assert_true(faults_add(&m->faults, "leak 0.4", NULL));
    vcircuit_changed(c);
    assert_near(c->current_A, -0.4, 1e-9);
    assert_near(ask("load-1", "MEAS:CURR?"), 0.4, 1e-9);
    memset(&m->faults, 0, sizeof m->faults);
    tell("load-1", "CURR 5;INP ON");
    assert_true(faults_add(&m->faults, "stays-on", NULL));
    tell("load-1", "INP OFF");
    pass(1.0);
    assert_near(c->current_A, -5.0, 1e-9);
    assert_true(faults_add(&m->faults, "open", NULL));
    vcircuit_changed(c);
    assert_near(c->current_A, 0.0, 0.0);
    assert_near(ask("load-1", "MEAS:VOLT?"), 0.0, 0.0);
}

static void counter_agrees_with_what_was_drawn(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: load-1, kind: load, battery: launch-a, hunting: 3 mA}\n");
    tell("load-1", "CURR 10;INP ON");
    pass(3600.0);
    tell("load-1", "INP OFF");
    pass(3600.0);
    /* the hunting averages out; switching on costs 3 ms of current */
    assert_near(bench.circuits[0].battery.counter.discharged_Ah, 10.0, 2e-5);
}

static void the_demo_bench_delivers_what_it_promises(void **state)
{
    (void)state;
    struct err e = {0};
    now_ns = 0;
    if (!vbench_load(AMPLEDGER_SOURCE_DIR "/src/virtual/demo/virtual.yaml", now_ns, &bench, &e)) {
        print_error("%s\n", e.text);
        fail();
    }
    struct vcircuit *c = vbench_battery(&bench, "launch-a", NULL);
    assert_non_null(c);
    tell("load-1", "CURR 10;INP ON");
    while (c->node_V > 10.0 || now_ns < 60 * NS_PER_S) {
        pass(1.0);
        assert_true(now_ns < 50000 * NS_PER_S);
    }
    print_message("%.4f Ah in %.3f h at %.2f degC\n", c->battery.counter.discharged_Ah,
                  (double)now_ns / 3600e9, c->battery.temperature_C);
    assert_near(c->battery.counter.discharged_Ah, 129.0, 0.3);
    assert_near((double)now_ns / 3600e9, 12.9, 0.05);
    assert_int_equal(vbattery_gate(&c->battery), VGATE_CLOSED);
}

static void the_workshop_has_four_batteries_each_with_all_it_needs(void **state)
{
    (void)state;
    struct err e = {0};
    if (!vbench_load(AMPLEDGER_SOURCE_DIR "/src/virtual/demo/yard.yaml", 0, &bench, &e)) {
        print_error("%s\n", e.text);
        fail();
    }
    assert_int_equal(bench.circuit_count, 4);
    for (size_t i = 0; i < bench.circuit_count; i++) {
        const struct vcircuit *c = &bench.circuits[i];
        bool has[4] = {false};
        for (size_t k = 0; k < c->count; k++) {
            has[c->branches[k]->spec.kind] = true;
        }
        assert_true(has[VKIND_LOAD] && has[VKIND_SUPPLY] && has[VKIND_THERMOMETER]);
        for (size_t k = 0; k < i; k++) {
            assert_true(c->battery.spec.chemistry != bench.circuits[k].battery.spec.chemistry);
        }
    }
}

static void same_seed_same_readings(void **state)
{
    (void)state;
    char first[REPLY_SIZE] = "";
    for (int round = 0; round < 2; round++) {
        build(LAUNCH "  - {name: load-1, kind: load, battery: launch-a}\nseed: 3\n");
        tell("load-1", "CURR 10;INP ON");
        pass(7.0);
        const char *reading = tell("load-1", "MEAS:VOLT?;CURR?;POW?");
        if (round == 0) {
            snprintf(first, sizeof first, "%s", reading);
        }
        assert_string_equal(reading, first);
        vbench_free(&bench);
    }
}

static int ticks;

static void count_tick(void *context, size_t place)
{
    (void)context;
    assert_int_equal(place, 0);
    ticks++;
}

static void a_printing_thermometer_ticks_each_second(void **state)
{
    (void)state;
    build(LAUNCH "  - {name: thermometer-1, kind: thermometer, battery: launch-a, style: lines}\n");
    ticks = 0;
    bench.tick = count_tick;
    pass(0.9);
    assert_int_equal(ticks, 0);
    pass(10.2);
    assert_int_equal(ticks, 11);
}

static void wrong_descriptions_are_refused_with_their_line(void **state)
{
    (void)state;
    static const struct {
        const char *text, *hint;
    } cases[] = {
        {LAUNCH "  - {name: load-1, kind: lod, battery: launch-a}\n", "virtual.yaml:4:"},
        {LAUNCH "  - {name: load-1, kind: load, battery: launch-b}\n", "no battery \"launch-b\""},
        {LAUNCH "  - {name: load-1, kind: load, battery: launch-a, hunt: 3 mA}\n", "hunting"},
        {LAUNCH "  - {name: control, kind: load, battery: launch-a}\n", "control"},
        {LAUNCH "  - {name: ../x, kind: load, battery: launch-a}\n", "letters"},
        {LAUNCH "  - {name: launch-a, kind: load, battery: launch-a}\n", "twice"},
        {LAUNCH "  - {name: load-1, kind: load, battery: launch-a, style: file}\n", "style"},
        {LAUNCH "  - {name: load-1, kind: load, battery: launch-a, hunting: 3 V}\n", "current"},
        {LAUNCH "  - {name: load-1, kind: load, battery: launch-a, lead_resistance: -1 Ohm}\n",
         "between"},
        {"batteries:\n  - {name: a, chemistry: lfp, cells: 4, capacity: 0 Ah}\n", "above 0"},
        {LAUNCH "  - {name: supply-2, kind: supply, battery: launch-a, shares: supply-1}\n",
         "no instrument \"supply-1\""},
        {LAUNCH "  - {name: load-1, kind: load, battery: launch-a}\n"
                "  - {name: supply-2, kind: supply, battery: launch-a, shares: load-1}\n",
         "share the link"},
        {"batteries: []\ninstruments: []\n", "at least one"},
        {"instruments:\n  - {name: load-1, kind: load, battery: a}\n", "batteries"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct err e = {0};
        assert_false(vbench_parse("virtual.yaml", cases[i].text, 0, &bench, &e));
        if (!strstr(e.text, cases[i].hint)) {
            print_error("no \"%s\" in: %s\n", cases[i].hint, e.text);
            fail();
        }
        assert_null(bench.circuits);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_teardown(a_load_draws_what_it_is_set_to, take_down),
        cmocka_unit_test_teardown(two_wires_read_low_by_their_drop, take_down),
        cmocka_unit_test_teardown(power_and_resistance_modes, take_down),
        cmocka_unit_test_teardown(a_supply_holds_current_then_voltage_and_never_sinks, take_down),
        cmocka_unit_test_teardown(a_supply_rises_to_its_voltage, take_down),
        cmocka_unit_test_teardown(a_supply_starts_softly, take_down),
        cmocka_unit_test_teardown(its_current_limit_does_not_jump, take_down),
        cmocka_unit_test_teardown(it_overshoots_by_as_much_as_asked, take_down),
        cmocka_unit_test_teardown(a_supply_lets_go_by_its_own_protections, take_down),
        cmocka_unit_test_teardown(a_charge_tapers_and_nothing_is_lost, take_down),
        cmocka_unit_test_teardown(two_outputs_over_one_link, take_down),
        cmocka_unit_test_teardown(one_output_knows_no_other, take_down),
        cmocka_unit_test_teardown(current_law_holds_with_several_instruments, take_down),
        cmocka_unit_test_teardown(a_load_lets_go_by_its_own_protections, take_down),
        cmocka_unit_test_teardown(the_pack_opens_and_the_voltage_collapses, take_down),
        cmocka_unit_test_teardown(an_open_pack_lets_current_through_one_way, take_down),
        cmocka_unit_test_teardown(faults_of_the_power_stage, take_down),
        cmocka_unit_test_teardown(counter_agrees_with_what_was_drawn, take_down),
        cmocka_unit_test_teardown(the_demo_bench_delivers_what_it_promises, take_down),
        cmocka_unit_test_teardown(the_workshop_has_four_batteries_each_with_all_it_needs,
                                  take_down),
        cmocka_unit_test_teardown(same_seed_same_readings, take_down),
        cmocka_unit_test_teardown(a_printing_thermometer_ticks_each_second, take_down),
        cmocka_unit_test_teardown(wrong_descriptions_are_refused_with_their_line, take_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
