/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/csv: samples from and to CSV files (RFC 4180).
 *
 * Hides quoting, line ends and the order of columns. The header line names the
 * columns; t_s, voltage_V and current_A are needed, temperature_C is welcome,
 * others are passed over. Values are taken as written: the sign of the current
 * is the caller's business. Reading is a stream in bounded memory; a file may
 * come from anywhere, so whatever is wrong gives one message that begins with
 * FILE:LINE: and says what to do (ERR_CONFIG). */
#ifndef AMPLEDGER_REPORT_CSV_H
#define AMPLEDGER_REPORT_CSV_H

#include "base/err.h"
#include "base/sample.h"
#include "base/sha256_sum.h"

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define CSV_LINE_MAX 65536 /* bytes of one record, line ends in quotes included */
#define CSV_FIELDS_MAX 256

/* What the columns of a file are called and how many SI units one of theirs is. */
enum csv_column { CSV_TIME, CSV_VOLTAGE, CSV_CURRENT, CSV_TEMPERATURE, CSV_COLUMNS };
#define CSV_NAME_SIZE 64
struct csv_columns {
    char name[CSV_COLUMNS][CSV_NAME_SIZE];
    double to_si[CSV_COLUMNS];
    bool time_is_utc; /* the time is a date and a time of day */
};
/* t_s, voltage_V, current_A, temperature_C. */
struct csv_columns csv_columns_usual(void);
/* "NAME", or "NAME:UNIT" such as "I:mA" or "Elapsed:min"; "Clock:utc" for times such as
 * 2024-05-01T18:00:00Z (also without the Z, and with a space), which then count from the first
 * row. A colon that no unit of the
 * column's kind follows belongs to the name. */
bool csv_columns_name(struct csv_columns *c, enum csv_column which, const char *text,
                      struct err *e) NODISCARD;

struct csv_reader;

/* Open a regular file and read its header; *out is owned. A UTF-8 byte-order
 * mark is skipped; LF and CRLF are accepted, empty lines passed over. */
bool csv_open(const char *path, struct csv_reader **out, struct err *e) NODISCARD;
/* The same of a file that is open at its begin, taken over also on failure; `name` is what
 * messages call it. Columns of other names and units. */
bool csv_open_stream(FILE *file, const char *name, const struct csv_columns *columns,
                     struct csv_reader **out, struct err *e) NODISCARD;
/* The next row; *more becomes false at the end of the file, and *s is untouched
 * then. An empty temperature is NAN; an empty time, voltage or current is an
 * error, so are time that goes back (unless csv_any_order) and a file without rows. */
bool csv_read(struct csv_reader *r, struct sample *s, bool *more, struct err *e) NODISCARD;
/* Of the first row, where times are dates; known once it was read. */
int64_t csv_first_utc_ns(const struct csv_reader *r);
/* Back to the first row. */
bool csv_rewind(struct csv_reader *r, struct err *e) NODISCARD;

/* Some loggers write a row late, behind others of a later time. */
struct csv_late {
    size_t rows;         /* whose time lies before that of an earlier row */
    size_t first_line;   /* of the file */
    double from_s, to_s; /* there: the latest time before it, and its own */
    double most_s;       /* how far time goes back, at most */
};
/* From now on such rows are read as they come and counted. */
void csv_any_order(struct csv_reader *r);
/* Of the rows read since the file was opened or rewound. */
struct csv_late csv_late(const struct csv_reader *r);
/* After all rows were read once in any order: holds them all in memory, in the order of
 * their times, and stands before the first. Refused where more than a twentieth is late, or
 * time goes back by more than that share of it and 10 min: such a file is not one record
 * (two logs, or a clock that was set). */
bool csv_put_in_order(struct csv_reader *r, struct err *e) NODISCARD;
/* Line on which the row read last begins, from 1. */
size_t csv_line(const struct csv_reader *r);
void csv_close(struct csv_reader *r); /* NULL is fine */

/* Writing: lines end in CRLF, numbers are the shortest text that reads back as
 * the same double, unknown (NAN) is an empty field. `utc` is the run's begin plus
 * t_s; `step` is the running number of the step as it was carried out. */
#define CSV_SAMPLES_HEADER "t_s,voltage_V,current_A,temperature_C,utc,step\r\n"
#define CSV_SAMPLE_SIZE 192
/* One line into out; returns its length. */
size_t csv_format_sample(int step, const struct sample *s, int64_t started_utc_ns,
                         char out[CSV_SAMPLE_SIZE]);

/* SHA-256 over all samples as the lines above, header included: that of the exported file,
 * byte by byte, so that `sha256sum` of it is the check. */
struct csv_sum {
    struct sha256_sum sum;
    int64_t started_utc_ns;
};
void csv_sum_start(struct csv_sum *s, int64_t started_utc_ns);
void csv_sum_add(struct csv_sum *s, int step, const struct sample *sample);
void csv_sum_end(struct csv_sum *s, char out[SHA256_TEXT_SIZE]);

#define CSV_NUMBER_SIZE 32
/* "" for NAN. */
void csv_format_number(double value, char out[CSV_NUMBER_SIZE]);

#endif
