/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/run_text: runs in words: the list, the headline, the document. */
#include "cli/run_text.h"

#include "base/file.h"
#include "cli/cli.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <string.h>

static bool is(const json_t *o, const char *key, const char *word)
{
    return strcmp(text_at(o, key), word) == 0;
}

/* How it ended, in a word or two: the verdict where there is one; of a run that was cut short
 * whether what it had delivered is enough. */
static struct words result_in_brief(const json_t *run)
{
    struct words w;
    const char *verdict = text_at(run, "verdict");
    const json_t *enough = json_object_get(run, "enough");
    text_format(w.s, sizeof w.s, "%s%s",
                !is_whole(run)       ? text_at(run, "outcome")
                : verdict[0] != '\0' ? verdict
                                     : "done",
                json_is_true(enough)    ? ", enough"
                : json_is_false(enough) ? ", short"
                                        : "");
    return w;
}

void runs_print(const json_t *runs, FILE *f)
{
    static const struct column columns[] = {{"run", RIGHT},   {"started", LEFT}, {"battery", LEFT},
                                            {"Ah", RIGHT},    {"%", RIGHT},      {"result", LEFT},
                                            {"profile", LEFT}};
    size_t n = json_array_size(runs);
    if (n == 0) {
        fputs("no runs yet\n", f);
        return;
    }
    struct table *t = table_new(columns, 7);
    for (size_t i = 0; i < n; i++) {
        const json_t *r = json_array_get(runs, i);
        char number[24], started[17];
        text_format(number, sizeof number, "%lld", integer_at(r, "number"));
        text_format(started, sizeof started, "%s", words_time(text_at(r, "started_utc")).s);
        struct words capacity = words_bounded(r, "capacity_Ah", 2);
        struct words percent = words_bounded(r, "percent_of_rated", 1);
        struct words result = result_in_brief(r);
        const char *cells[] = {number,    started,  text_at(r, "battery"), capacity.s,
                               percent.s, result.s, text_at(r, "profile")};
        table_add(t, cells);
    }
    table_print(t, 0, f);
}

static const char *first_word(const json_t *run, const json_t *result)
{
    static const struct {
        const char *outcome, *word;
    } outcomes[] = {
        {"running", "RUNNING"}, {"stopped", "STOPPED"},         {"tripped", "TRIPPED"},
        {"aborted", "ABORTED"}, {"interrupted", "INTERRUPTED"},
    };
    for (size_t i = 0; i < sizeof outcomes / sizeof outcomes[0]; i++) {
        if (is(run, "outcome", outcomes[i].outcome)) {
            return outcomes[i].word;
        }
    }
    if (is(result, "verdict", "pass")) {
        return "PASS";
    }
    if (is(result, "verdict", "fail")) {
        return "FAIL";
    }
    return is(result, "verdict", "undecided") ? "UNDECIDED" : "DONE";
}

/* A run that trips before it could discharge has no capacity. */
static void delivered_in_words(const json_t *run, const json_t *result, char *out, size_t size)
{
    double capacity = number_at(result, "capacity_Ah");
    double rated = number_at(json_object_get(run, "battery_record"), "rated_Ah");
    bool bound = true_at(result, "lower_bound");
    char of_rated[64] = "";
    if (!isfinite(capacity)) {
        text_format(out, size, "%s: no capacity was measured", text_at(run, "battery"));
        return;
    }
    if (isfinite(rated) && isfinite(number_at(result, "percent_of_rated"))) {
        text_format(of_rated, sizeof of_rated, " of %s rated: %s", words_short(rated, "Ah").s,
                    words_of_rated(result).s);
    }
    const json_t *budget = json_object_get(result, "uncertainty");
    bool sampling_alone = json_is_false(json_object_get(budget, "accuracy_known"));
    struct words enough = words_enough(result);
    text_format(out, size, "%s delivered %s%s%s%s%s%s", text_at(run, "battery"),
                bound ? "at least " : "",
                words_uncertain(capacity, number_at(result, "capacity_uncertainty_Ah"), "Ah").s,
                of_rated, enough.s[0] != '\0' ? "; " : "", enough.s,
                sampling_alone ? "; the uncertainty is that of sampling alone, the accuracy of the "
                                 "instruments was not given"
                               : "");
}

void run_headline(const json_t *run, FILE *f)
{
    const json_t *result = json_object_get(run, "result");
    char delivered[400], first[24];
    delivered_in_words(run, result, delivered, sizeof delivered);
    text_format(first, sizeof first, "%s  ", first_word(run, result));
    print_wrapped(first, delivered, f);
}

int run_exit_status(const json_t *run)
{
    const json_t *result = json_object_get(run, "result");
    if (!is_whole(run)) {
        return EXIT_REFUSED;
    }
    return is(result, "verdict", "fail") || is(result, "verdict", "undecided") ? EXIT_FAILED
                                                                               : EXIT_DONE;
}

json_t *run_document(const json_t *run)
{
    static const char *const promised[] = {
        "capacity_Ah",     "capacity_uncertainty_Ah",
        "energy_Wh",       "duration_s",
        "mean_voltage_V",  "end_reason",
        "verdict",         "percent_of_rated",
        "resistance_mOhm", "temperature_max_C",
        "samples",         "trip",
    };
    json_t *result = json_object_get(run, "result");
    json_t *o = json_deep_copy(run);
    json_object_del(o, "result");
    if (json_is_object(result)) {
        json_object_update(o, result); /* its steps say all that the run's say, and more */
    }
    json_object_set(o, "samples", json_object_get(run, "samples"));
    for (size_t i = 0; i < sizeof promised / sizeof promised[0]; i++) {
        if (json_object_get(o, promised[i]) == NULL) {
            json_object_set_new(o, promised[i], json_null());
        }
    }
    return o;
}
