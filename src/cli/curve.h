/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/curve: a small curve in characters. Keeps the least and the greatest value of each
 * stretch of time, in bounded memory however long the record becomes. Pure. */
#ifndef AMPLEDGER_CLI_CURVE_H
#define AMPLEDGER_CLI_CURVE_H

#include <stdbool.h>
#include <stddef.h>

#define CURVE_BUCKETS 512

struct curve {
    double each_s; /* what a bucket lasts; doubles when all are full */
    double from_s; /* of the first value; NAN: there is none */
    size_t n;      /* buckets, up to the newest one */
    double last_value;
    struct curve_bucket {
        double low, high; /* NAN: nothing in it */
    } bucket[CURVE_BUCKETS];
};

void curve_start(struct curve *c);
/* Times do not go back; a value that is not finite is passed over. Between two values that are
 * further apart than a bucket the curve is a straight line. */
void curve_add(struct curve *c, double t_s, double value);
/* False when there is nothing to be drawn. */
bool curve_range(const struct curve *c, double *low, double *high);

struct curve_size {
    size_t width, rows; /* in characters */
    bool plain;         /* ASCII, a point a character; else dots of braille, eight in each */
};
/* Room for one row: no character of it takes more than three bytes. */
#define CURVE_ROW_SIZE(width) (3 * (width) + 1)
/* Row 0 is the uppermost. */
void curve_row(const struct curve *c, const struct curve_size *size, size_t row, char *out);

#endif
