/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/trend: the verb trend: how a battery ages. */
#include "base/file.h"
#include "base/quantity.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <string.h>

static void print_points(const json_t *document, FILE *f)
{
    static const struct column columns[] = {{"run", RIGHT}, {"begun", LEFT},  {"cycles", RIGHT},
                                            {"Ah", RIGHT},  {"share", RIGHT}, {"mOhm", RIGHT},
                                            {"degC", RIGHT}};
    const json_t *points = json_object_get(document, "points");
    struct table *t = table_new(columns, 7);
    bool any_from_elsewhere = false;
    for (size_t i = 0; i < json_array_size(points); i++) {
        const json_t *p = json_array_get(points, i);
        char run[32];
        bool from_elsewhere = text_at(p, "imported")[0] != '\0';
        any_from_elsewhere = any_from_elsewhere || from_elsewhere;
        text_format(run, sizeof run, from_elsewhere ? "* %lld" : "%lld", integer_at(p, "run"));
        struct words begun = words_time(text_at(p, "utc"));
        struct words cycles = words_amount(number_at(p, "cycles"), 1, "");
        struct words Ah = words_amount(number_at(p, "capacity_Ah"), 3, "");
        struct words share = words_amount(number_at(p, "percent_of_reference"), 1, "%");
        struct words mOhm = words_amount(number_at(p, "resistance_mOhm"), 2, "");
        struct words degC = words_amount(number_at(p, "temperature_C"), 1, "");
        const char *cells[] = {run, begun.s, cycles.s, Ah.s, share.s, mOhm.s, degC.s};
        table_add(t, cells);
    }
    table_print(t, 2, f);
    fputs(any_from_elsewhere ? "  * recorded elsewhere, taken from a file\n" : "", f);
}

static void date_only(char out[16], const char *utc)
{
    text_format(out, 16, "%.10s", utc[0] != '\0' ? utc : "ever");
}

static void print_cycles(const json_t *course, FILE *f)
{
    double high = number_at(course, "crossing_high");
    fprintf(f, "at %.0f cycles (95 %%: %.0f to ", number_at(course, "crossing"),
            number_at(course, "crossing_low"));
    if (isnan(high)) {
        fprintf(f, "never)");
    } else {
        fprintf(f, "%.0f)", high);
    }
}

static void print_dates(const json_t *course, FILE *f)
{
    char at[16], low[16], high[16];
    if (text_at(course, "crossing_low_utc")[0] == '\0' &&
        text_at(course, "crossing_high_utc")[0] == '\0') {
        fprintf(f, "it cannot be told when: the results allow any date");
        return;
    }
    date_only(at, text_at(course, "crossing_utc"));
    date_only(low, text_at(course, "crossing_low_utc"));
    date_only(high, text_at(course, "crossing_high_utc"));
    fprintf(f, "on %s (95 %%: %s to %s)", at, low, high);
}

static void print_course(const json_t *course, const char *name, bool by_date, FILE *f)
{
    fprintf(f, "  %s: ", name);
    if (!true_at(course, "enough")) {
        fprintf(f, "%s\n", text_at(course, "why_not"));
        return;
    }
    const char *law = text_at(course, "law");
    if (strcmp(law, "none") == 0) {
        fprintf(f, "no change is seen\n");
        return;
    }
    fprintf(f, "by the law \"%s\" ", law);
    if (true_at(course, "never")) {
        fprintf(f, "it never gets there");
    } else if (by_date) {
        print_dates(course, f);
    } else {
        print_cycles(course, f);
    }
    long long outliers = integer_at(course, "outliers");
    if (outliers > 0) {
        fprintf(f, "; %lld outlier%s not counted", outliers, outliers == 1 ? "" : "s");
    }
    if (true_at(course, "far_beyond_data")) {
        fprintf(f, "; more than twice as far as the results go: take it with care");
    }
    fprintf(f, "\n");
}

static void print_quantity(const json_t *document, const char *key, FILE *f)
{
    const json_t *courses = json_object_get(document, key);
    print_course(json_object_get(courses, "by_cycles"), "by cycles", false, f);
    print_course(json_object_get(courses, "by_date"), "by date", true, f);
}

