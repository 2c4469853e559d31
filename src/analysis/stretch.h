/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/stretch: the part of a record that counts, chosen by the end rule.
 * Shared by the files of this room only. */
#ifndef AMPLEDGER_ANALYSIS_STRETCH_H
#define AMPLEDGER_ANALYSIS_STRETCH_H

#include "analysis/analysis.h"

struct stretch {
    enum record_kind kind;
    enum end_reason reason;
    bool from_full;             /* a charge came first and is left out */
    double charged_before_As;   /* by it */
    struct tally start, end;    /* sums at both ends; the stretch is the difference */
    double charge_As, energy_J; /* in the direction of `kind`, positive */
    double rest_As, rest_J;     /* taken off as rest current; signed as charge_As */
    double opposite_As;         /* moved against it, positive */
    double loaded_s, duration_s;
    struct end_shape shape; /* around the end */
};

/* False with a message when the record cannot mean what was asked. */
bool stretch_choose(const struct charge_accumulator *a, struct stretch *out,
                    struct err *e) NODISCARD;

/* A test that failed, and no glitch within a good one: the voltage jumps as no battery's
 * does, and next to no current flows. */
bool stretch_is_faulty(const struct charge_accumulator *a, const struct stretch *s);

/* Mean current read where none flows; NAN when the record has no rest. */
double stretch_rest_current_A(const struct charge_accumulator *a);
/* Standard deviation of that mean, by the scatter of its readings or by that of one
 * reading under load, whichever says more; NAN likewise. */
double stretch_rest_noise_A(const struct charge_accumulator *a, double of_one_A);

void uncertainty_assess(const struct charge_accumulator *a, const struct stretch *s,
                        struct uncertainty_budget *out);
void notes_write(const struct charge_accumulator *a, const struct stretch *s,
                 const struct uncertainty_budget *budget, struct analysis_notes *out);

#define SECONDS_PER_HOUR 3600.0
/* Under load for less than this share of its time, a record is mostly rest. */
#define MOSTLY_REST 0.05

#endif
