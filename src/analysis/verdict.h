/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/verdict: pass, fail or undecided against a lower limit, by a stated
 * decision rule. Pure.
 *
 * Guard band (ILAC-G8:09/2019, w = U, for a lower limit AL = TL + w): pass from
 * limit + U on, the edge included; fail below limit - U (proven nonconforming,
 * after ISO 14253-1); undecided between. A value of exactly limit - U is
 * undecided, since the battery may still be as good as the limit. At the pass
 * edge the risk of passing a battery that misses the limit is 2.3 % (k = 2).
 * A share of it, w = s U with 0 < s < 1: the same with the smaller band; the risk at the
 * edge lies between (w = 0.825 U is 1.65 u: 5 %).
 * Simple acceptance (w = 0): pass from the limit on, fail below it; the risk at
 * the edge is 50 %.
 * Edges are met within 1e-12 of the limit, so that decimal figures meet them. */
#ifndef AMPLEDGER_ANALYSIS_VERDICT_H
#define AMPLEDGER_ANALYSIS_VERDICT_H

#include <stdbool.h>

enum verdict { VERDICT_NONE, VERDICT_PASS, VERDICT_FAIL, VERDICT_UNDECIDED };
const char *verdict_name(enum verdict v); /* "none", "pass", "fail", "undecided" */

enum decision_rule { DECISION_GUARD_BAND, DECISION_SIMPLE, DECISION_GUARD_SHARE };
/* NULL-terminated, in the order of the enum: "guard-band", "simple", "guard-share". */
extern const char *const decision_rule_names[];

struct verdict_question {
    double value;
    double expanded; /* U, k = 2; >= 0 */
    double limit;    /* the least that is accepted; NAN: none */
    enum decision_rule rule;
    double guard_share; /* of U, 0 to 1; for DECISION_GUARD_SHARE alone */
    bool lower_bound;   /* the true value may be larger by any amount: never a fail */
};

/* NONE without a limit or a value; UNDECIDED when U is unknown and the rule needs it. */
enum verdict verdict_judge(const struct verdict_question *q);

/* Probability that the true value is at least the limit, for a normal
 * distribution with standard uncertainty U/2; NAN when something is unknown. */
double verdict_probability(const struct verdict_question *q);

#endif
