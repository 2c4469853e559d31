/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/trend: a battery's life and a lot's worth as JSON documents, from what is stored. */
#ifndef AMPLEDGER_RUN_TREND_H
#define AMPLEDGER_RUN_TREND_H

#include "run/history.h"

#define TREND_LIMIT_PERCENT 80.0
#define TREND_RESISTANCE_LIMIT_PERCENT 200.0 /* common practice, no source */

/* The keys of GET /v1/batteries/LABEL/trend: src/web/API.md says all. limit_percent NAN:
 * TREND_LIMIT_PERCENT. New reference in *out. */
bool trend_compute(struct reader *r, const struct battery *b, double limit_percent, json_t **out,
                   struct err *e) NODISCARD;

/* Peaks of incremental capacity of the comparable discharges, followed from each to the
 * next; reads samples. The keys of GET /v1/batteries/LABEL/peaks. */
#define PEAKS_DISCHARGES_MOST 24 /* the newest */
bool peaks_compute(struct reader *r, const struct battery *b, json_t **out,
                   struct err *e) NODISCARD;

/* Sets matched from the batteries of a lot, each by its newest comparable result (of one kind
 * over all of them): the keys of POST /v1/lots/NAME/match. Retired ones are left out. Too few
 * for one set: ERR_REFUSED. */
struct match_wanted {
    const char *lot;
    int series, parallel;
    int sets; /* 0: as many as there are batteries for */
};
bool match_compute(struct reader *r, const struct battery *batteries, size_t n,
                   const struct match_wanted *wanted, json_t **out, struct err *e) NODISCARD;

/* All runs of one battery, put into *h. */
bool history_read(struct reader *r, const char *label, struct history *h, struct err *e) NODISCARD;

#endif
