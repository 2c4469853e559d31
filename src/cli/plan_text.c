/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/plan_text: a plan in words. */
#include "cli/plan_text.h"

#include "base/file.h"
#include "cli/battery_request.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <stdarg.h>
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

/* A sentence being put together; what does not fit is left out. */
struct sentence {
    char text[256];
};

PRINTF_LIKE(2, 3)
static void add(struct sentence *s, const char *fmt, ...)
{
    size_t used = strlen(s->text);
    va_list args;
    va_start(args, fmt);
    vsnprintf(s->text + used, sizeof s->text - used, fmt, args);
    va_end(args);
}

static void add_amount(struct sentence *s, const char *fmt, double value, int decimals,
                       const char *unit)
{
    if (isfinite(value)) {
        add(s, "%s%s", fmt, words_amount(value, decimals, unit).s);
    }
}

/* "discharge 10.0 A", "charge 0.5 A, at most 14.60 V", "discharge 50 W" */
static void add_drive(struct sentence *s, const json_t *step)
{
    double power_W = number_at(step, "power_W"), ohm = number_at(step, "resistance_ohm");
    double charge_V = number_at(step, "charge_voltage_V");
    double per_K = number_at(step, "charge_voltage_V_per_K");
    if (isfinite(power_W)) {
        add(s, "discharge %s", words_short(power_W, "W").s);
    } else if (isfinite(ohm)) {
        add(s, "discharge through %s", words_short(ohm, "Ohm").s);
    } else {
        add(s, "%s", words_current(number_at(step, "current_A")).s);
    }
    add_amount(s, ", at most ", charge_V, 2, "V");
    if (per_K < 0) {
        add(s, " at %s (%s/degC)",
            words_short(number_at(step, "compensation_reference_C"), "degC").s,
            words_amount(1000 * per_K, 0, "mV").s);
    }
}

/* Whichever comes first. */
static void add_ends(struct sentence *s, const json_t *step)
{
    bool charges = strcmp(text_at(step, "kind"), "charge") == 0;
    add_amount(s, charges ? ", until " : " to ", number_at(step, "until_voltage_V"), 2, "V");
    add_amount(s, ", until the current is ", number_at(step, "until_current_A"), 2, "A");
    add_amount(s, ", until it falls by ", 1000 * number_at(step, "until_drop_V"), 0, "mV");
    add_amount(s, ", until it warms by ", number_at(step, "until_warming_C_per_min"), 1,
               "degC/min");
}

/* A charge may end by the clock alone, or by it among others. */
static const char *before_time(const json_t *step)
{
    bool by_clock = !true_at(step, "at_most_s_is_fault") && true_at(step, "at_most_Ah_is_fault");
    bool alone = !isfinite(number_at(step, "until_current_A")) &&
                 !isfinite(number_at(step, "until_voltage_V")) &&
                 !isfinite(number_at(step, "until_drop_V")) &&
                 !isfinite(number_at(step, "until_warming_C_per_min"));
    if (!by_clock) {
        return "at most ";
    }
    return alone ? "for " : "or after ";
}

static void add_ceilings(struct sentence *s, const json_t *step)
{
    double most_Ah = number_at(step, "at_most_Ah");
    const char *before = before_time(step);
    bool by_clock = strcmp(before, "at most ") != 0;
    add(s, ", %s%s", before, words_duration(number_at(step, "at_most_s")).s);
    if (isfinite(most_Ah)) {
        add(s, "%s%s", by_clock ? ", at most " : " or ", words_short(most_Ah, "Ah").s);
    }
}

static void add_pulse(struct sentence *s, const json_t *step)
{
    const json_t *list = json_object_get(step, "segments");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *g = json_array_get(list, i);
        add(s, "%s%s for %s", i == 0 ? "pulse: " : ", then ",
            words_current(number_at(g, "current_A")).s, words_duration(number_at(g, "for_s")).s);
    }
    add_amount(s, "; stops at ", number_at(step, "until_voltage_V"), 2, "V");
}

static void add_rest(struct sentence *s, const json_t *step)
{
    double settled = number_at(step, "until_settled_V_per_h");
    double least_s = number_at(step, "at_least_s");
    if (!isfinite(settled)) {
        add(s, "rest %s", words_duration(number_at(step, "at_most_s")).s);
        return;
    }
    add(s, "rest until it drifts by no more than %s/h", words_amount(1000 * settled, 1, "mV").s);
    if (least_s > 0) {
        add(s, ", at least %s", words_duration(least_s).s);
    }
    add(s, ", at most %s", words_duration(number_at(step, "at_most_s")).s);
}

