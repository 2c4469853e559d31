/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plausible: the voltage at rest against chemistry, number of cells and what
 * the profile asks for. */
#include "profile/plausible.h"

#include "base/file.h"
#include "profile/plan_work.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

/* Common practice, no source for the numbers: a meter's zero and what it picks up with
 * open leads; how still a battery at rest stands within a second; and what is left of the
 * voltage between leads from which the battery was taken. */
#define ZERO_V 0.1
#define OPEN_SHARE 0.1
#define STILL_SHARE 0.01
#define STILL_LEAST_V 0.03
#define OPENED_SHARE 0.5
/* What the leads may add to a record's voltages, whose resistance is often not known. */
#define RECORD_SHARE 0.05

struct plausible_seen plausible_once(double voltage_V)
{
    return (struct plausible_seen){voltage_V, voltage_V, NAN, NAN, NULL};
}

double plausible_floor(const struct plan *plan)
{
    const struct chemistry_data *c = chemistry_data(plan->battery.chemistry);
    size_t first = first_flowing(plan);
    bool brought_up = first != SIZE_MAX && isfinite(plan->steps[first].skip_above_V);
    return (brought_up ? c->recover_V : c->floor_V) * plan->battery.cells;
}

double plausible_ceiling(const struct plan *plan)
{
    return chemistry_data(plan->battery.chemistry)->ceiling_V * plan->battery.cells;
}

static double full_cell_V(const struct chemistry_data *c)
{
    return isnan(c->full_charge_V) ? c->ceiling_V : c->full_charge_V;
}

int plausible_cells(enum chemistry chemistry, double voltage_V, int label)
{
    const struct chemistry_data *c = chemistry_data(chemistry);
    int least = (int)ceil(fmin(voltage_V / full_cell_V(c), 1000));
    int most = (int)floor(fmin(voltage_V / c->cutoff_V, 1000));
    int nearest = (int)lround(fmin(voltage_V / c->nominal_V, 1000));
    if (least < 1 || least > most) {
        return 0;
    }
    /* Blocks of the same kind in series, or one block of several. */
    for (int n = least; n <= most; n++) {
        if (n != label && label > 0 && (n % label == 0 || label % n == 0)) {
            return n;
        }
    }
    return nearest < least ? least : nearest > most ? most : nearest;
}

/* "that is 8 cells of lfp (3.24 V each)" */
static void what_it_is(const struct battery *b, double v, char *out, size_t size)
{
    const char *chemistry = chemistry_names[b->chemistry];
    int cells = plausible_cells(b->chemistry, v, b->cells);
    if (cells > 0) {
        text_format(out, size, "that is %d cell%s of %s (%.2f V each)", cells,
                    cells == 1 ? "" : "s", chemistry, v / cells);
    } else {
        text_format(out, size, "no number of cells of %s reads so", chemistry);
    }
}

static bool judge_connection(const struct plan *plan, const struct plausible_seen *seen,
                             char text[PLAUSIBLE_TEXT_SIZE])
{
    double v = seen->lowest_V;
    double spread_V = seen->highest_V - seen->lowest_V;
    if (v < -ZERO_V) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "stand \"%s\" reads %.2f V: the battery is connected the wrong way round; "
                    "disconnect it at once and correct the polarity",
                    plan->stand, v);
    } else if (v < OPEN_SHARE * plausible_floor(plan)) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "stand \"%s\" reads %.2f V: no battery is connected, a lead or fuse is open, "
                    "or the battery's own protection is; check them",
                    plan->stand, v);
    } else if (spread_V > fmax(STILL_LEAST_V, STILL_SHARE * seen->highest_V)) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "stand \"%s\" reads %.2f to %.2f V within a second: a clamp is loose, or "
                    "something else charges or loads the battery; see to it",
                    plan->stand, v, seen->highest_V);
    }
    return text[0] == '\0';
}

static bool judge_cells(const struct plan *plan, double v, char text[PLAUSIBLE_TEXT_SIZE])
{
    const struct battery *b = &plan->battery;
    char is[80];
    what_it_is(b, v, is, sizeof is);
    if (v > plausible_ceiling(plan)) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "the battery reads %.2f V at rest: %s, the label of \"%s\" says %d; connect "
                    "the right one, or correct its record",
                    v, is, b->label, b->cells);
    } else if (v < plausible_floor(plan)) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "the battery reads %.2f V at rest, below the floor of %d %s cells (%.2f V): it "
                    "is deeply discharged, or it is another one: %s; check battery \"%s\"",
                    v, b->cells, chemistry_names[b->chemistry], plausible_floor(plan), is,
                    b->label);
    }
    return text[0] == '\0';
}

