/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/plan_text: a plan in words. */
#include "cli/plan_text.h"

#include "base/file.h"
#include "cli/battery_request.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <string.h>

static void print_heading(const json_t *plan, FILE *f)
{
    const json_t *battery = json_object_get(plan, "battery");
    const json_t *stand = json_object_get(plan, "stand");
    fprintf(f, "Plan: %s for %s", text_at(plan, "profile"), text_at(battery, "label"));
    if (json_is_object(stand)) {
        fprintf(f, " at %s", text_at(stand, "name"));
    }
    fprintf(f, "\n  battery  %s\n", battery_in_words(battery).s);
    if (json_is_object(stand)) {
        fprintf(f, "  now      %s, %s\n",
                words_amount(number_at(stand, "present_voltage_V"), 2, "V").s,
                words_amount(number_at(stand, "present_temperature_C"), 1, "degC").s);
        double ohm = number_at(stand, "lead_resistance_ohm");
        fprintf(f, "  voltage  by %s%s%s\n", text_at(stand, "voltage_source"),
                ohm > 0 ? ", leads " : "", ohm > 0 ? words_amount(1000 * ohm, 1, "mOhm").s : "");
    }
}

/* "discharge 10.0 A to 10.00 V, at most 18.0 h, a sample every 1 s" */
static void step_in_words(const json_t *step, char *out, size_t size)
{
    double current = number_at(step, "current_A");
    double until = number_at(step, "until_voltage_V");
    double most_Ah = number_at(step, "at_most_Ah");
    struct words most = words_duration(number_at(step, "at_most_s"));
    struct words every = words_short(number_at(step, "sample_every_s"), "s");
    if (!(fabs(current) > 0)) {
        text_format(out, size, "%s %s, a sample every %s", text_at(step, "kind"), most.s, every.s);
        return;
    }
    text_format(out, size, "%s%s%s, at most %s%s%s, a sample every %s", words_current(current).s,
                isfinite(until) ? " to " : "", isfinite(until) ? words_amount(until, 2, "V").s : "",
                most.s, isfinite(most_Ah) ? " or " : "",
                isfinite(most_Ah) ? words_short(most_Ah, "Ah").s : "", every.s);
}

/* Nothing is "-": a rest moves no charge. */
static struct words some(double value, int decimals)
{
    return words_amount(value > 0 ? value : (double)NAN, decimals, "");
}

static void print_steps(const json_t *plan, FILE *f)
{
    static const struct column columns[] = {{"step", RIGHT}, {"takes", RIGHT},  {"Ah", RIGHT},
                                            {"Wh", RIGHT},   {"heat W", RIGHT}, {"what", LEFT}};
    const json_t *steps = json_object_get(plan, "steps");
    struct table *t = table_new(columns, 6);
    char what[256], number[24];
    for (size_t i = 0; i < json_array_size(steps); i++) {
        const json_t *s = json_array_get(steps, i);
        step_in_words(s, what, sizeof what);
        text_format(number, sizeof number, "%zu", i + 1);
        struct words takes = words_duration(number_at(s, "expected_s"));
        struct words Ah = some(number_at(s, "expected_Ah"), 1);
        struct words Wh = some(number_at(s, "expected_Wh"), 0);
        struct words heat = some(number_at(s, "heat_W"), 0);
        const char *cells[] = {number, takes.s, Ah.s, Wh.s, heat.s, what};
        table_add(t, cells);
    }
    struct words takes = words_duration(number_at(plan, "expected_s"));
    struct words Ah = words_amount(number_at(plan, "expected_Ah"), 1, "");
    struct words Wh = words_amount(number_at(plan, "expected_Wh"), 0, "");
    const char *all[] = {"all", takes.s, Ah.s, Wh.s, "", ""};
    table_add(t, all);
    fputs("\nWhat will happen\n", f);
    table_print(t, 2, f);
}

struct limit_words {
    const char *name, *words;
    int decimals;
};

