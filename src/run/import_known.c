/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/import_known: holds a record against the runs of the ledger. */
#include "run/import_known.h"

#include "base/clock.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* An export has the decimals of the readings, so the sums agree as far as doubles do. */
#define SAME_SUM 1e-9

void import_seen_add(struct import_seen *seen, const struct sample *s)
{
    seen->rows++;
    seen->sum_V += isfinite(s->voltage_V) ? s->voltage_V : 0;
    seen->sum_A += isfinite(s->current_A) ? s->current_A : 0;
}

static bool add_sample(void *context, int step, const struct sample *s)
{
    (void)step;
    import_seen_add(context, s);
    return true;
}

static bool same_sum(double a, double b)
{
    return fabs(a - b) <= SAME_SUM * fmax(fabs(a), 1);
}

/* Only of runs with as many rows are the samples read. */
static bool not_exported_here(struct reader *r, const struct run_row *run,
                              const struct import_terms *t, const struct import_seen *seen,
                              struct err *e)
{
    struct import_seen here = {0};
    if (run->imported.file[0] != '\0' || run->sample_count != seen->rows) {
        return true;
    }
    if (!reader_samples(r, run->nr, -1, add_sample, &here, e)) {
        return false;
    }
    /* The current may have been turned round. */
    bool same = same_sum(here.sum_V, seen->sum_V) && same_sum(fabs(here.sum_A), fabs(seen->sum_A));
    return !same || err_set(e, ERR_REFUSED,
                            "%s holds the samples of run %" PRId64 " of %s, which was made here; "
                            "nothing was done",
                            t->source.file, run->nr, run->battery);
}

/* A run that has not ended goes on until now. */
static bool not_meanwhile(const struct run_row *run, const struct import_terms *t,
                          const struct import_seen *seen, struct err *e)
{
    int64_t ended_ns = run->ended_utc_ns != 0 ? run->ended_utc_ns : t->source.utc_ns;
    char begun[CLOCK_UTC_TEXT_SIZE];
    if (t->anyway || strcmp(run->battery, t->battery.label) != 0 ||
        seen->started_utc_ns >= ended_ns || run->started_utc_ns >= seen->ended_utc_ns) {
        return true;
    }
    clock_format_utc(run->started_utc_ns, begun);
    return err_set(e, ERR_REFUSED,
                   "the time of %s is that of run %" PRId64
                   " of that battery already, which began at %s, and one battery is in one test "
                   "at a time; nothing was done (--anyway: take it all the same)",
                   t->source.file, run->nr, begun);
}

bool import_is_new(const struct store *store, const struct import_terms *terms,
                   const struct import_seen *seen, struct err *e)
{
    struct reader *r = NULL;
    struct run_row *runs = NULL;
    size_t n = 0;
    bool ok = reader_of(store, &r, e) && reader_runs(r, NULL, 0, &runs, &n, e);
    for (size_t i = 0; i < n; i++) {
        ok = ok && not_exported_here(r, &runs[i], terms, seen, e) &&
             not_meanwhile(&runs[i], terms, seen, e);
        run_row_free(&runs[i]);
    }
    free(runs);
    reader_close(r);
    return ok;
}
