/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/report_run: what was tested, how, by what, what came out and how sure that is. */
#include "report/report.h"

#include "analysis/verdict.h"
#include "base/file.h"
#include "report/csv.h"
#include "report/page.h"
#include "report/plot.h"
#include "report/words.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define EVENTS_SHOWN 24
#define EVENTS_MOST 80
#define STEPS_SHOWN 24

/* --- samples --- */

struct gathering {
    struct plot_record plot;
    struct csv_sum sum;
};

static bool gather(void *context, int step, const struct sample *s)
{
    struct gathering *g = context;
    plot_record_add(&g->plot, s);
    csv_sum_add(&g->sum, step, s);
    return true;
}

static bool note_time(void *context, int step, const struct sample *s)
{
    double *last_s = context;
    (void)step;
    *last_s = fmax(*last_s, s->t_s);
    return true;
}

/* While a step goes on, only the samples say how long. */
static bool end_of(struct reader *r, const struct run_row *row, double *end_s, struct err *e)
{
    *end_s = 0;
    for (size_t i = 0; i < row->step_count; i++) {
        *end_s = fmax(fmax(*end_s, row->steps[i].start_s), row->steps[i].end_s);
    }
    bool ended = row->step_count > 0 && isfinite(row->steps[row->step_count - 1].end_s);
    return ended || reader_samples(r, row->nr, -1, note_time, end_s, e);
}

/* --- the top --- */

/* The measured capacity, of a run or of its result; "-" where there is none. */
static struct words capacity_in_words(const json_t *of)
{
    struct words w = words_uncertain(number_at(of, "capacity_Ah"),
                                     number_at(of, "capacity_uncertainty_Ah"), "Ah");
    struct words bound;
    text_format(bound.s, sizeof bound.s, "at least %s", w.s);
    return w.s[0] != '-' && true_at(of, "lower_bound") ? bound : w;
}

/* Of a run that was cut short how it ended is said: no verdict is told of it. */
static void put_badge(const json_t *run, struct page *p)
{
    const char *verdict = text_at(run, "verdict");
    page_put(p, "<span class=\"verdict ");
    page_text(p, verdict);
    page_put(p, "\">");
    page_text(p, !is_whole(run)       ? text_at(run, "outcome")
                 : verdict[0] != '\0' ? verdict
                                      : "measured");
    page_put(p, "</span>");
}

static void put_aside(struct page *p, const char *text)
{
    if (text[0] != '\0') {
        page_put(p, "<span class=\"aside\">");
        page_text(p, text);
        page_put(p, "</span>");
    }
}

static void put_verdict(const json_t *run, struct page *p)
{
    page_put(p, "<div class=\"say\">");
    put_badge(run, p);
    page_put(p, "<span class=\"figure\">");
    struct words capacity = capacity_in_words(run);
    page_text(p, capacity.s[0] == '-' ? "no capacity" : capacity.s);
    page_put(p, "</span>");
    if (isfinite(number_at(run, "percent_of_rated"))) {
        char text[120];
        double rated = number_at(json_object_get(run, "battery_record"), "rated_Ah");
        text_format(text, sizeof text, "%s of %s rated", words_of_rated(run).s,
                    words_short(rated, "Ah").s);
        put_aside(p, text);
    }
    const json_t *result = json_object_get(run, "result");
    put_aside(p, words_enough(result).s);
    const json_t *budget = json_object_get(result, "uncertainty");
    if (json_is_false(json_object_get(budget, "accuracy_known"))) {
        put_aside(p, "the instruments' own accuracy is not known and not in the uncertainty");
    }
    page_put(p, "</div>\n");
}

static void put_trip(const json_t *run, struct page *p)
{
    const json_t *trip = json_object_get(run, "trip");
    if (json_is_object(trip)) {
        page_put(p, "<p><strong>Tripped ");
        page_text(p, words_duration(number_at(trip, "at_s")).s);
        page_put(p, " into the run:</strong> ");
        page_text(p, text_at(trip, "sentence"));
        page_put(p, "</p>\n");
    }
}

