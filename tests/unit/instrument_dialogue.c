/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the verbs against a fake load on a pseudo-terminal: obeying,
 * disobeying, silent and babbling; and of thermometers that print or are files. */
#include "base/clock.h"
#include "base/file.h"
#include "fake_load.h"
#include "instrument/instrument.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/eventfd.h>

#include <cmocka.h>

static const char load_text[] =
    "driver: Fake load\nrole: load\nprotocol: scpi\n"
    "identity: {ask: \"*IDN?\", match: \"LAKE,*\"}\n"
    "link: {reply_within: 250 ms, resync: identity}\n"
    "settle: 10 ms\n"
    "ratings: {current: 30 A, voltage: 60 V}\n"
    "accuracy: {current: {offset: 10 mA, resolution: 1 mA}, voltage: {resolution: 1 mV}}\n"
    "verbs:\n"
    "  remote: \"SYST:REM\"\n"
    "  prepare: [\"INP OFF\", \"FUNC CURR\"]\n"
    "  set_current: \"CURR {A:.4f}\"\n"
    "  on: \"INP ON\"\n"
    "  off: \"INP OFF\"\n"
    "  under_voltage: \"VOLT:UND {V:.3f}\"\n"
    "questions: {state: \"INP?\", set_current: \"CURR?\", under_voltage: \"VOLT:UND?\"}\n"
    "read: {ask: \"MEAS:VOLT?;CURR?\", gives: [voltage, current]}\n"
    "errors: \"SYST:ERR?\"\n";

struct rig {
    struct fake_load fake;
    struct driver *driver;
    struct instrument *instrument;
    char address[96];
    struct err e;
};

static struct driver *driver_of(const char *text)
{
    struct driver *d = NULL;
    struct err e = {0};
    if (!driver_load_text("fake.yaml", text, strlen(text), &d, &e)) {
        fail_msg("%s", e.text);
    }
    d->scpi.late_ms = 300; /* a test does not wait five seconds for late answers */
    return d;
}

static struct instrument *instrument_of(struct rig *r, const char *identity)
{
    const struct instrument_config c = {.name = "jetty load",
                                        .driver = r->driver,
                                        .link = r->address,
                                        .settings = link_settings_default(),
                                        .identity = identity};
    return instrument_new(&c);
}

static int set_up(void **state)
{
    struct rig *r = zalloc(sizeof *r);
    fake_init(&r->fake);
    text_format(r->address, sizeof r->address, "tty:%s", r->fake.path);
    r->driver = driver_of(load_text);
    r->instrument = instrument_of(r, "");
    *state = r;
    return 0;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    instrument_free(r->instrument);
    driver_free(r->driver);
    fake_stop(&r->fake);
    free(r);
    return 0;
}

/* The message without the address, which differs each time. */
static void assert_says(const struct rig *r, const char *wanted)
{
    char whole[ERR_TEXT_SIZE];
    text_format(whole, sizeof whole, "jetty load on %s: %s", r->address, wanted);
    assert_string_equal(r->e.text, whole);
}

static void up(struct rig *r)
{
    if (!instrument_open(r->instrument, &r->e) || !instrument_identify(r->instrument, &r->e) ||
        !instrument_prepare(r->instrument, &r->e)) {
        fail_msg("%s", r->e.text);
    }
}

static void obeys_from_up_to_off(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    bool on = false;
    int programmed = 0;
    const struct instrument_protection p = {11.2, NAN, 12};
    up(r);
    assert_string_equal(instrument_identity(r->instrument), "LAKE,L-1,0001,1.0");
    assert_string_equal(instrument_device(r->instrument), r->fake.path);
    assert_true(instrument_protect(r->instrument, &p, &programmed, &r->e));
    assert_int_equal(programmed, 1); /* the driver knows of no over-current protection */
    double under_V = 0;
    fake_do(&r->fake, under_V = r->fake.under_V);
    assert_true(fabs(under_V - 11.2) < 1e-9);
    assert_true(instrument_set_current(r->instrument, 10, &r->e));
    assert_true(instrument_on(r->instrument, &r->e));
    assert_true(instrument_is_on(r->instrument, &on, &r->e) && on);
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    assert_true(fabs(reading.voltage_V - 13.2) < 1e-9);
    assert_true(fabs(reading.current_A + 10) < 1e-9); /* out of the battery */
    assert_true(isnan(reading.temperature_C));
    assert_true(instrument_make_safe(r->instrument, 3, &r->e));
    assert_false(fake_is_on(&r->fake));
}

