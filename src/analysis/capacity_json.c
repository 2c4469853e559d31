/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/capacity_json: a capacity result as JSON. */
#include "analysis/capacity_json.h"

#include <math.h>

json_t *json_number(double v)
{
    return isfinite(v) ? json_real(v) : json_null();
}

void capacity_correct(const struct capacity_result *r, const struct acceptance *a,
                      struct correction_answer *out, double *expanded_Ah)
{
    struct correction_subject s = {
        .capacity_Ah = r->capacity_Ah,
        .loaded_s = r->loaded_s,
        .current_A = fabs(r->mean_current_A),
        .start_C = r->temperature_start_C,
        .mean_C = r->temperature_mean_C,
        .end_C = r->temperature_end_C,
    };
    correction_apply(&a->correction, &s, out);
    *expanded_Ah =
        hypot(out->factor * r->uncertainty.expanded_Ah, COVERAGE_FACTOR * out->standard_Ah);
}

bool correction_withholds(const struct capacity_result *r, const struct acceptance *a)
{
    struct correction_answer c;
    double expanded_Ah;
    capacity_correct(r, a, &c, &expanded_Ah);
    return correction_decides(&a->correction) && !(c.applied && c.verified);
}

static struct verdict_question question_of(const struct capacity_result *r,
                                           const struct acceptance *a)
{
    struct correction_answer c;
    double expanded_Ah;
    capacity_correct(r, a, &c, &expanded_Ah);
    bool corrected = correction_decides(&a->correction) && c.applied && c.verified;
    return (struct verdict_question){
        .value = corrected ? c.capacity_Ah : r->capacity_Ah,
        .expanded = corrected ? expanded_Ah : r->uncertainty.expanded_Ah,
        .limit = a->limit_Ah,
        .rule = a->rule,
        .guard_share = a->guard_share,
        .lower_bound = r->lower_bound,
    };
}

enum verdict capacity_verdict(const struct capacity_result *r, const struct acceptance *a)
{
    struct verdict_question q = question_of(r, a);
    enum verdict v = r->kind == RECORD_DISCHARGE ? verdict_judge(&q) : VERDICT_NONE;
    bool withheld = r->faulty || correction_withholds(r, a);
    return v != VERDICT_NONE && withheld ? VERDICT_UNDECIDED : v;
}

void capacity_temperature_term(const struct capacity_result *r, const struct acceptance *a,
                               struct temperature_term *out)
{
    struct correction_answer c;
    double expanded_Ah;
    capacity_correct(r, a, &c, &expanded_Ah);
    double error_C = a->correction.temperature_error_C;
    *out = (struct temperature_term){.standard_Ah = c.applied ? c.standard_Ah : 0};
    if (a->correction.rule == CORRECTION_NONE || r->kind != RECORD_DISCHARGE)
        snprintf(out->how, sizeof out->how,
                 "no correction to a reference temperature was made: this is the %s at the "
                 "temperature of the test",
                 r->kind == RECORD_CHARGE ? "charge" : "capacity");
    else if (!c.applied)
        snprintf(out->how, sizeof out->how, "the correction could not be applied");
    else if (isnan(error_C))
        snprintf(out->how, sizeof out->how,
                 "the thermometer's limit of error is not stated: the corrected capacity lacks it");
    else
        snprintf(out->how, sizeof out->how,
                 "of the corrected capacity alone: thermometer +-%.2g degC at %.1f degC", error_C,
                 c.temperature_C);
}

/* That of a correction stands beside the components of the capacity as measured. */
static json_t *temperature_to_json(const struct capacity_result *r, const struct acceptance *a)
{
    struct temperature_term t;
    capacity_temperature_term(r, a, &t);
    return json_pack("{s:o, s:s}", "standard_Ah", json_number(t.standard_Ah), "how", t.how);
}

static json_t *budget_to_json(const struct uncertainty_budget *b)
{
    json_t *components = json_array();
    for (size_t i = 0; i < b->count; i++) {
        json_array_append_new(components,
                              json_pack("{s:s, s:o, s:s}", "name", b->component[i].name,
                                        "standard_Ah", json_number(b->component[i].standard_Ah),
                                        "how", b->component[i].how));
    }
    return json_pack("{s:o, s:o, s:o, s:f, s:b}", "components", components, "standard_Ah",
                     json_number(b->standard_Ah), "expanded_Ah", json_number(b->expanded_Ah),
                     "coverage_factor", COVERAGE_FACTOR, "accuracy_known", b->accuracy_known);
}

static json_t *notes_to_json(const struct analysis_notes *notes)
{
    json_t *list = json_array();
    for (size_t i = 0; i < notes->count; i++) {
        json_array_append_new(list, json_string(notes->text[i]));
    }
    return list;
}

static void put_judgement(json_t *o, const struct capacity_result *r, const struct acceptance *a)
{
    enum verdict v = capacity_verdict(r, a);
    struct verdict_question q = question_of(r, a);
    json_object_set_new(o, "verdict",
                        v == VERDICT_NONE ? json_null() : json_string(verdict_name(v)));
    json_object_set_new(o, "acceptance_Ah", json_number(a->limit_Ah));
    json_object_set_new(o, "decision_rule",
                        v == VERDICT_NONE ? json_null()
                                          : json_string(decision_rule_names[a->rule]));
    json_object_set_new(o, "guard_share_percent",
                        v != VERDICT_NONE && a->rule == DECISION_GUARD_SHARE
                            ? json_number(100 * a->guard_share)
                            : json_null());
    json_object_set_new(o, "conformance_probability",
                        v == VERDICT_NONE || r->faulty || correction_withholds(r, a)
                            ? json_null()
                            : json_number(verdict_probability(&q)));
}