/* What the ledger says against a battery that should have begun full; "": nothing. */
static const char *full_doubt(const json_t *run)
{
    return text_at(json_object_get(run, "plan"), "full_doubt");
}

/* A battery that passed cannot have been less than full to its harm; of any other the seller is
 * told before the verdict is held against them. */
static bool doubt_matters(const json_t *run)
{
    return full_doubt(run)[0] != '\0' && strcmp(text_at(run, "verdict"), "pass") != 0;
}

/* Beside the verdict, which would be of a part of it. */
static void put_doubt(const json_t *run, struct page *p)
{
    if (doubt_matters(run)) {
        page_put(p, "<p><strong>It may not have begun full:</strong> ");
        page_text(p, full_doubt(run));
        page_put(p, "</p>\n");
    }
}

struct sentence {
    char s[280];
};

static struct sentence rule_in_words(const json_t *result)
{
    struct sentence w;
    const char *rule = text_at(result, "decision_rule");
    char share[40] = "";
    if (strcmp(rule, decision_rule_names[DECISION_SIMPLE]) == 0) {
        text_format(w.s, sizeof w.s,
                    "simple acceptance, the figure itself is compared with the limit");
        return w;
    }
    if (strcmp(rule, decision_rule_names[DECISION_GUARD_SHARE]) == 0) {
        text_format(share, sizeof share, "%.4g %% of ", number_at(result, "guard_share_percent"));
    }
    text_format(w.s, sizeof w.s,
                "guard band, passed when the figure less %sits uncertainty is not below the limit, "
                "failed when the figure and %sits uncertainty are",
                share, share);
    return w;
}

static void put_rule(const json_t *run, struct page *p)
{
    const json_t *result = json_object_get(run, "result");
    double limit = number_at(result, "acceptance_Ah");
    char text[500];
    if (!isfinite(limit)) {
        return;
    }
    if (!is_whole(run)) {
        text_format(text, sizeof text, "At least %s is wanted.", words_short(limit, "Ah").s);
        page_paragraph(p, text);
        return;
    }
    double probability = number_at(result, "conformance_probability");
    if (true_at(result, "lower_bound")) { /* then it says nothing about the battery */
        probability = NAN;
    }
    text_format(text, sizeof text, "At least %s is needed. Decision rule: %s.%s%s",
                words_short(limit, "Ah").s, rule_in_words(result).s,
                isfinite(probability) ? " Probability that the limit is met: " : "",
                isfinite(probability) ? words_amount(100 * probability, 1, "%.").s : "");
    page_paragraph(p, text);
}

static void put_head(const json_t *run, struct page *p)
{
    char kind[200];
    text_format(kind, sizeof kind, "Test report, run %lld of %s, issued %s",
                integer_at(run, "number"), words_time(text_at(run, "started_utc")).s,
                words_now().s);
    page_put(p, "<header>");
    if (true_at(run, "simulated")) {
        page_put(p, "<p class=\"practice\"><strong>Practice: simulated instruments on a virtual "
                    "bench</strong>, where time can run fast; this is no measurement of a real "
                    "battery.</p>");
    }
    page_put(p, "<div class=\"kind\">");
    page_text(p, kind);
    page_put(p, "</div><h1>");
    page_text(p, text_at(run, "battery"));
    page_put(p, "</h1>");
    put_verdict(run, p);
    put_trip(run, p);
    put_doubt(run, p);
    put_rule(run, p);
    page_put(p, "</header>\n");
}

/* --- facts --- */

static void fact_number(struct page *p, const char *name, double value, int decimals,
                        const char *unit)
{
    page_fact(p, name, words_amount(value, decimals, unit).s);
}

