/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of virtual/syntax, virtual/status and virtual/commands: strict as the
 * standards are. Numbers and texts of errors: SCPI-99 volume 2, chapter 21. */
#include "virtual/commands.h"
#include "virtual/syntax.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static struct vinstrument instrument;
static struct reply reply;

static int fresh_load(void **state)
{
    (void)state;
    struct vinstrument_spec spec = vinstrument_defaults(VKIND_LOAD, "load-1");
    spec.voltage_noise_V = spec.current_noise_A = 0.0;
    vinstrument_init(&instrument, &spec, 1);
    status_clear(&instrument.status);
    return 0;
}

static const char *tell(const char *message)
{
    commands_message(&instrument, message, strlen(message), (struct moment){5, 6}, &reply);
    return reply.text;
}

static void assert_told(const char *message, const char *expected)
{
    const char *got = tell(message);
    if (strcmp(got, expected) != 0) {
        print_error("%s gave \"%s\", not \"%s\"\n", message, got, expected);
        fail();
    }
}

static void assert_error(const char *message, int number)
{
    status_clear(&instrument.status);
    assert_told(message, "");
    int got = status_next_error(&instrument.status);
    if (got != number) {
        print_error("%s gave error %d, not %d\n", message, got, number);
        fail();
    }
    assert_int_equal(status_next_error(&instrument.status), 0);
}

