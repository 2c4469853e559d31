/* SPDX-License-Identifier: GPL-3.0-or-later
 * plan: fits a profile to a battery and a stand: quantities, steps, expectation
 * and acceptance. Limits, problems and warnings are beside: plan_*.c. */
#include "profile/plan.h"

#include "base/file.h"
#include "profile/plan_work.h"

#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const voltage_source_names[] = {"two-wire", "remote-sense", "meter", NULL};
const char *const attempts_names[] = {"last", "best", "mean", NULL};

/* --- notes --- */

/* The last place tells that there was more. */
PRINTF_LIKE(3, 0)
static void add_note(struct plan_notes *n, const char *place, const char *fmt, va_list args)
{
    if (n->count == PLAN_NOTES_MAX) {
        text_format(n->text[PLAN_NOTES_MAX - 1], PLAN_NOTE_SIZE,
                    "and more than can be listed here; mend the others first");
        return;
    }
    char *text = n->text[n->count++];
    text_format(text, PLAN_NOTE_SIZE, "%s", place);
    size_t used = strlen(text);
    vsnprintf(text + used, PLAN_NOTE_SIZE - used, fmt, args);
}

void plan_problem(struct plan_work *w, int line, const char *fmt, ...)
{
    char place[sizeof w->profile->path + 16] = "";
    if (line > 0) {
        const char *path = w->profile->path;
        size_t n = strlen(path);
        /* A long path loses its front, so that the sentence has room. */
        bool cut = n > 96;
        text_format(place, sizeof place, "%s%s:%d: ", cut ? "..." : "", cut ? path + n - 93 : path,
                    line);
    }
    va_list args;
    va_start(args, fmt);
    add_note(&w->plan->problems, place, fmt, args);
    va_end(args);
}

void plan_warning(struct plan_work *w, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    add_note(&w->plan->warnings, "", fmt, args);
    va_end(args);
}

void plan_doubt_full(struct plan *p, const char *why)
{
    struct plan_work w = {.plan = p};
    if (p->starts_full && why[0] != '\0') {
        text_format(p->full_doubt, sizeof p->full_doubt, "%s", why);
        plan_warning(&w, "%s", why);
    }
}

void plan_caution(struct plan_work *w, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    add_note(&w->plan->cautions, "", fmt, args);
    va_end(args);
}

/* --- quantities --- */

double resolve_voltage(const struct plan_work *w, const struct written *q)
{
    if (!q->present) {
        return NAN;
    }
    return q->q.dimension == DIM_VOLTAGE_PER_CELL ? q->q.value * w->battery->cells : q->q.value;
}

double resolve_current(const struct plan_work *w, const struct written *q)
{
    if (!q->present) {
        return NAN;
    }
    return q->q.dimension == DIM_RELATIVE_CURRENT ? q->q.value * w->battery->rated_Ah : q->q.value;
}

double resolve_charge(const struct plan_work *w, const struct written *q)
{
    if (!q->present) {
        return NAN;
    }
    return q->q.dimension == DIM_RATIO ? q->q.value * w->battery->rated_Ah : q->q.value;
}

bool lacks_rating(const struct plan_work *w, const struct written *q)
{
    return q->present && isnan(w->battery->rated_Ah) &&
           (q->q.dimension == DIM_RELATIVE_CURRENT || q->q.dimension == DIM_RATIO);
}

double full_voltage(const struct plan_work *w)
{
    double per_cell =
        isnan(w->chemistry->full_charge_V) ? w->chemistry->ceiling_V : w->chemistry->full_charge_V;
    return per_cell * w->battery->cells;
}

double nominal_voltage(const struct plan_work *w)
{
    return w->chemistry->nominal_V * w->battery->cells;
}

/* --- what the steps do --- */

bool step_charges(const struct plan_step *s)
{
    return s->current_A > 0;
}

bool step_discharges(const struct plan_step *s)
{
    return s->current_A < 0;
}

double largest_current(const struct plan_work *w, bool charging)
{
    double largest = 0;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        double current_A = w->plan->steps[i].current_A;
        largest = fmax(largest, charging ? current_A : -current_A);
    }
    return largest;
}

double coldest_charge_voltage(const struct plan_work *w, const struct plan_step *s)
{
    double coldest_C = fmax(w->chemistry->charge_min_C, w->profile->limits.temperature_min.q.value);
    if (!w->profile->limits.temperature_min.present) {
        coldest_C = w->chemistry->charge_min_C;
    }
    double shift_V = s->charge_V_per_K * (coldest_C - s->compensation_C);
    return s->charge_V_per_K < 0 ? s->charge_V + fmax(0, shift_V) : s->charge_V;
}

double mean_current(const struct plan_work *w, const struct plan_step *s)
{
    switch (s->drive) {
    case DRIVE_POWER:
        return s->power_W / nominal_voltage(w);
    case DRIVE_RESISTANCE:
        return nominal_voltage(w) / s->resistance_ohm;
    case DRIVE_OFF:
    case DRIVE_CURRENT:
        break;
    }
    return fabs(s->current_A);
}

