/* SPDX-License-Identifier: GPL-3.0-or-later
 * scpi/scpi_syntax: numbers, booleans, compound answers, error queue entries. */
#include "scpi/scpi_syntax.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define NUMBER_MOST 63

/* SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5; makers write them with more or fewer
 * digits, so they are met within a share. */
#define NOT_A_NUMBER 9.91e37
#define INFINITE 9.9e37
#define NEAR_SHARE 1e-4

static bool is_space(char c)
{
    return c == ' ' || c == '\t' || c == '\r';
}

static struct scpi_piece trim(const char *text, size_t n)
{
    while (n > 0 && is_space(text[0])) {
        text++;
        n--;
    }
    while (n > 0 && is_space(text[n - 1])) {
        n--;
    }
    return (struct scpi_piece){text, n};
}

static bool fail(struct err *e, const char *what, struct scpi_piece p)
{
    char shown[48];
    size_t n = p.n < sizeof shown - 1 ? p.n : sizeof shown - 1;
    for (size_t i = 0; i < n; i++) {
        unsigned char c = (unsigned char)p.at[i];
        shown[i] = c < 0x20 || c >= 0x7f ? '?' : p.at[i];
    }
    shown[n] = '\0';
    return err_set(e, ERR_BAD_REPLY, "\"%s\" is no %s", shown, what);
}

static size_t digits(struct scpi_piece p, size_t from)
{
    size_t i = from;
    while (i < p.n && p.at[i] >= '0' && p.at[i] <= '9') {
        i++;
    }
    return i - from;
}

/* Length of NR1, NR2 or NR3 at the start; 0 when there is none. An E that no
 * digits follow belongs to a unit. */
static size_t number_length(struct scpi_piece p)
{
    size_t i = p.n > 0 && (p.at[0] == '+' || p.at[0] == '-') ? 1 : 0;
    size_t whole = digits(p, i);
    size_t fraction = 0;
    i += whole;
    if (i < p.n && p.at[i] == '.') {
        fraction = digits(p, i + 1);
        i += 1 + fraction;
    }
    if (whole + fraction == 0) {
        return 0;
    }
    if (i < p.n && (p.at[i] == 'e' || p.at[i] == 'E')) {
        size_t sign = i + 1 < p.n && (p.at[i + 1] == '+' || p.at[i + 1] == '-') ? 1 : 0;
        size_t exponent = digits(p, i + 1 + sign);
        i += exponent > 0 ? 1 + sign + exponent : 0;
    }
    return i;
}

/* What instruments send behind a number. SCPI gives CEL for degrees Celsius. */
static const struct {
    const char *suffix, *base;
    double factor;
} units[] = {
    {"V", "V", 1},      {"mV", "V", 1e-3}, {"uV", "V", 1e-6}, {"kV", "V", 1e3},
    {"A", "A", 1},      {"mA", "A", 1e-3}, {"uA", "A", 1e-6}, {"W", "W", 1},
    {"mW", "W", 1e-3},  {"kW", "W", 1e3},  {"Ohm", "Ohm", 1}, {"mOhm", "Ohm", 1e-3},
    {"s", "s", 1},      {"ms", "s", 1e-3}, {"CEL", "CEL", 1}, {"C", "CEL", 1},
    {"degC", "CEL", 1}, {"Ah", "Ah", 1},   {"Wh", "Wh", 1},
};

/* The case of the first letter tells milli from mega; that of the rest does not matter. */
static bool suffix_is(struct scpi_piece p, const char *suffix)
{
    return strlen(suffix) == p.n && p.at[0] == suffix[0] && strncasecmp(p.at, suffix, p.n) == 0;
}

static bool take_unit(struct scpi_piece p, struct scpi_number *out)
{
    if (p.n == 0) {
        return true;
    }
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        if (suffix_is(p, units[i].suffix)) {
            out->value *= units[i].factor;
            strcpy(out->unit, units[i].base); /* longest is "CEL" */
            return true;
        }
    }
    return false;
}

static void recognise_special(struct scpi_number *out)
{
    double v = fabs(out->value);
    if (fabs(v / NOT_A_NUMBER - 1) < NEAR_SHARE) {
        out->kind = SCPI_NOT_A_NUMBER;
        out->value = NAN;
    } else if (v >= INFINITE * (1 - NEAR_SHARE)) {
        out->kind = SCPI_OUT_OF_RANGE;
        out->value = NAN;
    }
}

static bool take_word(struct scpi_piece p, struct scpi_number *out)
{
    static const struct {
        const char *word;
        enum scpi_number_kind kind;
    } words[] = {
        {"NAN", SCPI_NOT_A_NUMBER},  {"INF", SCPI_OUT_OF_RANGE},  {"+INF", SCPI_OUT_OF_RANGE},
        {"NINF", SCPI_OUT_OF_RANGE}, {"-INF", SCPI_OUT_OF_RANGE}, {"INFINITY", SCPI_OUT_OF_RANGE},
    };
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strlen(words[i].word) == p.n && strncasecmp(p.at, words[i].word, p.n) == 0) {
            *out = (struct scpi_number){.kind = words[i].kind, .value = NAN};
            return true;
        }
    }
    return false;
}