static void headers_are_long_or_short_and_nothing_between(void **state)
{
    (void)state;
    const char *pattern = "MEASure[:SCALar]:VOLTage[:DC]";
    static const char *const good[] = {"MEASURE:SCALAR:VOLTAGE:DC", "MEAS:VOLT", "meas:voltage",
                                       "Measure:Scal:Volt:Dc"};
    static const char *const bad[] = {"MEASU:VOLT", "MEA:VOLT",  "MEAS:VOLTA",   "MEAS",
                                      "VOLT",       "MEAS:SCAL", "MEAS:VOLT:AC", "MEAS:VOLT:DC:X"};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        assert_true(syntax_matches(pattern, good[i]));
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_false(syntax_matches(pattern, bad[i]));
    }
    assert_true(
        syntax_matches("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR:CURR:AMPL"));
    assert_true(syntax_matches("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "CURR"));
    assert_false(syntax_matches("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR"));
    assert_false(
        syntax_matches("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "CURR:IMM:LEV"));
}

static void numbers_and_units(void **state)
{
    (void)state;
    static const struct {
        const char *message, *answer;
    } cases[] = {
        {"CURR 10;CURR?", "10.000"},
        {"CURR +1.5E1;CURR?", "15.000"},
        {"CURR .5;CURR?", "0.500"},
        {"CURR 500 mA;CURR?", "0.500"},
        {"CURR 2500MA;CURR?", "2.500"},
        {"CURR 0.01KA;CURR?", "10.000"},
        {"CURR MAX;CURR?", "40.000"},
        {"CURR MINimum;CURR?", "0.000"},
        {"CURR? MAX", "40.000"},
        {"CURR? MIN;CURR? DEF", "0.000;0.000"},
        {"VOLT:PROT:UND 9500 MV;UND?", "9.500"},
        {"RES 1.5 KOHM;RES?", "1500.0000"},
        {"CURR\t7;CURR?", "7.000"},
        {"CURR 7.00049;CURR?", "7.000"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        assert_told(cases[i].message, cases[i].answer);
    }
}

static void each_mistake_has_its_number(void **state)
{
    (void)state;
    static const struct {
        const char *message;
        int number;
    } cases[] = {
        {"CURR=5", -101},       {"@IDN?", -101},
        {"CURR 5\x01", -101},   {"CURR\xc3\xa9 5", -101},
        {"CURR 5;", -102},      {";CURR 5", -102},
        {"CURR 5,", -102},      {"CURR:", -102},
        {"SYST::ERR?", -102},   {"?", -102},
        {"CURR?5", -103},       {"CURR,5", -103},
        {"CURR ON", -104},      {"CURR \"5\"", -104},
        {"FUNC 5", -104},       {"CURR #H10", -104},
        {"CURR 1,2", -108},     {"*IDN? 1", -108},
        {"*RST 1", -108},       {"MEAS:VOLT? 1", -108},
        {"CURR", -109},         {"INP", -109},
        {"CURRE 5", -113},      {"OUTP ON", -113},
        {"MEAS:VOLT", -113},    {"*XYZ", -113},
        {"INP:STATU ON", -113}, {"CURR 1.2.3", -121},
        {"CURR --1", -121},     {"CURR 5V", -131},
        {"CURR 5 QA", -131},    {"INP 1 V", -138},
        {"*ESE 5 A", -138},     {"FUNC \"CURR", -151},
        {"CURR 41", -222},      {"CURR -1", -222},
        {"INP 2", -222},        {"*ESE 256", -222},
        {"RES 20 MOHM", -222},  {"CURR 1e99", -222},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        assert_error(cases[i].message, cases[i].number);
    }
    assert_int_equal(instrument.on, false);
}

static void a_command_error_ends_the_message_an_execution_error_does_not(void **state)
{
    (void)state;
    assert_told("CURR 5;CURRX 6;CURR 7", "");
    assert_told("CURR?", "5.000");
    assert_told("CURR 99;CURR 8", "");
    assert_told("CURR?", "8.000");
    assert_told("SYST:ERR?", "-113,\"Undefined header\"");
    assert_told("SYST:ERR:NEXT?", "-222,\"Data out of range\"");
    assert_told("SYSTEM:ERROR?", "0,\"No error\"");
}

static void paths_follow_the_tree(void **state)
{
    (void)state;
    /* behind SOUR:CURR:PROT one stands under SOUR:CURR */
    assert_told("SOUR:CURR:PROT 12;LEV 3;:SOUR:CURR?", "3.000");
    assert_told("SOUR:CURR:PROT?", "12.000");
    /* a common command leaves the path alone */
    assert_told("MEAS:VOLT?;*OPC?;CURR?", "0.000;1;0.000");
    /* at MEAS, VOLT:PROT is unknown; with a colon it is found */
    assert_told("MEAS:VOLT?;VOLT:PROT:UND?", "0.000");
    assert_int_equal(status_next_error(&instrument.status), -113);
    assert_told("MEAS:VOLT?;:VOLT:PROT:UND?", "0.000;0.000");
    assert_told(":CURR 4;:CURR?", "4.000");
}

static void compound_queries_answer_on_one_line(void **state)
{
    (void)state;
    assert_told("*IDN?;CURR?;INP?", "VIRTUAL,Load,load-1,1.0;0.000;0");
    assert_told("", "");
    assert_told("   ", "");
    assert_int_equal(instrument.status.error_count, 0);
}

static void error_queue_is_first_in_first_out_and_overflows(void **state)
{
    (void)state;
    tell("CURR 99");
    for (int i = 0; i < 20; i++) {
        tell("NONSENSE");
    }
    assert_told("SYST:ERR:COUN?", "16");
    assert_told("SYST:ERR?", "-222,\"Data out of range\"");
    for (int i = 0; i < 14; i++) {
        assert_told("SYST:ERR?", "-113,\"Undefined header\"");
    }
    assert_told("SYST:ERR?", "-350,\"Queue overflow\"");
    assert_told("SYST:ERR?", "0,\"No error\"");
}

static void status_registers_tell_what_happened(void **state)
{
    (void)state;
    struct vinstrument_spec spec = instrument.spec;
    vinstrument_init(&instrument, &spec, 1);
    assert_told("*ESR?", "128"); /* power on */
    assert_told("*ESR?", "0");
    tell("NONSENSE");
    tell("CURR 99");
    tell("*OPC");
    assert_told("*ESR?", "49"); /* command 32, execution 16, complete 1 */
    assert_told("*STB?", "4");
    assert_told("*CLS;*STB?", "0");
    tell("*ESE 32;*SRE 32");
    assert_told("*ESE?;*SRE?", "32;32");
    tell("NONSENSE");
    assert_told("*STB?", "100"); /* summary 64, event 32, errors 4 */
    assert_told("*OPC?;*STB?", "1;116");
    assert_told("*TST?;*WAI;SYST:VERS?", "0;1999.0");
}

static void reset_switches_off_and_forgets(void **state)
{
    (void)state;
    tell("CURR 5;VOLT:PROT:UND 9;:INP ON;FUNC POW");
    tell("*RST");
    assert_told("CURR?;INP?;:VOLT:PROT:UND?", "0.000;0;0.000");
    assert_told("FUNC?", "CURR");
}

static void lines_that_switch_are_logged(void **state)
{
    (void)state;
    tell("INP ON");
    tell("INP OFF");
    tell("INP 0");
    assert_int_equal(instrument.log.lines, 3);
    assert_int_equal(instrument.log.ons, 1);
    assert_int_equal(instrument.log.offs, 2);
    assert_int_equal(instrument.log.off_virtual_ns, 5);
    assert_int_equal(instrument.log.off_real_ns, 6);
}

static void each_kind_knows_its_own_commands(void **state)
{
    (void)state;
    struct vinstrument_spec spec = vinstrument_defaults(VKIND_SUPPLY, "supply-1");
    vinstrument_init(&instrument, &spec, 1);
    assert_error("INP ON", -113);
    assert_error("POW 5", -113);
    assert_told("VOLT 14.4;CURR 5;OUTP ON;OUTP?", "1");
    assert_told("VOLT:PROT 15;PROT?;:VOLT?", "15.000;14.400");
    assert_told("CURR:PROT:STAT ON;STAT?", "1");

    spec = vinstrument_defaults(VKIND_METER, "meter-1");
    vinstrument_init(&instrument, &spec, 1);
    assert_error("MEAS:CURR?", -113);
    assert_error("VOLT 5", -113);

    spec = vinstrument_defaults(VKIND_THERMOMETER, "thermometer-1");
    spec.temperature_noise_C = 0.0;
    vinstrument_init(&instrument, &spec, 1);
    instrument.battery_C = 21.374;
    assert_told("MEAS:TEMP?", "21.37");
    assert_error("MEAS:VOLT?", -113);
}

static void faults_of_readings_and_settings(void **state)
{
    (void)state;
    struct faults *f = &instrument.faults;
    assert_true(faults_add(f, "refuse", NULL));
    assert_error("CURR 5", -200);
    assert_error("INP ON", -200);
    memset(f, 0, sizeof *f);
    assert_true(faults_add(f, "ignore-set", NULL));
    assert_told("CURR 5;CURR?", "0.000");
    memset(f, 0, sizeof *f);
    assert_true(faults_add(f, "wrong-mode", NULL));
    assert_told("FUNC CURR;FUNC?", "VOLT");
    memset(f, 0, sizeof *f);
    assert_told("FUNC CURR;FUNC?", "CURR");
    tell("INP ON");
    assert_true(faults_add(f, "stays-on", NULL));
    assert_told("INP OFF;INP?", "1");
    assert_told("*RST;INP?", "1");
    memset(f, 0, sizeof *f);
    assert_told("INP OFF;INP?", "0");

    instrument.average_V = 12.5;
    assert_told("MEAS:VOLT?", "12.500");
    assert_true(faults_add(f, "stuck", NULL));
    instrument.average_V = 11.0;
    assert_told("MEAS:VOLT?", "12.500");
    memset(f, 0, sizeof *f);
    assert_true(faults_add(f, "stuck current", NULL)); /* one of them alone */
    assert_told("MEAS:VOLT?", "11.000");
    assert_true(faults_add(f, "stuck voltage", NULL));
    instrument.average_V = 10.0;
    assert_told("MEAS:VOLT?", "11.000");
    assert_false(faults_add(f, "stuck volts", NULL));
    instrument.average_V = 11.0;
    memset(f, 0, sizeof *f);
    assert_true(faults_add(f, "reversed", NULL));
    assert_told("MEAS:VOLT?", "-11.000");
    assert_true(faults_add(f, "nan", NULL));
    assert_told("MEAS:VOLT?", "9.91E37");
    memset(f, 0, sizeof *f);
    assert_true(faults_add(f, "overrange", NULL));
    assert_told("MEAS:CURR?", "9.90E37");
    memset(f, 0, sizeof *f);
    assert_true(faults_add(f, "identity OTHER,Thing,1,2", NULL));
    assert_told("*IDN?", "OTHER,Thing,1,2");
}

static void wrong_faults_are_refused_with_a_hint(void **state)
{
    (void)state;
    struct faults f = {0};
    struct err e = {0};
    assert_false(faults_add(&f, "silense", &e));
    assert_non_null(strstr(e.text, "did you mean \"silence\""));
    assert_false(faults_add(&f, "late 2", &e));
    assert_false(faults_add(&f, "late 2 1", &e));
    assert_false(faults_add(&f, "leak", &e));
    assert_false(faults_add(&f, "nan 5", &e));
    assert_false(faults_add(&f, "", &e));
    for (int i = 0; i < FAULT_COUNT; i++) {
        assert_false(f.on[i]);
    }
    assert_true(faults_add(&f, "late 0.5 2", &e));
    assert_true(f.on[FAULT_LATE]);
}

static void any_bytes_are_survived(void **state)
{
    (void)state;
    struct noise n;
    noise_seed(&n, 20260301);
    static const char alphabet[] = "MEASVOLTCURR:;?*,.\"'()#E+-0123456789 \tINPUTON\x80\x01\xff";
    for (int round = 0; round < 200000; round++) {
        char message[40];
        size_t length = noise_bits(&n) % sizeof message;
        for (size_t i = 0; i < length; i++) {
            message[i] = alphabet[noise_bits(&n) % (sizeof alphabet - 1)];
        }
        commands_message(&instrument, message, length, (struct moment){0, 0}, &reply);
        assert_true(instrument.settings[VSET_CURRENT] >= 0.0 &&
                    instrument.settings[VSET_CURRENT] <= 40.0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(headers_are_long_or_short_and_nothing_between, fresh_load),
        cmocka_unit_test_setup(numbers_and_units, fresh_load),
        cmocka_unit_test_setup(each_mistake_has_its_number, fresh_load),
        cmocka_unit_test_setup(a_command_error_ends_the_message_an_execution_error_does_not,
                               fresh_load),
        cmocka_unit_test_setup(paths_follow_the_tree, fresh_load),
        cmocka_unit_test_setup(compound_queries_answer_on_one_line, fresh_load),
        cmocka_unit_test_setup(error_queue_is_first_in_first_out_and_overflows, fresh_load),
        cmocka_unit_test_setup(status_registers_tell_what_happened, fresh_load),
        cmocka_unit_test_setup(reset_switches_off_and_forgets, fresh_load),
        cmocka_unit_test_setup(lines_that_switch_are_logged, fresh_load),
        cmocka_unit_test_setup(each_kind_knows_its_own_commands, fresh_load),
        cmocka_unit_test_setup(faults_of_readings_and_settings, fresh_load),
        cmocka_unit_test_setup(wrong_faults_are_refused_with_a_hint, fresh_load),
        cmocka_unit_test_setup(any_bytes_are_survived, fresh_load),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
