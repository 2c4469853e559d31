/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of quantities: what a person may write, and the exact sentence for
 * what they may not. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/quantity.h"

#include <math.h>
#include <string.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])

#define KNOWN                                                                                      \
    "known are A, C, V, V/cell, Ah, Wh, W, Ohm, s, min, h, d, degC, % and their usual multiples"

struct good {
    const char *text;
    double value; /* to the last bit: a decimal fraction must not be worsened by its prefix */
    enum dimension dimension;
};

static const struct good goods[] = {
    {"3", 3, DIM_NUMBER},
    {"-7", -7, DIM_NUMBER},
    {"+0.5", 0.5, DIM_NUMBER},
    {".5", 0.5, DIM_NUMBER},
    {"5.", 5, DIM_NUMBER},
    {"1e3", 1000, DIM_NUMBER},
    {"2.5E-3", 0.0025, DIM_NUMBER},
    {"0", 0, DIM_NUMBER},

    {"10 A", 10, DIM_CURRENT},
    {"10A", 10, DIM_CURRENT},
    {"  10 \t A  ", 10, DIM_CURRENT},
    {"-2.5 A", -2.5, DIM_CURRENT},
    {"1e3 mA", 1, DIM_CURRENT},
    {"350 mA", 0.35, DIM_CURRENT},
    {"70 uA", 70e-6, DIM_CURRENT},
    {"70 \xC2\xB5"
     "A",
     70e-6, DIM_CURRENT}, /* micro sign */
    {"70 \xCE\xBC"
     "A",
     70e-6, DIM_CURRENT}, /* Greek letter mu */
    {"10\xC2\xA0"
     "A",
     10, DIM_CURRENT}, /* no-break space */
    {"10\xE2\x80\xAF"
     "A",
     10, DIM_CURRENT}, /* narrow no-break space */

    {"0.2 C", 0.2, DIM_RELATIVE_CURRENT},
    {"0.2C", 0.2, DIM_RELATIVE_CURRENT},
    {"0.2 It", 0.2, DIM_RELATIVE_CURRENT},
    {"C/5", 0.2, DIM_RELATIVE_CURRENT},
    {"C / 20", 0.05, DIM_RELATIVE_CURRENT},
    {"C/0.5", 2, DIM_RELATIVE_CURRENT},

    {"12.6 V", 12.6, DIM_VOLTAGE},
    {"3650 mV", 3.65, DIM_VOLTAGE},
    {"15 uV", 15e-6, DIM_VOLTAGE},
    {"0.4 kV", 400, DIM_VOLTAGE},
    {"3.65 V/cell", 3.65, DIM_VOLTAGE_PER_CELL},
    {"3.65 V / cell", 3.65, DIM_VOLTAGE_PER_CELL},
    {"2350 mV/cell", 2.35, DIM_VOLTAGE_PER_CELL},

    {"90 Ah", 90, DIM_CHARGE},
    {"2500mAh", 2.5, DIM_CHARGE},
    {"3600 As", 1, DIM_CHARGE},
    {"30 Wh", 30, DIM_ENERGY},
    {"500 mWh", 0.5, DIM_ENERGY},
    {"1.2 kWh", 1200, DIM_ENERGY},
    {"7200 J", 2, DIM_ENERGY},
    {"60 W", 60, DIM_POWER},
    {"250 mW", 0.25, DIM_POWER},
    {"2 kW", 2000, DIM_POWER},

    {"2 Ohm", 2, DIM_RESISTANCE},
    {"2 ohm", 2, DIM_RESISTANCE},
    {"60 mOhm", 0.06, DIM_RESISTANCE},
    {"60 mohm", 0.06, DIM_RESISTANCE},
    {"60 m\xCE\xA9", 0.06, DIM_RESISTANCE},     /* Greek letter omega */
    {"60 m\xE2\x84\xA6", 0.06, DIM_RESISTANCE}, /* ohm sign */
    {"700 uOhm", 700e-6, DIM_RESISTANCE},
    {"700 \xC2\xB5\xCE\xA9", 700e-6, DIM_RESISTANCE},
    {"1 kOhm", 1000, DIM_RESISTANCE},
    {"700 uohm", 700e-6, DIM_RESISTANCE},
    {"1 kohm", 1000, DIM_RESISTANCE},

    {"30 s", 30, DIM_TIME},
    {"250 ms", 0.25, DIM_TIME},
    {"40 us", 40e-6, DIM_TIME},
    {"5 min", 300, DIM_TIME},
    {"12.5 h", 45000, DIM_TIME},
    {"2 d", 172800, DIM_TIME},

    {"45 degC", 45, DIM_TEMPERATURE},
    {"-20 degC", -20, DIM_TEMPERATURE},
    {"45 \xC2\xB0"
     "C",
     45, DIM_TEMPERATURE},
    {"45\xC2\xB0 C", 45, DIM_TEMPERATURE},
    {"45 \xE2\x84\x83", 45, DIM_TEMPERATURE},
    {"45 deg C", 45, DIM_TEMPERATURE},
    {"1 degC/min", 1, DIM_TEMPERATURE_RATE},
    {"1 \xC2\xB0"
     "C/min",
     1, DIM_TEMPERATURE_RATE},
    {"1 K/min", 1, DIM_TEMPERATURE_RATE},
    {"60 degC/h", 1, DIM_TEMPERATURE_RATE},
    {"0.1 degC/s", 6, DIM_TEMPERATURE_RATE},
    {"5 mV/h", 0.005, DIM_VOLTAGE_RATE},
    {"0.5 V/h", 0.5, DIM_VOLTAGE_RATE},
    {"1 mV/min", 0.06, DIM_VOLTAGE_RATE},
    {"0.5 V/min", 30, DIM_VOLTAGE_RATE},
    {"120 K/h", 2, DIM_TEMPERATURE_RATE},
    {"0.1 K/s", 6, DIM_TEMPERATURE_RATE},
    {"-0.004 V/K/cell", -0.004, DIM_VOLTAGE_PER_KELVIN},
    {"-0.004 V/degC/cell", -0.004, DIM_VOLTAGE_PER_KELVIN},
    {"-3 mV/K/cell", -0.003, DIM_VOLTAGE_PER_KELVIN},
    {"-3 mV/degC/cell", -0.003, DIM_VOLTAGE_PER_KELVIN},
    {"-3 mV / \xC2\xB0"
     "C / cell",
     -0.003, DIM_VOLTAGE_PER_KELVIN},

    {"95 %", 0.95, DIM_RATIO},
    {"95%", 0.95, DIM_RATIO},
    {"200 ppm", 200e-6, DIM_RATIO},
};

