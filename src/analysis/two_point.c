/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/two_point: a straight line through two readings, and its uncertainty. */
#include "analysis/two_point.h"

#include "analysis/propagate.h"

#include <math.h>

#define SQRT3 1.7320508075688772

/* Errors of the two readings, each zero but for its uncertainty: what both share (gain and
 * offset of each instrument) is one input, so that it is kept correlated; each reading
 * brings its own step. */
enum { GAIN_V, OFFSET_V, GAIN_A, OFFSET_A, STEP_V1, STEP_V2, STEP_A1, STEP_A2, ERRORS };

struct readings {
    const struct sample *first, *second;
};

static struct two_point line_through(const struct readings *r, const double *x)
{
    double V1 = r->first->voltage_V * (1 + x[GAIN_V]) + x[OFFSET_V] + x[STEP_V1];
    double V2 = r->second->voltage_V * (1 + x[GAIN_V]) + x[OFFSET_V] + x[STEP_V2];
    double A1 = r->first->current_A * (1 + x[GAIN_A]) + x[OFFSET_A] + x[STEP_A1];
    double A2 = r->second->current_A * (1 + x[GAIN_A]) + x[OFFSET_A] + x[STEP_A2];
    struct two_point p = {.ohm = (V2 - V1) / (A2 - A1)};
    p.open_V = V1 - p.ohm * A1;
    p.short_A = p.open_V / p.ohm;
    return p;
}

static double ohm_of(const double *x, const void *context)
{
    return line_through(context, x).ohm;
}

static double open_of(const double *x, const void *context)
{
    return line_through(context, x).open_V;
}

static double short_of(const double *x, const void *context)
{
    return line_through(context, x).short_A;
}

static double half_width(double limit)
{
    return isnan(limit) ? 0 : limit / SQRT3;
}

static struct propagate_inputs errors_of(const struct instrument_accuracy *a)
{
    struct propagate_inputs in = {.n = ERRORS};
    in.u[GAIN_V] = a->voltage.gain / SQRT3; /* NAN stays NAN */
    in.u[GAIN_A] = a->current.gain / SQRT3;
    in.u[OFFSET_V] = half_width(a->voltage.offset);
    in.u[OFFSET_A] = half_width(a->current.offset);
    in.u[STEP_V1] = in.u[STEP_V2] = half_width(a->voltage.resolution / 2);
    in.u[STEP_A1] = in.u[STEP_A2] = half_width(a->current.resolution / 2);
    return in;
}

struct two_point two_point(const struct sample *first, const struct sample *second,
                           const struct instrument_accuracy *accuracy)
{
    const struct readings r = {first, second};
    const double none[ERRORS] = {0};
    struct propagate_inputs in = errors_of(accuracy);
    if (!(fabs(second->current_A - first->current_A) > 0)) {
        return (struct two_point){NAN, NAN, NAN, NAN, NAN, NAN};
    }
    struct two_point p = line_through(&r, none);
    p.u_ohm = isnan(in.u[GAIN_V] + in.u[GAIN_A]) ? (double)NAN : propagate(ohm_of, &r, &in);
    p.u_open_V = isnan(p.u_ohm) ? (double)NAN : propagate(open_of, &r, &in);
    p.u_short_A = isnan(p.u_ohm) ? (double)NAN : propagate(short_of, &r, &in);
    if (!(p.ohm > 0)) {
        p.short_A = p.u_short_A = NAN;
    }
    return p;
}

double pulse_power_W(double open_V, double to_V, double ohm)
{
    double power_W = to_V * fabs(open_V - to_V) / ohm;
    return ohm > 0 && to_V > 0 && power_W > 0 ? power_W : (double)NAN;
}
