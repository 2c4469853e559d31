/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/lookup: what several handlers look up: profile and battery by name, a run
 * with its result. */
#ifndef AMPLEDGER_WEB_LOOKUP_H
#define AMPLEDGER_WEB_LOOKUP_H

#include "profile/profile.h"
#include "web/http.h"

/* As named in a body. */
struct test_wanted {
    char profile[64];
    char battery[LABEL_SIZE];
};
struct test_parts {
    struct profile *profile; /* owned */
    struct battery battery;
};
/* Profiles come from the bench's folder only: over HTTP nobody names files. */
bool test_parts_load(const struct web_config *c, const struct test_wanted *wanted,
                     struct test_parts *out, struct err *e) NODISCARD;
void test_parts_free(struct test_parts *p);

/* A profile of the bench's folder by its name, never a path. */
bool lookup_profile(const struct web_config *c, const char *name, struct profile **out,
                    struct err *e) NODISCARD;

/* Label of the test clock, so that a virtual bench has one time only. */
int64_t lookup_utc_now(const struct web_config *c);

/* The batteries of a lot by label, retired ones included; owned (free()). ERR_NOT_FOUND
 * with the nearest lot when there are none. */
bool lookup_lot(const struct web_config *c, const char *lot, struct battery **out, size_t *n,
                struct err *e) NODISCARD;
/* The lots that are named, each once, in order; owned, NULL-terminated. */
char **lot_names(const struct battery *batteries, size_t n);
void lot_names_free(char **names);

/* Its own connection to the daemon's database. */
bool lookup_reader(const struct web_config *c, struct reader **out, struct err *e) NODISCARD;

/* The result kept with the run, as it is told: result_tell(). NULL when there is none. New
 * reference. */
json_t *result_told(const struct run_row *r);

/* A run and its whole document, as GET /v1/runs/ID answers it: new reference in *out, and *row
 * to be freed with run_row_free. */
bool lookup_run(struct reader *r, const char *which, struct run_row *row, json_t **out,
                struct err *e) NODISCARD;

/* {"runs": [...]} with verdicts, newest first. battery NULL: all; limit 0: all. */
bool lookup_runs(const struct web_config *c, const char *battery, int limit, json_t **out,
                 struct err *e) NODISCARD;

#endif
