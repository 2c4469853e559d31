/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/shapes: what the house knows, as JSON. Keys carry units; unknown is null;
 * times are UTC, RFC 3339. All return new references. Pure. */
#ifndef AMPLEDGER_WEB_SHAPES_H
#define AMPLEDGER_WEB_SHAPES_H

#include "profile/profile.h"
#include "run/run.h"
#include "store/store.h"

#include <jansson.h>

json_t *stand_to_json(const struct stand_status *s);
json_t *battery_to_json(const struct battery *b);
json_t *profile_to_json(const struct profile *p);
/* null when nothing tripped */
json_t *trip_to_json(const struct run_trip *t);
/* What a list of runs shows of one. `result` may be NULL; borrowed. */
json_t *run_summary_to_json(const struct run_row *r, const json_t *result);
/* The summary and all that was recorded around the samples. Borrows all. */
struct run_parts {
    const struct event_row *events;
    size_t event_count;
    json_t *result;         /* NULL: none can be computed */
    const char *bench_text; /* NULL: it was not made at a bench here */
};
json_t *run_to_json(const struct run_row *r, const struct run_parts *parts);

/* UTC as text, or null for 0. */
json_t *utc_to_json(int64_t utc_ns);
/* A text, or null when empty; bytes that are not UTF-8 are shown as '?'. */
json_t *text_to_json(const char *text);

#endif
