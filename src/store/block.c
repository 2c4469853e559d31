/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/block: columns of samples as arrays of integers. */
#include "store/block.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DECIMALS_MAX 9
#define USUAL_BELOW (INT64_C(1) << 40) /* so that a whole block of it is no overflow */
#define EXACT_BELOW 9007199254740992.0 /* 2^53: each integer up to it is a double */

static bool is_decimal(double value, double scale)
{
    double scaled = rint(value * scale);
    return fabs(scaled) < EXACT_BELOW && scaled / scale == value;
}

/* The least power of ten that makes all of them integers; 0: there is none. */
static double scale_of(const double *values, size_t n)
{
    double scale = 1;
    for (int decimals = 0; decimals <= DECIMALS_MAX; decimals++, scale *= 10) {
        size_t i = 0;
        while (i < n && (isnan(values[i]) || is_decimal(values[i], scale)))
            i++;
        if (i == n)
            return scale;
    }
    return 0;
}

static int by_size(const void *a, const void *b)
{
    const int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

/* By how much they go up: the middle one, since a pause says nothing of the others. */
static int64_t usual_difference(const double *values, size_t n, double scale)
{
    int64_t difference[BLOCK_SAMPLES];
    size_t count = 0;
    for (size_t i = 1; i < n; i++) {
        if (!isnan(values[i]) && !isnan(values[i - 1]))
            difference[count++] = llrint(values[i] * scale) - llrint(values[i - 1] * scale);
    }
    qsort(difference, count, sizeof difference[0], by_size);
    int64_t usual = count > 0 ? difference[count / 2] : 0;
    return llabs(usual) < USUAL_BELOW ? usual : 0;
}

/* What value number k is beyond k times the usual difference. */
static int64_t beyond(const struct block_column *c, const double *values, size_t k)
{
    return llrint(values[k] * c->scale) - (int64_t)k * c->each;
}

/* False when they are no decimals: then they stand for themselves. */
static bool set_frame(struct block_column *c, const double *values, size_t n, bool steady)
{
    double scale = scale_of(values, n);
    *c = (struct block_column){.scale = 1};
    if (scale == 0)
        return false;
    c->scale = scale;
    c->each = steady ? usual_difference(values, n, scale) : 0;
    for (size_t k = 0; k < n; k++) {
        if (isnan(values[k]))
            continue;
        int64_t more = beyond(c, values, k);
        c->base = !c->known || more < c->base ? more : c->base;
        c->known = true;
    }
    return true;
}

/* JSON has no infinity, but 9e999 is read as one. */
static int write_element(const struct block_column *c, const double *values, size_t k, bool decimal,
                         char *out, size_t size)
{
    const char *before = k == 0 ? "[" : ",";
    double value = values[k];
    if (isnan(value))
        return snprintf(out, size, "%snull", before);
    if (decimal)
        return snprintf(out, size, "%s%" PRId64, before, beyond(c, values, k) - c->base);
    if (isinf(value))
        return snprintf(out, size, "%s%s9e999", before, value < 0 ? "-" : "");
    return snprintf(out, size, "%s%.17g", before, value);
}

bool block_pack(const double *values, size_t n, bool steady, struct block_column *out)
{
    double back[BLOCK_SAMPLES];
    size_t used = 0;
    bool decimal = set_frame(out, values, n, steady);
    out->known = out->known || !decimal;
    for (size_t k = 0; k < n; k++)
        used += (size_t)write_element(out, values, k, decimal, out->text + used,
                                      sizeof out->text - used);
    memcpy(out->text + used, "]", 2);
    if (!block_unpack(out, out->text, n, back))
        return false;
    for (size_t k = 0; k < n; k++) {
        /* Bit by bit, since 0 and -0 differ.
         * NOLINTNEXTLINE(bugprone-suspicious-memory-comparison,cert-exp42-c,cert-flp37-c) */
        if (isnan(values[k]) ? !isnan(back[k]) : memcmp(&values[k], &back[k], sizeof back[k]) != 0)
            return false;
    }
    return true;
}

/* An element of a column: an integer, or a real number where they are no decimals. */
static const char *read_element(const char *at, const struct block_column *frame, size_t k,
                                double *value)
{
    if (strncmp(at, "null", 4) == 0) {
        *value = (double)NAN;
        return at + 4;
    }
    const char *digit = at + (*at == '-');
    int64_t n = 0;
    const char *p = digit;
    for (; *p >= '0' && *p <= '9' && p - digit < 18; p++)
        n = 10 * n + (*p - '0');
    if (p == digit)
        return NULL;
    if (*p != ',' && *p != ']') {
        char *end = NULL;
        *value = strtod(at, &end);
        return end;
    }
    /* Without a sign: a file of a stranger's may hold any numbers. */
    uint64_t more = (uint64_t)frame->each * k + (uint64_t)(*at == '-' ? -n : n);
    *value = (double)(int64_t)((uint64_t)frame->base + more) / frame->scale;
    return p;
}

bool block_unpack(const struct block_column *frame, const char *text, size_t n, double *values)
{
    if (text == NULL) {
        for (size_t k = 0; k < n; k++)
            values[k] = (double)NAN;
        return true;
    }
    for (size_t k = 0; k < n; k++) {
        if (*text != (k == 0 ? '[' : ','))
            return false;
        text = read_element(text + 1, frame, k, &values[k]);
        if (text == NULL)
            return false;
    }
    return n > 0 && *text == ']';
}
