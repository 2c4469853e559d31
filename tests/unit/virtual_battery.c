/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of virtual/battery: laws that hold whatever the constants are. */
#include "virtual/battery.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static void assert_near(double value, double expected, double tolerance)
{
    if (!(fabs(value - expected) <= tolerance)) {
        print_error("%.12g is not within %g of %.12g\n", value, tolerance, expected);
        fail();
    }
}

static struct vbattery make(enum vchemistry c, int cells, double capacity_Ah)
{
    struct vbattery_spec spec = vbattery_defaults(c, cells, capacity_Ah);
    spec.protection.fitted = false;
    struct vbattery b;
    vbattery_init(&b, &spec);
    return b;
}

static void run(struct vbattery *b, double current_A, double for_s, double step_s)
{
    for (long i = 0; i < lround(for_s / step_s); i++) {
        vbattery_step(b, current_A, step_s);
    }
}

static void counter_is_current_times_time(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LFP, 4, 100.0);
    run(&b, -10.0, 3600.0, 0.05);
    run(&b, 4.0, 1800.0, 0.05);
    assert_near(b.counter.discharged_Ah, 10.0, 1e-9);
    assert_near(b.counter.charged_Ah, 2.0, 1e-9);
    assert_true(b.counter.discharged_Wh > 10.0 * 12.0 && b.counter.discharged_Wh < 10.0 * 14.4);
}

static void open_circuit_voltage_rises_with_charge(void **state)
{
    (void)state;
    for (int c = 0; c < VCHEM_COUNT; c++) {
        double before = vchemistry_cell_V((enum vchemistry)c, -0.005);
        for (int i = 0; i <= 11000; i++) {
            double V = vchemistry_cell_V((enum vchemistry)c, i * 1e-4);
            assert_true(V > before);
            before = V;
        }
        assert_near(vchemistry_cell_V((enum vchemistry)c, -10.0), 0.0, 0.0);
    }
}

static void relaxation_follows_both_time_constants(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LFP, 4, 100.0);
    b.forced_C = b.temperature_C = 25.0; /* where resistances are as stated */
    const struct vbattery_spec *s = &b.spec;
    const double I = -20.0;
    const double T = 1200.0;
    run(&b, I, T, 0.05);
    double rested_V = s->cells * vchemistry_cell_V(s->chemistry, b.soc);
    double pair_V[2];
    for (int k = 0; k < 2; k++) {
        pair_V[k] = I * s->pair_ohm[k] * (1.0 - exp(-T / s->pair_s[k]));
    }
    for (int t = 0; t <= 3600; t += 10) {
        double expected =
            rested_V + pair_V[0] * exp(-t / s->pair_s[0]) + pair_V[1] * exp(-t / s->pair_s[1]);
        assert_near(vbattery_voltage_V(&b, 0.0), expected, 1e-9);
        run(&b, 0.0, 10.0, 0.5);
    }
    assert_true(pair_V[0] < -0.01 && pair_V[1] < -0.01);
}

static void step_length_does_not_matter_for_constant_current(void **state)
{
    (void)state;
    struct vbattery fine = make(VCHEM_LEAD_FLOODED, 6, 90.0);
    struct vbattery coarse = make(VCHEM_LEAD_FLOODED, 6, 90.0);
    fine.forced_C = coarse.forced_C = 22.0;
    run(&fine, -9.0, 7200.0, 0.05);
    run(&coarse, -9.0, 7200.0, 10.0);
    assert_near(vbattery_voltage_V(&coarse, -9.0), vbattery_voltage_V(&fine, -9.0), 1e-8);
}

static double delivered_Ah(enum vchemistry c, double rate_C, double cutoff_cell_V)
{
    struct vbattery b = make(c, 6, 100.0);
    double I = -rate_C * 100.0;
    while (vbattery_voltage_V(&b, I) > 6 * cutoff_cell_V) {
        vbattery_step(&b, I, 1.0);
    }
    return b.counter.discharged_Ah;
}

static void lead_acid_delivers_more_when_slow(void **state)
{
    (void)state;
    double slow = delivered_Ah(VCHEM_LEAD_FLOODED, 0.05, 1.75);
    double medium = delivered_Ah(VCHEM_LEAD_FLOODED, 0.2, 1.75);
    double fast = delivered_Ah(VCHEM_LEAD_FLOODED, 1.0, 1.75);
    print_message("lead-acid delivers %.1f, %.1f, %.1f %% at C/20, C/5, 1C\n", slow, medium, fast);
    assert_true(slow > medium * 1.05 && medium > fast * 1.05);
    assert_true(slow < 100.0 && fast > 40.0);
    /* lithium iron phosphate hardly cares */
    assert_true(delivered_Ah(VCHEM_LFP, 0.05, 2.5) < 1.03 * delivered_Ah(VCHEM_LFP, 0.5, 2.5));
}

