/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of a whole stand on fake instruments: brought up in the order of
 * urgency, made safe, read; and of the clock that follows a virtual bench,
 * which must refuse every instrument that bench does not serve. */
#include "base/clock.h"
#include "base/file.h"
#include "bench/bench.h"
#include "fake_load.h"

#include <linux/sockios.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>

#include <cmocka.h>

static const char load_driver[] =
    "driver: Fake load\nrole: load\nprotocol: scpi\n"
    "identity: {ask: \"*IDN?\", match: \"LAKE,*\"}\n"
    "link: {reply_within: 250 ms, resync: identity}\n"
    "settle: 10 ms\n"
    "verbs: {set_current: \"CURR {A}\", on: \"INP ON\", off: \"INP OFF\"}\n"
    "questions: {state: \"INP?\", set_current: \"CURR?\"}\n"
    "read: {ask: \"MEAS:VOLT?;CURR?\", gives: [voltage, current]}\n";
static const char supply_driver[] =
    "driver: Fake supply\nrole: supply\nprotocol: scpi\n"
    "identity: {ask: \"*IDN?\", match: \"LAKE,*\"}\n"
    "link: {reply_within: 250 ms, resync: identity}\n"
    "settle: 10 ms\n"
    "verbs: {set_current: \"CURR {A}\", set_voltage: \"VOLT {V}\", on: \"INP ON\", off: \"INP "
    "OFF\"}\n"
    "questions: {state: \"INP?\", set_current: \"CURR?\", set_voltage: \"VOLT?\"}\n"
    "read: {ask: \"MEAS:VOLT?;CURR?\", gives: [voltage, current]}\n";
static const char meter_driver[] = "driver: Fake meter\nrole: meter\nprotocol: scpi\n"
                                   "link: {reply_within: 250 ms, resync: quiet}\n"
                                   "read: {ask: \"MEAS:VOLT?\", gives: [voltage]}\n";
static const char thermometer_driver[] =
    "driver: Fake thermometer\nrole: thermometer\nprotocol: scpi\n"
    "link: {reply_within: 250 ms, resync: quiet}\n"
    "read: {ask: \"MEAS:TEMP?\", gives: [temperature]}\n";

struct rig {
    char folder[64];
    struct fake_load fakes[4]; /* by enum role */
    struct bench *bench;
    struct stand_config *stand;
    struct err e;
};

static const char *const files[] = {"load.yaml",        "supply.yaml", "meter.yaml",
                                    "thermometer.yaml", "bench.yaml",  "control"};

static void write_file(const struct rig *r, const char *name, const char *text)
{
    char path[128];
    text_format(path, sizeof path, "%s/%s", r->folder, name);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

static void load_bench(struct rig *r, const char *extra)
{
    char text[2048], path[128];
    text_format(text, sizeof text,
                "bench: Lakeside boat shed\ndrivers: .\n%sstands:\n  - name: jetty\n"
                "    load: {driver: load, link: \"tty:%s\"}\n"
                "    supply: {driver: supply, link: \"tty:%s\"}\n"
                "    meter: {driver: meter, link: \"tty:%s\"}\n"
                "    thermometer: {driver: thermometer, link: \"tty:%s\"}\n",
                extra, r->fakes[0].path, r->fakes[1].path, r->fakes[2].path, r->fakes[3].path);
    write_file(r, "bench.yaml", text);
    text_format(path, sizeof path, "%s/bench.yaml", r->folder);
    if (!bench_load(path, &r->bench, &r->e)) {
        fail_msg("%s", r->e.text);
    }
    for (size_t i = 0; i < r->bench->driver_count; i++) {
        r->bench->drivers[i]->scpi.late_ms = 200; /* tests do not wait for late answers */
    }
    r->stand = &r->bench->stands[0];
}

static int set_up(void **state)
{
    struct rig *r = zalloc(sizeof *r);
    strcpy(r->folder, "/tmp/ampledger-stand-XXXXXX");
    assert_non_null(mkdtemp(r->folder));
    for (int i = 0; i < 4; i++) {
        fake_init(&r->fakes[i]);
        fake_do(&r->fakes[i],
                r->fakes[i].battery_V = 13.0 + 0.1 * i); /* each sees another voltage */
    }
    write_file(r, "load.yaml", load_driver);
    write_file(r, "supply.yaml", supply_driver);
    write_file(r, "meter.yaml", meter_driver);
    write_file(r, "thermometer.yaml", thermometer_driver);
    load_bench(r, "");
    *state = r;
    return 0;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    bench_free(r->bench);
    for (int i = 0; i < 4; i++) {
        fake_stop(&r->fakes[i]);
    }
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        char path[128];
        text_format(path, sizeof path, "%s/%s", r->folder, files[i]);
        unlink(path);
    }
    rmdir(r->folder);
    free(r);
    return 0;
}