static void what_a_person_may_write(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(goods); i++) {
        struct quantity q = {(double)NAN, DIM_NUMBER};
        struct err e = {0};
        if (!quantity_parse(goods[i].text, &q, &e)) {
            fail_msg("%s: %s", goods[i].text, e.text);
        }
        if (q.dimension != goods[i].dimension) {
            fail_msg("%s became %s", goods[i].text, dimension_name(q.dimension));
        }
        if (q.value < goods[i].value || q.value > goods[i].value || isnan(q.value)) {
            fail_msg("%s became %.17g", goods[i].text, q.value);
        }
    }
}

struct bad {
    const char *text;
    const char *message;
};

static const struct bad bads[] = {
    {"", "nothing is written where a number is wanted"},
    {" \t ", "nothing is written where a number is wanted"},
    {"ten A", "\"ten A\" is not a number; write digits, e.g. 10 or 0.5"},
    {"A", "\"A\" is not a number; write digits, e.g. 10 or 0.5"},
    {"nan", "\"nan\" is not a number; write digits, e.g. 10 or 0.5"},
    {"NAN A", "\"NAN A\" is not a number; write digits, e.g. 10 or 0.5"},
    {"inf", "\"inf\" is not a number; write digits, e.g. 10 or 0.5"},
    {"-Infinity V", "\"-Infinity V\" is not a number; write digits, e.g. 10 or 0.5"},
    {"0x10 A", "\"0x10 A\" is not a number; write digits, e.g. 10 or 0.5"},
    {".", "\".\" is not a number; write digits, e.g. 10 or 0.5"},
    {"-", "\"-\" is not a number; write digits, e.g. 10 or 0.5"},
    {"- 5 A", "\"- 5 A\" is not a number; write digits, e.g. 10 or 0.5"},
    {"+-5 A", "\"+-5 A\" is not a number; write digits, e.g. 10 or 0.5"},
    {"1.2.3 V", "\"1.2.3 V\" is not a number; write digits, e.g. 10 or 0.5"},
    {"10-20 A", "\"10-20 A\" is not a number; write digits, e.g. 10 or 0.5"},
    {"3,65 V", "\"3,65 V\" has a decimal comma; write 3.65 V"},
    {"-3,6500V", "\"-3,6500V\" has a decimal comma; write -3.6500V"},
    {"0,125 A", "\"0,125 A\" has a decimal comma; write 0.125 A"},
    {"1234,567 V", "\"1234,567 V\" has a decimal comma; write 1234.567 V"},
    /* Whoever follows the advice must not be off by a factor of a thousand. */
    {"1,000 mAh", "\"1,000 mAh\" has a comma; write 1000 mAh or 1.000 mAh, whichever is meant"},
    {"-12,500 mA", "\"-12,500 mA\" has a comma; write -12500 mA or -12.500 mA, whichever is meant"},
    {"1,000,000 mAh", "\"1,000,000 mAh\" is not a number; write digits, e.g. 10 or 0.5"},
    {"1,000.5 mAh", "\"1,000.5 mAh\" is not a number; write digits, e.g. 10 or 0.5"},
    {"1.000,5 mAh", "\"1.000,5 mAh\" is not a number; write digits, e.g. 10 or 0.5"},
    {"1e3,5 mAh", "\"1e3,5 mAh\" is not a number; write digits, e.g. 10 or 0.5"},
    {"5, A", "\"5, A\" is not a number; write digits, e.g. 10 or 0.5"},
    {",5 A", "\",5 A\" is not a number; write digits, e.g. 10 or 0.5"},
    {"5,", "\"5,\" is not a number; write digits, e.g. 10 or 0.5"},
    {"1 000 mAh", "\"1 000 mAh\" has a space inside the number; write it without"},
    {"\xE2\x88\x92"
     "5 degC",
     "\"\xE2\x88\x92"
     "5 degC\" begins with a dash that is not a minus sign; write -"},
    {"1e999 A", "the number in \"1e999 A\" is beyond what can be held"},
    {"1e-999 A", "the number in \"1e-999 A\" is beyond what can be held"},
    {"1e308 kV", "the number in \"1e308 kV\" is beyond what can be held"},

    {"C/0", "\"C/0\" is no relative current; write C/5 for a fifth, or 0.2 C"},
    {"C/", "\"C/\" is no relative current; write C/5 for a fifth, or 0.2 C"},
    {"C/-5", "\"C/-5\" is no relative current; write C/5 for a fifth, or 0.2 C"},
    {"C/5 A", "\"C/5 A\" is no relative current; write C/5 for a fifth, or 0.2 C"},
    {"C/nan", "\"C/nan\" is no relative current; write C/5 for a fifth, or 0.2 C"},
    {"/5", "\"/5\" is not a number; write digits, e.g. 10 or 0.5"},

    {"10 MA", "\"10 MA\" has the unknown unit \"MA\"; did you mean mA?"},
    {"10 a", "\"10 a\" has the unknown unit \"a\"; did you mean A?"},
    {"10 v", "\"10 v\" has the unknown unit \"v\"; did you mean V?"},
    {"10 MV", "\"10 MV\" has the unknown unit \"MV\"; did you mean mV?"},
    {"10 KV", "\"10 KV\" has the unknown unit \"KV\"; did you mean kV?"},
    {"90 AH", "\"90 AH\" has the unknown unit \"AH\"; did you mean Ah?"},
    {"90 mah", "\"90 mah\" has the unknown unit \"mah\"; did you mean mAh?"},
    {"5 Min", "\"5 Min\" has the unknown unit \"Min\"; did you mean min?"},
    {"45 degc", "\"45 degc\" has the unknown unit \"degc\"; did you mean degC?"},
    {"0.2 c", "\"0.2 c\" has the unknown unit \"c\"; did you mean C?"},
    {"3.6 v/cell", "\"3.6 v/cell\" has the unknown unit \"v/cell\"; did you mean V/cell?"},
    {"10 amps", "\"10 amps\" has the unknown unit \"amps\"; did you mean A?"},
    {"5 minutes", "\"5 minutes\" has the unknown unit \"minutes\"; did you mean min?"},
    {"5 m", "\"5 m\" has the unknown unit \"m\"; did you mean min?"},
    {"12 Hours", "\"12 Hours\" has the unknown unit \"Hours\"; did you mean h?"},
    {"95 percent", "\"95 percent\" has the unknown unit \"percent\"; did you mean %?"},
    {"45 deg", "\"45 deg\" has the unknown unit \"deg\"; did you mean degC?"},
    {"300 K", "\"300 K\" is in kelvin; write temperatures in degC, e.g. 25 degC"},
    {"10 knots", "\"10 knots\" has the unknown unit \"knots\"; " KNOWN},
    {"10 A A", "\"10 A A\" has the unknown unit \"A A\"; " KNOWN},
    {"10 A 5", "\"10 A 5\" has the unknown unit \"A 5\"; " KNOWN},
    {"10 A\n", "\"10 A?\" has the unknown unit \"A?\"; " KNOWN},
    {"10 oars of the long boat by the quay", "\"10 oars of the long boat by the quay\" has no unit "
                                             "that is known"},
};

