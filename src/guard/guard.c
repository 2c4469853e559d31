/* SPDX-License-Identifier: GPL-3.0-or-later
 * guard: the judgement itself. Short on purpose: this is what stands between a
 * sleeping person and a hot battery. */
#include "guard/guard.h"

#include "base/file.h"

#include <math.h>

static const struct {
    const char *name, *sentence, *unit;
} reasons[] = {
#define X(code, name, sentence, unit) [code] = {name, sentence, unit},
    GUARD_REASONS(X)
#undef X
};

const char *guard_reason_name(enum guard_reason r)
{
    return reasons[r].name;
}

const char *guard_reason_sentence(enum guard_reason r)
{
    return reasons[r].sentence;
}

const char *guard_reason_unit(enum guard_reason r)
{
    return reasons[r].unit;
}

/* Reasons whose figure says for how long it has been so. */
static bool is_spell(enum guard_reason r)
{
    return r == GUARD_READING_LOST || r == GUARD_TEMPERATURE_LOST || r == GUARD_TEMPERATURE_STUCK;
}

void guard_verdict_sentence(const struct guard_verdict *v, char *out, size_t size)
{
    const char *sentence = reasons[v->reason].sentence, *unit = reasons[v->reason].unit;
    if (!isfinite(v->value) || !isfinite(v->limit)) {
        text_format(out, size, "%s", sentence);
    } else if (is_spell(v->reason)) {
        text_format(out, size, "%s for %.1f %s (limit %.5g %s)", sentence, v->value, unit, v->limit,
                    unit);
    } else {
        text_format(out, size, "%s: %.5g %s, limit %.5g %s", sentence, v->value, unit, v->limit,
                    unit);
    }
}

struct guard_limits guard_limits_none(void)
{
    return (struct guard_limits){
        .voltage_min_V = NAN,
        .voltage_max_V = NAN,
        .current_max_A = NAN,
        .temperature_min_C = NAN,
        .temperature_max_C = NAN,
        .temperature_rate_C_per_min = NAN,
        .regulation_percent = NAN,
        .charge_max_Ah = NAN,
        .energy_max_Wh = NAN,
        .step_time_max_s = NAN,
        .run_time_max_s = NAN,
        .stuck_Ah = NAN,
        .voltage_stuck_Ah = NAN,
        .disagreement_V = NAN,
        .off_current_A = NAN,
        .trust_s = 3.0,
        .temperature_required = false,
    };
}

/* --- what is remembered --- */

void guard_start(struct guard_memory *m, double now_s)
{
    *m = (struct guard_memory){
        .start_s = now_s,
        .step_start_s = now_s,
        .reading_s = now_s,
        .temperature_s = now_s,
        .away_since_s = NAN,
        .leak_since_s = NAN,
        .apart_since_s = NAN,
        .seen_lead_ohm = NAN,
        .changed_s = NAN,
        .loaded_V = NAN,
        .open_V = NAN,
        .flow_s = NAN,
        .flow_A = NAN,
        .stopped_s = NAN,
    };
    alive_start(&m->voltage);
    alive_start(&m->current);
    alive_start(&m->temperature);
    trend_start(&m->trend, now_s);
}

void guard_step_begun(struct guard_memory *m, double now_s)
{
    m->step_start_s = now_s;
    m->step_Ah = 0;
    m->step_Wh = 0;
}

/* How long voltage and current repeat while the output is on, counted in charge. */
static void remember_life(struct guard_memory *m, const struct guard_moment *at,
                          const struct sample *s, double charge_Ah)
{
    if (!at->output_on || at->changed_s != m->changed_s) {
        alive_start(&m->voltage);
        alive_start(&m->current);
    }
    m->changed_s = at->changed_s;
    if (at->output_on) {
        alive_take(&m->voltage, s->voltage_V, s->t_s);
        alive_take(&m->current, s->current_A, s->t_s);
    }
    m->voltage_Ah = m->voltage.repeats > 0 ? m->voltage_Ah + charge_Ah : 0;
    m->current_Ah = m->current.repeats > 0 ? m->current_Ah + charge_Ah : 0;
}