static void comes_up_off_and_known(void **state)
{
    struct rig *r = *state;
    struct stand_health health;
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].on = true);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].on = true);
    if (!stand_bring_up(r->stand, &health, &r->e)) {
        fail_msg("%s", r->e.text);
    }
    assert_true(health.ok);
    assert_false(fake_is_on(&r->fakes[ROLE_LOAD]));
    assert_false(fake_is_on(&r->fakes[ROLE_SUPPLY]));
    assert_string_equal(instrument_identity(r->stand->instrument[ROLE_LOAD]), "LAKE,L-1,0001,1.0");
    for (int role = 0; role < 4; role++) {
        assert_true(instrument_is_open(r->stand->instrument[role]));
        assert_string_equal(health.problem[role], "");
    }
}

/* A supply that stays silent must not keep the load from going off, nor the
 * meter from being looked at. */
static void goes_through_all_when_one_fails(void **state)
{
    struct rig *r = *state;
    struct stand_health health;
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].on = true);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].silent = true);
    fake_do(&r->fakes[ROLE_LOAD], strcpy(r->fakes[ROLE_LOAD].identity, "SHORE,X"));
    assert_false(stand_bring_up(r->stand, &health, &r->e));
    assert_false(health.ok);
    assert_false(fake_is_on(&r->fakes[ROLE_LOAD]));
    assert_non_null(strstr(health.problem[ROLE_SUPPLY], "jetty supply on"));
    assert_non_null(strstr(health.problem[ROLE_SUPPLY], "not confirmed off"));
    assert_non_null(strstr(health.problem[ROLE_LOAD], "\"SHORE,X\""));
    assert_string_equal(health.problem[ROLE_METER], "");
    assert_string_equal(health.problem[ROLE_THERMOMETER], "");
    assert_string_equal(r->e.text, health.problem[ROLE_SUPPLY]); /* the first */
}

/* Whoever is told to disconnect by hand hears of the output that is on, not of the one that is
 * silent and comes first. */
static void the_output_that_is_on_is_named(void **state)
{
    struct rig *r = *state;
    struct stand_health health;
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].silent = true);
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].on = true);
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].stays_on = true);
    assert_false(stand_bring_up(r->stand, &health, &r->e));
    assert_non_null(strstr(r->e.text, "jetty supply on")); /* the first failure */
    assert_true(health.still_on);
    assert_int_equal(health.not_off.code, ERR_INSTRUMENT);
    assert_non_null(strstr(health.not_off.text, "jetty load on"));
    assert_int_equal(health.output[ROLE_LOAD], ERR_INSTRUMENT);
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].stays_on = false);
    assert_false(stand_bring_up(r->stand, &health, &r->e));
    assert_false(health.still_on);
    assert_int_equal(health.output[ROLE_LOAD], ERR_NONE);
    assert_true(health.output[ROLE_SUPPLY] != ERR_NONE);
}

