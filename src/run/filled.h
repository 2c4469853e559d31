/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/filled: does the ledger say that a battery which should be full was emptied last?
 * Whoever takes one straight from a test to the next gets a verdict on a part of it. */
#ifndef AMPLEDGER_RUN_FILLED_H
#define AMPLEDGER_RUN_FILLED_H

#include "profile/plan.h"
#include "store/store.h"

/* What there is to warn of, in the order of the runs; "" when there is nothing, or the profile
 * does not start from a full battery. That the ledger cannot be read is told in its place, and
 * refuses nothing. Reads the database: not for a thread that steers a stand. */
void filled_note(const struct store *s, const struct profile *profile, const char *battery,
                 char out[PLAN_NOTE_SIZE]);

#endif