/* How a limit is called in a sentence, and how finely it is worth printing. */
static struct limit_words limit_in_words(const char *name)
{
    static const struct limit_words known[] = {
        {"voltage_min", "voltage at least", 2},
        {"voltage_max", "voltage at most", 2},
        {"current_max", "current at most", 1},
        {"temperature_min", "temperature at least", 1},
        {"temperature_max", "temperature at most", 1},
        {"temperature_rate", "temperature rise at most", 1},
        {"trust_time", "trusts a reading for", 1},
        {"regulation", "current off the set point at most", 1},
        {"charge_max", "charge of a step at most", 1},
        {"energy_max", "energy of a step at most", 0},
        {"step_time_max", "time of a step at most", 0},
        {"run_time_max", "time of the run at most", 0},
        {"stuck_charge", "readings that never change for", 1},
        {"voltage_stuck_charge", "a voltage that never changes for", 1},
        {"voltage_disagreement", "meter and load apart at most", 3},
        {"off_current", "current while off at most", 3},
    };
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        if (strcmp(known[i].name, name) == 0) {
            return known[i];
        }
    }
    return (struct limit_words){name, name, 2};
}

/* Long times are read in hours. */
static struct words limit_amount(double value, int decimals, const char *unit)
{
    if (strcmp(unit, "s") == 0 && value >= 3600) {
        return words_amount(value / 3600, 1, "h");
    }
    return words_amount(value, decimals, unit);
}

void limits_print(const json_t *plan, FILE *f)
{
    static const struct column columns[] = {{NULL, LEFT}, {NULL, RIGHT}, {NULL, LEFT}};
    const json_t *limits = json_object_get(plan, "limits");
    struct table *t = table_new(columns, 3);
    for (size_t i = 0; i < json_array_size(limits); i++) {
        const json_t *l = json_array_get(limits, i);
        struct limit_words limit = limit_in_words(text_at(l, "name"));
        struct words value =
            limit_amount(number_at(l, "value"), limit.decimals, text_at(l, "unit"));
        const char *cells[] = {limit.words, value.s, text_at(l, "source")};
        table_add(t, cells);
    }
    fputs("\nLimits in force; crossing one switches off and latches\n", f);
    table_print(t, 2, f);
}

const char *rule_in_words(const char *rule)
{
    if (strcmp(rule, "guard-band") == 0) {
        return "with guard band: the uncertainty counts against it";
    }
    if (strcmp(rule, "simple") == 0) {
        return "simple acceptance: the number alone decides";
    }
    return rule;
}

static void print_acceptance(const json_t *plan, FILE *f)
{
    const json_t *a = json_object_get(plan, "acceptance");
    char text[200] = "not at all: the profile states no acceptance";
    if (json_is_object(a)) {
        text_format(text, sizeof text, "it passes when step \"%s\" delivers at least %s, %s",
                    text_at(a, "step_name"), words_short(number_at(a, "capacity_Ah"), "Ah").s,
                    rule_in_words(text_at(a, "rule")));
    }
    fputc('\n', f);
    print_wrapped("Judged  ", text, f);
}

static void print_notes(const json_t *plan, const char *key, const char *heading, FILE *f)
{
    const json_t *list = json_object_get(plan, key);
    size_t n = json_array_size(list);
    if (n > 0) {
        fprintf(f, "\n%s\n", heading);
    }
    for (size_t i = 0; i < n; i++) {
        print_wrapped("  - ", json_string_value(json_array_get(list, i)), f);
    }
}

void plan_print_warnings(const json_t *plan, FILE *f)
{
    print_notes(plan, "warnings", "Warnings of the plan", f);
}

void plan_print(const json_t *plan, FILE *f)
{
    print_heading(plan, f);
    print_steps(plan, f);
    print_acceptance(plan, f);
    limits_print(plan, f);
    print_notes(plan, "problems", "PROBLEMS: it does not start before these are solved", f);
    print_notes(plan, "warnings", "Warnings", f);
    print_notes(plan, "cautions", "Cautions", f);
    size_t problems = json_array_size(json_object_get(plan, "problems"));
    if (problems == 0) {
        fputs("\nNo problems. Nothing was switched on.\n", f);
    } else {
        fprintf(f, "\nIt does not start: %zu problem%s, see above. Nothing was switched on.\n",
                problems, problems == 1 ? "" : "s");
    }
}