static void every_output_is_told_off_at_once(void **state)
{
    struct rig *r = *state;
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].on = true);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].on = true);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].silent = true);
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].silent = true);
    stand_send_off(r->stand);
    struct clock *c = clock_new_real();
    int64_t until = clock_now_ns(c) + 2 * NS_PER_S;
    while ((fake_is_on(&r->fakes[ROLE_LOAD]) || fake_is_on(&r->fakes[ROLE_SUPPLY])) &&
           clock_now_ns(c) < until) {
        clock_wait_until(c, clock_now_ns(c) + NS_PER_MS, -1);
    }
    clock_free(c);
    assert_false(fake_is_on(&r->fakes[ROLE_LOAD]));
    assert_false(fake_is_on(&r->fakes[ROLE_SUPPLY]));
}

/* The supply comes first and does not answer; the load is off long before that
 * is known, which takes longer here than a busy machine keeps a thread waiting. */
static void no_output_waits_for_another(void **state)
{
    struct rig *r = *state;
    struct stand_health health;
    for (size_t i = 0; i < r->bench->driver_count; i++) {
        r->bench->drivers[i]->scpi.reply_timeout_ms = 2000;
    }
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].silent = true);
    for (int turn = 0; turn < 2; turn++) {
        struct fake_load *load = &r->fakes[ROLE_LOAD];
        fake_do(load, load->on = true);
        fake_do(load, load->off_ns = 0);
        int64_t begun_ns = clock_real_ns();
        assert_false(turn == 0 ? stand_bring_up(r->stand, &health, &r->e)
                               : stand_make_safe(r->stand, 1, &r->e));
        assert_true(clock_real_ns() - begun_ns > 2000 * NS_PER_MS);
        int64_t off_ns = 0;
        fake_do(load, off_ns = load->off_ns);
        assert_true(off_ns != 0 && off_ns - begun_ns < 1800 * NS_PER_MS);
    }
}

static int offs_of(struct fake_load *f)
{
    int offs = 0;
    fake_do(f, offs = f->offs);
    return offs;
}

static void assert_tape(struct fake_tape *tape, const char *wanted)
{
    char letters[sizeof tape->letters];
    pthread_mutex_lock(&tape->lock);
    memcpy(letters, tape->letters, sizeof letters);
    pthread_mutex_unlock(&tape->lock);
    assert_string_equal(letters, wanted);
}

/* Neither answers: they are asked in turn, and whenever one is asked both hear off. */
static void silent_ones_are_tried_in_turn(void **state)
{
    struct rig *r = *state;
    struct fake_tape tape = {.lock = PTHREAD_MUTEX_INITIALIZER};
    struct fake_load *load = &r->fakes[ROLE_LOAD], *supply = &r->fakes[ROLE_SUPPLY];
    fake_do(load, load->silent = true; load->tape = &tape; load->letter = 'l');
    fake_do(supply, supply->silent = true; supply->tape = &tape; supply->letter = 's');
    assert_false(stand_make_safe(r->stand, 3, &r->e));
    assert_non_null(strstr(r->e.text, "jetty supply on"));
    assert_non_null(strstr(r->e.text, "not confirmed off after 3 tries"));
    assert_tape(&tape, "slslsl");
    /* At once, and with each of the six tries. */
    assert_int_equal(offs_of(load), 7);
    assert_int_equal(offs_of(supply), 7);
    fake_do(load, load->tape = NULL);
    fake_do(supply, supply->tape = NULL);
}

/* A try takes some 6.4 s here, and none begins after 12 s: two silent ones have
 * one each, where one after the other would have had two each. */
static void two_silent_ones_take_no_longer_than_one(void **state)
{
    struct rig *r = *state;
    struct instrument *const both[] = {r->stand->instrument[ROLE_SUPPLY],
                                       r->stand->instrument[ROLE_LOAD]};
    struct err why[2];
    for (size_t i = 0; i < r->bench->driver_count; i++) {
        r->bench->drivers[i]->scpi.late_ms = 6000;
    }
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].silent = true);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].silent = true);
    assert_false(instruments_make_safe(both, 2, 5, why));
    assert_non_null(strstr(why[0].text, "jetty supply on"));
    assert_non_null(strstr(why[0].text, "not confirmed off after 1 try,"));
    assert_non_null(strstr(why[1].text, "jetty load on"));
    assert_non_null(strstr(why[1].text, "not confirmed off after 1 try,"));
}

