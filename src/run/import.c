/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/import: learns what the record shows, makes the plan that it stands for, writes it. */
#include "run/import.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/ids.h"
#include "base/log.h"
#include "base/version.h"
#include "profile/plausible.h"
#include "run/import_known.h"
#include "run/result.h"
#include "run/sequencer.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>

#define IMPORT_PROFILE "recorded elsewhere"
/* As in run/result_step.c: a hole of more than ten periods, at least 30 s, is a gap. */
#define PERIODS_OF_A_GAP 10.0
#define GAP_LEAST_S 30.0

/* A row takes 44 bytes, the database's log as many and a block ten: twice that. */
#define ROW_BYTES 200.0
/* Thirty years. The time of a row may be counted from 1970. */
#define SPAN_MOST_S 1e9
#define TIME_MOST_S 5e9

/* What the rows show. */
struct shown {
    size_t rows;
    struct sample first, last;
    double first_V, highest_V; /* of the battery; NAN: never read */
    double peak_A, gap_s;
    double loaded_s, loaded_As; /* of intervals with current at both ends; charge signed */
    bool below_cutoff;
    double threshold_A;
    struct sample before;
    struct import_seen seen;
};

typedef bool each_row(void *context, const struct sample *s, struct err *e);

static bool all_rows(const struct import_rows *rows, each_row *each, void *context, struct err *e)
{
    bool more = true;
    while (more) {
        struct sample s;
        if (!rows->next(rows->context, &s, &more, e)) {
            return false;
        }
        if (more && !each(context, &s, e)) {
            return false;
        }
    }
    return true;
}

/* What no battery has is a column in another unit, or another column. */
static bool is_plausible(const char *file, size_t row, const struct sample *s, struct err *e)
{
    const struct {
        const char *column, *unit;
        double value, least, most;
    } of[] = {
        {"time", "s", s->t_s, -TIME_MOST_S, TIME_MOST_S},
        {"voltage", "V", s->voltage_V, -1e4, 1e4},
        {"current", "A", s->current_A, -1e5, 1e5},
        {"temperature", "degC", s->temperature_C, -273.15, 1000},
    };
    for (size_t i = 0; i < sizeof of / sizeof of[0]; i++) {
        if (of[i].value < of[i].least || of[i].value > of[i].most) {
            return err_set(e, ERR_CONFIG,
                           "%s: row %zu of that time has a %s of %.6g %s, which no record of a "
                           "battery has; is it another column, or is its unit not %s (NAME:UNIT)?",
                           file, row, of[i].column, of[i].value, of[i].unit, of[i].unit);
        }
    }
    return true;
}

struct looking {
    const struct import_terms *terms;
    struct record_survey survey;
    struct shown *shown;
};

static bool look_first(void *context, const struct sample *s, struct err *e)
{
    struct looking *k = context;
    double v = sample_battery_voltage(s, k->terms->lead_ohm);
    if (!is_plausible(k->terms->source.file, k->shown->rows + 1, s, e)) {
        return false;
    }
    k->shown->first_V = isnan(k->shown->first_V) ? v : k->shown->first_V;
    k->shown->highest_V = fmax(k->shown->highest_V, v);
    import_seen_add(&k->shown->seen, s);
    if (k->shown->rows++ == 0) {
        k->shown->first = *s;
    }
    k->shown->last = *s;
    record_survey_add(&k->survey, s);
    return true;
}

struct weighing {
    const struct import_terms *terms;
    struct shown *shown;
};

static bool look_again(void *context, const struct sample *s, struct err *e)
{
    (void)e;
    const struct weighing *k = context;
    struct shown *w = k->shown;
    bool loaded = fabs(s->current_A) > w->threshold_A;
    if (loaded && fabs(w->before.current_A) > w->threshold_A) {
        w->loaded_s += s->t_s - w->before.t_s;
        w->loaded_As += sample_charge_Ah(&w->before, s) * S_PER_H;
    }
    w->below_cutoff = w->below_cutoff || (loaded && sample_battery_voltage(s, k->terms->lead_ohm) <
                                                        k->terms->cutoff_V);
    w->before = *s;
    return true;
}

