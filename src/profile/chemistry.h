/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/chemistry: what is known of each chemistry, per cell, with sources
 * beside the numbers in chemistry.c; and what a battery of it can be. */
#ifndef AMPLEDGER_PROFILE_CHEMISTRY_H
#define AMPLEDGER_PROFILE_CHEMISTRY_H

#include "base/battery.h"

#include <stdbool.h>

struct chemistry_data {
    const char *title;    /* "lithium iron phosphate" */
    double nominal_V;     /* per cell */
    double full_charge_V; /* end of charge; NAN: no fixed voltage */
    double cutoff_V;      /* usual end of discharge */
    double floor_V;       /* never below */
    double ceiling_V;     /* never above */
    double discharge_min_C, discharge_max_C;
    double charge_min_C, charge_max_C;
    double reference_C;              /* reference temperature of capacity */
    double charge_usual_C;           /* usual largest charge current, multiple of rated per hour */
    double taper_C;                  /* usual end of a charge at held voltage; NAN: none */
    double compensation_V_per_K;     /* usual shift of the charge voltage, per cell; 0: none */
    double compensation_reference_C; /* NAN: none */
    double drop_V;                   /* usual -deltaV that ends a charge, per cell; NAN: none */
    double recover_V;      /* a pre-charge may begin from here; below it the cell is given up */
    double charge_Ah_kept; /* share of the charge put in that comes out again */
    double charge_Wh_kept; /* the same of energy: the rest warms the battery and the room */
    double charge_most;    /* never more in one charge, multiple of rated */
    bool charge_needs_temperature; /* no charge without a thermometer */
    const char *const *cautions;   /* NULL-terminated sentences */
};

const struct chemistry_data *chemistry_data(enum chemistry c);

/* Is this a battery that there could be? ERR_CONFIG with what is wrong and what to
 * write; NAN is fine where the label states nothing. */
bool battery_check(const struct battery *b, struct err *e) NODISCARD;

#endif