/* null when none was asked for; what could not be applied says why. */
static json_t *correction_to_json(const struct capacity_result *r, const struct acceptance *a)
{
    struct correction_answer c;
    double expanded_Ah;
    const struct correction_info *info = &correction_rules[a->correction.rule];
    if (a->correction.rule == CORRECTION_NONE || r->kind != RECORD_DISCHARGE)
        return json_null();
    capacity_correct(r, a, &c, &expanded_Ah);
    json_t *o = json_object();
    const struct {
        const char *key, *text;
    } texts[] = {{"rule", info->name},
                 {"formula", info->formula},
                 {"source", info->source},
                 {"temperature_at", isnan(a->correction.temperature_C)
                                        ? correction_moment_name(info->moment)
                                        : "stated"},
                 {"because", c.why},
                 {"remark", c.remark}};
    const struct {
        const char *key;
        double value;
    } numbers[] = {{"reference_C", c.reference_C},
                   {"temperature_C", c.temperature_C},
                   {"factor", c.factor},
                   {"capacity_Ah", c.capacity_Ah},
                   {"capacity_uncertainty_Ah", c.applied ? expanded_Ah : (double)NAN},
                   {"percent_of_rated", c.factor * r->percent_of_rated}};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        json_object_set_new(o, texts[i].key,
                            texts[i].text[0] != '\0' ? json_string(texts[i].text) : json_null());
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++)
        json_object_set_new(o, numbers[i].key, json_number(numbers[i].value));
    json_object_set_new(o, "applied", json_boolean(c.applied));
    json_object_set_new(o, "verified", json_boolean(c.verified));
    json_object_set_new(o, "decides", json_boolean(correction_decides(&a->correction)));
    return o;
}

static void put_numbers(json_t *o, const struct capacity_result *r)
{
    const struct {
        const char *key;
        double value;
    } numbers[] = {
        {"capacity_Ah", r->capacity_Ah},
        {"capacity_uncertainty_Ah", r->uncertainty.expanded_Ah},
        {"percent_of_rated", r->percent_of_rated},
        {"energy_Wh", r->energy_Wh},
        {"energy_uncertainty_Wh", COVERAGE_FACTOR * r->uncertainty.energy_standard_Wh},
        {"duration_s", r->duration_s},
        {"loaded_s", r->loaded_s},
        {"mean_voltage_V", r->mean_voltage_V},
        {"mean_current_A", r->mean_current_A},
        {"current_varies_percent", 100 * r->current_varies},
        {"start_voltage_V", r->start_voltage_V},
        {"end_voltage_V", r->end_voltage_V},
        {"end_current_A", r->end_current_A},
        {"peak_voltage_V", r->peak_voltage_V},
        {"end_s", r->end_s},
        {"temperature_start_C", r->temperature_start_C},
        {"temperature_min_C", r->temperature_min_C},
        {"temperature_mean_C", r->temperature_mean_C},
        {"temperature_max_C", r->temperature_max_C},
        {"temperature_end_C", r->temperature_end_C},
        {"gap_s", r->gap_s},
        {"current_at_rest_A", r->rest_A},
    };
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        json_object_set_new(o, numbers[i].key, json_number(numbers[i].value));
    }
}

static void put_counts(json_t *o, const struct capacity_result *r)
{
    const struct {
        const char *key;
        size_t value;
    } counts[] = {
        {"samples", r->samples},
        {"samples_counted", r->samples_counted},
        {"gaps", r->gaps},
        {"repeated_times", r->repeated},
        {"unknown", r->unknown},
        {"late_rows", r->late},
        {"rows_with_temperature", r->warm},
    };
    for (size_t i = 0; i < sizeof counts / sizeof counts[0]; i++) {
        json_object_set_new(o, counts[i].key, json_integer((json_int_t)counts[i].value));
    }
}

static json_t *voltages_to_json(const struct capacity_result *r)
{
    json_t *list = json_array();
    for (size_t i = 0; i < r->voltage_count; i++) {
        const struct voltage_row *v = &r->voltage[i];
        json_array_append_new(list, json_pack("{s:o, s:o, s:o, s:o, s:o, s:o}", "voltage_V",
                                              json_number(v->voltage_V), "after_s",
                                              json_number(v->after_s), "delivered_Ah",
                                              json_number(v->delivered_Ah), "remaining_Ah",
                                              json_number(v->remaining_Ah), "delivered_Wh",
                                              json_number(v->delivered_Wh), "remaining_Wh",
                                              json_number(v->remaining_Wh)));
    }
    return list;
}

json_t *capacity_to_json(const struct capacity_result *r, const struct acceptance *a)
{
    json_t *o = json_object();
    json_object_set_new(o, "kind", json_string(record_kind_name(r->kind)));
    put_numbers(o, r);
    json_object_set_new(o, "end_reason", json_string(end_reason_text(r->end_reason)));
    json_object_set_new(o, "net_of_rest", json_boolean(r->net_of_rest));
    json_object_set_new(o, "lower_bound", json_boolean(r->lower_bound));
    json_object_set_new(o, "faulty", json_boolean(r->faulty));
    put_judgement(o, r, a);
    json_object_set_new(o, "correction", correction_to_json(r, a));
    put_counts(o, r);
    json_object_set_new(o, "voltage_table", voltages_to_json(r));
    json_t *budget = budget_to_json(&r->uncertainty);
    json_object_set_new(budget, "temperature", temperature_to_json(r, a));
    json_object_set_new(o, "uncertainty", budget);
    json_object_set_new(o, "notes", notes_to_json(&r->notes));
    return o;
}
