/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/sample: one time-stamped set of readings of a stand. The word that every
 * floor of the house uses. */
#ifndef AMPLEDGER_BASE_SAMPLE_H
#define AMPLEDGER_BASE_SAMPLE_H

#include <math.h>
#include <stdbool.h>

#define S_PER_H 3600.0

struct sample {
    double t_s; /* seconds since the run began, test clock; suspend counts */
    double
        voltage_V; /* as the stand's voltage source reported it, not lead-corrected; NAN unknown */
    double current_A;     /* positive into the battery, negative out of it; NAN unknown */
    double temperature_C; /* of the battery; NAN where there is no thermometer */
};

/* Voltage at the battery's own terminals when the reading was taken at the far
 * end of leads of total (out and back) resistance lead_ohm: Ohm's law,
 * V_battery = V_read - I * R with I positive into the battery. */
static inline double sample_battery_voltage(const struct sample *s, double lead_ohm)
{
    return s->voltage_V - s->current_A * lead_ohm;
}

/* What a quantity adds up to while it goes from one value to another in a
 * straight line: the one rule by which charge and energy are counted here. A
 * load hunts around its set point, so what was measured counts, not what was set. */
static inline double trapezoid(double from, double to, double dt_s)
{
    return (from + to) / 2 * dt_s;
}

/* Between two samples; into the battery positive, so a discharge counts below 0. */
static inline double sample_charge_Ah(const struct sample *from, const struct sample *to)
{
    return trapezoid(from->current_A, to->current_A, to->t_s - from->t_s) / S_PER_H;
}

static inline double sample_energy_Wh(const struct sample *from, const struct sample *to,
                                      double lead_ohm)
{
    return trapezoid(from->current_A * sample_battery_voltage(from, lead_ohm),
                     to->current_A * sample_battery_voltage(to, lead_ohm), to->t_s - from->t_s) /
           S_PER_H;
}

/* A protection circuit opens near the bottom of a discharge: within 15 % above
 * the cut-off, while it runs and when a record is analysed (common practice, no
 * source for the number). Without a cut-off (NAN) there is no bottom. */
#define NEAR_BOTTOM_RATIO 1.15
static inline bool is_near_bottom(double voltage_V, double cutoff_V)
{
    return voltage_V <= NEAR_BOTTOM_RATIO * cutoff_V;
}

/* What an instrument may read while it is off: less is no current. Three times the
 * offset of its accuracy; where that is not known (NAN) 0.2 % of its rating; 20 mA at
 * least (common practice, no source for the numbers). The guard judges by it, and so
 * does who confirms that an output is off. */
#define OFF_LEAST_A 0.020
#define OFF_OFFSETS 3
#define OFF_OF_RATING 0.002
static inline double off_current_A(double offset_A, double rating_A)
{
    /* fmax gives way to the one that is known. */
    return fmax(OFF_LEAST_A, isnan(offset_A) ? OFF_OF_RATING * rating_A : OFF_OFFSETS * offset_A);
}

#endif
