/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/clock_text: UTC labels to and from RFC 3339 text. */
#include "base/clock.h"

#include <stdio.h>
#include <string.h>

#define S_PER_DAY INT64_C(86400)
/* Whole years that fit in 64 bits of nanoseconds around 1970. */
#define YEAR_MIN 1678
#define YEAR_MAX 2261

struct civil {
    int year, month, day, hour, minute, second, ns;
};

static int64_t floor_div(int64_t a, int64_t b)
{
    return a / b - (a % b < 0);
}

static bool is_leap(int year)
{
    return year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
}

static int days_in_month(int year, int month)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    return days[month - 1] + (month == 2 && is_leap(year));
}

/* Days from 1970-01-01 to the first of January of a year. */
static int64_t days_to_year(int year)
{
    int64_t y = year - 1;
    return 365 * (y - 1969) + (y / 4 - y / 100 + y / 400) - (1969 / 4 - 1969 / 100 + 1969 / 400);
}

static void split_days(int64_t days, struct civil *c)
{
    /* Never too late a year: the loop only goes forward. */
    c->year = (int)(1970 + floor_div(days, days < 0 ? 365 : 366));
    while (days_to_year(c->year + 1) <= days) {
        c->year++;
    }
    int rest = (int)(days - days_to_year(c->year));
    for (c->month = 1; rest >= days_in_month(c->year, c->month); c->month++) {
        rest -= days_in_month(c->year, c->month);
    }
    c->day = rest + 1;
}

void clock_format_utc(int64_t utc_ns, char out[CLOCK_UTC_TEXT_SIZE])
{
    int64_t s = floor_div(utc_ns, NS_PER_S);
    int64_t days = floor_div(s, S_PER_DAY);
    int in_day = (int)(s - days * S_PER_DAY);
    int ms = (int)((utc_ns % NS_PER_S + NS_PER_S) % NS_PER_S / NS_PER_MS);
    struct civil c;
    split_days(days, &c);
    /* int64 nanoseconds end in the year 2262: the remainders only tell the compiler so. */
    snprintf(out, CLOCK_UTC_TEXT_SIZE, "%04u-%02u-%02uT%02u:%02u:%02u.%03uZ",
             (unsigned)c.year % 10000u, (unsigned)c.month % 100u, (unsigned)c.day % 100u,
             (unsigned)in_day / 3600u % 100u, (unsigned)in_day / 60u % 60u, (unsigned)in_day % 60u,
             (unsigned)ms % 1000u);
}

static bool read_digits(const char **p, int count, int *out)
{
    int value = 0;
    for (int i = 0; i < count; i++) {
        char c = (*p)[i];
        if (c < '0' || c > '9') {
            return false;
        }
        value = 10 * value + (c - '0');
    }
    *p += count;
    *out = value;
    return true;
}

static bool read_mark(const char **p, char mark)
{
    if (**p != mark) {
        return false;
    }
    (*p)++;
    return true;
}

/* One to nine digits after the point, as nanoseconds. */
static bool read_fraction(const char **p, int *ns)
{
    int scale = 100000000, digits = 0;
    *ns = 0;
    for (; **p >= '0' && **p <= '9'; (*p)++, digits++) {
        if (digits == 9) {
            return false;
        }
        *ns += (**p - '0') * scale;
        scale /= 10;
    }
    return digits > 0;
}

static bool read_civil(const char *p, struct civil *c)
{
    c->ns = 0;
    return read_digits(&p, 4, &c->year) && read_mark(&p, '-') && read_digits(&p, 2, &c->month) &&
           read_mark(&p, '-') && read_digits(&p, 2, &c->day) && read_mark(&p, 'T') &&
           read_digits(&p, 2, &c->hour) && read_mark(&p, ':') && read_digits(&p, 2, &c->minute) &&
           read_mark(&p, ':') && read_digits(&p, 2, &c->second) &&
           (!read_mark(&p, '.') || read_fraction(&p, &c->ns)) && read_mark(&p, 'Z') && *p == '\0';
}

static bool civil_exists(const struct civil *c)
{
    return c->year >= YEAR_MIN && c->year <= YEAR_MAX && c->month >= 1 && c->month <= 12 &&
           c->day >= 1 && c->day <= days_in_month(c->year, c->month) && c->hour < 24 &&
           c->minute < 60 && c->second < 60;
}

bool clock_parse_utc(const char *text, int64_t *utc_ns, struct err *e)
{
    struct civil c;
    if (!read_civil(text, &c)) {
        return err_set(e, ERR_CONFIG,
                       "\"%.40s\" is not a time in UTC; write it like 2026-03-01T21:04:05Z", text);
    }
    if (!civil_exists(&c)) {
        return err_set(e, ERR_CONFIG, "\"%.40s\" is a time that does not exist", text);
    }
    int64_t days = days_to_year(c.year) + c.day - 1;
    for (int month = 1; month < c.month; month++) {
        days += days_in_month(c.year, month);
    }
    int64_t s = days * S_PER_DAY + c.hour * INT64_C(3600) + c.minute * INT64_C(60) + c.second;
    *utc_ns = s * NS_PER_S + c.ns;
    return true;
}
