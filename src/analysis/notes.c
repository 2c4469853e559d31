/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/notes: what a careful reader of the record would remark, in short
 * sentences with row numbers. */
#include "analysis/stretch.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

/* Remarks on charge below this share of the result are left out. */
#define WORTH_A_NOTE 2e-4
/* And below this share of the expanded uncertainty, where all of it is in anyhow. */
#define WORTH_OF_U 0.1
/* Fewer readings at rest tell no zero error: one of them may have caught a switch. */
#define REST_ROWS_LEAST 5
#define FALLEN_WHILE_CHARGING 0.97

static void note(struct analysis_notes *n, const char *fmt, ...) PRINTF_LIKE(2, 3);

static void note(struct analysis_notes *n, const char *fmt, ...)
{
    if (n->count == ANALYSIS_NOTES_MAX) {
        n->dropped++;
        return;
    }
    va_list args;
    va_start(args, fmt);
    vsnprintf(n->text[n->count], sizeof n->text[0], fmt, args);
    va_end(args);
    n->count++;
}

struct rows_text {
    char text[80];
};

static struct rows_text rows_of(const struct row_span *s)
{
    struct rows_text out;
    if (s->count == 1)
        snprintf(out.text, sizeof out.text, "row %zu", s->first);
    else if (s->count == s->last - s->first + 1)
        snprintf(out.text, sizeof out.text, "rows %zu to %zu", s->first, s->last);
    else
        snprintf(out.text, sizeof out.text, "%zu rows from %zu to %zu", s->count, s->first,
                 s->last);
    return out;
}

static double in_Ah(double charge_As)
{
    return fabs(charge_As) / SECONDS_PER_HOUR;
}

/* Charge that is worth a remark. */
static double worth_As(const struct stretch *s, const struct uncertainty_budget *b)
{
    return fmax(WORTH_A_NOTE * s->charge_As, WORTH_OF_U * b->expanded_Ah * SECONDS_PER_HOUR);
}

static void note_start(const struct charge_accumulator *a, const struct stretch *s,
                       const struct uncertainty_budget *b, struct analysis_notes *n)
{
    const struct record_signs *g = &a->signs;
    const struct edge *on = s->kind == RECORD_CHARGE ? &g->charge_on : &g->discharge_on;
    double open_As = fabs(on->current_A * on->interval_s);

    if (s->from_full)
        note(n,
             "the record begins with a charge of %.4g Ah: the discharge is counted from row %zu, "
             "where the battery was fullest",
             in_Ah(s->charged_before_As), s->start.at.row);
    if (g->before.rows.count > 0 && !a->options.step_of_run)
        note(n, "%s: at rest before the first load", rows_of(&g->before.rows).text);
    if (on->row != 0 && isnan(on->interval_s))
        note(n, "row %zu is already under load (%.4g A): what flowed before it is not counted",
             on->row, fabs(on->current_A));
    else if (open_As > worth_As(s, b))
        note(n,
             "the load came on at an unknown moment in the %.4g s before row %zu: up to %.2g Ah "
             "are uncertain",
             on->interval_s, on->row, in_Ah(open_As));
}

static void note_not_reached(const struct charge_accumulator *a, const struct stretch *s,
                             const struct uncertainty_budget *b, struct analysis_notes *n)
{
    const struct record_signs *g = &a->signs;
    note(n,
         "the voltage under load never fell to the cut-off of %.4g V (lowest %.4g V in row "
         "%zu): the battery can deliver at least this much",
         a->options.cutoff_V, g->lowest_loaded_V, g->lowest_loaded_row);
    if (g->collapse_row != 0)
        note(n,
             "row %zu: current and voltage vanished together, from %.4g V to %.4g V, far above "
             "the cut-off: a lead, a contact or the protection circuit",
             g->collapse_row, g->collapse_from_V, g->collapse_to_V);
    if (g->discharge_off.row == 0)
        note(n, "the record ends under load in row %zu", s->end.at.row);
    else if (fabs(g->discharge_off.current_A * g->discharge_off.interval_s) > worth_As(s, b))
        note(n,
             "the load went off at an unknown moment in the %.4g s before row %zu: up to %.2g "
             "Ah more are not counted",
             g->discharge_off.interval_s, g->discharge_off.row,
             in_Ah(g->discharge_off.current_A * g->discharge_off.interval_s));
}

