/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/report_battery: one battery's life: its results, the law through them, the limit. */
#include "report/report.h"

#include "analysis/fade.h"
#include "base/clock.h"
#include "base/file.h"
#include "report/page.h"
#include "report/plot.h"
#include "report/words.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const json_t *course_of(const json_t *trend, const char *quantity)
{
    return json_object_get(json_object_get(trend, quantity), "by_date");
}

static struct fade_fit law_of(const json_t *course)
{
    struct fade_fit f = {FADE_NONE, number_at(course, "a"), number_at(course, "b"), NAN};
    for (int law = 0; law < FADE_LAWS; law++) {
        if (strcmp(fade_law_names[law], text_at(course, "law")) == 0) {
            f.law = (enum fade_law)law;
        }
    }
    return f;
}

static double law_value(const void *of, double x)
{
    return fade_value(of, x);
}

/* --- picture --- */

static double days_between(const char *from, const char *to)
{
    int64_t a = 0, b = 0;
    struct err none = {0};
    if (!clock_parse_utc(from, &a, &none) || !clock_parse_utc(to, &b, &none)) {
        return NAN;
    }
    return (double)(b - a) / (double)NS_PER_S / 86400;
}

static void put_picture(const json_t *trend, struct page *p)
{
    const json_t *points = json_object_get(trend, "points"), *course = course_of(trend, "capacity");
    size_t n = json_array_size(points);
    double *x = zalloc(3 * (n + 1) * sizeof *x), *y = x + n, *u = y + n;
    const char *first = text_at(json_array_get(points, 0), "utc");
    for (size_t i = 0; i < n; i++) {
        const json_t *o = json_array_get(points, i);
        x[i] = days_between(first, text_at(o, "utc"));
        y[i] = number_at(o, "capacity_Ah");
        u[i] = number_at(o, "capacity_uncertainty_Ah");
    }
    struct fade_fit law = law_of(course);
    char name[80];
    text_format(name, sizeof name, "%.0f %% of the %s", number_at(trend, "limit_percent"),
                text_at(trend, "reference"));
    struct plot_points d = {.x = x,
                            .y = y,
                            .u = u,
                            .n = n,
                            .x_name = "days since the first result",
                            .y_name = "Ah",
                            .limit = number_at(trend, "limit_Ah"),
                            .limit_name = name};
    if (n > 0 && true_at(course, "enough")) {
        double crossing = number_at(course, "crossing");
        d.law = law_value;
        d.of = &law;
        d.law_to = isfinite(crossing) ? fmin(fmax(crossing, x[n - 1]), 3 * x[n - 1]) : x[n - 1];
    }
    plot_points_draw(&d, p);
    free(x);
}

/* --- words --- */

static void put_date(char out[16], const char *utc, const char *otherwise)
{
    text_format(out, 16, "%.10s", utc[0] != '\0' ? utc : otherwise);
}

static void put_outlook(const json_t *trend, struct page *p)
{
    const json_t *course = course_of(trend, "capacity");
    char text[400], at[16], low[16], high[16];
    double percent = number_at(trend, "limit_percent");
    put_date(at, text_at(course, "crossing_utc"), "-");
    put_date(low, text_at(course, "crossing_low_utc"), "open");
    put_date(high, text_at(course, "crossing_high_utc"), "open");
    if (!true_at(course, "enough")) {
        text_format(text, sizeof text, "When it falls below %.0f %%: %s.", percent,
                    text_at(course, "why_not"));
    } else if (strcmp(text_at(course, "law"), "none") == 0 || true_at(course, "never")) {
        text_format(text, sizeof text, "No fall towards %.0f %% is seen in these results.",
                    percent);
    } else {
        text_format(text, sizeof text,
                    "By the law \"%s\" it falls below %.0f %% on %s (95 %% interval: %s to %s).%s",
                    text_at(course, "law"), percent, at, low, high,
                    true_at(course, "far_beyond_data")
                        ? " That is more than twice as far as the results go: take it with care."
                        : "");
    }
    page_put(p, "<p>");
    page_text(p, text);
    page_put(p, "</p>\n");
}

