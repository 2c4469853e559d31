/* SPDX-License-Identifier: GPL-3.0-or-later
 * Charge, energy and end of a record: exact figures, laws, and what is noticed. */
#include "analysis/analysis.h"
#include "whole_record.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define ROWS_MAX 20000

static struct sample rows[ROWS_MAX];

static void close_to(double value, double expected, double relative)
{
    if (!(fabs(value - expected) <= relative * fabs(expected)))
        fail_msg("%.17g instead of %.17g (relative error %.3g)", value, expected,
                 value / expected - 1);
}

static bool has_note(const struct capacity_result *r, const char *part)
{
    for (size_t i = 0; i < r->notes.count; i++)
        if (strstr(r->notes.text[i], part) != NULL)
            return true;
    return false;
}

static void expect_note(const struct capacity_result *r, const char *part)
{
    if (has_note(r, part))
        return;
    for (size_t i = 0; i < r->notes.count; i++)
        print_message("note: %s\n", r->notes.text[i]);
    fail_msg("no note with \"%s\"", part);
}

static struct capacity_result analyse(size_t n, const struct discharge_options *o)
{
    struct capacity_result r;
    struct err e = {0};
    if (!whole_record(rows, n, o, &r, &e))
        fail_msg("refused: %s", e.text);
    return r;
}