/* Remote before identity; the error queue is emptied before anything is
 * prepared, and looked at after each line. */
static void speaks_in_order(void **state)
{
    struct rig *r = *state;
    fake_do(&r->fake, r->fake.errors = 1); /* left over from before */
    up(r);
    assert_non_null(strstr(fake_heard(&r->fake), "SYST:REM|*IDN?|"));
    assert_non_null(
        strstr(fake_heard(&r->fake), "SYST:ERR?|SYST:ERR?|INP OFF|SYST:ERR?|FUNC CURR|SYST:ERR?|"));
    fake_do(&r->fake, r->fake.log[0] = '\0');
    assert_true(instrument_set_current(r->instrument, 2.5, &r->e));
    assert_string_equal(fake_heard(&r->fake), "CURR 2.5000|SYST:ERR?|CURR?|");
}

static void one_question_for_one_reading(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    up(r);
    fake_do(&r->fake, r->fake.log[0] = '\0');
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    assert_string_equal(fake_heard(&r->fake), "MEAS:VOLT?;CURR?|");
}

static void a_wrong_setting_is_noticed(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.wrong_set = true);
    assert_false(instrument_set_current(r->instrument, 10, &r->e));
    assert_int_equal(r->e.code, ERR_INSTRUMENT);
    assert_says(r, "set current 10.0000 A: read back 9.0000 A");
    const struct instrument_protection p = {11.0, NAN, NAN};
    int programmed = 0;
    assert_false(instrument_protect(r->instrument, &p, &programmed, &r->e));
    assert_says(r, "set its under-voltage protection 11.0000 V: read back 9.9000 V");
    assert_int_equal(programmed, 0);
}

static void read_back_forgives_resolution_only(void **state)
{
    struct rig *r = *state;
    up(r);
    assert_true(instrument_set_current(r->instrument, 0.01, &r->e));
    fake_do(&r->fake, r->fake.wrong_set = true); /* 0.9: 1.0 mA less of 10 mA, one step */
    assert_true(instrument_set_current(r->instrument, 0.010, &r->e));
    assert_false(instrument_set_current(r->instrument, 0.011, &r->e));
}

static void the_instruments_errors_are_told(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.error_on_set = true);
    assert_false(instrument_set_current(r->instrument, 10, &r->e));
    assert_int_equal(r->e.code, ERR_INSTRUMENT);
    assert_non_null(strstr(r->e.text, "set current 10.0000 A"));
    assert_non_null(strstr(r->e.text, "-222 \"Data out of range\""));
}

static void refuses_what_is_above_the_rating(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.log[0] = '\0');
    assert_false(instrument_set_current(r->instrument, 30.5, &r->e));
    assert_int_equal(r->e.code, ERR_REFUSED);
    assert_says(r, "set current 30.5000 A: above its rating of 30 A");
    assert_false(instrument_set_current(r->instrument, -1, &r->e));
    assert_false(instrument_set_current(r->instrument, NAN, &r->e));
    assert_string_equal(fake_heard(&r->fake), ""); /* and sends nothing */
}

static void on_is_read_back(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.stays_off = true);
    assert_false(instrument_on(r->instrument, &r->e));
    assert_int_equal(r->e.code, ERR_INSTRUMENT);
    assert_says(r, "switch on: it still says off: look at its display for what holds it back");
}

