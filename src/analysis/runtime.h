/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/runtime: how long a battery runs a set of appliances, from its own measured
 * discharge. Pure.
 *
 * The model. The record gives the voltage V1(q) at the battery's terminals after each
 * charge q at the current I1. With the battery's resistance R (of some ten seconds, see
 * pulse.h) the voltage at another current is V1(q) + R I1 - R I. Appliances of a stated
 * power draw P / V, so I solves I V = P with that V. The charge that a current uses up
 * counts (I / I1)^(n - 1) times, where n is what is left of the rate exponent when the
 * resistance has been counted: found from further records at other currents, so that
 * each of them comes out as measured; with one record 1, and up to a usual value for the
 * interval. Temperature enters as a factor of the charge, by a rule that is named
 * (correction.h). It ends when the voltage under all appliances that may be on together
 * meets the cut-off, or at the end of the record.
 *
 * The interval adds in squares what each influence moves the hours by, up and down. */
#ifndef AMPLEDGER_ANALYSIS_RUNTIME_H
#define AMPLEDGER_ANALYSIS_RUNTIME_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* One discharge as it went: charge since its begin, and the voltage then. */
struct curve_point {
    double charge_Ah, voltage_V;
};
#define CURVE_POINTS_MAX 2048
struct discharge_curve {
    size_t n;
    struct curve_point *point; /* charge rises */
    double current_A;          /* mean under load, magnitude */
    double hours;              /* under load */
    double expanded;           /* relative, of the charge, k = 2; NAN unknown */
    double temperature_C;      /* mean; NAN unknown */
};

struct runtime_battery {
    const struct discharge_curve *curve;
    double resistance_ohm; /* 0: none known */
    double resistance_expanded_ohm;
    double exponent, least_exponent, most_exponent; /* what is left beside the resistance */
    double charge_factor;      /* of temperature: charge there is now / charge recorded */
    double charge_factor_half; /* half-width of what is known of it; 0 none */
};

/* All appliances as the battery sees them. */
struct runtime_load {
    double mean_W, mean_A; /* powers and currents in the mean over time */
    double peak_W, peak_A; /* all that may be on together */
};

struct appliance {
    char name[48];
    double power_W;   /* or */
    double current_A; /* at the battery's own voltage; the other is NAN */
    double duty;      /* share of the time in use that it is on; 0..1 */
    double share;     /* share of the time that it is in use; 0..1 */
    bool through_inverter;
};
struct inverter {
    double efficiency; /* 0..1 */
    double idle_W;     /* drawn from the battery as long as it is on, which is always */
};
struct runtime_load runtime_load_of(const struct appliance *a, size_t n, const struct inverter *v);

struct runtime_terms {
    double cutoff_V;
    double reserve;    /* share of the charge that shall be left; 0..1 */
    double load_error; /* relative limit of error of the appliances' figures; 0 none */
};

enum runtime_end { RUNTIME_CUTOFF, RUNTIME_RECORD, RUNTIME_TOO_MUCH };

struct runtime_part { /* what one influence moves the hours by */
    const char *name;
    double less_h, more_h; /* positive */
};
#define RUNTIME_PARTS 5

struct runtime_answer {
    double hours, least_h, most_h; /* with the reserve kept */
    double to_cutoff_h;            /* without */
    double charge_Ah, energy_Wh;   /* drawn in `hours` */
    double mean_A, peak_A;         /* at the end of `hours`, the largest */
    enum runtime_end end;          /* of to_cutoff_h */
    double mean_load_h;            /* to the cut-off if the load never were above its mean */
    struct runtime_part part[RUNTIME_PARTS];
    size_t parts;
};
/* False when the appliances cannot be run at all: the cut-off is met at once. */
bool runtime_predict(const struct runtime_battery *b, const struct runtime_load *l,
                     const struct runtime_terms *t, struct runtime_answer *out,
                     struct err *e) NODISCARD;

/* The exponent with which `other` comes out as it was measured, beside the resistance;
 * NAN when the currents do not differ by 2 % or it never comes to that. Both records went
 * to `cutoff_V`. */
double runtime_exponent(const struct runtime_battery *b, const struct discharge_curve *other,
                        double cutoff_V);

#endif
