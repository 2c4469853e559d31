/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/quantity: reads numbers with units and says what is wrong with them. */
#include "base/quantity.h"

#include "base/file.h"

#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define SHOWN_MAX 60 /* characters of the person's text that a message repeats */
#define UNIT_MAX 32
#define NUMBER_MAX 64

/* value_in_house_units = value * times / over: two exact numbers, so that
 * 3650 mV is exactly as near to 3.65 V as a double can be. */
struct unit {
    const char *name;
    enum dimension dimension;
    double times, over;
};

static const struct unit units[] = {
    {"A", DIM_CURRENT, 1, 1},
    {"mA", DIM_CURRENT, 1, 1e3},
    {"uA", DIM_CURRENT, 1, 1e6},
    {"C", DIM_RELATIVE_CURRENT, 1, 1},
    {"It", DIM_RELATIVE_CURRENT, 1, 1},
    {"V", DIM_VOLTAGE, 1, 1},
    {"mV", DIM_VOLTAGE, 1, 1e3},
    {"uV", DIM_VOLTAGE, 1, 1e6},
    {"kV", DIM_VOLTAGE, 1e3, 1},
    {"V/cell", DIM_VOLTAGE_PER_CELL, 1, 1},
    {"mV/cell", DIM_VOLTAGE_PER_CELL, 1, 1e3},
    {"Ah", DIM_CHARGE, 1, 1},
    {"mAh", DIM_CHARGE, 1, 1e3},
    {"As", DIM_CHARGE, 1, 3600},
    {"Wh", DIM_ENERGY, 1, 1},
    {"mWh", DIM_ENERGY, 1, 1e3},
    {"kWh", DIM_ENERGY, 1e3, 1},
    {"J", DIM_ENERGY, 1, 3600},
    {"W", DIM_POWER, 1, 1},
    {"mW", DIM_POWER, 1, 1e3},
    {"kW", DIM_POWER, 1e3, 1},
    {"Ohm", DIM_RESISTANCE, 1, 1},
    {"mOhm", DIM_RESISTANCE, 1, 1e3},
    {"uOhm", DIM_RESISTANCE, 1, 1e6},
    {"kOhm", DIM_RESISTANCE, 1e3, 1},
    {"ohm", DIM_RESISTANCE, 1, 1},
    {"mohm", DIM_RESISTANCE, 1, 1e3},
    {"uohm", DIM_RESISTANCE, 1, 1e6},
    {"kohm", DIM_RESISTANCE, 1e3, 1},
    {"s", DIM_TIME, 1, 1},
    {"ms", DIM_TIME, 1, 1e3},
    {"us", DIM_TIME, 1, 1e6},
    {"min", DIM_TIME, 60, 1},
    {"h", DIM_TIME, 3600, 1},
    {"d", DIM_TIME, 86400, 1},
    {"degC", DIM_TEMPERATURE, 1, 1},
    {"degC/min", DIM_TEMPERATURE_RATE, 1, 1},
    {"degC/h", DIM_TEMPERATURE_RATE, 1, 60},
    {"degC/s", DIM_TEMPERATURE_RATE, 60, 1},
    {"K/min", DIM_TEMPERATURE_RATE, 1, 1},
    {"K/h", DIM_TEMPERATURE_RATE, 1, 60},
    {"K/s", DIM_TEMPERATURE_RATE, 60, 1},
    {"V/h", DIM_VOLTAGE_RATE, 1, 1},
    {"mV/h", DIM_VOLTAGE_RATE, 1, 1e3},
    {"V/min", DIM_VOLTAGE_RATE, 60, 1},
    {"mV/min", DIM_VOLTAGE_RATE, 60, 1e3},
    {"V/K/cell", DIM_VOLTAGE_PER_KELVIN, 1, 1},
    {"mV/K/cell", DIM_VOLTAGE_PER_KELVIN, 1, 1e3},
    {"V/degC/cell", DIM_VOLTAGE_PER_KELVIN, 1, 1},
    {"mV/degC/cell", DIM_VOLTAGE_PER_KELVIN, 1, 1e3},
    {"%", DIM_RATIO, 1, 100},
    {"ppm", DIM_RATIO, 1, 1e6},
};

