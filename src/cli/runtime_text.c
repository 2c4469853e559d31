/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/runtime_text: the appliances, the hours and what they rest on. */
#include "cli/runtime_text.h"
#include "cli/remarks.h"

#include "analysis/capacity_json.h"
#include "base/file.h"
#include "cli/table.h"

#include <math.h>

#define NEAR_C 3.0
/* So much beyond a measured current is no other rate. */
#define NEAR_RATE 0.02

static const char *end_in_words(enum runtime_end end)
{
    return end == RUNTIME_CUTOFF ? "cut-off" : "end of the record";
}

/* --- remarks --- */

static void remark_on_rate(const struct runtime_case *k, struct remarks *m)
{
    double recorded_A = k->battery.curve->current_A, A = k->answer.mean_A;
    if (k->calibrated == 0)
        remark(m,
               "one record, at %.4g A, against %.4g A in the mean: what another rate does beside "
               "the resistance is not measured; an exponent of 1 to %.2f is in the interval",
               recorded_A, A, k->battery.most_exponent);
    if (A < (1 - NEAR_RATE) * k->lowest_A || A > (1 + NEAR_RATE) * k->highest_A)
        remark(m,
               "the mean draw of %.4g A lies outside the currents that were measured (%.4g to "
               "%.4g A)%s",
               A, k->lowest_A, k->highest_A,
               k->capped ? ": no more charge is taken for it than the record gave; what the rate "
                           "may add is in the interval"
                         : "");
    if (k->battery.least_exponent < 1)
        remark(m,
               "at another rate the battery gave more than its resistance lets expect (exponent "
               "%.3f): that is no Peukert exponent and only in the interval",
               k->battery.least_exponent);
    if (k->answer.peak_A > 2 * recorded_A)
        remark(m,
               "with everything on the current is %.4g A, and the record was made at %.4g A: try "
               "the cut-off under that load once",
               k->answer.peak_A, recorded_A);
}

static void remark_on_temperature(const struct runtime_case *k, struct remarks *m)
{
    double then = k->recorded_C, now = k->file.temperature_C;
    if (isnan(now))
        remark(m, "the temperature in use is not stated; it holds for that of the record");
    else if (isnan(then))
        remark(m, "the record has no temperature: whether it compares is not known");
    else if (k->file.correction.rule == CORRECTION_NONE && fabs(then - now) > NEAR_C)
        remark(m,
               "recorded at %.1f degC, to be used at %.1f degC: not corrected; name a rule, e.g. "
               "correction: change-table (lead-acid)",
               then, now);
}

static void remarks_of(const struct runtime_case *k, struct remarks *m)
{
    const struct runtime_answer *a = &k->answer;
    if (k->battery.resistance_ohm <= 0)
        remark(m, "the record shows no load coming on, so no resistance: state it with "
                  "resistance: 12 mOhm, or the sag under a larger load is missed");
    if (a->end == RUNTIME_RECORD)
        remark(m, "under this load the voltage is still above the cut-off where the record ends: "
                  "it lasts at least so long");
    remark_on_rate(k, m);
    remark_on_temperature(k, m);
    if (a->mean_load_h > 1.02 * a->to_cutoff_h)
        remark(m,
               "all appliances at once meet the cut-off after %.4g h; were they never on together, "
               "it would be %.4g h",
               a->to_cutoff_h, a->mean_load_h);
    remark(m, "of the battery as it was when the record was made, full at the start");
}

/* --- the document --- */

static json_t *appliances_to_json(const struct runtime_case *k)
{
    json_t *list = json_array();
    for (size_t i = 0; i < k->file.appliance_count; i++) {
        const struct appliance *a = &k->file.appliance[i];
        json_array_append_new(list, json_pack("{s:s, s:o, s:o, s:f, s:f, s:b}", "name", a->name,
                                              "power_W", json_number(a->power_W), "current_A",
                                              json_number(a->current_A), "duty_percent",
                                              100 * a->duty, "used_percent", 100 * a->share,
                                              "through_inverter", a->through_inverter));
    }
    return list;
}

static json_t *parts_to_json(const struct runtime_answer *a)
{
    json_t *list = json_array();
    for (size_t i = 0; i < a->parts; i++)
        json_array_append_new(list, json_pack("{s:s, s:f, s:f}", "name", a->part[i].name, "less_h",
                                              a->part[i].less_h, "more_h", a->part[i].more_h));
    return list;
}

static json_t *records_to_json(const struct runtime_case *k)
{
    json_t *list = json_array();
    for (size_t i = 0; i < k->records; i++) {
        const struct capacity_result *r = &k->record[i].result;
        json_array_append_new(
            list, json_pack("{s:s, s:o, s:o, s:o, s:b}", "name", k->record[i].name, "current_A",
                            json_number(fabs(r->mean_current_A)), "capacity_Ah",
                            json_number(r->capacity_Ah), "temperature_mean_C",
                            json_number(r->temperature_mean_C), "walked", i == k->base));
    }
    return list;
}

