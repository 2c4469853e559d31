/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/correction: the rules and their tables. */
#include "analysis/correction.h"

#include "base/sample.h"

#include <math.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#define SQRT3 1.7320508075688772

const char *const correction_names[] = {"none",          "stated-linear", "iec-linear",
                                        "rate-adjusted", "time-adjusted", "guide-27",
                                        "below-25",      "change-table",  NULL};

const struct correction_info correction_rules[CORRECTION_COUNT] = {
    [CORRECTION_NONE] = {"none", "C as measured", "", NAN, NAN, NAN, CORRECTION_AT_START, false,
                         true},
    [CORRECTION_STATED_LINEAR] = {"stated-linear", "C / (1 + a (T - T0))",
                                  "coefficient a and reference T0 as stated, e.g. from the "
                                  "maker's sheet",
                                  NAN, -INFINITY, INFINITY, CORRECTION_AT_START, false, true},
    [CORRECTION_IEC_LINEAR] = {"iec-linear",
                               "C / (1 + l (T - 20)); l = 0.006 per K at the 10 h and 20 h rate, "
                               "0.01 at 3 h and 1 h",
                               "reference 20 degC: IEC 60896-11 clause 15.2; coefficients: a "
                               "battery maker's page; the formula is unverified, from memory",
                               20, -INFINITY, INFINITY, CORRECTION_AT_START, true, false},
    [CORRECTION_RATE_ADJUSTED] =
        {"rate-adjusted", "test at the published current / K(T); Ta / Ts, nothing more applied",
         "a stationary battery maker's manual citing IEEE 450-2002; K at 40 to 77 degF: K. Webb, "
         "ESE 471, from IEEE 485 table 1; K outside that is unverified, from memory",
         25, -3.89, 51.67, CORRECTION_AT_START, true, true},
    [CORRECTION_TIME_ADJUSTED] = {"time-adjusted", "test at the published current; Ta / (Ts KT(T))",
                                  "after IEEE 450; formula and KT are unverified, from memory", 25,
                                  4.44, 48.89, CORRECTION_AT_START, true, false},
    [CORRECTION_GUIDE_27] = {"guide-27", "C (1 - 0.009 (T - 27)), T at the end",
                             "a deep-cycle battery maker's guide, made for reserve minutes", 27, 24,
                             32, CORRECTION_AT_END, true, true},
    [CORRECTION_BELOW_25] = {"below-25",
                             "C / (1 - 0.009 (25 - T)) below 25 degC; not corrected above",
                             "K. Webb, ESE 471 slide 12: about 0.5 %/degF", 25, -20, INFINITY,
                             CORRECTION_MEAN, true, true},
    [CORRECTION_CHANGE_TABLE] =
        {"change-table", "C / (1 + change); change by temperature and time, read between rows",
         "a battery maker's table of capacity change, 0 to 40 degC", 25, 0, 40, CORRECTION_MEAN,
         true, true},
};

const char *correction_moment_name(enum correction_moment m)
{
    static const char *const names[] = {"start", "mean", "end"};
    return names[m];
}

