/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/show_text: everything about one run, verdict first. */
#include "base/file.h"
#include "cli/battery_request.h"
#include "cli/plan_text.h"
#include "cli/run_text.h"
#include "cli/show_steps.h"
#include "cli/table.h"
#include "cli/words.h"

#include "base/clock.h"

#include <math.h>
#include <string.h>

static void add_fact(struct table *t, const char *name, const char *text)
{
    const char *cells[] = {name, text};
    if (text[0] != '\0' && strcmp(text, "-") != 0) {
        table_add(t, cells);
    }
}

/* The headline leaves a small screen no room for it. */
static void print_what(const json_t *run, FILE *f)
{
    char text[300];
    text_format(text, sizeof text, "%lld: %s on %s%s%s, %s", integer_at(run, "number"),
                text_at(run, "profile"), text_at(run, "battery"),
                text_at(run, "stand")[0] != '\0' ? " at " : "", text_at(run, "stand"),
                words_time(text_at(run, "started_utc")).s);
    print_wrapped("  run      ", text, f);
}

/* Which of several attempts the verdict is about. */
static void print_attempts(const json_t *result, FILE *f)
{
    const json_t *a = json_object_get(result, "attempts");
    const char *counts = text_at(a, "counts");
    long long considered = integer_at(a, "considered"), round = integer_at(a, "round");
    char which[64] = "", scatter[120] = "", text[240];
    if (considered < 2) {
        return;
    }
    if (round > 0) {
        text_format(which, sizeof which, ", round %lld", round);
    }
    if (isfinite(number_at(a, "scatter_Ah"))) {
        text_format(scatter, sizeof scatter, "; they scatter by %s (standard deviation)",
                    words_short(number_at(a, "scatter_Ah"), "Ah").s);
    }
    text_format(text, sizeof text, "the %s of %lld counts%s%s", counts, considered, which, scatter);
    print_wrapped("  attempts ", text, f);
}

static void print_trip(const json_t *run, FILE *f)
{
    const json_t *trip = json_object_get(run, "trip");
    if (!json_is_object(trip)) {
        return;
    }
    print_wrapped("  why      ", text_at(trip, "sentence"), f);
    fprintf(f, "  when     %s, %s into the run\n", words_time(text_at(trip, "at")).s,
            words_duration(number_at(trip, "at_s")).s);
}

static void print_verdict(const json_t *run, FILE *f)
{
    const json_t *result = json_object_get(run, "result");
    double limit = number_at(result, "acceptance_Ah");
    double probability = number_at(result, "conformance_probability");
    bool bound = true_at(result, "lower_bound"); /* then it says nothing about the battery */
    char text[240];
    if (!isfinite(limit)) {
        return;
    }
    if (!is_whole(run)) {
        text_format(text, sizeof text, "at least %s", words_short(limit, "Ah").s);
        print_wrapped("  wanted   ", text, f);
        return;
    }
    bool told = isfinite(probability) && !bound;
    text_format(
        text, sizeof text, "at least %s is needed, %s%s%s", words_short(limit, "Ah").s,
        rule_in_words(text_at(result, "decision_rule"), number_at(result, "guard_share_percent")).s,
        told ? "; probability that it is there: " : "",
        told ? words_amount(100 * probability, 1, "%").s : "");
    print_wrapped("  judged   ", text, f);
}

/* The corrected value beside the measured one that the headline shows. */
static void print_correction(const json_t *run, FILE *f)
{
    const json_t *c = json_object_get(json_object_get(run, "result"), "correction");
    char text[700];
    if (!json_is_object(c)) {
        return;
    }
    if (!true_at(c, "applied")) {
        text_format(text, sizeof text, "not by %s: %s", text_at(c, "rule"), text_at(c, "because"));
    } else {
        text_format(
            text, sizeof text, "%s at %s by %s, from %s (%s)%s",
            words_uncertain(number_at(c, "capacity_Ah"), number_at(c, "capacity_uncertainty_Ah"),
                            "Ah")
                .s,
            words_short(number_at(c, "reference_C"), "degC").s, text_at(c, "rule"),
            words_amount(number_at(c, "temperature_C"), 1, "degC").s, text_at(c, "temperature_at"),
            true_at(c, "verified") ? "" : "; unverified, from memory, so no verdict rests on it");
    }
    print_wrapped("  corrected ", text, f);
    print_wrapped("            ", text_at(c, "source"), f);
}

