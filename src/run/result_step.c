/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/result_step: the numbers of one step, by its kind. */
#include "run/result_step.h"

#include "analysis/correction_read.h"
#include "analysis/pulse_json.h"
#include "base/file.h"
#include "run/sequencer.h"

#include <math.h>
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

static void put_number(json_t *o, const char *key, double value)
{
    json_object_set_new(o, key, json_number(value));
}

static json_t *text_or_null(const char *text)
{
    return text[0] != '\0' ? json_string(text) : json_null();
}

double charge_state_percent(const struct charge_state *c)
{
    return 100 * (1 + c->since_full_Ah / c->rated_Ah);
}

void charge_state_add(struct charge_state *c, double Ah)
{
    c->since_start_Ah += Ah;
    c->since_full_Ah = isnan(c->since_full_Ah) ? c->since_full_Ah : fmin(0, c->since_full_Ah + Ah);
}

/* --- what the plan and the run say --- */

static struct accuracy accuracy_at(const json_t *stand, const char *key)
{
    const json_t *a = json_object_get(stand, key);
    return (struct accuracy){number_at(a, "gain"), number_at(a, "offset"),
                             number_at(a, "resolution")};
}

static struct discharge_options options_of(const struct step_work *w)
{
    const json_t *stand = json_object_get(w->terms->plan, "stand");
    struct discharge_options o = discharge_options_default();
    o.cutoff_V = w->kind == STEP_DISCHARGE ? number_at(w->planned, "until_voltage_V") : (double)NAN;
    o.rule = isfinite(o.cutoff_V) ? END_CROSSING : END_WHOLE;
    o.lead_ohm = w->terms->run->lead_ohm;
    o.rated_Ah = w->terms->run->battery_record.rated_Ah;
    o.step_of_run = w->terms->run->imported.file[0] == '\0';
    o.gap_s = fmax(GAP_LEAST_S, GAP_PERIODS * number_at(w->planned, "sample_every_s"));
    o.current_threshold_A = REST_SHARE * fabs(number_at(w->planned, "current_A"));
    o.accuracy.voltage = accuracy_at(stand, "voltage_accuracy");
    o.accuracy.current = accuracy_at(stand, "current_accuracy");
    o.accuracy.time_gain = number_at(stand, "time_gain");
    return o;
}

static struct correction_choice correction_of(const json_t *acceptance)
{
    const json_t *o = json_object_get(acceptance, "correction");
    const char *name = json_string_value(json_object_get(o, "rule"));
    struct correction_choice c = correction_choice_none();
    struct err none = {0};
    if (name == NULL || !correction_parse(name, &c.rule, &none)) {
        return c;
    }
    c.temperature_error_C = number_at(o, "thermometer_C");
    c.coefficient_per_K = number_at(o, "coefficient_per_K");
    c.reference_C = number_at(o, "reference_C");
    c.published_A = number_at(o, "published_A");
    c.published_s = number_at(o, "published_s");
    c.rated_Ah = number_at(o, "rated_Ah");
    c.rated_hours = number_at(o, "rated_hours");
    return c;
}

struct acceptance step_acceptance(const json_t *plan, int plan_step)
{
    const json_t *a = json_object_get(plan, "acceptance");
    struct acceptance out = {
        .limit_Ah = NAN, .rule = DECISION_GUARD_BAND, .correction = correction_choice_none()};
    const json_t *judged = json_object_get(a, "step");
    if (judged == NULL || json_integer_value(judged) != plan_step) {
        return out;
    }
    out.limit_Ah = number_at(a, "capacity_Ah");
    out.correction = correction_of(a);
    const char *rule = json_string_value(json_object_get(a, "rule"));
    for (int i = 0; rule != NULL && decision_rule_names[i] != NULL; i++) {
        out.rule = strcmp(rule, decision_rule_names[i]) == 0 ? (enum decision_rule)i : out.rule;
    }
    out.guard_share = number_at(a, "guard_share_percent") / 100;
    return out;
}

bool step_was_cut_short(const struct run_step *step)
{
    for (int outcome = RUN_STOPPED; outcome <= RUN_INTERRUPTED; outcome++) {
        if (strcmp(step->end_reason, run_outcome_names[outcome]) == 0) {
            return true;
        }
    }
    return !isfinite(step->end_s);
}

