/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/stand_text: a stand in words. */
#include "cli/stand_text.h"

#include "base/file.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <string.h>

#define INDENT "    "
#define OLD_READING_S 5.0

static bool is_running(const json_t *stand)
{
    return strcmp(text_at(stand, "phase"), "running") == 0;
}

static void print_reading(const json_t *stand, FILE *f)
{
    const json_t *r = json_object_get(stand, "reading");
    double age = number_at(r, "age_s");
    if (!isfinite(age)) {
        fputs("no reading yet\n", f);
        return;
    }
    fprintf(f, "%s  %s  %s", words_amount(number_at(r, "voltage_V"), 2, "V").s,
            words_current(number_at(r, "current_A")).s,
            words_amount(number_at(r, "temperature_C"), 1, "degC").s);
    if (age > OLD_READING_S) {
        fprintf(f, "  (%s ago)", words_duration(age).s);
    }
    fputc('\n', f);
}

static void print_run(const json_t *stand, FILE *f)
{
    const json_t *run = json_object_get(stand, "run");
    char text[400];
    if (!json_is_object(run)) {
        return;
    }
    if (is_running(stand)) {
        progress_line(stand, text, sizeof text);
        fprintf(f, INDENT "%s on %s\n", text_at(run, "profile"), text_at(run, "battery"));
        print_wrapped(INDENT, text, f);
    } else {
        text_format(text, sizeof text, "last run: %lld, %s on %s, %s", integer_at(run, "number"),
                    text_at(run, "profile"), text_at(run, "battery"), text_at(run, "outcome"));
        print_wrapped(INDENT, text, f);
    }
}

static void print_instruments(const json_t *stand, FILE *f)
{
    static const struct column columns[] = {{NULL, LEFT}, {NULL, LEFT}, {NULL, LEFT}};
    const json_t *list = json_object_get(stand, "instruments");
    struct table *t = table_new(columns, 3);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *in = json_array_get(list, i);
        char what[800];
        const char *identity = text_at(in, "identity");
        const char *problem = text_at(in, "problem");
        text_format(what, sizeof what, "%s%s%s", text_at(in, "link"),
                    identity[0] != '\0' ? ", " : "", identity);
        const char *cells[] = {text_at(in, "role"), text_at(in, "driver"), what};
        table_add(t, cells);
        if (problem[0] != '\0') {
            const char *trouble[] = {"", "", problem};
            table_add(t, trouble);
        }
    }
    table_print(t, strlen(INDENT), f);
}

void stand_hold_line(const json_t *stand, char *out, size_t size)
{
    const json_t *hold = json_object_get(json_object_get(stand, "run"), "hold");
    out[0] = '\0';
    if (json_is_object(hold)) {
        text_format(out, size, "WAITS for you since %s: %s; then: ampledger confirm %s",
                    words_time(text_at(hold, "since_utc")).s, text_at(hold, "say"),
                    text_at(stand, "name"));
    }
}

void stand_print_next(const json_t *stand, FILE *f)
{
    const json_t *next = json_object_get(stand, "next");
    long long waiting = integer_at(next, "waiting");
    char text[500], more[40] = "";
    if (!json_is_object(next)) {
        return;
    }
    if (waiting > 1) {
        text_format(more, sizeof more, "; %lld wait in all", waiting);
    }
    if (text_at(next, "say")[0] != '\0') {
        text_format(text, sizeof text, "%s%s", text_at(next, "say"), more);
        print_wrapped(INDENT "WAITS for you: ", text, f);
    } else {
        text_format(text, sizeof text, "%s (%s)%s", text_at(next, "battery"),
                    text_at(next, "profile"), more);
        print_wrapped(INDENT "next: ", text, f);
    }
}

void stand_print_trouble(const json_t *stand, FILE *f)
{
    const json_t *trip = json_object_get(stand, "trip");
    char text[600];
    if (true_at(stand, "output_unconfirmed")) {
        print_wrapped(INDENT "DISCONNECT BY HAND: ",
                      "an output could not be confirmed off; take the battery off its leads by "
                      "hand, then see to the instrument",
                      f);
    }
    if (json_is_object(trip)) {
        text_format(text, sizeof text, "%s (%s); look at the battery, then: ampledger clear %s",
                    text_at(trip, "sentence"), words_time(text_at(trip, "at")).s,
                    text_at(stand, "name"));
        print_wrapped(INDENT "TRIPPED: ", text, f);
    }
    stand_hold_line(stand, text, sizeof text);
    if (text[0] != '\0') {
        print_wrapped(INDENT, text, f);
    }
    if (text_at(stand, "problem")[0] != '\0') {
        print_wrapped(INDENT "problem: ", text_at(stand, "problem"), f);
    }
    stand_print_next(stand, f);
}

void stand_print(const json_t *stand, FILE *f)
{
    fprintf(f, "%s  %s  ", text_at(stand, "name"), text_at(stand, "phase"));
    print_reading(stand, f);
    stand_print_trouble(stand, f);
    print_run(stand, f);
    print_instruments(stand, f);
}

