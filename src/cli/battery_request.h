/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/battery_request: what a person wrote about a battery, as the API wants it. Pure. */
#ifndef AMPLEDGER_CLI_BATTERY_REQUEST_H
#define AMPLEDGER_CLI_BATTERY_REQUEST_H

#include "base/err.h"
#include "cli/words.h"

#include <jansson.h>

struct battery_words {
    const char *label, *chemistry, *cells;
    const char *rated, *rated_hours, *rated_cutoff, *current_max, *charge_current_max;
    const char *temperature_max;
    const char *lot, *note; /* NULL: not given */
};

/* Units are checked and values given per cell or relative to the rated capacity
 * are worked out here. New reference. */
bool battery_request(const struct battery_words *w, json_t **out, struct err *e) NODISCARD;

/* The same as a correction of `record`, as the API gave it; "none" for what is to be
 * unknown again. New reference. */
bool battery_correction(const struct battery_words *w, const json_t *record, json_t **out,
                        struct err *e) NODISCARD;

/* "lfp, 4 cells, 125 Ah" from the API's record. */
struct words battery_in_words(const json_t *battery);

#endif
