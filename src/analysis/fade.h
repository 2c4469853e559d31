/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/fade: how a battery ages: a law through its results, and when the law meets a
 * limit. Pure but for working memory; the same points always give the same answer.
 *
 * Laws, y over x (cycles, or days since the first result):
 *  none         y = a
 *  line         y = a + b x
 *  root         y = a + b sqrt(x)          (growth of a layer; common practice, no source)
 *  exponential  ln y = a + b x
 *
 * Plain fits are least squares; the exponential's is of ln y. Robust ones weigh each point
 * by Tukey's bisquare, (1 - (r/cS)^2)^2 with c = 4.685 (95 % efficient for a normal
 * distribution), begun at the medians of Theil (slopes of all pairs) and Sen; S is the
 * median of the absolute residuals / 0.6745, the smallest one per coefficient left out. So
 * one bad test, or a few after a long rest in which a battery regains capacity, do not
 * bend the law. (Constants and names from memory; tests hold the behaviour.)
 *
 * Choice: the least AICc, 2 sum rho(r/S) + 2 k + 2 k (k + 1)/(n - k - 1), rho the
 * bisquare's loss, which is (r/S)^2/2 near 0; k coefficients and the scatter count; S is
 * that of the law with the least. More coefficients must earn their keep; `none` wins where
 * nothing is seen to change. AICc exists for n > k + 1: five points are the least.
 *
 * Interval of the crossing: bootstrap of residuals, percentiles. Each residual is divided by
 * sqrt(1 - leverage) and stretched by Student's t over the normal quantile, since few points
 * show too little of their scatter; residuals that follow each other (a battery regains and
 * loses again) are drawn in blocks, of a length by Carlstein's rule for a first-order
 * autocorrelation. The law is chosen anew in each replicate, so not knowing it is in the
 * interval. It is where the law meets the limit; a single test scatters around that. */
#ifndef AMPLEDGER_ANALYSIS_FADE_H
#define AMPLEDGER_ANALYSIS_FADE_H

#include <stdbool.h>
#include <stddef.h>

enum fade_law { FADE_NONE, FADE_LINE, FADE_ROOT, FADE_EXPONENTIAL, FADE_LAWS };
extern const char *const fade_law_names[]; /* "none", "line", "root", "exponential" */

#define FADE_POINTS_LEAST 5

/* Positive values (Ah, ohm) in rising order of x, which is 0 or more. */
struct fade_point {
    double x, y;
};

struct fade_fit {
    enum fade_law law;
    double a, b;      /* NAN: cannot be determined */
    double r_squared; /* of a plain fit, in what was fitted (ln y for the exponential); else NAN */
};

double fade_value(const struct fade_fit *f, double x);
/* From where on the law is below `limit` (above it, when `rising`): 0 when it is so from the
 * beginning, INFINITY when it never comes to that. */
double fade_crossing(const struct fade_fit *f, double limit, bool rising);

struct fade_fit fade_fit_plain(enum fade_law law, const struct fade_point *points, size_t n);

/* The law at places of its axis with its interval there, from the same replicates: where the
 * law is, not where a single test may come out. All of n places, the caller's; x is given. */
struct fade_band {
    size_t n;
    const double *x;
    double *fit, *low, *high;
};

struct fade_question {
    const struct fade_point *points;
    size_t n;
    struct fade_band *band; /* filled when there is enough and a limit; NULL: not asked for */
    double limit;           /* same unit as y; NAN: no crossing is asked for */
    bool rising;            /* beyond the limit means above it: a resistance */
    unsigned replicates;    /* of the bootstrap; 0: FADE_REPLICATES */
    double level;           /* of the interval; 0: 0.95 */
};
#define FADE_REPLICATES 1000

struct fade_answer {
    bool enough;         /* false: fewer than FADE_POINTS_LEAST, or all at one x; the rest is NAN */
    struct fade_fit fit; /* robust, of the law that was chosen */
    struct fade_fit plain[FADE_LAWS]; /* least squares, also from two points on */
    double aicc[FADE_LAWS];
    double scatter;      /* S of the chosen law, unit of y */
    double follow;       /* first-order autocorrelation of its residuals */
    size_t block;        /* length of the blocks drawn */
    double crossing;     /* INFINITY: the law never meets the limit */
    double crossing_low; /* interval at the level; INFINITY as above */
    double crossing_high;
    size_t outliers; /* points of weight below FADE_OUTLIER_WEIGHT */
};
#define FADE_OUTLIER_WEIGHT 0.05

/* weights: NULL, or room for n: what each point counted in the fit, 0 to 1. */
void fade_judge(const struct fade_question *q, struct fade_answer *out, double *weights);

/* The first point below `limit` (above, when rising), its place; n when there is none. */
size_t fade_first_beyond(const struct fade_point *points, size_t n, double limit, bool rising);

#endif