static void lead_acid_recovers_at_rest(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LEAD_FLOODED, 6, 100.0);
    run(&b, -50.0, 2400.0, 1.0);
    double before = vbattery_within_reach(&b);
    double soc = b.soc;
    run(&b, 0.0, 100000.0, 10.0);
    assert_true(vbattery_within_reach(&b) > before + 0.05);
    assert_near(vbattery_within_reach(&b), b.soc, 1e-4);
    assert_near(b.soc, soc, 1e-12);
}

static void a_short_pulse_draws_on_the_near_well_alone(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LEAD_FLOODED, 6, 100.0);
    run(&b, -100.0, 36.0, 0.05); /* 1 Ah, much shorter than the 2 h of the far well */
    double reach = vchemistry_facts(VCHEM_LEAD_FLOODED)->reach;
    assert_near(b.soc, 0.99, 1e-9);
    assert_near(1.0 - vbattery_within_reach(&b), 0.01 / reach, 3e-5);
}

static void charge_is_conserved(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LI_ION, 3, 50.0);
    run(&b, -25.0, 3600.0, 0.05);
    run(&b, 10.0, 3600.0, 0.05);
    double eta = vchemistry_efficiency(VCHEM_LI_ION, 0.5);
    assert_true(eta > 0.99 && eta < 1.0);
    assert_near(b.soc, 1.0 - 25.0 / 50.0 + eta * 10.0 / 50.0, 1e-9);
}

static void energy_is_voltage_times_charge(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LFP, 4, 1e7); /* so large that its voltage stands still */
    b.forced_C = 25.0;
    b.spec.pair_ohm[0] = b.spec.pair_ohm[1] = 0.0;
    double V = vbattery_voltage_V(&b, -10.0);
    run(&b, -10.0, 7200.0, 1.0);
    assert_near(b.counter.discharged_Wh, 20.0 * V, 1e-3);
}

static void self_heating_ends_at_power_times_thermal_resistance(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LFP, 4, 1e6);
    b.spec.resistance_ohm = 0.020;
    b.spec.pair_ohm[0] = 0.010;
    b.spec.pair_ohm[1] = 0.010;
    b.spec.heat_J_per_K = 1000.0;
    b.spec.cooling_K_per_W = 2.0;
    run(&b, -20.0, 60000.0, 1.0);
    double factor = vbattery_series_ohm(&b) / 0.020;
    double heat_W = 400.0 * 0.040 * factor;
    assert_true(heat_W > 10.0);
    assert_near(b.temperature_C, b.spec.ambient_C + heat_W * 2.0, 0.001);
    run(&b, 0.0, 60000.0, 1.0);
    assert_near(b.temperature_C, b.spec.ambient_C, 0.001);
}

static void cold_raises_resistance(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LFP, 4, 100.0);
    b.temperature_C = 25.0;
    double warm = vbattery_series_ohm(&b);
    b.temperature_C = 0.0;
    assert_near(vbattery_series_ohm(&b), 1.2 * warm, 1e-9);
}

static void nimh_voltage_drops_when_full(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_NIMH, 10, 8.0);
    vbattery_set_soc(&b, 0.2);
    double I = 4.0;
    double peak_V = 0.0;
    double peak_soc = 0.0;
    double drop_V = 0.0;
    for (int i = 0; i < 3 * 3600; i++) {
        vbattery_step(&b, I, 1.0);
        double V = vbattery_voltage_V(&b, I);
        if (V > peak_V) {
            peak_V = V;
            peak_soc = b.soc;
        }
        drop_V = fmax(drop_V, peak_V - V);
    }
    print_message("nimh: peak %.3f V at %.3f, drop %.3f V, %.1f degC\n", peak_V, peak_soc, drop_V,
                  b.temperature_C);
    assert_true(peak_soc > 0.95);
    assert_true(drop_V > 10 * 0.005);
    assert_true(b.temperature_C > b.spec.ambient_C + 10.0);
    assert_true(b.soc < 1.06);
}

static void capacity_fades_by_the_law_given(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LFP, 4, 10.0);
    b.spec.fade_per_cycle = 0.001;
    for (int cycle = 0; cycle < 50; cycle++) {
        run(&b, -10.0, 3600.0, 1.0);
        vbattery_set_soc(&b, 1.0);
    }
    assert_near(b.capacity_Ah, 10.0 * pow(0.999, 50.0), 1e-6);
}

