/* SPDX-License-Identifier: GPL-3.0-or-later
 * scpi/scpi_syntax: what instruments answer, read strictly. Pure: bytes in, a
 * value out; no I/O. Follows IEEE 488.2 (response data) and SCPI-1999. */
#ifndef AMPLEDGER_SCPI_SCPI_SYNTAX_H
#define AMPLEDGER_SCPI_SCPI_SYNTAX_H

#include "base/err.h"

#include <stddef.h>

enum scpi_number_kind {
    SCPI_NUMBER,
    SCPI_NOT_A_NUMBER, /* 9.91E37, any spelling, and NAN */
    SCPI_OUT_OF_RANGE, /* 9.9E37 or -9.9E37, INF, NINF */
};

struct scpi_number {
    enum scpi_number_kind kind;
    double value; /* in the base unit; NAN unless SCPI_NUMBER */
    char unit[8]; /* base unit as sent without its multiple, "V", "A", "CEL"; "" when none */
};

/* NR1 (12), NR2 (12.3), NR3 (1.23E+1), with an optional unit suffix and its
 * multiple ("1.2mA", "3.7 V"). White space around is skipped. Anything left
 * over, an empty text, a NUL byte or a number beyond double is ERR_BAD_REPLY. */
bool scpi_number_parse(const char *text, size_t n, struct scpi_number *out,
                       struct err *e) NODISCARD;

/* "0", "1", "+1", "OFF", "ON" in any case. */
bool scpi_boolean_parse(const char *text, size_t n, bool *out, struct err *e) NODISCARD;

struct scpi_piece {
    const char *at;
    size_t n;
};
/* Parts of a compound answer, separated by ';' or ',' outside quotes, trimmed.
 * ERR_BAD_REPLY when there are more than `most` or a quote is left open. */
bool scpi_split(const char *text, size_t n, struct scpi_piece *pieces, size_t most, size_t *count,
                struct err *e) NODISCARD;

#define SCPI_ERROR_TEXT 128
struct scpi_error {
    int code; /* 0: none; negative: SCPI-1999; positive: the maker's own */
    char text[SCPI_ERROR_TEXT];
};
/* An answer of the error queue: -113,"Undefined header"; the text is optional,
 * a doubled quote inside it stands for one. */
bool scpi_error_parse(const char *text, size_t n, struct scpi_error *out, struct err *e) NODISCARD;

/* The standard's own words for a code ("Undefined header"), or "" if it has none. */
const char *scpi_error_text(int code);

#endif
