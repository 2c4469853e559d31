/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/resume: finding the run that was cut off at a stand when the daemon or
 * the computer stopped, and where in it the battery was. All of it comes from
 * the database; whether the run may go on is decided here, twice: when it is
 * found, and again just before its output would go on. */
#include "run/resume.h"

#include "base/file.h"
#include "base/log.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LOOK_BACK 50 /* runs of all stands */
/* A longer interval is an earlier interruption: nothing is counted for it. */
#define COUNTED_INTERVAL_S 10.0

struct totals {
    struct resume_point *at;
    double lead_ohm;
    bool has_last;
    int last_step;
    struct sample last;
};

/* Is what flowed since the last sample to be counted? */
static bool counts(const struct totals *t, int step, const struct sample *s)
{
    double dt_s = t->has_last && t->last_step == step ? s->t_s - t->last.t_s : 0;
    return dt_s > 0 && dt_s < COUNTED_INTERVAL_S && isfinite(s->current_A + t->last.current_A);
}

static void keep(struct totals *t, int step, const struct sample *s)
{
    t->last = *s;
    t->last_step = step;
    t->has_last = true;
}

static bool add_sample(void *context, int step, const struct sample *s)
{
    struct totals *t = context;
    if (counts(t, step, s)) {
        double charge_Ah = sample_charge_Ah(&t->last, s);
        t->at->discharged_Ah += fmax(0, -charge_Ah);
        t->at->charged_Ah += fmax(0, charge_Ah);
        t->at->energy_Wh += fabs(sample_energy_Wh(&t->last, s, t->lead_ohm));
    }
    keep(t, step, s);
    return true;
}

static bool find_nr(struct reader *r, const char *stand, int64_t *nr, struct err *e)
{
    struct run_row *rows = NULL;
    size_t n = 0;
    *nr = 0;
    if (!reader_runs(r, NULL, LOOK_BACK, &rows, &n, e)) {
        return false;
    }
    bool seen = false;
    for (size_t i = 0; i < n; i++) {
        if (!seen && strcmp(rows[i].stand, stand) == 0) {
            seen = true; /* the newest of this stand, and no other */
            *nr = rows[i].outcome == RUN_INTERRUPTED ? rows[i].nr : 0;
        }
        run_row_free(&rows[i]);
    }
    free(rows);
    return true;
}

/* The steps before: how each ended, and what was taken out in it. */
static bool add_past_sample(void *context, int step, const struct sample *s)
{
    struct totals *t = context;
    if (counts(t, step, s) && step >= 0 && (size_t)step < t->at->past_count) {
        t->at->past[step].discharged_Ah += fmax(0, -sample_charge_Ah(&t->last, s));
    }
    keep(t, step, s);
    return true;
}

static bool find_past(struct reader *r, const struct run_row *row, struct resume_point *at,
                      struct err *e)
{
    struct totals t = {.at = at};
    at->past_count = row->step_count - 1;
    at->past = zalloc((at->past_count + 1) * sizeof *at->past);
    for (size_t i = 0; i < at->past_count; i++) {
        const struct run_step *step = &row->steps[i];
        if (step->step != (int)i || step->plan_step < 0 ||
            !step_end_parse(step->end_reason, &at->past[i].ended)) {
            return err_set(e, ERR_REFUSED, "the record of its step \"%s\" is not whole",
                           step->name);
        }
        at->past[i].step = (size_t)step->plan_step;
    }
    return at->past_count == 0 || reader_samples(r, row->nr, -1, add_past_sample, &t, e);
}

/* Where it was: in the step that was begun last and has not ended. */
static bool find_point(struct reader *r, const struct run_row *row, struct totals *t, struct err *e)
{
    struct resume_point *at = t->at;
    const struct run_step *step = row->step_count > 0 ? &row->steps[row->step_count - 1] : NULL;
    if (step == NULL || isfinite(step->end_s)) {
        return err_set(e, ERR_REFUSED, "it was cut off between two steps");
    }
    *at = (struct resume_point){
        .nr = row->nr,
        .started_utc_ns = row->started_utc_ns,
        .step = (size_t)step->plan_step,
        .step_start_s = step->start_s,
        .samples = row->sample_count,
    };
    if (!reader_samples(r, row->nr, step->step, add_sample, t, e)) {
        return false;
    }
    at->last_s = t->has_last ? t->last.t_s : step->start_s;
    return find_past(r, row, at, e);
}

bool resume_gap(const struct resume_point *at, int64_t utc_ns, double within_s, double *gap_s,
                struct err *e)
{
    double elapsed_s = (double)(utc_ns - at->started_utc_ns) / (double)NS_PER_S;
    *gap_s = elapsed_s - at->last_s;
    if (*gap_s < 0) {
        return err_set(e, ERR_REFUSED,
                       "the wall clock has gone back by %.4g s since its last sample", -*gap_s);
    }
    if (within_s <= 0) {
        return err_set(e, ERR_REFUSED, "its profile says stop on an interruption");
    }
    if (*gap_s > within_s) {
        return err_set(e, ERR_REFUSED, "the gap of %.4g s is longer than the %.4g s it allows",
                       *gap_s, within_s);
    }
    return true;
}

static bool is_allowed(const struct stand *s, const char *run_id)
{
    struct slip_text slip;
    slip_read(s->slip, &slip);
    return slip.kind == SLIP_RESUMABLE && strcmp(slip.run_id, run_id) == 0;
}

static bool fill_job(struct stand *s, struct reader *r, const struct run_row *row, struct job *job,
                     struct err *e)
{
    char *text = NULL;
    char path[96];
    double gap_s = 0;
    if (!is_allowed(s, row->id)) {
        return err_set(
            e, ERR_REFUSED,
            "its profile says stop, it was ending already, or records waited for the disk");
    }
    if (strcmp(row->bench_sha256, s->bench->sha256) != 0) {
        return err_set(e, ERR_REFUSED, "the bench file has changed since it began");
    }
    struct totals totals = {.at = &job->resume, .lead_ohm = s->config->lead_ohm};
    if (!find_point(r, row, &totals, e) || !reader_text(r, row->profile_sha256, &text, e)) {
        return false;
    }
    text_format(path, sizeof path, "%s.yaml", row->profile);
    bool ok =
        profile_load_text(path, text, strlen(text), &job->profile, e) &&
        resume_gap(&job->resume, clock_utc_ns(s->clock), job->profile->resume_within_s, &gap_s, e);
    free(text);
    job->battery = row->battery_record;
    strcpy(job->run_id, row->id);
    return ok;
}

static bool open_row(struct stand *s, struct reader **r, struct run_row *row, struct err *e)
{
    int64_t nr = 0;
    if (!reader_of(s->store, r, e) || !find_nr(*r, s->config->name, &nr, e)) {
        return false;
    }
    if (nr == 0) {
        return err_set(e, ERR_NONE, "nothing was cut off");
    }
    return reader_run_nr(*r, nr, row, e);
}

struct job *resume_find(struct stand *s)
{
    struct err e = {0};
    struct reader *r = NULL;
    struct run_row row = {0};
    struct job *job = zalloc(sizeof *job);
    bool ok = open_row(s, &r, &row, &e) && fill_job(s, r, &row, job, &e);
    if (!ok && e.code != ERR_NONE) {
        log_info("%s: the interrupted run %lld is not resumed: %s", s->config->name,
                 (long long)row.nr, e.text);
    }
    run_row_free(&row);
    reader_close(r);
    if (!ok) {
        job_free(job);
        return NULL;
    }
    return job;
}
