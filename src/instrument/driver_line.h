/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/driver_line: the little language of the lines in a driver file:
 * text with {A} or {V} where a value goes. Inside the room. */
#ifndef AMPLEDGER_INSTRUMENT_DRIVER_LINE_H
#define AMPLEDGER_INSTRUMENT_DRIVER_LINE_H

#include "instrument/driver.h"

/* Which values a line may hold. */
enum { LINE_HAS_CURRENT = 1 << 0, LINE_HAS_VOLTAGE = 1 << 1 };

/* Check a line that holds only values from `allowed`; *found tells which it
 * holds. The message is a bare sentence: the caller knows file and place. */
bool line_check(const char *line, unsigned allowed, unsigned *found, struct err *e) NODISCARD;

/* Check where a number stands in a printed line: exactly one {} in the text. */
bool pattern_check(const char *pattern, struct err *e) NODISCARD;

/* Take the number out of a printed line by its pattern, "T={} C". Blanks
 * around the line and around the number do not matter; all else must agree. */
bool pattern_read(const char *pattern, const char *line, double *out, struct err *e) NODISCARD;

#endif