static void expect_refusal(size_t n, const struct discharge_options *o, const char *message)
{
    struct capacity_result r;
    struct err e = {0};
    assert_false(whole_record(rows, n, o, &r, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_string_equal(e.text, message);
}

static struct discharge_options whole(void)
{
    struct discharge_options o = discharge_options_default();
    o.rule = END_WHOLE;
    return o;
}

static struct discharge_options to(double cutoff_V)
{
    struct discharge_options o = discharge_options_default();
    o.cutoff_V = cutoff_V;
    return o;
}

static struct sample row(double t_s, double voltage_V, double current_A)
{
    return (struct sample){t_s, voltage_V, current_A, NAN};
}

/* 0.1 s .. 3600 s in n equal steps; current and voltage linear in time, out of the battery. */
static size_t linear(size_t steps, double i0, double i1, double v0, double v1)
{
    for (size_t k = 0; k <= steps; k++) {
        double x = (double)k / (double)steps;
        rows[k] = row(3600 * x, v0 + (v1 - v0) * x, -(i0 + (i1 - i0) * x));
    }
    return steps + 1;
}

/* Round figures: elementary integrals, computed by hand. */
static void constant_current_is_exact(void **state)
{
    (void)state;
    struct discharge_options o = whole();
    const size_t steps[] = {1, 7, 60, 3600};
    for (size_t i = 0; i < 4; i++) {
        struct capacity_result r = analyse(linear(steps[i], 5, 5, 3.7, 3.7), &o);
        close_to(r.capacity_Ah, 5, 1e-14);
        close_to(r.energy_Wh, 18.5, 1e-14);
        close_to(r.mean_voltage_V, 3.7, 1e-14);
        close_to(r.mean_current_A, -5, 1e-14);
        close_to(r.duration_s, 3600, 1e-14);
        assert_int_equal(r.kind, RECORD_DISCHARGE);
        assert_int_equal(r.samples, steps[i] + 1);
    }
}

static void falling_voltage_is_exact(void **state)
{
    (void)state;
    struct discharge_options o = whole();
    const size_t steps[] = {1, 3, 100};
    for (size_t i = 0; i < 3; i++) {
        struct capacity_result r = analyse(linear(steps[i], 2, 2, 4.2, 3.0), &o);
        close_to(r.capacity_Ah, 2, 1e-14);
        close_to(r.energy_Wh, 7.2, 1e-14);
    }
}

static void energy_is_of_the_product(void **state)
{
    (void)state;
    struct discharge_options o = whole();
    const struct {
        size_t steps;
        double energy_Wh;
    } known[] = {{1, 3.0}, {2, 3.25}, {4, 3.3125}, {10, 3.33}, {60, 10.0 / 3 - 1.0 / (3 * 3600)}};
    for (size_t i = 0; i < 5; i++) {
        struct capacity_result r = analyse(linear(known[i].steps, 0, 2, 4, 3), &o);
        close_to(r.energy_Wh, known[i].energy_Wh, 1e-13);
    }
}

static void exponential_has_the_error_of_the_rule(void **state)
{
    (void)state;
    const double exact_Ah = 0.4908421806;
    const struct {
        double h, relative;
    } known[] = {{1, 1.03e-7}, {10, 1.0288e-5}, {60, 3.7034e-4}, {300, 9.242e-3}, {900, 8.198e-2}};
    struct discharge_options o = whole();
    o.gap_s = 1e9;
    for (size_t i = 0; i < 5; i++) {
        size_t n = (size_t)(3600 / known[i].h) + 1;
        for (size_t k = 0; k < n; k++) {
            double t = known[i].h * (double)k;
            rows[k] = row(t, 3.7, -2 * exp(-t / 900));
        }
        struct capacity_result r = analyse(n, &o);
        double error = r.capacity_Ah / exact_Ah - 1;
        assert_true(fabs(error - known[i].relative) < 1e-3 * known[i].relative + 2e-9);
        /* The budget's own estimate of that error is of the right size. */
        if (known[i].h < 300) {
            double told = standard_of(&r.uncertainty, "sampling") / exact_Ah;
            assert_true(told > 0.5 * error && told < 2 * error + 1e-12);
        }
    }
}

static void sine_follows_textbook(void **state)
{
    (void)state;
    struct discharge_options o = whole();
    const struct {
        size_t steps;
        double value;
    } known[] = {{10, 1.9835235}, {100, 1.9998355}};
    for (size_t i = 0; i < 2; i++) {
        for (size_t k = 0; k <= known[i].steps; k++) {
            double x = acos(-1) * (double)k / (double)known[i].steps;
            rows[k] = row(3600 * x, 1, -sin(x));
        }
        struct capacity_result r = analyse(known[i].steps + 1, &o);
        close_to(r.capacity_Ah, known[i].value, 5e-8);
    }
}

/* 5 A; 3.010 V at 3590 s, 2.990 V at 3600 s, cut-off 3.000 V: 3595 s, 4.993056 Ah. */
static size_t crossing_record(void)
{
    for (size_t k = 0; k <= 360; k++)
        rows[k] = row(10 * (double)k, k <= 359 ? 4.087 - 0.003 * (double)k : 2.990, -5);
    rows[359].voltage_V = 3.010;
    rows[361] = row(3610, 2.9, -5);
    return 362;
}

static void crossing_is_interpolated(void **state)
{
    (void)state;
    struct discharge_options o = to(3.0);
    o.rated_Ah = 5;
    struct capacity_result r = analyse(crossing_record(), &o);
    close_to(r.capacity_Ah, 5 * 3595.0 / 3600, 1e-12);
    close_to(r.duration_s, 3595, 1e-12);
    close_to(r.end_s, 3595, 1e-12);
    close_to(r.end_voltage_V, 3.0, 1e-14);
    close_to(r.percent_of_rated, 100 * 3595.0 / 3600, 1e-12);
    assert_int_equal(r.end_reason, END_REASON_CROSSED);
    assert_string_equal(end_reason_text(r.end_reason), "cut-off crossed");
    assert_int_equal(r.samples, 362);
    assert_int_equal(r.last_row, 361);
    assert_false(r.lower_bound);
    expect_note(&r, "coarse at the end: the interval before row 361 is 10 s long, 0.28 % of the "
                    "capacity");
    expect_note(&r, "row 1 is already under load (5 A)");

    o.rule = END_FIRST_BELOW;
    r = analyse(crossing_record(), &o);
    close_to(r.capacity_Ah, 5, 1e-12);
    close_to(r.end_voltage_V, 2.990, 1e-14);
    o.rule = END_WHOLE;
    r = analyse(crossing_record(), &o);
    close_to(r.capacity_Ah, 5 * 3610.0 / 3600, 1e-12);
    assert_int_equal(r.end_reason, END_REASON_RECORD);
}

static void meeting_the_cutoff_exactly_is_a_crossing(void **state)
{
    (void)state;
    rows[0] = row(0, 4.0, -1);
    rows[1] = row(100, 3.0, -1);
    struct discharge_options o = to(3.0);
    struct capacity_result r = analyse(2, &o);
    assert_int_equal(r.end_reason, END_REASON_CROSSED);
    close_to(r.end_s, 100, 1e-14);
    o.rule = END_FIRST_BELOW;
    r = analyse(2, &o);
    assert_int_equal(r.end_reason, END_REASON_NOT_REACHED);
    assert_true(r.lower_bound);
    expect_note(&r, "the record ends under load in row 2");
}

static void energy_ends_at_the_crossing_too(void **state)
{
    (void)state;
    /* 4 V to 2 V in 3600 s at 2 A: at 3 V, 1 Ah and 3.5 Wh are out. */
    rows[0] = row(0, 4, -2);
    rows[1] = row(3600, 2, -2);
    struct discharge_options o = to(3.0);
    o.gap_s = 1e9;
    struct capacity_result r = analyse(2, &o);
    close_to(r.capacity_Ah, 1, 1e-14);
    close_to(r.energy_Wh, 3.5, 1e-14);
    close_to(r.mean_voltage_V, 3.5, 1e-14);
}

static void lead_resistance_moves_the_crossing(void **state)
{
    (void)state;
    /* Read at the load: 20 A over 10 mOhm is 0.2 V too low. */
    rows[0] = row(0, 12.6 - 0.2, -20);
    rows[1] = row(3600, 10.6 - 0.2, -20);
    struct discharge_options o = to(11.6);
    o.lead_ohm = 0.010;
    o.gap_s = 1e9;
    struct capacity_result r = analyse(2, &o);
    close_to(r.capacity_Ah, 10, 1e-12);
    close_to(r.start_voltage_V, 12.6, 1e-14);
    close_to(r.energy_Wh, 10 * 12.1, 1e-12);
    o.lead_ohm = 0;
    r = analyse(2, &o);
    close_to(r.capacity_Ah, 8, 1e-12);
}

static size_t rested_discharge(void)
{
    /* Low readings before the load must not end it: the lamp was not connected yet. */
    size_t n = 0;
    rows[n++] = row(0, 0.01, 0.0);
    rows[n++] = row(10, 4.1, 0.001);
    rows[n++] = row(20, 4.1, -0.001);
    rows[n++] = row(30, 4.0, -2);
    for (size_t k = 1; k <= 100; k++)
        rows[n++] = row(30 + 10 * (double)k, 4.0 - 0.01 * (double)k, -2);
    rows[n++] = row(1040, 2.8, -2);
    rows[n++] = row(1050, 3.2, 0.0005);
    rows[n++] = row(1060, 3.3, 0.0005);
    return n;
}

static void rest_does_not_end_a_discharge(void **state)
{
    (void)state;
    struct discharge_options o = to(2.9);
    struct capacity_result r = analyse(rested_discharge(), &o);
    assert_int_equal(r.end_reason, END_REASON_CROSSED);
    close_to(r.end_s, 1035, 1e-12);
    close_to(r.capacity_Ah, (2 * (5 + 1000 + 5) + 0.005) / 3600, 1e-5);
    close_to(r.loaded_s, 5 + 1000 + 5, 1e-12);
    expect_note(&r, "rows 1 to 3: at rest before the first load");
    expect_note(&r, "in the 10 s before row 4");
    expect_note(&r, "rows 106 to 107: at rest after the last load");
    expect_note(&r, "row 2: the voltage jumps from 0.01 V to 4.1 V");
    expect_note(&r, "instrument accuracy not given");
}

static void unreached_cutoff_leaves_out_the_rest(void **state)
{
    (void)state;
    struct discharge_options o = to(2.5);
    struct capacity_result r = analyse(rested_discharge(), &o);
    assert_int_equal(r.end_reason, END_REASON_NOT_REACHED);
    assert_string_equal(end_reason_text(r.end_reason), "cut-off not reached");
    assert_true(r.lower_bound);
    close_to(r.end_s, 1040, 1e-14);
    expect_note(&r, "never fell to the cut-off of 2.5 V (lowest 2.8 V in row 105)");
    expect_note(&r, "the load went off at an unknown moment in the 10 s before row 106");
}

static void protection_is_an_end(void **state)
{
    (void)state;
    size_t n = 0;
    rows[n++] = row(0, 4.1, 0);
    for (size_t k = 0; k <= 100; k++)
        rows[n++] = row(10 + 10 * (double)k, 4.0 - 0.012 * (double)k, -2);
    rows[n++] = row(1020, 0.05, 0);
    rows[n++] = row(1030, 0.02, 0);
    struct discharge_options o = to(2.6);
    struct capacity_result r = analyse(n, &o);
    assert_int_equal(r.end_reason, END_REASON_PROTECTION);
    close_to(r.end_s, 1015, 1e-14);
    close_to(r.capacity_Ah, 2 * 1010.0 / 3600, 1e-12);
    assert_false(r.lower_bound);
    expect_note(&r, "protection circuit opened");
    assert_false(has_note(&r, "jumps"));

    /* The same far above the cut-off is a fault of the wiring, not an end. */
    n = 52;
    rows[n++] = row(520, 0.05, 0);
    rows[n++] = row(530, 0.02, 0);
    r = analyse(n, &o);
    assert_int_equal(r.end_reason, END_REASON_NOT_REACHED);
    expect_note(&r, "row 53: current and voltage vanished together");
}

static void charge_before_the_discharge_is_left_out(void **state)
{
    (void)state;
    size_t n = 0;
    for (size_t k = 0; k <= 360; k++)
        rows[n++] = row(10 * (double)k, 3.3 + 0.002 * (double)k, 1.02);
    for (size_t k = 1; k <= 60; k++)
        rows[n++] = row(3600 + 10 * (double)k, 4.0, 0);
    for (size_t k = 1; k <= 360; k++)
        rows[n++] = row(4200 + 10 * (double)k, 3.9 - 0.003 * (double)k, -1);
    struct discharge_options o = to(2.85);
    struct capacity_result r = analyse(n, &o);
    assert_int_equal(r.kind, RECORD_DISCHARGE);
    assert_int_equal(r.end_reason, END_REASON_CROSSED);
    assert_int_equal(r.first_row, 362);
    close_to(r.capacity_Ah, (3500 - 5) / 3600.0, 1e-9);
    expect_note(&r, "the record begins with a charge of 1.021 Ah: the discharge is counted from "
                    "row 362");
}

static void recharge_after_the_end_changes_nothing(void **state)
{
    (void)state;
    struct discharge_options o = to(3.0);
    o.gap_s = 30;
    struct capacity_result alone = analyse(crossing_record(), &o);
    size_t n = crossing_record();
    for (size_t k = 0; k <= 400; k++)
        rows[n++] = row(3700 + 10 * (double)k, 3.2 + 0.002 * (double)k, 5);
    struct capacity_result both = analyse(n, &o);
    close_to(both.capacity_Ah, alone.capacity_Ah, 1e-14);
    close_to(both.energy_Wh, alone.energy_Wh, 1e-14);
    expect_note(&both, "the battery is charged after row 361; that is not counted");
}

static void charge_is_told_apart(void **state)
{
    (void)state;
    size_t n = 0;
    rows[n++] = row(0, 3.3, 0);
    rows[n++] = row(2.5, 2.6, -4); /* a switching transient, below the cut-off even */
    for (size_t k = 0; k <= 360; k++)
        rows[n++] = row(5 + 10 * (double)k, 3.4 + 0.002 * (double)k, 1.5);
    struct discharge_options o = to(2.7);
    o.rated_Ah = 2;
    struct capacity_result r = analyse(n, &o);
    assert_int_equal(r.kind, RECORD_CHARGE);
    assert_int_equal(r.end_reason, END_REASON_RECORD);
    close_to(r.capacity_Ah, (1.5 * 3600 - 5 - 2.5 * 2.5 / 2) / 3600, 1e-12);
    assert_true(r.mean_current_A > 0);
    assert_true(isnan(r.percent_of_rated));
    expect_note(&r, "row 2: before the charge begins up to 4 A flow the other way");
}

static void the_larger_part_names_an_unfinished_record(void **state)
{
    (void)state;
    size_t n = 0;
    for (size_t k = 0; k <= 20; k++)
        rows[n++] = row(10 * (double)k, 3.9, -2);
    for (size_t k = 1; k <= 60; k++)
        rows[n++] = row(200 + 10 * (double)k, 4.0, 2);
    struct discharge_options o = to(2.7);
    assert_int_equal(analyse(n, &o).kind, RECORD_CHARGE);
    struct capacity_result r = analyse(45, &o);
    assert_int_equal(r.kind, RECORD_DISCHARGE);
    close_to(r.capacity_Ah, 400.0 / 3600, 1e-12);
}

static void refusals_say_why(void **state)
{
    (void)state;
    struct discharge_options o = to(3.0);
    rows[0] = row(0, 3.1, 0);
    rows[1] = row(10, 2.9, -2);
    rows[2] = row(20, 2.8, -2);
    expect_refusal(3, &o,
                   "row 2, the first under load, is already below the cut-off: 2.9 V against 3 V; "
                   "the battery was empty, or the cut-off is not meant for it");
    rows[2].t_s = 9;
    expect_refusal(3, &o, "row 3: time goes back from 10 s to 9 s; put the rows in order of time");
    rows[2].t_s = NAN;
    expect_refusal(3, &o, "row 3 has no time; every row needs one");
    expect_refusal(1, &o,
                   "the record holds 1 row with voltage and current; at least two are needed");
    expect_refusal(0, &o,
                   "the record holds 0 rows with voltage and current; at least two are needed");
    rows[1].current_A = rows[2].current_A = 0;
    rows[2].t_s = 20;
    expect_refusal(3, &o, "no load in the record: the current never exceeds 0 A in 3 rows");
    rows[0] = row(0, 4, 2);
    rows[1] = row(10, 3.5, 2);
    rows[2] = row(20, 2.9, 2);
    expect_refusal(3, &o,
                   "the voltage falls through the cut-off of 3 V while the current is positive, "
                   "which means charging; if this log writes discharge as positive, say so "
                   "(--discharge-positive turns the sign round)");
}

static void gaps_are_bridged_and_told(void **state)
{
    (void)state;
    size_t n = 0;
    for (size_t k = 0; k <= 100; k++)
        rows[n++] = row((double)k, 3.7, -2);
    for (size_t k = 0; k <= 100; k++)
        rows[n++] = row(200 + (double)k, 3.6, -2);
    struct discharge_options o = whole();
    struct capacity_result r = analyse(n, &o);
    close_to(r.capacity_Ah, 2 * 300.0 / 3600, 1e-12);
    assert_int_equal(r.gaps, 1);
    close_to(r.gap_s, 100, 1e-14);
    expect_note(&r, "row 102: gap of more than 30 s before it (longest 100 s), bridged by a "
                    "straight line; 0.0556 Ah of the result come from gaps");
    const struct uncertainty_budget *b = &r.uncertainty;
    assert_string_equal(b->component[b->count - 1].name, "gaps");
    close_to(b->component[b->count - 1].standard_Ah, 200.0 / 3600 / sqrt(3), 1e-12);
    /* Said to be no gap, it is none. */
    o.gap_s = 100;
    assert_int_equal(analyse(n, &o).gaps, 0);
}

static void a_slower_log_has_no_gaps(void **state)
{
    (void)state;
    size_t n = 0;
    double t = 0;
    for (size_t k = 0; k < 1000; k++) {
        rows[n++] = row(t, 3.7, -2);
        t += k % 10 == 0 ? 60 : 1;
    }
    struct discharge_options o = whole();
    assert_int_equal(analyse(n, &o).gaps, 0);
    for (size_t k = 500; k < n; k++)
        rows[k].t_s += 200;
    assert_int_equal(analyse(n, &o).gaps, 1);
}

/* A row each 10 s at 5 A: 12.2 V, at `dip` 11.9 V, in the last row 11.9 V again. */
static size_t with_a_dip(size_t count, size_t dip)
{
    for (size_t k = 0; k < count; k++)
        rows[k] = row(10 * (double)k, k == dip || k + 1 == count ? 11.9 : 12.2, -5);
    return count;
}

/* Lead-acid: a dip in the first minutes, then a plateau above the cut-off. It is no end when
 * as much charge again follows above it. */
static void an_early_dip_is_no_end(void **state)
{
    (void)state;
    struct discharge_options o = to(12.0);
    struct capacity_result r = analyse(with_a_dip(60, 5), &o);
    assert_int_equal(r.end_reason, END_REASON_CROSSED);
    assert_int_equal(r.last_row, 60);
    close_to(r.capacity_Ah, 5 * (580 + 10 * 2.0 / 3) / 3600, 1e-12);
    expect_note(&r, "row 6: under load the voltage dips through the cut-off, to 11.9 V, and is "
                    "above it again for more than the 0.065 Ah delivered by then");
    /* The table counts from the last fall, and what lies above the plateau from the first. */
    rows[0].voltage_V = 13;
    o.voltages = (struct voltages_asked){2, {12.1, 12.5}};
    r = analyse(60, &o);
    for (size_t i = 0; i < r.voltage_count; i++) {
        const struct voltage_row *v = &r.voltage[i];
        if (fabs(v->voltage_V - 12.1) < 1e-9)
            close_to(v->after_s, 580 + 10 / 3.0, 1e-9);
        if (fabs(v->voltage_V - 12.5) < 1e-9)
            close_to(v->after_s, 10 * 0.5 / 0.8, 1e-9);
    }
}

static void a_late_recovery_changes_no_end(void **state)
{
    (void)state;
    struct discharge_options o = to(12.0);
    struct capacity_result r = analyse(with_a_dip(60, 40), &o);
    assert_int_equal(r.end_reason, END_REASON_CROSSED);
    assert_int_equal(r.last_row, 41);
    expect_note(&r, "row 42: under load above the cut-off again after the end in row 41: an early "
                    "dip or a loose lead");
    /* Charged in between: another discharge, however long. */
    with_a_dip(400, 5);
    rows[7].current_A = 5;
    r = analyse(400, &o);
    assert_int_equal(r.last_row, 6);
    /* So is one at half the current. */
    with_a_dip(400, 5);
    for (size_t k = 6; k < 400; k++)
        rows[k].current_A = -2;
    r = analyse(400, &o);
    assert_int_equal(r.last_row, 6);
}

/* A meter that reads more than "rest" once before the load comes on. */
static void noise_before_the_load_is_no_load(void **state)
{
    (void)state;
    size_t n = 0;
    for (size_t k = 0; k < 20; k++, n++)
        rows[n] = row(600 * (double)n, 13, k == 8 ? -0.11 : 0);
    for (size_t k = 0; k < 40; k++, n++)
        rows[n] = row(12000 + 60 * (double)k, 12, -5);
    struct discharge_options o = to(10);
    struct capacity_result r = analyse(n, &o);
    expect_note(&r, "rows 1 to 20: at rest before the first load");
    expect_note(&r, "the load came on at an unknown moment in the 600 s before row 21");
}

/* Rests of `rests` rows that read mean_A, every other one above and below it, then a load. */
static struct capacity_result after_rest(size_t rests, double mean_A, double swing_A,
                                         bool step_of_run)
{
    size_t n = 0;
    for (; n < rests; n++)
        rows[n] = row(10 * (double)n, 13, mean_A + (n % 2 == 0 ? swing_A : -swing_A));
    for (size_t k = 0; k < 100; k++, n++)
        rows[n] = row(10 * (double)n, 12, -1);
    struct discharge_options o = to(10);
    o.step_of_run = step_of_run;
    return analyse(n, &o);
}

static void a_zero_error_needs_readings_that_tell_it(void **state)
{
    (void)state;
    const char *zero = "A at rest: as a zero error", *rest = "at rest before the first load";
    struct capacity_result r = after_rest(30, 0.002, 0, false);
    expect_note(&r, "the current reads 0.002 A at rest: as a zero error");
    expect_note(&r, rest);
    r = after_rest(30, 0.002, 0.001, false);
    expect_note(&r, zero);
    r = after_rest(30, 0.002, 0.015, false); /* within its standard error */
    assert_false(has_note(&r, zero));
    r = after_rest(1, 0.002, 0, false);
    assert_false(has_note(&r, zero));
    r = after_rest(4, 0.002, 0, false);
    assert_false(has_note(&r, zero));
    r = after_rest(1, 0.002, 0, true); /* rows of a step are nobody's file */
    assert_false(has_note(&r, zero) || has_note(&r, rest));
}

static void repeated_and_unknown_rows_are_counted(void **state)
{
    (void)state;
    rows[0] = row(0, 3.7, -2);
    rows[1] = row(10, 3.7, -2);
    rows[2] = row(10, 3.7, -2.2);
    rows[3] = row(20, NAN, -2);
    rows[4] = row(30, 3.7, -2.2);
    struct discharge_options o = whole();
    struct capacity_result r = analyse(5, &o);
    close_to(r.capacity_Ah, (20 + 44) / 3600.0, 1e-12);
    assert_int_equal(r.repeated, 1);
    assert_int_equal(r.unknown, 1);
    expect_note(&r, "row 3: time stamp repeated");
    expect_note(&r, "row 4: no voltage or no current, left out");
}

static void temperatures_are_of_the_counted_part(void **state)
{
    (void)state;
    size_t n = crossing_record();
    for (size_t k = 0; k < n; k++)
        rows[k].temperature_C = k % 4 == 0 ? 20 + (double)k / 36 : (double)NAN;
    rows[361].temperature_C = 99; /* after the end */
    struct discharge_options o = to(3.0);
    struct capacity_result r = analyse(n, &o);
    close_to(r.temperature_start_C, 20, 1e-14);
    close_to(r.temperature_min_C, 20, 1e-14);
    close_to(r.temperature_max_C, 30, 1e-14);
    close_to(r.temperature_mean_C, 25, 1e-3);
    for (size_t k = 0; k < n; k++)
        rows[k].temperature_C = NAN;
    r = analyse(n, &o);
    assert_true(isnan(r.temperature_max_C) && isnan(r.temperature_mean_C));
}

/* Laws, over random records. */
static double random_unit(void)
{
    return rand() / (RAND_MAX + 1.0);
}

static size_t random_record(void)
{
    size_t n = 50 + (size_t)(random_unit() * 500);
    double t = random_unit() * 1e4;
    for (size_t k = 0; k < n; k++) {
        rows[k] = row(t, 3 + random_unit(), 2 * random_unit() - 3);
        t += random_unit() < 0.05 ? 0 : random_unit() * 20;
    }
    return n;
}

static void splitting_adds(void **state)
{
    (void)state;
    struct discharge_options o = whole();
    o.gap_s = 1e9;
    for (int trial = 0; trial < 200; trial++) {
        size_t n = random_record();
        struct capacity_result all = analyse(n, &o);
        size_t cut = 2 + (size_t)(random_unit() * (double)(n - 4));
        struct capacity_result first = analyse(cut + 1, &o);
        memmove(rows, rows + cut, (n - cut) * sizeof rows[0]);
        struct capacity_result second = analyse(n - cut, &o);
        close_to(first.capacity_Ah + second.capacity_Ah, all.capacity_Ah, 1e-12);
        close_to(first.energy_Wh + second.energy_Wh, all.energy_Wh, 1e-12);
        close_to(first.duration_s + second.duration_s, all.duration_s, 1e-12);
    }
}

static void shifting_time_changes_nothing(void **state)
{
    (void)state;
    struct discharge_options o = whole();
    for (int trial = 0; trial < 100; trial++) {
        size_t n = random_record();
        struct capacity_result before = analyse(n, &o);
        for (size_t k = 0; k < n; k++)
            rows[k].t_s += 86400;
        struct capacity_result after = analyse(n, &o);
        close_to(after.capacity_Ah, before.capacity_Ah, 1e-9);
        close_to(after.energy_Wh, before.energy_Wh, 1e-9);
        assert_int_equal(after.gaps, before.gaps);
    }
}

static void scaling_current_scales_charge(void **state)
{
    (void)state;
    struct discharge_options o = whole();
    for (int trial = 0; trial < 100; trial++) {
        size_t n = random_record();
        double factor = 0.01 + 10 * random_unit();
        struct capacity_result before = analyse(n, &o);
        for (size_t k = 0; k < n; k++)
            rows[k].current_A *= factor;
        struct capacity_result after = analyse(n, &o);
        close_to(after.capacity_Ah, factor * before.capacity_Ah, 1e-12);
        close_to(after.uncertainty.expanded_Ah, factor * before.uncertainty.expanded_Ah, 1e-9);
        close_to(after.mean_voltage_V, before.mean_voltage_V, 1e-12);
    }
}

static void resampling_a_straight_record_changes_nothing(void **state)
{
    (void)state;
    struct discharge_options o = to(3.1);
    o.gap_s = 1e9;
    for (int trial = 0; trial < 100; trial++) {
        double amps = 0.1 + 20 * random_unit();
        struct capacity_result coarse = analyse(linear(3, amps, amps, 4.1, 2.9), &o);
        size_t steps = 4 + (size_t)(1000 * random_unit());
        struct capacity_result fine = analyse(linear(steps, amps, amps, 4.1, 2.9), &o);
        close_to(fine.capacity_Ah, coarse.capacity_Ah, 1e-12);
        close_to(fine.end_s, coarse.end_s, 1e-12);
        assert_int_equal(fine.end_reason, END_REASON_CROSSED);
    }
}

static void a_stream_gives_what_the_array_gives(void **state)
{
    (void)state;
    struct discharge_options o = to(2.9);
    o.current_threshold_A = 0.04;
    o.gap_s = 100;
    size_t n = rested_discharge();
    struct capacity_result all = analyse(n, &o);
    struct capacity_result early, last;
    struct charge_accumulator a;
    struct err e = {0};
    accumulator_start(&a, &o);
    for (size_t k = 0; k < n; k++) {
        assert_true(accumulator_add(&a, &rows[k], &e));
        if (k == 50) {
            assert_true(accumulator_finish(&a, &early, &e));
            assert_true(early.capacity_Ah < all.capacity_Ah);
            assert_int_equal(early.end_reason, END_REASON_NOT_REACHED);
        }
    }
    assert_true(accumulator_finish(&a, &last, &e));
    close_to(last.capacity_Ah, all.capacity_Ah, 0);
    close_to(last.energy_Wh, all.energy_Wh, 0);
    assert_int_equal(last.notes.count, all.notes.count);
}

static void millions_of_rows_lose_nothing(void **state)
{
    (void)state;
    struct discharge_options o = whole();
    struct charge_accumulator a;
    struct capacity_result r;
    struct err e = {0};
    accumulator_start(&a, &o);
    for (long k = 0; k <= 3000000; k++) {
        struct sample s = row((double)k, 3.3, -0.1);
        assert_true(accumulator_add(&a, &s, &e));
    }
    assert_true(accumulator_finish(&a, &r, &e));
    close_to(r.capacity_Ah, 0.1 * 3e6 / 3600, 1e-14);
}

int main(void)
{
    srand(20260301);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(constant_current_is_exact),
        cmocka_unit_test(falling_voltage_is_exact),
        cmocka_unit_test(energy_is_of_the_product),
        cmocka_unit_test(exponential_has_the_error_of_the_rule),
        cmocka_unit_test(sine_follows_textbook),
        cmocka_unit_test(crossing_is_interpolated),
        cmocka_unit_test(meeting_the_cutoff_exactly_is_a_crossing),
        cmocka_unit_test(energy_ends_at_the_crossing_too),
        cmocka_unit_test(lead_resistance_moves_the_crossing),
        cmocka_unit_test(rest_does_not_end_a_discharge),
        cmocka_unit_test(unreached_cutoff_leaves_out_the_rest),
        cmocka_unit_test(protection_is_an_end),
        cmocka_unit_test(charge_before_the_discharge_is_left_out),
        cmocka_unit_test(recharge_after_the_end_changes_nothing),
        cmocka_unit_test(charge_is_told_apart),
        cmocka_unit_test(the_larger_part_names_an_unfinished_record),
        cmocka_unit_test(refusals_say_why),
        cmocka_unit_test(gaps_are_bridged_and_told),
        cmocka_unit_test(a_slower_log_has_no_gaps),
        cmocka_unit_test(an_early_dip_is_no_end),
        cmocka_unit_test(a_late_recovery_changes_no_end),
        cmocka_unit_test(noise_before_the_load_is_no_load),
        cmocka_unit_test(a_zero_error_needs_readings_that_tell_it),
        cmocka_unit_test(repeated_and_unknown_rows_are_counted),
        cmocka_unit_test(temperatures_are_of_the_counted_part),
        cmocka_unit_test(splitting_adds),
        cmocka_unit_test(shifting_time_changes_nothing),
        cmocka_unit_test(scaling_current_scales_charge),
        cmocka_unit_test(resampling_a_straight_record_changes_nothing),
        cmocka_unit_test(a_stream_gives_what_the_array_gives),
        cmocka_unit_test(millions_of_rows_lose_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