/* One that answers does not wait for the tries of one that does not. */
static void who_is_confirmed_is_asked_no_more(void **state)
{
    struct rig *r = *state;
    struct fake_tape tape = {.lock = PTHREAD_MUTEX_INITIALIZER};
    struct fake_load *load = &r->fakes[ROLE_LOAD], *supply = &r->fakes[ROLE_SUPPLY];
    fake_do(load, load->on = true; load->tape = &tape; load->letter = 'l');
    fake_do(supply, supply->silent = true; supply->tape = &tape; supply->letter = 's');
    assert_false(stand_make_safe(r->stand, 3, &r->e));
    assert_tape(&tape, "slllss"); /* identity, state, current; then no more */
    assert_int_equal(offs_of(load), 3);
    assert_false(fake_is_on(load));
    fake_do(load, load->tape = NULL);
    fake_do(supply, supply->tape = NULL);
}

static void safe_means_all_of_them(void **state)
{
    struct rig *r = *state;
    struct stand_health health;
    assert_true(stand_bring_up(r->stand, &health, &r->e));
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].on = true);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].on = true);
    assert_true(stand_make_safe(r->stand, 2, &r->e));
    assert_false(fake_is_on(&r->fakes[ROLE_LOAD]));
    assert_false(fake_is_on(&r->fakes[ROLE_SUPPLY]));
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].on = true);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].on = true);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].stays_on = true);
    assert_false(stand_make_safe(r->stand, 2, &r->e));
    assert_non_null(strstr(r->e.text, "jetty supply on"));
    assert_false(fake_is_on(&r->fakes[ROLE_LOAD])); /* the other one all the same */
}

static void reads_from_the_sources_in_use(void **state)
{
    struct rig *r = *state;
    struct stand_health health;
    struct reading reading;
    struct err temperature_error;
    assert_true(stand_bring_up(r->stand, &health, &r->e));
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].on = true);
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].set_A = 10);
    assert_true(stand_read(r->stand, STAND_RESTS, &reading, &temperature_error, &r->e));
    assert_true(fabs(reading.voltage_V - 13.2) < 1e-9); /* the meter's */
    assert_true(fabs(reading.other_V - 13.0) < 1e-9);   /* the load's */
    assert_true(fabs(reading.current_A + 10) < 1e-9);
    assert_true(fabs(reading.temperature_C - 21.5) < 1e-9);
    assert_int_equal(temperature_error.code, ERR_NONE);

    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].on = false);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].on = true);
    fake_do(&r->fakes[ROLE_SUPPLY], r->fakes[ROLE_SUPPLY].set_A = 5);
    r->stand->sense = SENSE_REMOTE;
    assert_true(stand_read(r->stand, STAND_CHARGES, &reading, &temperature_error, &r->e));
    assert_true(fabs(reading.voltage_V - 13.1) < 1e-9); /* the supply's */
    assert_true(fabs(reading.current_A - 5) < 1e-9);    /* into the battery */
    assert_true(stand_read(r->stand, STAND_RESTS, &reading, &temperature_error, &r->e));
    assert_true(fabs(reading.voltage_V - 13.0) < 1e-9); /* the load's */
    assert_true(isnan(reading.other_V));                /* there is but one */
}

static void a_silent_thermometer_spoils_no_sample(void **state)
{
    struct rig *r = *state;
    struct stand_health health;
    struct reading reading;
    struct err temperature_error;
    assert_true(stand_bring_up(r->stand, &health, &r->e));
    fake_do(&r->fakes[ROLE_THERMOMETER], r->fakes[ROLE_THERMOMETER].silent = true);
    assert_true(stand_read(r->stand, STAND_RESTS, &reading, &temperature_error, &r->e));
    assert_true(isnan(reading.temperature_C));
    assert_true(fabs(reading.voltage_V - 13.2) < 1e-9);
    assert_int_equal(temperature_error.code, ERR_TIMEOUT);
    assert_non_null(strstr(temperature_error.text, "jetty thermometer"));
}