static void another_identity_is_refused(void **state)
{
    struct rig *r = *state;
    fake_do(&r->fake, strcpy(r->fake.identity, "SHORE,L-1,0001,1.0"));
    assert_true(instrument_open(r->instrument, &r->e));
    assert_false(instrument_identify(r->instrument, &r->e));
    assert_int_equal(r->e.code, ERR_INSTRUMENT);
    assert_says(r, "identify: it is \"SHORE,L-1,0001,1.0\", and driver fake is for \"LAKE,*\": "
                   "another instrument is on this link, or another driver is wanted");
    assert_string_equal(instrument_identity(r->instrument), "");
}

static void the_bench_may_expect_one_serial_number(void **state)
{
    struct rig *r = *state;
    struct instrument *i = instrument_of(r, "*,0002,*");
    assert_true(instrument_open(i, &r->e));
    assert_false(instrument_identify(i, &r->e));
    assert_says(r, "identify: it is \"LAKE,L-1,0001,1.0\", and the bench expects \"*,0002,*\": are "
                   "two cables swapped?");
    instrument_free(i);
}

static void an_exchanged_instrument_is_noticed(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, strcpy(r->fake.identity, "LAKE,L-1,0002,1.0"));
    assert_false(instrument_identify(r->instrument, &r->e));
    assert_int_equal(r->e.code, ERR_INSTRUMENT);
    assert_says(r, "identify: it is \"LAKE,L-1,0002,1.0\", and \"LAKE,L-1,0001,1.0\" belongs "
                   "here: wire that one back");
    assert_string_equal(instrument_identity(r->instrument), "LAKE,L-1,0001,1.0");
}

static void one_known_from_before_is_expected(void **state)
{
    struct rig *r = *state;
    instrument_expect(r->instrument, "LAKE,L-1,0002,1.0",
                      "ampledger clear jetty --accept-instruments");
    assert_true(instrument_open(r->instrument, &r->e));
    assert_false(instrument_identify(r->instrument, &r->e));
    assert_says(r, "identify: it is \"LAKE,L-1,0001,1.0\", and \"LAKE,L-1,0002,1.0\" belongs "
                   "here: wire that one back; or, if it was replaced: ampledger clear jetty "
                   "--accept-instruments");
    assert_string_equal(instrument_identity(r->instrument), ""); /* it does not count */
    instrument_expect(r->instrument, "", "");
    assert_true(instrument_identify(r->instrument, &r->e));
    assert_string_equal(instrument_expected(r->instrument), "LAKE,L-1,0001,1.0");
}

/* Whoever writes another serial number into bench.yaml has replaced it. */
static void the_bench_file_overrules_what_was_known(void **state)
{
    struct rig *r = *state;
    struct instrument *i = instrument_of(r, "*,0001,*");
    instrument_expect(i, "LAKE,L-1,0002,1.0", "");
    assert_true(instrument_open(i, &r->e));
    assert_true(instrument_identify(i, &r->e));
    instrument_free(i);
    /* A pattern that both fit says nothing of the sort. */
    i = instrument_of(r, "LAKE,*");
    instrument_expect(i, "LAKE,L-1,0002,1.0", "");
    assert_true(instrument_open(i, &r->e));
    assert_false(instrument_identify(i, &r->e));
    instrument_free(i);
}

/* Somebody locked the front panel in another mode: it takes the choice without a word. */
static void another_mode_is_noticed(void **state)
{
    struct rig *r = *state;
    strcpy(r->driver->mode_query, "FUNC?");
    strcpy(r->driver->mode[HOLD_CURRENT].match, "CURR*");
    up(r);
    assert_non_null(strstr(fake_heard(&r->fake), "FUNC CURR|SYST:ERR?|FUNC?|"));
    fake_do(&r->fake, r->fake.mode = "VOLT");
    assert_false(instrument_prepare(r->instrument, &r->e));
    assert_int_equal(r->e.code, ERR_INSTRUMENT);
    assert_says(r, "prepare: its mode reads back as \"VOLT\", \"CURR*\" is wanted: look whether "
                   "its front panel or a menu locks the mode");
    /* And again before it goes on: hours of rest may lie between. */
    assert_false(instrument_on(r->instrument, &r->e));
    assert_false(fake_is_on(&r->fake));
    assert_null(strstr(fake_heard(&r->fake), "INP ON"));
    fake_do(&r->fake, r->fake.mode = "CURRENT");
    assert_true(instrument_on(r->instrument, &r->e));
}

