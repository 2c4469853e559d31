/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_resistance: the resistances of a log in words. */
#include "cli/analyse_resistance.h"

#include "base/file.h"
#include "cli/analyse_found.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* More lines than this are for a script. */
#define LINES_MAX 40

static double at_mark_mOhm(const struct pulse_change *c, double mark_s)
{
    for (size_t i = 0; i < c->count; i++) {
        if (fabs(c->instant[i].mark_s - mark_s) < 0.5) {
            return 1e3 * c->instant[i].resistance_ohm;
        }
    }
    return NAN;
}

/* "21.03 at 0.1 s" */
static struct words with_its_time(const struct pulse_instant *i)
{
    struct words out = {"-"};
    if (isfinite(i->resistance_ohm)) {
        text_format(out.s, sizeof out.s, "%.2f at %.3g s", 1e3 * i->resistance_ohm, i->after_s);
    }
    return out;
}

/* Nothing where it is the first reading, or stands under one of the marks. */
static struct words last_of(const struct pulse_change *c)
{
    const struct pulse_instant *end = pulse_last(c);
    bool shown = c->count == 1;
    for (size_t i = 0; i < c->count; i++) {
        shown = shown || fabs(end->after_s / c->instant[i].mark_s - 1) < 0.1;
    }
    return shown ? (struct words){"-"} : with_its_time(end);
}

enum { AT, FULL, CURRENT, FIRST, ONE, TEN, THIRTY, LAST, POWER, CELLS };
static const struct column change_columns[CELLS] = {
    {"at", RIGHT},   {"full", RIGHT}, {"current", LEFT}, {"first", LEFT}, {"1 s", RIGHT},
    {"10 s", RIGHT}, {"30 s", RIGHT}, {"last", LEFT},    {"W", RIGHT}};

static void change_in_words(const struct analyse_request *q, const struct analyse_findings *found,
                            const struct pulse_change *c, struct words out[CELLS])
{
    out[AT] = words_amount(c->before.t_s, 0, "s");
    out[FULL] = words_amount(analyse_state_percent(q, found, c), 0, "%");
    text_format(out[CURRENT].s, sizeof out[CURRENT].s, "%.3g to %.3g A",
                c->method == PULSE_ON ? 0 : c->before.current_A, c->instant[0].at.current_A);
    out[FIRST] = with_its_time(&c->instant[0]);
    out[ONE] = words_amount(at_mark_mOhm(c, 1), 2, "");
    out[TEN] = words_amount(at_mark_mOhm(c, 10), 2, "");
    out[THIRTY] = words_amount(at_mark_mOhm(c, 30), 2, "");
    out[LAST] = last_of(c);
    out[POWER] = words_amount(analyse_power_W(q, c), 1, "");
}

/* What recovers after a load, and what turns from one direction to the other, stands in
 * the JSON document; a person looks for what comes from switching on. */
