/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/battery_check: numbers that no battery has are slips of the pen, and every
 * limit would be worked out from them. */
#include "profile/chemistry.h"

#include <math.h>
#include <stddef.h>

/* Wide on purpose; no source, and nobody's battery is near them: strings of some 800 V,
 * button cells to submarine cells, ten minutes to half a year, ratings of model
 * aircraft packs. */
#define CELLS_MOST 400
#define RATED_LEAST_AH 0.001
#define RATED_MOST_AH 50000
#define HOURS_LEAST 0.01
#define HOURS_MOST 5000
#define CURRENT_MOST_C 500
#define CURRENT_MOST_A 50000
#define TEMPERATURE_LEAST_C 20
#define TEMPERATURE_MOST_C 100

static bool within(double value, double least, double most)
{
    return isnan(value) || (value >= least && value <= most);
}

static bool check_rating(const struct battery *b, struct err *e)
{
    if (!within(b->rated_Ah, RATED_LEAST_AH, RATED_MOST_AH)) {
        return err_set(e, ERR_CONFIG,
                       "battery \"%s\": a rated capacity of %.4g Ah is not one of a battery: write "
                       "what its label says, e.g. 125 Ah or 2500 mAh, or nothing",
                       b->label, b->rated_Ah);
    }
    if (!within(b->rated_hours, HOURS_LEAST, HOURS_MOST)) {
        return err_set(e, ERR_CONFIG,
                       "battery \"%s\": a rating for a discharge of %.4g h is not usual for any: "
                       "write the hours that the label or sheet states, e.g. 20 h",
                       b->label, b->rated_hours);
    }
    double most_A = isnan(b->rated_Ah) ? CURRENT_MOST_A : CURRENT_MOST_C * b->rated_Ah;
    const double largest_A[] = {b->current_max_A, b->charge_current_max_A};
    for (size_t i = 0; i < 2; i++) {
        if (!within(largest_A[i], 0, most_A) || largest_A[i] == 0) {
            return err_set(e, ERR_CONFIG,
                           "battery \"%s\": a largest %scurrent of %.4g A is none that a battery "
                           "has, %.4g A would be the most: write what its sheet says, or nothing",
                           b->label, i == 0 ? "" : "charge ", largest_A[i], most_A);
        }
    }
    return true;
}

bool battery_check(const struct battery *b, struct err *e)
{
    const struct chemistry_data *c = chemistry_data(b->chemistry);
    const char *name = chemistry_names[b->chemistry];
    if (b->cells < 1 || b->cells > CELLS_MOST) {
        return err_set(e, ERR_CONFIG,
                       "battery \"%s\": %d cells in series are not possible here, 1 to %d are: a "
                       "battery of nominally 12.8 V lfp has 4, one of 12 V lead has 6",
                       b->label, b->cells, CELLS_MOST);
    }
    if (!check_rating(b, e)) {
        return false;
    }
    /* A rating at a high rate may end below the floor, and all sag then. */
    double least_V = 0.6 * c->floor_V * b->cells, most_V = c->nominal_V * b->cells;
    if (!within(b->rated_cutoff_V, least_V, most_V)) {
        return err_set(
            e, ERR_CONFIG,
            "battery \"%s\": a rated cut-off of %.4g V does not fit %d %s cell%s, %.4g V "
            "to %.4g V would: check it and the number of cells",
            b->label, b->rated_cutoff_V, b->cells, name, b->cells == 1 ? "" : "s", least_V, most_V);
    }
    return within(b->temperature_max_C, TEMPERATURE_LEAST_C, TEMPERATURE_MOST_C) ||
           err_set(e, ERR_CONFIG,
                   "battery \"%s\": a highest temperature of %.4g degC is not one of a battery: "
                   "write what its sheet says, from %d degC to %d degC, or nothing",
                   b->label, b->temperature_max_C, TEMPERATURE_LEAST_C, TEMPERATURE_MOST_C);
}