static void add_repeat(struct sentence *s, const json_t *step)
{
    const json_t *r = json_object_get(step, "repeat");
    double below = number_at(r, "until_capacity_below_Ah");
    double reached = number_at(r, "until_capacity_reached_Ah");
    double agree = number_at(r, "until_agree_within_percent");
    add(s, "from step %lld again, %lld times in all", integer_at(r, "back_to_step") + 1,
        integer_at(r, "times"));
    if (isfinite(below)) {
        add(s, ", until less than %s", words_short(below, "Ah").s);
    }
    if (isfinite(reached)) {
        add(s, ", until %s are delivered", words_short(reached, "Ah").s);
    }
    if (isfinite(agree)) {
        add(s, ", until two agree within %s", words_short(agree, "%").s);
    }
    if (true_at(r, "until_cutoff")) {
        add(s, ", until the cut-off is reached");
    }
}

/* "discharge 10.0 A to 10.00 V, at most 18.0 h, a sample every 1 s" */
static void step_in_words(const json_t *step, struct sentence *s)
{
    const char *kind = text_at(step, "kind");
    s->text[0] = '\0';
    if (isfinite(number_at(step, "skip_above_V"))) {
        add(s, "only if below %s: ", words_amount(number_at(step, "skip_above_V"), 2, "V").s);
    }
    if (strcmp(kind, "repeat") == 0) {
        add_repeat(s, step);
        return;
    }
    if (strcmp(kind, "hold") == 0) {
        add(s, "wait for a person, at most %s: %s", words_duration(number_at(step, "at_most_s")).s,
            text_at(step, "say"));
        return;
    }
    if (strcmp(kind, "pulse") == 0) {
        add_pulse(s, step);
    } else if (strcmp(kind, "rest") == 0) {
        add_rest(s, step);
    } else {
        add_drive(s, step);
        add_ends(s, step);
        add_ceilings(s, step);
    }
    add(s, ", a sample every %s", words_short(number_at(step, "sample_every_s"), "s").s);
}

/* Nothing is "-": a rest moves no charge. */
static struct words some(double value, int decimals)
{
    return words_amount(value > 0 ? value : (double)NAN, decimals, "");
}

static void add_totals(struct table *t, const json_t *plan)
{
    struct words takes = words_duration(number_at(plan, "expected_s"));
    struct words Ah = some(number_at(plan, "expected_Ah"), 1);
    struct words Wh = some(number_at(plan, "expected_Wh"), 0);
    bool charges = number_at(plan, "expected_charged_Ah") > 0;
    const char *all[] = {"all", takes.s, Ah.s, Wh.s, "", charges ? "discharged" : ""};
    table_add(t, all);
    if (charges) {
        struct words in_Ah = some(number_at(plan, "expected_charged_Ah"), 1);
        struct words in_Wh = some(number_at(plan, "expected_charged_Wh"), 0);
        const char *in[] = {"", "", in_Ah.s, in_Wh.s, "", "charged"};
        table_add(t, in);
    }
}

/* How long it may last, and what is recorded. */
static void print_room(const json_t *plan, FILE *f)
{
    double longest_s = number_at(plan, "longest_s");
    double bytes = number_at(plan, "disk_bytes");
    if (isfinite(longest_s) && isfinite(bytes)) {
        fprintf(f, "  At its longest %s; samples take about %s on the disk.\n",
                words_duration(longest_s).s,
                words_amount(fmax(bytes / 1e6, 0.1), bytes < 10e6 ? 1 : 0, "MB").s);
    }
}

