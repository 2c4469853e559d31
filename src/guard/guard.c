/* SPDX-License-Identifier: GPL-3.0-or-later
 * guard: the judgement itself. Short on purpose: this is what stands between a
 * sleeping person and a hot battery. */
#include "guard/guard.h"

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

struct guard_limits guard_limits_none(void)
{
    return (struct guard_limits){
        .voltage_min_V = NAN,
        .voltage_max_V = NAN,
        .current_max_A = NAN,
        .temperature_min_C = NAN,
        .temperature_max_C = NAN,
        .trust_s = 3.0,
        .temperature_required = false,
    };
}

/* fmin and fmax return the other value when one is NAN: "no limit" gives way. */
struct guard_limits guard_limits_merge(struct guard_limits a, struct guard_limits b)
{
    return (struct guard_limits){
        .voltage_min_V = fmax(a.voltage_min_V, b.voltage_min_V),
        .voltage_max_V = fmin(a.voltage_max_V, b.voltage_max_V),
        .current_max_A = fmin(a.current_max_A, b.current_max_A),
        .temperature_min_C = fmax(a.temperature_min_C, b.temperature_min_C),
        .temperature_max_C = fmin(a.temperature_max_C, b.temperature_max_C),
        .trust_s = fmin(a.trust_s, b.trust_s),
        .temperature_required = a.temperature_required || b.temperature_required,
    };
}

void guard_start(struct guard_memory *m, double now_s)
{
    m->reading_s = now_s;
    m->temperature_s = now_s;
}

/* Comparisons with NAN are false: an absent limit or reading never trips here. */
static struct guard_verdict judge(enum guard_reason reason, bool crossed, double value,
                                  double limit)
{
    if (crossed) {
        return (struct guard_verdict){reason, value, limit};
    }
    return (struct guard_verdict){GUARD_FINE, NAN, NAN};
}

static struct guard_verdict judge_values(const struct guard_limits *l, const struct sample *s,
                                         double lead_ohm)
{
    double v = sample_battery_voltage(s, lead_ohm);
    double i = fabs(s->current_A);
    double t = s->temperature_C;
    const struct guard_verdict verdicts[] = {
        judge(GUARD_TEMPERATURE_HIGH, t > l->temperature_max_C, t, l->temperature_max_C),
        judge(GUARD_TEMPERATURE_LOW, t < l->temperature_min_C, t, l->temperature_min_C),
        judge(GUARD_CURRENT_HIGH, i > l->current_max_A, i, l->current_max_A),
        judge(GUARD_VOLTAGE_HIGH, v > l->voltage_max_V, v, l->voltage_max_V),
        judge(GUARD_VOLTAGE_LOW, v < l->voltage_min_V, v, l->voltage_min_V),
    };
    for (size_t k = 0; k < sizeof verdicts / sizeof verdicts[0]; k++) {
        if (verdicts[k].reason != GUARD_FINE) {
            return verdicts[k];
        }
    }
    return verdicts[0];
}

static struct guard_verdict judge_ages(const struct guard_limits *l, const struct guard_memory *m,
                                       double now_s)
{
    double reading_age = now_s - m->reading_s;
    if (reading_age > l->trust_s) {
        return (struct guard_verdict){GUARD_READING_LOST, reading_age, l->trust_s};
    }
    double temperature_age = now_s - m->temperature_s;
    if (l->temperature_required && temperature_age > l->trust_s) {
        return (struct guard_verdict){GUARD_TEMPERATURE_LOST, temperature_age, l->trust_s};
    }
    return (struct guard_verdict){GUARD_FINE, NAN, NAN};
}

struct guard_verdict guard_check(const struct guard_limits *limits, struct guard_memory *m,
                                 const struct sample *s, double lead_ohm, double now_s)
{
    if (s != NULL) {
        if (isfinite(s->voltage_V) && isfinite(s->current_A)) {
            m->reading_s = now_s;
        }
        if (isfinite(s->temperature_C)) {
            m->temperature_s = now_s;
        }
        struct guard_verdict v = judge_values(limits, s, lead_ohm);
        if (v.reason != GUARD_FINE) {
            return v;
        }
    }
    return judge_ages(limits, m, now_s);
}
