/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/chemistry: what is known of each chemistry, per cell, with sources
 * beside the numbers in chemistry.c. */
#ifndef AMPLEDGER_PROFILE_CHEMISTRY_H
#define AMPLEDGER_PROFILE_CHEMISTRY_H

#include "base/battery.h"

struct chemistry_data {
    const char *title;    /* "lithium iron phosphate" */
    double nominal_V;     /* per cell */
    double full_charge_V; /* end of charge; NAN: no fixed voltage */
    double cutoff_V;      /* usual end of discharge */
    double floor_V;       /* never below */
    double ceiling_V;     /* never above */
    double discharge_min_C, discharge_max_C;
    double charge_min_C, charge_max_C;
    double reference_C;          /* reference temperature of capacity */
    const char *const *cautions; /* NULL-terminated sentences */
};

const struct chemistry_data *chemistry_data(enum chemistry c);

#endif