static void a_silent_meter_does(void **state)
{
    struct rig *r = *state;
    struct stand_health health;
    struct reading reading;
    struct err temperature_error;
    assert_true(stand_bring_up(r->stand, &health, &r->e));
    fake_do(&r->fakes[ROLE_METER], r->fakes[ROLE_METER].silent = true);
    assert_false(stand_read(r->stand, STAND_RESTS, &reading, &temperature_error, &r->e));
    assert_int_equal(r->e.code, ERR_TIMEOUT);
    assert_non_null(strstr(r->e.text, "jetty meter"));
}

/* A meter that can be asked ahead: how it resynchronises takes no time. */
static void renew_meter(struct rig *r)
{
    struct stand_health health;
    bench_free(r->bench);
    write_file(r, "meter.yaml",
               "driver: Fake meter\nrole: meter\nprotocol: scpi\n"
               "identity: {ask: \"*IDN?\", match: \"LAKE,*\"}\n"
               "link: {reply_within: 250 ms, resync: identity}\n"
               "read: {ask: \"MEAS:VOLT?\", gives: [voltage]}\n");
    load_bench(r, "");
    if (!stand_bring_up(r->stand, &health, &r->e)) {
        fail_msg("%s", r->e.text);
    }
}

static void the_meter_is_asked_before_the_load_has_answered(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    struct err temperature_error;
    struct fake_tape tape = {.lock = PTHREAD_MUTEX_INITIALIZER};
    renew_meter(r);
    for (int role = ROLE_LOAD; role <= ROLE_METER; role++) {
        fake_do(&r->fakes[role], r->fakes[role].letter = "LSM"[role]);
        fake_do(&r->fakes[role], r->fakes[role].tape = &tape);
    }
    fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].silent = true);
    assert_false(stand_read(r->stand, STAND_DISCHARGES, &reading, &temperature_error, &r->e));
    for (int role = ROLE_LOAD; role <= ROLE_METER; role++) {
        fake_do(&r->fakes[role], r->fakes[role].tape = NULL); /* nobody writes on it any more */
    }
    assert_int_equal(strlen(tape.letters), 2);
    assert_non_null(strchr(tape.letters, 'M'));
}

/* The load fails while the meter's answer is on its way: that answer, old by then, must not be
 * taken for the next reading's, nor for that of whoever reads the meter alone. */
static void an_answer_that_nobody_took_is_not_the_next_ones(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    struct err temperature_error;
    renew_meter(r);
    for (int alone = 0; alone < 2; alone++) {
        struct instrument *meter = r->stand->instrument[ROLE_METER];
        fake_do(&r->fakes[ROLE_METER], r->fakes[ROLE_METER].battery_V = 13.2);
        fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].silent = true);
        assert_false(stand_read(r->stand, STAND_DISCHARGES, &reading, &temperature_error, &r->e));
        fake_do(&r->fakes[ROLE_LOAD], r->fakes[ROLE_LOAD].silent = false);
        fake_do(&r->fakes[ROLE_METER], r->fakes[ROLE_METER].battery_V = 9.5);
        bool ok = alone != 0
                      ? instrument_read(meter, &reading, &r->e)
                      : stand_read(r->stand, STAND_DISCHARGES, &reading, &temperature_error, &r->e);
        assert_true(ok);
        assert_true(fabs(reading.voltage_V - 9.5) < 1e-9);
    }
}

/* It was asked for first, and the load may take its time. */
static void the_temperature_is_as_old_as_its_question(void **state)
{
    struct rig *r = *state;
    struct stand_health health;
    struct reading reading;
    struct err temperature_error;
    assert_true(stand_bring_up(r->stand, &health, &r->e));
    int64_t before_ns = clock_real_ns();
    assert_true(stand_read(r->stand, STAND_DISCHARGES, &reading, &temperature_error, &r->e));
    double took_s = (double)(clock_real_ns() - before_ns) / (double)NS_PER_S;
    assert_true(reading.temperature_age_s > 0 && reading.temperature_age_s <= took_s);
}