bool scpi_number_parse(const char *text, size_t n, struct scpi_number *out, struct err *e)
{
    char copy[NUMBER_MOST + 1];
    struct scpi_piece p = trim(text, n);
    size_t length = number_length(p);
    if (length == 0) {
        return take_word(p, out) || fail(e, "number", p);
    }
    if (length > NUMBER_MOST) {
        return fail(e, "number", p);
    }
    memcpy(copy, p.at, length);
    copy[length] = '\0';
    errno = 0;
    *out = (struct scpi_number){.kind = SCPI_NUMBER, .value = strtod(copy, NULL)};
    if (errno == ERANGE && isinf(out->value)) {
        return fail(e, "number within range", p);
    }
    recognise_special(out);
    return take_unit(trim(p.at + length, p.n - length), out) || fail(e, "number", p);
}

bool scpi_boolean_parse(const char *text, size_t n, bool *out, struct err *e)
{
    struct scpi_number number;
    struct scpi_piece p = trim(text, n);
    if (p.n == 2 && strncasecmp(p.at, "ON", 2) == 0) {
        *out = true;
        return true;
    }
    if (p.n == 3 && strncasecmp(p.at, "OFF", 3) == 0) {
        *out = false;
        return true;
    }
    if (!scpi_number_parse(p.at, p.n, &number, NULL) || number.kind != SCPI_NUMBER ||
        (number.value < 0 || number.value > 0) + (number.value < 1 || number.value > 1) == 2) {
        return fail(e, "state; 0 or 1 is wanted", p);
    }
    *out = number.value > 0.5;
    return true;
}

bool scpi_split(const char *text, size_t n, struct scpi_piece *pieces, size_t most, size_t *count,
                struct err *e)
{
    size_t start = 0;
    char quote = '\0';
    *count = 0;
    for (size_t i = 0; i <= n; i++) {
        char c = i < n ? text[i] : ';';
        if (i < n && quote != '\0') {
            quote = c == quote ? '\0' : quote;
            continue;
        }
        if (i < n && (c == '"' || c == '\'')) {
            quote = c;
            continue;
        }
        if (c != ';' && c != ',') {
            continue;
        }
        if (quote != '\0' || *count == most) {
            return fail(e, "answer of the wanted parts", trim(text, n));
        }
        pieces[(*count)++] = trim(text + start, i - start);
        start = i + 1;
    }
    return true;
}

/* --- the error queue --- */

/* SCPI-1999 vol. 2 ch. 21.8. X(code, words) */
#define SCPI_ERRORS(X)                                                                             \
    X(0, "No error")                                                                               \
    X(-100, "Command error")                                                                       \
    X(-101, "Invalid character")                                                                   \
    X(-102, "Syntax error")                                                                        \
    X(-103, "Invalid separator")                                                                   \
    X(-104, "Data type error")                                                                     \
    X(-105, "GET not allowed")                                                                     \
    X(-108, "Parameter not allowed")                                                               \
    X(-109, "Missing parameter")                                                                   \
    X(-110, "Command header error")                                                                \
    X(-111, "Header separator error")                                                              \
    X(-112, "Program mnemonic too long")                                                           \
    X(-113, "Undefined header")                                                                    \
    X(-114, "Header suffix out of range")                                                          \
    X(-115, "Unexpected number of parameters")                                                     \
    X(-120, "Numeric data error")                                                                  \
    X(-121, "Invalid character in number")                                                         \
    X(-123, "Exponent too large")                                                                  \
    X(-124, "Too many digits")                                                                     \
    X(-128, "Numeric data not allowed")                                                            \
    X(-130, "Suffix error")                                                                        \
    X(-131, "Invalid suffix")                                                                      \
    X(-134, "Suffix too long")                                                                     \
    X(-138, "Suffix not allowed")                                                                  \
    X(-140, "Character data error")                                                                \
    X(-141, "Invalid character data")                                                              \
    X(-144, "Character data too long")                                                             \
    X(-148, "Character data not allowed")                                                          \
    X(-150, "String data error")                                                                   \
    X(-151, "Invalid string data")                                                                 \
    X(-158, "String data not allowed")                                                             \
    X(-160, "Block data error")                                                                    \
    X(-161, "Invalid block data")                                                                  \
    X(-168, "Block data not allowed")                                                              \
    X(-170, "Expression error")                                                                    \
    X(-171, "Invalid expression")                                                                  \
    X(-178, "Expression data not allowed")                                                         \
    X(-180, "Macro error")                                                                         \
    X(-181, "Invalid outside macro definition")                                                    \
    X(-183, "Invalid inside macro definition")                                                     \
    X(-184, "Macro parameter error")                                                               \
    X(-200, "Execution error")                                                                     \
    X(-201, "Invalid while in local")                                                              \
    X(-202, "Settings lost due to rtl")                                                            \
    X(-203, "Command protected")                                                                   \
    X(-210, "Trigger error")                                                                       \
    X(-211, "Trigger ignored")                                                                     \
    X(-212, "Arm ignored")                                                                         \
    X(-213, "Init ignored")                                                                        \
    X(-214, "Trigger deadlock")                                                                    \
    X(-215, "Arm deadlock")                                                                        \
    X(-220, "Parameter error")                                                                     \
    X(-221, "Settings conflict")                                                                   \
    X(-222, "Data out of range")                                                                   \
    X(-223, "Too much data")                                                                       \
    X(-224, "Illegal parameter value")                                                             \
    X(-225, "Out of memory")                                                                       \
    X(-226, "Lists not same length")                                                               \
    X(-230, "Data corrupt or stale")                                                               \
    X(-231, "Data questionable")                                                                   \
    X(-233, "Invalid version")                                                                     \
    X(-240, "Hardware error")                                                                      \
    X(-241, "Hardware missing")                                                                    \
    X(-300, "Device-specific error")                                                               \
    X(-310, "System error")                                                                        \
    X(-311, "Memory error")                                                                        \
    X(-312, "PUD memory lost")                                                                     \
    X(-313, "Calibration memory lost")                                                             \
    X(-314, "Save/recall memory lost")                                                             \
    X(-315, "Configuration memory lost")                                                           \
    X(-320, "Storage fault")                                                                       \
    X(-321, "Out of memory")                                                                       \
    X(-330, "Self-test failed")                                                                    \
    X(-340, "Calibration failed")                                                                  \
    X(-350, "Queue overflow")                                                                      \
    X(-360, "Communication error")                                                                 \
    X(-361, "Parity error in program message")                                                     \
    X(-362, "Framing error in program message")                                                    \
    X(-363, "Input buffer overrun")                                                                \
    X(-365, "Time out error")                                                                      \
    X(-400, "Query error")                                                                         \
    X(-410, "Query INTERRUPTED")                                                                   \
    X(-420, "Query UNTERMINATED")                                                                  \
    X(-430, "Query DEADLOCKED")                                                                    \
    X(-440, "Query UNTERMINATED after indefinite response")                                        \
    X(-500, "Power on")                                                                            \
    X(-600, "User request")                                                                        \
    X(-700, "Request control")                                                                     \
    X(-800, "Operation complete")

