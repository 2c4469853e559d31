/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/utf8: decodes and mends UTF-8 (RFC 3629). */
#include "base/utf8.h"

#include <stdbool.h>
#include <string.h>

/* Bytes that a character with this first byte has; 0 if none begins so. */
static size_t length_by_lead(unsigned char lead)
{
    if (lead < 0x80) {
        return 1;
    }
    if (lead >= 0xC2 && lead <= 0xDF) {
        return 2;
    }
    if (lead >= 0xE0 && lead <= 0xEF) {
        return 3;
    }
    return lead >= 0xF0 && lead <= 0xF4 ? 4 : 0;
}

size_t utf8_decode(const char *s, size_t n, uint32_t *c)
{
    static const unsigned char payload[] = {0, 0x7F, 0x1F, 0x0F, 0x07};
    static const uint32_t least[] = {0, 0, 0x80, 0x800, 0x10000};
    size_t length = n > 0 ? length_by_lead((unsigned char)*s) : 0;
    if (length == 0 || length > n) {
        return 0;
    }
    uint32_t value = (unsigned char)*s & payload[length];
    for (size_t i = 1; i < length; i++) {
        unsigned char next = (unsigned char)s[i];
        if ((next & 0xC0) != 0x80) {
            return 0;
        }
        value = value << 6 | (next & 0x3F);
    }
    if (value < least[length] || value > 0x10FFFF || (value >= 0xD800 && value <= 0xDFFF)) {
        return 0;
    }
    *c = value;
    return length;
}

/* The blocks that matter where people write labels; not all of Unicode. */
int utf8_width(uint32_t c)
{
    static const struct {
        uint32_t first, last;
        int width;
    } blocks[] = {
        {0x0300, 0x036F, 0},   /* combining diacritical marks */
        {0x1100, 0x115F, 2},   /* Hangul initial letters */
        {0x200B, 0x200F, 0},   /* zero-width spaces and marks */
        {0x20D0, 0x20FF, 0},   /* combining marks for symbols */
        {0x2E80, 0xA4CF, 2},   /* Chinese, Japanese, Yi */
        {0xAC00, 0xD7A3, 2},   /* Hangul syllables */
        {0xF900, 0xFAFF, 2},   /* compatibility ideographs */
        {0xFE00, 0xFE0F, 0},   /* variation selectors */
        {0xFE30, 0xFE6F, 2},   /* compatibility forms */
        {0xFEFF, 0xFEFF, 0},   /* byte order mark */
        {0xFF00, 0xFF60, 2},   /* full-width forms */
        {0xFFE0, 0xFFE6, 2},   /* full-width signs */
        {0x1F300, 0x1FAFF, 2}, /* pictographs */
        {0x20000, 0x3FFFD, 2}, /* more ideographs */
    };
    for (size_t i = 0; i < sizeof blocks / sizeof *blocks; i++) {
        if (c >= blocks[i].first && c <= blocks[i].last) {
            return blocks[i].width;
        }
    }
    return 1;
}

/* Terminals act on those of C1, U+0080 to U+009F, too: U+009B begins a sequence as ESC [ does. */
static bool is_control(uint32_t c)
{
    return c < 0x20 || (c >= 0x7F && c < 0xA0);
}

static bool may_stay(uint32_t c)
{
    return !is_control(c) || c == '\n' || c == '\t';
}

uint32_t utf8_find_control(const char *text)
{
    size_t n = strlen(text);
    for (size_t i = 0; i < n;) {
        uint32_t c = 0;
        size_t length = utf8_decode(text + i, n - i, &c);
        if (length > 0 && is_control(c)) {
            return c;
        }
        i += length == 0 ? 1 : length;
    }
    return 0;
}

void utf8_repair(char *text)
{
    size_t n = strlen(text);
    size_t out = 0;
    for (size_t i = 0; i < n;) {
        uint32_t c = 0;
        size_t length = utf8_decode(text + i, n - i, &c);
        if (length == 0 || !may_stay(c)) {
            text[out++] = '?';
            i += length == 0 ? 1 : length;
            continue;
        }
        memmove(text + out, text + i, length);
        out += length;
        i += length;
    }
    text[out] = '\0';
}

void utf8_drop_part(char *text)
{
    size_t n = strlen(text);
    size_t start = n;
    while (start > 0 && n - start < 4 && ((unsigned char)text[start - 1] & 0xC0) == 0x80) {
        start--;
    }
    if (start > 0 && n - start + 1 < length_by_lead((unsigned char)text[start - 1])) {
        text[start - 1] = '\0';
    }
}
