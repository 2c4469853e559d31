/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/row: batteries that wait at a stand. At rest the stand asks for the next one; what
 * a person then says is connected is looked at before anything begins. All called by the
 * stand's own thread, row_refresh() by any; nothing here switches anything on. */
#ifndef AMPLEDGER_RUN_ROW_H
#define AMPLEDGER_RUN_ROW_H

#include "run/stand.h"

/* What waits, from the store into the stand's status. */
void row_refresh(struct stand *s);
/* At rest, once per look: asks for the next battery, and reminds. */
void row_look(struct stand *s);
/* What was read at rest; NULL: nothing could be. Whether the leads were open since the
 * former run ended is known only while no look is missing. */
void row_note(struct stand *s, const struct reading *r);
/* A run was tried or has ended: whatever waits now is to be asked for. */
void row_after_run(struct stand *s);

/* Several readings of what hangs there, against the job's battery and profile. ERR_REFUSED
 * with what is wrong with it. */
bool row_check(struct stand *s, const struct job *job, struct err *e) NODISCARD;

#endif
