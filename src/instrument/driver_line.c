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

/* `text` begins with '{'. */
static bool placeholder_parse(const char *text, struct placeholder *out, struct err *e)
{
    const char *close = strchr(text, '}');
    int length = close != NULL ? (int)(close - text) + 1 : (int)strlen(text);
    *out = (struct placeholder){.digits = DEFAULT_DIGITS, .length = (size_t)length};
    if (strncmp(text, CHANNEL, strlen(CHANNEL)) == 0) {
        out->value = LINE_HAS_CHANNEL;
        return true;
    }
    if (length >= 3) {
        out->value = text[1] == 'A' ? LINE_HAS_CURRENT : text[1] == 'V' ? LINE_HAS_VOLTAGE : 0;
    }
    bool plain = length == 3;
    bool precise = length == 7 && strncmp(text + 2, ":.", 2) == 0 && text[4] >= '0' &&
                   text[4] <= '9' && text[5] == 'f';
    if (close == NULL || out->value == 0 || !(plain || precise)) {
        return err_set(e, ERR_CONFIG,
                       "\"%.*s\" is no placeholder; there are {A} for the current in ampere and "
                       "{V} for the voltage in volt, with digits after the point as in {A:.3f}",
                       length, text);
    }
    if (precise) {
        out->digits = text[4] - '0';
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
        double value = NAN;
        if (h.value != LINE_HAS_CHANNEL) {
            value = h.value == LINE_HAS_CURRENT ? v->current_A : v->voltage_V;
        }
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
