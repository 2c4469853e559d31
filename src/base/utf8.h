/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/utf8: text from files, instruments and strangers made fit to be shown
 * to a person and put into JSON (RFC 3629). */
#ifndef AMPLEDGER_BASE_UTF8_H
#define AMPLEDGER_BASE_UTF8_H

#include <stddef.h>
#include <stdint.h>

/* Bytes of the character that begins at s, at most n; *c is its code point.
 * 0 when no character begins there (broken, overlong, a surrogate, n is 0). */
size_t utf8_decode(const char *s, size_t n, uint32_t *c);

/* Columns a character takes on a terminal: 0 (combining), 1 or 2 (wide). */
int utf8_width(uint32_t c);

/* Puts '?' for every byte that belongs to no character and for every control
 * character but newline and tab. Never makes the text longer. */
void utf8_repair(char *text);

/* The first control character of a text, newline and tab among them; 0: there is none. Bytes
 * that belong to no character are passed over. */
uint32_t utf8_find_control(const char *text);

/* Takes away a character at the end of which a cut has left only a part. */
void utf8_drop_part(char *text);

#endif