const char *scpi_error_text(int code)
{
    static const struct {
        int code;
        const char *words;
    } table[] = {
#define X(number, words) {number, words},
        SCPI_ERRORS(X)
#undef X
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        if (table[i].code == code) {
            return table[i].words;
        }
    }
    return "";
}

/* One string and nothing else, or a text without any quotes (some send it so). */
static bool is_text(struct scpi_piece p)
{
    if (p.n == 0 || (p.at[0] != '"' && p.at[0] != '\'')) {
        return p.n == 0 || memchr(p.at, '"', p.n) == NULL;
    }
    for (size_t i = 1; i < p.n; i++) {
        if (p.at[i] == p.at[0] && i + 1 < p.n && p.at[i + 1] == p.at[0]) {
            i++; /* doubled: it goes on */
        } else if (p.at[i] == p.at[0]) {
            return i + 1 == p.n;
        }
    }
    return false;
}

/* Without the quotes around it, a doubled quote taken as one, cut at its room. */
static void unquote(struct scpi_piece p, char out[SCPI_ERROR_TEXT])
{
    size_t used = 0;
    size_t i = 0;
    bool quoted = p.n >= 2 && (p.at[0] == '"' || p.at[0] == '\'') && p.at[p.n - 1] == p.at[0];
    size_t end = quoted ? p.n - 1 : p.n;
    for (i = quoted ? 1 : 0; i < end && used < SCPI_ERROR_TEXT - 1; i++) {
        if (quoted && p.at[i] == p.at[0] && i + 1 < end && p.at[i + 1] == p.at[0]) {
            i++;
        }
        out[used++] = p.at[i];
    }
    out[used] = '\0';
}

bool scpi_error_parse(const char *text, size_t n, struct scpi_error *out, struct err *e)
{
    struct scpi_piece p = trim(text, n);
    const char *comma = memchr(p.at, ',', p.n);
    size_t code_n = comma != NULL ? (size_t)(comma - p.at) : p.n;
    size_t length = number_length((struct scpi_piece){p.at, code_n});
    char copy[8];
    if (length == 0 || length != code_n || length >= sizeof copy ||
        digits(p, p.at[0] == '+' || p.at[0] == '-' ? 1 : 0) + 1 < code_n) {
        return fail(e, "entry of an error queue", p);
    }
    memcpy(copy, p.at, length);
    copy[length] = '\0';
    *out = (struct scpi_error){.code = (int)strtol(copy, NULL, 10)};
    if (comma != NULL) {
        struct scpi_piece words = trim(comma + 1, p.n - code_n - 1);
        if (!is_text(words)) {
            return fail(e, "entry of an error queue", p);
        }
        unquote(words, out->text);
    }
    if (out->text[0] == '\0') {
        strcpy(out->text, scpi_error_text(out->code)); /* the longest has 43 characters */
    }
    return true;
}
