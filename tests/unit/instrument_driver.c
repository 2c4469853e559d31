/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of driver files: what is read, what is refused and in which words, how
 * lines are filled, and that every shipped driver loads. */
#include "base/file.h"
#include "instrument/driver.h"
#include "instrument/driver_line.h"

#include <dirent.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define LOAD_HEAD "driver: Load of the test\nrole: load\nprotocol: scpi\n"
#define LOAD_VERBS "verbs: {set_current: \"CURR {A:.3f}\", on: \"INP ON\", off: \"INP OFF\"}\n"
#define LOAD_QUESTIONS "questions: {state: \"INP?\", set_current: \"CURR?\"}\n"
#define LOAD_READ "read: {ask: \"MEAS:VOLT?;CURR?\", gives: [voltage, current]}\n"
#define POWER_VERBS                                                                                \
    "verbs:\n  set_current: \"CURR {A:.3f}\"\n  on: \"INP ON\"\n  off: \"INP OFF\"\n"              \
    "  set_power: \"POW {W:.2f}\"\n"
#define SELECTED                                                                                   \
    "one.yaml:10:14: set_power: \"mode\" must say how constant power is selected, and constant "   \
    "current again, e.g. mode: {ask: \"FUNCtion?\", current: {select: \"FUNCtion CURRent\", "      \
    "match: "                                                                                      \
    "\"CURR*\"}, power: {select: \"FUNCtion ...\", match: \"...\"}}"
#define CURRENT_MODE "current: {select: \"FUNC CURR\", match: \"CURR\"}"
#define POWER_MODE "power: {select: \"FUNC POW\", match: \"POW\"}"
#define LOAD_REST LOAD_VERBS LOAD_QUESTIONS LOAD_READ

#define PLACEHOLDERS                                                                               \
    "there are {A} for the current in ampere, {V} for the voltage in volt, {W} for the power in "  \
    "watt and {Ohm} for the resistance in ohm, with digits after the point as in {A:.3f}"

static struct driver *load_good(const char *text)
{
    struct driver *d = NULL;
    struct err e = {0};
    if (!driver_load_text("drivers/one.yaml", text, strlen(text), &d, &e)) {
        fail_msg("refused: %s", e.text);
    }
    return d;
}

static void reads_a_whole_load(void **state)
{
    (void)state;
    struct driver *d = load_good(
        LOAD_HEAD
        "identity: {ask: \"*IDN?\", match: \"LAKE,L-*\"}\n"
        "link: {baud: 115200, ends_with: crlf, reply_within: 500 ms, pause: 5 ms, resync: "
        "quiet, echo: yes}\n"
        "settle: 50 ms\n"
        "ratings: {current: 30 A, voltage: 150 V, power: 300 W, minimum_voltage: 1 V}\n"
        "accuracy:\n"
        "  voltage: {gain: 0.05 %, offset: 10 mV, resolution: 1 mV}\n"
        "  current: {gain: 0.1 %, offset: 10 mA}\n"
        "errors: \"SYST:ERR?\"\n"
        "current_reported: positive-when-sourcing\n" LOAD_REST);
    assert_string_equal(d->name, "one");
    assert_string_equal(d->path, "drivers/one.yaml");
    assert_string_equal(d->about, "Load of the test");
    assert_int_equal(d->role, ROLE_LOAD);
    assert_int_equal(d->protocol, PROTOCOL_SCPI);
    assert_string_equal(d->identity_query, "*IDN?");
    assert_string_equal(d->identity_match, "LAKE,L-*");
    assert_int_equal(d->link.baud, 115200);
    assert_true(d->scpi.crlf_out);
    assert_true(d->scpi.echo);
    assert_int_equal(d->scpi.reply_timeout_ms, 500);
    assert_int_equal(d->scpi.pause_ms, 5);
    assert_int_equal(d->scpi.how, RESYNC_QUIET);
    assert_string_equal(d->scpi.error_query, "SYST:ERR?");
    assert_int_equal(d->settle_ms, 50);
    assert_true(d->current_max_A == 30 && d->voltage_max_V == 150 && d->power_max_W == 300);
    assert_true(d->voltage_min_V == 1);
    assert_true(fabs(d->voltage_gain - 0.0005) < 1e-12);
    assert_true(fabs(d->voltage_offset_V - 0.010) < 1e-12);
    assert_true(fabs(d->voltage_resolution_V - 0.001) < 1e-12);
    assert_true(fabs(d->current_gain - 0.001) < 1e-12);
    assert_true(fabs(d->current_offset_A - 0.010) < 1e-12);
    assert_true(isnan(d->current_resolution_A));
    assert_true(d->current_sign == 1);
    assert_int_equal(d->verb[VERB_OFF].count, 1);
    assert_string_equal(d->verb[VERB_OFF].line[0], "INP OFF");
    assert_int_equal(d->verb[VERB_PREPARE].count, 0);
    assert_string_equal(d->question[ASK_SET_CURRENT], "CURR?");
    assert_int_equal(d->read.count, 2);
    assert_int_equal(d->read.field[0], FIELD_VOLTAGE);
    assert_int_equal(d->read.field[1], FIELD_CURRENT);
    assert_int_equal(strlen(d->sha256), 64);
    assert_non_null(strstr(d->text, "LAKE,L-*"));
    driver_free(d);
}

