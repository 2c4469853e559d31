/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/battery: the simulated battery, a pure model that knows no clock and
 * no instrument.
 *
 * Electrically: an open-circuit voltage that follows the charge within reach,
 * a series resistance, two resistor-capacitor pairs (tens of seconds, tens of
 * minutes). Lead-acid holds part of its charge back (two wells), so a slow
 * discharge delivers more. Thermally: one mass, one resistance to the room.
 * Current into the battery is positive. Whole-battery values unless a name
 * says `cell`. */
#ifndef AMPLEDGER_VIRTUAL_BATTERY_H
#define AMPLEDGER_VIRTUAL_BATTERY_H

#include "virtual/chemistry.h"

/* A battery's own protection circuit. */
struct vprotection {
    bool fitted;
    double under_cell_V;        /* stops discharge below */
    double over_cell_V;         /* stops charge above */
    double over_release_cell_V; /* charge allowed again below */
    double discharge_max_A;
    double charge_max_A;
    double temperature_max_C; /* stops both above; allowed again 10 K lower */
    double charge_min_C;      /* stops charge below; allowed again 2 K higher */
    double rest_s;            /* with no load this long, discharge is allowed again */
};

struct vbattery_spec {
    enum vchemistry chemistry;
    int cells;
    double capacity_Ah; /* from full to empty, infinitely slowly */
    double resistance_ohm;
    double pair_ohm[2];
    double pair_s[2];
    double heat_J_per_K;
    double cooling_K_per_W;
    double ambient_C;
    double soc;
    double fade_per_cycle; /* capacity lost per equivalent full cycle, as a fraction */
    double cycles_before;  /* that it had been through when the bench began */
    struct vprotection protection;
};

enum vgate { VGATE_CLOSED, VGATE_NO_DISCHARGE, VGATE_NO_CHARGE, VGATE_OPEN };

/* What has gone through the terminals, counted at the model's own step. */
struct vcounter {
    double discharged_Ah;
    double charged_Ah;
    double discharged_Wh;
    double charged_Wh;
};

struct vbattery {
    struct vbattery_spec spec;
    double capacity_Ah; /* now, after fading */
    double soc;         /* fraction of capacity_Ah held; may pass 0 and 1 */
    double held_back;   /* level of the far well minus that of the near one */
    double pair_V[2];   /* across each pair, positive while charging */
    double temperature_C;
    double forced_C; /* NAN: free to warm and cool */
    struct vcounter counter, lifetime;
    double heat_J, gas_J; /* given off since the bench began */
    double current_A;     /* of the last step */

    /* the protection circuit */
    bool stopped_discharge, stopped_charge, stopped_cold, stopped_hot;
    const char *stopped_why; /* the last cause, for people */
    double under_for_s, over_for_s, overload_for_s, charging_for_s, idle_for_s, unloaded_for_s;

    /* factors of the last step length, since it seldom changes */
    double step_s, pair_keep[2], reach_keep, heat_keep;
};

/* Sensible values for everything that a short description leaves out. */
struct vbattery_spec vbattery_defaults(enum vchemistry c, int cells, double capacity_Ah);

void vbattery_init(struct vbattery *b, const struct vbattery_spec *spec);
/* Put a rested charge state; counters stay. */
void vbattery_set_soc(struct vbattery *b, double soc);

/* Equivalent full cycles so far: what was taken out over the capacity it had when
 * new. The law of fading is
 *   capacity = spec.capacity_Ah * (1 - fade_per_cycle) ^ cycles
 * at every moment. It has a closed form: a discharge that empties the share s of the
 * battery after x Ah in all takes out the Q for which
 *   exp(k (x + Q)) - exp(k x) = s k C, k = -ln(1 - fade_per_cycle) / C, C as new. */
double vbattery_cycles(const struct vbattery *b);

/* Fraction of the charge at once within reach: what the voltage follows. */
double vbattery_within_reach(const struct vbattery *b);
/* Voltage behind the series resistance. */
double vbattery_emf_V(const struct vbattery *b);
/* Series resistance at the present temperature. */
double vbattery_series_ohm(const struct vbattery *b);
/* Voltage of the cells while current_A flows, ahead of the protection circuit. */
double vbattery_voltage_V(const struct vbattery *b, double current_A);

enum vgate vbattery_gate(const struct vbattery *b);
/* "closed", "no-discharge", "no-charge", "open". */
const char *vbattery_gate_name(enum vgate g);

/* Let a constant current flow for dt_s. The protection circuit does not act here. */
void vbattery_step(struct vbattery *b, double current_A, double dt_s);
/* Let the protection circuit judge dt_s of current_A. load_present: something
 * outside still pulls, so that it must not reclose by itself. */
void vbattery_protect(struct vbattery *b, double current_A, bool load_present, double dt_s);

#endif
