/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_found: what was found in a log beside its capacity. */
#include "cli/analyse_found.h"

#include "analysis/pulse_json.h"
#include "base/file.h"
#include "cli/analyse_resistance.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <stdlib.h>

/* More lines than this are for a script. */
#define LINES_MAX 40

static const char *direction_name(int direction)
{
    if (direction == 0) {
        return "rest";
    }
    return record_kind_name(direction > 0 ? RECORD_CHARGE : RECORD_DISCHARGE);
}

/* What had been taken out since counting began, at the reading before the step. */
static double discharged_Ah(const struct analyse_findings *found, const struct pulse_change *c)
{
    return found->result.start_charge_Ah - c->charge_Ah;
}

/* Of the rating, else of what was measured to the cut-off; only where the record itself
 * shows that the battery was filled, or a person says so. */
double analyse_state_percent(const struct analyse_request *q, const struct analyse_findings *found,
                             const struct pulse_change *c)
{
    const struct capacity_result *r = &found->result;
    bool known = r->kind == RECORD_DISCHARGE && (r->from_full || q->starts_full);
    bool to_cutoff = r->end_reason == END_REASON_CROSSED;
    double of_Ah = isnan(q->options.rated_Ah) && to_cutoff ? r->capacity_Ah : q->options.rated_Ah;
    return known ? 100 * (1 - discharged_Ah(found, c) / of_Ah) : (double)NAN;
}

/* What a pulse from this state could give without passing the voltage of its direction. */
double analyse_power_W(const struct analyse_request *q, const struct pulse_change *c)
{
    const struct pulse_instant *at = pulse_at_10_s(c);
    if (at == NULL || c->method != PULSE_ON) {
        return NAN;
    }
    bool charges = at->at.current_A > c->before.current_A;
    double to_V = charges ? q->charge_voltage_V : q->options.cutoff_V;
    bool beyond = charges ? to_V <= c->before.voltage_V : to_V >= c->before.voltage_V;
    return beyond ? (double)NAN : pulse_power_W(c->before.voltage_V, to_V, at->resistance_ohm);
}

static json_t *change_to_json(const struct analyse_request *q, const struct analyse_findings *found,
                              const struct pulse_change *c)
{
    json_t *o = pulse_change_to_json(c, &q->options.accuracy);
    json_object_set_new(o, "discharged_Ah", json_number(discharged_Ah(found, c)));
    json_object_set_new(o, "state_of_charge_percent",
                        json_number(analyse_state_percent(q, found, c)));
    json_object_set_new(o, "pulse_power_W", json_number(analyse_power_W(q, c)));
    const struct pulse_instant *at = pulse_at_10_s(c);
    json_object_set_new(o, "pulse_power_after_s",
                        json_number(at != NULL ? at->after_s : (double)NAN));
    return o;
}

static json_t *part_to_json(const struct record_part *p)
{
    double mean_V = fabs(p->in_Ah) > 0 ? p->in_Wh / p->in_Ah : (double)NAN;
    return json_pack(
        "{s:s, s:I, s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "kind", direction_name(p->direction),
        "first_row", (json_int_t)p->first_row, "rows", (json_int_t)p->rows, "start_s",
        json_number(p->first.t_s), "end_s", json_number(p->last.t_s), "charge_Ah",
        json_number(p->in_Ah), "energy_Wh", json_number(p->in_Wh), "mean_voltage_V",
        json_number(p->direction != 0 ? mean_V : (double)NAN), "start_voltage_V",
        json_number(p->first.voltage_V), "end_voltage_V", json_number(p->last.voltage_V));
}

void analyse_put_findings(json_t *o, const struct analyse_request *q,
                          const struct analyse_findings *found)
{
    json_t *changes = json_array(), *parts = json_array();
    for (size_t i = 0; i < found->pulses.count; i++) {
        json_array_append_new(changes, change_to_json(q, found, &found->pulses.change[i]));
    }
    for (size_t i = 0; i < found->parts.count; i++) {
        json_array_append_new(parts, part_to_json(&found->parts.part[i]));
    }
    json_object_set_new(o, "resistances", changes);
    size_t left_out = found->pulses.dropped + found->pulses.unsteady + found->pulses.unseen;
    json_object_set_new(o, "resistances_left_out", json_integer((json_int_t)left_out));
    json_object_set_new(o, "two_current", two_currents_to_json(&found->two_currents));
    json_object_set_new(o, "parts", parts);
    json_object_set_new(o, "parts_left_out", json_integer((json_int_t)found->parts.dropped));
}

/* --- in words --- */

static void print_parts(FILE *f, const struct record_parts *p)
{
    static const struct column columns[] = {{"part", LEFT},  {"from", RIGHT}, {"to", RIGHT},
                                            {"Ah", RIGHT},   {"Wh", RIGHT},   {"V, first", RIGHT},
                                            {"last", RIGHT}, {"rows", RIGHT}};
    if (p->count < 2 || p->count > LINES_MAX) {
        return;
    }
    struct table *t = table_new(columns, 8);
    for (size_t i = 0; i < p->count; i++) {
        const struct record_part *at = &p->part[i];
        bool flows = at->direction != 0;
        struct words from = words_amount(at->first.t_s, 1, "s");
        struct words to = words_amount(at->last.t_s, 1, "s");
        struct words Ah = words_amount(flows ? at->in_Ah : (double)NAN, 4, "");
        struct words Wh = words_amount(flows ? at->in_Wh : (double)NAN, 3, "");
        struct words first = words_amount(at->first.voltage_V, 3, "");
        struct words last = words_amount(at->last.voltage_V, 3, "");
        struct words rows = words_amount((double)at->rows, 0, "");
        const char *cells[] = {
            direction_name(at->direction), from.s, to.s, Ah.s, Wh.s, first.s, last.s, rows.s};
        table_add(t, cells);
    }
    fputs("\nParts, into the battery positive\n", f);
    table_print(t, 2, f);
}

void analyse_print_findings(FILE *f, const struct analyse_request *q,
                            const struct analyse_findings *found)
{
    print_parts(f, &found->parts);
    analyse_print_resistance(f, q, found);
}