/* --- the clock --- */

struct control {
    int listener;
    const char *greeting;
    const char *skip_answer;
    const char *taken, *by; /* after the greeting, which has no end yet; NULL: nothing */
    char heard[512];
    pthread_t thread;
};

static void wait_until_read(int fd)
{
    int unread = 1;
    for (int tries = 0; unread > 0; tries++) {
        assert_true(tries < 2000);
        assert_int_equal(ioctl(fd, SIOCOUTQ, &unread), 0);
        usleep(unread > 0 ? 5000 : 0);
    }
}

/* The name is taken by another device once the line that has it is understood, as it is when the
 * next one has been read, and before the last. */
static void take_name(const struct control *c, FILE *out)
{
    static const char next[] = "serves /nowhere/at-all place-9\n";
    wait_until_read(fileno(out));
    fputs(next, out);
    fflush(out);
    wait_until_read(fileno(out));
    assert_int_equal((c->by != NULL ? symlink(c->by, c->taken) : mkdir(c->taken, 0700)), 0);
    fputs("end\n", out);
    fflush(out);
}

static void *control_thread(void *arg)
{
    struct control *c = arg;
    char line[128];
    int fd = accept(c->listener, NULL, NULL);
    FILE *in = fdopen(fd, "r+");
    while (in != NULL && fgets(line, sizeof line, in) != NULL) {
        const char *answer = strcmp(line, "hello\n") == 0 ? c->greeting : c->skip_answer;
        strncat(c->heard, line, sizeof c->heard - strlen(c->heard) - 1);
        if (answer == NULL) {
            break;
        }
        fputs(answer, in);
        fflush(in);
        if (c->taken != NULL && answer == c->greeting) {
            take_name(c, in);
        }
        fseek(in, 0, SEEK_CUR);
    }
    if (in != NULL) {
        fclose(in);
    }
    return NULL;
}

static void control_start(struct control *c, const struct rig *r)
{
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    text_format(a.sun_path, sizeof a.sun_path, "%s/control", r->folder);
    c->listener = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_int_equal(bind(c->listener, (struct sockaddr *)&a, sizeof a), 0);
    assert_int_equal(listen(c->listener, 1), 0);
    assert_int_equal(pthread_create(&c->thread, NULL, control_thread, c), 0);
}

static void control_stop(struct control *c)
{
    pthread_join(c->thread, NULL);
    close(c->listener);
}

static void greeting_of(const struct rig *r, int count, char *out, size_t size)
{
    text_format(out, size, "ok speed 1000\n");
    for (int i = 0; i < count; i++) {
        size_t n = strlen(out);
        text_format(out + n, size - n, "serves %s place-%d\n", r->fakes[i].path, i);
    }
    size_t n = strlen(out);
    text_format(out + n, size - n, "end\n");
}

static void with_real_instruments_time_is_real(void **state)
{
    struct rig *r = *state;
    struct clock *c = NULL;
    double speed = 0;
    assert_true(bench_clock(r->bench, &c, &speed, &r->e));
    assert_true(speed == 1 && clock_speed(c) == 1);
    clock_free(c);
}

static void a_virtual_bench_follows_the_clock(void **state)
{
    struct rig *r = *state;
    struct clock *c = NULL;
    char greeting[512];
    double speed = 0;
    bench_free(r->bench);
    load_bench(r, "virtual: control\n");
    greeting_of(r, 4, greeting, sizeof greeting);
    struct control control = {.greeting = greeting, .skip_answer = "ok\n"};
    control_start(&control, r);
    if (!bench_clock(r->bench, &c, &speed, &r->e)) {
        fail_msg("%s", r->e.text);
    }
    assert_true(speed == 1000 && clock_speed(c) == 1000);
    clock_join(c);
    int64_t before_ns = clock_now_ns(c), real_ns = clock_real_ns();
    assert_true(clock_wait_until(c, before_ns + 60 * NS_PER_S, -1));
    assert_true(clock_now_ns(c) - before_ns >= 60 * NS_PER_S);
    assert_true(clock_real_ns() - real_ns < 10 * NS_PER_S);
    clock_leave(c);
    clock_free(c);
    bench_free(r->bench);
    r->bench = NULL;
    control_stop(&control);
    long long skipped_ns = 0;
    assert_int_equal(sscanf(control.heard, "hello\nskip %lld\n", &skipped_ns), 1);
    assert_true(skipped_ns > 55 * NS_PER_S && skipped_ns <= 60 * NS_PER_S);
}