static void what_is_left_out_is_unknown(void **state)
{
    (void)state;
    struct driver *d = load_good(LOAD_HEAD LOAD_REST);
    assert_true(isnan(d->current_max_A) && isnan(d->voltage_max_V) && isnan(d->power_max_W));
    assert_true(isnan(d->voltage_gain) && isnan(d->current_offset_A));
    assert_true(isnan(d->temperature_offset_C));
    assert_string_equal(d->identity_query, "");
    assert_string_equal(d->identity_match, "*");
    assert_true(d->current_sign == -1); /* a load counts what it sinks */
    driver_free(d);
}

static void echo_goes_with_every_way_of_finding_it_again(void **state)
{
    (void)state;
    struct driver *d = load_good(LOAD_HEAD "link: {echo: yes, resync: nonce}\n" LOAD_REST);
    assert_true(d->scpi.echo);
    assert_int_equal(d->scpi.how, RESYNC_NONCE);
    driver_free(d);
}

static void it_is_found_again_by_its_own_question(void **state)
{
    (void)state;
    struct driver *d = load_good(LOAD_HEAD "identity: {ask: \"WHO?\"}\n"
                                           "link: {resync: identity}\n" LOAD_REST);
    assert_string_equal(d->identity_query, "WHO?");
    assert_string_equal(d->scpi.identity_query, "WHO?");
    driver_free(d);
}

static void a_copy_is_its_own(void **state)
{
    (void)state;
    struct driver *d = load_good(LOAD_HEAD LOAD_REST);
    struct driver *copy = driver_copy(d);
    copy->current_max_A = 5;
    driver_free(d);
    assert_string_equal(copy->question[ASK_STATE], "INP?");
    assert_non_null(strstr(copy->text, "role: load"));
    driver_free(copy);
}

static void printed_lines_and_files(void **state)
{
    (void)state;
    struct driver *d = load_good("driver: x\nrole: thermometer\nprotocol: lines\n"
                                 "read: {pattern: \"T={} C\", gives: temperature}\n");
    assert_int_equal(d->protocol, PROTOCOL_LINES);
    assert_string_equal(d->read.pattern, "T={} C");
    driver_free(d);
    d = load_good("driver: x\nrole: thermometer\nprotocol: file\n"
                  "read: {scale: 0.001, gives: [temperature]}\n");
    assert_int_equal(d->protocol, PROTOCOL_FILE);
    assert_true(fabs(d->read.scale - 0.001) < 1e-15);
    driver_free(d);
}