/* The value at the reference temperature beside the one that was measured, which stays. */
static void put_correction(const json_t *c, struct page *p)
{
    char name[80], text[600];
    if (!json_is_object(c)) {
        return;
    }
    text_format(name, sizeof name, "Corrected to %s",
                words_amount(number_at(c, "reference_C"), 0, "degC").s);
    if (!true_at(c, "applied")) {
        text_format(text, sizeof text, "not, by the rule %s: %s", text_at(c, "rule"),
                    text_at(c, "because"));
    } else {
        text_format(text, sizeof text, "%s by the rule %s: %s, at %s. %s. %s",
                    words_uncertain(number_at(c, "capacity_Ah"),
                                    number_at(c, "capacity_uncertainty_Ah"), "Ah")
                        .s,
                    text_at(c, "rule"), text_at(c, "formula"),
                    words_amount(number_at(c, "temperature_C"), 1, "degC").s, text_at(c, "source"),
                    true_at(c, "decides") ? "This value is held against what is wanted."
                                          : "Unverified, from memory: it decides nothing.");
    }
    page_fact(p, name, text);
}

static void put_attempts(const json_t *a, struct page *p)
{
    char text[200], round[40] = "", scatter[120] = "";
    if (integer_at(a, "considered") < 2) {
        return;
    }
    if (integer_at(a, "round") > 0) {
        text_format(round, sizeof round, ", round %lld", integer_at(a, "round"));
    }
    if (isfinite(number_at(a, "scatter_Ah"))) {
        text_format(scatter, sizeof scatter, "; they scatter by %s (standard deviation)",
                    words_short(number_at(a, "scatter_Ah"), "Ah").s);
    }
    text_format(text, sizeof text, "the %s of %lld counts%s%s", text_at(a, "counts"),
                integer_at(a, "considered"), round, scatter);
    page_fact(p, "Attempts", text);
}

static void put_result(const json_t *run, struct page *p)
{
    const json_t *r = json_object_get(run, "result");
    page_heading(p, "Result");
    page_facts_begin(p);
    page_fact(p, "Capacity", capacity_in_words(r).s);
    put_correction(json_object_get(r, "correction"), p);
    put_attempts(json_object_get(r, "attempts"), p);
    page_fact(
        p, "Energy",
        words_uncertain(number_at(r, "energy_Wh"), number_at(r, "energy_uncertainty_Wh"), "Wh").s);
    page_fact(p, "Duration", words_duration(number_at(r, "duration_s")).s);
    fact_number(p, "Mean voltage", number_at(r, "mean_voltage_V"), 3, "V");
    page_fact(p, "Mean current", words_current(number_at(r, "mean_current_A")).s);
    page_fact(p, "Ended by", text_at(r, "end_reason"));
    page_fact(p, "DC resistance",
              words_uncertain(number_at(r, "resistance_mOhm"),
                              number_at(r, "resistance_uncertainty_mOhm"), "mOhm")
                  .s);
    fact_number(p, "Charge returned", number_at(r, "coulombic_efficiency_percent"), 2, "%");
    page_facts_end(p);
}

static void put_battery(const json_t *run, struct page *p)
{
    const json_t *b = json_object_get(run, "battery_record");
    char cells[80];
    text_format(cells, sizeof cells, "%s, %lld in series", text_at(b, "chemistry"),
                integer_at(b, "cells"));
    page_fact(p, "Battery", text_at(b, "label"));
    page_fact(p, "Cells", cells);
    page_fact(p, "Rated", words_rated(b).s);
    page_fact(p, "Lot", text_at(b, "lot"));
    page_fact(p, "Note", text_at(b, "note"));
}

/* A run that was not made here says so, and from which file it is. */
static void put_source(const json_t *from, struct page *p)
{
    char text[400], rows[200] = "";
    if (!json_is_object(from)) {
        return;
    }
    if (isfinite(number_at(from, "from_s")) || isfinite(number_at(from, "to_s"))) {
        text_format(rows, sizeof rows, ", its rows from %s to %s",
                    words_amount(number_at(from, "from_s"), 1, "s").s,
                    words_amount(number_at(from, "to_s"), 1, "s").s);
    }
    text_format(text, sizeof text, "%s%s, taken over on %.10s", text_at(from, "file"), rows,
                text_at(from, "at"));
    page_fact(p, "Recorded elsewhere", text);
    page_fact(p, "SHA-256 of that file", text_at(from, "sha256"));
}

