/* SPDX-License-Identifier: GPL-3.0-or-later
 * Drawing a long record: no extreme is lost, nothing is invented, and the order of
 * time stays. */
#include "analysis/decimate.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#define SAMPLES 100000
#define BUCKETS 100
#define ROOM (BUCKETS * DECIMATE_PICKS)

static struct decimated out[ROOM];

static struct sample sample_at(int i)
{
    return (struct sample){i, 13.2 - 1e-5 * i, -10, 22};
}

static void spikes_stay(void **state)
{
    (void)state;
    srand(7);
    for (int trial = 0; trial < 50; trial++) {
        struct decimator d = {.to_s = SAMPLES - 1, .buckets = BUCKETS, .out = out, .room = ROOM};
        int at = rand() % SAMPLES, which = rand() % 6;
        for (int i = 0; i < SAMPLES; i++) {
            struct sample s = sample_at(i);
            double *v[] = {&s.voltage_V, &s.current_A, &s.temperature_C};
            *v[which / 2] += i == at ? (which % 2 == 0 ? 0.8 : -0.8) : 0;
            decimate_put(&d, 0, &s);
        }
        decimate_end(&d);
        assert_true(d.n <= ROOM && d.seen == SAMPLES);
        bool found = false;
        for (size_t i = 0; i < d.n; i++) {
            struct sample was = sample_at((int)out[i].index);
            assert_true(i == 0 || out[i].index > out[i - 1].index);
            assert_true(out[i].sample.t_s == was.t_s);
            bool is_spike = (int)out[i].index == at;
            found = found || is_spike;
            assert_true(is_spike || (out[i].sample.voltage_V == was.voltage_V &&
                                     out[i].sample.current_A == was.current_A &&
                                     out[i].sample.temperature_C == was.temperature_C));
        }
        assert_true(found);
        assert_true(out[0].index == 0 && out[d.n - 1].index == SAMPLES - 1);
    }
}

static void charge_is_of_all_samples(void **state)
{
    (void)state;
    struct decimator d = {.to_s = 7200, .buckets = 3, .out = out, .room = ROOM};
    for (int i = 0; i <= 7200; i++) {
        struct sample s = {i, 12, i < 3600 ? -10 : 5, (double)NAN};
        decimate_put(&d, i < 3600 ? 0 : 1, &s);
    }
    decimate_end(&d);
    /* 3599 s at -10 A, 1 s from -10 A to 5 A (mean -2.5 A), 3600 s at 5 A. */
    assert_true(fabs(out[d.n - 1].charge_Ah - (3599 * -10 - 2.5 + 3600 * 5) / 3600.0) < 1e-9);
    assert_int_equal(out[d.n - 1].step, 1);
    assert_true(isnan(out[0].sample.temperature_C));
}

static void unknown_values_hide_no_extreme(void **state)
{
    (void)state;
    struct decimator d = {.to_s = 99, .buckets = 1, .out = out, .room = ROOM};
    for (int i = 0; i < 100; i++) {
        struct sample s = {i, 12, -10, i < 50 ? (double)NAN : i == 70 ? 48.0 : 22.0};
        decimate_put(&d, 0, &s);
    }
    decimate_end(&d);
    bool found = false;
    for (size_t i = 0; i < d.n; i++) {
        found = found || out[i].sample.temperature_C == 48;
    }
    assert_true(found);
}

static void few_are_all_kept(void **state)
{
    (void)state;
    struct decimator d = {.out = out, .room = ROOM};
    for (int i = 0; i < 500; i++) {
        struct sample s = sample_at(i);
        decimate_put(&d, 0, &s);
    }
    decimate_end(&d);
    assert_int_equal(d.n, 500);
    struct decimator none = {.buckets = 5, .out = out, .room = ROOM};
    decimate_end(&none);
    assert_int_equal(none.n, 0);
}

static void one_instant(void **state)
{
    (void)state;
    struct decimator d = {.from_s = 5, .to_s = 5, .buckets = 4, .out = out, .room = ROOM};
    struct sample s = {5, 12, -1, 20};
    decimate_put(&d, 2, &s);
    decimate_end(&d);
    assert_int_equal(d.n, 1);
    assert_int_equal(out[0].step, 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(spikes_stay),
        cmocka_unit_test(charge_is_of_all_samples),
        cmocka_unit_test(unknown_values_hide_no_extreme),
        cmocka_unit_test(few_are_all_kept),
        cmocka_unit_test(one_instant),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