/* The closed form in battery.h: what a discharge of the share `share` takes out
 * after out_Ah in all. */
static double faded_Ah(double new_Ah, double fade, double out_Ah, double share)
{
    double k = -log(1.0 - fade) / new_Ah;
    return log(exp(k * out_Ah) + share * k * new_Ah) / k - out_Ah;
}

static void thirty_rounds_deliver_what_the_law_says(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LFP, 4, 10.0);
    b.spec.fade_per_cycle = 0.004;
    double out_Ah = 0.0;
    double first_Ah = 0.0;
    double last_Ah = 0.0;
    for (int round = 0; round < 30; round++) {
        vbattery_set_soc(&b, 1.0);
        double expected = faded_Ah(10.0, 0.004, out_Ah, 0.9);
        double before = b.counter.discharged_Ah;
        while (b.soc > 0.1) {
            vbattery_step(&b, -10.0, 0.05);
        }
        last_Ah = b.counter.discharged_Ah - before;
        first_Ah = round == 0 ? last_Ah : first_Ah;
        out_Ah = b.counter.discharged_Ah;
        assert_near(last_Ah, expected, 2e-4); /* one step is 1.4e-4 Ah */
    }
    print_message("%.4f Ah in round 1, %.4f Ah in round 30\n", first_Ah, last_Ah);
    assert_true(last_Ah < 0.91 * first_Ah);
    assert_near(b.capacity_Ah, 10.0 * pow(0.996, out_Ah / 10.0), 1e-9);
    assert_near(vbattery_cycles(&b), out_Ah / 10.0, 1e-9);
}

static void a_used_battery_begins_faded(void **state)
{
    (void)state;
    struct vbattery_spec spec = vbattery_defaults(VCHEM_LEAD_AGM, 6, 90.0);
    spec.fade_per_cycle = 0.001;
    spec.cycles_before = 200.0;
    struct vbattery b;
    vbattery_init(&b, &spec);
    assert_near(b.capacity_Ah, 90.0 * pow(0.999, 200.0), 1e-9);
    assert_near(vbattery_cycles(&b), 200.0, 0.0);
}

/* Energy of the charge in one well, by fine trapezoids; J for each coulomb of capacity. */
static double well_V(enum vchemistry c, double soc)
{
    const int parts = 40000;
    double sum = 0.0;
    for (int i = 0; i < parts; i++) {
        sum += vchemistry_cell_V(c, soc * (i + 0.5) / parts);
    }
    return sum * soc / parts;
}

static double stored_J(const struct vbattery *b)
{
    enum vchemistry c = b->spec.chemistry;
    double reach = vchemistry_facts(c)->reach;
    double near = vbattery_within_reach(b);
    double coulombs = b->capacity_Ah * 3600.0 * b->spec.cells;
    double J =
        coulombs * (reach * well_V(c, near) + (1.0 - reach) * well_V(c, near + b->held_back));
    for (int k = 0; k < 2; k++) {
        double farad = b->spec.pair_s[k] / b->spec.pair_ohm[k];
        J += 0.5 * farad * b->pair_V[k] * b->pair_V[k];
    }
    return J;
}

static void energy_is_conserved_by_every_chemistry(void **state)
{
    (void)state;
    for (int c = 0; c < VCHEM_COUNT; c++) {
        struct vbattery b = make((enum vchemistry)c, 6, 20.0);
        b.forced_C = b.temperature_C = 25.0; /* where resistances are as stated */
        vbattery_set_soc(&b, 0.9);
        double before = stored_J(&b);
        run(&b, -8.0, 5400.0, 0.1);
        run(&b, 0.0, 1800.0, 0.1);
        run(&b, 6.0, 8640.0, 0.1);
        double in_J = 3600.0 * (b.counter.charged_Wh - b.counter.discharged_Wh);
        double gained = stored_J(&b) - before;
        print_message("%s: %.0f J in, %.0f J kept, %.0f J of heat, %.0f J of gas\n",
                      vchemistry_names[c], in_J, gained, b.heat_J, b.gas_J);
        assert_true(b.heat_J > 0.0 && b.gas_J >= 0.0);
        assert_near(in_J, gained + b.heat_J + b.gas_J, 2e-5 * 3600.0 * b.counter.charged_Wh);
    }
}

/* What a supply at held voltage drives, current-limited. */
static double held_A(const struct vbattery *b, double V, double most_A)
{
    return fmin(fmax((V - vbattery_emf_V(b)) / vbattery_series_ohm(b), 0.0), most_A);
}