static void put_fullness(const json_t *run, struct page *p)
{
    const char *text = "yes: filled and rested beforehand, by the profile's word";
    if (!true_at(json_object_get(run, "plan"), "starts_full")) {
        return;
    }
    if (json_is_object(json_object_get(run, "imported"))) {
        text = "yes: filled and rested beforehand, by the word of who took it over";
    } else if (doubt_matters(run)) {
        text = "by the profile's word, but see above what the ledger says";
    } else if (full_doubt(run)[0] != '\0') {
        text = "by the profile's word; a charge that filled it is not in the ledger";
    }
    page_fact(p, "Began full", text);
}

static void put_conditions(const json_t *run, struct page *p)
{
    const json_t *r = json_object_get(run, "result");
    const char *title = text_at(run, "bench_title");
    char voltage[120], temperature[120], stand[200];
    double lead = number_at(run, "lead_resistance_ohm");
    page_heading(p, "What was tested, and how");
    page_facts_begin(p);
    put_battery(run, p);
    page_fact(p, "Profile", text_at(run, "profile"));
    put_fullness(run, p);
    text_format(stand, sizeof stand, title[0] != '\0' ? "%s, bench \"%s\"" : "%s",
                text_at(run, "stand"), title);
    page_fact(p, "Stand", stand);
    put_source(json_object_get(run, "imported"), p);
    text_format(voltage, sizeof voltage, "%s%s%s", text_at(run, "voltage_source"),
                lead > 0 ? ", corrected for leads of " : "",
                lead > 0 ? words_amount(1e3 * lead, 1, "mOhm").s : "");
    page_fact(p, "Voltage by", voltage);
    text_format(temperature, sizeof temperature, "%s at start, %s mean, %s at most",
                words_amount(number_at(r, "temperature_start_C"), 1, "degC").s,
                words_amount(number_at(r, "temperature_mean_C"), 1, "degC").s,
                words_amount(number_at(r, "temperature_max_C"), 1, "degC").s);
    page_fact(p, "Temperature",
              isfinite(number_at(r, "temperature_max_C")) ? temperature : "not measured");
    page_fact(p, "Began", words_time(text_at(run, "started_utc")).s);
    page_fact(p, "Ended", words_time(text_at(run, "ended_utc")).s);
    char samples[40];
    text_format(samples, sizeof samples, "%lld", integer_at(run, "samples"));
    page_fact(p, "Samples", samples);
    page_facts_end(p);
}

/* --- tables --- */

/* "discharge 10.0 A to 10.00 V": what the plan asked of a step. */
static struct words set_in_words(const json_t *run, const json_t *step)
{
    const json_t *all = json_object_get(json_object_get(run, "plan"), "steps");
    const json_t *s = json_array_get(all, (size_t)integer_at(step, "plan_step"));
    const char *kind = text_at(step, "kind");
    double A = number_at(s, "current_A"), W = number_at(s, "power_W");
    double Ohm = number_at(s, "resistance_ohm"), to_V = number_at(s, "until_voltage_V");
    double held_V = number_at(s, "charge_voltage_V");
    struct words set = {""}, w;
    if (isfinite(W)) {
        text_format(set.s, sizeof set.s, " %s", words_amount(W, 1, "W").s);
    } else if (isfinite(Ohm)) {
        text_format(set.s, sizeof set.s, " %s", words_amount(Ohm, 3, "Ohm").s);
    } else if (isfinite(A) && fabs(A) > 0) {
        text_format(set.s, sizeof set.s, " %s", words_amount(fabs(A), 2, "A").s);
    }
    text_format(w.s, sizeof w.s, "%s%s%s%s%s%s", kind, set.s, isfinite(held_V) ? ", " : "",
                isfinite(held_V) ? words_amount(held_V, 2, "V").s : "",
                isfinite(to_V) ? " to " : "", isfinite(to_V) ? words_amount(to_V, 2, "V").s : "");
    return w;
}