/* Charge and energy of the step, whatever their direction. */
static void remember_flow(struct guard_memory *m, const struct guard_moment *at,
                          const struct sample *s)
{
    double charge_Ah = 0;
    if (m->has_last) {
        charge_Ah = fabs(sample_charge_Ah(&m->last, s));
        m->step_Ah += charge_Ah;
        m->step_Wh += fabs(sample_energy_Wh(&m->last, s, at->lead_ohm));
    }
    remember_life(m, at, s, charge_Ah);
    m->last = *s;
    m->has_last = true;
}

/* Since when something has been so, without a break; NAN: it is not. */
static void remember_since(double *since_s, bool is_so, double now_s)
{
    if (!is_so) {
        *since_s = NAN;
    } else if (isnan(*since_s)) {
        *since_s = now_s;
    }
}

static double allowed_deviation(const struct guard_limits *l, const struct guard_moment *at)
{
    double share_A = l->regulation_percent / 100 * fabs(at->set_A);
    return share_A < GUARD_REGULATION_LEAST_A ? GUARD_REGULATION_LEAST_A : share_A;
}

/* How far the current is from what was set; more is always too far. */
static double deviation(const struct guard_moment *at, const struct sample *s)
{
    double more_A = at->set_A < 0 ? at->set_A - s->current_A : s->current_A - at->set_A;
    bool backwards = s->current_A * at->set_A < 0;
    if (at->set_is_most && more_A < 0) {
        return backwards ? fabs(s->current_A) : 0;
    }
    return fabs(more_A);
}

double guard_no_charge_A(double off_current_A, double set_A)
{
    return fmin(off_current_A, 0.1 * fabs(set_A)); /* gives way to the one that is known */
}

/* Has the charging current stopped at this sample as no tapering one does? last_s: of
 * the sample before. */
static bool stops(const struct guard_memory *m, const struct guard_moment *at,
                  const struct sample *s, double last_s)
{
    /* What flowed for a moment after the switch only, an inrush, began no charge. */
    bool inrush = m->flow_s - at->switched_s <= GUARD_SETTLE_S;
    if (!m->flowed || inrush) {
        bool wanted = m->open_V < (1 - GUARD_OPEN_SHARE) * at->hold_V;
        return wanted && at->now_s - at->switched_s > GUARD_BEGIN_S;
    }
    bool just_now = s->t_s - m->flow_s <= GUARD_STOP_S || m->flow_s >= last_s;
    return just_now && s->t_s - at->changed_s > GUARD_SETTLE_S;
}

static void remember_charge(const struct guard_limits *l, struct guard_memory *m,
                            const struct guard_moment *at, const struct sample *s, double last_s)
{
    double none_A = guard_no_charge_A(l->off_current_A, at->set_A);
    bool charges = at->output_on && at->set_A > 0 && isfinite(at->hold_V);
    if (!at->output_on) {
        m->open_V = sample_battery_voltage(s, at->lead_ohm);
        m->flowed = false;
        m->flow_s = m->flow_A = NAN;
    }
    if (!charges || s->current_A > none_A) {
        m->stopped_s = NAN;
    } else if (isnan(m->stopped_s) && stops(m, at, s, last_s)) {
        m->stopped_s = s->t_s;
    }
    m->flowed = m->flowed || (charges && s->current_A > none_A);
    if (charges && s->current_A >= GUARD_STOP_TIMES * none_A) {
        m->flow_s = s->t_s;
        m->flow_A = s->current_A;
    }
}

static void remember_current(const struct guard_limits *l, struct guard_memory *m,
                             const struct guard_moment *at, const struct sample *s)
{
    bool away = deviation(at, s) > allowed_deviation(l, at);
    bool leaks = fabs(s->current_A) > l->off_current_A;
    remember_since(&m->away_since_s, at->output_on && away, at->now_s);
    remember_since(&m->leak_since_s, !at->output_on && leaks, at->now_s);
    if (!at->output_on) {
        m->loaded_V = NAN;
    } else if (guard_is_loaded(s, at->set_A)) {
        m->loaded_V = sample_battery_voltage(s, at->lead_ohm);
        m->opened = false; /* it has closed again, in a later round */
    }
}

/* Do two voltages differ by more than what leads and accuracy explain? Under load
 * only: many a load reads nothing while it is off. */