static struct words duration_of(const json_t *run)
{
    struct err e = {0};
    int64_t started_ns = 0, ended_ns = 0;
    if (!clock_parse_utc(text_at(run, "started_utc"), &started_ns, &e) ||
        !clock_parse_utc(text_at(run, "ended_utc"), &ended_ns, &e)) {
        return words_duration(NAN);
    }
    return words_duration((double)(ended_ns - started_ns) / (double)NS_PER_S);
}

static void leads_in_words(double ohm, struct words *out)
{
    out->s[0] = '\0';
    if (ohm > 0) {
        text_format(out->s, sizeof out->s, ", leads %s", words_amount(1000 * ohm, 1, "mOhm").s);
    }
}

/* Where it was made: at a stand, or elsewhere. */
static void add_place(struct table *t, const json_t *run)
{
    const json_t *from = json_object_get(run, "imported");
    char text[400];
    struct words leads;
    leads_in_words(number_at(run, "lead_resistance_ohm"), &leads);
    if (!json_is_object(from)) {
        text_format(text, sizeof text, "%s; voltage by %s%s", text_at(run, "stand"),
                    text_at(run, "voltage_source"), leads.s);
        add_fact(t, "stand", text);
        return;
    }
    text_format(text, sizeof text, "recorded elsewhere, taken from %s on %.10s",
                text_at(from, "file"), text_at(from, "at"));
    add_fact(t, "from", text);
    add_fact(t, "its SHA-256", text_at(from, "sha256"));
    if (isfinite(number_at(from, "from_s")) || isfinite(number_at(from, "to_s"))) {
        text_format(text, sizeof text, "%s to %s of the file",
                    words_amount(number_at(from, "from_s"), 1, "s").s,
                    words_amount(number_at(from, "to_s"), 1, "s").s);
        add_fact(t, "rows", text);
    }
    text_format(text, sizeof text, "%s%s", text_at(run, "voltage_source"), leads.s);
    add_fact(t, "voltage by", text);
}

static void print_conditions(const json_t *run, FILE *f)
{
    static const struct column columns[] = {{NULL, LEFT}, {NULL, LEFT}};
    const json_t *result = json_object_get(run, "result");
    struct table *t = table_new(columns, 2);
    char text[200];
    text_format(text, sizeof text, "%lld, id %s", integer_at(run, "number"), text_at(run, "id"));
    add_fact(t, "run", text);
    text_format(text, sizeof text, "%s: %s", text_at(run, "battery"),
                battery_in_words(json_object_get(run, "battery_record")).s);
    add_fact(t, "battery", text);
    add_fact(t, "profile", text_at(run, "profile"));
    add_place(t, run);
    add_fact(t, "started", words_time(text_at(run, "started_utc")).s);
    text_format(text, sizeof text, "%s, %s, after %s", text_at(run, "outcome"),
                words_time(text_at(run, "ended_utc")).s, duration_of(run).s);
    add_fact(t, "ended", text_at(run, "ended_utc")[0] != '\0' ? text : "");
    text_format(text, sizeof text, "%s at start, %s at most",
                words_amount(number_at(result, "temperature_start_C"), 1, "degC").s,
                words_amount(number_at(result, "temperature_max_C"), 1, "degC").s);
    add_fact(t, "temperature", isfinite(number_at(result, "temperature_max_C")) ? text : "");
    add_fact(t, "energy",
             words_uncertain(number_at(result, "energy_Wh"),
                             number_at(result, "energy_uncertainty_Wh"), "Wh")
                 .s);
    add_fact(t, "mean", words_amount(number_at(result, "mean_voltage_V"), 3, "V").s);
    text_format(text, sizeof text, "%lld", integer_at(run, "samples"));
    add_fact(t, "samples", text);
    fputs("\nConditions\n", f);
    table_print(t, 2, f);
}