static bool look(const struct import_terms *t, const struct import_rows *rows, struct shown *out,
                 struct err *e)
{
    struct looking first = {.terms = t, .shown = out};
    struct weighing again = {t, out};
    struct discharge_options options = discharge_options_default();
    *out = (struct shown){.first_V = NAN, .highest_V = NAN, .before = {NAN, NAN, NAN, NAN}};
    record_survey_start(&first.survey);
    if (!all_rows(rows, look_first, &first, e)) {
        return false;
    }
    if (out->rows < 2 || !(out->last.t_s > out->first.t_s)) {
        return err_set(e, ERR_CONFIG, "%s: %zu row%s of that time; a run needs two at least",
                       t->source.file, out->rows, out->rows == 1 ? "" : "s");
    }
    double span_s = out->last.t_s - out->first.t_s;
    if (span_s > SPAN_MOST_S) {
        return err_set(e, ERR_CONFIG,
                       "%s lasts %.4g s, which no record of a battery does; is the time in another "
                       "unit (NAME:ms)?",
                       t->source.file, span_s);
    }
    record_survey_settle(&first.survey, &options);
    out->gap_s = options.gap_s;
    out->threshold_A = options.current_threshold_A;
    return all_rows(rows, look_again, &again, e);
}

static bool check_direction(const struct import_terms *t, const struct shown *w, struct err *e)
{
    bool is_discharge = t->kind == STEP_DISCHARGE;
    if ((!is_discharge && t->kind != STEP_CHARGE) ||
        (is_discharge ? w->loaded_As < 0 : w->loaded_As > 0)) {
        return true;
    }
    if (!(w->loaded_s > 0)) {
        return err_set(e, ERR_CONFIG, "%s: no current flows in it; is it a rest?", t->source.file);
    }
    return err_set(
        e, ERR_CONFIG,
        "%s moves %.4g Ah %s the battery, so it is no %s; current into the battery is "
        "positive, or say that the log writes discharge as positive (--discharge-positive, "
        "discharge_positive)",
        t->source.file, fabs(w->loaded_As) / S_PER_H, w->loaded_As > 0 ? "into" : "out of",
        step_kind_names[t->kind]);
}

/* Decimals, as the log had them: differences of two are none any more. */
static double since(double t_s, double first_s)
{
    return rint((t_s - first_s) * 1e6) / 1e6;
}

static bool may_be_the_battery(const struct import_terms *t, const struct shown *w, struct err *e)
{
    char text[PLAUSIBLE_TEXT_SIZE];
    return t->anyway || plausible_record(&t->battery, w->first_V, w->highest_V, text) ||
           err_set(e, ERR_REFUSED, "%s: %s (--anyway: take it all the same)", t->source.file, text);
}

static int64_t later_by(int64_t utc_ns, double s)
{
    return utc_ns + (int64_t)llround(s * (double)NS_PER_S);
}

/* The limits of time_s and span_s keep these in range. */
static bool place_in_time(struct import_terms *t, struct shown *w, struct err *e)
{
    char at[CLOCK_UTC_TEXT_SIZE];
    if (t->zero_utc_ns != 0) {
        t->started_utc_ns = later_by(t->zero_utc_ns, w->first.t_s);
    }
    w->seen.started_utc_ns = t->started_utc_ns;
    w->seen.ended_utc_ns = later_by(t->started_utc_ns, since(w->last.t_s, w->first.t_s));
    if (w->seen.ended_utc_ns <= t->source.utc_ns) {
        return true;
    }
    bool begins = t->started_utc_ns > t->source.utc_ns;
    clock_format_utc(begins ? t->started_utc_ns : w->seen.ended_utc_ns, at);
    return err_set(e, ERR_CONFIG,
                   "%s would %s at %s, in the future; when was its first row, and is the unit of "
                   "its time right?",
                   t->source.file, begins ? "begin" : "end", at);
}