/* A measuring range that is not the one thought of: noticed before anything flows. */
static void another_range_is_noticed(void **state)
{
    struct rig *r = *state;
    r->driver->check_count = 2;
    r->driver->check[0] = (struct driver_check){"CURR?", "0.0000"};
    r->driver->check[1] = (struct driver_check){"VOLT:UND?", "10.5*"};
    fake_do(&r->fake, r->fake.under_V = 10.5);
    up(r);
    fake_do(&r->fake, r->fake.under_V = 11);
    assert_false(instrument_on(r->instrument, &r->e));
    assert_int_equal(r->e.code, ERR_INSTRUMENT);
    assert_says(r,
                "switch on: VOLT:UND? answers \"11.0000\", \"10.5*\" is wanted: set it so at its "
                "front panel, or with the verb prepare of driver fake");
    assert_false(instrument_prepare(r->instrument, &r->e));
    assert_null(strstr(fake_heard(&r->fake), "INP ON"));
    /* By value: as it writes its numbers does not matter. */
    strcpy(r->driver->check[1].match, "11");
    assert_true(instrument_on(r->instrument, &r->e));
    strcpy(r->driver->check[1].match, "11.1");
    assert_false(instrument_on(r->instrument, &r->e));
}

/* --- off --- */

/* A message is whole by itself: an end of line before it would be an empty one. */
static void off_by_messages_begins_with_off(void **state)
{
    struct rig *r = *state;
    char bytes[200];
    size_t n = 0;
    assert_true(instrument_off_bytes(r->instrument, bytes, sizeof bytes, &n, &r->e));
    assert_string_equal(bytes, "\nSYST:REM\nINP OFF\n");
    text_format(r->address, sizeof r->address, "usbtmc:/dev/usbtmc0");
    struct instrument *i = instrument_of(r, "");
    assert_true(instrument_off_bytes(i, bytes, sizeof bytes, &n, &r->e));
    assert_string_equal(bytes, "SYST:REM\nINP OFF\n");
    instrument_free(i);
}

static void off_needs_no_memory_and_opens_the_link(void **state)
{
    struct rig *r = *state;
    fake_do(&r->fake, r->fake.on = true);
    fake_do(&r->fake, r->fake.set_A = 5);
    assert_false(instrument_is_open(r->instrument));
    assert_true(instrument_make_safe(r->instrument, 1, &r->e));
    assert_false(fake_is_on(&r->fake));
    /* off went out before anything was asked */
    assert_true(strncmp(fake_heard(&r->fake), "|SYST:REM|INP OFF|", 18) == 0);
    assert_true(instrument_make_safe(r->instrument, 1, &r->e)); /* and again */
}

static void off_is_tried_until_it_holds(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.on = true);
    fake_do(&r->fake, r->fake.set_A = 5);
    fake_do(&r->fake, r->fake.deaf_offs = 2);
    assert_true(instrument_make_safe(r->instrument, 3, &r->e));
    assert_false(fake_is_on(&r->fake));
}

static void one_that_stays_on_is_an_alarm(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.on = true);
    fake_do(&r->fake, r->fake.stays_on = true);
    fake_do(&r->fake, r->fake.set_A = 5);
    assert_false(instrument_make_safe(r->instrument, 2, &r->e));
    assert_int_equal(r->e.code, ERR_INSTRUMENT);
    assert_says(r, "not confirmed off after 2 tries, disconnect the battery by hand: it still says "
                   "on, with -5.000 A");
}

/* It says off, but does not do it: the state alone proves nothing. */
static void current_counts_as_well_as_state(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.leaks = true);
    fake_do(&r->fake, r->fake.set_A = 0.031); /* 3 x the offset of 10 mA is 0.030 A */
    assert_false(instrument_make_safe(r->instrument, 1, &r->e));
    assert_says(r,
                "not confirmed off after 1 try, disconnect the battery by hand: it says off, but "
                "-0.031 A still flows (less than 0.030 A would be none)");
    fake_do(&r->fake, r->fake.set_A = 0.029);
    assert_true(instrument_make_safe(r->instrument, 1, &r->e));
}

