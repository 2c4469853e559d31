/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/log_read: goes through a log as often as it takes: once to learn what rest and gap
 * mean in it, once to count, once more for its curve. */
#include "cli/log_read.h"

#include "analysis/pulse.h"
#include "base/file.h"
#include "report/csv.h"

#include <math.h>
#include <stdlib.h>

bool log_rows(struct csv_reader *reader, const struct log_source *from, log_row_fn *take,
              void *context, struct err *e)
{
    bool more = true;
    while (more) {
        struct sample s;
        if (!csv_read(reader, &s, &more, e))
            return false;
        if (!more || s.t_s < from->from_s || s.t_s > from->to_s)
            continue;
        if (from->discharge_positive)
            s.current_A = -s.current_A;
        if (!take(context, &s, e))
            return false;
    }
    return true;
}

static bool survey_row(void *context, const struct sample *s, struct err *e)
{
    (void)e;
    record_survey_add(context, s);
    return true;
}

bool log_survey(struct csv_reader *reader, const struct log_source *from, struct record_survey *out,
                struct err *e)
{
    csv_any_order(reader);
    record_survey_start(out);
    if (!log_rows(reader, from, survey_row, out, e))
        return false;
    struct csv_late late = csv_late(reader);
    if (late.rows == 0)
        return csv_rewind(reader, e);
    if (!csv_put_in_order(reader, e))
        return false;
    record_survey_start(out);
    if (!log_rows(reader, from, survey_row, out, e) || !csv_rewind(reader, e))
        return false;
    out->late = (struct late_rows){late.rows, late.first_line, late.from_s, late.to_s};
    return true;
}

static bool count_row(void *context, const struct sample *s, struct err *e)
{
    return accumulator_add(context, s, e);
}

static bool analyse_rows(struct csv_reader *reader, const struct log_source *source,
                         struct discharge_options *options, struct capacity_result *out,
                         struct err *e)
{
    struct record_survey survey;
    struct charge_accumulator a;

    if (!log_survey(reader, source, &survey, e))
        return false;
    record_survey_settle(&survey, options);
    accumulator_start(&a, options);
    a.signs.late = survey.late;
    if (!log_rows(reader, source, count_row, &a, e))
        return false;
    if (!accumulator_finish(&a, out, e))
        return err_prefix(e, "%s", source->file);
    return true;
}

bool log_analyse(const struct log_source *s, struct discharge_options *options,
                 struct capacity_result *out, struct err *e)
{
    struct csv_reader *reader;
    if (!csv_open(s->file, &reader, e))
        return false;
    bool ok = analyse_rows(reader, s, options, out, e);
    csv_close(reader);
    return ok;
}

/* --- the curve --- */

struct collecting {
    const struct discharge_options *options;
    size_t row, first_row;
    struct sample last;
    bool has_last;
    double charge_Ah;
    size_t stride, since; /* every so many rows is kept */
    struct discharge_curve *curve;
    struct pulse_watch watch;
};

static void thin_out(struct collecting *c)
{
    size_t kept = 0;
    for (size_t i = 0; i < c->curve->n; i += 2)
        c->curve->point[kept++] = c->curve->point[i];
    c->curve->n = kept;
    c->stride *= 2;
}

static void keep_point(struct collecting *c, double voltage_V)
{
    if (c->curve->n == CURVE_POINTS_MAX)
        thin_out(c);
    c->curve->point[c->curve->n++] = (struct curve_point){c->charge_Ah, voltage_V};
    c->since = 0;
}

/* A row under discharge after the first one counted. Rows that go back in charge (braking,
 * noise) would make two voltages of one charge. */
static bool collect_row(void *context, const struct sample *s, struct err *e)
{
    struct collecting *c = context;
    (void)e;
    c->row++;
    pulse_watch_add(&c->watch, s);
    if (c->row < c->first_row || isnan(s->current_A) || isnan(s->voltage_V))
        return true;
    if (c->has_last)
        c->charge_Ah -= sample_charge_Ah(&c->last, s);
    c->last = *s;
    c->has_last = true;
    bool loaded = s->current_A < -c->options->current_threshold_A;
    size_t n = c->curve->n;
    bool further = n == 0 || c->charge_Ah > c->curve->point[n - 1].charge_Ah;
    if (loaded && further && (n == 0 || ++c->since >= c->stride))
        keep_point(c, sample_battery_voltage(s, c->options->lead_ohm));
    return true;
}

static void find_resistance(struct collecting *c, struct log_curve *out)
{
    pulse_watch_finish(&c->watch);
    for (size_t i = 0; i < c->watch.count; i++) {
        const struct pulse_change *p = &c->watch.change[i];
        for (size_t k = 0; p->method == PULSE_ON && k < p->count; k++) {
            if (isnan(p->instant[k].resistance_ohm))
                continue;
            out->resistance_ohm = p->instant[k].resistance_ohm;
            out->resistance_after_s = p->instant[k].after_s;
        }
    }
}

bool log_curve_read(const struct log_source *s, const struct discharge_options *options,
                    const struct capacity_result *r, struct log_curve *out, struct err *e)
{
    struct csv_reader *reader;
    *out = (struct log_curve){.resistance_ohm = NAN, .resistance_after_s = NAN};
    if (!csv_open(s->file, &reader, e))
        return false;
    out->curve = (struct discharge_curve){
        .point = zalloc(CURVE_POINTS_MAX * sizeof(struct curve_point)),
        .current_A = fabs(r->mean_current_A),
        .hours = r->loaded_s / S_PER_H,
        .expanded = r->uncertainty.expanded_Ah / r->capacity_Ah,
        .temperature_C = r->temperature_mean_C,
    };
    struct collecting *c = zalloc(sizeof *c);
    *c = (struct collecting){
        .options = options, .first_row = r->first_row, .stride = 1, .curve = &out->curve};
    pulse_watch_start(&c->watch, out->curve.current_A, options->lead_ohm);
    c->watch.latest_s = RESISTANCE_WITHIN_S;
    struct record_survey in_order;
    bool ok = r->late == 0 || log_survey(reader, s, &in_order, e);
    ok = ok && log_rows(reader, s, collect_row, c, e);
    if (ok)
        find_resistance(c, out);
    free(c);
    csv_close(reader);
    if (ok && out->curve.n < 2)
        ok = err_set(e, ERR_CONFIG, "%s: fewer than two rows under discharge: there is no curve",
                     s->file);
    if (!ok)
        log_curve_free(out);
    return ok;
}

void log_curve_free(struct log_curve *c)
{
    free(c->curve.point);
    c->curve.point = NULL;
}
