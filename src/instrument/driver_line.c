/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/driver_line: fills and reads the lines of a driver file. Numbers
 * are always written with a decimal point, whatever the locale of the system. */
#include "instrument/driver_line.h"

#include "base/file.h"
#include "base/quantity.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define DEFAULT_DIGITS 4
#define CHANNEL "{channel}"
#define VALUE_MAX 1e6 /* no battery bench sets more; keeps the text short */

struct placeholder {
    unsigned value; /* LINE_HAS_... */
    int digits;     /* after the point */
    size_t length;  /* of "{A:.4f}" */
};

static const struct {
    unsigned value;
    const char *name;
} placeholders[] = {{LINE_HAS_CURRENT, "{A}"},
                    {LINE_HAS_VOLTAGE, "{V}"},
                    {LINE_HAS_POWER, "{W}"},
                    {LINE_HAS_RESISTANCE, "{Ohm}"}};

const char *line_placeholder(unsigned value)
{
    for (size_t i = 0; i < sizeof placeholders / sizeof placeholders[0]; i++) {
        if (placeholders[i].value == value) {
            return placeholders[i].name;
        }
    }
    return CHANNEL;
}

/* Which value "{A", "{A}" or "{A:.4f}" begins with; *n the length of "{A". 0: none. */
static unsigned value_named(const char *text, size_t *n)
{
    for (size_t i = 0; i < sizeof placeholders / sizeof placeholders[0]; i++) {
        *n = strlen(placeholders[i].name) - 1;
        if (strncmp(text, placeholders[i].name, *n) == 0 && strspn(text + *n, "}:") > 0) {
            return placeholders[i].value;
        }
    }
    *n = 0;
    return 0;
}

/* `text` begins with '{'. */
static bool placeholder_parse(const char *text, struct placeholder *out, struct err *e)
{
    const char *close = strchr(text, '}');
    int length = close != NULL ? (int)(close - text) + 1 : (int)strlen(text);
    size_t name = 0;
    *out = (struct placeholder){.digits = DEFAULT_DIGITS, .length = (size_t)length};
    if (strncmp(text, CHANNEL, strlen(CHANNEL)) == 0) {
        out->value = LINE_HAS_CHANNEL;
        return true;
    }
    out->value = value_named(text, &name);
    const char *rest = text + name; /* "}" or ":.4f}" */
    bool plain = *rest == '}';
    bool precise = strncmp(rest, ":.", 2) == 0 && rest[2] >= '0' && rest[2] <= '9' &&
                   rest[3] == 'f' && rest[4] == '}';
    if (close == NULL || out->value == 0 || !(plain || precise)) {
        return err_set(e, ERR_CONFIG,
                       "\"%.*s\" is no placeholder; there are {A} for the current in ampere, "
                       "{V} for the voltage in volt, {W} for the power in watt and {Ohm} for the "
                       "resistance in ohm, with digits after the point as in {A:.3f}",
                       length, text);
    }
    if (precise) {
        out->digits = rest[2] - '0';
    }
    return true;
}

static bool characters_check(const char *line, struct err *e)
{
    for (const char *p = line; *p != '\0'; p++) {
        if ((unsigned char)*p < 0x20 || (unsigned char)*p > 0x7e) {
            return err_set(
                e, ERR_CONFIG,
                "the line holds a character that no instrument understands (byte 0x%02x); "
                "one line of plain ASCII is wanted",
                (unsigned)(unsigned char)*p);
        }
    }
    return true;
}

bool line_check(const char *line, unsigned allowed, unsigned *found, struct err *e)
{
    *found = 0;
    if (*line == '\0') {
        return err_set(e, ERR_CONFIG, "the line is empty; leave the key out instead");
    }
    if (!characters_check(line, e)) {
        return false;
    }
    for (const char *p = line; *p != '\0';) {
        if (*p == '}') {
            return err_set(e, ERR_CONFIG, "\"}\" without \"{\" before it");
        }
        if (*p != '{') {
            p++;
            continue;
        }
        struct placeholder h;
        if (!placeholder_parse(p, &h, e)) {
            return false;
        }
        if ((h.value & allowed) == 0) {
            return h.value == LINE_HAS_CHANNEL
                       ? err_set(e, ERR_CONFIG,
                                 "{channel} has no value here; say how many outputs there are "
                                 "with \"channels\", e.g. channels: 2")
                       : err_set(e, ERR_CONFIG, "\"%.*s\" has no value here", (int)h.length, p);
        }
        *found |= h.value;
        p += h.length;
    }
    return true;
}

