/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/import_known: what the ledger knows that a record from elsewhere cannot be. */
#ifndef AMPLEDGER_RUN_IMPORT_KNOWN_H
#define AMPLEDGER_RUN_IMPORT_KNOWN_H

#include "run/import.h"

/* What is compared of a record. Its sums find one that was exported here: the file of a run
 * written anew has the same. */
struct import_seen {
    int64_t started_utc_ns, ended_utc_ns;
    int64_t rows;
    double sum_V, sum_A; /* NAN left out */
};
void import_seen_add(struct import_seen *seen, const struct sample *s);

/* ERR_REFUSED: these are the samples of a run that was made here, of whatever battery; or, unless
 * terms->anyway, its time overlaps with that of another run of the battery. */
bool import_is_new(const struct store *store, const struct import_terms *terms,
                   const struct import_seen *seen, struct err *e) NODISCARD;

#endif