static void what_a_person_may_not_write(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(bads); i++) {
        struct quantity q = {42, DIM_POWER};
        struct err e = {0};
        if (quantity_parse(bads[i].text, &q, &e)) {
            fail_msg("%s became %g, %s", bads[i].text, q.value, dimension_name(q.dimension));
        }
        assert_string_equal(e.text, bads[i].message);
        assert_int_equal(e.code, ERR_CONFIG);
        assert_true(q.value > 41 && q.value < 43 && q.dimension == DIM_POWER); /* left alone */
        assert_false(quantity_parse(bads[i].text, &q, NULL));
    }
}

#define AMPERES (DIM_BIT(DIM_CURRENT) | DIM_BIT(DIM_RELATIVE_CURRENT))
#define VOLTS (DIM_BIT(DIM_VOLTAGE) | DIM_BIT(DIM_VOLTAGE_PER_CELL))

static const struct {
    const char *text;
    unsigned allowed;
    const char *message; /* NULL: fine */
} wanted[] = {
    {"10 A", AMPERES, NULL},
    {"C/5", AMPERES, NULL},
    {"7", DIM_BIT(DIM_NUMBER), NULL},
    {"10 V", AMPERES, "\"10 V\" is a voltage; a current is wanted here, e.g. 10 A or 0.2 C"},
    {" 10 V ", AMPERES, "\"10 V\" is a voltage; a current is wanted here, e.g. 10 A or 0.2 C"},
    {"10 A", DIM_BIT(DIM_RELATIVE_CURRENT),
     "\"10 A\" is a current; a relative current is wanted here, e.g. 0.2 C"},
    {"10 Ah", VOLTS, "\"10 Ah\" is a charge; a voltage is wanted here, e.g. 12.6 V or 3.65 V/cell"},
    {"45 C", DIM_BIT(DIM_TEMPERATURE),
     "\"45 C\" is a relative current; a temperature is wanted here, e.g. 45 degC"},
    {"3 h", DIM_BIT(DIM_NUMBER), "\"3 h\" is a time; a plain number is wanted here, e.g. 3"},
    {"3 V", DIM_BIT(DIM_CHARGE) | DIM_BIT(DIM_ENERGY),
     "\"3 V\" is a voltage; a charge or an energy is wanted here, e.g. 2500 mAh or 30 Wh"},
    {"4.3", DIM_BIT(DIM_VOLTAGE), "\"4.3\" needs a unit, e.g. 4.3 V"},
    {"10", AMPERES, "\"10\" needs a unit, e.g. 10 A"},
    {"10", DIM_BIT(DIM_TIME), "\"10\" needs a unit, e.g. 10 s"},
    {"0.95", DIM_BIT(DIM_RATIO), "\"0.95\" needs a unit, e.g. 95 %"},
    {"10 MA", AMPERES, "\"10 MA\" has the unknown unit \"MA\"; did you mean mA?"},
};

