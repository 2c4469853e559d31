/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/driver_line: the little language of the lines in a driver file:
 * text with {A}, {V}, {W} or {Ohm} where a value goes, and {channel} where
 * an instrument with several outputs wants to know which. Inside the room. */
#ifndef AMPLEDGER_INSTRUMENT_DRIVER_LINE_H
#define AMPLEDGER_INSTRUMENT_DRIVER_LINE_H

#include "instrument/driver.h"

/* Which values a line may hold. */
enum {
    LINE_HAS_CURRENT = 1 << 0,
    LINE_HAS_VOLTAGE = 1 << 1,
    LINE_HAS_POWER = 1 << 2,
    LINE_HAS_RESISTANCE = 1 << 3,
    LINE_HAS_CHANNEL = 1 << 4
};

/* How a single one of the values is written: "{A}". */
const char *line_placeholder(unsigned value);

/* Check a line that holds only values from `allowed`; *found tells which it
 * holds. The message is a bare sentence: the caller knows file and place. */
bool line_check(const char *line, unsigned allowed, unsigned *found, struct err *e) NODISCARD;

/* Put the number of a channel into a line, in its own place. */
void line_set_channel(char *line, int channel);

/* Check where a number stands in a printed line: exactly one {} in the text. */
bool pattern_check(const char *pattern, struct err *e) NODISCARD;

/* Take the number out of a printed line by its pattern, "T={} C". Blanks
 * around the line and around the number do not matter; all else must agree. */
bool pattern_read(const char *pattern, const char *line, double *out, struct err *e) NODISCARD;

#endif
