/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/parts: a record taken apart where the current turns: discharge, rest, charge,
 * and what each moved. Streaming, bounded, pure. A single row that is out of line (less
 * than two rows of a kind) begins no part. */
#ifndef AMPLEDGER_ANALYSIS_PARTS_H
#define AMPLEDGER_ANALYSIS_PARTS_H

#include "base/sample.h"

#include <stdbool.h>
#include <stddef.h>

#define PARTS_MAX 128

struct record_part {
    int direction; /* -1 discharge, 0 rest, 1 charge */
    size_t first_row, rows;
    struct sample first, last; /* voltage at the battery's own terminals */
    double in_Ah, in_Wh;       /* signed, from its first row to its last */
};

struct record_parts {
    double threshold_A, lead_ohm;
    size_t row;
    bool waiting; /* `next` is one row of another kind, which may be out of line */
    struct sample next;
    size_t next_row;
    size_t count, dropped;
    struct record_part part[PARTS_MAX];
};

/* At or below threshold_A the battery rests. */
void parts_start(struct record_parts *p, double threshold_A, double lead_ohm);
/* In order of time; unknown voltage or current is passed over. */
void parts_add(struct record_parts *p, const struct sample *s);

#endif