json_t *runtime_document(const struct runtime_case *k)
{
    const struct runtime_answer *a = &k->answer;
    struct remarks m = {0};
    json_t *o = json_object(), *notes = json_array();
    const struct {
        const char *key;
        double value;
    } numbers[] = {
        {"hours", a->hours},
        {"hours_least", a->least_h},
        {"hours_most", a->most_h},
        {"hours_to_cutoff", a->to_cutoff_h},
        {"hours_if_never_together", a->mean_load_h},
        {"charge_Ah", a->charge_Ah},
        {"energy_Wh", a->energy_Wh},
        {"mean_current_A", a->mean_A},
        {"peak_current_A", a->peak_A},
        {"cutoff_V", k->file.terms.cutoff_V},
        {"reserve_percent", 100 * k->file.terms.reserve},
        {"resistance_mOhm", 1e3 * k->battery.resistance_ohm},
        {"rate_exponent", k->battery.exponent},
        {"temperature_C", k->file.temperature_C},
        {"recorded_temperature_C", k->recorded_C},
        {"charge_factor", k->battery.charge_factor},
    };
    remarks_of(k, &m);
    json_object_set_new(o, "runtime", json_string(k->file.title));
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++)
        json_object_set_new(o, numbers[i].key, json_number(numbers[i].value));
    json_object_set_new(o, "lower_bound", json_boolean(a->end == RUNTIME_RECORD));
    json_object_set_new(o, "correction", json_string(correction_names[k->file.correction.rule]));
    json_object_set_new(o, "resistance_from", json_string(k->resistance_from));
    json_object_set_new(o, "appliances", appliances_to_json(k));
    json_object_set_new(o, "interval", parts_to_json(a));
    json_object_set_new(o, "records", records_to_json(k));
    for (size_t i = 0; i < m.n; i++)
        json_array_append_new(notes, json_string(m.text[i]));
    json_object_set_new(o, "notes", notes);
    return o;
}

/* --- in words --- */

static void print_appliances(const struct runtime_case *k, FILE *f)
{
    static const struct column columns[] = {
        {"appliance", LEFT}, {"draws", RIGHT}, {"duty", RIGHT}, {"of", RIGHT}, {"", LEFT}};
    struct table *t = table_new(columns, 5);
    for (size_t i = 0; i < k->file.appliance_count; i++) {
        const struct appliance *a = &k->file.appliance[i];
        struct words draws =
            isnan(a->power_W) ? words_short(a->current_A, "A") : words_short(a->power_W, "W");
        struct words duty = words_short(100 * a->duty, "%");
        struct words of = words_short(a->share * k->file.over_h, "h");
        const char *cells[] = {a->name, draws.s, duty.s, of.s,
                               a->through_inverter ? "through the inverter" : ""};
        table_add(t, cells);
    }
    table_print(t, 2, f);
}

static void print_hours(const struct runtime_case *k, FILE *f)
{
    const struct runtime_answer *a = &k->answer;
    char text[320], kept[64] = "";
    if (k->file.terms.reserve > 0)
        text_format(kept, sizeof kept, " with %.3g %% in reserve", 100 * k->file.terms.reserve);
    text_format(text, sizeof text, "%s%.3g h (%.3g to %.3g h)%s; %.4g Ah, %.4g Wh",
                a->end == RUNTIME_RECORD ? "at least " : "", a->hours, a->least_h, a->most_h, kept,
                a->charge_Ah, a->energy_Wh);
    print_wrapped("  runs        ", text, f);
    text_format(text, sizeof text, "%.3g h to the %s of %.4g V", a->to_cutoff_h,
                end_in_words(a->end), k->file.terms.cutoff_V);
    print_wrapped("  empty after ", text, f);
    text_format(text, sizeof text, "%.4g A in the mean, %.4g A with everything on", a->mean_A,
                a->peak_A);
    print_wrapped("  draws       ", text, f);
}

static void print_basis(const struct runtime_case *k, FILE *f)
{
    char text[900];
    for (size_t i = 0; i < k->records; i++) {
        const struct capacity_result *r = &k->record[i].result;
        text_format(text, sizeof text, "%s: %.4g Ah at %.4g A%s%s", k->record[i].name,
                    r->capacity_Ah, fabs(r->mean_current_A), r->lower_bound ? " at least" : "",
                    i == k->base && k->records > 1 ? " (nearest to the load)" : "");
        print_wrapped(i == 0 ? "  from        " : "              ", text, f);
    }
    text_format(text, sizeof text, "%.4g mOhm, %s; rate exponent beside it %.3f (%.3f to %.3f)",
                1e3 * k->battery.resistance_ohm, k->resistance_from, k->battery.exponent,
                k->battery.least_exponent, k->battery.most_exponent);
    print_wrapped("  resistance  ", text, f);
    if (k->file.correction.rule != CORRECTION_NONE) {
        text_format(text, sizeof text, "%.1f degC instead of %.1f degC: charge times %.3f by %s",
                    k->file.temperature_C, k->recorded_C, k->battery.charge_factor,
                    correction_names[k->file.correction.rule]);
        print_wrapped("  temperature ", text, f);
    }
    for (size_t i = 0; i < k->answer.parts; i++) {
        const struct runtime_part *p = &k->answer.part[i];
        text_format(text, sizeof text, "%s -%.2g h +%.2g h", p->name, p->less_h, p->more_h);
        print_wrapped(i == 0 ? "  interval    " : "              ", text, f);
    }
}

void runtime_print(const struct runtime_case *k, FILE *f)
{
    struct remarks m = {0};
    remarks_of(k, &m);
    fprintf(f, "%s\n", k->file.title);
    if (k->file.log_count == 0)
        fprintf(f, "by %s\n", k->record[k->base].name);
    fputc('\n', f);
    print_appliances(k, f);
    fputc('\n', f);
    print_hours(k, f);
    print_basis(k, f);
    fputc('\n', f);
    for (size_t i = 0; i < m.n; i++)
        print_wrapped("  - ", m.text[i], f);
}
