/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/history: the points of a battery's life, and which of them may be compared. */
#include "run/history.h"

#include "base/file.h"
#include "run/result_step.h"
#include "run/sequencer.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static double number_at(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static const char *text_at(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s != NULL ? s : "";
}

static double or_nothing(double v)
{
    return isfinite(v) ? v : 0;
}

/* --- from documents to points --- */

static bool is_kind(const json_t *step, enum step_kind kind)
{
    return strcmp(text_at(step, "kind"), step_kind_names[kind]) == 0;
}

static bool charge_filled(const json_t *step)
{
    struct run_step s = {0};
    return text_format(s.end_reason, sizeof s.end_reason, "%s", text_at(step, "ended_by")) &&
           step_filled_up(&s);
}

/* What came last before step `at` that moved charge: a charge that filled, or nothing and the
 * profile's word. */
static bool began_full(const json_t *steps, size_t at, const json_t *plan)
{
    while (at-- > 0) {
        const json_t *before = json_array_get(steps, at);
        if (is_kind(before, STEP_CHARGE)) {
            return charge_filled(before);
        }
        if (is_kind(before, STEP_DISCHARGE)) {
            return false;
        }
    }
    return json_is_true(json_object_get(plan, "starts_full"));
}

static struct discharge_terms terms_of(const json_t *plan, const json_t *step)
{
    size_t at = (size_t)json_integer_value(json_object_get(step, "plan_step"));
    const json_t *planned = json_array_get(json_object_get(plan, "steps"), at);
    struct discharge_terms t = {number_at(planned, "current_A"), number_at(planned, "power_W"),
                                number_at(planned, "resistance_ohm"),
                                number_at(planned, "until_voltage_V")};
    /* At constant power or resistance the current is only what is expected. */
    if (isfinite(t.power_W) || isfinite(t.resistance_ohm)) {
        t.current_A = NAN;
    }
    return t;
}

static void leave_out(struct history_point *p, const char *why)
{
    if (p->left_out[0] == '\0') {
        text_format(p->left_out, sizeof p->left_out, "%s", why);
    }
}

static void judge_alone(struct history_point *p, const json_t *step, bool full)
{
    if (!isfinite(p->capacity_Ah)) {
        leave_out(p, "it has no capacity");
    } else if (json_is_true(json_object_get(step, "lower_bound"))) {
        leave_out(p, "it did not reach its cut-off: its capacity is a lower bound");
    } else if (!isfinite(p->terms.cutoff_V)) {
        leave_out(p, "it had no cut-off voltage");
    } else if (!full) {
        leave_out(p, "the battery is not known to have been full before it");
    }
}

static struct history_point *point_new(struct history *h, const struct run_row *run)
{
    struct history_point *grown = reallocarray(h->points, h->count + 1, sizeof *grown);
    if (grown == NULL) {
        abort(); /* as zalloc does: no trend is worth more */
    }
    h->points = grown;
    struct history_point *p = &h->points[h->count++];
    *p = (struct history_point){.nr = run->nr,
                                .rest_s = NAN,
                                .capacity_Ah = NAN,
                                .uncertainty_Ah = NAN,
                                .resistance_mOhm = NAN,
                                .temperature_C = NAN,
                                .terms = {NAN, NAN, NAN, NAN}};
    memcpy(p->battery, run->battery, sizeof p->battery);
    memcpy(p->imported, run->imported.file, sizeof p->imported);
    p->begun_utc_ns = p->utc_ns = run->started_utc_ns;
    return p;
}

struct run_documents {
    const struct run_row *run;
    json_t *plan, *result;
};

static void add_round(struct history *h, const struct run_documents *d, const json_t *round,
                      double before_Ah)
{
    const json_t *steps = json_object_get(d->result, "steps");
    size_t at = (size_t)json_integer_value(json_object_get(round, "step"));
    const json_t *step = json_array_get(steps, at);
    struct history_point *p = point_new(h, d->run);
    p->step = (int)at;
    p->round = (int)json_integer_value(json_object_get(round, "round"));
    p->utc_ns += (int64_t)(1e9 * or_nothing(number_at(step, "start_s")));
    p->discharged_Ah = before_Ah;
    p->rest_s = h->ended_utc_ns != 0 ? (double)(d->run->started_utc_ns - h->ended_utc_ns) / 1e9
                                     : (double)NAN;
    p->capacity_Ah = number_at(step, "capacity_Ah");
    p->uncertainty_Ah = number_at(step, "capacity_uncertainty_Ah");
    p->resistance_mOhm = number_at(round, "resistance_mOhm");
    p->temperature_C = number_at(step, "temperature_mean_C");
    p->terms = terms_of(d->plan, step);
    judge_alone(p, step, began_full(steps, at, d->plan));
}

/* Discharged in this run before step `at`. */
static double discharged_before(const json_t *steps, size_t at)
{
    double sum_Ah = 0;
    for (size_t i = 0; i < at; i++) {
        const json_t *s = json_array_get(steps, i);
        sum_Ah += is_kind(s, STEP_DISCHARGE) ? or_nothing(number_at(s, "capacity_Ah")) : 0;
    }
    return sum_Ah;
}