static void put_steps(const json_t *run, struct page *p)
{
    static const char *const headings[] = {"Step", "What", "Lasted", "Ended by", "Ah",
                                           "Wh",   "V",    "mOhm",   "degC",     NULL};
    const struct page_table t = {headings, "    nnnnn", NARROW_SLIDE};
    const json_t *steps = json_object_get(json_object_get(run, "result"), "steps");
    size_t n = json_array_size(steps);
    if (n == 0) {
        return;
    }
    page_heading(p, "Steps, as they were carried out");
    page_table_begin(p, &t);
    for (size_t i = 0; i < n && i < STEPS_SHOWN; i++) {
        const json_t *s = json_array_get(steps, i);
        char name[96];
        long long round = integer_at(s, "round");
        text_format(name, sizeof name, round > 1 ? "%s (%lld)" : "%s", text_at(s, "name"), round);
        struct words lasted = words_duration(number_at(s, "end_s") - number_at(s, "start_s"));
        struct words Ah = words_amount(number_at(s, "capacity_Ah"), 3, "");
        struct words Wh = words_amount(number_at(s, "energy_Wh"), 2, "");
        struct words V = words_amount(number_at(s, "end_voltage_V"), 3, "");
        struct words mOhm = words_amount(number_at(s, "resistance_mOhm"), 2, "");
        struct words degC = words_amount(number_at(s, "temperature_max_C"), 1, "");
        struct words what = set_in_words(run, s);
        const char *cells[] = {name, what.s, lasted.s, text_at(s, "ended_by"), Ah.s, Wh.s,
                               V.s,  mOhm.s, degC.s};
        page_row(p, &t, cells);
    }
    page_table_end(p);
    page_format(p, n > STEPS_SHOWN ? "<p class=\"aside\">and %zu more.</p>\n" : "",
                n - STEPS_SHOWN);
    page_put(p, "<p class=\"aside\">Ah and Wh delivered or taken in; V at the end of the step; "
                "°C at most.</p>\n");
}

static void put_budget(const json_t *run, struct page *p)
{
    static const char *const headings[] = {"Influence", "u, mAh", "How it was found", NULL};
    const struct page_table t = {headings, " n ", NARROW_WRAP};
    const json_t *b = json_object_get(json_object_get(run, "result"), "uncertainty");
    const json_t *list = json_object_get(b, "components");
    if (json_array_size(list) == 0) {
        return;
    }
    page_heading(p, "Uncertainty of the capacity");
    page_table_begin(p, &t);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *c = json_array_get(list, i);
        struct words u = words_amount(1e3 * number_at(c, "standard_Ah"), 3, "");
        const char *cells[] = {text_at(c, "name"), u.s, text_at(c, "how")};
        page_row(p, &t, cells);
    }
    struct words u = words_amount(1e3 * number_at(b, "standard_Ah"), 3, "");
    struct words U = words_amount(1e3 * number_at(b, "expanded_Ah"), 3, "");
    const char *combined[] = {"combined", u.s, "root of the sum of squares (GUM 5.1.2)"};
    const char *expanded[] = {"expanded, k = 2", U.s, "covers about 95 %"};
    page_row(p, &t, combined);
    page_row(p, &t, expanded);
    const json_t *warmth = json_object_get(b, "temperature");
    if (json_is_object(warmth)) { /* results of older versions have none */
        double u_mAh = 1e3 * number_at(warmth, "standard_Ah");
        struct words of_it = words_amount(u_mAh > 0 ? u_mAh : (double)NAN, 3, "");
        const char *temperature[] = {"temperature", of_it.s, text_at(warmth, "how")};
        page_row(p, &t, temperature);
    }
    page_table_end(p);
    if (json_is_false(json_object_get(b, "accuracy_known"))) {
        page_put(p, "<p class=\"aside\">The accuracy of an instrument is not known: only what the "
                    "record itself shows is in it.</p>\n");
    }
}

