/* SPDX-License-Identifier: GPL-3.0-or-later
 * plan: fits a profile to a battery and a stand: quantities, steps, expectation
 * and acceptance. Limits, problems and warnings are beside: plan_*.c. */
#include "profile/plan.h"

#include "base/file.h"
#include "profile/plan_work.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A discharge without a longest time gets this many times what the rated
 * capacity would take: room for a battery better than its label, an end for a
 * voltage that never comes. */
#define TIME_SPARE 1.5

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

double largest_current(const struct plan_work *w)
{
    double largest = 0;
    for (size_t i = 0; i < w->plan->step_count; i++) {
        largest = fmax(largest, fabs(w->plan->steps[i].current_A));
    }
    return largest;
}

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

/* --- steps --- */

static double or_default(const struct written *q, double otherwise)
{
    return q->present ? q->q.value : otherwise;
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

/* An end in time for every discharge. */
static double longest_time(struct plan_work *w, const struct profile_step *from, double current_A)
{
    if (from->at_most_time.present) {
        return from->at_most_time.q.value;
    }
    /* fmax gives way to the one that is known. */
    double charge_Ah = resolve_charge(w, &from->at_most_charge);
    if (from->until_voltage.present) {
        charge_Ah = fmax(charge_Ah, w->battery->rated_Ah);
    }
    if (isfinite(charge_Ah)) {
        return TIME_SPARE * charge_Ah / current_A * S_PER_H;
    }
    if (!lacks_rating(w, &from->current) && !lacks_rating(w, &from->at_most_charge)) {
        plan_problem(w, from->line,
                     "step \"%s\" might never end: it has no longest time, and battery \"%s\" has "
                     "no rated capacity to work one out from; write at_most: {time: ...}",
                     from->name, w->battery->label);
    }
    return NAN;
}

/* Hours = Ah / A and Wh = Ah x nominal V (common practice, no source). `left_Ah`
 * is what the rating says is still in the battery. */
static void expect_discharge(const struct plan_work *w, struct plan_step *s, double *left_Ah)
{
    double nominal_V = w->chemistry->nominal_V * w->battery->cells;
    double current_A = fabs(s->current_A);
    s->heat_W = current_A * nominal_V;
    s->expected_Ah = *left_Ah;
    if (isfinite(*left_Ah) || isnan(s->until_V)) {
        s->expected_Ah = fmin(s->expected_Ah, s->max_Ah);
        s->expected_Ah = fmin(s->expected_Ah, current_A * s->max_s / S_PER_H);
    }
    *left_Ah -= s->expected_Ah;
    s->expected_s = s->expected_Ah / current_A * S_PER_H;
    s->expected_Wh = s->expected_Ah * nominal_V;
}

static void plan_discharge(struct plan_work *w, const struct profile_step *from,
                           struct plan_step *s, double *left_Ah)
{
    need_rating(w, &from->current, "the current in A");
    need_rating(w, &from->at_most_charge, "the charge in Ah");
    double current_A = resolve_current(w, &from->current);
    s->current_A = -current_A;
    s->until_V = resolve_voltage(w, &from->until_voltage);
    s->max_Ah = resolve_charge(w, &from->at_most_charge);
    s->max_s = longest_time(w, from, current_A);
    expect_discharge(w, s, left_Ah);
    if (!isfinite(s->max_s)) {
        s->max_s = 0; /* a problem has been listed: nothing will start */
    }
}

static void plan_rest(const struct profile_step *from, struct plan_step *s)
{
    s->max_s = from->duration.q.value;
    s->expected_s = s->max_s;
    s->expected_Ah = 0;
    s->expected_Wh = 0;
    s->heat_W = 0;
}

static struct plan_step blank_step(const struct profile_step *from)
{
    struct plan_step s = {
        .kind = from->kind,
        .drive = from->kind == STEP_DISCHARGE ? DRIVE_CURRENT : DRIVE_OFF,
        .power_W = NAN,
        .resistance_ohm = NAN,
        .charge_V = NAN,
        .compensation_C = NAN,
        .skip_above_V = NAN,
        .until_V = NAN,
        .until_A = NAN,
        .until_drop_V = NAN,
        .until_C_per_min = NAN,
        .until_V_per_h = NAN,
        .max_Ah = NAN,
        .remind_s = NAN,
        .repeat = {.of_step = SIZE_MAX,
                   .until_below_Ah = NAN,
                   .until_from_Ah = NAN,
                   .until_agree = NAN},
        .sample_s = or_default(&from->sample_every, 1.0),
    };
    memcpy(s.name, from->name, sizeof s.name);
    return s;
}

static void plan_steps(struct plan_work *w)
{
    struct plan *plan = w->plan;
    double left_Ah = w->battery->rated_Ah;
    for (size_t i = 0; i < w->profile->step_count; i++) {
        const struct profile_step *from = &w->profile->steps[i];
        struct plan_step *s = &plan->steps[i];
        *s = blank_step(from);
        switch (from->kind) {
        case STEP_DISCHARGE:
            plan_discharge(w, from, s, &left_Ah);
            break;
        case STEP_REST:
            plan_rest(from, s);
            break;
        case STEP_CHARGE:
        case STEP_PULSE:
        case STEP_HOLD:
        case STEP_REPEAT:
            plan_problem(w, from->line,
                         "step \"%s\" is a %s, and this version runs only discharge and rest: "
                         "take it out",
                         from->name, step_kind_names[from->kind]);
            break;
        }
        plan->expected_s += s->expected_s;
        plan->expected_Ah += s->expected_Ah;
        plan->expected_Wh += s->expected_Wh;
    }
}

static void plan_accept(struct plan_work *w)
{
    const struct profile_acceptance *a = &w->profile->acceptance;
    w->plan->accept_Ah = NAN;
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
    w->plan->guard_band = a->guard_band;
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
    plan_limits(&w);
    for (size_t i = 0; i < plan->step_count; i++) {
        plan->steps[i].limits = plan->limits;
    }
    plan_check(&w);
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