static void only_the_wanted_dimension_is_taken(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(wanted); i++) {
        struct quantity q = {0, DIM_NUMBER};
        struct err e = {0};
        bool fine = quantity_parse_as(wanted[i].text, wanted[i].allowed, &q, &e);
        assert_string_equal(e.text, wanted[i].message ? wanted[i].message : "");
        assert_true(fine == (wanted[i].message == NULL));
    }
}

/* Each wrong dimension for each wanted one gives a whole sentence. */
static void every_dimension_has_a_name_and_an_example(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(goods); i++) {
        for (unsigned d = DIM_NUMBER; d <= DIM_RATIO; d++) {
            struct quantity q;
            struct err e = {0};
            bool fine = quantity_parse_as(goods[i].text, DIM_BIT(d), &q, &e);
            assert_true(fine == (goods[i].dimension == (enum dimension)d));
            const char *example = strstr(e.text, "e.g. ");
            assert_true(fine == (example == NULL));
            if (example && goods[i].dimension != DIM_NUMBER) {
                assert_non_null(strstr(e.text, dimension_name((enum dimension)d)));
                if (!quantity_parse_as(example + strlen("e.g. "), DIM_BIT(d), &q, &e)) {
                    fail_msg("the example itself is refused: %s", e.text);
                }
            }
        }
    }
    assert_string_equal(dimension_name((enum dimension)99), "an unknown dimension");
}