static void put_head(const json_t *battery, const json_t *trend, struct page *p)
{
    const json_t *points = json_object_get(trend, "points");
    size_t n = json_array_size(points);
    const json_t *last = n > 0 ? json_array_get(points, n - 1) : NULL;
    page_put(p, "<header><div class=\"kind\">Battery report</div><h1>");
    page_text(p, text_at(battery, "label"));
    page_put(p, "</h1><div class=\"say\"><span class=\"figure\">");
    page_text(p, last == NULL ? "not tested yet"
                              : words_uncertain(number_at(last, "capacity_Ah"),
                                                number_at(last, "capacity_uncertainty_Ah"), "Ah")
                                    .s);
    page_put(p, "</span><span class=\"aside\">");
    if (last != NULL) {
        char text[160];
        text_format(text, sizeof text, "%s of the %s, %.10s",
                    words_amount(number_at(last, "percent_of_reference"), 1, "%").s,
                    text_at(trend, "reference"), text_at(last, "utc"));
        page_text(p, text);
    }
    page_put(p, "</span></div>\n");
    put_outlook(trend, p);
    page_put(p, "</header>\n");
}

static void put_points(const json_t *trend, struct page *p)
{
    static const char *const headings[] = {"Run",  "Began", "Cycles", "Capacity", "Share",
                                           "mOhm", "degC",  "From",   NULL};
    const struct page_table t = {headings, "n nnnnn ", NARROW_SLIDE};
    const json_t *points = json_object_get(trend, "points");
    const json_t *comparable = json_object_get(trend, "comparable");
    page_heading(p, "Comparable results");
    if (json_is_object(comparable)) {
        page_put(p, "<p class=\"aside\">");
        page_text(p, words_comparable(comparable).s);
        page_put(p, "</p>\n");
    }
    page_table_begin(p, &t);
    for (size_t i = 0; i < json_array_size(points); i++) {
        const json_t *o = json_array_get(points, i);
        char run[32];
        text_format(run, sizeof run, "%lld", integer_at(o, "run"));
        struct words began = words_time(text_at(o, "started_utc"));
        struct words cycles = words_amount(number_at(o, "cycles"), 1, "");
        struct words Ah = words_uncertain(number_at(o, "capacity_Ah"),
                                          number_at(o, "capacity_uncertainty_Ah"), "Ah");
        struct words share = words_amount(number_at(o, "percent_of_reference"), 1, "%");
        struct words mOhm = words_amount(number_at(o, "resistance_mOhm"), 2, "");
        struct words degC = words_amount(number_at(o, "temperature_C"), 1, "");
        const char *from = text_at(o, "imported");
        const char *cells[] = {run,     began.s, cycles.s, Ah.s,
                               share.s, mOhm.s,  degC.s,   from[0] != '\0' ? from : "here"};
        page_row(p, &t, cells);
    }
    page_table_end(p);
}

static void put_left_out(const json_t *trend, struct page *p)
{
    static const char *const headings[] = {"Run", "Left out because", NULL};
    const struct page_table t = {headings, "n ", NARROW_WRAP};
    const json_t *list = json_object_get(trend, "left_out");
    if (json_array_size(list) == 0) {
        return;
    }
    page_heading(p, "Not compared");
    page_table_begin(p, &t);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *o = json_array_get(list, i);
        char run[32];
        text_format(run, sizeof run, "%lld", integer_at(o, "run"));
        const char *cells[] = {run, text_at(o, "why")};
        page_row(p, &t, cells);
    }
    page_table_end(p);
}

static void put_battery(const json_t *b, struct page *p)
{
    char cells[80];
    text_format(cells, sizeof cells, "%s, %lld in series", text_at(b, "chemistry"),
                integer_at(b, "cells"));
    page_heading(p, "The battery");
    page_facts_begin(p);
    page_fact(p, "Cells", cells);
    page_fact(p, "Rated", words_rated(b).s);
    page_fact(p, "Lot", text_at(b, "lot"));
    page_fact(p, "Note", text_at(b, "note"));
    page_fact(p, "Registered", words_time(text_at(b, "created_utc")).s);
    page_fact(p, "Retired",
              text_at(b, "retired_utc")[0] != '\0' ? words_time(text_at(b, "retired_utc")).s : "");
    page_facts_end(p);
}

char *report_battery(const json_t *battery, const json_t *trend)
{
    struct page p = {0};
    page_begin(&p, text_at(battery, "label"));
    put_head(battery, trend, &p);
    put_picture(trend, &p);
    put_points(trend, &p);
    put_left_out(trend, &p);
    put_battery(battery, &p);
    page_put(&p, "<footer><p>Issued ");
    page_text(&p, words_now().s);
    page_put(&p, ". Bars are expanded uncertainties (k = 2). The law is fitted robustly "
                 "and chosen by AICc; the interval is a bootstrap of its residuals, and says when "
                 "the law meets the limit. Cycles are ampere-hours discharged in recorded runs "
                 "over the rated capacity.</p></footer>\n");
    page_end(&p);
    return p.text;
}