static void note_end(const struct charge_accumulator *a, const struct stretch *s,
                     const struct uncertainty_budget *b, struct analysis_notes *n)
{
    const struct record_signs *g = &a->signs;
    double last_As = fabs(s->end.at.current_A * s->shape.interval_s);

    if (s->reason == END_REASON_NOT_REACHED)
        note_not_reached(a, s, b, n);
    if (s->reason == END_REASON_PROTECTION)
        note(n,
             "row %zu: the current stopped by itself and the voltage collapsed: the battery's "
             "protection circuit opened",
             s->end.at.row);
    if (s->reason == END_REASON_CROSSED && last_As > worth_As(s, b))
        note(n,
             "coarse at the end: the interval before row %zu is %.4g s long, %.2g %% of the "
             "capacity",
             s->end.at.row, s->shape.interval_s, 100 * last_As / s->charge_As);
    if (g->dips.count > 0)
        note(
            n,
            "%s: under load the voltage dips through the cut-off, to %.4g V, and is above it again "
            "for more than the %.2g Ah delivered by then: the early dip of a lead-acid battery "
            "or a contact, and not the end",
            rows_of(&g->dips).text, g->dip_lowest_V, g->dip_Ah);
    if (s->reason == END_REASON_CROSSED && g->above_after_end_row != 0)
        note(n,
             "row %zu: under load above the cut-off again after the end in row %zu: an early "
             "dip or a loose lead may have ended the count too soon",
             g->above_after_end_row, s->end.at.row);
    if (g->after.rows.count > 0)
        note(n, "%s: at rest after the last load", rows_of(&g->after.rows).text);
    if (s->kind == RECORD_DISCHARGE && g->charging.count > 0 && g->charging.last > s->end.at.row)
        note(n, "the battery is charged after row %zu; that is not counted", s->end.at.row);
}

static void note_direction(const struct charge_accumulator *a, const struct stretch *s,
                           struct analysis_notes *n)
{
    const struct record_signs *g = &a->signs;
    const struct row_span *other = s->kind == RECORD_CHARGE ? &g->discharging : &g->charging;
    bool inside =
        other->count > 0 && other->last > s->start.at.row && other->first <= s->end.at.row;

    bool before = s->kind == RECORD_CHARGE && g->backwards.count > 0 && g->charging.count > 0;
    if (inside && before)
        note(n,
             "%s: before the charge begins up to %.3g A flow the other way, a switching transient "
             "or a wrong sign; %.2g Ah, counted with their sign",
             rows_of(&g->backwards).text, g->backwards_A, in_Ah(s->opposite_As));
    else if (inside && s->opposite_As > 0)
        note(n,
             "%s: the current flows the other way (%.3g Ah in the part counted); it is counted "
             "with its sign",
             rows_of(other).text, in_Ah(s->opposite_As));
    if (s->kind == RECORD_CHARGE && g->charging.count > 0 &&
        g->charging_last_V < FALLEN_WHILE_CHARGING * g->charging_first_V)
        note(n,
             "the voltage falls from %.4g V to %.4g V while the current reads as a charge: is "
             "its sign right?",
             g->charging_first_V, g->charging_last_V);
    if (stretch_is_faulty(a, s))
        note(n,
             "faulty: the voltage jumps as no battery's does and current flows for only %.3g s of "
             "%.4g s: a %s that failed, its numbers say nothing of the battery",
             s->loaded_s, s->duration_s, record_kind_name(s->kind));
    else if (s->loaded_s < MOSTLY_REST * s->duration_s)
        note(n, "under load for only %.4g s of %.4g s", s->loaded_s, s->duration_s);
}