/* However many dimensions are wanted, the sentence is whole. */
static void all_but_one_dimension_wanted(void **state)
{
    (void)state;
    const unsigned all = DIM_BIT(DIM_RATIO + 1) - 1;
    struct quantity q;
    struct err e = {0};
    assert_false(quantity_parse_as("5 W", all & ~DIM_BIT(DIM_POWER), &q, &e));
    assert_string_equal(
        e.text,
        "\"5 W\" is a power; a plain number or a current or a voltage or a charge or an energy or "
        "a resistance or a time or a temperature or a rate of temperature or a rate of voltage or "
        "a voltage per kelvin and cell or a ratio is wanted here, e.g. 3 or 10 A or 0.2 C or 12.6 "
        "V or 3.65 V/cell or 2500 mAh or 30 Wh or 60 mOhm or 12.5 h or 45 degC or 1 degC/min or 5 "
        "mV/h or -3 mV/K/cell or 95 %");
}

static void a_long_text_is_shown_cut_but_whole_in_its_characters(void **state)
{
    (void)state;
    struct quantity q;
    struct err e = {0};
    char text[2000];
    memset(text, 'x', sizeof text - 1);
    text[sizeof text - 1] = '\0';
    assert_false(quantity_parse(text, &q, &e));
    assert_true(strlen(e.text) < 200);
    assert_non_null(strstr(e.text, "xxx...\" is not a number"));
    text[1] = '\xC3'; /* characters of two bytes, cut at an odd place */
    for (size_t i = 2; i + 2 < sizeof text; i += 2) {
        memcpy(text + i, "\xA5\xC3", 2);
    }
    assert_false(quantity_parse(text, &q, &e));
    assert_non_null(strstr(e.text, "\xC3\xA5...\" is not a number"));
    memset(text, '9', sizeof text - 1); /* a number too long to be meant */
    assert_false(quantity_parse(text, &q, &e));
    assert_non_null(strstr(e.text, "999...\" is beyond what can be held"));
}

static const struct {
    const char *text;
    double value;
    const char *message;
} numbers[] = {
    {"0", 0, NULL},
    {"-3.25", -3.25, NULL},
    {" 12 ", 12, NULL},
    {"1.7976931348623157e308", 1.7976931348623157e308, NULL},
    {"", 0, "nothing is written where a number is wanted"},
    {"x", 0, "\"x\" is not a number; write digits, e.g. 10 or 0.5"},
    {"5 V", 0, "\"5 V\" is not a number; write digits, e.g. 10 or 0.5"},
    {"5x", 0, "\"5x\" is not a number; write digits, e.g. 10 or 0.5"},
    {"1 2", 0, "\"1 2\" is not a number; write digits, e.g. 10 or 0.5"},
    {"1e", 0, "\"1e\" is not a number; write digits, e.g. 10 or 0.5"},
    {"nan", 0, "\"nan\" is not a number; write digits, e.g. 10 or 0.5"},
    {"inf", 0, "\"inf\" is not a number; write digits, e.g. 10 or 0.5"},
    {"0x1p3", 0, "\"0x1p3\" is not a number; write digits, e.g. 10 or 0.5"},
    {"3,5", 0, "\"3,5\" has a decimal comma; write 3.5"},
    {"1e309", 0, "the number in \"1e309\" is beyond what can be held"},
};

static void plain_numbers(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(numbers); i++) {
        double value = 42;
        struct err e = {0};
        bool fine = number_parse(numbers[i].text, &value, &e);
        assert_string_equal(e.text, numbers[i].message ? numbers[i].message : "");
        assert_true(fine == (numbers[i].message == NULL));
        if (fine) {
            assert_true(value >= numbers[i].value && value <= numbers[i].value);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_a_person_may_write),
        cmocka_unit_test(what_a_person_may_not_write),
        cmocka_unit_test(only_the_wanted_dimension_is_taken),
        cmocka_unit_test(every_dimension_has_a_name_and_an_example),
        cmocka_unit_test(all_but_one_dimension_wanted),
        cmocka_unit_test(a_long_text_is_shown_cut_but_whole_in_its_characters),
        cmocka_unit_test(plain_numbers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
