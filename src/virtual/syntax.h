/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/syntax: the listener's side of IEEE 488.2 and SCPI-99 syntax, strict:
 * what a real instrument would refuse is refused with the standard's number.
 *
 * Written apart from the daemon's own SCPI code on purpose, so that a mistake
 * there is not made here too. Pure; results are 0 or a SCPI error number. */
#ifndef AMPLEDGER_VIRTUAL_SYNTAX_H
#define AMPLEDGER_VIRTUAL_SYNTAX_H

#include <stdbool.h>
#include <stddef.h>

enum {
    SCPI_INVALID_CHARACTER = -101,
    SCPI_SYNTAX = -102,
    SCPI_SEPARATOR = -103,
    SCPI_DATA_TYPE = -104,
    SCPI_TOO_MANY = -108,
    SCPI_MISSING = -109,
    SCPI_UNDEFINED = -113,
    SCPI_BAD_NUMBER = -121,
    SCPI_BAD_SUFFIX = -131,
    SCPI_NO_SUFFIX = -138,
    SCPI_BAD_STRING = -151,
    SCPI_EXECUTION = -200,
    SCPI_CONFLICT = -221,
    SCPI_RANGE = -222,
    SCPI_LIST_FULL = -350,
    SCPI_INPUT_OVERRUN = -363,
    SCPI_INTERRUPTED = -410
};

#define SYNTAX_HEADER_SIZE 128
#define SYNTAX_PARAMETERS 4

struct word {
    const char *text; /* borrowed from the message, not terminated */
    size_t n;
};

/* One program message unit: what stands between two semicolons. */
struct unit {
    char header[SYNTAX_HEADER_SIZE]; /* as written, without the question mark */
    bool query;
    bool common; /* begins with an asterisk */
    bool rooted; /* begins with a colon, which is not in `header` */
    size_t count;
    struct word parameters[SYNTAX_PARAMETERS];
};

struct cursor {
    const char *at;
    const char *end;
};

/* Read the next unit and step over the semicolon behind it. Call while
 * syntax_more(); a blank line holds no unit and is no mistake. */
bool syntax_more(struct cursor *c);
int syntax_unit(struct cursor *c, struct unit *u);

/* Does a header such as "MEAS:VOLT" fit a pattern such as
 * "MEASure[:SCALar]:VOLTage[:DC]"? Each node in its long or its short form (the
 * capitals), nothing between; nodes in brackets may be left out. */
bool syntax_matches(const char *pattern, const char *header);

/* Does a word fit one mnemonic, "MINimum"? */
bool syntax_is(struct word w, const char *mnemonic);

enum extreme { EXTREME_NONE, EXTREME_MIN, EXTREME_MAX, EXTREME_DEF };

/* A decimal number with or without a suffix of the unit ("V", "A", "W", "OHM",
 * "S"; NULL: none allowed), or MIN, MAX, DEF where `extreme` is not NULL. */
int syntax_number(struct word w, const char *unit, double *out, enum extreme *extreme);

/* ON, OFF or a number: 1, 0. */
int syntax_boolean(struct word w, bool *out);

/* The standard's text of an error number. */
const char *syntax_error_text(int number);

#endif