bool step_filled_up(const struct run_step *step)
{
    enum step_end ended = STEP_GOES_ON;
    return step_end_parse(step->end_reason, &ended) &&
           (ended == STEP_END_TAPER || ended == STEP_END_DROP || ended == STEP_END_WARMING);
}

static enum step_kind kind_of(const struct run_step *step)
{
    for (int i = 0; step_kind_names[i] != NULL; i++) {
        if (strcmp(step->kind, step_kind_names[i]) == 0) {
            return (enum step_kind)i;
        }
    }
    return STEP_REST; /* from a hand other than ours: nothing is made of its current */
}

/* --- sample by sample --- */

void step_work_start(struct step_work *w, const struct step_terms *terms,
                     const struct run_step *step)
{
    *w = (struct step_work){
        .terms = terms,
        .step = step,
        .planned = json_array_get(json_object_get(terms->plan, "steps"), (size_t)step->plan_step),
        .kind = kind_of(step),
        .temperature_max_C = NAN,
    };
    w->options = options_of(w);
    accumulator_start(&w->accumulator, &w->options);
    pulse_watch_start(&w->pulse, number_at(w->planned, "current_A"), w->options.lead_ohm);
    settling_start(&w->settling);
}

/* What may have flowed unseen when a run was cut off: samples not yet on disk (2 s;
 * 5 s with a slow disk, past which a run is not taken up again), and the time until
 * the keeper had switched off a hung worker's output (trust time, at most 3 s). */
#define UNRECORDED_S 8.0
/* And how long setting, switching on and settling may take after the gap, in
 * which a straight line stands for a switch that nobody saw. */
#define SWITCH_ON_S 0.5

static void skip_interruption(struct step_work *w, const struct sample *s)
{
    const struct resumptions *r = &w->terms->resumptions;
    for (; w->next < r->count && r->at_s[w->next] <= s->t_s; w->next++) {
        if (!w->has_last || !(w->last.t_s < r->at_s[w->next])) {
            continue;
        }
        double gap_s = s->t_s - w->last.t_s;
        accumulator_skip_to(&w->accumulator, s->t_s);
        pulse_watch_break(&w->pulse);
        w->has_last = false;
        w->interruptions++;
        w->interrupted_s += gap_s;
        w->unrecorded_Ah +=
            fabs(w->last.current_A) * (fmin(gap_s, UNRECORDED_S) + SWITCH_ON_S) / S_PER_H;
    }
}

static void flow_add(struct step_work *w, const struct sample *s)
{
    double Ah = w->has_last ? sample_charge_Ah(&w->last, s) : 0;
    double Wh = w->has_last ? sample_energy_Wh(&w->last, s, w->options.lead_ohm) : 0;
    if (Ah > 0) {
        w->flow.in_Ah += Ah;
    } else {
        w->flow.out_Ah -= Ah;
    }
    if (Wh > 0) {
        w->flow.in_Wh += Wh;
    } else {
        w->flow.out_Wh -= Wh;
    }
    w->last = *s;
    w->has_last = true;
}

bool step_work_add(struct step_work *w, const struct sample *s, struct err *e)
{
    w->temperature_max_C = fmax(w->temperature_max_C, s->temperature_C);
    skip_interruption(w, s);
    if (isfinite(s->voltage_V) && isfinite(s->current_A)) {
        bool flows = w->kind != STEP_REST && w->kind != STEP_HOLD;
        if (flows) {
            flow_add(w, s);
        } else {
            w->last = *s;
            w->has_last = true;
        }
        settling_add(&w->settling, s->t_s, sample_battery_voltage(s, w->options.lead_ohm));
    }
    if (w->kind == STEP_PULSE) {
        pulse_watch_add(&w->pulse, s);
    }
    return accumulator_add(&w->accumulator, s, e);
}

/* --- the document --- */

/* An interruption is told in the result, and makes it less sure. */
static void tell_interruptions(const struct step_work *w, struct capacity_result *result)
{
    struct analysis_notes *notes = &result->notes;
    if (w->interruptions == 0) {
        return;
    }
    uncertainty_add(&result->uncertainty, "interruption", w->unrecorded_Ah / sqrt(3.0),
                    "the current that may have flowed for at most 8.5 s unseen, half-width");
    if (notes->count < ANALYSIS_NOTES_MAX) {
        text_format(notes->text[notes->count++], ANALYSIS_NOTE_SIZE,
                    "interrupted %zu time%s, %.4g s in all: nothing is added for that time; up to "
                    "%.3g Ah may have flowed unrecorded",
                    w->interruptions, w->interruptions == 1 ? "" : "s", w->interrupted_s,
                    w->unrecorded_Ah);
    }
}

