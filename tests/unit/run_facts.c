/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the plan is told of a stand: never better than what is known of its instruments, and
 * nothing of what hangs there unless it was read just now, at rest. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "base/file.h"
#include "run/stand.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char bench_text[] =
    "bench: Lakeside boat shed\ndrivers: " AMPLEDGER_SOURCE_DIR "/drivers\nstands:\n"
    "  - name: both-known\n"
    "    sense: meter\n"
    "    load: {driver: load-scpi, link: \"tty:/dev/none-1\",\n"
    "           ratings: {current: 30 A, voltage: 150 V, power: 300 W, minimum_voltage: 1 V},\n"
    "           accuracy: {voltage: {gain: 0.05 %, offset: 20 mV, resolution: 2 mV},\n"
    "                      current: {gain: 0.1 %, offset: 10 mA, resolution: 1 mA}}}\n"
    "    supply: {driver: supply-scpi, link: \"tty:/dev/none-2\",\n"
    "             accuracy: {voltage: {gain: 0.2 %, offset: 5 mV, resolution: 1 mV}}}\n"
    "    meter: {driver: meter-scpi, link: \"tty:/dev/none-3\",\n"
    "            accuracy: {voltage: {gain: 0.01 %, offset: 1 mV}}}\n"
    "    thermometer: {driver: thermometer-lines, link: \"tty:/dev/none-4\",\n"
    "                  accuracy: {temperature: {offset: 0.5 degC}}}\n"
    "  - name: one-unknown\n"
    "    sense: meter\n"
    "    load: {driver: load-scpi, link: \"tty:/dev/none-5\",\n"
    "           accuracy: {voltage: {gain: 0.05 %, offset: 20 mV}}}\n"
    "    supply: {driver: supply-scpi, link: \"tty:/dev/none-6\"}\n"
    "    meter: {driver: meter-scpi, link: \"tty:/dev/none-7\"}\n"
    "  - name: supply-alone\n"
    "    sense: remote\n"
    "    supply: {driver: supply-scpi, link: \"tty:/dev/none-8\",\n"
    "             accuracy: {voltage: {gain: 0.2 %, offset: 5 mV},\n"
    "                        current: {gain: 0.3 %, offset: 7 mA}}}\n"
    "  - name: two-wire\n"
    "    lead_resistance: 12 mOhm\n"
    "    load: {driver: load-scpi, link: \"tty:/dev/none-9\"}\n";

static int load_all(void **state)
{
    char folder[] = "/tmp/ampledger-facts-XXXXXX", path[64];
    struct bench *b = NULL;
    struct err e = {0};
    assert_non_null(mkdtemp(folder));
    text_format(path, sizeof path, "%s/bench.yaml", folder);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs(bench_text, f);
    fclose(f);
    bool ok = bench_load(path, &b, &e);
    unlink(path);
    rmdir(folder);
    if (!ok) {
        fail_msg("%s", e.text);
    }
    *state = b;
    return 0;
}

static int free_all(void **state)
{
    bench_free(*state);
    return 0;
}

static struct stand_facts facts_of(struct bench *b, size_t index, const struct stand *as)
{
    struct stand_facts f;
    struct stand s = {0};
    if (as != NULL) {
        s.status = as->status;
        s.reading_real_ns = as->reading_real_ns;
    }
    s.config = &b->stands[index];
    pthread_mutex_init(&s.lock, NULL);
    stand_facts_now(&s, &f);
    pthread_mutex_destroy(&s.lock);
    return f;
}

static void near(double a, double b)
{
    assert_true(fabs(a - b) < 1e-12);
}

/* The other voltage warns of a meter that is wrong, so it must not warn too early. */
static void of_two_that_may_be_in_use_the_worse_counts(void **state)
{
    const struct stand_facts f = facts_of(*state, 0, NULL);
    near(f.other_voltage.gain, 0.002);
    near(f.other_voltage.offset, 0.020);
    near(f.other_voltage.resolution, 0.002);
    near(f.accuracy.voltage.gain, 0.0001); /* the meter's, by which limits are judged */
    near(f.accuracy.current.offset, 0.010);
    near(f.thermometer_error_C, 0.5);
    assert_int_equal(f.voltage_source, SOURCE_METER);
    assert_true(f.has_meter && f.has_thermometer && f.load.present && f.supply.present);
    near(f.load.current_max_A, 30);
    near(f.load.voltage_min_V, 1);
    assert_true(isnan(f.supply.current_max_A));
    assert_true(f.supply.has_backstop);
    assert_false(f.load.has_backstop); /* its driver has no under-voltage protection */
}

static void unknown_is_worse_than_any_number(void **state)
{
    const struct stand_facts f = facts_of(*state, 1, NULL);
    assert_true(isnan(f.other_voltage.gain));
    assert_true(isnan(f.other_voltage.offset));
    assert_true(isnan(f.accuracy.voltage.gain));
    assert_true(isnan(f.accuracy.current.gain));
    assert_true(isnan(f.thermometer_error_C));
    assert_false(f.has_thermometer);
}

static void a_supply_alone_measures_itself(void **state)
{
    const struct stand_facts f = facts_of(*state, 2, NULL);
    assert_int_equal(f.voltage_source, SOURCE_REMOTE_SENSE);
    assert_false(f.load.present);
    near(f.accuracy.voltage.gain, 0.002);
    near(f.accuracy.current.offset, 0.007);
    near(f.other_voltage.offset, 0.005);
    const struct stand_facts two_wire = facts_of(*state, 3, NULL);
    assert_int_equal(two_wire.voltage_source, SOURCE_TWO_WIRE);
    near(two_wire.lead_ohm, 0.012);
    assert_true(isnan(two_wire.free_bytes)); /* nothing is recorded here */
}

static void only_what_was_read_just_now_at_rest_is_present(void **state)
{
    struct stand s = {
        .status = {.phase = STAND_IDLE, .reading = {.voltage_V = 13.2, .temperature_C = 21.5}}};
    assert_true(isnan(facts_of(*state, 0, &s).present_voltage_V)); /* never read */
    s.reading_real_ns = clock_real_ns();
    near(facts_of(*state, 0, &s).present_voltage_V, 13.2);
    near(facts_of(*state, 0, &s).present_temperature_C, 21.5);
    s.status.phase = STAND_RUNNING; /* under current */
    assert_true(isnan(facts_of(*state, 0, &s).present_voltage_V));
    s.status.phase = STAND_MISSING;
    s.reading_real_ns = clock_real_ns() - 6 * NS_PER_S;
    assert_true(isnan(facts_of(*state, 0, &s).present_voltage_V));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(of_two_that_may_be_in_use_the_worse_counts),
        cmocka_unit_test(unknown_is_worse_than_any_number),
        cmocka_unit_test(a_supply_alone_measures_itself),
        cmocka_unit_test(only_what_was_read_just_now_at_rest_is_present),
    };
    return cmocka_run_group_tests(tests, load_all, free_all);
}
