/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/words: numbers as a person reads them. */
#include "report/words.h"

#include "base/clock.h"
#include "base/file.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#define NO_CURRENT_A 0.005 /* less is shown as none */

static struct words unknown(void)
{
    return (struct words){"-"};
}

struct words words_amount(double value, int decimals, const char *unit)
{
    struct words w = unknown();
    if (isfinite(value)) {
        snprintf(w.s, sizeof w.s, "%.*f%s%s", decimals, value, unit[0] != '\0' ? " " : "", unit);
    }
    return w;
}

struct words words_short(double value, const char *unit)
{
    struct words w = unknown();
    if (isfinite(value)) {
        snprintf(w.s, sizeof w.s, "%.4g%s%s", value, unit[0] != '\0' ? " " : "", unit);
    }
    return w;
}

struct words words_current(double current_A)
{
    struct words w = unknown();
    if (!isfinite(current_A)) {
        return w;
    }
    double magnitude = fabs(current_A);
    if (magnitude < NO_CURRENT_A) {
        return (struct words){"no current"};
    }
    int decimals = magnitude < 1 ? 3 : magnitude < 9.9 ? 2 : 1;
    snprintf(w.s, sizeof w.s, "%s %.*f A", current_A < 0 ? "discharge" : "charge", decimals,
             magnitude);
    return w;
}

struct words words_duration(double seconds)
{
    if (seconds >= 3570) {
        return words_amount(seconds / 3600, 1, "h");
    }
    return seconds >= 100 ? words_amount(seconds / 60, 0, "min") : words_amount(seconds, 0, "s");
}

/* GUM 7.2.6: at most two digits of the uncertainty; one where rounding to it
 * changes little. */
static int decimals_for(double expanded)
{
    int magnitude = (int)floor(log10(expanded));
    double leading = expanded / pow(10, magnitude);
    int decimals = (leading >= 5 ? 0 : 1) - magnitude;
    return decimals < 0 ? 0 : decimals > 6 ? 6 : decimals;
}

struct words words_uncertain(double value, double expanded, const char *unit)
{
    struct words w = unknown();
    if (!isfinite(value)) {
        return w;
    }
    if (!isfinite(expanded) || !(expanded > 0)) {
        return words_amount(value, fabs(value) < 10 ? 3 : 2, unit);
    }
    int decimals = decimals_for(expanded);
    snprintf(w.s, sizeof w.s, "%.*f %s +- %.*f %s (k = 2)", decimals, value, unit, decimals,
             expanded, unit);
    return w;
}

static bool local_time(const char *utc, struct tm *tm)
{
    int64_t ns = 0;
    struct err none;
    if (!clock_parse_utc(utc, &ns, &none)) {
        return false;
    }
    time_t seconds = (time_t)(ns / NS_PER_S);
    return localtime_r(&seconds, tm) != NULL;
}

static struct words date_and_time(const struct tm *tm)
{
    struct words w;
    return strftime(w.s, sizeof w.s, "%Y-%m-%d %H:%M:%S %Z", tm) != 0 ? w : unknown();
}

struct words words_time(const char *utc)
{
    struct tm tm;
    return local_time(utc, &tm) ? date_and_time(&tm) : unknown();
}

struct words words_now(void)
{
    struct tm tm;
    time_t now = (time_t)(clock_real_utc_ns() / NS_PER_S);
    return localtime_r(&now, &tm) != NULL ? date_and_time(&tm) : unknown();
}

struct words words_time_of_day(const char *utc)
{
    struct words w;
    struct tm tm;
    bool ok = local_time(utc, &tm) && strftime(w.s, sizeof w.s, "%H:%M %Z", &tm) != 0;
    return ok ? w : unknown();
}

struct words words_cut(const char *text, size_t width)
{
    struct words w;
    size_t n = 0, characters = 0;
    while (text[n] != '\0') {
        bool begins = ((unsigned char)text[n] & 0xC0) != 0x80;
        if (begins && characters == width) {
            break;
        }
        characters += begins;
        n++;
    }
    n = n < sizeof w.s ? n : sizeof w.s - 1;
    memcpy(w.s, text, n);
    w.s[n] = '\0';
    return w;
}

double number_at(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

long long integer_at(const json_t *o, const char *key)
{
    return (long long)json_integer_value(json_object_get(o, key));
}

const char *text_at(const json_t *o, const char *key)
{
    const char *text = json_string_value(json_object_get(o, key));
    return text != NULL ? text : "";
}

bool true_at(const json_t *o, const char *key)
{
    return json_is_true(json_object_get(o, key));
}

struct words words_rated(const json_t *battery)
{
    struct words w = words_short(number_at(battery, "rated_Ah"), "Ah"), of;
    double hours = number_at(battery, "rated_hours");
    double cutoff_V = number_at(battery, "rated_cutoff_V");
    if (w.s[0] == '-') {
        return w;
    }
    text_format(of.s, sizeof of.s, "%s%s%s%s%s", w.s, isfinite(hours) ? " in " : "",
                isfinite(hours) ? words_duration(3600 * hours).s : "",
                isfinite(cutoff_V) ? " to " : "",
                isfinite(cutoff_V) ? words_amount(cutoff_V, 2, "V").s : "");
    return of;
}

static struct words bounded(const json_t *of, const char *sign, struct words amount)
{
    struct words w;
    bool bound = amount.s[0] != '-' && true_at(of, "lower_bound");
    text_format(w.s, sizeof w.s, "%s%s", bound ? sign : "", amount.s);
    return w;
}

struct words words_bounded(const json_t *of, const char *key, int decimals)
{
    return bounded(of, "> ", words_amount(number_at(of, key), decimals, ""));
}

struct words words_of_rated(const json_t *of)
{
    return bounded(of, "at least ", words_amount(number_at(of, "percent_of_rated"), 1, "%"));
}

bool is_whole(const json_t *run)
{
    return strcmp(text_at(run, "outcome"), "completed") == 0;
}

struct words words_enough(const json_t *result)
{
    struct words w = {""}, corrected = {""};
    const json_t *enough = json_object_get(result, "enough");
    const json_t *c = json_object_get(result, "correction");
    if (true_at(c, "decides") && true_at(c, "applied")) {
        text_format(corrected.s, sizeof corrected.s, " (corrected capacity: %s)",
                    words_short(number_at(c, "capacity_Ah"), "Ah").s);
    }
    if (json_is_boolean(enough)) {
        text_format(w.s, sizeof w.s, "%s the %s wanted%s",
                    json_is_true(enough) ? "enough for" : "short of",
                    words_short(number_at(result, "acceptance_Ah"), "Ah").s, corrected.s);
    }
    return w;
}

struct words words_count(size_t n, const char *one, const char *several)
{
    struct words w;
    text_format(w.s, sizeof w.s, "%zu %s", n, n == 1 ? one : several);
    return w;
}

struct words words_comparable(const json_t *comparable)
{
    struct words w;
    double at_C = number_at(comparable, "temperature_C");
    text_format(w.s, sizeof w.s, "%s", text_at(comparable, "text"));
    if (isfinite(at_C)) {
        size_t n = strlen(w.s);
        text_format(w.s + n, sizeof w.s - n, " at %.1f degC +- %.0f K", at_C,
                    number_at(comparable, "temperature_within_K"));
    }
    return w;
}