static void lead_acid_tapers_at_its_voltage_and_gasses_above(void **state)
{
    (void)state;
    static const enum vchemistry kinds[] = {VCHEM_LEAD_FLOODED, VCHEM_LEAD_AGM, VCHEM_LEAD_GEL};
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        struct vbattery b = make(kinds[i], 6, 100.0);
        b.forced_C = b.temperature_C = 25.0;
        vbattery_set_soc(&b, 0.3);
        double after_h[41];
        for (int h = 0; h < 41; h++) {
            after_h[h] = held_A(&b, 14.4, 20.0);
            for (int s = 0; s < 18000; s++) {
                vbattery_step(&b, held_A(&b, 14.4, 20.0), 0.2);
            }
        }
        /* at first as much as it is given, then ever less, then what its water takes */
        double gassing_A = 100.0 * 0.0002 * exp(11.0 * (2.4 - 2.23) + 0.06 * 5.0);
        print_message("%s at 14.4 V: %.1f A at once, %.2f A after 6 h, %.3f A after 40 h\n",
                      vchemistry_names[kinds[i]], after_h[0], after_h[6], after_h[40]);
        assert_near(after_h[0], 20.0, 1e-9);
        for (int h = 1; h < 41; h++) {
            assert_true(after_h[h] <= after_h[h - 1] + 1e-6);
        }
        assert_true(after_h[6] < 5.0);
        assert_near(after_h[40], gassing_A, 0.2 * gassing_A);
        assert_true(b.soc > 0.99 && b.soc < 1.015);
        /* forced on at a tenth of its capacity, the voltage stands still on a plateau */
        run(&b, 10.0, 7200.0, 0.1);
        double V = vbattery_voltage_V(&b, 10.0);
        run(&b, 10.0, 3600.0, 0.1);
        assert_near(vbattery_voltage_V(&b, 10.0), V, 0.01);
        assert_true(V > 6 * 2.6 && V < 6 * 2.9);
    }
}

/* The two marks of a full nickel battery, as a charger sees them. */
static void nickel_shows_its_end_of_charge(void **state)
{
    (void)state;
    static const struct {
        enum vchemistry c;
        double rate_C, drop_cell_V;
    } cases[] = {{VCHEM_NIMH, 0.5, 0.005},
                 {VCHEM_NIMH, 1.0, 0.005},
                 {VCHEM_NICD, 0.5, 0.010},
                 {VCHEM_NICD, 1.0, 0.010}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct vbattery b = make(cases[i].c, 10, 4.0);
        vbattery_set_soc(&b, 0.05);
        double I = cases[i].rate_C * 4.0;
        double peak_V = 0.0;
        double steepest_early = 0.0;
        double warm_soc = NAN;
        double drop_soc = NAN;
        while (isnan(drop_soc) && b.soc < 1.2) {
            double was_C = b.temperature_C;
            run(&b, I, 60.0, 0.1);
            double per_min = b.temperature_C - was_C;
            steepest_early = b.soc < 0.9 ? fmax(steepest_early, per_min) : steepest_early;
            warm_soc = isnan(warm_soc) && per_min >= 1.0 ? b.soc : warm_soc;
            peak_V = fmax(peak_V, vbattery_voltage_V(&b, I));
            bool dropped = vbattery_voltage_V(&b, I) <= peak_V - 10.0 * cases[i].drop_cell_V;
            drop_soc = dropped ? b.soc : drop_soc;
            assert_true(b.counter.charged_Ah < 4.0 * 1.3);
        }
        print_message("%s at %.1f C: 1 K/min at %.3f, %.0f mV/cell down at %.3f, %.1f degC\n",
                      vchemistry_names[cases[i].c], cases[i].rate_C, warm_soc,
                      1000.0 * cases[i].drop_cell_V, drop_soc, b.temperature_C);
        assert_true(steepest_early < 0.7);
        assert_true(warm_soc > 0.95 && drop_soc >= warm_soc);
        assert_true(drop_soc > 0.97 && drop_soc < 1.06);
        assert_true(b.temperature_C < 55.0);
    }
}

static struct vbattery make_protected(void)
{
    struct vbattery b = make(VCHEM_LFP, 4, 100.0);
    b.spec.protection.fitted = true;
    return b;
}

static void judged(struct vbattery *b, double current_A, bool load, double for_s)
{
    for (long i = 0; i < lround(for_s / 0.05); i++) {
        vbattery_step(b, current_A, 0.05);
        vbattery_protect(b, current_A, load, 0.05);
    }
}

