/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse_text: a result in words. */
#include "cli/analyse_text.h"

#include "cli/analyse_found.h"

#include <math.h>
#include <string.h>

#define WIDTH 79
#define LABEL_WIDTH 13
/* Ampere-hours against voltage mean something for one current only. */
#define STEADY_CURRENT 0.2

/* Digits after the point so that the uncertainty shows two of its own. */
static int decimals_for(double uncertainty)
{
    if (!(uncertainty > 0))
        return 4;
    double digits = 1 - floor(log10(uncertainty));
    return (int)fmin(fmax(digits, 0), 6);
}

struct duration_text {
    char text[48];
};

static struct duration_text duration_of(double seconds)
{
    struct duration_text out;
    long whole = lround(seconds);
    if (seconds < 60)
        snprintf(out.text, sizeof out.text, "%.3g s", seconds);
    else if (whole < 3600)
        snprintf(out.text, sizeof out.text, "%ld min %ld s", whole / 60, whole % 60);
    else
        snprintf(out.text, sizeof out.text, "%ld h %ld min %ld s", whole / 3600, whole / 60 % 60,
                 whole % 60);
    return out;
}

/* "  - text" with the following lines indented, broken at spaces. */
static void print_wrapped(FILE *f, const char *first, const char *rest, const char *text)
{
    const char *lead = first;
    while (*text != '\0') {
        size_t room = WIDTH - strlen(lead);
        size_t n = strlen(text);
        if (n > room) {
            n = room;
            while (n > 0 && text[n] != ' ')
                n--;
            if (n == 0)
                n = room;
        }
        fprintf(f, "%s%.*s\n", lead, (int)n, text);
        text += n;
        text += strspn(text, " ");
        lead = rest;
    }
}

static void label(FILE *f, const char *name)
{
    fprintf(f, "  %-*s ", LABEL_WIDTH, name);
}

static void print_charge(FILE *f, const struct analyse_request *q, const struct capacity_result *r)
{
    double expanded = r->uncertainty.expanded_Ah;
    int decimals = decimals_for(expanded);
    label(f, r->kind == RECORD_CHARGE ? "charge" : "capacity");
    fprintf(f, "%s%.*f Ah +- %.*f Ah (k = 2)", r->lower_bound ? "at least " : "", decimals,
            r->capacity_Ah, decimals, expanded);
    if (!isnan(r->percent_of_rated))
        fprintf(f, ", %.1f %% of rated %.6g Ah", r->percent_of_rated, q->options.rated_Ah);
    fputc('\n', f);
    double expanded_Wh = COVERAGE_FACTOR * r->uncertainty.energy_standard_Wh;
    decimals = decimals_for(expanded_Wh);
    label(f, "energy");
    fprintf(f, "%.*f Wh", decimals, r->energy_Wh);
    if (expanded_Wh > 0)
        fprintf(f, " +- %.*f Wh", decimals, expanded_Wh);
    if (!isnan(r->mean_voltage_V))
        fprintf(f, ", mean voltage %.4f V", r->mean_voltage_V);
    fputc('\n', f);
}

/* The corrected value beside the measured one, and by what. */
static void print_correction(FILE *f, const struct analyse_request *q,
                             const struct capacity_result *r)
{
    const struct acceptance *a = &q->acceptance;
    const struct correction_info *info = &correction_rules[a->correction.rule];
    struct correction_answer c;
    double expanded;
    char text[640], share[64] = "";
    if (a->correction.rule == CORRECTION_NONE || r->kind != RECORD_DISCHARGE)
        return;
    capacity_correct(r, a, &c, &expanded);
    int decimals = decimals_for(expanded);
    if (!isnan(r->percent_of_rated))
        snprintf(share, sizeof share, ", %.1f %% of rated", c.factor * r->percent_of_rated);
    if (c.applied)
        snprintf(
            text, sizeof text,
            "%.*f Ah +- %.*f Ah at %.4g degC%s, by %s from %.1f degC (%s), times %.5g", decimals,
            c.capacity_Ah, decimals, expanded, c.reference_C, share, info->name, c.temperature_C,
            isnan(a->correction.temperature_C) ? correction_moment_name(info->moment) : "stated",
            c.factor);
    else
        snprintf(text, sizeof text, "not by %s: %s", info->name, c.why);
    print_wrapped(f, "  corrected     ", "                ", text);
    snprintf(text, sizeof text, "%s%s%s; %s", info->lead_acid_only ? "for lead-acid; " : "",
             c.verified ? ""
                        : "unverified, from memory, so no "
                          "verdict rests on it; ",
             info->formula, info->source);
    print_wrapped(f, "                ", "                ", text);
    if (c.remark[0] != '\0')
        print_wrapped(f, "                ", "                ", c.remark);
}

static void print_course(FILE *f, const struct analyse_request *q, const struct capacity_result *r)
{
    if (!isnan(r->mean_current_A)) {
        label(f, "current");
        fprintf(f, "%s %.4g A, mean under load\n", record_kind_name(r->kind),
                fabs(r->mean_current_A));
    }
    label(f, "time");
    fprintf(f, "%s", duration_of(r->duration_s).text);
    if (fabs(r->duration_s - r->loaded_s) >= 1)
        fprintf(f, ", under load %s", duration_of(r->loaded_s).text);
    fputc('\n', f);
    label(f, "voltage");
    fprintf(f, "%.4g V at the start, %.4g V at the end\n", r->start_voltage_V, r->end_voltage_V);
    if (!isnan(r->temperature_max_C)) {
        label(f, "temperature");
        fprintf(f, "%.1f degC at the start, %.1f to %.1f degC, mean %.1f degC\n",
                r->temperature_start_C, r->temperature_min_C, r->temperature_max_C,
                r->temperature_mean_C);
    }
    if (q->options.lead_ohm > 0) {
        label(f, "leads");
        fprintf(f, "%.4g mOhm out and back, taken off the voltage\n", 1e3 * q->options.lead_ohm);
    }
    label(f, "rows");
    fprintf(f, "%zu counted of %zu\n", r->samples_counted, r->samples);
}

