/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/stretch: choose the part of a record that counts, and sum it up. */
#include "analysis/stretch.h"

#include <math.h>

/* A charge ahead of the discharge is left out from this share of it on: above
 * what braking or a shaking rest current put back in an ordinary discharge. */
#define CHARGE_FIRST_SHARE 0.05
/* Less discharge than this share of the charge in the same record is a
 * switching transient of that charge. */
#define TRANSIENT_SHARE 0.05
/* If the cut-off was never met, the larger part of the record names it. */
#define SMALLER_PART 0.5

static double charge_of(const struct tally *t)
{
    return exact_value(&t->charge_As);
}

static void fill_sums(struct stretch *s)
{
    double sign = s->kind == RECORD_CHARGE ? 1 : -1;
    s->charge_As = sign * (charge_of(&s->end) - charge_of(&s->start));
    s->energy_J = sign * (exact_value(&s->end.energy_J) - exact_value(&s->start.energy_J));
    s->opposite_As =
        s->kind == RECORD_CHARGE ? s->end.out_As - s->start.out_As : s->end.in_As - s->start.in_As;
    s->loaded_s = s->end.loaded_s - s->start.loaded_s;
    s->duration_s = s->end.at.t_s - s->start.at.t_s;
}

/* What the meter reads where nothing flows is no current of the battery's. */
static void take_rest_off(const struct charge_accumulator *a, struct stretch *s)
{
    double rest_A = stretch_rest_current_A(a);
    double sign = s->kind == RECORD_CHARGE ? 1 : -1;
    if (!a->options.net_of_rest || isnan(rest_A))
        return;
    s->rest_As = sign * rest_A * s->duration_s;
    s->rest_J = sign * rest_A * (s->end.voltage_Vs - s->start.voltage_Vs);
    s->charge_As -= s->rest_As;
    s->energy_J -= s->rest_J;
}

static void take_whole(const struct charge_accumulator *a, struct stretch *s)
{
    s->kind = charge_of(&a->now) > 0 ? RECORD_CHARGE : RECORD_DISCHARGE;
    s->reason = END_REASON_RECORD;
    s->start = a->first;
    s->end = a->now;
    fill_sums(s);
}

static void take_discharge(const struct charge_accumulator *a, struct stretch *s)
{
    const struct tally *full = a->ended ? &a->full_at_end : &a->full_when_loaded;
    s->kind = RECORD_DISCHARGE;
    s->end = a->ended ? a->end : a->loaded;
    s->charged_before_As = charge_of(full);
    s->from_full =
        s->charged_before_As > CHARGE_FIRST_SHARE * (charge_of(full) - charge_of(&s->end));
    s->start = s->from_full ? *full : a->first;
    if (a->ended)
        s->reason = a->reason;
    else
        s->reason = isnan(a->options.cutoff_V) ? END_REASON_RECORD : END_REASON_NOT_REACHED;
    if (s->from_full)
        s->end.temperature = s->end.temperature_since_full;
    fill_sums(s);
    s->shape = a->shape;
}

static bool is_transient(const struct charge_accumulator *a, const struct stretch *s)
{
    double share = a->ended ? TRANSIENT_SHARE : SMALLER_PART;
    return s->charge_As <= 0 || (charge_of(&a->now) > 0 && s->charge_As < share * a->now.in_As);
}

static bool check_record(const struct charge_accumulator *a, struct err *e)
{
    size_t known = a->signs.rows - a->signs.unknown.count;
    if (known < 2)
        return err_set(e, ERR_CONFIG,
                       "the record holds %zu row%s with voltage and current; at least two are "
                       "needed",
                       known, known == 1 ? "" : "s");
    if (a->options.rule != END_WHOLE && a->signs.charging.count + a->signs.discharging.count == 0)
        return err_set(e, ERR_CONFIG,
                       "no load in the record: the current never exceeds %.3g A in %zu rows",
                       a->options.current_threshold_A, a->signs.rows);
    return true;
}

static bool check_choice(const struct charge_accumulator *a, const struct stretch *s, struct err *e)
{
    if (s->kind == RECORD_DISCHARGE && a->signs.below_at_start_row != 0)
        return err_set(e, ERR_CONFIG,
                       "row %zu, the first under load, is already below the cut-off: %.4g V "
                       "against %.4g V; the battery was empty, or the cut-off is not meant for it",
                       a->signs.below_at_start_row, a->signs.below_at_start_V, a->options.cutoff_V);
    if (s->kind == RECORD_CHARGE && a->signs.charging_fell_below)
        return err_set(e, ERR_CONFIG,
                       "the voltage falls through the cut-off of %.4g V while the current is "
                       "positive, which means charging; if this log writes discharge as "
                       "positive, say so (--discharge-positive turns the sign round)",
                       a->options.cutoff_V);
    return true;
}

static const struct stretch nothing = {.shape = {NAN, NAN, NAN, 0}};

bool stretch_choose(const struct charge_accumulator *a, struct stretch *out, struct err *e)
{
    *out = nothing;
    if (!check_record(a, e))
        return false;
    if (a->options.rule == END_WHOLE || (!a->ended && a->loaded.at.row == 0)) {
        take_whole(a, out);
    } else {
        take_discharge(a, out);
        if (is_transient(a, out)) {
            *out = nothing;
            take_whole(a, out);
        }
    }
    take_rest_off(a, out);
    return check_choice(a, out, e);
}

bool stretch_is_faulty(const struct charge_accumulator *a, const struct stretch *s)
{
    return a->signs.jumps.count > 0 && s->loaded_s < MOSTLY_REST * s->duration_s;
}

double stretch_rest_current_A(const struct charge_accumulator *a)
{
    const struct rest_tally *before = &a->signs.before, *after = &a->signs.after;
    size_t n = before->summed + after->summed;
    return n > 0 ? (before->sum_A + after->sum_A) / (double)n : (double)NAN;
}

double stretch_rest_noise_A(const struct charge_accumulator *a, double of_one_A)
{
    const struct rest_tally *before = &a->signs.before, *after = &a->signs.after;
    double n = (double)(before->summed + after->summed);
    double mean_A = stretch_rest_current_A(a);
    double scatter_A2 = before->sum_A2 + after->sum_A2 - n * mean_A * mean_A;
    double seen_A = n > 1 ? sqrt(fmax(scatter_A2, 0) / (n - 1)) : 0;
    return n > 0 ? fmax(seen_A, of_one_A) / sqrt(n) : (double)NAN;
}
