/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/correction: what a capacity measured at one temperature amounts to at the
 * reference temperature, by a rule that is named. Pure.
 *
 * The trade has many such rules, each with a reference temperature, a range and a moment
 * of reading of its own; they give different answers for the same record, so they are
 * never mixed and none is applied unless a person names it. The constants of each rule
 * and where they are from stand in correction_rules[]. A rule whose formula or factors
 * could not be found on a page that shows them is `verified = false`: it is shown as
 * "unverified, from memory" and never decides pass or fail. */
#ifndef AMPLEDGER_ANALYSIS_CORRECTION_H
#define AMPLEDGER_ANALYSIS_CORRECTION_H

#include "base/battery.h"

#include <stdbool.h>

enum correction_rule {
    CORRECTION_NONE,
    CORRECTION_STATED_LINEAR, /* C / (1 + a (T - T0)), a and T0 from whoever asks */
    CORRECTION_IEC_LINEAR,    /* C / (1 + l (T - 20)) */
    CORRECTION_RATE_ADJUSTED, /* the test ran at published current / K(T); Ta / Ts */
    CORRECTION_TIME_ADJUSTED, /* the test ran at the published current; Ta / (Ts KT(T)) */
    CORRECTION_GUIDE_27,      /* C (1 - 0.009 (T - 27)) */
    CORRECTION_BELOW_25,      /* C / (1 - 0.009 (25 - T)) below 25 degC, C above */
    CORRECTION_CHANGE_TABLE,  /* C / (1 + change(T, duration)) */
    CORRECTION_COUNT
};

enum correction_moment { CORRECTION_AT_START, CORRECTION_MEAN, CORRECTION_AT_END };
const char *correction_moment_name(enum correction_moment m); /* "start", "mean", "end" */

struct correction_info {
    const char *name;    /* "iec-linear" */
    const char *formula; /* as a person reads it */
    const char *source;  /* of formula and constants */
    double reference_C;  /* NAN: stated by whoever asks */
    double from_C, to_C; /* what the source covers */
    enum correction_moment moment;
    bool lead_acid_only;
    bool verified; /* false: unverified, from memory */
};
extern const struct correction_info correction_rules[CORRECTION_COUNT];
/* NULL-terminated names, in the order of the enum; "none" first. */
extern const char *const correction_names[];

/* What a person chose. correction_choice_none() is the default everywhere. */
struct correction_choice {
    enum correction_rule rule;
    double temperature_C;         /* instead of the recorded one; NAN: as recorded */
    double temperature_error_C;   /* limit of error of the thermometer; NAN: not stated */
    double coefficient_per_K;     /* stated-linear */
    double reference_C;           /* stated-linear */
    double published_A;           /* rate- and time-adjusted; NAN: rated_Ah / rated_hours */
    double published_s;           /* likewise; NAN: rated_hours */
    double rated_Ah, rated_hours; /* of the label; NAN unknown */
};
struct correction_choice correction_choice_none(void);

/* What was measured. */
struct correction_subject {
    double capacity_Ah;
    double loaded_s;  /* how long it ran, under load */
    double current_A; /* mean under load, magnitude */
    double start_C, mean_C, end_C;
};

struct correction_answer {
    enum correction_rule rule;
    bool applied;         /* false: `why` says why not */
    bool verified;        /* rule and all factors used */
    double temperature_C; /* that was used; NAN */
    double reference_C;
    double factor;      /* capacity_Ah / what was measured */
    double capacity_Ah; /* at the reference; NAN */
    double standard_Ah; /* that the thermometer's error makes of it; 0 when not stated */
    char why[224];      /* not applied */
    char remark[160];   /* what to mind although it was applied; "" nothing */
};
/* Always fills *out; CORRECTION_NONE gives applied = false and an empty reason. */
void correction_apply(const struct correction_choice *c, const struct correction_subject *s,
                      struct correction_answer *out);
/* The rule is good enough to decide pass or fail, so the verdict is about the corrected
 * capacity - and undecided when it could not be applied, or only with factors that are
 * not verified. */
bool correction_decides(const struct correction_choice *c);

/* Factor K(T) of the rate-adjusted method; *verified false where the row is from memory.
 * NAN outside the table. */
double correction_rate_factor(double temperature_C, bool *verified);
/* Factor KT(T) of the time-adjusted method, unverified, from memory. NAN outside. */
double correction_time_factor(double temperature_C);
/* As stated, or as rated; NAN unknown. */
double correction_published_A(const struct correction_choice *c);
/* A test current may be off what the method wants by so much (no source). */
#define CORRECTION_CURRENT_TOLERANCE 0.02
/* Current of a rate-adjusted test of a battery with that temperature; NAN unknown. */
double correction_test_current_A(const struct correction_choice *c, double temperature_C);

#endif