/* How the uncertainty entered the verdict. */
static const char *by_which_rule(const struct acceptance *a, const struct capacity_result *r)
{
    if (a->rule == DECISION_SIMPLE) {
        return ", uncertainty aside";
    }
    return r->uncertainty.accuracy_known ? ", uncertainty included"
                                         : ", with the uncertainty of sampling alone: state the "
                                           "instrument's accuracy before you rely on it";
}

static void undecided_in_words(const struct acceptance *a, const struct capacity_result *r,
                               char *out, size_t size)
{
    if (r->faulty)
        snprintf(out, size, "undecided: the record is of a test that failed");
    else if (correction_withholds(r, a))
        snprintf(out, size, "undecided: the correction asked for cannot be relied on here");
    else if (r->lower_bound && r->capacity_Ah < a->limit_Ah)
        snprintf(out, size, "undecided: the record ends before the cut-off, short of %.6g Ah",
                 a->limit_Ah);
    else
        snprintf(out, size, "undecided: the %.6g Ah wanted lie within the uncertainty",
                 a->limit_Ah);
}

static void print_verdict(FILE *f, const struct analyse_request *q, const struct capacity_result *r)
{
    const struct acceptance *a = &q->acceptance;
    const char *corrected = correction_decides(&a->correction) ? ", corrected" : "";
    char text[256] = "none: a charge does not show what the battery can deliver";
    if (isnan(a->limit_Ah))
        return;
    switch (capacity_verdict(r, a)) {
    case VERDICT_NONE:
        break;
    case VERDICT_PASS:
        snprintf(text, sizeof text, "pass: at least the %.6g Ah wanted%s%s", a->limit_Ah, corrected,
                 by_which_rule(a, r));
        break;
    case VERDICT_FAIL:
        snprintf(text, sizeof text, "fail: less than the %.6g Ah wanted%s%s", a->limit_Ah,
                 corrected, by_which_rule(a, r));
        break;
    case VERDICT_UNDECIDED:
        undecided_in_words(a, r, text, sizeof text);
        break;
    }
    fputc('\n', f);
    print_wrapped(f, "  verdict       ", "                ", text);
}

static void print_influence(FILE *f, const char *name, const char *standard, const char *how)
{
    char text[256];
    snprintf(text, sizeof text, "%-23s %11s  %s", name, standard, how);
    print_wrapped(f, "  ", "                                       ", text);
}

static void print_budget(FILE *f, const struct analyse_request *q, const struct capacity_result *r)
{
    const struct uncertainty_budget *b = &r->uncertainty;
    struct temperature_term warmth;
    char standard[32] = "-";
    if (b->count == 0)
        return;
    fprintf(f, "\nUncertainty, standard, of the charge:\n");
    for (size_t i = 0; i < b->count; i++) {
        const struct uncertainty_component *c = &b->component[i];
        if (!(c->standard_Ah > 0))
            continue;
        snprintf(standard, sizeof standard, "%8.2g Ah", c->standard_Ah);
        print_influence(f, c->name, standard, c->how);
    }
    capacity_temperature_term(r, &q->acceptance, &warmth);
    snprintf(standard, sizeof standard, warmth.standard_Ah > 0 ? "%8.2g Ah" : "-",
             warmth.standard_Ah);
    print_influence(f, "temperature", standard, warmth.how);
}

/* For the alarm or the cut-off of somebody's own equipment. */
static void print_voltages(FILE *f, const struct capacity_result *r)
{
    if (r->voltage_count == 0 || r->current_varies > STEADY_CURRENT)
        return;
    fprintf(f,
            "\nAt this current, when the voltage under load has fallen to\n"
            "         V   Ah delivered   %s\n",
            r->lower_bound ? "Ah remaining, at least" : "Ah remaining");
    for (size_t i = 0; i < r->voltage_count; i++)
        fprintf(f, "  %8.3f   %12.3f   %12.3f\n", r->voltage[i].voltage_V,
                r->voltage[i].delivered_Ah, fmax(r->voltage[i].remaining_Ah, 0));
}

void analyse_print(FILE *f, const struct analyse_request *q, const struct analyse_findings *found)
{
    const struct capacity_result *r = &found->result;
    fprintf(f, "%s: %s", q->file, record_kind_name(r->kind));
    if (q->options.rule != END_WHOLE && r->kind == RECORD_DISCHARGE)
        fprintf(f, " to %.6g V", q->options.cutoff_V);
    fprintf(f, ", %s\n\n", end_reason_text(r->end_reason));
    if (r->faulty) {
        label(f, "record");
        fprintf(f, "FAULTY: a %s that failed, see the notes\n", record_kind_name(r->kind));
    }
    print_charge(f, q, r);
    print_correction(f, q, r);
    print_course(f, q, r);
    print_verdict(f, q, r);
    print_voltages(f, r);
    analyse_print_findings(f, q, found);
    print_budget(f, q, r);
    if (r->notes.count > 0)
        fprintf(f, "\nNotes (rows are counted from 1 after the header):\n");
    for (size_t i = 0; i < r->notes.count; i++)
        print_wrapped(f, "  - ", "    ", r->notes.text[i]);
}