/* What people write instead. */
static const struct {
    const char *wrong, *right;
} spellings[] = {
    {"amp", "A"},      {"amps", "A"},
    {"ampere", "A"},   {"amperes", "A"},
    {"volt", "V"},     {"volts", "V"},
    {"watt", "W"},     {"watts", "W"},
    {"ohms", "Ohm"},   {"milliohm", "mOhm"},
    {"sec", "s"},      {"secs", "s"},
    {"second", "s"},   {"seconds", "s"},
    {"m", "min"},      {"mins", "min"},
    {"minute", "min"}, {"minutes", "min"},
    {"hr", "h"},       {"hrs", "h"},
    {"hour", "h"},     {"hours", "h"},
    {"day", "d"},      {"days", "d"},
    {"percent", "%"},  {"celsius", "degC"},
    {"deg", "degC"},   {"V/c", "V/cell"},
    {"Vpc", "V/cell"}, {"VPC", "V/cell"},
    {"A/h", "Ah"},     {"mA/h", "mAh"},
    {"W/h", "Wh"},     {"volts/cell", "V/cell"},
};

/* `within`: when that dimension is wanted too, its name covers this one. */
static const struct {
    const char *name, *example, *unit;
    enum dimension within;
} dimensions[] = {
    [DIM_NUMBER] = {"a plain number", "3", "", DIM_NUMBER},
    [DIM_CURRENT] = {"a current", "10 A", " A", DIM_CURRENT},
    [DIM_RELATIVE_CURRENT] = {"a relative current", "0.2 C", " C", DIM_CURRENT},
    [DIM_VOLTAGE] = {"a voltage", "12.6 V", " V", DIM_VOLTAGE},
    [DIM_VOLTAGE_PER_CELL] = {"a voltage per cell", "3.65 V/cell", " V/cell", DIM_VOLTAGE},
    [DIM_CHARGE] = {"a charge", "2500 mAh", " Ah", DIM_CHARGE},
    [DIM_ENERGY] = {"an energy", "30 Wh", " Wh", DIM_ENERGY},
    [DIM_POWER] = {"a power", "60 W", " W", DIM_POWER},
    [DIM_RESISTANCE] = {"a resistance", "60 mOhm", " mOhm", DIM_RESISTANCE},
    [DIM_TIME] = {"a time", "12.5 h", " s", DIM_TIME},
    [DIM_TEMPERATURE] = {"a temperature", "45 degC", " degC", DIM_TEMPERATURE},
    [DIM_TEMPERATURE_RATE] = {"a rate of temperature", "1 degC/min", " degC/min",
                              DIM_TEMPERATURE_RATE},
    [DIM_VOLTAGE_RATE] = {"a rate of voltage", "5 mV/h", " mV/h", DIM_VOLTAGE_RATE},
    [DIM_VOLTAGE_PER_KELVIN] = {"a voltage per kelvin and cell", "-3 mV/K/cell", " mV/K/cell",
                                DIM_VOLTAGE_PER_KELVIN},
    [DIM_RATIO] = {"a ratio", "95 %", " %", DIM_RATIO},
};

#define COUNT(a) (sizeof(a) / sizeof *(a))

struct shown {
    char text[SHOWN_MAX + 4];
};

/* The person's text as a message repeats it: bounded, on one line. */
static struct shown show(const char *text, size_t n)
{
    struct shown s;
    size_t i = 0;
    for (; i < n && i < SHOWN_MAX; i++) {
        unsigned char c = (unsigned char)text[i];
        s.text[i] = c < 0x20 || c == 0x7F ? '?' : text[i];
    }
    if (n > SHOWN_MAX) {
        while (i > 0 && ((unsigned char)text[i] & 0xC0) == 0x80) {
            i--; /* do not cut a character in two */
        }
        memcpy(s.text + i, "...", 3);
        i += 3;
    }
    s.text[i] = '\0';
    return s;
}

const char *dimension_name(enum dimension d)
{
    return (size_t)d < COUNT(dimensions) ? dimensions[d].name : "an unknown dimension";
}

/* A piece of the person's text. */
struct span {
    const char *at;
    size_t n;
};

static bool starts(struct span s, const char *prefix)
{
    size_t n = strlen(prefix);
    return s.n >= n && memcmp(s.at, prefix, n) == 0;
}

/* Length of the white space at the start; a word processor's no-break spaces count. */
static size_t space_at(struct span s)
{
    if (s.n && (*s.at == ' ' || *s.at == '\t')) {
        return 1;
    }
    if (starts(s, "\xC2\xA0")) {
        return 2;
    }
    return starts(s, "\xE2\x80\xAF") ? 3 : 0;
}

