/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/runtime: walks along the measured curve under another load. */
#include "analysis/runtime.h"

#include <math.h>

#define SAME_RATE 0.02

struct runtime_load runtime_load_of(const struct appliance *a, size_t n, const struct inverter *v)
{
    struct runtime_load l = {0};
    bool inverts = false;
    for (size_t i = 0; i < n; i++) {
        double on = a[i].duty * a[i].share;
        double W = isnan(a[i].power_W) ? 0 : a[i].power_W;
        double A = isnan(a[i].current_A) ? 0 : a[i].current_A;
        W = a[i].through_inverter ? W / v->efficiency : W;
        inverts = inverts || a[i].through_inverter;
        l.mean_W += on * W;
        l.mean_A += on * A;
        l.peak_W += W;
        l.peak_A += A;
    }
    if (inverts) {
        l.mean_W += v->idle_W;
        l.peak_W += v->idle_W;
    }
    return l;
}

/* --- one place on the curve --- */

struct drawn {
    double voltage_V, current_A;
};

/* V = E - R (A + W / V), the upper root; NAN when the battery cannot deliver that. */
static struct drawn draw(double source_V, double ohm, double A, double W)
{
    double V = source_V - ohm * A;
    double root = V * V - 4 * ohm * W;
    if (!(V > 0) || root < 0)
        return (struct drawn){NAN, NAN};
    V = (V + sqrt(root)) / 2;
    return (struct drawn){V, A + W / V};
}

/* Where the walk stands. */
struct place {
    double charge_Ah; /* of the record */
    struct drawn mean;
    double lowest_V; /* under the peak */
    double peak_A;
    double used_per_h; /* how fast the record's charge is used up */
};

static struct place place_at(const struct runtime_battery *b, const struct runtime_load *l,
                             const struct curve_point *at)
{
    double I1 = b->curve->current_A;
    double source_V = at->voltage_V + b->resistance_ohm * I1;
    struct drawn mean = draw(source_V, b->resistance_ohm, l->mean_A, l->mean_W);
    struct drawn peak = draw(source_V, b->resistance_ohm, l->peak_A, l->peak_W);
    return (struct place){
        .charge_Ah = at->charge_Ah,
        .mean = mean,
        .lowest_V = isnan(peak.voltage_V) ? 0 : peak.voltage_V,
        .peak_A = peak.current_A,
        .used_per_h = mean.current_A * pow(mean.current_A / I1, b->exponent - 1) / b->charge_factor,
    };
}

struct walk {
    double hours, charge_Ah, energy_Wh; /* drawn by the appliances */
    double record_Ah;                   /* of the record's charge */
    double peak_A;
    enum runtime_end end;
};

/* A straight line between two places, up to the share f of it. */
static void advance(struct walk *w, const struct place *from, const struct place *to, double f)
{
    double step_Ah = f * (to->charge_Ah - from->charge_Ah);
    double speed = from->used_per_h + f / 2 * (to->used_per_h - from->used_per_h);
    double current = from->mean.current_A + f / 2 * (to->mean.current_A - from->mean.current_A);
    double voltage = from->mean.voltage_V + f / 2 * (to->mean.voltage_V - from->mean.voltage_V);
    double hours = step_Ah / speed;
    w->record_Ah += step_Ah;
    w->hours += hours;
    w->charge_Ah += current * hours;
    w->energy_Wh += current * voltage * hours;
    w->peak_A = fmax(w->peak_A, from->peak_A);
}

/* From the full battery to the cut-off under the peak, the end of the record, or until
 * so much of the record's charge is used up. */
static struct walk walk(const struct runtime_battery *b, const struct runtime_load *l,
                        double cutoff_V, double stop_Ah)
{
    const struct discharge_curve *c = b->curve;
    struct walk w = {.end = RUNTIME_RECORD};
    struct place from = place_at(b, l, &c->point[0]);
    if (!(from.lowest_V > cutoff_V) || isnan(from.mean.current_A)) {
        w.end = RUNTIME_TOO_MUCH;
        return w;
    }
    for (size_t i = 1; i < c->n; i++) {
        struct place to = place_at(b, l, &c->point[i]);
        double f = 1;
        if (!(to.lowest_V > cutoff_V)) {
            f = fmin(fmax((from.lowest_V - cutoff_V) / (from.lowest_V - to.lowest_V), 0), 1);
            w.end = RUNTIME_CUTOFF;
        }
        double step_Ah = to.charge_Ah - from.charge_Ah;
        bool stops = w.record_Ah + f * step_Ah >= stop_Ah;
        if (stops && step_Ah > 0)
            f = fmin(f, (stop_Ah - w.record_Ah) / step_Ah);
        if (isnan(to.mean.current_A))
            to = from; /* collapses between the two: as it was before */
        advance(&w, &from, &to, f);
        if (stops || w.end == RUNTIME_CUTOFF)
            break;
        from = to;
    }
    return w;
}

/* --- the answer and its interval --- */

