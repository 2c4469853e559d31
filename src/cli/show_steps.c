/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/show_steps: tables that stay readable for thirty rounds. */
#include "cli/show_steps.h"

#include "base/file.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <string.h>

/* The result's steps carry numbers; without a result the run's own must do. */
static const json_t *steps_of(const json_t *run)
{
    const json_t *steps = json_object_get(json_object_get(run, "result"), "steps");
    return json_is_array(steps) ? steps : json_object_get(run, "steps");
}

static bool is_kind(const json_t *step, const char *kind)
{
    return strcmp(text_at(step, "kind"), kind) == 0;
}

static double took_s(const json_t *step)
{
    return number_at(step, "end_s") - number_at(step, "start_s");
}

/* Nothing that a rest's current adds up to is worth a figure. */
static double amount_at(const json_t *step, const char *key)
{
    return is_kind(step, "rest") ? (double)NAN : number_at(step, key);
}

static bool has_rounds(const json_t *steps)
{
    for (size_t i = 0; i < json_array_size(steps); i++) {
        if (integer_at(json_array_get(steps, i), "round") > 1) {
            return true;
        }
    }
    return false;
}

/* --- one line a step --- */

static void print_each(const json_t *steps, FILE *f)
{
    static const struct column columns[] = {{"step", RIGHT},   {"name", LEFT}, {"kind", LEFT},
                                            {"took", RIGHT},   {"Ah", RIGHT},  {"Wh", RIGHT},
                                            {"ended by", LEFT}};
    struct table *t = table_new(columns, 7);
    for (size_t i = 0; i < json_array_size(steps); i++) {
        const json_t *s = json_array_get(steps, i);
        struct words number = words_amount((double)integer_at(s, "step") + 1, 0, "");
        struct words took = words_duration(took_s(s));
        struct words Ah = words_amount(amount_at(s, "capacity_Ah"), 2, "");
        struct words Wh = words_amount(amount_at(s, "energy_Wh"), 1, "");
        const char *cells[] = {number.s, text_at(s, "name"),    text_at(s, "kind"), took.s, Ah.s,
                               Wh.s,     text_at(s, "ended_by")};
        table_add(t, cells);
    }
    fputs("\nSteps\n", f);
    table_print(t, 2, f);
}

/* --- one line a step of the plan --- */

struct together {
    size_t times;
    double took_s;
    const json_t *last;
};

static struct together all_of(const json_t *steps, long long plan_step)
{
    struct together all = {0};
    for (size_t i = 0; i < json_array_size(steps); i++) {
        const json_t *s = json_array_get(steps, i);
        if (integer_at(s, "plan_step") == plan_step) {
            all.times++;
            all.took_s += took_s(s);
            all.last = s;
        }
    }
    return all;
}

static bool came_before(const json_t *steps, size_t i)
{
    long long plan_step = integer_at(json_array_get(steps, i), "plan_step");
    for (size_t k = 0; k < i; k++) {
        if (integer_at(json_array_get(steps, k), "plan_step") == plan_step) {
            return true;
        }
    }
    return false;
}

static void print_together(const json_t *steps, FILE *f)
{
    static const struct column columns[] = {{"name", LEFT},
                                            {"kind", LEFT},
                                            {"times", RIGHT},
                                            {"took in all", RIGHT},
                                            {"last ended by", LEFT}};
    struct table *t = table_new(columns, 5);
    for (size_t i = 0; i < json_array_size(steps); i++) {
        if (came_before(steps, i)) {
            continue;
        }
        struct together all = all_of(steps, integer_at(json_array_get(steps, i), "plan_step"));
        struct words times = words_amount((double)all.times, 0, "");
        struct words took = words_duration(all.took_s);
        const char *cells[] = {text_at(all.last, "name"), text_at(all.last, "kind"), times.s,
                               took.s, text_at(all.last, "ended_by")};
        table_add(t, cells);
    }
    fputs("\nSteps\n", f);
    table_print(t, 2, f);
}

/* --- one line a round --- */

/* Without knowing how empty it was before the charge, a ratio says nothing. */
static struct words efficiency_at(const json_t *round, const char *key)
{
    bool closed = true_at(round, "efficiency_closed");
    return words_amount(closed ? number_at(round, key) : (double)NAN, 2, "");
}