/* When the virtual bench dies, time goes on at its real pace. */
static void a_dead_follower_ends_the_haste(void **state)
{
    struct rig *r = *state;
    struct clock *c = NULL;
    char greeting[512];
    double speed = 0;
    bench_free(r->bench);
    load_bench(r, "virtual: control\n");
    greeting_of(r, 4, greeting, sizeof greeting);
    struct control control = {.greeting = greeting, .skip_answer = NULL};
    control_start(&control, r);
    assert_true(bench_clock(r->bench, &c, &speed, &r->e));
    clock_join(c);
    int64_t real_ns = clock_real_ns();
    assert_true(clock_wait_until(c, clock_now_ns(c) + 500 * NS_PER_MS, -1));
    assert_true(clock_real_ns() - real_ns >= 490 * NS_PER_MS);
    clock_leave(c);
    clock_free(c);
    control_stop(&control);
}

static void time_never_runs_fast_for_a_strange_instrument(void **state)
{
    struct rig *r = *state;
    struct clock *c = NULL;
    char greeting[512], wanted[64];
    double speed = 0;
    bench_free(r->bench);
    load_bench(r, "virtual: control\n");
    greeting_of(r, 3, greeting, sizeof greeting); /* not the thermometer */
    struct control control = {.greeting = greeting, .skip_answer = "ok\n"};
    control_start(&control, r);
    assert_false(bench_clock(r->bench, &c, &speed, &r->e));
    assert_int_equal(r->e.code, ERR_CONFIG);
    assert_null(c);
    text_format(wanted, sizeof wanted, "jetty thermometer on tty:%s", r->fakes[3].path);
    assert_non_null(strstr(r->e.text, wanted));
    assert_non_null(strstr(r->e.text, "time may run fast only for instruments of the virtual "
                                      "bench"));
    control_stop(&control);
}

/* An instrument that is unplugged when the daemon starts is as absent as a real one: known by
 * its name, also by another way to its folder. */
static void an_unplugged_instrument_is_known_by_its_name(void **state)
{
    struct rig *r = *state;
    static const struct {
        const char *served, *wanted;
    } by_name[] = {{"thermometer-1", "thermometer-1"},
                   {"thermometer-1", "./thermometer-1"},
                   {"thermometer-1", "thermometer-2"},
                   {"thermometer-1", "nowhere/thermometer-1"}};
    for (size_t i = 0; i < sizeof by_name / sizeof by_name[0]; i++) {
        struct clock *c = NULL;
        char greeting[512], path[128];
        double speed = 0;
        bench_free(r->bench);
        text_format(r->fakes[3].path, sizeof r->fakes[3].path, "%s", by_name[i].wanted);
        load_bench(r, "virtual: control\n");
        text_format(r->fakes[3].path, sizeof r->fakes[3].path, "%s/%s", r->folder,
                    by_name[i].served);
        greeting_of(r, 4, greeting, sizeof greeting);
        struct control control = {.greeting = greeting, .skip_answer = "ok\n"};
        control_start(&control, r);
        assert_int_equal(bench_clock(r->bench, &c, &speed, &r->e), i < 2);
        bench_free(r->bench);
        r->bench = NULL;
        clock_free(c);
        control_stop(&control);
        text_format(path, sizeof path, "%s/control", r->folder);
        unlink(path);
    }
}