/* Bad text and the first line of the message it must give. */
static const struct {
    const char *text, *message;
} refusals[] = {
    {LOAD_HEAD "verbs: {set_current: \"CURR {A}\", on: \"INP ON\"}\n" LOAD_QUESTIONS LOAD_READ,
     "one.yaml:4:8: a load needs the verb \"off\": without it nothing could be switched off"},
    {LOAD_HEAD LOAD_READ,
     "one.yaml:1:1: a load needs the verb \"off\": without it nothing could be switched off"},
    {LOAD_HEAD LOAD_VERBS "questions: {set_current: \"CURR?\"}\n" LOAD_READ,
     "one.yaml:5:12: a load needs the question \"state\": without it nobody knows that the output "
     "is off"},
    {LOAD_HEAD LOAD_VERBS LOAD_QUESTIONS "read: {ask: \"MEAS:VOLT?\", gives: [voltage]}\n",
     "one.yaml:6:7: a load must read current: capacity is measured current, and off is confirmed "
     "by it"},
    {LOAD_HEAD LOAD_VERBS LOAD_QUESTIONS,
     "one.yaml:1:1: \"read\" is missing: how this load is read, e.g. read: {ask: "
     "\"MEASure:VOLTage?\", gives: [voltage]}"},
    {LOAD_HEAD "verbs: {off: \"INP OFF\", on: \"INP ON\"}\n" LOAD_QUESTIONS LOAD_READ,
     "one.yaml:4:8: a load needs the verb \"set_current\": without it no current could be set"},
    {LOAD_HEAD LOAD_VERBS "questions: {state: \"INP?\"}\n" LOAD_READ,
     "one.yaml:5:12: a load needs the question \"set_current\": what was set is read back before "
     "an output goes on"},
    {"driver: x\nrole: supply\nprotocol: scpi\n" LOAD_REST,
     "one.yaml:4:8: a supply needs the verb \"set_voltage\": without it no charge voltage could be "
     "set"},
    {LOAD_HEAD "verbs: {off: \"INP {X}\"}\n",
     "one.yaml:4:14: off: \"{X}\" is no placeholder; " PLACEHOLDERS},
    {LOAD_HEAD "verbs: {set_current: \"CURR {A:4.f}\"}\n",
     "one.yaml:4:22: set_current: \"{A:4.f}\" is no placeholder; " PLACEHOLDERS},
    {LOAD_HEAD "verbs: {set_current: \"CURR {A\"}\n",
     "one.yaml:4:22: set_current: \"{A\" is no placeholder; " PLACEHOLDERS},
    {LOAD_HEAD "verbs: {set_current: \"CURR {V}\"}\n",
     "one.yaml:4:22: set_current: \"{V}\" has no value here"},
    {LOAD_HEAD "verbs: {set_current: \"CURR 1\"}\n",
     "one.yaml:4:22: set_current: the value is nowhere in the line; write {A} where it goes"},
    {LOAD_HEAD "verbs: {off: \"INP?\"}\n",
     "one.yaml:4:14: off: \"INP?\" is a question, and its answer would be taken for the next "
     "one's; verbs only command"},
    {LOAD_HEAD "verbs: {off: \"\"}\n",
     "one.yaml:4:14: off: the line is empty; leave the key out instead"},
    {LOAD_HEAD "verbs: {off: \"INP\\nOFF\"}\n",
     "one.yaml:4:14: off: the line holds a character that no instrument understands (byte 0x0a); "
     "one line of plain ASCII is wanted"},
    {LOAD_HEAD "verbs: {off: []}\n", "one.yaml:4:14: off: from 1 to 8 lines are wanted"},
    {LOAD_HEAD "questions: {state: \"INP\"}\n",
     "one.yaml:4:20: \"INP\" asks nothing: a question has a \"?\""},
    {LOAD_HEAD "identity: {ask: \"*IDN\"}\n",
     "one.yaml:4:17: \"*IDN\" asks nothing: a question has a \"?\""},
    {LOAD_HEAD LOAD_VERBS LOAD_QUESTIONS
     "read: {ask: \"MEAS:CURR?\", gives: [current, temperature]}\n",
     "one.yaml:6:44: a load does not give \"temperature\"; it gives voltage and current"},
    {LOAD_HEAD LOAD_VERBS LOAD_QUESTIONS "read: {ask: \"MEAS:CURR?\", gives: [current, current]}\n",
     "one.yaml:6:44: \"current\" is given twice"},
    {LOAD_HEAD LOAD_VERBS LOAD_QUESTIONS "read: {ask: \"MEAS:CURR?\"}\n",
     "one.yaml:6:7: \"gives\" is missing: which values the answer holds, in order, e.g. gives: "
     "[voltage, current]"},
    {LOAD_HEAD LOAD_VERBS LOAD_QUESTIONS "read: {pattern: \"{}\", gives: [current]}\n",
     "one.yaml:6:7: \"ask\" is missing: protocol scpi needs it"},
    {LOAD_HEAD LOAD_VERBS LOAD_QUESTIONS "read: {ask: \"A?\", scale: 2, gives: [current]}\n",
     "one.yaml:6:26: \"scale\" has no meaning with protocol: scpi"},
    {"driver: x\nrole: load\nprotocol: lines\nread: {pattern: \"I={}\", gives: [current]}\n",
     "one.yaml:3:11: a load must answer questions: protocol: scpi"},
    {"driver: x\nrole: thermometer\nprotocol: lines\nread: {pattern: \"T=\", gives: "
     "[temperature]}\n",
     "one.yaml:4:17: \"T=\" does not say where the number stands; write one {} in its place, e.g. "
     "\"T={} C\""},
    {"driver: x\nrole: thermometer\nprotocol: lines\nread: {pattern: \"T={} C \", gives: "
     "[temperature]}\n",
     "one.yaml:4:17: \"T={} C \" begins or ends with a blank; blanks around a printed line are "
     "dropped before it is compared"},
    {"driver: x\nrole: thermometer\nprotocol: lines\nverbs: {prepare: \"GO\"}\n"
     "read: {pattern: \"T={} C\", gives: [temperature]}\n",
     "one.yaml:4:8: \"verbs\" has no meaning with protocol: lines, where nothing is sent"},
    {"driver: x\nrole: thermometer\nprotocol: file\nread: {scale: 0, gives: [temperature]}\n",
     "one.yaml:4:15: scale must be above 0: degC = number x scale, e.g. 0.001 for millidegrees"},
    {LOAD_HEAD "ratings: {current: 0 A}\n",
     "one.yaml:4:20: a rated current of zero allows nothing; leave the key out when it is not "
     "known"},
    {LOAD_HEAD "accuracy: {voltage: {offset: -1 mV}}\n",
     "one.yaml:4:30: offset cannot be negative"},
    {LOAD_HEAD "link: {flow: dtr-dsr}\n",
     "one.yaml:4:14: flow: dtr-dsr is something that this system has for no serial port; set the "
     "instrument to rts-cts, xon-xoff or none and write that"},
    {LOAD_HEAD "mode: {ask: \"FUNC?\"}\n" LOAD_REST,
     "one.yaml:4:7: \"mode\" needs both the question and what must be answered once \"prepare\" "
     "has chosen it, e.g. mode: {ask: \"FUNCtion?\", match: \"CURR*\"}"},
    {LOAD_HEAD LOAD_REST "mode: {ask: \"FUNC?\", match: \"*\"}\n",
     "one.yaml:7:29: \"*\" fits every answer; write the one that is right"},
    {LOAD_HEAD LOAD_REST "mode: {ask: \"FUNC?\", match: \"C\", " CURRENT_MODE "}\n",
     "one.yaml:7:29: \"match\" and \"current\" both say what must be answered in constant current; "
     "leave \"match\" out"},
    {LOAD_HEAD LOAD_REST "mode: {ask: \"FUNC?\", current: {match: \"C\"}}\n",
     "one.yaml:7:31: \"current\" needs both what selects this mode and what must be answered then, "
     "e.g. current: {select: \"FUNCtion CURRent\", match: \"CURR*\"}"},
    {LOAD_HEAD LOAD_REST "mode: {ask: \"FUNC?\", " CURRENT_MODE ", " POWER_MODE "}\n",
     "one.yaml:7:76: mode: \"power\" is of no use without the verb \"set_power\""},
    {LOAD_HEAD LOAD_QUESTIONS LOAD_READ POWER_VERBS "mode: {ask: \"FUNC?\", match: \"C\"}\n",
     SELECTED},
    {LOAD_HEAD LOAD_QUESTIONS LOAD_READ POWER_VERBS
     "mode: {ask: \"FUNC?\", match: \"C\", " POWER_MODE "}\n",
     SELECTED},
    {LOAD_HEAD LOAD_QUESTIONS LOAD_READ POWER_VERBS "mode: {ask: \"FUNC?\", " CURRENT_MODE
                                                    ", " POWER_MODE "}\n",
     "one.yaml:4:12: a load needs the question \"set_power\": what was set is read back before an "
     "output goes on"},
    {LOAD_HEAD LOAD_REST "mode: {ask: \"FUNC\", match: \"CURR\"}\n",
     "one.yaml:7:13: \"FUNC\" asks nothing: a question has a \"?\""},
    {LOAD_HEAD "verbs: {off: \"OUTP OFF,(@{channel})\"}\n",
     "one.yaml:4:14: off: {channel} has no value here; say how many outputs there are with "
     "\"channels\", e.g. channels: 2"},
    {LOAD_HEAD LOAD_REST "checks: {ask: \"CURR:RANG?\", match: \"4\"}\n",
     "one.yaml:7:9: a list of 1 to 6 checks is wanted, e.g. checks: [{ask: \"CURRent:RANGe?\", "
     "match: \"40\"}]"},
    {LOAD_HEAD LOAD_REST "checks: [{ask: \"CURR:RANG?\"}]\n",
     "one.yaml:7:10: a check needs both the question and what must be answered, e.g. {ask: "
     "\"CURRent:RANGe?\", match: \"40\"}"},
    {LOAD_HEAD LOAD_REST "checks: [{ask: \"CURR:RANG?\", match: \"**\"}]\n",
     "one.yaml:7:37: \"**\" fits every answer; write the one that is right"},
    {LOAD_HEAD LOAD_REST "channels: 2\n",
     "one.yaml:4:8: set_current: with channels: 2 every line must say which output it means: "
     "\"CURR {A:.3f}\" lacks {channel}"},
    {LOAD_HEAD "link: {resync: nonce, prompt: \"=>\"}\n",
     "one.yaml:4:31: an instrument with a prompt is found again by silence only: write resync: "
     "quiet"},
    {LOAD_HEAD "link: {resync: quiet, prompt: \"\\n\"}\n",
     "one.yaml:4:31: the prompt is empty; leave the key out when there is none"},
    {LOAD_HEAD "settle: 60 s\n", "one.yaml:4:9: settle must be between 0 s and 1 s"},
    {LOAD_HEAD "link: {reply_within: 1 ms}\n",
     "one.yaml:4:22: reply_within must be at least 20 ms"},
};