/* A lead-acid battery dips in the first minutes of a discharge and recovers (coup de fouet: J.
 * Power Technologies 101(2) (2021) 112; the numbers here: common practice, no source). The
 * load goes off at the first sample below the cut-off all the same, since nobody can tell
 * such a dip from an empty battery while it lasts; but it condemns no battery. */
#define EARLY_DIP_S 300.0
#define EARLY_DIP_SHARE 0.05 /* of the rated capacity */

static bool is_early_dip(const struct step_work *w, const struct capacity_result *r)
{
    const struct battery *b = &w->terms->run->battery_record;
    bool short_of_it = !(r->capacity_Ah >= EARLY_DIP_SHARE * b->rated_Ah);
    return chemistry_is_lead(b->chemistry) && w->kind == STEP_DISCHARGE &&
           r->end_reason == END_REASON_CROSSED && r->loaded_s <= EARLY_DIP_S && short_of_it;
}

static void tell_early_dip(const struct step_work *w, struct capacity_result *result)
{
    struct analysis_notes *notes = &result->notes;
    if (!is_early_dip(w, result)) {
        return;
    }
    result->lower_bound = true;
    if (notes->count < ANALYSIS_NOTES_MAX) {
        text_format(notes->text[notes->count++], ANALYSIS_NOTE_SIZE,
                    "below the cut-off %.0f s after the load came on: an empty battery, a bad "
                    "contact, or the early dip of a lead-acid battery, which would have recovered. "
                    "No fail rests on it: charge and rest it, and test at a smaller current",
                    result->loaded_s);
    }
}

static void put_charge_state(json_t *o, const struct charge_state *before, double Ah)
{
    struct charge_state now = *before;
    charge_state_add(&now, Ah);
    put_number(o, "charge_since_start_Ah", now.since_start_Ah);
    put_number(o, "state_of_charge_percent", charge_state_percent(&now));
}

static json_t *change_to_json(const struct step_work *w, const struct pulse_change *c,
                              const struct charge_state *before)
{
    json_t *o = pulse_change_to_json(c, &w->options.accuracy);
    put_charge_state(o, before, c->charge_Ah);
    return o;
}

/* The chosen one stands for the step; all of them are listed. */
static void put_resistances(json_t *o, const struct step_work *w, const struct charge_state *before)
{
    const struct pulse_watch *p = &w->pulse;
    const struct pulse_change *chosen = pulse_chosen(p);
    json_t *list = json_array();
    for (size_t i = 0; i < p->count; i++) {
        json_array_append_new(list, change_to_json(w, &p->change[i], before));
    }
    struct two_currents methods;
    two_currents_find(p, &w->options.accuracy, &methods);
    json_object_set_new(o, "resistances", list);
    json_object_set_new(o, "two_current", two_currents_to_json(&methods));
    if (chosen == NULL) {
        json_object_set_new(o, "no_result_because",
                            json_string("no change of current was read twice before and after it"));
        return;
    }
    const struct pulse_instant *at = pulse_last(chosen);
    put_number(o, "resistance_mOhm", 1e3 * at->resistance_ohm);
    put_number(o, "resistance_uncertainty_mOhm",
               1e3 * pulse_uncertainty_ohm(chosen, at, &w->options.accuracy));
    json_object_set_new(o, "resistance_method", json_string(pulse_method_names[chosen->method]));
    put_number(o, "resistance_held_s", chosen->held_s);
    put_number(o, "resistance_after_s", at->after_s);
    put_number(o, "resistance_temperature_C", chosen->before.temperature_C);
    struct charge_state then = *before;
    charge_state_add(&then, chosen->charge_Ah);
    put_number(o, "resistance_state_of_charge_percent", charge_state_percent(&then));
}