static void add_rounds(struct history *h, const struct run_documents *d)
{
    const json_t *rounds = json_object_get(d->result, "rounds");
    const json_t *steps = json_object_get(d->result, "steps");
    for (size_t i = 0; i < json_array_size(rounds); i++) {
        const json_t *round = json_array_get(rounds, i);
        size_t at = (size_t)json_integer_value(json_object_get(round, "step"));
        add_round(h, d, round, h->discharged_Ah + discharged_before(steps, at));
    }
    if (json_array_size(rounds) == 0) {
        leave_out(point_new(h, d->run), d->result == NULL
                                            ? "no result is stored with it"
                                            : "it has no discharge that was carried out");
    }
}

void history_add(struct history *h, const struct run_row *run)
{
    if (run->outcome == RUN_RUNNING) {
        return;
    }
    struct run_documents d = {
        run, run->plan_json != NULL ? json_loads(run->plan_json, 0, NULL) : NULL,
        run->result_json != NULL ? json_loads(run->result_json, 0, NULL) : NULL};
    add_rounds(h, &d);
    h->discharged_Ah += or_nothing(number_at(d.result, "discharged_Ah"));
    h->ended_utc_ns = run->ended_utc_ns;
    json_decref(d.plan);
    json_decref(d.result);
}

void history_next_battery(struct history *h)
{
    h->discharged_Ah = 0;
    h->ended_utc_ns = 0;
}

void history_free(struct history *h)
{
    free(h->points);
    *h = (struct history){0};
}

/* --- what may be compared --- */

static bool is_near(double a, double b, double within)
{
    if (isnan(a) || isnan(b)) {
        return isnan(a) && isnan(b);
    }
    return fabs(a - b) <= within * fabs(b);
}

static bool same_terms(const struct discharge_terms *a, const struct discharge_terms *b)
{
    return is_near(a->current_A, b->current_A, HISTORY_RATE_WITHIN) &&
           is_near(a->power_W, b->power_W, HISTORY_RATE_WITHIN) &&
           is_near(a->resistance_ohm, b->resistance_ohm, HISTORY_RATE_WITHIN) &&
           is_near(a->cutoff_V, b->cutoff_V, HISTORY_CUTOFF_WITHIN);
}

void discharge_terms_text(const struct discharge_terms *t, char *out, size_t size)
{
    if (isfinite(t->power_W)) {
        text_format(out, size, "discharge %.4g W to %.4g V", t->power_W, t->cutoff_V);
    } else if (isfinite(t->resistance_ohm)) {
        text_format(out, size, "discharge %.4g Ohm to %.4g V", t->resistance_ohm, t->cutoff_V);
    } else {
        text_format(out, size, "discharge %.4g A to %.4g V", -t->current_A, t->cutoff_V);
    }
}

/* As many of one battery as of several: for a lot each battery's newest is what counts. */
static size_t alike(const struct history *h, const struct history_point *p)
{
    size_t n = 0;
    for (size_t i = 0; i < h->count; i++) {
        n += h->points[i].left_out[0] == '\0' && same_terms(&h->points[i].terms, &p->terms);
    }
    return n;
}

static const struct history_point *choose(const struct history *h)
{
    const struct history_point *best = NULL;
    size_t most = 0;
    for (size_t i = 0; i < h->count; i++) {
        const struct history_point *p = &h->points[i];
        size_t n = p->left_out[0] == '\0' ? alike(h, p) : 0;
        if (n > most || (n > 0 && n == most && p->utc_ns > best->utc_ns)) {
            most = n;
            best = p;
        }
    }
    return best;
}

static double median_temperature(const struct history *h)
{
    double *known = zalloc((h->count + 1) * sizeof *known), median = NAN;
    size_t n = 0;
    for (size_t i = 0; i < h->count; i++) {
        if (h->points[i].left_out[0] == '\0' && isfinite(h->points[i].temperature_C)) {
            known[n++] = h->points[i].temperature_C;
        }
    }
    gsl_sort(known, 1, n);
    if (n > 0) {
        median = gsl_stats_median_from_sorted_data(known, 1, n);
    }
    free(known);
    return median;
}

static void leave_out_other_terms(struct history *h)
{
    for (size_t i = 0; i < h->count; i++) {
        struct history_point *p = &h->points[i];
        if (p->left_out[0] == '\0' && !same_terms(&p->terms, &h->terms)) {
            char own[64], theirs[64], why[192];
            discharge_terms_text(&p->terms, own, sizeof own);
            discharge_terms_text(&h->terms, theirs, sizeof theirs);
            text_format(why, sizeof why, "of another kind: %s, not %s", own, theirs);
            leave_out(p, why);
        }
    }
}

void history_settle(struct history *h)
{
    const struct history_point *like = choose(h);
    h->temperature_C = NAN;
    h->terms = (struct discharge_terms){NAN, NAN, NAN, NAN};
    if (like == NULL) {
        return;
    }
    h->terms = like->terms;
    leave_out_other_terms(h);
    h->temperature_C = median_temperature(h);
    for (size_t i = 0; i < h->count; i++) {
        struct history_point *p = &h->points[i];
        if (fabs(p->temperature_C - h->temperature_C) > HISTORY_KELVIN_WITHIN) {
            char why[192];
            text_format(why, sizeof why, "at another temperature: %.1f degC, not %.1f degC +- %g K",
                        p->temperature_C, h->temperature_C, HISTORY_KELVIN_WITHIN);
            leave_out(p, why);
        }
        h->comparable += p->left_out[0] == '\0';
    }
}