static void refuses_with_place_and_remedy(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof refusals / sizeof refusals[0]; i++) {
        struct driver *d = NULL;
        struct err e = {0};
        char first[ERR_TEXT_SIZE];
        if (driver_load_text("one.yaml", refusals[i].text, strlen(refusals[i].text), &d, &e)) {
            fail_msg("accepted, but should say: %s", refusals[i].message);
        }
        assert_int_equal(e.code, ERR_CONFIG);
        text_format(first, sizeof first, "%.*s", (int)strcspn(e.text, "\n"), e.text);
        assert_string_equal(first, refusals[i].message);
        assert_null(d);
    }
}

static void unknown_keys_are_refused(void **state)
{
    (void)state;
    static const char *const texts[] = {
        LOAD_HEAD "command: \"rm\"\n" LOAD_REST,
        LOAD_HEAD "verbs: {off: \"INP OFF\", of: \"INP OFF\"}\n",
        LOAD_HEAD "questions: {stat: \"INP?\"}\n",
        LOAD_HEAD "link: {boud: 9600}\n",
        LOAD_HEAD "identity: {asks: \"*IDN?\"}\n",
        LOAD_HEAD "ratings: {currents: 1 A}\n",
        LOAD_HEAD "accuracy: {voltage: {gains: 1 %}}\n",
        LOAD_HEAD LOAD_VERBS LOAD_QUESTIONS "read: {ask: \"A?\", give: [current]}\n",
        "driver: x\nrole: lode\nprotocol: scpi\n",
        "driver: x\nrole: load\nprotocol: binary\n",
        "role: load\nprotocol: scpi\n",
        LOAD_HEAD "ratings: {current: 30 V}\n",
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct driver *d = NULL;
        struct err e = {0};
        if (driver_load_text("one.yaml", texts[i], strlen(texts[i]), &d, &e)) {
            fail_msg("accepted: %s", texts[i]);
        }
        assert_int_equal(e.code, ERR_CONFIG);
        assert_true(strncmp(e.text, "one.yaml:", 9) == 0);
    }
}

