/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/sample: one time-stamped set of readings of a stand. The word that every
 * floor of the house uses. */
#ifndef AMPLEDGER_BASE_SAMPLE_H
#define AMPLEDGER_BASE_SAMPLE_H

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

#endif
