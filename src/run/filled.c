/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/filled: looks at the newest runs of the battery. */
#include "run/filled.h"

#include "base/file.h"
#include "base/log.h"
#include "run/result_step.h"
#include "run/sequencer.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#define LOOK_BACK 20 /* runs that ended before any current say nothing */

enum last_done { NOTHING, FILLED, DISCHARGED };

/* As full batteries end a charge, or its time: the 16 h of NiCd and NiMH. One to a level, or
 * cut short, leaves the question to what was before. */
static bool is_filling(const struct run_step *s)
{
    enum step_end ended = STEP_GOES_ON;
    return strcmp(s->kind, step_kind_names[STEP_CHARGE]) == 0 &&
           (step_filled_up(s) || (step_end_parse(s->end_reason, &ended) && ended == STEP_END_TIME));
}

static enum last_done last_done(const struct run_row *r)
{
    for (size_t i = r->step_count; i-- > 0;) {
        const char *kind = r->steps[i].kind;
        if (is_filling(&r->steps[i])) {
            return FILLED;
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
    if (!reader_run_nr(r, nr, &run, e)) {
        return false;
    }
    *out = last_done(&run);
    run_row_free(&run);
    return true;
}

/* rows: the newest first. */
static bool judge(struct reader *r, const struct run_row *rows, size_t n, char *out, struct err *e)
{
    enum last_done found = NOTHING;
    size_t i = 0;
    while (i < n && found == NOTHING) {
        if (!look_at(r, rows[i++].nr, &found, e)) {
            return false;
        }
    }
    if (found == DISCHARGED) {
        const struct run_row *last = &rows[i - 1];
        text_format(out, PLAN_NOTE_SIZE,
                    "%s was last discharged in run %" PRId64 "%s, and no charge that filled it is "
                    "on record since: unless it was filled elsewhere, it is not full and the "
                    "verdict would be of a part of it",
                    last->battery, last->nr,
                    last->imported.file[0] != '\0' ? " (taken from a log)" : "");
    }
    return true;
}

static bool look_back(const struct store *s, const char *battery, char *out, struct err *e)
{
    struct reader *r = NULL;
    struct run_row *rows = NULL;
    size_t n = 0;
    bool ok = reader_of(s, &r, e) && reader_runs(r, battery, LOOK_BACK, &rows, &n, e) &&
              judge(r, rows, n, out, e);
    for (size_t i = 0; i < n; i++) {
        run_row_free(&rows[i]);
    }
    free(rows);
    reader_close(r);
    return ok;
}

void filled_note(const struct store *s, const struct profile *profile, const char *battery,
                 char out[PLAN_NOTE_SIZE])
{
    struct err e = {0};
    out[0] = '\0';
    if (profile->full_confirmed && !look_back(s, battery, out, &e)) {
        log_warn("what was done to %s before cannot be read: %s", battery, e.text);
        text_format(out, PLAN_NOTE_SIZE,
                    "what was done to %s before cannot be read from the ledger: whether it was "
                    "filled since its last discharge is not known",
                    battery);
    }
}