/* The period by which the result will tell gaps as the survey of the record does. */
static double period_s(const struct shown *w)
{
    double mean_s = (w->last.t_s - w->first.t_s) / (double)(w->rows - 1);
    double most_s = w->gap_s / PERIODS_OF_A_GAP;
    return w->gap_s > GAP_LEAST_S ? most_s : fmin(mean_s, most_s);
}

static struct plan_step step_of(const struct import_terms *t, const struct shown *w)
{
    struct plan_step s = plan_step_blank(t->kind);
    bool flows = t->kind != STEP_REST;
    double mean_A = w->loaded_s > 0 ? w->loaded_As / w->loaded_s : 0;
    text_format(s.name, sizeof s.name, "%s", t->step_name);
    s.drive = flows ? DRIVE_CURRENT : DRIVE_OFF;
    s.current_A = !flows ? 0 : isfinite(t->current_A) ? copysign(t->current_A, mean_A) : mean_A;
    s.until_V = t->kind == STEP_DISCHARGE ? t->cutoff_V : (double)NAN;
    s.max_s = w->last.t_s - w->first.t_s;
    s.sample_s = period_s(w);
    s.expected_s = s.max_s;
    return s;
}

static char *plan_text(const struct import_terms *t, const struct shown *w)
{
    struct plan_step step = step_of(t, w);
    struct stand_facts facts = {.voltage_source = t->voltage_source,
                                .lead_ohm = t->lead_ohm,
                                .present_voltage_V = NAN,
                                .present_temperature_C = NAN,
                                .accuracy = t->accuracy};
    struct plan *plan = zalloc(sizeof *plan);
    text_format(plan->profile, sizeof plan->profile, IMPORT_PROFILE);
    plan->battery = t->battery;
    plan->step_count = 1;
    plan->steps = &step;
    plan->expected_s = plan->longest_s = step.max_s;
    plan->expected_Ah = plan->expected_Wh = NAN;
    plan->expected_charged_Ah = plan->expected_charged_Wh = plan->disk_bytes = NAN;
    plan->starts_full = t->starts_full;
    plan->judged = isfinite(t->accept_Ah);
    plan->accept_Ah = t->accept_Ah;
    plan->guard_share = t->guard_share;
    plan->correction = correction_choice_none();
    json_t *o = plan_to_json(plan, &facts);
    char *text = json_dumps(o, JSON_COMPACT);
    json_decref(o);
    free(plan);
    return text;
}

/* --- writing --- */

/* The disk must take the run and go on taking what stands record meanwhile. */
static bool has_room(const struct store *store, const struct shown *w, struct err *e)
{
    struct statvfs v;
    if (statvfs(store_path(store), &v) != 0) {
        return true;
    }
    double free_MB = (double)v.f_bavail * (double)v.f_frsize / 1e6;
    double needed_MB = (double)w->rows * ROW_BYTES / 1e6;
    return free_MB >= needed_MB ||
           err_set(e, ERR_REFUSED,
                   "%zu rows need %.0f MB beside the database for a while, and %.0f MB are free; "
                   "make room first",
                   w->rows, needed_MB, free_MB);
}

struct writing {
    struct store *store;
    int64_t nr;
    double first_s;
    size_t n;
    struct sample piece[IMPORT_PIECE];
};

static bool put_piece(struct writing *k, struct err *e)
{
    bool ok = k->n == 0 || store_import_put(k->store, k->nr, k->piece, k->n, e);
    k->n = 0;
    return ok;
}

static bool put_row(void *context, const struct sample *s, struct err *e)
{
    struct writing *k = context;
    struct sample *out = &k->piece[k->n++];
    *out = *s;
    out->t_s = since(s->t_s, k->first_s);
    return k->n < IMPORT_PIECE || put_piece(k, e);
}

