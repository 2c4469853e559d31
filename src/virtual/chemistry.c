/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/chemistry: the tables. */
#include "virtual/chemistry.h"

#include <math.h>

const char *const vchemistry_names[] = {
    "lfp",      "li-ion",   "lto",  "sodium-ion", "lead-flooded",
    "lead-agm", "lead-gel", "nimh", "nicd",       NULL,
};

#define COUNT(a) (sizeof(a) / sizeof(a)[0])

/* Flat between a steep foot and a steep head. */
static const struct vpoint lfp[] = {
    {0.000, 2.000}, {0.004, 2.500}, {0.008, 2.750}, {0.020, 2.950}, {0.050, 3.100},
    {0.100, 3.190}, {0.150, 3.220}, {0.200, 3.245}, {0.300, 3.280}, {0.400, 3.290},
    {0.500, 3.295}, {0.600, 3.305}, {0.700, 3.325}, {0.800, 3.330}, {0.900, 3.335},
    {0.970, 3.345}, {0.990, 3.365}, {1.000, 3.400}, {1.003, 3.650}, {1.020, 4.500},
};

static const struct vpoint li_ion[] = {
    {0.000, 2.500}, {0.005, 2.800}, {0.010, 3.000}, {0.030, 3.250}, {0.050, 3.380}, {0.100, 3.500},
    {0.200, 3.580}, {0.300, 3.630}, {0.400, 3.680}, {0.500, 3.750}, {0.600, 3.840}, {0.700, 3.930},
    {0.800, 4.020}, {0.900, 4.100}, {1.000, 4.180}, {1.020, 4.260}, {1.050, 4.800},
};

/* A gentle slope, and heads that hardly matter: full within a few tenths of a per cent. */
static const struct vpoint lto[] = {
    {0.000, 1.500}, {0.005, 1.700}, {0.010, 1.850}, {0.030, 2.020}, {0.060, 2.100},
    {0.100, 2.150}, {0.300, 2.220}, {0.500, 2.280}, {0.700, 2.350}, {0.900, 2.440},
    {0.970, 2.520}, {0.990, 2.620}, {1.000, 2.750}, {1.003, 2.860}, {1.020, 3.400},
};

/* Hard carbon against a layered oxide: sloping all the way. */
static const struct vpoint sodium_ion[] = {
    {0.000, 1.500}, {0.005, 1.750}, {0.010, 1.900}, {0.030, 2.200}, {0.050, 2.350}, {0.100, 2.550},
    {0.200, 2.780}, {0.300, 2.920}, {0.400, 3.020}, {0.500, 3.100}, {0.600, 3.180}, {0.700, 3.280},
    {0.800, 3.420}, {0.900, 3.600}, {0.970, 3.750}, {1.000, 3.850}, {1.005, 3.910}, {1.030, 4.400},
};

/* Near-linear while acid is at the plates, then a cliff; a steep head once the
 * plates are full, which gassing keeps from being climbed. */
static const struct vpoint lead_acid[] = {
    {0.000, 1.600}, {0.010, 1.780}, {0.030, 1.880}, {0.060, 1.930}, {0.100, 1.955},
    {0.300, 1.995}, {0.500, 2.035}, {0.700, 2.075}, {0.900, 2.110}, {1.000, 2.130},
    {1.006, 2.300}, {1.010, 2.420}, {1.013, 2.500}, {1.028, 2.900},
};

static const struct vpoint nimh[] = {
    {0.000, 0.900}, {0.010, 1.050}, {0.030, 1.140}, {0.060, 1.190}, {0.100, 1.220},
    {0.300, 1.270}, {0.500, 1.290}, {0.700, 1.310}, {0.850, 1.335}, {0.950, 1.370},
    {1.000, 1.420}, {1.050, 1.450}, {1.200, 1.480},
};

static const struct vpoint nicd[] = {
    {0.000, 0.900}, {0.010, 1.050}, {0.030, 1.150}, {0.060, 1.200}, {0.100, 1.230},
    {0.300, 1.265}, {0.500, 1.285}, {0.700, 1.305}, {0.850, 1.330}, {0.950, 1.380},
    {1.000, 1.450}, {1.050, 1.480}, {1.200, 1.500},
};

/* What the three kinds of lead-acid share: 97 % stored, and the water takes the rest
 * as the voltage rises. */
#define LEAD_ACID                                                                                  \
    .curve = lead_acid, .curve_points = COUNT(lead_acid), .nominal_cell_V = 2.0,                   \
    .heat_J_per_K_Wh = 25.0, .efficiency = 0.97, .full_from_soc = 2.0, .full_to_soc = 2.0,         \
    .gassing = 0.0002, .under_cell_V = 1.6, .over_cell_V = 2.7, .over_release_cell_V = 2.4