static struct span rest_after(struct span s, size_t n)
{
    return (struct span){s.at + n, s.n - n};
}

static struct span skip_space(struct span s)
{
    for (size_t n; (n = space_at(s)) > 0;) {
        s = rest_after(s, n);
    }
    return s;
}

static struct span trim(struct span s)
{
    s = skip_space(s);
    for (size_t cut = 1; cut <= 3 && cut <= s.n; cut++) {
        if (space_at((struct span){s.at + s.n - cut, cut}) == cut) {
            s.n -= cut;
            cut = 0;
        }
    }
    return s;
}

static size_t digits_at(struct span s, size_t from)
{
    size_t n = from;
    while (n < s.n && s.at[n] >= '0' && s.at[n] <= '9') {
        n++;
    }
    return n - from;
}

/* Length of the decimal number at the start; 0 if there is none. */
static size_t number_length(struct span s)
{
    size_t n = s.n && (*s.at == '+' || *s.at == '-');
    size_t whole = digits_at(s, n), fraction = 0;
    n += whole;
    if (n < s.n && s.at[n] == '.') {
        fraction = digits_at(s, n + 1);
        n += 1 + fraction;
    }
    if (whole + fraction == 0) {
        return 0;
    }
    if (n < s.n && (s.at[n] == 'e' || s.at[n] == 'E')) {
        size_t sign = n + 1 < s.n && (s.at[n + 1] == '+' || s.at[n + 1] == '-');
        size_t digits = digits_at(s, n + 1 + sign);
        if (digits) {
            n += 1 + sign + digits;
        }
    }
    return n;
}

/* The program never calls setlocale(), so strtod() reads the decimal point. */
static bool convert(struct span number, double *out)
{
    char copy[NUMBER_MAX];
    if (number.n >= sizeof copy) {
        return false;
    }
    memcpy(copy, number.at, number.n);
    copy[number.n] = '\0';
    errno = 0;
    *out = strtod(copy, NULL);
    return errno == 0 && isfinite(*out);
}

static bool too_long(struct span whole, struct err *e)
{
    struct shown s = show(whole.at, whole.n);
    return err_set(e, ERR_CONFIG, "the number in \"%s\" is beyond what can be held", s.text);
}

/* Replaces other signs for the same unit by ours and drops spaces beside a
 * slash. False if the unit is too long to be one. */
static bool normalise(struct span in, char out[UNIT_MAX])
{
    static const struct {
        const char *from, *to;
    } signs[] = {
        {"\xC2\xB5", "u"},        {"\xCE\xBC", "u"},   /* micro sign, Greek mu */
        {"\xE2\x84\xA6", "Ohm"},  {"\xCE\xA9", "Ohm"}, /* ohm sign, Greek omega */
        {"\xE2\x84\x83", "degC"}, {"\xC2\xB0", "deg"},
    };
    size_t n = 0;
    while (in.n) {
        const char *to = NULL;
        size_t used = space_at(in);
        if (used) {
            struct span after = skip_space(in);
            bool drop = starts(after, "/") || (n && out[n - 1] == '/') ||
                        (n >= 3 && memcmp(out + n - 3, "deg", 3) == 0);
            to = drop ? "" : " ";
            used = in.n - after.n;
        }
        for (size_t i = 0; !to && i < COUNT(signs); i++) {
            if (starts(in, signs[i].from)) {
                to = signs[i].to;
                used = strlen(signs[i].from);
            }
        }
        char same[2] = {*in.at, '\0'};
        if (!to) {
            to = same;
            used = 1;
        }
        size_t add = strlen(to);
        if (n + add >= UNIT_MAX) {
            return false;
        }
        memcpy(out + n, to, add);
        n += add;
        in = rest_after(in, used);
    }
    out[n] = '\0';
    return true;
}

static const struct unit *find_unit(const char *name)
{
    for (size_t i = 0; i < COUNT(units); i++) {
        if (strcmp(units[i].name, name) == 0) {
            return &units[i];
        }
    }
    return NULL;
}

static const char *suggest_unit(const char *name)
{
    for (size_t i = 0; i < COUNT(units); i++) {
        if (strcasecmp(units[i].name, name) == 0) {
            return units[i].name;
        }
    }
    for (size_t i = 0; i < COUNT(spellings); i++) {
        if (strcasecmp(spellings[i].wrong, name) == 0) {
            return spellings[i].right;
        }
    }
    return NULL;
}