static void note_temperature(const struct record_signs *g, struct analysis_notes *n)
{
    size_t without = g->rows - g->warm.count;
    if (g->warm.count == 0)
        note(n, "no temperature in the record: it is not known at which one this was measured");
    else if (without > 0)
        note(n,
             "no temperature in %zu of %zu rows: between the others it is taken to change evenly",
             without, g->rows);
}

static void note_rows(const struct charge_accumulator *a, const struct stretch *s,
                      struct analysis_notes *n)
{
    const struct record_signs *g = &a->signs;
    if (g->late.rows > 0)
        note(n,
             "%zu row%s stood out of order (line %zu: time goes back from %.8g s to %.8g s) and "
             "%s put in order of time; rows are counted after that",
             g->late.rows, g->late.rows == 1 ? "" : "s", g->late.first_line, g->late.from_s,
             g->late.to_s, g->late.rows == 1 ? "was" : "were");
    if (g->unknown.count > 0)
        note(n, "%s: no voltage or no current, left out", rows_of(&g->unknown).text);
    if (g->repeated.count > 0)
        note(n, "%s: time stamp repeated, adds nothing", rows_of(&g->repeated).text);
    if (g->gaps.count > 0)
        note(n,
             "%s: gap of more than %.4g s before it (longest %.4g s), bridged by a straight "
             "line; %.3g Ah of the result come from gaps",
             rows_of(&g->gaps).text, a->options.gap_s, g->longest_gap_s,
             in_Ah(s->end.gap_As - s->start.gap_As));
    if (g->still.count > 0)
        note(
            n,
            "%s: the current steps from %.3g A to %.3g A and the voltage reads the same as before: "
            "they were not read at one moment, or the row is out of order; no resistance is made "
            "of that",
            rows_of(&g->still).text, g->still_from_A + 0.0, g->still_to_A + 0.0);
    note_temperature(g, n);
    if (g->jumps.count > 0)
        note(n, "%s: the voltage jumps from %.4g V to %.4g V: a faulty reading or a faulty record",
             rows_of(&g->jumps).text, g->jump_from_V, g->jump_to_V);
}

/* A mean within its own standard error is as good as none. */
static bool tells_zero_error(const struct charge_accumulator *a, double rest_A)
{
    size_t n = a->signs.before.summed + a->signs.after.summed;
    return n >= REST_ROWS_LEAST && fabs(rest_A) > stretch_rest_noise_A(a, 0);
}

static void note_rest_current(const struct charge_accumulator *a, const struct stretch *s,
                              const struct uncertainty_budget *b, struct analysis_notes *n)
{
    double rest_A = stretch_rest_current_A(a);
    double shift_As = fabs(rest_A) * s->loaded_s;
    if (a->options.net_of_rest && isnan(rest_A))
        note(n, "no rest in the record: there is no rest current to take off");
    else if (a->options.net_of_rest)
        note(n, "net of the %.3g A read at rest: %.2g Ah are taken off", rest_A,
             s->rest_As / SECONDS_PER_HOUR);
    else if (tells_zero_error(a, rest_A) && shift_As > worth_As(s, b))
        note(n,
             "the current reads %.3g A at rest: as a zero error it would shift the result by "
             "%.2g Ah",
             rest_A, in_Ah(shift_As));
}

void notes_write(const struct charge_accumulator *a, const struct stretch *s,
                 const struct uncertainty_budget *budget, struct analysis_notes *out)
{
    *out = (struct analysis_notes){.count = 0};
    note_rows(a, s, out);
    note_start(a, s, budget, out);
    note_direction(a, s, out);
    note_end(a, s, budget, out);
    note_rest_current(a, s, budget, out);
    if (!budget->accuracy_known)
        note(out, "instrument accuracy not given: uncertainty covers sampling only");
}
