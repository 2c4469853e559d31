/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/result: results of a run, from its stored samples and its stored plan and
 * nothing else. Samples stream through; memory does not grow with the run. */
#include "run/result.h"

#include "base/file.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Below this share of the set point a discharge counts as not loaded. */
#define REST_SHARE 0.02
/* A hole of more than ten periods (at least 30 s) is a gap. */
#define GAP_PERIODS 10.0
#define GAP_LEAST_S 30.0

static double number_at(const json_t *object, const char *key)
{
    const json_t *v = json_object_get(object, key);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static struct accuracy accuracy_at(const json_t *stand, const char *key)
{
    const json_t *a = json_object_get(stand, key);
    return (struct accuracy){number_at(a, "gain"), number_at(a, "offset"),
                             number_at(a, "resolution")};
}

static struct discharge_options options_of(const json_t *plan, const json_t *step,
                                           const struct run_row *run)
{
    const json_t *stand = json_object_get(plan, "stand");
    struct discharge_options o = discharge_options_default();
    o.cutoff_V = number_at(step, "until_voltage_V");
    o.rule = isfinite(o.cutoff_V) ? END_CROSSING : END_WHOLE;
    o.lead_ohm = run->lead_ohm;
    o.rated_Ah = run->battery_record.rated_Ah;
    o.gap_s = fmax(GAP_LEAST_S, GAP_PERIODS * number_at(step, "sample_every_s"));
    o.current_threshold_A = REST_SHARE * fabs(number_at(step, "current_A"));
    o.accuracy.voltage = accuracy_at(stand, "voltage_accuracy");
    o.accuracy.current = accuracy_at(stand, "current_accuracy");
    o.accuracy.time_gain = number_at(stand, "time_gain");
    return o;
}

static struct acceptance acceptance_of(const json_t *plan, int step)
{
    const json_t *a = json_object_get(plan, "acceptance");
    struct acceptance out = {.limit_Ah = NAN, .rule = DECISION_GUARD_BAND};
    const json_t *judged = json_object_get(a, "step");
    if (judged == NULL || json_integer_value(judged) != step) {
        return out;
    }
    out.limit_Ah = number_at(a, "capacity_Ah");
    const char *rule = json_string_value(json_object_get(a, "rule"));
    if (rule != NULL && strcmp(rule, decision_rule_names[DECISION_SIMPLE]) == 0) {
        out.rule = DECISION_SIMPLE;
    }
    return out;
}

#define INTERRUPTIONS_MOST 32

/* Times at which an interrupted run went on. */
struct resumptions {
    size_t count;
    double at_s[INTERRUPTIONS_MOST];
};

struct feed {
    struct charge_accumulator accumulator;
    const struct resumptions *resumptions;
    size_t next; /* of the resumptions */
    double last_s, last_A;
    size_t interruptions;
    double interrupted_s, unrecorded_Ah;
    struct err *e;
    bool ok;
    double temperature_max_C;
};

/* What may have flowed unseen when a run was cut off: samples not yet on disk
 * (2 s), and the time until the keeper had switched off a hung worker's output
 * (trust time, at most 3 s). */
#define UNRECORDED_S 5.0
/* And how long setting, switching on and settling may take after the gap, in
 * which a straight line stands for a switch that nobody saw. */
#define SWITCH_ON_S 0.5

static void skip_interruption(struct feed *f, const struct sample *s)
{
    const struct resumptions *r = f->resumptions;
    while (f->next < r->count && r->at_s[f->next] <= s->t_s) {
        if (isfinite(f->last_s) && f->last_s < r->at_s[f->next]) {
            double gap_s = s->t_s - f->last_s;
            accumulator_skip_to(&f->accumulator, s->t_s);
            f->interruptions++;
            f->interrupted_s += gap_s;
            f->unrecorded_Ah += fabs(f->last_A) * (fmin(gap_s, UNRECORDED_S) + SWITCH_ON_S) / 3600;
        }
        f->next++;
    }
}

static bool feed_sample(void *context, int step, const struct sample *s)
{
    (void)step;
    struct feed *f = context;
    f->temperature_max_C = fmax(f->temperature_max_C, s->temperature_C);
    skip_interruption(f, s);
    f->last_s = s->t_s;
    f->last_A = s->current_A;
    f->ok = accumulator_add(&f->accumulator, s, f->e);
    return f->ok;
}

/* A step that was cut short by a trip or a stop delivered at least this much. */
static bool step_was_cut_short(const struct run_row *run, size_t i)
{
    for (int outcome = RUN_STOPPED; outcome <= RUN_INTERRUPTED; outcome++) {
        if (strcmp(run->steps[i].end_reason, run_outcome_names[outcome]) == 0) {
            return true;
        }
    }
    return !isfinite(run->steps[i].end_s);
}

/* An interruption is told in the result, and makes it less sure. */
static void tell_interruptions(const struct feed *f, struct capacity_result *result)
{
    struct analysis_notes *notes = &result->notes;
    if (f->interruptions == 0) {
        return;
    }
    uncertainty_add(&result->uncertainty, "interruption", f->unrecorded_Ah / sqrt(3.0),
                    "the current that may have flowed for at most 5.5 s unseen, half-width");
    if (notes->count < ANALYSIS_NOTES_MAX) {
        text_format(notes->text[notes->count++], ANALYSIS_NOTE_SIZE,
                    "interrupted %zu time%s, %.4g s in all: nothing is added for that time; up to "
                    "%.3g Ah may have flowed unrecorded",
                    f->interruptions, f->interruptions == 1 ? "" : "s", f->interrupted_s,
                    f->unrecorded_Ah);
    }
}

struct step_context {
    struct reader *reader;
    const struct run_row *run;
    const json_t *plan;
    struct resumptions resumptions;
    double temperature_max_C;
};

static bool step_result(struct step_context *c, size_t i, json_t **out, struct err *e)
{
    const struct run_row *run = c->run;
    const json_t *plan = c->plan;
    const struct run_step *step = &run->steps[i];
    const json_t *planned = json_array_get(json_object_get(plan, "steps"), (size_t)step->step);
    struct discharge_options options = options_of(plan, planned, run);
    struct acceptance accept = acceptance_of(plan, step->step);
    struct feed f = {.resumptions = &c->resumptions,
                     .last_s = NAN,
                     .e = e,
                     .ok = true,
                     .temperature_max_C = NAN};
    struct capacity_result result;
    *out = json_pack("{s:i, s:s, s:s, s:o, s:o, s:s}", "step", step->step, "name", step->name,
                     "kind", step->kind, "start_s", json_number(step->start_s), "end_s",
                     json_number(step->end_s), "ended_by", step->end_reason);
    accumulator_start(&f.accumulator, &options);
    if (!reader_samples(c->reader, run->nr, step->step, feed_sample, &f, e) || !f.ok) {
        json_decref(*out);
        return false;
    }
    c->temperature_max_C = fmax(c->temperature_max_C, f.temperature_max_C);
    struct err none = {0};
    if (accumulator_finish(&f.accumulator, &result, &none)) {
        result.lower_bound = result.lower_bound || step_was_cut_short(run, i);
        tell_interruptions(&f, &result);
        json_t *numbers = capacity_to_json(&result, &accept);
        json_object_set_new(numbers, "interruptions", json_integer((json_int_t)f.interruptions));
        json_object_set_new(numbers, "interrupted_s", json_number(f.interrupted_s));
        json_object_del(numbers, "kind");
        json_object_update_new(*out, numbers);
    } else {
        json_object_set_new(*out, "no_result_because", json_string(none.text));
    }
    return true;
}

/* The run's own numbers are those of the judged step, else of the last discharge. */
static const json_t *leading_step(const json_t *plan, const json_t *steps)
{
    const json_t *judged = json_object_get(json_object_get(plan, "acceptance"), "step");
    const json_t *leading = NULL;
    size_t i;
    json_t *step;
    json_array_foreach(steps, i, step)
    {
        bool is_judged = judged != NULL && json_integer_value(json_object_get(step, "step")) ==
                                               json_integer_value(judged);
        const char *kind = json_string_value(json_object_get(step, "kind"));
        if (is_judged) {
            return step;
        }
        if (kind != NULL && strcmp(kind, step_kind_names[STEP_DISCHARGE]) == 0) {
            leading = step;
        }
    }
    return leading;
}

static json_t *copy_leading(const json_t *plan, const json_t *steps)
{
    static const char *const own[] = {"step", "name", "kind", "start_s", "ended_by", NULL};
    const json_t *leading = leading_step(plan, steps);
    json_t *o = leading != NULL ? json_deep_copy(leading) : json_object();
    json_object_set_new(o, "judged_step",
                        leading != NULL ? json_incref(json_object_get(leading, "name"))
                                        : json_null());
    for (size_t i = 0; own[i] != NULL; i++) {
        json_object_del(o, own[i]);
    }
    return o;
}

static bool read_resumptions(struct reader *r, const struct run_row *run, struct resumptions *out,
                             struct err *e)
{
    struct event_row *events = NULL;
    size_t n = 0;
    if (!reader_events(r, run->nr, &events, &n, e)) {
        return false;
    }
    for (size_t i = 0; i < n && out->count < INTERRUPTIONS_MOST; i++) {
        if (strcmp(events[i].kind, "resume") == 0) {
            out->at_s[out->count++] = events[i].t_s;
        }
    }
    free(events);
    return true;
}

bool result_compute(struct reader *r, const struct run_row *run, json_t **out, struct err *e)
{
    json_error_t why;
    json_t *plan = json_loads(run->plan_json != NULL ? run->plan_json : "", 0, &why);
    if (plan == NULL) {
        return err_set(e, ERR_STORE, "the plan kept with run %lld cannot be read: %s",
                       (long long)run->nr, why.text);
    }
    json_t *steps = json_array();
    struct step_context context = {.reader = r, .run = run, .plan = plan, .temperature_max_C = NAN};
    bool ok = read_resumptions(r, run, &context.resumptions, e);
    for (size_t i = 0; ok && i < run->step_count; i++) {
        json_t *step = NULL;
        ok = step_result(&context, i, &step, e);
        if (ok) {
            json_array_append_new(steps, step);
        }
    }
    if (ok) {
        *out = copy_leading(plan, steps);
        json_object_set_new(*out, "samples", json_integer((json_int_t)run->sample_count));
        json_object_set_new(*out, "temperature_max_C", json_number(context.temperature_max_C));
        json_object_set_new(*out, "resistance_mOhm",
                            json_null()); /* no current step was made for it */
        json_object_set(*out, "steps", steps);
    }
    json_decref(steps);
    json_decref(plan);
    return ok;
}
