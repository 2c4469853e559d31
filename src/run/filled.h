/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/filled: does the ledger say that a battery which should be full was emptied here last?
 * Whoever takes one straight from a test to the next gets a verdict on a part of it. */
#ifndef AMPLEDGER_RUN_FILLED_H
#define AMPLEDGER_RUN_FILLED_H

#include "profile/plan.h"
#include "store/store.h"

/* A warning in the plan, where it starts from a full battery. Before the run of that plan is
 * on record. */
bool filled_warn(const struct store *s, struct plan *p, struct err *e) NODISCARD;

#endif
