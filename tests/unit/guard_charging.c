/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the guard over the course of a charge: a circuit that opens is told from a
 * current that tapers. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "guard/guard.h"

#include <math.h>

#define HOLD_V 14.6
#define NEVER_S 100000

struct charge {
    struct guard_limits limits;
    struct guard_memory memory;
    double set_A, open_V, hold_V, changed_s;
};

static struct charge charge_of(double set_A, double open_V)
{
    struct charge c = {
        .limits = guard_limits_none(), .set_A = set_A, .open_V = open_V, .hold_V = HOLD_V};
    c.limits.off_current_A = 0.020;
    guard_start(&c.memory, 0);
    return c;
}

static struct guard_verdict look(struct charge *c, double t_s, double v, double i, bool on)
{
    const struct sample s = {t_s, v, i, 25};
    const struct guard_moment at = {.now_s = t_s,
                                    .output_wanted = true,
                                    .output_on = on,
                                    .set_A = c->set_A,
                                    .set_is_most = true,
                                    .changed_s = c->changed_s,
                                    .cutoff_V = NAN,
                                    .hold_V = c->hold_V};
    return guard_check(&c->limits, &c->memory, &at, &s);
}

/* The current at time t of the charge, and the voltage that the supply shows with it. */
typedef double current_fn(double t_s);

/* When it trips, switched on at 0 s and read each `every_s`; NEVER_S: not in an hour. */
static double trips_after(struct charge *c, current_fn *current, double every_s,
                          struct guard_verdict *why)
{
    struct guard_verdict v = look(c, 0, c->open_V, 0, false);
    assert_int_equal(v.reason, GUARD_FINE);
    for (double t = every_s; t < 3600; t += every_s) {
        v = look(c, t, HOLD_V, current(t), true);
        if (v.reason != GUARD_FINE) {
            assert_int_equal(v.reason, GUARD_OPENED_CHARGING);
            *why = v;
            return t;
        }
    }
    return NEVER_S;
}

static double slow_taper(double t_s)
{
    return 10 * exp(-t_s / 60);
}
/* Of a full battery: at once from 4 A, two thirds less every three seconds. */
static double fast_taper(double t_s)
{
    return 4 * exp(-t_s / 3);
}
static double with_noise(double t_s)
{
    return 10 * exp(-t_s / 300) + 0.004 * sin(7 * t_s);
}
static double cut_at_100(double t_s)
{
    return t_s < 100 ? 10 : 0;
}
static double cut_in_taper(double t_s)
{
    return t_s < 200 ? slow_taper(t_s) : -0.003;
}
/* A slow ammeter follows in some seconds. */
static double cut_seen_slowly(double t_s)
{
    return t_s < 100 ? 10 : 10 * exp(-(t_s - 100) / 0.4);
}
static double small_cut(double t_s)
{
    return t_s < 100 ? 0.06 : 0.001;
}
static double none(double t_s)
{
    (void)t_s;
    return 0.002;
}
/* A protection that opens at the first rush. */
static double inrush(double t_s)
{
    return t_s < 1.5 ? 10 : 0;
}
static double soft_start(double t_s)
{
    return t_s < 12 ? 0 : 10;
}
static double blinks(double t_s)
{
    return fmod(t_s, 100) < 4 ? 0 : 10;
}

static void a_taper_is_no_opening(void **state)
{
    (void)state;
    static current_fn *const honest[] = {slow_taper, fast_taper, with_noise, soft_start, blinks};
    for (size_t i = 0; i < sizeof honest / sizeof honest[0]; i++) {
        for (int every = 0; every < 3; every++) {
            struct charge c = charge_of(10, 13.2);
            struct guard_verdict why;
            double after_s = trips_after(&c, honest[i], every == 0 ? 0.2 : every, &why);
            if (after_s < NEVER_S) {
                fail_msg("honest current %zu, sampling %d: tripped after %g s", i, every, after_s);
            }
        }
    }
}

static void opens(current_fn *current, double set_A, double at_s, double before_A)
{
    for (int every = 0; every < 3; every++) {
        struct charge c = charge_of(set_A, 13.2);
        struct guard_verdict why = {0};
        double after_s = trips_after(&c, current, every == 0 ? 0.2 : every, &why);
        if (!(after_s > at_s + 5 && after_s <= at_s + 10)) {
            fail_msg("opened at %g s, tripped at %g s", at_s, after_s);
        }
        assert_true(fabs(why.value - before_A) <= 0.2 * before_A);
    }
}

/* Well before the ten seconds for which a current must be low to count as tapered. */
static void an_opened_circuit_is_no_taper(void **state)
{
    (void)state;
    opens(cut_at_100, 10, 100, 10);
    opens(cut_in_taper, 10, 200, slow_taper(200));
    opens(small_cut, 0.06, 100, 0.06);
    struct charge c = charge_of(10, 13.2);
    struct guard_verdict why;
    assert_true(trips_after(&c, cut_seen_slowly, 0.2, &why) <= 110);
}

static void a_current_that_never_begins_is_told(void **state)
{
    (void)state;
    struct guard_verdict why;
    struct charge c = charge_of(10, 13.2);
    double after_s = trips_after(&c, none, 1, &why);
    assert_true(after_s > 10 && after_s <= 17);
    assert_true(why.value == 0 && why.limit == 0.020);
    for (int every = 0; every < 2; every++) {
        c = charge_of(10, 13.2);
        after_s = trips_after(&c, inrush, every == 0 ? 0.2 : 1, &why);
        assert_true(after_s > 10 && after_s <= 17);
    }
    /* The battery is there already: a float charge after an absorption. */
    c = charge_of(10, 14.55);
    assert_true(trips_after(&c, none, 1, &why) == NEVER_S);
}

/* Less is held from 100 s on: until the battery has come down nothing flows. */
static void a_lower_voltage_may_stop_the_current(void **state)
{
    (void)state;
    struct charge c = charge_of(10, 13.2);
    assert_int_equal(look(&c, 0, 13.2, 0, false).reason, GUARD_FINE);
    for (int t = 1; t < 1000; t++) {
        c.changed_s = t > 100 ? 100.5 : 0;
        assert_int_equal(look(&c, t, HOLD_V, t > 100 ? 0 : 2, true).reason, GUARD_FINE);
    }
}

/* Neither a discharge nor a pulse of no current is a charge. */
static void elsewhere_no_current_is_no_wonder(void **state)
{
    (void)state;
    struct charge c = charge_of(0, 13.2);
    struct guard_verdict why;
    assert_true(trips_after(&c, cut_at_100, 1, &why) == NEVER_S);
    c = charge_of(-10, 13.2);
    c.hold_V = NAN;
    assert_true(trips_after(&c, none, 1, &why) == NEVER_S);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_taper_is_no_opening),
        cmocka_unit_test(an_opened_circuit_is_no_taper),
        cmocka_unit_test(a_current_that_never_begins_is_told),
        cmocka_unit_test(a_lower_voltage_may_stop_the_current),
        cmocka_unit_test(elsewhere_no_current_is_no_wonder),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