size_t first_flowing(const struct plan *p)
{
    for (size_t i = 0; i < p->step_count; i++) {
        if (step_charges(&p->steps[i]) || step_discharges(&p->steps[i])) {
            return i;
        }
    }
    return SIZE_MAX;
}

bool filled_before(const struct plan *p, size_t i)
{
    for (size_t k = 0; k < i; k++) {
        if (p->steps[k].kind == STEP_CHARGE || p->steps[k].kind == STEP_HOLD) {
            return true;
        }
    }
    return false;
}

/* --- texts --- */

const char *duration_text(double s, char out[DURATION_TEXT_SIZE])
{
    if (s >= S_PER_H) {
        text_format(out, DURATION_TEXT_SIZE, "%.4g h", s / S_PER_H);
    } else if (s >= 60) {
        text_format(out, DURATION_TEXT_SIZE, "%.3g min", s / 60);
    } else {
        text_format(out, DURATION_TEXT_SIZE, "%.3g s", s);
    }
    return out;
}

static const char *unit_of(enum dimension d)
{
    switch ((unsigned)d) {
    case DIM_CURRENT:
        return "A";
    case DIM_RELATIVE_CURRENT:
        return "C";
    case DIM_VOLTAGE:
        return "V";
    case DIM_VOLTAGE_PER_CELL:
        return "V/cell";
    case DIM_CHARGE:
        return "Ah";
    case DIM_TIME:
        return "s";
    case DIM_TEMPERATURE:
        return "degC";
    case DIM_ENERGY:
        return "Wh";
    case DIM_TEMPERATURE_RATE:
        return "degC/min";
    case DIM_RATIO:
        return "%";
    case DIM_POWER:
        return "W";
    case DIM_RESISTANCE:
        return "Ohm";
    default:
        return ""; /* no other is read from a profile */
    }
}

const char *written_text(const struct written *q, char out[WRITTEN_TEXT_SIZE])
{
    if (q->q.dimension == DIM_TIME) {
        char duration[DURATION_TEXT_SIZE];
        text_format(out, WRITTEN_TEXT_SIZE, "%s", duration_text(q->q.value, duration));
        return out;
    }
    double times = q->q.dimension == DIM_RATIO ? 100 : 1;
    text_format(out, WRITTEN_TEXT_SIZE, "%.4g %s", q->q.value * times, unit_of(q->q.dimension));
    return out;
}

void need_rating(struct plan_work *w, const struct written *q, const char *instead)
{
    if (lacks_rating(w, q)) {
        char text[WRITTEN_TEXT_SIZE];
        plan_problem(w, q->line,
                     "%s is relative to the rated capacity, and battery \"%s\" has none: register "
                     "its rated capacity, or write %s",
                     written_text(q, text), w->battery->label, instead);
    }
}

/* --- acceptance --- */

static void plan_accept(struct plan_work *w)
{
    const struct profile_acceptance *a = &w->profile->acceptance;
    w->plan->accept_Ah = NAN;
    w->plan->correction = correction_choice_none();
    if (!a->present) {
        return;
    }
    need_rating(w, &a->capacity, "the capacity in Ah");
    for (size_t i = 0; i < w->plan->step_count; i++) {
        if (strcmp(w->plan->steps[i].name, a->step) == 0) {
            w->plan->judged = true;
            w->plan->judged_step = i;
        }
    }
    w->plan->accept_Ah = resolve_charge(w, &a->capacity);
    w->plan->guard_share = a->guard_share;
    w->plan->attempts = (enum attempts)a->counts;
    plan_correct(w);
}

/* --- the whole --- */

bool plan_make(const struct profile *p, const struct battery *b, const struct stand_facts *stand,
               struct plan **out, struct err *e)
{
    if ((unsigned)b->chemistry >= CHEM_COUNT) {
        return err_set(e, ERR_BUG, "battery \"%s\" has the unknown chemistry number %d", b->label,
                       (int)b->chemistry);
    }
    struct plan *plan = zalloc(sizeof *plan);
    plan->battery = *b;
    plan->step_count = p->step_count;
    plan->steps = zalloc(p->step_count * sizeof *plan->steps);
    memcpy(plan->profile, p->name, sizeof plan->profile);
    plan->resume_within_s = p->resume_within_s;
    plan->starts_full = p->full_confirmed;
    if (stand != NULL) {
        memcpy(plan->stand, stand->name, sizeof plan->stand);
    }
    struct plan_work w = {
        .profile = p,
        .battery = b,
        .stand = stand,
        .chemistry = chemistry_data(b->chemistry),
        .plan = plan,
    };
    plan_steps(&w);
    plan_accept(&w);
    plan_expect(&w);
    plan_limits(&w);
    plan_check(&w);
    plan_check_charge(&w);
    plan_warn(&w);
    plan_advise(&w);
    *out = plan;
    return true;
}

void plan_free(struct plan *p)
{
    if (p == NULL) {
        return;
    }
    for (size_t i = 0; i < p->step_count; i++) {
        free(p->steps[i].segments);
    }
    free(p->steps);
    free(p);
}