static void fills_lines(void **state)
{
    (void)state;
    static const struct {
        const char *line, *filled;
    } good[] = {
        {"CURRent {A:.4f}", "CURRent 10.0000"},
        {"CURR {A}", "CURR 10.0000"},
        {"CURR {A:.0f}", "CURR 10"},
        {"APPL {V:.2f},{A:.1f}", "APPL 14.35,10.0"},
        {"INP ON", "INP ON"},
        {"{V}", "14.3500"},
        {"POW {W:.1f}W", "POW 60.5W"},
        {"RES {Ohm}", "RES 2.5000"},
        {"RES {Ohm:.2f};MODE CR", "RES 2.50;MODE CR"},
    };
    const struct driver_values v = {
        .current_A = 10, .voltage_V = 14.35, .power_W = 60.5, .resistance_ohm = 2.5};
    char out[96];
    struct err e = {0};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        assert_true(driver_fill_line(good[i].line, &v, out, sizeof out, &e));
        assert_string_equal(out, good[i].filled);
    }
}

static void a_channel_takes_its_place_in_every_line(void **state)
{
    (void)state;
    static const char text[] =
        "driver: Two\nrole: load\nprotocol: scpi\nchannels: 12\n"
        "verbs: {prepare: \"MODE CC,(@{channel})\", set_current: \"INST {channel};:CURR {A:.1f}\", "
        "on: \"INP{channel} ON\", off: \"INP{channel} OFF\"}\n"
        "questions: {state: \"INP{channel}?\", set_current: \"CURR{channel}?\"}\n"
        "read: {ask: \"V{channel}?;:I{channel}?\", gives: [voltage, current]}\n";
    struct driver *d = load_good(text), *other = driver_copy(d);
    const struct driver_values v = {.current_A = 2, .voltage_V = NAN};
    char out[96];
    assert_int_equal(d->channels, 12);
    assert_int_equal(d->channel, 0);
    assert_false(driver_fill_line(d->verb[VERB_OFF].line[0], &v, out, sizeof out, NULL));
    driver_choose_channel(other, 12);
    assert_int_equal(other->channel, 12);
    assert_string_equal(other->verb[VERB_PREPARE].line[0], "MODE CC,(@12)");
    assert_string_equal(other->verb[VERB_OFF].line[0], "INP12 OFF");
    assert_string_equal(other->question[ASK_STATE], "INP12?");
    assert_string_equal(other->read.line, "V12?;:I12?");
    assert_true(driver_fill_line(other->verb[VERB_SET_CURRENT].line[0], &v, out, sizeof out, NULL));
    assert_string_equal(out, "INST 12;:CURR 2.0");
    driver_free(other);
    driver_free(d);
}