static void remember_other(const struct guard_limits *l, struct guard_memory *m,
                           const struct guard_moment *at, const struct sample *s)
{
    double i = fabs(s->current_A);
    double apart_V = s->current_A < 0 ? s->voltage_V - at->other_V : at->other_V - s->voltage_V;
    bool judged = at->has_other && at->output_on && i > 0 && isfinite(apart_V);
    if (!at->output_on) {
        m->seen_lead_ohm = NAN;
    }
    if (isnan(m->seen_lead_ohm)) {
        m->apart_V = fabs(apart_V);
        m->apart_limit_V = l->disagreement_V + (apart_V > 0 ? i * GUARD_LEAD_MOST_OHM : 0);
    } else {
        double drift_ohm = GUARD_LEAD_DRIFT * m->seen_lead_ohm + GUARD_LEAD_DRIFT_OHM;
        m->apart_V = fabs(apart_V - i * m->seen_lead_ohm);
        m->apart_limit_V = l->disagreement_V + i * drift_ohm;
    }
    bool apart = judged && m->apart_V > m->apart_limit_V;
    remember_since(&m->apart_since_s, apart, at->now_s);
    if (judged && !apart && isnan(m->seen_lead_ohm) &&
        at->now_s - at->switched_s > GUARD_SETTLE_S) {
        m->seen_lead_ohm = fmax(0, apart_V) / i;
    }
}

static void remember_temperature(struct guard_memory *m, const struct guard_moment *at,
                                 const struct sample *s)
{
    trend_take(&m->trend, s->temperature_C, at->now_s);
    m->temperature_is_newest = isfinite(s->temperature_C) != 0;
    if (m->temperature_is_newest) {
        m->temperature_s = s->t_s - at->temperature_age_s;
    }
    if (m->was_on && !at->output_on) {
        alive_start(&m->temperature);
    }
    m->was_on = at->output_on;
    alive_take(&m->temperature, s->temperature_C, s->t_s);
}

static void remember(const struct guard_limits *l, struct guard_memory *m,
                     const struct guard_moment *at, const struct sample *s)
{
    remember_temperature(m, at, s);
    if (isfinite(s->voltage_V) && isfinite(s->current_A)) {
        m->reading_s = s->t_s;
        remember_charge(l, m, at, s, m->last.t_s);
        remember_flow(m, at, s);
        remember_current(l, m, at, s);
        remember_other(l, m, at, s);
    }
}

/* --- the opened circuit --- */

bool guard_is_loaded(const struct sample *s, double set_A)
{
    return set_A < 0 ? s->current_A < 0.5 * set_A : s->current_A > 0.5 * set_A;
}

enum guard_opening guard_opening(const struct sample *s, double lead_ohm, double loaded_V,
                                 double set_A, double cutoff_V)
{
    bool stopped = fabs(s->current_A) < 0.1 * fabs(set_A);
    bool collapsed = sample_battery_voltage(s, lead_ohm) < 0.5 * loaded_V;
    if (!stopped || !collapsed) {
        return OPENING_NONE;
    }
    return is_near_bottom(loaded_V, cutoff_V) ? OPENING_AT_BOTTOM : OPENING_EARLY;
}

/* --- judging --- */

static const struct guard_verdict fine = {GUARD_FINE, NAN, NAN};

/* Comparisons with NAN are false: an absent limit or reading never trips here. */
static struct guard_verdict judge(enum guard_reason reason, bool crossed, double value,
                                  double limit)
{
    return crossed ? (struct guard_verdict){reason, value, limit} : fine;
}

static struct guard_verdict first_crossed(const struct guard_verdict *verdicts, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (verdicts[i].reason != GUARD_FINE) {
            return verdicts[i];
        }
    }
    return fine;
}
#define FIRST_CROSSED(list) first_crossed(list, sizeof(list) / sizeof(list)[0])

/* Once per discharge: the sequencer ends the step at this very sample. If it did
 * not, the next sample is judged like any other. */
static struct guard_verdict judge_opening(struct guard_memory *m, const struct guard_moment *at,
                                          const struct sample *s, bool *excused)
{
    *excused = m->opened && !at->output_wanted;
    double before_V = m->loaded_V;
    if (!at->output_on || m->opened) {
        return fine;
    }
    switch (guard_opening(s, at->lead_ohm, before_V, at->set_A, at->cutoff_V)) {
    case OPENING_NONE:
        return fine;
    case OPENING_AT_BOTTOM:
        m->opened = true;
        *excused = true;
        return fine;
    case OPENING_EARLY:
        break;
    }
    return (struct guard_verdict){GUARD_OPENED_EARLY, before_V, NEAR_BOTTOM_RATIO * at->cutoff_V};
}