/* A smaller number of cells that would be full with this voltage; 0 none. */
static int fewer_full_cells(const struct battery *b, double v)
{
    const struct chemistry_data *c = chemistry_data(b->chemistry);
    for (int n = b->cells - 1; n > 0; n--) {
        if (v >= n * c->nominal_V && v <= n * full_cell_V(c)) {
            return n;
        }
    }
    return 0;
}

/* How full a battery is cannot be read from its voltage; that it is far from full, it can. */
static bool judge_charge(const struct plan *plan, double v, char text[PLAUSIBLE_TEXT_SIZE])
{
    const struct battery *b = &plan->battery;
    const struct chemistry_data *c = chemistry_data(b->chemistry);
    size_t first = first_flowing(plan);
    bool brought_up = first != SIZE_MAX && isfinite(plan->steps[first].skip_above_V);
    int fewer = fewer_full_cells(b, v);
    char other[48] = "";
    if (fewer > 0) {
        text_format(other, sizeof other, ", or it has %d cell%s and not %d", fewer,
                    fewer == 1 ? "" : "s", b->cells);
    }
    if (plan->starts_full && v < c->nominal_V * b->cells) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "the battery reads %.2f V at rest, below its nominal %.2f V: it hardly is "
                    "full%s",
                    v, c->nominal_V * b->cells, other);
    } else if (!brought_up && v < c->cutoff_V * b->cells) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "the battery reads %.2f V at rest, below the usual end of discharge of %d %s "
                    "cells (%.2f V): it is deeply discharged%s",
                    v, b->cells, chemistry_names[b->chemistry], c->cutoff_V * b->cells, other);
    }
    return text[0] == '\0';
}

/* The leads were never open: nobody can have changed the battery between two looks. */
static bool judge_change(const struct plan *plan, const struct plausible_seen *seen,
                         char text[PLAUSIBLE_TEXT_SIZE])
{
    bool same_wanted = seen->former == NULL || strcmp(seen->former, plan->battery.label) == 0;
    if (!same_wanted && seen->since_lowest_V > OPENED_SHARE * seen->lowest_V) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "stand \"%s\" has read %.2f to %.2f V without a break since the run of %s "
                    "ended, so it looks as if %s were still connected and %s were not",
                    plan->stand, seen->since_lowest_V, seen->since_highest_V, seen->former,
                    seen->former, plan->battery.label);
    }
    return text[0] == '\0';
}

enum plausible plausible_judge(const struct plan *plan, const struct plausible_seen *seen,
                               char text[PLAUSIBLE_TEXT_SIZE])
{
    double v = 0.5 * (seen->lowest_V + seen->highest_V);
    text[0] = '\0';
    if (!judge_connection(plan, seen, text) || !judge_cells(plan, v, text)) {
        return PLAUSIBLE_NOT;
    }
    return judge_change(plan, seen, text) && judge_charge(plan, v, text) ? PLAUSIBLE
                                                                         : PLAUSIBLE_DOUBT;
}

bool plausible_record(const struct battery *b, double first_V, double highest_V,
                      char text[PLAUSIBLE_TEXT_SIZE])
{
    const struct chemistry_data *c = chemistry_data(b->chemistry);
    double ceiling_V = c->ceiling_V * b->cells, floor_V = c->floor_V * b->cells;
    bool too_high = first_V > (1 + RECORD_SHARE) * ceiling_V;
    bool too_low = highest_V < (1 - RECORD_SHARE) * floor_V;
    double v = too_high ? first_V : highest_V;
    char is[80];
    text[0] = '\0';
    what_it_is(b, v, is, sizeof is);
    if (too_high) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "the record begins at %.2f V: %s, and %d %s cells never have more than %.2f V; "
                    "is it a record of \"%s\"?",
                    v, is, b->cells, chemistry_names[b->chemistry], ceiling_V, b->label);
    } else if (too_low) {
        text_format(text, PLAUSIBLE_TEXT_SIZE,
                    "the record never reads more than %.2f V: %s, and %d %s cells never go below "
                    "%.2f V; is it a record of \"%s\"?",
                    v, is, b->cells, chemistry_names[b->chemistry], floor_V, b->label);
    }
    return text[0] == '\0';
}
