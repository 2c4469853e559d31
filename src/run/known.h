/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/known: which instruments belong to a stand, remembered over restarts: two
 * loads of one model whose cables were swapped look alike but for their numbers. */
#ifndef AMPLEDGER_RUN_KNOWN_H
#define AMPLEDGER_RUN_KNOWN_H

#include "run/stand.h"

/* What the database knows is expected from now on. Before the thread starts. */
bool known_load(struct stand *s, struct err *e) NODISCARD;

/* Put on record who answered, where that is news. After all were identified. */
void known_keep(struct stand *s);

/* For a while whoever answers is right: a person accepts what is there. `before`
 * takes what was expected; known_restore() expects it again. */
struct known_before {
    char expected[4][IDENTITY_SIZE];
};
void known_forget(struct stand *s, struct known_before *before);
void known_restore(struct stand *s, const struct known_before *before);

#endif