static void never_fills_in_nonsense(void **state)
{
    (void)state;
    char out[16];
    struct err e = {0};
    struct driver_values v = {.current_A = NAN, .voltage_V = 1};
    assert_false(driver_fill_line("CURR {A}", &v, out, sizeof out, &e));
    v.current_A = INFINITY;
    assert_false(driver_fill_line("CURR {A}", &v, out, sizeof out, &e));
    v.current_A = -0.0;
    assert_true(driver_fill_line("CURR {A:.1f}", &v, out, sizeof out, &e));
    assert_string_equal(out, "CURR 0.0");
    assert_false(driver_fill_line("CURRENT:LEVEL {A}", &v, out, sizeof out, &e));
    assert_false(driver_fill_line("CURRENT:AMPLI {A}", &v, out, sizeof out, &e));
    assert_int_equal(e.code, ERR_BUG);
}

static void takes_numbers_out_of_printed_lines(void **state)
{
    (void)state;
    static const struct {
        const char *pattern, *line;
        double value;
    } good[] = {
        {"T={} C", "T=21.37 C", 21.37}, {"T={} C", "  T= 21.37 C\r", 21.37},
        {"{}", "-3.5", -3.5},           {"{}", "21375\n", 21375},
        {"t1:{}", "t1:+1e1", 10},
    };
    static const char *const bad[] = {"T=21.37",    "21.37 C",  "T= C", "T=21.37 F",
                                      "T=21.37 CC", "T=21,4 C", "",     "T=21.3 7 C",
                                      "T=nan C",    "T C"};
    double v = 0;
    struct err e = {0};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        assert_true(pattern_read(good[i].pattern, good[i].line, &v, &e));
        assert_true(fabs(v - good[i].value) < 1e-12);
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        if (pattern_read("T={} C", bad[i], &v, &e)) {
            fail_msg("\"%s\" was taken for a reading", bad[i]);
        }
        assert_int_equal(e.code, ERR_BAD_REPLY);
    }
}