/* The budget: what each influence alone would make the charge uncertain by. */
static void print_uncertainty(const json_t *run, FILE *f)
{
    static const struct column columns[] = {{NULL, LEFT}, {NULL, RIGHT}, {NULL, LEFT}};
    const json_t *budget = json_object_get(json_object_get(run, "result"), "uncertainty");
    const json_t *list = json_object_get(budget, "components");
    if (json_array_size(list) == 0) {
        return;
    }
    struct table *t = table_new(columns, 3);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *c = json_array_get(list, i);
        char u[32];
        text_format(u, sizeof u, "%.2g Ah", number_at(c, "standard_Ah"));
        const char *cells[] = {text_at(c, "name"), u, text_at(c, "how")};
        if (number_at(c, "standard_Ah") > 0) {
            table_add(t, cells);
        }
    }
    char all[32];
    text_format(all, sizeof all, "%.2g Ah", number_at(budget, "expanded_Ah"));
    const char *sum[] = {"U, k = 2", all, "twice the root of the sum of their squares"};
    table_add(t, sum);
    const json_t *warmth = json_object_get(budget, "temperature");
    if (json_is_object(warmth)) {
        double u_Ah = number_at(warmth, "standard_Ah");
        text_format(all, sizeof all, u_Ah > 0 ? "%.2g Ah" : "-", u_Ah);
        const char *temperature[] = {"temperature", all, text_at(warmth, "how")};
        table_add(t, temperature);
    }
    fputs("\nUncertainty of the charge, standard\n", f);
    table_print(t, 2, f);
}

static void print_instruments(const json_t *run, FILE *f)
{
    static const struct column columns[] = {{NULL, LEFT}, {NULL, LEFT}, {NULL, LEFT}};
    const json_t *list = json_object_get(run, "instruments");
    struct table *t = table_new(columns, 3);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *in = json_array_get(list, i);
        char what[400];
        const char *identity = text_at(in, "identity");
        text_format(what, sizeof what, "%s%s%s", text_at(in, "link"),
                    identity[0] != '\0' ? ", " : "", identity);
        const char *cells[] = {text_at(in, "role"), text_at(in, "driver"), what};
        table_add(t, cells);
    }
    fputs(json_array_size(list) > 0 ? "\nInstruments\n" : "", f);
    table_print(t, 2, f);
}

static void print_events(const json_t *run, FILE *f)
{
    static const struct column columns[] = {
        {NULL, LEFT}, {NULL, RIGHT}, {NULL, LEFT}, {NULL, LEFT}};
    const json_t *list = json_object_get(run, "events");
    struct table *t = table_new(columns, 4);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *v = json_array_get(list, i);
        struct words at = words_time(text_at(v, "at"));
        struct words into = words_duration(number_at(v, "t_s"));
        const char *cells[] = {at.s, into.s, text_at(v, "kind"), text_at(v, "text")};
        table_add(t, cells);
    }
    fputs(json_array_size(list) > 0 ? "\nEvents\n" : "", f);
    table_print(t, 2, f);
}

static void print_notes(const json_t *run, FILE *f)
{
    const json_t *result = json_object_get(run, "result");
    const json_t *notes = json_object_get(result, "notes");
    const char *because = text_at(result, "no_result_because");
    if (json_array_size(notes) == 0 && because[0] == '\0') {
        return;
    }
    fputs("\nNotes\n", f);
    if (because[0] != '\0') {
        print_wrapped("  - ", because, f);
    }
    for (size_t i = 0; i < json_array_size(notes); i++) {
        print_wrapped("  - ", json_string_value(json_array_get(notes, i)), f);
    }
}

void run_print(const json_t *run, FILE *f)
{
    const json_t *plan = json_object_get(run, "plan");
    run_headline(run, f);
    print_what(run, f);
    print_trip(run, f);
    print_verdict(run, f);
    print_correction(run, f);
    print_attempts(json_object_get(run, "result"), f);
    print_conditions(run, f);
    steps_print(run, f);
    print_uncertainty(run, f);
    if (json_array_size(json_object_get(plan, "limits")) > 0) {
        limits_print(plan, f);
    }
    print_instruments(run, f);
    print_events(run, f);
    print_notes(run, f);
    /* Once more: the top of it has left a small screen. */
    fputc('\n', f);
    run_headline(run, f);
}