double progress_share(const json_t *stand)
{
    const json_t *run = json_object_get(stand, "run");
    double elapsed = number_at(run, "elapsed_s");
    double left = number_at(run, "left_s");
    double all = elapsed + left;
    return all > 0 ? fmin(1, fmax(0, elapsed / all)) : (double)NAN;
}

/* "78.2 of 125.0 Ah" of the present step; "" at rest. */
static struct words amount_done(const json_t *run)
{
    struct words w = {""};
    double discharged = number_at(run, "discharged_Ah");
    double charged = number_at(run, "charged_Ah");
    double done = charged > discharged ? charged : discharged;
    double expected = number_at(run, "expected_Ah");
    if (!(done > 0)) {
        return w;
    }
    int decimals = fmax(done, expected) < 10 ? 2 : 1;
    if (isfinite(expected) && expected > 0) {
        text_format(w.s, sizeof w.s, "%.*f of %.*f Ah", decimals, done, decimals, expected);
        return w;
    }
    return words_amount(done, decimals, "Ah");
}

static struct words time_left(const json_t *run)
{
    struct words w = {"time left unknown"};
    double left = number_at(run, "left_s");
    if (left <= 0) {
        return (struct words){"longer than expected"};
    }
    if (isfinite(left)) {
        text_format(w.s, sizeof w.s, "%s left", words_duration(left).s);
    }
    return w;
}

/* "ends 06:12 CET"; "" when it cannot be known. */
static struct words end_expected(const json_t *run)
{
    struct words w = {""};
    const char *end = text_at(run, "expected_end_utc");
    if (end[0] != '\0' && number_at(run, "left_s") > 0) {
        text_format(w.s, sizeof w.s, "ends %s", words_time_of_day(end).s);
    }
    return w;
}

static struct words readings(const json_t *stand, const char *gap)
{
    struct words w;
    const json_t *r = json_object_get(stand, "reading");
    text_format(w.s, sizeof w.s, "%s%s%s%s%s", words_amount(number_at(r, "voltage_V"), 2, "V").s,
                gap, words_current(number_at(r, "current_A")).s, gap,
                words_amount(number_at(r, "temperature_C"), 1, "degC").s);
    return w;
}

/* ", round 3 of 50"; "" outside of groups. */
static struct words round_of(const json_t *run, const char *before, const char *between)
{
    struct words w = {""};
    if (integer_at(run, "rounds") > 1) {
        text_format(w.s, sizeof w.s, "%s%lld%s%lld", before, integer_at(run, "round"), between,
                    integer_at(run, "rounds"));
    }
    return w;
}

void progress_line(const json_t *stand, char *out, size_t size)
{
    const json_t *run = json_object_get(stand, "run");
    struct words done = amount_done(run);
    struct words end = end_expected(run);
    text_format(out, size, "step %lld of %lld, %s%s: %s%s%s, %s%s%s", integer_at(run, "step") + 1,
                integer_at(run, "step_count"), text_at(run, "step_name"),
                round_of(run, ", round ", " of ").s, readings(stand, ", ").s,
                done.s[0] != '\0' ? ", " : "", done.s, time_left(run).s,
                end.s[0] != '\0' ? ", " : "", end.s);
}

#define BAR_WIDTH 20
#define BAR_BESIDE_ROUNDS 10
#define NAME_WIDTH 12

static void draw_bar(double share, size_t width, char out[BAR_WIDTH + 1])
{
    size_t full = isfinite(share) ? (size_t)(share * (double)width + 0.5) : 0;
    memset(out, '#', full);
    memset(out + full, '-', width - full);
    out[width] = '\0';
}

void progress_lines(const json_t *stand, struct progress_lines *out)
{
    const size_t size = sizeof out->first;
    const json_t *run = json_object_get(stand, "run");
    double share = progress_share(stand);
    char bar[BAR_WIDTH + 1];
    struct words done = amount_done(run);
    char where[100];
    struct words round = round_of(run, " r", "/"), end = end_expected(run);
    struct words percent = words_amount(100 * share, 0, "%");
    draw_bar(share, round.s[0] != '\0' ? BAR_BESIDE_ROUNDS : BAR_WIDTH, bar);
    text_format(where, sizeof where, "%s  %lld/%lld %s%s",
                words_cut(text_at(stand, "name"), NAME_WIDTH).s, integer_at(run, "step") + 1,
                integer_at(run, "step_count"), words_cut(text_at(run, "step_name"), NAME_WIDTH).s,
                round.s);
    text_format(out->first, size, "%s  [%s]  %s  %s", where, bar, percent.s, end.s);
    if (text_width(out->first) > out->width) { /* the bar says no more than the percent */
        text_format(out->first, size, "%s  %s  %s", where, percent.s, end.s);
    }
    text_format(out->second, size, "  %s%s%s  %s", readings(stand, "  ").s,
                done.s[0] != '\0' ? "  " : "", done.s, time_left(run).s);
    if (text_width(out->second) > out->width) {
        text_format(out->second, size, "  %s  %s", readings(stand, "  ").s, time_left(run).s);
    }
    text_cut_to(out->first, out->width);
    text_cut_to(out->second, out->width);
}