static bool is_for_a_person(const struct pulse_change *c)
{
    return c->method == PULSE_ON || c->method == PULSE_TWO_CURRENT;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* A drive has more steps than a person reads: what they are like, 1 s after them. */
static void print_many_changes(FILE *f, const struct pulse_watch *p)
{
    double at_1_s[PULSE_CHANGES_MAX];
    char text[256];
    size_t n = 0;
    for (size_t i = 0; i < p->count; i++) {
        double mOhm = at_mark_mOhm(&p->change[i], 1);
        if (isfinite(mOhm)) {
            at_1_s[n++] = mOhm;
        }
    }
    if (n < 4) {
        return;
    }
    qsort(at_1_s, n, sizeof at_1_s[0], by_size);
    text_format(text, sizeof text,
                "%zu steps of current were read 1 s after them: median %.2f mOhm, half of them "
                "between %.2f and %.2f mOhm; --json lists each",
                n, at_1_s[n / 2], at_1_s[n / 4], at_1_s[3 * n / 4]);
    fputs("\nDC resistance (not the 1 kHz impedance)\n", f);
    print_wrapped("  ", text, f);
}

/* Columns that hold nothing are left out. */
static void print_table_of(FILE *f, struct words (*rows)[CELLS], size_t n)
{
    struct column columns[CELLS];
    size_t shown[CELLS], width = 0;
    for (size_t k = 0; k < CELLS; k++) {
        bool holds = false;
        for (size_t i = 0; i < n; i++) {
            holds = holds || strcmp(rows[i][k].s, "-") != 0;
        }
        if (holds) {
            shown[width] = k;
            columns[width++] = change_columns[k];
        }
    }
    struct table *t = table_new(columns, width);
    for (size_t i = 0; i < n; i++) {
        const char *cells[CELLS];
        for (size_t k = 0; k < width; k++) {
            cells[k] = rows[i][shown[k]].s;
        }
        table_add(t, cells);
    }
    fputs("\nDC resistance, mOhm, so long after a step of current (not the 1 kHz impedance)\n", f);
    if (shown[width - 1] == POWER) {
        fputs("W: power of a pulse to the cut-off or the charge voltage, by that at 10 s\n", f);
    }
    table_print(t, 2, f);
}

static void print_changes(FILE *f, const struct analyse_request *q,
                          const struct analyse_findings *found)
{
    struct words rows[LINES_MAX][CELLS];
    const struct pulse_watch *p = &found->pulses;
    size_t lines = 0;
    for (size_t i = 0; i < p->count; i++) {
        if (is_for_a_person(&p->change[i]) && lines++ < LINES_MAX) {
            change_in_words(q, found, &p->change[i], rows[lines - 1]);
        }
    }
    if (lines > LINES_MAX) {
        print_many_changes(f, p);
    } else if (lines > 0) {
        print_table_of(f, rows, lines);
    }
}

static void print_two_current(FILE *f, const struct two_current *t)
{
    char text[640], pause[48] = "", shorted[48] = "", within[32] = "";
    if (isfinite(t->pause_s)) {
        text_format(pause, sizeof pause, ", %.0f s off between them", t->pause_s);
        text_format(shorted, sizeof shorted, ", short-circuit current %.4g A", t->line.short_A);
    }
    if (isfinite(t->line.u_ohm)) {
        text_format(within, sizeof within, " +- %.2g mOhm (k = 2)",
                    1e3 * COVERAGE_FACTOR * t->line.u_ohm);
    }
    text_format(text, sizeof text,
                "%.4g mOhm%s%s: %.4g V at %.4g A after %.3g s, %.4g V at %.4g A after %.3g s%s; as "
                "in %s",
                1e3 * t->line.ohm, within, shorted, t->first.voltage_V, fabs(t->first.current_A),
                t->first_s, t->second.voltage_V, fabs(t->second.current_A), t->second_s, pause,
                two_current_methods[t->method].source);
    print_wrapped("  ", text, f);
}

static void print_two_currents(FILE *f, const struct two_currents *t)
{
    if (t->count > 0) {
        fputs("\nDC resistance by two currents\n", f);
    }
    for (size_t i = 0; i < t->count; i++) {
        print_two_current(f, &t->found[i]);
    }
}

/* "71 +- 26 mOhm", or that the record does not tell it. */
static struct words with_uncertainty(double value, double expanded, const char *unit)
{
    struct words out = {"not resolved"};
    if (value > expanded) {
        int decimals = (int)fmin(fmax(1 - floor(log10(expanded)), 0), 6);
        text_format(out.s, sizeof out.s, "%.*f +- %.*f %s", decimals, value, decimals, expanded,
                    unit);
    }
    return out;
}

static void print_relaxation(FILE *f, const struct pulse_watch *p)
{
    for (size_t i = p->count; i-- > 0;) {
        const struct pulse_change *c = &p->change[i];
        const struct relaxation *r = &c->relaxation;
        if (c->method != PULSE_OFF || r->pairs == 0) {
            continue;
        }
        struct words series = with_uncertainty(1e3 * r->series_ohm, 1e3 * r->u_series_ohm, "mOhm");
        struct words end = with_uncertainty(r->end_V, r->u_end_V, "V");
        fprintf(f,
                "\nRecovery after %.0f s, when the load went off (within %.3g s); k = 2, if the\n"
                "battery behaves like the model\n  series: %s\n",
                c->before.t_s, r->switched_within_s, series.s);
        for (size_t k = 0; k < r->pairs; k++) {
            struct words ohm =
                with_uncertainty(1e3 * r->pair[k].ohm, 1e3 * r->pair[k].u_ohm, "mOhm");
            struct words tau = with_uncertainty(r->pair[k].tau_s, r->pair[k].u_tau_s, "s");
            fprintf(f, "  pair %zu: %s, %s\n", k + 1, ohm.s, tau.s);
        }
        fprintf(f, "  towards %s; the readings lie %.2g V off the curve\n", end.s, r->residual_V);
        return;
    }
}

void analyse_print_resistance(FILE *f, const struct analyse_request *q,
                              const struct analyse_findings *found)
{
    print_changes(f, q, found);
    print_two_currents(f, &found->two_currents);
    print_relaxation(f, &found->pulses);
}