static bool write_rows(struct store *store, int64_t nr, const struct shown *w,
                       const struct import_rows *rows, struct err *e)
{
    struct writing *k = zalloc(sizeof *k);
    k->store = store;
    k->nr = nr;
    k->first_s = w->first.t_s;
    bool ok = all_rows(rows, put_row, k, e) && put_piece(k, e);
    free(k);
    return ok;
}

static bool compute(struct store *store, int64_t nr, const struct import_end *end, char **out,
                    struct err *e)
{
    struct reader *r = NULL;
    struct run_row row;
    json_t *result = NULL;
    if (!reader_of(store, &r, e)) {
        return false;
    }
    bool ok = reader_import(r, nr, &row, e);
    if (ok) {
        struct run_step *step = &row.steps[0];
        step->start_s = end->start_s;
        step->end_s = end->end_s;
        text_format(step->end_reason, sizeof step->end_reason, "%s", end->end_reason);
        ok = result_compute(r, &row, &result, e);
        *out = ok ? json_dumps(result, JSON_COMPACT) : NULL;
        json_decref(result);
        run_row_free(&row);
    }
    reader_close(r);
    return ok;
}

static bool finish(struct store *store, int64_t nr, const struct import_terms *t,
                   const struct shown *w, struct err *e)
{
    char *result = NULL;
    double lasts_s = since(w->last.t_s, w->first.t_s);
    struct import_end end = {
        .end_s = lasts_s,
        .end_reason = t->kind == STEP_DISCHARGE && w->below_cutoff ? step_end_text(STEP_END_CUTOFF)
                                                                   : "end of the record",
        .ended_utc_ns = w->seen.ended_utc_ns,
    };
    if (!compute(store, nr, &end, &result, e)) {
        return false;
    }
    end.result_json = result;
    bool ok = store_import_end(store, nr, &end, e);
    free(result);
    return ok;
}

static bool begin(struct store *store, const struct import_terms *t, const char *plan, int64_t *nr,
                  struct err *e)
{
    struct import_begin b = {
        .run = {.started_utc_ns = t->started_utc_ns,
                .lead_ohm = t->lead_ohm,
                .plan_json = plan,
                .software_version = AMPLEDGER_VERSION},
        .source = t->source,
        .step_name = t->step_name,
        .step_kind = step_kind_names[t->kind],
    };
    uuid7_make(t->started_utc_ns, b.run.id);
    memcpy(b.run.battery_id, t->battery.id, sizeof b.run.battery_id);
    text_format(b.run.profile, sizeof b.run.profile, IMPORT_PROFILE);
    text_format(b.run.voltage_source, sizeof b.run.voltage_source, "%s",
                voltage_source_names[t->voltage_source]);
    return store_import_begin(store, &b, nr, e);
}

/* It failed, or nobody knows: a disk may have taken longer than anybody waited, and then have
 * it all. */
static bool became_whole(struct store *store, int64_t nr)
{
    struct err e = {0};
    bool whole = false;
    if (!store_import_drop(store, nr, &whole, &e)) {
        log_error("%s", e.text);
    }
    return whole;
}

bool import_run(struct store *store, const struct import_terms *terms,
                const struct import_rows *rows, int64_t *nr, struct err *e)
{
    struct shown shown;
    struct import_terms said = *terms;
    if (!look(terms, rows, &shown, e) || !check_direction(terms, &shown, e) ||
        !may_be_the_battery(terms, &shown, e) || !place_in_time(&said, &shown, e) ||
        !import_is_new(store, &said, &shown.seen, e) || !has_room(store, &shown, e)) {
        return false;
    }
    char *plan = plan_text(&said, &shown);
    bool begun = begin(store, &said, plan, nr, e);
    free(plan);
    if (!begun) {
        return false;
    }
    return (write_rows(store, *nr, &shown, rows, e) && finish(store, *nr, &said, &shown, e)) ||
           became_whole(store, *nr);
}