static void put_instruments(const json_t *run, struct page *p)
{
    static const char *const headings[] = {"Role", "Answers as", "Driver and SHA-256 of its file",
                                           NULL};
    const struct page_table t = {headings, "  m", NARROW_STACK};
    const json_t *list = json_object_get(run, "instruments");
    if (json_array_size(list) == 0 && text_at(run, "profile_sha256")[0] == '\0') {
        return;
    }
    page_heading(p, "Instruments and files");
    page_table_begin(p, &t);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *in = json_array_get(list, i);
        char driver[200];
        text_format(driver, sizeof driver, "%s %s", text_at(in, "driver"),
                    text_at(in, "driver_sha256"));
        const char *cells[] = {text_at(in, "role"), text_at(in, "identity"), driver};
        page_row(p, &t, cells);
    }
    const char *profile[] = {"profile", text_at(run, "profile"), text_at(run, "profile_sha256")};
    const char *bench[] = {"bench", text_at(run, "stand"), text_at(run, "bench_sha256")};
    page_row(p, &t, profile);
    page_row(p, &t, bench);
    page_table_end(p);
}

static void put_limits(const json_t *run, struct page *p)
{
    static const char *const headings[] = {"Limit", "Value", "Whose it is", NULL};
    const struct page_table t = {headings, " n ", NARROW_WRAP};
    const json_t *list = json_object_get(json_object_get(run, "plan"), "limits");
    if (json_array_size(list) == 0) {
        return;
    }
    page_heading(p, "Limits in force");
    page_table_begin(p, &t);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *l = json_array_get(list, i);
        char value[64], name[48];
        bool is_time = strcmp(text_at(l, "unit"), "s") == 0 && number_at(l, "value") > 60;
        text_format(value, sizeof value, "%.4g %s", number_at(l, "value"), text_at(l, "unit"));
        struct words lasts = words_duration(number_at(l, "value"));
        text_format(name, sizeof name, "%s", text_at(l, "name"));
        for (char *c = name; *c != '\0'; c++) {
            *c = *c == '_' ? ' ' : *c;
        }
        const char *cells[] = {name, is_time ? lasts.s : value, text_at(l, "source")};
        page_row(p, &t, cells);
    }
    page_table_end(p);
}

/* --- what a reader must know --- */

static void put_list(const json_t *list, const char *heading, struct page *p)
{
    if (json_array_size(list) == 0) {
        return;
    }
    page_heading(p, heading);
    page_put(p, "<ul>");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const char *text = json_string_value(json_array_get(list, i));
        page_put(p, "<li>");
        page_text(p, text != NULL ? text : "");
        page_put(p, "</li>\n");
    }
    page_put(p, "</ul>\n");
}

/* The beginning and the end of a long list, and from between them whatever is more than the
 * ordinary course: steps that begin and end are in the table of steps as well. */
static bool is_shown(size_t i, size_t n, const char *kind)
{
    static const char *const always[] = {"trip", "alarm", "notice"};
    for (size_t k = 0; k < sizeof always / sizeof always[0]; k++) {
        if (strcmp(kind, always[k]) == 0) {
            return true;
        }
    }
    return i < EVENTS_SHOWN / 2 || i + EVENTS_SHOWN / 2 >= n;
}

static void put_events(const json_t *run, struct page *p)
{
    static const char *const headings[] = {"Into the run", "Event", "What happened", NULL};
    const struct page_table t = {headings, "   ", NARROW_WRAP};
    const json_t *list = json_object_get(run, "events");
    size_t n = json_array_size(list);
    if (n == 0) {
        return;
    }
    page_heading(p, "Events");
    page_table_begin(p, &t);
    size_t shown = 0;
    for (size_t i = 0; i < n && shown < EVENTS_MOST; i++) {
        const json_t *v = json_array_get(list, i);
        if (!is_shown(i, n, text_at(v, "kind"))) {
            continue;
        }
        shown++;
        struct words at = words_duration(number_at(v, "t_s"));
        const char *cells[] = {at.s, text_at(v, "kind"), text_at(v, "text")};
        page_row(p, &t, cells);
    }
    page_table_end(p);
    page_format(p,
                n > shown ? "<p class=\"aside\">%zu of the ordinary course %s left out.</p>\n" : "",
                n - shown, n - shown == 1 ? "is" : "are");
}