static void a_silent_one_is_told_off_and_an_alarm(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.on = true);
    fake_do(&r->fake, r->fake.silent = true);
    assert_false(instrument_make_safe(r->instrument, 2, &r->e));
    assert_int_equal(r->e.code, ERR_TIMEOUT);
    assert_non_null(strstr(r->e.text, "not confirmed off after 2 tries"));
    assert_false(fake_is_on(&r->fake)); /* the blind line was obeyed */
    fake_do(&r->fake, r->fake.silent = false);
    assert_true(instrument_make_safe(r->instrument, 1, &r->e));
}

static void babbling_is_no_confirmation(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.on = true);
    fake_do(&r->fake, r->fake.babbling = true);
    assert_false(instrument_make_safe(r->instrument, 1, &r->e));
    assert_false(fake_is_on(&r->fake));
    fake_do(&r->fake, r->fake.babbling = false);
    assert_true(instrument_make_safe(r->instrument, 1, &r->e));
}

static void the_wake_descriptor_does_not_stop_off(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    int wake = eventfd(1, EFD_CLOEXEC);
    up(r);
    fake_do(&r->fake, r->fake.on = true);
    instrument_set_wake(r->instrument, wake);
    assert_true(instrument_make_safe(r->instrument, 1, &r->e));
    assert_false(fake_is_on(&r->fake));
    /* while everything else is interrupted */
    assert_false(instrument_read(r->instrument, &reading, &r->e));
    assert_int_equal(r->e.code, ERR_INTERRUPTED);
    instrument_set_wake(r->instrument, -1);
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    /* nor when it must open the link first */
    instrument_set_wake(r->instrument, wake);
    instrument_close(r->instrument);
    assert_true(instrument_make_safe(r->instrument, 1, &r->e));
    close(wake);
}

/* What the blind lines were answered with is not laid to the next command. */
static void off_leaves_no_errors_behind(void **state)
{
    struct rig *r = *state;
    up(r);
    fake_do(&r->fake, r->fake.errors = 2);
    assert_true(instrument_make_safe(r->instrument, 1, &r->e));
    assert_true(instrument_set_current(r->instrument, 1, &r->e));
}

static void blind_off_awaits_nothing(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    fake_do(&r->fake, r->fake.on = true);
    fake_do(&r->fake, r->fake.silent = true);
    instrument_send_off(r->instrument);
    fake_do(&r->fake, r->fake.silent = false);
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    assert_false(fake_is_on(&r->fake));
}

/* --- reading --- */

static void the_sign_is_the_houses(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    char text[sizeof load_text + 64];
    text_format(text, sizeof text, "%scurrent_reported: positive-when-sourcing\n", load_text);
    driver_free(r->driver);
    r->driver = driver_of(text);
    instrument_free(r->instrument);
    r->instrument = instrument_of(r, "");
    up(r);
    fake_do(&r->fake,
            r->fake.counts_negative = true); /* -4 A: it sources -4 A, so it drains the battery */
    assert_true(instrument_set_current(r->instrument, 4, &r->e));
    assert_true(instrument_on(r->instrument, &r->e));
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    assert_true(fabs(reading.current_A + 4) < 1e-9);
}

static void no_current_has_no_sign(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    up(r);
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    assert_true(reading.current_A == 0 && !signbit(reading.current_A));
}

static void over_range_is_no_reading(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    up(r);
    fake_do(&r->fake, r->fake.over_range = true);
    assert_false(instrument_read(r->instrument, &reading, &r->e));
    assert_int_equal(r->e.code, ERR_BAD_REPLY);
    fake_do(&r->fake, r->fake.over_range = false);
    assert_true(instrument_read(r->instrument, &reading, &r->e));
}