/* All that was read from a text: a message needs the pieces. */
struct reading {
    struct span whole;
    struct span number;
    char unit[UNIT_MAX];
    struct quantity quantity;
};

static bool unknown_unit(const struct reading *r, struct err *e)
{
    struct shown whole = show(r->whole.at, r->whole.n);
    struct shown unit = show(r->unit, strlen(r->unit));
    const char *right = suggest_unit(r->unit);
    if (right) {
        return err_set(e, ERR_CONFIG, "\"%s\" has the unknown unit \"%s\"; did you mean %s?",
                       whole.text, unit.text, right);
    }
    if (strcmp(r->unit, "K") == 0) {
        return err_set(e, ERR_CONFIG,
                       "\"%s\" is in kelvin; write temperatures in degC, e.g. 25 degC", whole.text);
    }
    return err_set(e, ERR_CONFIG,
                   "\"%s\" has the unknown unit \"%s\"; known are A, C, V, V/cell, Ah, Wh, W, Ohm, "
                   "s, min, h, d, degC, %% and their usual multiples",
                   whole.text, unit.text);
}

static bool not_a_quantity(struct span whole, struct err *e)
{
    struct shown s = show(whole.at, whole.n);
    if (!whole.n) {
        return err_set(e, ERR_CONFIG, "nothing is written where a number is wanted");
    }
    if (starts(whole, "\xE2\x88\x92") || starts(whole, "\xE2\x80\x93")) {
        return err_set(e, ERR_CONFIG, "\"%s\" begins with a dash that is not a minus sign; write -",
                       s.text);
    }
    return err_set(e, ERR_CONFIG, "\"%s\" is not a number; write digits, e.g. 10 or 0.5", s.text);
}

/* "1,000" is a thousand to some and one to others; "0,125" is a decimal to all. */
static bool may_be_thousands(struct span number, size_t digits)
{
    size_t sign = *number.at == '+' || *number.at == '-';
    return digits == 3 && number.n - sign <= 3 && number.at[sign] != '0';
}

/* What follows a number shows a slip in the number itself. */
static bool slip_in_number(struct span whole, struct span number, struct span rest, struct err *e)
{
    size_t digits = rest.n > 1 && *rest.at == ',' ? digits_at(rest, 1) : 0;
    struct span after = rest_after(rest, digits > 0 ? 1 + digits : 0);
    bool is_plain = digits > 0 && memchr(number.at, '.', number.n) == NULL &&
                    memchr(number.at, 'e', number.n) == NULL &&
                    memchr(number.at, 'E', number.n) == NULL;
    if (!is_plain || starts(after, ",") || starts(after, ".")) {
        return not_a_quantity(whole, e);
    }
    struct shown s = show(whole.at, whole.n);
    struct shown n = show(number.at, number.n);
    struct shown r = show(rest.at + 1, rest.n - 1);
    if (may_be_thousands(number, digits)) {
        return err_set(e, ERR_CONFIG, "\"%s\" has a comma; write %s%s or %s.%s, whichever is meant",
                       s.text, n.text, r.text, n.text, r.text);
    }
    return err_set(e, ERR_CONFIG, "\"%s\" has a decimal comma; write %s.%s", s.text, n.text,
                   r.text);
}

/* "C/5": the rated capacity in a fifth of an hour's current. */
static bool is_c_over(struct span whole, struct span *number)
{
    if (!starts(whole, "C")) {
        return false;
    }
    struct span rest = skip_space(rest_after(whole, 1));
    if (!starts(rest, "/")) {
        return false;
    }
    *number = skip_space(rest_after(rest, 1));
    return true;
}

static bool read_c_over(struct span whole, struct span number, struct quantity *out, struct err *e)
{
    double hours = 0;
    size_t n = number_length(number);
    if (n == 0 || n != number.n || !convert(number, &hours) || !(hours > 0)) {
        struct shown s = show(whole.at, whole.n);
        return err_set(e, ERR_CONFIG,
                       "\"%s\" is no relative current; write C/5 for a fifth, or 0.2 C", s.text);
    }
    *out = (struct quantity){1 / hours, DIM_RELATIVE_CURRENT};
    return true;
}