static void put_pulse_notes(json_t *o, const struct step_work *w)
{
    json_t *notes = json_array();
    if (strcmp(w->terms->run->voltage_source, voltage_source_names[SOURCE_TWO_WIRE]) == 0 &&
        !(w->options.lead_ohm > 0)) {
        json_array_append_new(notes, json_string("the voltage was read with two wires and the lead "
                                                 "resistance is not known: it is in the result"));
    }
    if (w->pulse.dropped > 0) {
        json_array_append_new(
            notes, json_sprintf("%zu more changes of current are not listed", w->pulse.dropped));
    }
    json_object_set_new(o, "notes", notes);
}

/* Keys that say what a discharge or a charge moved mean nothing for other kinds. */
static void take_capacity_out(json_t *o)
{
    static const char *const keys[] = {"capacity_Ah",
                                       "capacity_uncertainty_Ah",
                                       "percent_of_rated",
                                       "energy_Wh",
                                       "energy_uncertainty_Wh",
                                       "mean_voltage_V",
                                       "mean_current_A",
                                       "loaded_s",
                                       "lower_bound",
                                       "decision_rule",
                                       "conformance_probability",
                                       "acceptance_Ah",
                                       "guard_share_percent",
                                       "voltage_table",
                                       "correction",
                                       "uncertainty"};
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        json_object_del(o, keys[i]);
    }
    json_object_set_new(o, "notes", json_array());
}

/* The same keys for every step: what its kind does not have is null. */
static void fill_up(json_t *o)
{
    static const char *const promised[] = {
        "capacity_Ah",    "capacity_uncertainty_Ah", "energy_Wh", "duration_s",
        "mean_voltage_V", "percent_of_rated",        "verdict",   "end_reason",
        "resistance_mOhm"};
    for (size_t i = 0; i < sizeof promised / sizeof promised[0]; i++) {
        if (json_object_get(o, promised[i]) == NULL) {
            json_object_set_new(o, promised[i], json_null());
        }
    }
}

static void put_numbers(const struct step_work *w, struct step_result *out)
{
    struct acceptance accept = step_acceptance(w->terms->plan, w->step->plan_step);
    json_t *numbers = capacity_to_json(&out->numbers, &accept);
    json_object_set_new(numbers, "interruptions", json_integer((json_int_t)w->interruptions));
    put_number(numbers, "interrupted_s", w->interrupted_s);
    json_object_del(numbers, "kind");
    if (!out->measured) {
        take_capacity_out(numbers);
    }
    if (w->kind != STEP_DISCHARGE) {
        json_object_set_new(numbers, "end_reason", text_or_null(w->step->end_reason));
    }
    json_object_update_new(out->document, numbers);
}

static json_t *heading_of(const struct run_step *s)
{
    return json_pack("{s:i, s:i, s:i, s:s, s:s, s:o, s:o, s:s}", "step", s->step, "plan_step",
                     s->plan_step, "round", s->round, "name", s->name, "kind", s->kind, "start_s",
                     json_number(s->start_s), "end_s", json_number(s->end_s), "ended_by",
                     s->end_reason);
}

void step_work_finish(struct step_work *w, const struct charge_state *before,
                      struct step_result *out)
{
    struct err none = {0};
    bool counts = w->kind == STEP_DISCHARGE || w->kind == STEP_CHARGE;
    *out = (struct step_result){.document = heading_of(w->step)};
    if (accumulator_finish(&w->accumulator, &out->numbers, &none)) {
        out->measured = counts;
        out->numbers.lower_bound =
            w->kind == STEP_DISCHARGE && (out->numbers.lower_bound || step_was_cut_short(w->step));
        tell_interruptions(w, &out->numbers);
        tell_early_dip(w, &out->numbers);
        put_numbers(w, out);
    } else if (counts) {
        json_object_set_new(out->document, "no_result_because", json_string(none.text));
    }
    if (w->kind == STEP_PULSE) {
        pulse_watch_finish(&w->pulse);
        put_resistances(out->document, w, before);
        put_pulse_notes(out->document, w);
    }
    if (w->kind == STEP_REST || w->kind == STEP_HOLD) {
        put_number(out->document, "voltage_drift_mV_per_h",
                   1e3 * settling_drift_V_per_h(&w->settling));
    }
    put_charge_state(out->document, before, w->flow.in_Ah - w->flow.out_Ah);
    fill_up(out->document);
}