static void silence_is_a_timeout(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    up(r);
    fake_do(&r->fake, r->fake.silent = true);
    assert_false(instrument_read(r->instrument, &reading, &r->e));
    assert_int_equal(r->e.code, ERR_TIMEOUT);
    assert_non_null(strstr(r->e.text, "read: MEAS:VOLT?;CURR?"));
    assert_true(instrument_is_open(r->instrument));
}

static void a_closed_one_says_so(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    assert_false(instrument_read(r->instrument, &reading, &r->e));
    assert_int_equal(r->e.code, ERR_LINK_LOST);
    assert_says(r, "read: the link is not open");
    assert_false(instrument_set_current(r->instrument, 1, &r->e));
    assert_false(instrument_on(r->instrument, NULL)); /* who does not care gives no error */
}

/* A port that goes away closes itself, so that the next opening starts anew. */
static void unplugged(void **state)
{
    (void)state;
    struct rig r = {0};
    struct reading reading;
    fake_init(&r.fake);
    text_format(r.address, sizeof r.address, "tty:%s", r.fake.path);
    r.driver = driver_of(load_text);
    r.instrument = instrument_of(&r, "");
    up(&r);
    fake_stop(&r.fake);
    assert_false(instrument_read(r.instrument, &reading, &r.e));
    assert_int_equal(r.e.code, ERR_LINK_LOST);
    assert_false(instrument_is_open(r.instrument));
    assert_false(instrument_make_safe(r.instrument, 2, &r.e));
    assert_int_equal(r.e.code, ERR_LINK_LOST);
    assert_non_null(strstr(r.e.text, "cannot be reached"));
    instrument_free(r.instrument);
    driver_free(r.driver);
}

/* --- thermometers --- */

static const char printing_text[] = "driver: Prints\nrole: thermometer\nprotocol: lines\n"
                                    "link: {reply_within: 200 ms}\n"
                                    "read: {pattern: \"T={} C\", gives: [temperature]}\n";

static void print(struct rig *r, const char *text)
{
    size_t n = strlen(text);
    assert_int_equal(write(r->fake.master, text, n), n);
}

static void reading_of_printed_lines(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    driver_free(r->driver);
    r->driver = driver_of(printing_text);
    instrument_free(r->instrument);
    r->instrument = instrument_of(r, "");
    assert_true(instrument_make_safe(r->instrument, 1, &r->e)); /* nothing to switch off */
    assert_false(instrument_is_open(r->instrument));
    assert_true(instrument_open(r->instrument, &r->e));
    assert_true(instrument_identify(r->instrument, &r->e));
    assert_true(instrument_prepare(r->instrument, &r->e));
    print(r, ".37 C\nT=20.00 C\nT=21.50 C\nT=2");
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    assert_true(fabs(reading.temperature_C - 21.5) < 1e-9); /* the newest whole one */
    assert_true(isnan(reading.voltage_V) && isnan(reading.current_A));
    print(r, "2.00 C\n");
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    assert_true(fabs(reading.temperature_C - 22.0) < 1e-9);
    int64_t found_ns = clock_real_ns();
    struct clock *c = clock_new_real();
    clock_wait_until(c, clock_now_ns(c) + 50 * NS_PER_MS, -1);
    clock_free(c);
    assert_true(instrument_read(r->instrument, &reading, &r->e)); /* still young */
    assert_true(fabs(reading.temperature_C - 22.0) < 1e-9);
    /* but as old as it is, not new with each reading */
    double since_s = (double)(clock_real_ns() - found_ns) / (double)NS_PER_S;
    assert_true(reading.temperature_age_s >= 0.05 && reading.temperature_age_s < since_s + 0.05);
    print(r, "T=22.10 C\n");
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    assert_true(reading.temperature_age_s < 0.05);
}

