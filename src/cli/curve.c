/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/curve: buckets of time, then dots. */
#include "cli/curve.h"

#include <math.h>
#include <string.h>

#define FIRST_EACH_S 1.0

void curve_start(struct curve *c)
{
    *c = (struct curve){.each_s = FIRST_EACH_S, .from_s = (double)NAN};
}

/* fmin() and fmax() pass over what is unknown. */
static struct curve_bucket join(struct curve_bucket a, struct curve_bucket b)
{
    return (struct curve_bucket){fmin(a.low, b.low), fmax(a.high, b.high)};
}

static void halve(struct curve *c)
{
    for (size_t i = 0; i < CURVE_BUCKETS / 2; i++) {
        c->bucket[i] = join(c->bucket[2 * i], c->bucket[2 * i + 1]);
    }
    c->n = (c->n + 1) / 2;
    c->each_s *= 2;
}

void curve_add(struct curve *c, double t_s, double value)
{
    if (!isfinite(t_s) || !isfinite(value)) {
        return;
    }
    if (isnan(c->from_s)) {
        c->from_s = t_s;
    }
    while (t_s - c->from_s >= c->each_s * CURVE_BUCKETS) {
        for (size_t i = c->n; i < CURVE_BUCKETS; i++) {
            c->bucket[i] = (struct curve_bucket){NAN, NAN};
        }
        halve(c);
    }
    size_t at = (size_t)(fmax(0, t_s - c->from_s) / c->each_s), last = c->n > 0 ? c->n - 1 : at;
    for (; c->n <= at; c->n++) {
        double share = at > last ? (double)(c->n - last) / (double)(at - last) : 1;
        double v = c->n > 0 ? c->last_value + share * (value - c->last_value) : value;
        c->bucket[c->n] = (struct curve_bucket){v, v};
    }
    c->bucket[at] = join(c->bucket[at], (struct curve_bucket){value, value});
    c->last_value = value;
}

bool curve_range(const struct curve *c, double *low, double *high)
{
    struct curve_bucket all = {NAN, NAN};
    for (size_t i = 0; i < c->n; i++) {
        all = join(all, c->bucket[i]);
    }
    *low = all.low;
    *high = all.high;
    return isfinite(all.low);
}

/* Of column x of so many; where there are more columns than buckets some stand twice. */
static struct curve_bucket at_column(const struct curve *c, size_t x, size_t columns)
{
    size_t first = x * c->n / columns, end = (x + 1) * c->n / columns;
    struct curve_bucket b = {NAN, NAN};
    for (size_t i = first; i < end || i == first; i++) {
        b = join(b, c->bucket[i]);
    }
    return b;
}

struct scale {
    double low, high;
    size_t dots; /* from bottom to top */
};

static size_t dot_of(const struct scale *s, double v)
{
    double share = s->high > s->low ? (v - s->low) / (s->high - s->low) : 0.5;
    return (size_t)lround(share * (double)(s->dots - 1));
}

/* Is there ink at this dot, counted from the bottom? A column reaches to the one before it, so
 * that the curve is one line. */
static bool is_inked(const struct curve *c, const struct scale *s, size_t x, size_t columns,
                     size_t y)
{
    struct curve_bucket b = at_column(c, x, columns);
    if (isnan(b.low)) {
        return false;
    }
    size_t low = dot_of(s, b.low), high = dot_of(s, b.high);
    struct curve_bucket before = x > 0 ? at_column(c, x - 1, columns) : b;
    if (!isnan(before.low)) {
        size_t before_low = dot_of(s, before.low), before_high = dot_of(s, before.high);
        low = before_high < low ? before_high : low;
        high = before_low > high ? before_low : high;
    }
    return y >= low && y <= high;
}

/* The dots of a braille character, in the order of its bits: left column downwards, right
 * column, and the two of the fourth line. */
static const struct {
    size_t x, down;
} dots[8] = {{0, 0}, {0, 1}, {0, 2}, {1, 0}, {1, 1}, {1, 2}, {0, 3}, {1, 3}};

/* U+2800 and its dots, as UTF-8. */
static void put_braille(unsigned bits, char **out)
{
    *(*out)++ = (char)0xE2;
    *(*out)++ = (char)(0xA0 | (bits >> 6));
    *(*out)++ = (char)(0x80 | (bits & 0x3F));
}

void curve_row(const struct curve *c, const struct curve_size *size, size_t row, char *out)
{
    size_t wide = size->plain ? 1 : 2, high = size->plain ? 1 : 4;
    struct scale s = {.dots = size->rows * high};
    *out = '\0';
    if (!curve_range(c, &s.low, &s.high)) {
        return;
    }
    for (size_t i = 0; i < size->width; i++) {
        unsigned bits = 0;
        for (size_t k = 0; k < (size->plain ? 1 : 8); k++) {
            size_t y = s.dots - 1 - (row * high + dots[k].down);
            bits |= (unsigned)is_inked(c, &s, i * wide + dots[k].x, size->width * wide, y) << k;
        }
        if (size->plain) {
            *out++ = bits != 0 ? '*' : ' ';
        } else {
            put_braille(bits, &out);
        }
    }
    *out = '\0';
}
