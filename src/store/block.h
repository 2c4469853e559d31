/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/block: a column of up to 1024 samples as a JSON array of small integers, and back.
 * Pure. For this room only.
 *
 * What an instrument sends is a decimal number, so it is an integer over a power of ten, and
 * integer / scale gives the very double that the decimal text stands for (a correctly rounded
 * quotient of two exact numbers). Of the integers the smallest is the base; the array has
 * what each is more than that. Any SQLite shell can count it back: see the view `sample` in
 * tables.c. Values that are no decimal numbers stand in the array themselves, by 17
 * digits, with base 0 and scale 1. */
#ifndef AMPLEDGER_STORE_BLOCK_H
#define AMPLEDGER_STORE_BLOCK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BLOCK_SAMPLES 1024
/* A double by 17 digits and its comma; the brackets. */
#define BLOCK_TEXT_SIZE (BLOCK_SAMPLES * 26 + 3)

/* Value number k is (base + k * each + element k) / scale; null is unknown (NAN). */
struct block_column {
    int64_t base, each;
    double scale;
    bool known; /* is any value? */
    char text[BLOCK_TEXT_SIZE];
};

/* Of n values, at least one and at most BLOCK_SAMPLES. `steady`: they go up by about the
 * same from one to the next, as times do. True when they come back bit by bit. */
bool block_pack(const double *values, size_t n, bool steady, struct block_column *out);

/* The first n values of a column; text NULL: none is known. False when the text has
 * another number of them or is none of ours. */
bool block_unpack(const struct block_column *frame, const char *text, size_t n, double *values);

#endif
