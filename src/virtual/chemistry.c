/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/chemistry: the tables. */
#include "virtual/chemistry.h"

#include <math.h>

const char *const vchemistry_names[] = {"lfp", "li-ion", "lead-acid", "nimh", NULL};

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

/* Near-linear while acid is at the plates, then a cliff. */
static const struct vpoint lead_acid[] = {
    {0.000, 1.600}, {0.010, 1.780}, {0.030, 1.880}, {0.060, 1.930}, {0.100, 1.955},
    {0.300, 1.995}, {0.500, 2.035}, {0.700, 2.075}, {0.900, 2.110}, {1.000, 2.130},
    {1.020, 2.300}, {1.040, 2.420}, {1.050, 2.500}, {1.100, 2.900},
};

static const struct vpoint nimh[] = {
    {0.000, 0.900}, {0.010, 1.050}, {0.030, 1.140}, {0.060, 1.190}, {0.100, 1.220},
    {0.300, 1.270}, {0.500, 1.290}, {0.700, 1.310}, {0.850, 1.335}, {0.950, 1.370},
    {1.000, 1.420}, {1.050, 1.450}, {1.200, 1.480},
};

static const struct vchemistry_facts facts[VCHEM_COUNT] = {
    [VCHEM_LFP] = {.curve = lfp,
                   .curve_points = COUNT(lfp),
                   .nominal_cell_V = 3.2,
                   .resistance_mOhm_Ah = 200.0,
                   .efficiency = 0.999,
                   .full_from_soc = 2.0,
                   .full_to_soc = 2.0,
                   .reach = 1.0,
                   .reach_s = 1.0,
                   .protected_pack = true,
                   .under_cell_V = 2.0,
                   .over_cell_V = 3.75,
                   .over_release_cell_V = 3.45},
    [VCHEM_LI_ION] = {.curve = li_ion,
                      .curve_points = COUNT(li_ion),
                      .nominal_cell_V = 3.7,
                      .resistance_mOhm_Ah = 100.0,
                      .efficiency = 0.999,
                      .full_from_soc = 2.0,
                      .full_to_soc = 2.0,
                      .reach = 1.0,
                      .reach_s = 1.0,
                      .under_cell_V = 2.5,
                      .over_cell_V = 4.28,
                      .over_release_cell_V = 4.15},
    [VCHEM_LEAD_ACID] = {.curve = lead_acid,
                         .curve_points = COUNT(lead_acid),
                         .nominal_cell_V = 2.0,
                         .resistance_mOhm_Ah = 60.0,
                         .efficiency = 0.97,
                         .full_from_soc = 0.95,
                         .full_to_soc = 1.05,
                         .reach = 0.6,
                         .reach_s = 7200.0,
                         .under_cell_V = 1.6,
                         .over_cell_V = 2.7,
                         .over_release_cell_V = 2.4},
    [VCHEM_NIMH] = {.curve = nimh,
                    .curve_points = COUNT(nimh),
                    .nominal_cell_V = 1.2,
                    .cell_V_per_K = -0.003,
                    .resistance_mOhm_Ah = 50.0,
                    .efficiency = 0.98,
                    .full_from_soc = 0.95,
                    .full_to_soc = 1.05,
                    .reach = 1.0,
                    .reach_s = 1.0,
                    .under_cell_V = 0.8,
                    .over_cell_V = 1.7,
                    .over_release_cell_V = 1.5},
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
