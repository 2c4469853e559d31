/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the shipped drivers against the virtual bench: a whole stand is
 * brought up, protected, set, switched on, read and switched off. Skipped with
 * a line where the program ampledger-virtual is not built. */
#include "base/clock.h"
#include "base/file.h"
#include "bench/bench.h"

#include <math.h>
#include <setjmp.h>
#include <signal.h>
#include <spawn.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#define SKIPPED 77

static const char virtual_yaml[] =
    "batteries:\n"
    "  - {name: launch-a, chemistry: lfp, cells: 4, capacity: 125 Ah, soc: 60 %, ambient: 21 "
    "degC}\n"
    "instruments:\n"
    "  - {name: load-1, kind: load, battery: launch-a}\n"
    "  - {name: supply-1, kind: supply, battery: launch-a}\n"
    "  - {name: meter-1, kind: meter, battery: launch-a}\n"
    "  - {name: asked, kind: thermometer, battery: launch-a, style: scpi}\n"
    "  - {name: prints, kind: thermometer, battery: launch-a, style: lines}\n"
    "  - {name: writes, kind: thermometer, battery: launch-a, style: file}\n"
    "seed: 3\n";

static const char bench_yaml[] =
    "bench: Lakeside boat shed\n"
    "drivers: " AMPLEDGER_SOURCE_DIR "/drivers\n"
    "virtual: vb/control\n"
    "stands:\n"
    "  - name: jetty\n"
    "    sense: remote\n"
    "    load: {driver: load-virtual, link: \"tty:vb/load-1\", identity: \"*,load-1,*\"}\n"
    "    supply: {driver: supply-virtual, link: \"tty:vb/supply-1\"}\n"
    "    meter: {driver: meter-virtual, link: \"tty:vb/meter-1\"}\n"
    "    thermometer: {driver: THERMOMETER}\n";

static const char generic_yaml[] =
    "bench: Lakeside boat shed\n"
    "drivers: " AMPLEDGER_SOURCE_DIR "/drivers\n"
    "virtual: vb/control\n"
    "stands:\n"
    "  - name: jetty\n"
    "    sense: meter\n"
    "    load: {driver: load-scpi, link: \"tty:vb/load-1\", ratings: {current: 40 A}}\n"
    "    supply: {driver: supply-scpi, link: \"tty:vb/supply-1\"}\n"
    "    meter: {driver: meter-scpi, link: \"tty:vb/meter-1\"}\n"
    "    thermometer: {driver: THERMOMETER}\n";

struct rig {
    char folder[64];
    char bench_path[96];
    pid_t pid;
    struct err e;
};
static struct rig rig;

/* Beside the folder of this test, as the build puts it, or where told. */
static bool find_program(char *out, size_t size)
{
    char self[512];
    const char *told = getenv("AMPLEDGER_VIRTUAL");
    if (told != NULL) {
        return text_format(out, size, "%s", told) && access(out, X_OK) == 0;
    }
    ssize_t n = readlink("/proc/self/exe", self, sizeof self - 1);
    if (n <= 0) {
        return false;
    }
    self[n] = '\0';
    char *slash = strrchr(self, '/');
    *slash = '\0';
    return text_format(out, size, "%s/../ampledger-virtual", self) && access(out, X_OK) == 0;
}