struct correction_choice correction_choice_none(void)
{
    return (struct correction_choice){CORRECTION_NONE, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
}

/* --- tables --- */

struct row {
    double at, value;
};

/* Between rows a straight line; NAN outside. */
static double between(const struct row *rows, size_t n, double at)
{
    for (size_t i = 1; i < n; i++) {
        if (at >= rows[i - 1].at && at <= rows[i].at) {
            double f = (at - rows[i - 1].at) / (rows[i].at - rows[i - 1].at);
            return rows[i - 1].value + f * (rows[i].value - rows[i - 1].value);
        }
    }
    return NAN;
}

static double in_degF(double temperature_C)
{
    /* So that 60 degF, written in degC, meets its row. */
    return round((temperature_C * 1.8 + 32) * 1e6) / 1e6;
}

#define COUNT(a) (sizeof(a) / sizeof(a)[0])

/* By degF. The five rows of the source, and what lies beyond them. */
static const struct row rate_rows[] = {{40, 1.30}, {50, 1.19}, {60, 1.11}, {70, 1.04}, {77, 1.00}};
static const struct row rate_cold[] = {{25, 1.52}, {30, 1.43}, {35, 1.35}, {40, 1.30}};
static const struct row rate_hot[] = {{77, 1.00},  {80, 0.98},  {85, 0.96},  {90, 0.94},
                                      {95, 0.93},  {100, 0.91}, {105, 0.89}, {110, 0.88},
                                      {115, 0.87}, {120, 0.86}, {125, 0.85}};
static const struct row time_rows[] = {
    {40, 0.670},  {45, 0.735},  {50, 0.790},  {55, 0.840},  {60, 0.882}, {65, 0.920}, {68, 0.942},
    {70, 0.955},  {75, 0.985},  {77, 1.000},  {80, 1.011},  {85, 1.040}, {90, 1.065}, {95, 1.090},
    {100, 1.112}, {105, 1.140}, {110, 1.162}, {115, 1.187}, {120, 1.210}};

double correction_rate_factor(double temperature_C, bool *verified)
{
    double at = in_degF(temperature_C), k = between(rate_rows, COUNT(rate_rows), at);
    *verified = !isnan(k);
    if (isnan(k))
        k = between(rate_cold, COUNT(rate_cold), at);
    return isnan(k) ? between(rate_hot, COUNT(rate_hot), at) : k;
}

double correction_time_factor(double temperature_C)
{
    return between(time_rows, COUNT(time_rows), in_degF(temperature_C));
}

/* By degC: change of capacity in discharges that last over 60 min, 30 to 60 min, less. */
static const struct row change_long[] = {{0, -0.16},  {5, -0.12},  {10, -0.10},
                                         {15, -0.06}, {20, -0.01}, {25, 0},
                                         {30, 0.03},  {35, 0.04},  {40, 0.05}};
static const struct row change_middle[] = {{0, -0.18},  {5, -0.13},  {10, -0.11},
                                           {15, -0.07}, {20, -0.02}, {25, 0},
                                           {30, 0.04},  {35, 0.06},  {40, 0.08}};
static const struct row change_short[] = {{0, -0.20},  {5, -0.15},  {10, -0.12},
                                          {15, -0.08}, {20, -0.03}, {25, 0},
                                          {30, 0.05},  {35, 0.08},  {40, 0.10}};

static double change_at(double temperature_C, double loaded_s)
{
    const struct row *rows = loaded_s > 3600    ? change_long
                             : loaded_s >= 1800 ? change_middle
                                                : change_short;
    return between(rows, COUNT(change_long), temperature_C);
}

/* --- applying --- */

static void refuse(struct correction_answer *out, const char *fmt, ...)
    __attribute__((format(printf, 2, 3)));

static void refuse(struct correction_answer *out, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    vsnprintf(out->why, sizeof out->why, fmt, args);
    va_end(args);
    out->factor = NAN;
}

double correction_published_A(const struct correction_choice *c)
{
    return isnan(c->published_A) ? c->rated_Ah / c->rated_hours : c->published_A;
}

double correction_test_current_A(const struct correction_choice *c, double temperature_C)
{
    bool verified;
    return correction_published_A(c) / correction_rate_factor(temperature_C, &verified);
}

/* Ah at the published current: that current times how long it lasted (by KT, if any). */
static double by_time(const struct correction_choice *c, const struct correction_subject *s,
                      double wanted_A, double time_factor, struct correction_answer *out)
{
    if (isnan(wanted_A)) {
        refuse(out, "the published current is not known: state it, or the rating with its hours");
        return NAN;
    }
    if (!(fabs(s->current_A / wanted_A - 1) <= CORRECTION_CURRENT_TOLERANCE)) {
        refuse(out,
               "a %s test at %.1f degC runs at %.4g A, and this one ran at %.4g A: the method does "
               "not fit it",
               correction_names[c->rule], out->temperature_C, wanted_A, s->current_A);
        return NAN;
    }
    return correction_published_A(c) * s->loaded_s / S_PER_H / s->capacity_Ah / time_factor;
}

/* The rate the coefficient is for: by the label where there is one, since a worn
 * battery does not last as long. */
static double iec_coefficient(const struct correction_choice *c, const struct correction_subject *s,
                              struct correction_answer *out)
{
    double hours = isnan(c->rated_Ah) ? s->loaded_s / S_PER_H : c->rated_Ah / s->current_A;
    if (hours >= 8.5)
        return 0.006;
    if (hours <= 3.5)
        return 0.01;
    refuse(out,
           "the source has a coefficient for the 10 h and 20 h and for the 3 h and 1 h rate, and "
           "this is a %.2g h rate; state the maker's with stated-linear",
           hours);
    return NAN;
}

static double factor_at(const struct correction_choice *c, const struct correction_subject *s,
                        double T, struct correction_answer *out)
{
    switch (c->rule) {
    case CORRECTION_STATED_LINEAR:
        return 1 / (1 + c->coefficient_per_K * (T - c->reference_C));
    case CORRECTION_IEC_LINEAR:
        return 1 / (1 + iec_coefficient(c, s, out) * (T - 20));
    case CORRECTION_RATE_ADJUSTED:
        (void)correction_rate_factor(T, &out->verified);
        return by_time(c, s, correction_test_current_A(c, T), 1, out);
    case CORRECTION_TIME_ADJUSTED:
        return by_time(c, s, correction_published_A(c), correction_time_factor(T), out);
    case CORRECTION_GUIDE_27:
        return 1 - 0.009 * (T - 27);
    case CORRECTION_BELOW_25:
        return T < 25 ? 1 / (1 - 0.009 * (25 - T)) : 1;
    case CORRECTION_CHANGE_TABLE:
        return 1 / (1 + change_at(T, s->loaded_s));
    case CORRECTION_NONE:
    case CORRECTION_COUNT:
        break;
    }
    return NAN;
}

static double temperature_of(const struct correction_choice *c, const struct correction_subject *s)
{
    if (!isnan(c->temperature_C))
        return c->temperature_C;
    switch (correction_rules[c->rule].moment) {
    case CORRECTION_AT_START:
        return s->start_C;
    case CORRECTION_AT_END:
        return s->end_C;
    case CORRECTION_MEAN:
        break;
    }
    return s->mean_C;
}

static bool can_be_applied(const struct correction_choice *c, struct correction_answer *out)
{
    const struct correction_info *r = &correction_rules[c->rule];
    double T = out->temperature_C;
    if (isnan(T))
        refuse(out, "%s wants the temperature at the %s, which was not recorded", r->name,
               correction_moment_name(r->moment));
    else if (T < r->from_C - 0.005 || T > r->to_C + 0.005)
        refuse(out, "%s holds from %.1f to %.1f degC, and the battery had %.1f degC", r->name,
               r->from_C, r->to_C, T);
    else if (c->rule == CORRECTION_STATED_LINEAR &&
             (isnan(c->coefficient_per_K) || isnan(c->reference_C)))
        refuse(out, "stated-linear wants a coefficient and a reference temperature");
    return out->why[0] == '\0';
}

/* The slope of the rule at that temperature times the thermometer's limit of error. What
 * a rate-adjusted test makes of a wrong temperature is in its current already. */
static double standard_of_temperature(const struct correction_choice *c,
                                      const struct correction_subject *s, double T)
{
    struct correction_answer beside = {.temperature_C = T};
    double a = c->temperature_error_C;
    bool by_current = c->rule == CORRECTION_RATE_ADJUSTED;
    if (isnan(a))
        return 0;
    if (by_current) {
        double k = correction_rate_factor(T, &beside.verified);
        double up = correction_rate_factor(T + a, &beside.verified);
        double down = correction_rate_factor(T - a, &beside.verified);
        double most = fmax(isnan(up) ? 0 : fabs(up / k - 1), isnan(down) ? 0 : fabs(down / k - 1));
        return s->capacity_Ah * k * most / SQRT3;
    }
    double f = factor_at(c, s, T, &beside);
    double up = factor_at(c, s, T + a, &beside), down = factor_at(c, s, T - a, &beside);
    double most = fmax(isnan(up) ? 0 : fabs(up - f), isnan(down) ? 0 : fabs(down - f));
    return s->capacity_Ah * most / SQRT3;
}

static void remark(const struct correction_choice *c, struct correction_answer *out)
{
    double T = out->temperature_C;
    if (c->rule == CORRECTION_IEC_LINEAR && (T < 15 || T > 25))
        snprintf(out->remark, sizeof out->remark,
                 "the standard keeps the test between 15 and 25 degC");
    else if (!out->verified && correction_rules[c->rule].verified)
        snprintf(out->remark, sizeof out->remark,
                 "the factor at %.1f degC is unverified, from memory", T);
}

void correction_apply(const struct correction_choice *c, const struct correction_subject *s,
                      struct correction_answer *out)
{
    const struct correction_info *r = &correction_rules[c->rule];
    *out = (struct correction_answer){
        .rule = c->rule,
        .verified = r->verified,
        .temperature_C = NAN,
        .reference_C = c->rule == CORRECTION_STATED_LINEAR ? c->reference_C : r->reference_C,
        .factor = NAN,
        .capacity_Ah = NAN,
    };
    if (c->rule == CORRECTION_NONE)
        return;
    out->temperature_C = temperature_of(c, s);
    if (!can_be_applied(c, out))
        return;
    double factor = factor_at(c, s, out->temperature_C, out);
    if (out->why[0] == '\0' && !(factor > 0))
        refuse(out, "%s gives no factor at %.1f degC", r->name, out->temperature_C);
    if (out->why[0] != '\0')
        return;
    out->applied = true;
    out->factor = factor;
    out->capacity_Ah = s->capacity_Ah * factor;
    out->standard_Ah = standard_of_temperature(c, s, out->temperature_C);
    remark(c, out);
}

bool correction_decides(const struct correction_choice *c)
{
    return c->rule != CORRECTION_NONE && correction_rules[c->rule].verified;
}
