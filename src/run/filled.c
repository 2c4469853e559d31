/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/filled: looks at the newest runs of the battery. */
#include "run/filled.h"

#include "base/file.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#define LOOK_BACK 20 /* runs that ended before any current say nothing */

enum last_done { NOTHING, CHARGED, DISCHARGED };

/* Steps with no current say nothing. */
static enum last_done last_done(const struct run_row *r)
{
    for (size_t i = r->step_count; i-- > 0;) {
        const char *kind = r->steps[i].kind;
        if (strcmp(kind, step_kind_names[STEP_CHARGE]) == 0) {
            return CHARGED;
        }
        if (strcmp(kind, step_kind_names[STEP_DISCHARGE]) == 0 ||
            strcmp(kind, step_kind_names[STEP_PULSE]) == 0) {
            return DISCHARGED;
        }
    }
    return NOTHING;
}

static bool look_at(struct reader *r, int64_t nr, enum last_done *out, struct err *e)
{
    struct run_row run;
    char which[24];
    if (!text_format(which, sizeof which, "%" PRId64, nr)) {
        return err_set(e, ERR_BUG, "run number %" PRId64 " does not fit", nr);
    }
    if (!reader_run(r, which, &run, e)) {
        return false;
    }
    *out = last_done(&run);
    run_row_free(&run);
    return true;
}

/* rows: the newest first. */
static bool judge(struct reader *r, const struct run_row *rows, size_t n, struct plan *p,
                  struct err *e)
{
    enum last_done found = NOTHING;
    size_t i = 0;
    while (i < n && found == NOTHING) {
        if (!look_at(r, rows[i++].nr, &found, e)) {
            return false;
        }
    }
    if (found == DISCHARGED) {
        plan_add_warning(p,
                         "%s was last discharged here in run %" PRId64
                         ", and no charge since is on record: unless it was filled elsewhere, it "
                         "is not full and the verdict would be of a part of it",
                         p->battery.label, rows[i - 1].nr);
    }
    return true;
}

bool filled_warn(const struct store *s, struct plan *p, struct err *e)
{
    struct reader *r = NULL;
    struct run_row *rows = NULL;
    size_t n = 0;
    if (!p->starts_full) {
        return true;
    }
    bool ok = reader_of(s, &r, e) && reader_runs(r, p->battery.label, LOOK_BACK, &rows, &n, e) &&
              judge(r, rows, n, p, e);
    for (size_t i = 0; i < n; i++) {
        run_row_free(&rows[i]);
    }
    free(rows);
    reader_close(r);
    return ok;
}
