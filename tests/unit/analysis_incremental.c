/* SPDX-License-Identifier: GPL-3.0-or-later
 * dQ/dV: no charge is lost, peaks are where they were put, and are followed. */
#include "analysis/incremental.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

static void close_to(double value, double expected, double allowed)
{
    if (!(fabs(value - expected) <= allowed))
        fail_msg("%.17g instead of %.17g", value, expected);
}

static double sum_of(const struct incremental_capacity *c)
{
    double sum = c->outside_Ah;
    for (size_t i = 0; i < INCREMENTAL_BINS; i++)
        sum += c->charge_Ah[i];
    return sum;
}

/* Whatever the voltage does, also beyond the bins, all charge is somewhere. */
static void no_charge_is_lost(void **state)
{
    (void)state;
    static struct incremental_capacity c;
    srand(21);
    for (int trial = 0; trial < 200; trial++) {
        struct sample s = {0, 3.5, -1, NAN}, before;
        double expected = 0;
        incremental_start(&c, 3.0, 0.003, 0.01 * (trial % 3));
        for (int i = 0; i < 200; i++) {
            before = s;
            s.t_s += 10 * (rand() / (double)RAND_MAX);
            s.voltage_V = 2.8 + 1.6 * (rand() / (double)RAND_MAX);
            s.current_A = -3 * (rand() / (double)RAND_MAX);
            incremental_add(&c, &s);
            expected += i > 0 ? fabs(sample_charge_Ah(&before, &s)) : 0;
        }
        close_to(sum_of(&c), expected, 1e-12);
    }
}

/* Q(V) with two steps of logistic form: dQ/dV has its tops at their middles, of height
 * Q/(4 w) each, less what a Gaussian of standard deviation s takes: s^2/(4 w^2) of it
 * (second derivative at the top). */
struct step_curve {
    double middle_V[2], Ah[2], wide_V[2];
};

static double charge_down_to(const struct step_curve *k, double V)
{
    double Q = 0;
    for (int i = 0; i < 2; i++)
        Q += k->Ah[i] / (1 + exp((V - k->middle_V[i]) / k->wide_V[i]));
    return Q;
}

static struct incremental_peaks peaks_of(const struct step_curve *k)
{
    static struct incremental_capacity c;
    struct incremental_peaks out;
    incremental_start(&c, 3.0, 0.003, 0);
    double t_s = 0;
    for (double V = 4.1; V > 3.05; V -= 0.0007) {
        double dQ = charge_down_to(k, V - 0.0007) - charge_down_to(k, V);
        struct sample s = {t_s, V, -2, NAN};
        incremental_add(&c, &s);
        t_s += dQ / 2 * 3600;
    }
    incremental_find_peaks(&c, &out);
    return out;
}

static void peaks_are_where_they_are(void **state)
{
    (void)state;
    struct step_curve k = {{3.6, 3.9}, {1.5, 0.8}, {0.03, 0.02}};
    struct incremental_peaks p = peaks_of(&k);
    assert_int_equal(p.count, 2);
    for (size_t i = 0; i < 2; i++) {
        close_to(p.peak[i].voltage_V, k.middle_V[i], 0.0015);
        double top = k.Ah[i] / (4 * k.wide_V[i]);
        double smooth = 0.003 * INCREMENTAL_SMOOTH_BINS / k.wide_V[i];
        close_to(p.peak[i].height_Ah_per_V, top * (1 - smooth * smooth / 4), 0.005 * top);
    }
}

static void peaks_are_followed_as_they_move(void **state)
{
    (void)state;
    struct step_curve young = {{3.6, 3.9}, {1.5, 0.8}, {0.03, 0.02}};
    struct step_curve old = {{3.57, 3.89}, {1.2, 0.7}, {0.035, 0.02}};
    struct step_curve without = {{3.57, 3.80}, {1.2, 0.0}, {0.035, 0.02}};
    struct incremental_peaks a = peaks_of(&young), b = peaks_of(&old), c = peaks_of(&without);
    assert_int_equal(incremental_follow(&a, 0, &b, 0.05), 0);
    assert_int_equal(incremental_follow(&a, 1, &b, 0.05), 1);
    assert_true(incremental_follow(&a, 0, &b, 0.01) == INCREMENTAL_LOST);
    assert_int_equal(c.count, 1);
    assert_int_equal(incremental_follow(&a, 0, &c, 0.05), 0);
    assert_true(incremental_follow(&a, 1, &c, 0.05) == INCREMENTAL_LOST);
}

static void nothing_has_no_peaks(void **state)
{
    (void)state;
    static struct incremental_capacity c;
    struct incremental_peaks p;
    incremental_start(&c, 3.0, 0.003, 0);
    struct sample unknown = {0, NAN, -1, NAN};
    incremental_add(&c, &unknown);
    incremental_find_peaks(&c, &p);
    assert_int_equal(p.count, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_charge_is_lost),
        cmocka_unit_test(peaks_are_where_they_are),
        cmocka_unit_test(peaks_are_followed_as_they_move),
        cmocka_unit_test(nothing_has_no_peaks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