static bool read_pieces(struct span whole, struct reading *r, struct err *e)
{
    struct span rest;
    r->whole = whole;
    size_t n = number_length(whole);
    if (n == 0) {
        return not_a_quantity(whole, e);
    }
    r->number = (struct span){whole.at, n};
    rest = rest_after(whole, n);
    if (rest.n && strchr(",.0123456789+-xX", *rest.at)) {
        return slip_in_number(whole, r->number, rest, e);
    }
    rest = skip_space(rest);
    if (digits_at(rest, 0)) {
        struct shown s = show(whole.at, whole.n);
        return err_set(e, ERR_CONFIG, "\"%s\" has a space inside the number; write it without",
                       s.text);
    }
    if (!convert(r->number, &r->quantity.value)) {
        return too_long(whole, e);
    }
    if (!normalise(rest, r->unit)) {
        struct shown s = show(whole.at, whole.n);
        return err_set(e, ERR_CONFIG, "\"%s\" has no unit that is known", s.text);
    }
    return true;
}

static bool read_quantity(const char *text, struct reading *r, struct err *e)
{
    struct span whole = trim((struct span){text, strlen(text)});
    struct span hours;
    if (is_c_over(whole, &hours)) {
        return read_c_over(whole, hours, &r->quantity, e);
    }
    if (!read_pieces(whole, r, e)) {
        return false;
    }
    if (r->unit[0] == '\0') {
        r->quantity.dimension = DIM_NUMBER;
        return true;
    }
    const struct unit *u = find_unit(r->unit);
    if (!u) {
        return unknown_unit(r, e);
    }
    r->quantity.value = r->quantity.value * u->times / u->over;
    r->quantity.dimension = u->dimension;
    if (!isfinite(r->quantity.value)) {
        return too_long(whole, e);
    }
    return true;
}

bool quantity_parse(const char *text, struct quantity *out, struct err *e)
{
    struct reading r = {.quantity = {0, DIM_NUMBER}};
    if (!read_quantity(text, &r, e)) {
        return false;
    }
    *out = r.quantity;
    return true;
}

/* "a current is wanted here, e.g. 10 A or 0.2 C": the names of what is allowed,
 * without those that a wider name covers, and an example of each. */
static void say_wanted(unsigned allowed, char *out, size_t size)
{
    char names[320] = "", examples[240] = "";
    for (size_t i = 0; i < COUNT(dimensions); i++) {
        enum dimension within = dimensions[i].within;
        if (!(allowed & DIM_BIT(i))) {
            continue;
        }
        bool covered = within != (enum dimension)i && (allowed & DIM_BIT(within));
        size_t n = strlen(names), m = strlen(examples);
        if (!covered) {
            text_format(names + n, sizeof names - n, "%s%s", n ? " or " : "", dimensions[i].name);
        }
        text_format(examples + m, sizeof examples - m, "%s%s", m ? " or " : "",
                    dimensions[i].example);
    }
    text_format(out, size, "%s is wanted here, e.g. %s", names, examples);
}

static bool needs_unit(const char *number, unsigned allowed, struct err *e)
{
    size_t first = 0;
    while (first + 1 < COUNT(dimensions) && !(allowed & DIM_BIT(first))) {
        first++;
    }
    /* 0.95 is more likely 95 % than 0.95 %. */
    if (first == DIM_RATIO) {
        return err_set(e, ERR_CONFIG, "\"%s\" needs a unit, e.g. %s", number,
                       dimensions[first].example);
    }
    return err_set(e, ERR_CONFIG, "\"%s\" needs a unit, e.g. %s%s", number, number,
                   dimensions[first].unit);
}

bool quantity_parse_as(const char *text, unsigned allowed, struct quantity *out, struct err *e)
{
    struct quantity q;
    char wanted[600];
    if (!quantity_parse(text, &q, e)) {
        return false;
    }
    if (allowed & DIM_BIT(q.dimension)) {
        *out = q;
        return true;
    }
    struct span whole = trim((struct span){text, strlen(text)});
    struct shown s = show(whole.at, whole.n);
    if (q.dimension == DIM_NUMBER) {
        return needs_unit(s.text, allowed, e);
    }
    say_wanted(allowed, wanted, sizeof wanted);
    return err_set(e, ERR_CONFIG, "\"%s\" is %s; %s", s.text, dimension_name(q.dimension), wanted);
}

bool number_parse(const char *text, double *out, struct err *e)
{
    struct span whole = trim((struct span){text, strlen(text)});
    size_t n = number_length(whole);
    if (n == 0) {
        return not_a_quantity(whole, e);
    }
    if (n != whole.n) {
        return slip_in_number(whole, (struct span){whole.at, n}, rest_after(whole, n), e);
    }
    return convert(whole, out) || too_long(whole, e);
}