static void print_rounds(const json_t *rounds, FILE *f)
{
    static const struct column columns[] = {{"round", RIGHT}, {"Ah", RIGHT},    {"% rated", RIGHT},
                                            {"Wh", RIGHT},    {"in Ah", RIGHT}, {"Ah %", RIGHT},
                                            {"Wh %", RIGHT},  {"mOhm", RIGHT},  {"degC", RIGHT}};
    struct table *t = table_new(columns, 9);
    for (size_t i = 0; i < json_array_size(rounds); i++) {
        const json_t *r = json_array_get(rounds, i);
        double in_Ah = number_at(r, "charged_Ah");
        struct words Ah = words_bounded(r, "capacity_Ah", 3);
        struct words percent = words_bounded(r, "percent_of_rated", 1);
        struct words number = words_amount((double)integer_at(r, "round"), 0, "");
        struct words Wh = words_amount(number_at(r, "energy_Wh"), 2, "");
        struct words in = words_amount(in_Ah > 0 ? in_Ah : (double)NAN, 3, "");
        struct words coulombic = efficiency_at(r, "coulombic_efficiency_percent");
        struct words energy = efficiency_at(r, "energy_efficiency_percent");
        struct words mOhm = words_amount(number_at(r, "resistance_mOhm"), 2, "");
        struct words degC = words_amount(number_at(r, "temperature_max_C"), 1, "");
        const char *cells[] = {number.s,    Ah.s,     percent.s, Wh.s,  in.s,
                               coulombic.s, energy.s, mOhm.s,    degC.s};
        table_add(t, cells);
    }
    fputs("\nRounds (Ah % and Wh %: what came out of what the charge before it put in)\n", f);
    table_print(t, 2, f);
}

/* --- resistances --- */

static void how_measured(const json_t *step, char *out, size_t size)
{
    const char *method = text_at(step, "resistance_method");
    struct words after = words_amount(number_at(step, "resistance_after_s"), 1, "s");
    if (strcmp(method, "two-current") == 0) {
        text_format(out, size, "two currents: %s, then %s",
                    words_amount(number_at(step, "resistance_held_s"), 1, "s").s, after.s);
    } else {
        text_format(out, size, "%s after switching on", after.s);
    }
}

static void print_resistances(const json_t *steps, FILE *f)
{
    static const struct column columns[] = {{"step", RIGHT},
                                            {"resistance", LEFT},
                                            {"full", RIGHT},
                                            {"degC", RIGHT},
                                            {"measured", LEFT}};
    struct table *t = NULL;
    for (size_t i = 0; i < json_array_size(steps); i++) {
        const json_t *s = json_array_get(steps, i);
        double mOhm = number_at(s, "resistance_mOhm");
        char how[200];
        if (!isfinite(mOhm)) {
            continue;
        }
        t = t != NULL ? t : table_new(columns, 5);
        how_measured(s, how, sizeof how);
        struct words number = words_amount((double)integer_at(s, "step") + 1, 0, "");
        struct words value =
            words_uncertain(mOhm, number_at(s, "resistance_uncertainty_mOhm"), "mOhm");
        struct words full =
            words_amount(number_at(s, "resistance_state_of_charge_percent"), 0, "%");
        struct words degC = words_amount(number_at(s, "resistance_temperature_C"), 1, "");
        const char *cells[] = {number.s, value.s, full.s, degC.s, how};
        table_add(t, cells);
    }
    if (t != NULL) {
        fputs("\nResistance\n", f);
        table_print(t, 2, f);
    }
}

static size_t count_measured(const json_t *list)
{
    size_t n = 0;
    for (size_t i = 0; i < json_array_size(list); i++) {
        n += isfinite(number_at(json_array_get(list, i), "resistance_mOhm")) ? 1 : 0;
    }
    return n;
}

void steps_print(const json_t *run, FILE *f)
{
    const json_t *steps = steps_of(run);
    const json_t *rounds = json_object_get(json_object_get(run, "result"), "rounds");
    bool repeated = has_rounds(steps);
    if (!repeated) {
        print_each(steps, f);
    } else {
        print_together(steps, f);
        print_rounds(rounds, f);
    }
    /* A round's own stands in its line. */
    if (!repeated || count_measured(steps) > count_measured(rounds)) {
        print_resistances(steps, f);
    }
}