static void write_file(const char *name, const char *text)
{
    char path[128];
    text_format(path, sizeof path, "%s/%s", rig.folder, name);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

static bool await_file(const char *path)
{
    struct clock *c = clock_new_real();
    int64_t until_ns = clock_now_ns(c) + 10 * NS_PER_S;
    while (access(path, F_OK) != 0 && clock_now_ns(c) < until_ns) {
        clock_wait_until(c, clock_now_ns(c) + 20 * NS_PER_MS, -1);
    }
    clock_free(c);
    return access(path, F_OK) == 0;
}

static int start_virtual(void **state)
{
    (void)state;
    char program[600], vb[96], description[96], control[128];
    extern char **environ;
    find_program(program, sizeof program);
    strcpy(rig.folder, "/tmp/ampledger-vb-XXXXXX");
    assert_non_null(mkdtemp(rig.folder));
    write_file("virtual.yaml", virtual_yaml);
    text_format(vb, sizeof vb, "%s/vb", rig.folder);
    text_format(description, sizeof description, "%s/virtual.yaml", rig.folder);
    text_format(rig.bench_path, sizeof rig.bench_path, "%s/bench.yaml", rig.folder);
    text_format(control, sizeof control, "%s/control", vb);
    mkdir(vb, 0700);
    char *const argv[] = {
        program, vb, (char[]){"--speed"}, (char[]){"500"}, (char[]){"--bench"}, description, NULL};
    if (posix_spawn(&rig.pid, program, NULL, NULL, argv, environ) != 0) {
        return -1;
    }
    return await_file(control) ? 0 : -1;
}

static int stop_virtual(void **state)
{
    (void)state;
    static const char *const left[] = {"bench.yaml", "virtual.yaml"};
    char path[128];
    int status = 0;
    kill(rig.pid, SIGTERM);
    waitpid(rig.pid, &status, 0);
    for (size_t i = 0; i < 2; i++) {
        text_format(path, sizeof path, "%s/%s", rig.folder, left[i]);
        unlink(path);
    }
    text_format(path, sizeof path, "%s/vb", rig.folder);
    rmdir(path);
    rmdir(rig.folder);
    return 0;
}

static struct bench *bench_with(const char *text, const char *thermometer)
{
    char whole[2048];
    struct bench *b = NULL;
    const char *mark = strstr(text, "THERMOMETER");
    text_format(whole, sizeof whole, "%.*s%s%s", (int)(mark - text), text, thermometer,
                mark + strlen("THERMOMETER"));
    write_file("bench.yaml", whole);
    if (!bench_load(rig.bench_path, &b, &rig.e)) {
        fail_msg("%s", rig.e.text);
    }
    return b;
}

static void must(bool ok)
{
    if (!ok) {
        fail_msg("%s", rig.e.text);
    }
}

static void pass_time(struct clock *c, double seconds)
{
    clock_join(c);
    clock_wait_until(c, clock_now_ns(c) + (int64_t)(seconds * (double)NS_PER_S), -1);
    clock_leave(c);
}

/* Discharges and charges for a little while; returns what a discharge read. */
/* What a load holds is held by the battery's own voltage: it sags, and the current
 * follows it up for a power, down for a resistance. */
static void hold(struct instrument *load, struct stand_config *s, struct clock *c)
{
    struct reading r;
    struct err temperature_error;
    must(instrument_set_power(load, 120, &rig.e));
    must(instrument_on(load, &rig.e));
    assert_false(instrument_set_current(load, 5, &rig.e)); /* another mode, while it is on */
    assert_int_equal(rig.e.code, ERR_REFUSED);
    for (int i = 0; i < 3; i++) {
        pass_time(c, 60);
        must(stand_read(s, false, &r, &temperature_error, &rig.e));
        assert_true(fabs(-r.current_A * r.voltage_V - 120) < 1);
    }
    assert_false(instrument_set_power(load, 401, &rig.e)); /* its rating */
    must(stand_make_safe(s, 3, &rig.e));
    must(instrument_set_resistance(load, 2, &rig.e));
    must(instrument_on(load, &rig.e));
    pass_time(c, 60);
    must(stand_read(s, false, &r, &temperature_error, &rig.e));
    must(stand_make_safe(s, 3, &rig.e));
    assert_true(fabs(-r.voltage_V / r.current_A - 2) < 0.02);
    assert_false(instrument_set_resistance(load, 0, &rig.e));
}

static struct reading work(struct bench *b)
{
    struct clock *c = NULL;
    struct stand_config *s = &b->stands[0];
    struct stand_health health;
    struct reading reading, rest;
    struct err temperature_error;
    double speed = 0;
    int programmed = 0;
    const struct instrument_protection under = {10.5, NAN, NAN}, over = {NAN, 14.8, 12};
    must(bench_clock(b, &c, &speed, &rig.e));
    assert_true(speed == 500);
    must(stand_bring_up(s, &health, &rig.e));
    for (int role = 0; role < 4; role++) {
        must(instrument_prepare(s->instrument[role], &rig.e));
    }
    must(stand_read(s, STAND_RESTS, &rest, &temperature_error, &rig.e));
    assert_true(fabs(rest.current_A) < 0.02);

    must(instrument_protect(s->instrument[ROLE_LOAD], &under, &programmed, &rig.e));
    hold(s->instrument[ROLE_LOAD], s, c);
    must(instrument_set_current(s->instrument[ROLE_LOAD], 10, &rig.e));
    must(instrument_on(s->instrument[ROLE_LOAD], &rig.e));
    pass_time(c, 60);
    must(stand_read(s, STAND_RESTS, &reading, &temperature_error, &rig.e));
    must(stand_make_safe(s, 3, &rig.e));
    if (temperature_error.code != ERR_NONE) {
        fail_msg("%s", temperature_error.text);
    }
    assert_true(fabs(reading.current_A + 10) < 0.05);
    assert_true(reading.voltage_V < rest.voltage_V - 0.02 && reading.voltage_V > 11);
    assert_true(fabs(reading.temperature_C - 21) < 3);

    struct reading charging;
    must(instrument_protect(s->instrument[ROLE_SUPPLY], &over, &programmed, &rig.e));
    assert_int_equal(programmed, 2);
    must(instrument_set_voltage(s->instrument[ROLE_SUPPLY], 14.4, &rig.e));
    must(instrument_set_current(s->instrument[ROLE_SUPPLY], 5, &rig.e));
    must(instrument_on(s->instrument[ROLE_SUPPLY], &rig.e));
    pass_time(c, 10);
    must(stand_read(s, STAND_CHARGES, &charging, &temperature_error, &rig.e));
    must(stand_make_safe(s, 3, &rig.e));
    assert_true(fabs(charging.current_A - 5) < 0.05);
    must(stand_read(s, STAND_RESTS, &rest, &temperature_error, &rig.e));
    assert_true(fabs(rest.current_A) < 0.02);
    clock_free(c);
    return reading;
}

static void drivers_of_the_virtual_bench(void **state)
{
    (void)state;
    struct bench *b = bench_with(bench_yaml, "thermometer-scpi, link: \"tty:vb/asked\"");
    work(b);
    assert_string_equal(instrument_identity(b->stands[0].instrument[ROLE_LOAD]),
                        "VIRTUAL,Load,load-1,1.0");
    bench_free(b);
}

static void generic_drivers(void **state)
{
    (void)state;
    struct bench *b = bench_with(generic_yaml, "thermometer-scpi, link: \"tty:vb/asked\"");
    work(b);
    bench_free(b);
}

static void a_thermometer_that_prints(void **state)
{
    (void)state;
    struct bench *b = bench_with(bench_yaml, "thermometer-lines, link: \"tty:vb/prints\"");
    work(b);
    bench_free(b);
}

static void a_thermometer_that_is_a_file(void **state)
{
    (void)state;
    struct bench *b = bench_with(bench_yaml, "thermometer-sysfs, link: \"file:vb/writes\"");
    work(b);
    bench_free(b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(drivers_of_the_virtual_bench),
        cmocka_unit_test(generic_drivers),
        cmocka_unit_test(a_thermometer_that_prints),
        cmocka_unit_test(a_thermometer_that_is_a_file),
    };
    char program[600];
    if (!find_program(program, sizeof program)) {
        puts("skipped: ampledger-virtual is not built beside the tests, and AMPLEDGER_VIRTUAL does "
             "not say where it is");
        return SKIPPED;
    }
    return cmocka_run_group_tests(tests, start_virtual, stop_virtual);
}