#define WATER_V 1.48 /* of splitting water, heat included; recombination gives it back */

/* Below full nearly all is stored; towards it ever more becomes heat, which is what
 * lowers the voltage: the end of charge shows as -deltaV and as dT/dt. */
#define NICKEL(table)                                                                              \
    .curve = (table), .curve_points = COUNT(table), .nominal_cell_V = 1.2, .efficiency = 0.98,     \
    .full_to_soc = 1.05, .reach = 1.0, .reach_s = 1.0, .under_cell_V = 0.8, .over_cell_V = 1.7,    \
    .over_release_cell_V = 1.5

#define LITHIUM(table)                                                                             \
    .curve = (table), .curve_points = COUNT(table), .efficiency = 0.999, .full_from_soc = 2.0,     \
    .full_to_soc = 2.0, .reach = 1.0, .reach_s = 1.0, .heat_J_per_K_Wh = 10.0

static const struct vchemistry_facts facts[VCHEM_COUNT] = {
    [VCHEM_LFP] = {LITHIUM(lfp), .nominal_cell_V = 3.2, .resistance_mOhm_Ah = 200.0,
                   .protected_pack = true, .under_cell_V = 2.0, .over_cell_V = 3.75,
                   .over_release_cell_V = 3.45},
    [VCHEM_LI_ION] = {LITHIUM(li_ion), .nominal_cell_V = 3.7, .resistance_mOhm_Ah = 100.0,
                      .under_cell_V = 2.5, .over_cell_V = 4.28, .over_release_cell_V = 4.15},
    [VCHEM_LTO] = {LITHIUM(lto), .nominal_cell_V = 2.3, .resistance_mOhm_Ah = 50.0,
                   .protected_pack = true, .under_cell_V = 1.5, .over_cell_V = 2.95,
                   .over_release_cell_V = 2.75},
    [VCHEM_SODIUM_ION] = {LITHIUM(sodium_ion), .nominal_cell_V = 3.1, .resistance_mOhm_Ah = 120.0,
                          .protected_pack = true, .under_cell_V = 1.5, .over_cell_V = 4.05,
                          .over_release_cell_V = 3.85},
    [VCHEM_LEAD_FLOODED] = {LEAD_ACID, .resistance_mOhm_Ah = 60.0, .gas_V = WATER_V, .reach = 0.6,
                            .reach_s = 7200.0},
    [VCHEM_LEAD_AGM] = {LEAD_ACID, .resistance_mOhm_Ah = 40.0, .reach = 0.65, .reach_s = 6000.0},
    [VCHEM_LEAD_GEL] = {LEAD_ACID, .resistance_mOhm_Ah = 70.0, .reach = 0.55, .reach_s = 9000.0},
    [VCHEM_NIMH] = {NICKEL(nimh), .cell_V_per_K = -0.003, .resistance_mOhm_Ah = 50.0,
                    .heat_J_per_K_Wh = 14.0, .full_from_soc = 0.95},
    [VCHEM_NICD] = {NICKEL(nicd), .cell_V_per_K = -0.004, .resistance_mOhm_Ah = 30.0,
                    .heat_J_per_K_Wh = 20.0, .full_from_soc = 0.97},
};

const struct vchemistry_facts *vchemistry_facts(enum vchemistry c)
{
    return &facts[c];
}

double vchemistry_cell_V(enum vchemistry c, double soc)
{
    const struct vchemistry_facts *f = &facts[c];
    size_t i = 1;
    while (i + 1 < f->curve_points && soc > f->curve[i].soc) {
        i++;
    }
    const struct vpoint *a = &f->curve[i - 1];
    const struct vpoint *b = &f->curve[i];
    double V = a->cell_V + (soc - a->soc) * (b->cell_V - a->cell_V) / (b->soc - a->soc);
    return fmax(V, 0.0);
}

double vchemistry_efficiency(enum vchemistry c, double soc)
{
    const struct vchemistry_facts *f = &facts[c];
    if (soc <= f->full_from_soc) {
        return f->efficiency;
    }
    if (soc >= f->full_to_soc) {
        return 0.0;
    }
    return f->efficiency * (f->full_to_soc - soc) / (f->full_to_soc - f->full_from_soc);
}

double vchemistry_gassing(enum vchemistry c, double cell_V, double celsius)
{
    return facts[c].gassing * exp(11.0 * (cell_V - GASSING_CELL_V) + 0.06 * (celsius - 20.0));
}