static void every_shipped_driver_loads(void **state)
{
    (void)state;
    static const char folder[] = AMPLEDGER_SOURCE_DIR "/drivers";
    DIR *dir = opendir(folder);
    struct dirent *entry = NULL;
    int count = 0;
    assert_non_null(dir);
    while ((entry = readdir(dir)) != NULL) {
        char path[512];
        struct driver *d = NULL;
        struct err e = {0};
        if (strstr(entry->d_name, ".yaml") == NULL) {
            continue;
        }
        text_format(path, sizeof path, "%s/%s", folder, entry->d_name);
        if (!driver_load_file(path, &d, &e)) {
            fail_msg("%s", e.text);
        }
        driver_free(d);
        count++;
    }
    closedir(dir);
    assert_true(count >= 6);
}

static void a_missing_file_says_so(void **state)
{
    (void)state;
    struct driver *d = NULL;
    struct err e = {0};
    assert_false(driver_load_file("/nonexistent/load.yaml", &d, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_non_null(strstr(e.text, "/nonexistent/load.yaml"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reads_a_whole_load),
        cmocka_unit_test(what_is_left_out_is_unknown),
        cmocka_unit_test(echo_goes_with_every_way_of_finding_it_again),
        cmocka_unit_test(it_is_found_again_by_its_own_question),
        cmocka_unit_test(a_copy_is_its_own),
        cmocka_unit_test(printed_lines_and_files),
        cmocka_unit_test(refuses_with_place_and_remedy),
        cmocka_unit_test(unknown_keys_are_refused),
        cmocka_unit_test(fills_lines),
        cmocka_unit_test(a_channel_takes_its_place_in_every_line),
        cmocka_unit_test(never_fills_in_nonsense),
        cmocka_unit_test(takes_numbers_out_of_printed_lines),
        cmocka_unit_test(every_shipped_driver_loads),
        cmocka_unit_test(a_missing_file_says_so),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
