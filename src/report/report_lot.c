/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/report_lot: how a group of batteries came out, and each of them. */
#include "report/report.h"

#include "base/file.h"
#include "report/page.h"
#include "report/plot.h"
#include "report/words.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static bool is(const json_t *o, const char *key, const char *word)
{
    return strcmp(text_at(o, key), word) == 0;
}

static void put_head(const json_t *lot, struct page *p)
{
    static const char *const standings[] = {"pass", "fail", "undecided", "untested"};
    const json_t *counts = json_object_get(lot, "counts");
    size_t n = json_array_size(json_object_get(lot, "batteries"));
    page_put(p, "<header><div class=\"kind\">Lot report</div><h1>");
    page_text(p, text_at(lot, "name"));
    page_put(p, "</h1><div class=\"say\"><span class=\"figure\">");
    page_text(p, words_count(n, "battery", "batteries").s);
    page_put(p, "</span>");
    for (size_t i = 0; i < sizeof standings / sizeof standings[0]; i++) {
        long long count = integer_at(counts, standings[i]);
        if (count > 0) {
            page_format(p, "<span class=\"verdict %s\">%lld %s</span>", standings[i], count,
                        standings[i]);
        }
    }
    page_put(p, "</div></header>\n");
}

/* Each battery with its uncertainty, in the order of the table. */
static void put_picture(const json_t *list, struct page *p)
{
    size_t n = json_array_size(list), known = 0;
    double *x = zalloc(3 * (n + 1) * sizeof *x), *y = x + n, *u = y + n;
    for (size_t i = 0; i < n; i++) {
        const json_t *b = json_array_get(list, i);
        double Ah = number_at(b, "capacity_Ah");
        if (isfinite(Ah) && !true_at(b, "lower_bound")) {
            x[known] = (double)i + 1;
            y[known] = Ah;
            u[known++] = number_at(b, "capacity_uncertainty_Ah");
        }
    }
    const struct plot_points d = {.x = x,
                                  .y = y,
                                  .u = u,
                                  .n = known,
                                  .x_name = "batteries, numbered as in the table",
                                  .y_name = "capacity, Ah",
                                  .whole = true,
                                  .limit = NAN};
    plot_points_draw(&d, p);
    free(x);
}

static void put_statistic(const json_t *lot, const char *key, const char *name, const char *unit,
                          struct page *p)
{
    const json_t *s = json_object_get(json_object_get(lot, "statistics"), key);
    char text[400];
    if (!json_is_object(s)) {
        return;
    }
    if (integer_at(s, "n") < 2) {
        text_format(text, sizeof text, "%s; how much such batteries differ is not told from one",
                    words_amount(number_at(s, "mean"), 2, unit).s);
        page_fact(p, name, text);
        return;
    }
    text_format(text, sizeof text, "%s mean of %lld, standard deviation %s, from %s to %s",
                words_amount(number_at(s, "mean"), 2, unit).s, integer_at(s, "n"),
                words_amount(number_at(s, "deviation"), 2, unit).s,
                words_amount(number_at(s, "min"), 2, unit).s,
                words_amount(number_at(s, "max"), 2, unit).s);
    page_fact(p, name, text);
    double low = number_at(s, "between_low");
    if (isfinite(low)) {
        text_format(text, sizeof text,
                    "%.0f %% of such batteries lie between %s and %s (with %.0f %% confidence, if "
                    "they are distributed normally)",
                    100 * number_at(s, "share"), words_amount(low, 2, unit).s,
                    words_amount(number_at(s, "between_high"), 2, unit).s,
                    100 * number_at(s, "confidence"));
        page_fact(p, "", text);
    }
    const json_t *outliers = json_object_get(s, "outliers");
    for (size_t i = 0; i < json_array_size(outliers); i++) {
        const char *label = json_string_value(json_array_get(outliers, i));
        page_fact(p, i == 0 ? "Stands out" : "", label != NULL ? label : "");
    }
}

static void put_statistics(const json_t *lot, struct page *p)
{
    page_heading(p, "The lot as a whole");
    page_facts_begin(p);
    put_statistic(lot, "capacity_Ah", "Capacity", "Ah", p);
    put_statistic(lot, "percent_of_rated", "Share of rated", "%", p);
    put_statistic(lot, "resistance_mOhm", "DC resistance", "mOhm", p);
    page_facts_end(p);
}

static void put_batteries(const json_t *list, struct page *p)
{
    static const char *const headings[] = {"",         "Battery",  "Verdict", "Needed",
                                           "Capacity", "Of rated", "mOhm",    "degC",
                                           "Run",      "Profile",  "Ended",   NULL};
    const struct page_table t = {headings, "n  nnnnnn  ", NARROW_SLIDE};
    page_heading(p, "Batteries, each by its newest result with a verdict");
    page_table_begin(p, &t);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *b = json_array_get(list, i);
        char number[24], run[24] = "", capacity[100], label[120];
        bool tested = !is(b, "standing", "untested");
        text_format(number, sizeof number, "%zu", i + 1);
        if (tested) {
            text_format(run, sizeof run, "%lld", integer_at(b, "run"));
        }
        text_format(capacity, sizeof capacity, "%s%s", true_at(b, "lower_bound") ? "at least " : "",
                    words_uncertain(number_at(b, "capacity_Ah"),
                                    number_at(b, "capacity_uncertainty_Ah"), "Ah")
                        .s);
        text_format(label, sizeof label, "%s%s", text_at(b, "battery"),
                    text_at(b, "retired_utc")[0] != '\0' ? ", retired" : "");
        struct words needed = words_short(number_at(b, "acceptance_Ah"), "Ah");
        struct words share = words_of_rated(b);
        struct words mOhm = words_amount(number_at(b, "resistance_mOhm"), 2, "");
        struct words degC = words_amount(number_at(b, "temperature_max_C"), 1, "");
        char ended[16];
        text_format(ended, sizeof ended, "%.10s", tested ? text_at(b, "ended_utc") : "");
        const char *cells[] = {
            number, label, text_at(b, "standing"), needed.s, capacity, share.s, mOhm.s,
            degC.s, run,   text_at(b, "profile"),  ended};
        page_row(p, &t, cells);
    }
    page_table_end(p);
}

char *report_lot(const json_t *lot)
{
    const json_t *list = json_object_get(lot, "batteries");
    struct page p = {0};
    page_begin(&p, text_at(lot, "name"));
    put_head(lot, &p);
    put_picture(list, &p);
    put_statistics(lot, &p);
    put_batteries(list, &p);
    page_put(&p, "<footer><p>Issued ");
    page_text(&p, words_now().s);
    page_put(&p, ". Bars and ± are expanded uncertainties (k = 2). A capacity that is "
                 "only a lower bound, since the battery could have gone on, is not in the "
                 "statistics. °C is the highest of the run. How each figure was found, and by "
                 "which instruments, says the report of its run.</p></footer>\n");
    page_end(&p);
    return p.text;
}
