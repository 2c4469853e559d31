/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/step_end: when a step of each kind ends. How each end is found, and how
 * noise is kept from ending one, is told in sequencer.h. */
#include "run/sequencer.h"

#include <math.h>

#define S_PER_MIN 60.0

static double elapsed(const struct sequencer *q, const struct sample *s)
{
    return s->t_s - q->step_start_s;
}

/* Ceilings, in whichever direction the charge flows. */
static enum step_end end_by_ceiling(const struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    double charge_Ah =
        sequencer_direction(q) == DIRECTION_SUPPLY ? q->charged_Ah : q->discharged_Ah;
    if (charge_Ah >= step->max_Ah) {
        return STEP_END_CHARGE;
    }
    return elapsed(q, s) >= step->max_s ? STEP_END_TIME : STEP_GOES_ON;
}

/* Only a voltage under load ends a discharge: half the set point must flow, so that a
 * reading from before the load took hold cannot. */
static enum step_end end_at_bottom(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    double set_A = sequencer_set_point(q).current_A;
    if (guard_is_loaded(s, set_A)) {
        q->loaded_V = sample_battery_voltage(s, q->lead_ohm);
        if (q->loaded_V < step->until_V) {
            return STEP_END_CUTOFF;
        }
    }
    return guard_opening(s, q->lead_ohm, q->loaded_V, set_A, step->until_V) == OPENING_AT_BOTTOM
               ? STEP_END_PROTECTION
               : STEP_GOES_ON;
}

static enum step_end end_of_discharge(struct sequencer *q, const struct sample *s)
{
    enum step_end e = end_at_bottom(q, s);
    return e != STEP_GOES_ON ? e : end_by_ceiling(q, s);
}

/* --- charge --- */

static bool flows(const struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    double set_A = sequencer_set_point(q).current_A;
    return s->current_A > guard_no_charge_A(step->limits.off_current_A, set_A);
}

static bool reached_voltage(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    /* A supply whose current was cut off shows its own voltage, not the battery's. */
    bool there = sample_battery_voltage(s, q->lead_ohm) >= step->until_V &&
                 (flows(q, s) || q->open_V >= step->until_V);
    q->until_V_samples = there ? q->until_V_samples + 1 : 0;
    return q->until_V_samples >= UNTIL_V_SAMPLES;
}

/* The supply holds the voltage at its end of the leads; with a small current both
 * ends agree within the share that is allowed. */
static bool tapered(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    bool held = s->voltage_V >= TAPER_VOLTAGE_SHARE * q->held_V;
    /* What never flowed does not taper, unless the battery was there before. */
    q->flowed = q->flowed || flows(q, s);
    held = held && (q->flowed || q->open_V >= TAPER_VOLTAGE_SHARE * q->held_V);
    if (!held || !(s->current_A < step->until_A)) {
        q->taper_since_s = NAN;
        q->taper_samples = 0;
        return false;
    }
    q->taper_since_s = q->taper_samples++ == 0 ? s->t_s : q->taper_since_s;
    return q->taper_samples >= TAPER_SAMPLES && s->t_s - q->taper_since_s >= TAPER_HOLD_S;
}

static bool past_peak(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    if (!isfinite(step->until_drop_V) || !guard_is_loaded(s, step->current_A)) {
        return false;
    }
    double v = smooth_take(&q->voltage, s->t_s, sample_battery_voltage(s, q->lead_ohm));
    if (elapsed(q, s) < step->hold_off_s) {
        return false;
    }
    q->peak_V = fmax(q->peak_V, v); /* gives way to the one that is known */
    return q->peak_V - v >= step->until_drop_V;
}

static bool warms(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    if (!isfinite(step->until_C_per_min)) {
        return false;
    }
    slope_take(&q->slope, s->t_s, s->temperature_C);
    return elapsed(q, s) >= step->hold_off_s &&
           S_PER_MIN * slope_per_s(&q->slope) >= step->until_C_per_min;
}

/* All are asked, so that every filter sees every sample. */
static enum step_end end_of_charge(struct sequencer *q, const struct sample *s)
{
    bool warm = warms(q, s), peak = past_peak(q, s), taper = tapered(q, s);
    bool voltage = reached_voltage(q, s);
    return warm      ? STEP_END_WARMING
           : peak    ? STEP_END_DROP
           : voltage ? STEP_END_VOLTAGE
           : taper   ? STEP_END_TAPER
                     : end_by_ceiling(q, s);
}

/* --- the others --- */

static enum step_end end_of_rest(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    bool settles = isfinite(step->until_V_per_h);
    slope_take(&q->slope, s->t_s, sample_battery_voltage(s, q->lead_ohm));
    if (settles && elapsed(q, s) >= step->least_s &&
        S_PER_H * fabs(slope_per_s(&q->slope)) <= step->until_V_per_h) {
        return STEP_END_SETTLED;
    }
    if (elapsed(q, s) < step->max_s) {
        return STEP_GOES_ON;
    }
    return settles ? STEP_END_UNSETTLED : STEP_END_DURATION;
}

static enum step_end end_of_pulse(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    enum step_end e = STEP_GOES_ON;
    if (sequencer_direction(q) == DIRECTION_LOAD) {
        e = end_at_bottom(q, s);
    } else if (reached_voltage(q, s)) {
        e = STEP_END_VOLTAGE;
    }
    if (e != STEP_GOES_ON) {
        return e;
    }
    bool last = q->segment + 1 >= step->segment_count;
    if (last && (step->segment_count == 0 ||
                 s->t_s - q->segment_start_s >= step->segments[q->segment].for_s)) {
        return STEP_END_SEGMENTS;
    }
    return end_by_ceiling(q, s);
}

enum step_end step_end_of(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    switch (step->kind) {
    case STEP_DISCHARGE:
        return end_of_discharge(q, s);
    case STEP_CHARGE:
        return end_of_charge(q, s);
    case STEP_REST:
        return end_of_rest(q, s);
    case STEP_PULSE:
        return end_of_pulse(q, s);
    case STEP_HOLD:
        return elapsed(q, s) >= step->max_s ? STEP_END_UNCONFIRMED : STEP_GOES_ON;
    case STEP_REPEAT:
        break; /* never the present one */
    }
    return STEP_END_TIME;
}