static void old_lines_are_no_readings(void **state)
{
    struct rig *r = *state;
    struct reading reading;
    driver_free(r->driver);
    r->driver = driver_of(printing_text);
    instrument_free(r->instrument);
    r->instrument = instrument_of(r, "");
    assert_true(instrument_open(r->instrument, &r->e));
    assert_false(instrument_read(r->instrument, &reading, &r->e));
    assert_int_equal(r->e.code, ERR_TIMEOUT);
    assert_says(r, "read: no line like \"T={} C\" came within 200 ms");
    print(r, "T=21.50 C\n");
    assert_true(instrument_read(r->instrument, &reading, &r->e));
    struct clock *c = clock_new_real();
    clock_wait_until(c, clock_now_ns(c) + 300 * NS_PER_MS, -1);
    clock_free(c);
    print(r, "humidity 40 %\n"); /* something came, but no reading */
    assert_false(instrument_read(r->instrument, &reading, &r->e));
    assert_int_equal(r->e.code, ERR_TIMEOUT);
    assert_true(isnan(reading.temperature_C));
    print(r, "T=21.60 C\n");
    assert_true(instrument_read(r->instrument, &reading, &r->e));
}

static void write_text(const char *path, const char *text)
{
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

static void reading_of_a_file(void **state)
{
    (void)state;
    struct rig r = {0};
    struct reading reading;
    char path[] = "/tmp/ampledger-temp-XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    close(fd);
    text_format(r.address, sizeof r.address, "file:%s", path);
    r.driver = driver_of("driver: File\nrole: thermometer\nprotocol: file\n"
                         "read: {scale: 0.001, gives: [temperature]}\n");
    r.instrument = instrument_of(&r, "");
    write_text(path, "21375\n");
    assert_true(instrument_open(r.instrument, &r.e));
    assert_string_equal(instrument_device(r.instrument), path);
    assert_true(instrument_identify(r.instrument, &r.e));
    assert_true(instrument_read(r.instrument, &reading, &r.e));
    assert_true(fabs(reading.temperature_C - 21.375) < 1e-9);
    write_text(path, "warm\n");
    assert_false(instrument_read(r.instrument, &reading, &r.e));
    assert_int_equal(r.e.code, ERR_BAD_REPLY);
    assert_true(isnan(reading.temperature_C));
    unlink(path);
    assert_false(instrument_read(r.instrument, &reading, &r.e));
    assert_int_equal(r.e.code, ERR_LINK_LOST);
    assert_false(instrument_is_open(r.instrument));
    instrument_free(r.instrument);
    driver_free(r.driver);
}

#define rig_test(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        rig_test(obeys_from_up_to_off),
        rig_test(speaks_in_order),
        rig_test(one_question_for_one_reading),
        rig_test(a_wrong_setting_is_noticed),
        rig_test(read_back_forgives_resolution_only),
        rig_test(the_instruments_errors_are_told),
        rig_test(refuses_what_is_above_the_rating),
        rig_test(on_is_read_back),
        rig_test(another_identity_is_refused),
        rig_test(the_bench_may_expect_one_serial_number),
        rig_test(an_exchanged_instrument_is_noticed),
        rig_test(one_known_from_before_is_expected),
        rig_test(the_bench_file_overrules_what_was_known),
        rig_test(another_mode_is_noticed),
        rig_test(another_range_is_noticed),
        rig_test(off_by_messages_begins_with_off),
        rig_test(off_needs_no_memory_and_opens_the_link),
        rig_test(off_is_tried_until_it_holds),
        rig_test(one_that_stays_on_is_an_alarm),
        rig_test(current_counts_as_well_as_state),
        rig_test(a_silent_one_is_told_off_and_an_alarm),
        rig_test(babbling_is_no_confirmation),
        rig_test(the_wake_descriptor_does_not_stop_off),
        rig_test(off_leaves_no_errors_behind),
        rig_test(blind_off_awaits_nothing),
        rig_test(the_sign_is_the_houses),
        rig_test(no_current_has_no_sign),
        rig_test(over_range_is_no_reading),
        rig_test(silence_is_a_timeout),
        rig_test(a_closed_one_says_so),
        cmocka_unit_test(unplugged),
        rig_test(reading_of_printed_lines),
        rig_test(old_lines_are_no_readings),
        cmocka_unit_test(reading_of_a_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