static void print_steps(const json_t *plan, FILE *f)
{
    static const struct column columns[] = {{"step", RIGHT}, {"takes", RIGHT},  {"Ah", RIGHT},
                                            {"Wh", RIGHT},   {"heat W", RIGHT}, {"what", LEFT}};
    const json_t *steps = json_object_get(plan, "steps");
    struct table *t = table_new(columns, 6);
    struct sentence what;
    char number[24];
    for (size_t i = 0; i < json_array_size(steps); i++) {
        const json_t *s = json_array_get(steps, i);
        double rounds = number_at(s, "rounds");
        step_in_words(s, &what);
        if (rounds > 1 && strcmp(text_at(s, "kind"), "repeat") != 0) {
            add(&what, "; at most %.0f times", rounds);
        }
        text_format(number, sizeof number, "%zu", i + 1);
        struct words takes = words_duration(number_at(s, "expected_s"));
        struct words Ah = some(number_at(s, "expected_Ah"), 1);
        struct words Wh = some(number_at(s, "expected_Wh"), 0);
        struct words heat = some(number_at(s, "heat_W"), 0);
        const char *cells[] = {number, takes.s, Ah.s, Wh.s, heat.s, what.text};
        table_add(t, cells);
    }
    add_totals(t, plan);
    fputs("\nWhat will happen\n", f);
    table_print(t, 2, f);
    print_room(plan, f);
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

static bool is_own_limit_shown(const char *kind)
{
    return strcmp(kind, "charge") == 0 || strcmp(kind, "pulse") == 0;
}

/* Charging has a window, currents and ceilings of its own. */
static void own_limits_print(const json_t *plan, FILE *f)
{
    static const struct column columns[] = {
        {"step", RIGHT}, {"limit", LEFT}, {"", RIGHT}, {"whose", LEFT}};
    const json_t *steps = json_object_get(plan, "steps");
    struct table *t = NULL;
    for (size_t i = 0; i < json_array_size(steps); i++) {
        const json_t *step = json_array_get(steps, i);
        const json_t *limits = json_object_get(step, "limits");
        size_t n = is_own_limit_shown(text_at(step, "kind")) ? json_array_size(limits) : 0;
        char number[24];
        text_format(number, sizeof number, "%zu", i + 1);
        for (size_t k = 0; k < n; k++) {
            const json_t *l = json_array_get(limits, k);
            struct limit_words limit = limit_in_words(text_at(l, "name"));
            struct words value =
                limit_amount(number_at(l, "value"), limit.decimals, text_at(l, "unit"));
            const char *cells[] = {k == 0 ? number : "", limit.words, value.s,
                                   text_at(l, "source")};
            t = t != NULL ? t : table_new(columns, 4);
            table_add(t, cells);
        }
    }
    if (t != NULL) {
        fputs("\nIn these steps instead\n", f);
        table_print(t, 2, f);
    }
}

struct words rule_in_words(const char *rule, double guard_share_percent)
{
    struct words out;
    if (strcmp(rule, "guard-band") == 0) {
        text_format(out.s, sizeof out.s, "with guard band: the uncertainty counts against it");
    } else if (strcmp(rule, "simple") == 0) {
        text_format(out.s, sizeof out.s, "simple acceptance: the number alone decides");
    } else if (strcmp(rule, "guard-share") == 0) {
        text_format(out.s, sizeof out.s, "with %.3g %% of the uncertainty as guard band",
                    guard_share_percent);
    } else {
        text_format(out.s, sizeof out.s, "%s", rule);
    }
    return out;
}

static const char *rounds_in_words(const char *counts)
{
    if (strcmp(counts, "best") == 0) {
        return ", in its best round,";
    }
    return strcmp(counts, "mean") == 0 ? ", on the mean of its rounds," : "";
}

static void correction_in_words(const json_t *acceptance, char *out, size_t size)
{
    const json_t *c = json_object_get(acceptance, "correction");
    out[0] = '\0';
    if (json_is_object(c)) {
        text_format(out, size, "; %s by the temperature rule %s%s",
                    true_at(c, "decides") ? "corrected" : "shown also corrected",
                    text_at(c, "rule"),
                    true_at(c, "decides") ? "" : ", which is unverified and does not decide");
    }
}

static void print_acceptance(const json_t *plan, FILE *f)
{
    const json_t *a = json_object_get(plan, "acceptance");
    char text[400] = "not at all: the profile states no acceptance", corrected[160];
    if (json_is_object(a)) {
        correction_in_words(a, corrected, sizeof corrected);
        text_format(text, sizeof text, "it passes when step \"%s\"%s delivers at least %s, %s%s",
                    text_at(a, "step_name"), rounds_in_words(text_at(a, "counts")),
                    words_short(number_at(a, "capacity_Ah"), "Ah").s,
                    rule_in_words(text_at(a, "rule"), number_at(a, "guard_share_percent")).s,
                    corrected);
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
    own_limits_print(plan, f);
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
