/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/match: which batteries go together. Pure, deterministic, bounded time.
 *
 * A set is `series` groups in series, each of `parallel` batteries side by side: a group's
 * capacity is the sum of its batteries', its conductance the sum of theirs (Kirchhoff). The
 * group with the least capacity ends every discharge of the set and the one with the
 * largest resistance warms most, so what counts is how far apart the groups are:
 *
 *   cost of a set = (Qmax - Qmin)/Qmean + resistance_weight (Rmax - Rmin)/Rmean
 *                   + within_weight mean over its groups of (rmax - rmin)/rmean
 *
 * Q and R of the groups, r of the batteries within a group, which share its current by
 * their resistances; the last is 0 when parallel is 1. Resistance counts only when it is
 * known of all. The cost of a choice is the mean over its sets. As many sets as there are
 * batteries for are made, or `sets`; what is left over stays spare, and which ones those
 * are is part of the choice.
 *
 * Method: what sorting gives (sorted by capacity, cut into sets, dealt out to the groups of
 * each to and fro), and other beginnings drawn with a fixed seed, each improved by
 * exchanges of two batteries until none is better; the best of all. So it is never worse
 * than sorting. It ends early when the work it may do is used up. */
#ifndef AMPLEDGER_ANALYSIS_MATCH_H
#define AMPLEDGER_ANALYSIS_MATCH_H

#include <stdbool.h>
#include <stddef.h>

#define MATCH_MOST 1000 /* batteries */
#define MATCH_SPARE ((size_t)-1)

struct match_question {
    const double *capacity_Ah;    /* n of them, positive */
    const double *resistance_ohm; /* n of them, or NULL; NAN unknown */
    size_t n, series, parallel;
    size_t sets;              /* 0: as many as there are batteries for */
    double resistance_weight; /* 0: MATCH_RESISTANCE_WEIGHT */
    double within_weight;     /* 0: MATCH_WITHIN_WEIGHT */
};
/* Capacity first; common practice, no source. */
#define MATCH_RESISTANCE_WEIGHT 0.25
#define MATCH_WITHIN_WEIGHT 0.1

struct match_spread {
    double cost;
    double capacity_percent;       /* (Qmax - Qmin)/Qmean, mean over the sets */
    double resistance_percent;     /* likewise; NAN when not known of all */
    double worst_capacity_percent; /* of the worst set */
};

struct match_answer {
    size_t sets;
    bool resistance_counted;
    struct match_spread matched, sorted; /* sorted: what sorting by capacity gives */
    bool complete; /* false: the work was used up before no exchange was better */
};

/* place: n of them; battery i goes to group place[i] (set = place / series, group within it =
 * place % series), or MATCH_SPARE. False when there are not enough batteries for one set,
 * more than MATCH_MOST, or a capacity is not known. */
bool match_sets(const struct match_question *q, struct match_answer *out, size_t *place);

/* The spread of one set of a choice, from its places. */
struct match_spread match_spread_of(const struct match_question *q, const size_t *place,
                                    size_t set);

#endif