static void protection_opens_when_empty_and_recloses_on_charge(void **state)
{
    (void)state;
    struct vbattery b = make_protected();
    vbattery_set_soc(&b, 0.01);
    while (vbattery_gate(&b) == VGATE_CLOSED) {
        judged(&b, -10.0, true, 0.05);
        assert_true(b.soc > -0.05);
    }
    assert_int_equal(vbattery_gate(&b), VGATE_NO_DISCHARGE);
    assert_string_equal(b.stopped_why, "under-voltage");
    assert_true(vbattery_voltage_V(&b, -10.0) < 8.0);
    judged(&b, 0.0, true, 600.0); /* a load still pulls: stays open */
    assert_int_equal(vbattery_gate(&b), VGATE_NO_DISCHARGE);
    judged(&b, 5.0, true, 1.0);
    assert_int_equal(vbattery_gate(&b), VGATE_CLOSED);
}

static void protection_recloses_after_a_rest_without_load(void **state)
{
    (void)state;
    struct vbattery b = make_protected();
    b.spec.protection.under_cell_V = 2.5;
    vbattery_set_soc(&b, 0.02);
    while (vbattery_gate(&b) == VGATE_CLOSED) {
        judged(&b, -90.0, true, 0.05);
    }
    judged(&b, 0.0, false, 50.0);
    assert_int_equal(vbattery_gate(&b), VGATE_NO_DISCHARGE);
    judged(&b, 0.0, false, 20.0);
    assert_int_equal(vbattery_gate(&b), VGATE_CLOSED);
}

static void protection_stops_overcharge_overload_heat_and_cold(void **state)
{
    (void)state;
    struct vbattery b = make_protected();
    vbattery_set_soc(&b, 1.01);
    judged(&b, 5.0, false, 0.5);
    assert_int_equal(vbattery_gate(&b), VGATE_NO_CHARGE);

    b = make_protected();
    judged(&b, -250.0, true, 0.5);
    assert_int_equal(vbattery_gate(&b), VGATE_NO_DISCHARGE);
    assert_string_equal(b.stopped_why, "discharge-current");

    b = make_protected();
    b.forced_C = 70.0;
    judged(&b, -5.0, true, 0.5);
    assert_int_equal(vbattery_gate(&b), VGATE_OPEN);
    b.forced_C = 50.0;
    judged(&b, 0.0, true, 0.5);
    assert_int_equal(vbattery_gate(&b), VGATE_CLOSED);

    b = make_protected();
    vbattery_set_soc(&b, 0.5);
    b.forced_C = -5.0;
    judged(&b, 5.0, false, 0.5);
    assert_int_equal(vbattery_gate(&b), VGATE_NO_CHARGE);
    assert_string_equal(b.stopped_why, "cold");
}

static void a_battery_without_protection_never_opens(void **state)
{
    (void)state;
    struct vbattery b = make(VCHEM_LFP, 4, 100.0);
    vbattery_set_soc(&b, 0.0);
    judged(&b, -300.0, true, 30.0);
    assert_int_equal(vbattery_gate(&b), VGATE_CLOSED);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(counter_is_current_times_time),
        cmocka_unit_test(open_circuit_voltage_rises_with_charge),
        cmocka_unit_test(relaxation_follows_both_time_constants),
        cmocka_unit_test(step_length_does_not_matter_for_constant_current),
        cmocka_unit_test(lead_acid_delivers_more_when_slow),
        cmocka_unit_test(lead_acid_recovers_at_rest),
        cmocka_unit_test(a_short_pulse_draws_on_the_near_well_alone),
        cmocka_unit_test(charge_is_conserved),
        cmocka_unit_test(energy_is_voltage_times_charge),
        cmocka_unit_test(self_heating_ends_at_power_times_thermal_resistance),
        cmocka_unit_test(cold_raises_resistance),
        cmocka_unit_test(nimh_voltage_drops_when_full),
        cmocka_unit_test(nickel_shows_its_end_of_charge),
        cmocka_unit_test(lead_acid_tapers_at_its_voltage_and_gasses_above),
        cmocka_unit_test(energy_is_conserved_by_every_chemistry),
        cmocka_unit_test(thirty_rounds_deliver_what_the_law_says),
        cmocka_unit_test(a_used_battery_begins_faded),
        cmocka_unit_test(capacity_fades_by_the_law_given),
        cmocka_unit_test(protection_opens_when_empty_and_recloses_on_charge),
        cmocka_unit_test(protection_recloses_after_a_rest_without_load),
        cmocka_unit_test(protection_stops_overcharge_overload_heat_and_cold),
        cmocka_unit_test(a_battery_without_protection_never_opens),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