static struct walk with_reserve(const struct runtime_battery *b, const struct runtime_load *l,
                                const struct runtime_terms *t)
{
    struct walk all = walk(b, l, t->cutoff_V, INFINITY);
    return t->reserve > 0 ? walk(b, l, t->cutoff_V, (1 - t->reserve) * all.record_Ah) : all;
}

static struct runtime_load scaled(const struct runtime_load *l, double by)
{
    return (struct runtime_load){by * l->mean_W, by * l->mean_A, by * l->peak_W, by * l->peak_A};
}

/* One influence at both its ends; `a` and `b` are hours. */
static void add_part(struct runtime_answer *out, const char *name, double a, double b)
{
    double less = out->hours - fmin(fmin(a, b), out->hours);
    double more = fmax(fmax(a, b), out->hours) - out->hours;
    if (less > 0 || more > 0)
        out->part[out->parts++] = (struct runtime_part){name, less, more};
}

static void find_interval(const struct runtime_battery *b, const struct runtime_load *l,
                          const struct runtime_terms *t, struct runtime_answer *out)
{
    struct runtime_battery low = *b, high = *b;
    if (!isnan(b->curve->expanded)) {
        low.charge_factor *= 1 - b->curve->expanded;
        high.charge_factor *= 1 + b->curve->expanded;
        add_part(out, "recorded charge", with_reserve(&low, l, t).hours,
                 with_reserve(&high, l, t).hours);
    }
    low = high = *b;
    low.charge_factor -= b->charge_factor_half;
    high.charge_factor += b->charge_factor_half;
    add_part(out, "temperature", with_reserve(&low, l, t).hours, with_reserve(&high, l, t).hours);
    low = high = *b;
    low.resistance_ohm += b->resistance_expanded_ohm;
    high.resistance_ohm = fmax(0, high.resistance_ohm - b->resistance_expanded_ohm);
    add_part(out, "resistance", with_reserve(&low, l, t).hours, with_reserve(&high, l, t).hours);
    low = high = *b;
    low.exponent = b->most_exponent;
    high.exponent = b->least_exponent;
    add_part(out, "rate", with_reserve(&low, l, t).hours, with_reserve(&high, l, t).hours);
    struct runtime_load more = scaled(l, 1 + t->load_error), less = scaled(l, 1 - t->load_error);
    add_part(out, "appliances", with_reserve(b, &more, t).hours, with_reserve(b, &less, t).hours);

    double less2 = 0, more2 = 0;
    for (size_t i = 0; i < out->parts; i++) {
        less2 += out->part[i].less_h * out->part[i].less_h;
        more2 += out->part[i].more_h * out->part[i].more_h;
    }
    out->least_h = fmax(0, out->hours - sqrt(less2));
    out->most_h = out->hours + sqrt(more2);
}

static bool refuse(const struct runtime_battery *b, const struct runtime_load *l,
                   const struct runtime_terms *t, struct err *e)
{
    struct place at = place_at(b, l, &b->curve->point[0]);
    return err_set(e, ERR_CONFIG,
                   "the full battery would have %.4g V under all appliances together (%.4g A), not "
                   "above the cut-off of %.4g V: it cannot run them",
                   at.lowest_V, at.peak_A, t->cutoff_V);
}

bool runtime_predict(const struct runtime_battery *b, const struct runtime_load *l,
                     const struct runtime_terms *t, struct runtime_answer *out, struct err *e)
{
    struct runtime_load steady = {l->mean_W, l->mean_A, l->mean_W, l->mean_A};
    *out = (struct runtime_answer){0};
    if (b->curve->n < 2)
        return err_set(e, ERR_CONFIG, "the record of the discharge holds no curve");
    if (!(l->mean_W + l->mean_A > 0))
        return err_set(e, ERR_CONFIG, "the appliances draw nothing: there is no end to it");
    struct walk all = walk(b, l, t->cutoff_V, INFINITY);
    if (all.end == RUNTIME_TOO_MUCH)
        return refuse(b, l, t, e);
    struct walk kept = with_reserve(b, l, t);
    out->to_cutoff_h = all.hours;
    out->end = all.end;
    out->hours = kept.hours;
    out->charge_Ah = kept.charge_Ah;
    out->energy_Wh = kept.energy_Wh;
    out->mean_A = kept.charge_Ah / kept.hours;
    out->peak_A = kept.peak_A;
    out->mean_load_h = walk(b, &steady, t->cutoff_V, INFINITY).hours;
    find_interval(b, l, t, out);
    return true;
}

double runtime_exponent(const struct runtime_battery *b, const struct discharge_curve *other,
                        double cutoff_V)
{
    struct runtime_battery plain = *b;
    plain.exponent = 1;
    plain.charge_factor = 1;
    double ratio = other->current_A / b->curve->current_A;
    struct runtime_load l = {0, other->current_A, 0, other->current_A};
    struct walk w = walk(&plain, &l, cutoff_V, INFINITY);
    if (!(fabs(ratio - 1) > SAME_RATE) || !(w.hours > 0))
        return NAN;
    /* hours = hours(1) / ratio^(n - 1) */
    return 1 + log(w.hours / other->hours) / log(ratio);
}