static void print_left_out(const json_t *document, FILE *f)
{
    const json_t *list = json_object_get(document, "left_out");
    if (json_array_size(list) > 0) {
        fprintf(f, "left out:\n");
    }
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *o = json_array_get(list, i);
        char before[64];
        long long round = integer_at(o, "round");
        text_format(before, sizeof before,
                    round > 1 ? "  run %lld, round %lld: " : "  run %lld: ", integer_at(o, "run"),
                    round);
        print_wrapped(before, text_at(o, "why"), f);
    }
}

static void print_trend(const json_t *document, FILE *f)
{
    const json_t *comparable = json_object_get(document, "comparable");
    const json_t *points = json_object_get(document, "points");
    fprintf(f, "%s: %s%s%s\n", text_at(document, "battery"),
            words_count(json_array_size(points), "comparable result", "comparable results").s,
            json_is_object(comparable) ? ": " : "",
            json_is_object(comparable) ? words_comparable(comparable).s : "");
    if (json_array_size(points) > 0) {
        print_points(document, f);
        struct words limit = words_short(number_at(document, "limit_Ah"), "Ah");
        fprintf(f, "capacity below %.0f %% (%s) of the %s:\n", number_at(document, "limit_percent"),
                limit.s, text_at(document, "reference"));
        print_quantity(document, "capacity", f);
        const json_t *below = json_object_get(document, "first_below_limit");
        if (json_is_object(below)) {
            fprintf(f, "  it was below first in run %lld\n", integer_at(below, "run"));
        }
        if (integer_at(json_object_get(json_object_get(document, "resistance"), "by_date"),
                       "points") > 0) {
            fprintf(f, "resistance above twice the first:\n");
            print_quantity(document, "resistance", f);
        }
    }
    print_left_out(document, f);
}

static void print_peaks(const json_t *document, FILE *f)
{
    static const struct column columns[] = {{"run", RIGHT}, {"V", RIGHT}, {"Ah/V", RIGHT}};
    const json_t *discharges = json_object_get(document, "discharges");
    struct table *t = table_new(columns, 3);
    for (size_t i = 0; i < json_array_size(discharges); i++) {
        const json_t *d = json_array_get(discharges, i);
        const json_t *peaks = json_object_get(d, "peaks");
        for (size_t k = 0; k < json_array_size(peaks); k++) {
            const json_t *p = json_array_get(peaks, k);
            char run[32] = "";
            text_format(run, sizeof run, k == 0 ? "%lld" : "", integer_at(d, "run"));
            struct words volts = words_amount(number_at(p, "voltage_V"), 3, "");
            struct words height = words_amount(number_at(p, "height_Ah_per_V"), 2, "");
            const char *cells[] = {run, volts.s, height.s};
            table_add(t, cells);
        }
    }
    size_t n = json_array_size(discharges);
    fprintf(f, "%s: peaks of dQ/dV over %s, smoothed over %.1f mV\n", text_at(document, "battery"),
            words_count(n, "comparable discharge", "comparable discharges").s,
            1e3 * number_at(document, "smoothed_over_V"));
    table_print(t, 2, f);
}

/* `below` NULL: the usual limit. */
static bool add_below(char path[CLIENT_PATH_SIZE], const char *below, struct err *e)
{
    struct quantity part;
    size_t n = strlen(path);
    if (below == NULL) {
        return true;
    }
    if (!quantity_parse_as(below, DIM_BIT(DIM_RATIO), &part, e)) {
        return err_prefix(e, "--below");
    }
    return text_format(path + n, CLIENT_PATH_SIZE - n, "?below=%.9g", 100 * part.value) ||
           err_set(e, ERR_CONFIG, "--below: the battery's label is too long");
}

int verb_trend(struct cli *c, int argc, char **argv)
{
    const char *label = NULL;
    bool peaks = false;
    const char *below = NULL;
    const struct option_spec options[] = {{.name = "peaks", .flag = &peaks},
                                          {.name = "below", .wants = "PART", .text = &below}};
    const struct operand_spec operand = {"BATTERY", &label, true};
    const struct args_spec spec = {options, 2, &operand, 1};
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    json_t *document = NULL;
    if (!args_read(&spec, c, argc, argv, &e) ||
        !client_path(path, "/v1/batteries/", label, peaks ? "/peaks" : "/trend", &e) ||
        !add_below(path, below, &e) || !ask_get(c, path, &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(document);
    } else if (peaks) {
        print_peaks(document, stdout);
    } else {
        print_trend(document, stdout);
    }
    json_decref(document);
    return EXIT_DONE;
}