static struct guard_verdict judge_values(const struct guard_limits *l, struct guard_memory *m,
                                         const struct guard_moment *at, const struct sample *s)
{
    double v = sample_battery_voltage(s, at->lead_ohm);
    double i = fabs(s->current_A);
    double t = s->temperature_C;
    bool excused = false;
    struct guard_verdict opening = judge_opening(m, at, s, &excused);
    const struct guard_verdict verdicts[] = {
        judge(GUARD_TEMPERATURE_HIGH, t > l->temperature_max_C, t, l->temperature_max_C),
        judge(GUARD_TEMPERATURE_LOW, t < l->temperature_min_C, t, l->temperature_min_C),
        judge(GUARD_CURRENT_HIGH, i > l->current_max_A, i, l->current_max_A),
        judge(GUARD_POLARITY_REVERSED, v < GUARD_REVERSED_V, v, GUARD_REVERSED_V),
        opening,
        judge(GUARD_VOLTAGE_HIGH, v > l->voltage_max_V, v, l->voltage_max_V),
        judge(GUARD_VOLTAGE_LOW, v < l->voltage_min_V && !excused, v, l->voltage_min_V),
    };
    return FIRST_CROSSED(verdicts);
}

/* Has it been so for longer than things take to settle, after switching too? */
static bool lasts(const struct guard_moment *at, double since_s)
{
    return isfinite(since_s) && at->now_s - fmax(since_s, at->switched_s) > GUARD_SETTLE_S;
}

/* --- stuck --- */

static size_t least_of(size_t a, size_t b)
{
    return a < b ? a : b;
}

static size_t allowed_alone(const struct guard_alive *a)
{
    return alive_allowed(a, GUARD_ALONE_SAMPLES, GUARD_ALONE_TIMES);
}

static size_t allowed_together(const struct guard_memory *m)
{
    size_t v = alive_allowed(&m->voltage, GUARD_LIVELY_SAMPLES, GUARD_LIVELY_TIMES);
    size_t i = alive_allowed(&m->current, GUARD_LIVELY_SAMPLES, GUARD_LIVELY_TIMES);
    size_t either = least_of(allowed_alone(&m->voltage), allowed_alone(&m->current));
    return least_of(v > i ? v : i, either);
}

/* Two rules, each enough: more charge than the limit, or more repetitions than
 * what was learned allows, told as the charge that flowed until then. */
static struct guard_verdict judge_stuck(enum guard_reason reason, size_t repeats, size_t allowed,
                                        double flowed_Ah, double limit_Ah)
{
    if (repeats > allowed) {
        double then_Ah = flowed_Ah * (double)allowed / (double)repeats;
        return judge(reason, true, flowed_Ah, fmin(then_Ah, limit_Ah));
    }
    bool stuck = repeats >= GUARD_STUCK_SAMPLES && flowed_Ah > limit_Ah;
    return judge(reason, stuck, flowed_Ah, limit_Ah);
}

static struct guard_verdict judge_temperature_stuck(const struct guard_memory *m,
                                                    const struct guard_moment *at)
{
    const struct guard_alive *t = &m->temperature;
    size_t allowed = alive_allowed(t, GUARD_LIVELY_SAMPLES, GUARD_LIVELY_TIMES);
    bool stuck = (at->output_on || at->output_wanted) && t->repeats > allowed;
    double since_s = m->temperature_s - t->changed_s;
    return judge(GUARD_TEMPERATURE_STUCK, stuck, since_s,
                 stuck ? since_s * (double)allowed / (double)t->repeats : (double)NAN);
}