/* Writes "10.0000" at out; returns its length, 0 when it does not fit. */
static size_t value_write(const struct placeholder *h, double value, char *out, size_t size)
{
    int n = snprintf(out, size, "%.*f", h->digits, value == 0 ? 0.0 : value);
    return n > 0 && (size_t)n < size ? (size_t)n : 0;
}

static double value_of(const struct driver_values *v, unsigned value)
{
    switch (value) {
    case LINE_HAS_CURRENT:
        return v->current_A;
    case LINE_HAS_VOLTAGE:
        return v->voltage_V;
    case LINE_HAS_POWER:
        return v->power_W;
    case LINE_HAS_RESISTANCE:
        return v->resistance_ohm;
    default:
        return NAN; /* the channel has long been put in */
    }
}

bool driver_fill_line(const char *line, const struct driver_values *v, char *out, size_t size,
                      struct err *e)
{
    size_t n = 0;
    for (const char *p = line; *p != '\0';) {
        size_t added = 1;
        if (n + 1 >= size) {
            return err_set(e, ERR_BUG, "the line \"%s\" is too long with its values", line);
        }
        if (*p != '{') {
            out[n++] = *p++;
            continue;
        }
        struct placeholder h;
        if (!placeholder_parse(p, &h, e)) {
            return false;
        }
        double value = value_of(v, h.value);
        if (!isfinite(value) || fabs(value) > VALUE_MAX) {
            return err_set(e, ERR_BUG, "the line \"%s\" wants a value, and there is none (%g)",
                           line, value);
        }
        added = value_write(&h, value, out + n, size - n);
        if (added == 0) {
            return err_set(e, ERR_BUG, "the line \"%s\" is too long with its values", line);
        }
        n += added;
        p += h.length;
    }
    out[n] = '\0';
    return true;
}

void line_set_channel(char *line, int channel)
{
    char digits[16];
    text_format(digits, sizeof digits, "%d", channel);
    size_t n = strlen(digits); /* less than of "{channel}", so all stays within the line */
    for (char *at = strstr(line, CHANNEL); at != NULL; at = strstr(at + n, CHANNEL)) {
        memcpy(at, digits, n);
        memmove(at + n, at + strlen(CHANNEL), strlen(at + strlen(CHANNEL)) + 1);
    }
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\n';
}

bool pattern_check(const char *pattern, struct err *e)
{
    if (!characters_check(pattern, e)) {
        return false;
    }
    const char *mark = strstr(pattern, "{}");
    if (mark == NULL || strpbrk(mark + 2, "{}") != NULL ||
        strcspn(pattern, "{}") != (size_t)(mark - pattern)) {
        return err_set(e, ERR_CONFIG,
                       "\"%s\" does not say where the number stands; write one {} in its place, "
                       "e.g. \"T={} C\"",
                       pattern);
    }
    size_t n = strlen(pattern);
    if (is_blank(pattern[0]) || is_blank(pattern[n - 1])) {
        return err_set(e, ERR_CONFIG,
                       "\"%s\" begins or ends with a blank; blanks around a printed line are "
                       "dropped before it is compared",
                       pattern);
    }
    return true;
}

/* Narrow the part [*from, *to) of a text by the blanks at both ends. */
static void trim(const char *text, size_t *from, size_t *to)
{
    while (*from < *to && is_blank(text[*from])) {
        (*from)++;
    }
    while (*to > *from && is_blank(text[*to - 1])) {
        (*to)--;
    }
}

bool pattern_read(const char *pattern, const char *line, double *out, struct err *e)
{
    const char *mark = strstr(pattern, "{}");
    size_t before = (size_t)(mark - pattern), after = strlen(mark + 2);
    size_t from = 0, to = strlen(line);
    char number[48];
    trim(line, &from, &to);
    if (to - from < before + after || strncmp(line + from, pattern, before) != 0 ||
        strncmp(line + to - after, mark + 2, after) != 0) {
        return err_set(e, ERR_BAD_REPLY, "\"%s\" does not look like \"%s\"", line, pattern);
    }
    from += before;
    to -= after;
    trim(line, &from, &to);
    if (!text_format(number, sizeof number, "%.*s", (int)(to - from), line + from) ||
        !number_parse(number, out, NULL)) {
        return err_set(e, ERR_BAD_REPLY, "\"%s\" does not look like \"%s\": no number at {}", line,
                       pattern);
    }
    return true;
}