static void put_foot(const json_t *run, const char *sha256, struct page *p)
{
    long long nr = integer_at(run, "number");
    page_put(p, "<footer><p>Charge and energy are integrals of the measured current and power "
                "(trapezoid rule); the end at the cut-off is interpolated between two samples. "
                "Current into the battery counts positive. The curves show the least and the "
                "greatest value of each stretch, so no peak is missing. SHA-256 over the samples, "
                "which is that of the CSV file of this run (");
    page_format(p, "ampledger export %lld -o run-%lld.csv; sha256sum run-%lld.csv", nr, nr, nr);
    page_put(p, "):</p><p class=\"m\">");
    page_text(p, sha256);
    page_put(p, "</p><p>Run ");
    page_text(p, text_at(run, "id"));
    page_put(p, ", ampledger ");
    page_text(p, text_at(run, "software_version"));
    page_put(p, ". A report of measurements, not a warranty.</p></footer>\n");
}

/* The cut-off that the judged discharge was to end at. */
static double cutoff_of(const json_t *run)
{
    const json_t *plan = json_object_get(run, "plan");
    const json_t *steps = json_object_get(plan, "steps");
    const json_t *judged = json_object_get(json_object_get(plan, "acceptance"), "step");
    double cutoff_V = NAN;
    for (size_t i = 0; i < json_array_size(steps); i++) {
        const json_t *s = json_array_get(steps, i);
        bool this_one = !json_is_integer(judged) || (size_t)json_integer_value(judged) == i;
        if (strcmp(text_at(s, "kind"), "discharge") == 0 && this_one) {
            cutoff_V = number_at(s, "until_voltage_V");
        }
    }
    return cutoff_V;
}

static void put_all(const json_t *run, const struct gathering *g, const char *sha256,
                    struct page *p)
{
    char title[160];
    struct plot_marks marks = {cutoff_of(run), number_at(json_object_get(run, "trip"), "at_s")};
    text_format(title, sizeof title, "%s, run %lld", text_at(run, "battery"),
                integer_at(run, "number"));
    page_begin(p, title);
    put_head(run, p);
    plot_record_draw(&g->plot, &marks, p);
    page_pair_begin(p);
    put_result(run, p);
    page_pair_next(p);
    put_conditions(run, p);
    page_pair_end(p);
    put_steps(run, p);
    put_list(json_object_get(json_object_get(run, "result"), "notes"), "Deviations and notes", p);
    put_budget(run, p);
    put_instruments(run, p);
    page_pair_begin(p);
    put_limits(run, p);
    page_pair_next(p);
    put_events(run, p);
    put_list(json_object_get(json_object_get(run, "plan"), "warnings"), "Warnings of the plan", p);
    put_list(json_object_get(json_object_get(run, "plan"), "cautions"), "Cautions", p);
    page_pair_end(p);
    put_foot(run, sha256, p);
    page_end(p);
}

bool report_run(struct reader *r, const struct run_row *row, const json_t *run, char **html,
                struct err *e)
{
    struct gathering *g = zalloc(sizeof *g);
    struct page p = {0};
    char sha256[SHA256_TEXT_SIZE];
    double end_s = 0;
    bool ok = end_of(r, row, &end_s, e);
    plot_record_start(&g->plot, 0, end_s, isfinite(row->lead_ohm) ? row->lead_ohm : 0);
    csv_sum_start(&g->sum, row->started_utc_ns);
    ok = ok && reader_samples(r, row->nr, -1, gather, g, e);
    csv_sum_end(&g->sum, sha256);
    if (ok) {
        put_all(run, g, sha256, &p);
        *html = p.text;
    }
    free(g);
    return ok;
}