/* What repeats that should move. */
static struct guard_verdict judge_life(const struct guard_limits *l, const struct guard_memory *m,
                                       const struct guard_moment *at)
{
    bool discharging = m->last.current_A < 0;
    const struct guard_verdict verdicts[] = {
        judge_stuck(GUARD_READING_STUCK, least_of(m->voltage.repeats, m->current.repeats),
                    allowed_together(m), fmin(m->voltage_Ah, m->current_Ah), l->stuck_Ah),
        judge_stuck(GUARD_VOLTAGE_STUCK, discharging ? m->voltage.repeats : 0,
                    allowed_alone(&m->voltage), m->voltage_Ah, l->voltage_stuck_Ah),
        judge_stuck(GUARD_CURRENT_STUCK, m->current.repeats, allowed_alone(&m->current),
                    m->current_Ah, NAN),
        judge_temperature_stuck(m, at),
    };
    return FIRST_CROSSED(verdicts);
}

/* What only a series of samples shows; also when the last of them stays away. */
static struct guard_verdict judge_course(const struct guard_limits *l, const struct guard_memory *m,
                                         const struct guard_moment *at)
{
    const struct sample *s = &m->last;
    double rate = m->trend.rate_C_per_min;
    bool away = lasts(at, m->away_since_s);
    bool leaks = lasts(at, m->leak_since_s);
    bool apart = lasts(at, m->apart_since_s);
    bool stopped = lasts(at, m->stopped_s);
    double none_A = guard_no_charge_A(l->off_current_A, at->set_A);
    const struct guard_verdict verdicts[] = {
        judge(GUARD_TEMPERATURE_RATE, rate > l->temperature_rate_C_per_min, rate,
              l->temperature_rate_C_per_min),
        judge(GUARD_CURRENT_WHILE_OFF, leaks, fabs(s->current_A), l->off_current_A),
        judge(GUARD_OPENED_CHARGING, stopped, m->flowed ? m->flow_A : 0, none_A),
        judge(GUARD_REGULATION, away, deviation(at, s), allowed_deviation(l, at)),
        judge(GUARD_VOLTAGE_DISAGREES, apart, m->apart_V, m->apart_limit_V),
        judge_life(l, m, at),
        judge(GUARD_CHARGE_CEILING, m->step_Ah > l->charge_max_Ah, m->step_Ah, l->charge_max_Ah),
        judge(GUARD_ENERGY_CEILING, m->step_Wh > l->energy_max_Wh, m->step_Wh, l->energy_max_Wh),
    };
    return FIRST_CROSSED(verdicts);
}

/* What needs no reading at all. */
static struct guard_verdict judge_ages(const struct guard_limits *l, const struct guard_memory *m,
                                       const struct guard_moment *at)
{
    double reading_s = at->now_s - m->reading_s;
    double temperature_s = at->now_s - m->temperature_s;
    double step_s = at->now_s - m->step_start_s;
    double run_s = at->now_s - m->start_s;
    bool silent = l->temperature_required && temperature_s > l->trust_s;
    /* The last sample had its temperature, and no other came for most of the time since: not
     * the thermometer is to blame. */
    bool none = reading_s > l->trust_s ||
                (silent && m->temperature_is_newest && 2 * reading_s > temperature_s);
    bool load_on = at->load == OUTPUT_READ_ON || (at->output_wanted && at->set_A < 0);
    bool supply_on = at->supply == OUTPUT_READ_ON || (at->output_wanted && at->set_A > 0);
    bool both =
        (load_on && at->supply == OUTPUT_READ_ON) || (supply_on && at->load == OUTPUT_READ_ON);
    const struct guard_verdict verdicts[] = {
        judge(GUARD_BOTH_ON, both, NAN, NAN),
        judge(GUARD_READING_LOST, none, reading_s > l->trust_s ? reading_s : temperature_s,
              l->trust_s),
        judge(GUARD_TEMPERATURE_LOST, silent, temperature_s, l->trust_s),
        judge(GUARD_STEP_TIME, step_s > l->step_time_max_s, step_s, l->step_time_max_s),
        judge(GUARD_RUN_TIME, run_s > l->run_time_max_s, run_s, l->run_time_max_s),
    };
    return FIRST_CROSSED(verdicts);
}

struct guard_verdict guard_check(const struct guard_limits *limits, struct guard_memory *m,
                                 const struct guard_moment *at, const struct sample *s)
{
    struct guard_verdict v = fine;
    if (s != NULL) {
        remember(limits, m, at, s);
        v = judge_values(limits, m, at, s);
    }
    if (v.reason == GUARD_FINE) {
        v = judge_course(limits, m, at);
    }
    return v.reason == GUARD_FINE ? judge_ages(limits, m, at) : v;
}
