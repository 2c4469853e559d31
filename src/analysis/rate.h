/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/rate: how the run time of a battery depends on the current. Pure.
 *
 * Peukert's law I^n t = Cp, so n = (ln t2 - ln t1) / (ln I1 - ln I2), and with a rating C at
 * R hours t = R (C / (I R))^n (a battery monitor's manual, p. 24-27). The law is an
 * approximation: the exponent found depends on the rates it was found from, and on the
 * side that the least squares take as exact, so both are told with it.
 * Below 1 it is no Peukert exponent: the battery gave more at the larger current, which
 * the law does not know (another state of charge, temperature or history). */
#ifndef AMPLEDGER_ANALYSIS_RATE_H
#define AMPLEDGER_ANALYSIS_RATE_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define RATE_POINTS_MAX 64

/* One discharge to the cut-off. */
struct rate_point {
    double current_A; /* mean under load, magnitude */
    double hours;     /* under load, to the cut-off */
    double expanded;  /* relative expanded uncertainty of the time or charge; NAN unknown */
};

/* Which side is taken as exact and which is fitted, both as logarithms. */
enum rate_regression { RATE_TIME_ON_CURRENT, RATE_CURRENT_ON_TIME };
/* NULL-terminated: "time-on-current", "current-on-time". */
extern const char *const rate_regression_names[];

/* From two runs; NAN when the currents do not differ or something is not above zero. */
double rate_exponent(const struct rate_point *a, const struct rate_point *b);
/* From a rating at R hours and a reserve time at another current. */
double rate_exponent_of_reserve(double rated_Ah, double rated_hours, double reserve_A,
                                double reserve_hours);
/* Share of the rated capacity that is left at a current, 1 at rated_A: (I/I0)^(1-n). */
double rate_capacity_share(double current_A, double rated_A, double exponent);
/* t = R (C / (I R))^n, in hours. */
double rate_hours(double rated_Ah, double rated_hours, double current_A, double exponent);

struct rate_fit {
    enum rate_regression regression;
    size_t points, rates; /* rates: currents that differ by more than 2 % */
    double least_A, most_A;
    double exponent;
    double constant;          /* Cp, A^n h */
    double standard_exponent; /* standard error of the fit; NAN for two points */
    double r_squared;
    double departure;   /* largest relative departure of a run time from the law */
    double curvature_p; /* probability of so much curvature by chance; NAN: cannot be told */
    double least_local, most_local; /* exponents between neighbouring rates */
    bool below_one;                 /* no Peukert exponent */
    bool not_power_law;             /* the points do not follow the law */
    bool within_uncertainty;        /* the departure may be the run times' own uncertainty */
};
/* Least squares of the logarithms (GSL). Needs two rates. Points in any order. */
bool rate_fit(const struct rate_point *points, size_t n, enum rate_regression regression,
              struct rate_fit *out, struct err *e) NODISCARD;
/* Can times be predicted by it? */
static inline bool rate_is_peukert(const struct rate_fit *f)
{
    return !f->below_one;
}

/* Exponents between neighbouring rates, by current; points of one rate are averaged. */
struct rate_pair {
    double from_A, to_A, exponent;
    double capacity_drop; /* 1 - Q(to) / Q(from) */
};
/* Returns their number, at most RATE_POINTS_MAX - 1. */
size_t rate_pairs(const struct rate_point *points, size_t n, struct rate_pair *out);

#endif