/* Between what the virtual bench tells and our look, another device may get the name of one that
 * was unplugged: it may be a real one, and time must not run fast for it. */
static void a_name_that_another_device_takes_is_strange(void **state)
{
    struct rig *r = *state;
    static const char *const devices[] = {"/dev/null", NULL};
    for (size_t i = 0; i < 2; i++) {
        struct clock *c = NULL;
        char greeting[512], thermometer[64], path[128];
        double speed = 0;
        text_format(thermometer, sizeof thermometer, "%s/thermometer-1", r->folder);
        text_format(r->fakes[3].path, sizeof r->fakes[3].path, "%s", thermometer);
        bench_free(r->bench);
        load_bench(r, "virtual: control\n");
        greeting_of(r, 4, greeting, sizeof greeting);
        *strstr(greeting, "end\n") = '\0';
        struct control control = {.greeting = greeting, .taken = thermometer, .by = devices[i]};
        control_start(&control, r);
        assert_false(bench_clock(r->bench, &c, &speed, &r->e));
        assert_non_null(strstr(r->e.text, "is not one of its instruments"));
        control_stop(&control);
        assert_int_equal(remove(thermometer), 0);
        text_format(path, sizeof path, "%s/control", r->folder);
        unlink(path);
    }
}

static void rubbish_is_no_virtual_bench(void **state)
{
    struct rig *r = *state;
    static const char *const greetings[] = {"hello\n",
                                            "ok speed fast\n",
                                            "ok speed 0.5\n",
                                            "ok speed 2\nno\n",
                                            "ok speed 2\nserves nothing\n",
                                            "ok speed 1e9\nend\n"};
    for (size_t i = 0; i < sizeof greetings / sizeof greetings[0]; i++) {
        struct clock *c = NULL;
        double speed = 0;
        char path[128];
        bench_free(r->bench);
        load_bench(r, "virtual: control\n");
        struct control control = {.greeting = greetings[i], .skip_answer = "ok\n"};
        control_start(&control, r);
        assert_false(bench_clock(r->bench, &c, &speed, &r->e));
        assert_int_equal(r->e.code, ERR_BAD_REPLY);
        control_stop(&control);
        text_format(path, sizeof path, "%s/control", r->folder);
        unlink(path);
    }
}

static void no_virtual_bench_says_so(void **state)
{
    struct rig *r = *state;
    struct clock *c = NULL;
    double speed = 0;
    bench_free(r->bench);
    load_bench(r, "virtual: control\n");
    assert_false(bench_clock(r->bench, &c, &speed, &r->e));
    assert_int_equal(r->e.code, ERR_CONFIG);
    assert_non_null(strstr(r->e.text, "is ampledger-virtual running?"));
}

#define rig_test(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        rig_test(comes_up_off_and_known),
        rig_test(goes_through_all_when_one_fails),
        rig_test(the_output_that_is_on_is_named),
        rig_test(every_output_is_told_off_at_once),
        rig_test(no_output_waits_for_another),
        rig_test(silent_ones_are_tried_in_turn),
        rig_test(two_silent_ones_take_no_longer_than_one),
        rig_test(who_is_confirmed_is_asked_no_more),
        rig_test(safe_means_all_of_them),
        rig_test(reads_from_the_sources_in_use),
        rig_test(a_silent_thermometer_spoils_no_sample),
        rig_test(a_silent_meter_does),
        rig_test(the_meter_is_asked_before_the_load_has_answered),
        rig_test(an_answer_that_nobody_took_is_not_the_next_ones),
        rig_test(the_temperature_is_as_old_as_its_question),
        rig_test(with_real_instruments_time_is_real),
        rig_test(a_virtual_bench_follows_the_clock),
        rig_test(a_dead_follower_ends_the_haste),
        rig_test(time_never_runs_fast_for_a_strange_instrument),
        rig_test(an_unplugged_instrument_is_known_by_its_name),
        rig_test(a_name_that_another_device_takes_is_strange),
        rig_test(rubbish_is_no_virtual_bench),
        rig_test(no_virtual_bench_says_so),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
