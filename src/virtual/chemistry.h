/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/chemistry: what tells one kind of simulated cell from another, as
 * tables and constants. All are round figures of the textbook shape of each kind,
 * written down from memory, not those of any product; only the law of gassing has
 * a source (below). The names are those of the battery register. */
#ifndef AMPLEDGER_VIRTUAL_CHEMISTRY_H
#define AMPLEDGER_VIRTUAL_CHEMISTRY_H

#include <stdbool.h>
#include <stddef.h>

enum vchemistry {
    VCHEM_LFP,
    VCHEM_LI_ION,
    VCHEM_LTO,
    VCHEM_SODIUM_ION,
    VCHEM_LEAD_FLOODED,
    VCHEM_LEAD_AGM,
    VCHEM_LEAD_GEL,
    VCHEM_NIMH,
    VCHEM_NICD,
    VCHEM_COUNT
};

/* NULL-terminated, in the order of enum vchemistry. */
extern const char *const vchemistry_names[];

struct vpoint {
    double soc;    /* fraction of the charge within reach */
    double cell_V; /* open circuit */
};

struct vchemistry_facts {
    const struct vpoint *curve; /* rising in both */
    size_t curve_points;
    double nominal_cell_V;
    double cell_V_per_K;       /* change of open-circuit voltage per cell, from 25 degC */
    double resistance_mOhm_Ah; /* per cell: R0 = this / capacity */
    double heat_J_per_K_Wh;    /* heat capacity for each watt-hour of rated energy */
    double efficiency;         /* of charging, well below full */
    double full_from_soc;      /* efficiency falls off from here ... */
    double full_to_soc;        /* ... to nothing here; equal: it does not */
    double gassing;            /* current lost to water at GASSING_CELL_V, as a rate of C; 0 none */
    double gas_V;              /* of the energy lost so, what leaves as gas rather than heat */
    double reach;              /* share of the charge at once within reach (1: all of it) */
    double reach_s;            /* time constant with which the rest follows */
    bool protected_pack;       /* comes with its own protection circuit */
    double under_cell_V;       /* default limits of that circuit */
    double over_cell_V;
    double over_release_cell_V;
};

const struct vchemistry_facts *vchemistry_facts(enum vchemistry c);

/* Open-circuit voltage of one cell at 25 degC; beyond the table it goes on with
 * the slope of the table's end, not below 0. Rises with soc everywhere above 0 V. */
double vchemistry_cell_V(enum vchemistry c, double soc);

/* Share of a charging current that is stored, 0 .. 1; the rest is heat. */
double vchemistry_efficiency(enum vchemistry c, double soc);

/* Current (A per Ah of capacity) that a charging lead-acid cell spends on its water
 * at cell_V: grows e-fold for each 1/11 V and for each 17 K. The law of Tafel with
 * the constants of Schiffer et al., J. Power Sources 168 (2007) 66-78 (from memory:
 * 20 mA per 100 Ah at 2.23 V and 20 degC, 11 per V, 0.06 per K). */
#define GASSING_CELL_V 2.23
double vchemistry_gassing(enum vchemistry c, double cell_V, double celsius);

#endif
