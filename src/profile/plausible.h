/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plausible: may what hangs at a stand be the battery that it is said to be?
 * By voltage at rest alone, so it can refute and never prove. Pure. */
#ifndef AMPLEDGER_PROFILE_PLAUSIBLE_H
#define AMPLEDGER_PROFILE_PLAUSIBLE_H

#include "profile/plan.h"

/* Several readings within a second or so, every output off. */
struct plausible_seen {
    double lowest_V, highest_V; /* the same when there is one reading */
    /* All readings since the former run at this stand ended, if none was missing; NAN: not
     * known. Whoever changes the battery opens the leads, and then they read nearly 0. */
    double since_lowest_V, since_highest_V;
    const char *former; /* label of the battery of that run; NULL: none, or not known */
};

/* One reading, and nothing known of the time before. */
struct plausible_seen plausible_once(double voltage_V);

enum plausible {
    PLAUSIBLE,
    PLAUSIBLE_DOUBT, /* a person may know better */
    PLAUSIBLE_NOT    /* it must not be switched on, whoever says so */
};

#define PLAUSIBLE_TEXT_SIZE 320

/* What plan->battery may read at rest, whole battery: the chemistry's floor (lower where
 * the plan begins with a pre-charge) and ceiling. */
double plausible_floor(const struct plan *plan);
double plausible_ceiling(const struct plan *plan);

/* How many cells in series of that chemistry would read so: a multiple or a part of
 * `label` where one fits, else the nearest to the nominal voltage. 0: no number does. */
int plausible_cells(enum chemistry chemistry, double voltage_V, int label);

/* Against the battery and the steps of the plan. `text` says what is wrong and what to
 * do about it, "" when plausible. */
enum plausible plausible_judge(const struct plan *plan, const struct plausible_seen *seen,
                               char text[PLAUSIBLE_TEXT_SIZE]);

/* Of a record that was made elsewhere: the voltages of the battery in its first row, at rest or
 * under load, and the highest of all. False, with `text` as above, when it cannot be one of
 * this battery. */
bool plausible_record(const struct battery *b, double first_V, double highest_V,
                      char text[PLAUSIBLE_TEXT_SIZE]) NODISCARD;

#endif
