/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/row_text: a row of batteries, and a lot, in words. */
#include "cli/row_text.h"

#include "base/file.h"
#include "cli/cli.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <string.h>

static void print_waiting(const json_t *waiting, FILE *f)
{
    static const struct column columns[] = {
        {"place", RIGHT}, {"battery", LEFT}, {"profile", LEFT}, {"added", LEFT}, {"by", LEFT}};
    struct table *t = table_new(columns, 5);
    for (size_t i = 0; i < json_array_size(waiting); i++) {
        const json_t *p = json_array_get(waiting, i);
        char place[24];
        text_format(place, sizeof place, "%lld", integer_at(p, "place"));
        struct words added = words_time(text_at(p, "added_utc"));
        const char *cells[] = {place, text_at(p, "battery"), text_at(p, "profile"), added.s,
                               text_at(p, "added_by")};
        table_add(t, cells);
    }
    table_print(t, 0, f);
}

/* "run 12, tripped", or why it was taken out. */
static void fate(const json_t *p, char *out, size_t size)
{
    const char *reason = text_at(p, "reason");
    if (integer_at(p, "run") != 0) {
        text_format(out, size, "run %lld, %s", integer_at(p, "run"), text_at(p, "outcome"));
    } else {
        text_format(out, size, "dropped%s%s", reason[0] != '\0' ? ": " : "", reason);
    }
}

static void print_before(const json_t *before, FILE *f)
{
    static const struct column columns[] = {
        {"before", LEFT}, {"profile", LEFT}, {"ended", LEFT}, {"what became of it", LEFT}};
    struct table *t = table_new(columns, 4);
    for (size_t i = 0; i < json_array_size(before); i++) {
        const json_t *p = json_array_get(before, i);
        char text[200];
        fate(p, text, sizeof text);
        struct words ended = words_time(text_at(p, "ended_utc"));
        const char *cells[] = {text_at(p, "battery"), text_at(p, "profile"), ended.s, text};
        table_add(t, cells);
    }
    table_print(t, 0, f);
}

void row_print(const json_t *document, FILE *f)
{
    const json_t *waiting = json_object_get(document, "waiting");
    const json_t *before = json_object_get(document, "before");
    if (json_array_size(waiting) == 0) {
        fprintf(f, "nothing waits at %s; see: ampledger help queue\n", text_at(document, "stand"));
    } else {
        print_waiting(waiting, f);
    }
    if (json_array_size(before) > 0) {
        fputc('\n', f);
        print_before(before, f);
    }
}

/* --- a lot --- */

static void add_member(struct table *t, const json_t *m)
{
    char run[24] = "-";
    if (integer_at(m, "run") != 0) {
        text_format(run, sizeof run, "%lld", integer_at(m, "run"));
    }
    struct words date = words_time(text_at(m, "ended_utc"));
    struct words day = words_cut(date.s, 10);
    struct words capacity =
        words_uncertain(number_at(m, "capacity_Ah"), number_at(m, "capacity_uncertainty_Ah"), "Ah");
    struct words percent = words_amount(number_at(m, "percent_of_rated"), 1, "");
    struct words resistance = words_amount(number_at(m, "resistance_mOhm"), 2, "");
    const char *cells[] = {text_at(m, "battery"),
                           text_at(m, "standing"),
                           capacity.s,
                           percent.s,
                           resistance.s,
                           day.s,
                           run};
    table_add(t, cells);
}

/* "capacity: mean 20.11 Ah, deviation 0.12 Ah; 95 % of such have at least 19.4 Ah" */
static void print_statistics(const json_t *statistics, const char *key, const char *before,
                             const char *unit, FILE *f)
{
    const json_t *s = json_object_get(statistics, key);
    const json_t *outliers = json_object_get(s, "outliers");
    char text[600];
    int digits = number_at(s, "mean") < 10 ? 3 : 2;
    if (integer_at(s, "n") < 2) {
        return;
    }
    text_format(text, sizeof text, "mean %s, deviation %s, %s to %s",
                words_amount(number_at(s, "mean"), digits, unit).s,
                words_amount(number_at(s, "deviation"), digits + 1, unit).s,
                words_amount(number_at(s, "min"), digits, "").s,
                words_amount(number_at(s, "max"), digits, unit).s);
    if (number_at(s, "at_least") > 0) {
        size_t n = strlen(text);
        text_format(text + n, sizeof text - n, "; %.0f %% of such have at least %s (%.0f %% sure)",
                    100 * number_at(s, "share"),
                    words_amount(number_at(s, "at_least"), digits, unit).s,
                    100 * number_at(s, "confidence"));
    }
    for (size_t i = 0; i < json_array_size(outliers); i++) {
        size_t n = strlen(text);
        text_format(text + n, sizeof text - n, "%s%s", i == 0 ? "; stands out: " : ", ",
                    json_string_value(json_array_get(outliers, i)));
    }
    print_wrapped(before, text, f);
}

void lot_print(const json_t *lot, FILE *f)
{
    static const struct column columns[] = {{"battery", LEFT}, {"result", LEFT}, {"capacity", LEFT},
                                            {"%", RIGHT},      {"mOhm", RIGHT},  {"date", LEFT},
                                            {"run", RIGHT}};
    const json_t *members = json_object_get(lot, "batteries");
    const json_t *counts = json_object_get(lot, "counts");
    struct table *t = table_new(columns, 7);
    for (size_t i = 0; i < json_array_size(members); i++) {
        add_member(t, json_array_get(members, i));
    }
    table_print(t, 0, f);
    fprintf(f, "\n%s: %s: %lld pass, %lld fail, %lld undecided, %lld untested\n",
            text_at(lot, "name"), words_count(json_array_size(members), "battery", "batteries").s,
            integer_at(counts, "pass"), integer_at(counts, "fail"), integer_at(counts, "undecided"),
            integer_at(counts, "untested"));
    const json_t *statistics = json_object_get(lot, "statistics");
    print_statistics(statistics, "capacity_Ah", "capacity:   ", "Ah", f);
    print_statistics(statistics, "resistance_mOhm", "resistance: ", "mOhm", f);
}

int lot_exit_status(const json_t *lot)
{
    size_t all = json_array_size(json_object_get(lot, "batteries"));
    long long passed = integer_at(json_object_get(lot, "counts"), "pass");
    return (long long)all == passed ? EXIT_DONE : EXIT_FAILED;
}
