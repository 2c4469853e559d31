/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/fade_work: what the files of fade share, and nobody else. */
#ifndef AMPLEDGER_ANALYSIS_FADE_WORK_H
#define AMPLEDGER_ANALYSIS_FADE_WORK_H

#include "analysis/fade.h"

/* Working memory for n points, reused for all laws and replicates. */
struct fade_room {
    double *x, *y; /* as fitted */
    double *residual, *weight, *sorted;
};
struct fade_room fade_room_new(size_t n);
void fade_room_free(struct fade_room *room);

/* All laws fitted to the same points. */
struct fade_laws {
    struct fade_fit fit[FADE_LAWS];
    double fitted_scatter[FADE_LAWS]; /* in the unit fitted */
    double law_scatter[FADE_LAWS];    /* in the unit of y */
    double scatter;                   /* the least of them; NAN: nothing fitted yet */
    double aicc[FADE_LAWS];
};

/* Fits all and says which is best. With laws->scatter known, fits go on from the
 * coefficients there and keep all scatters, as a replicate of the same points does. */
enum fade_law fade_choose(struct fade_laws *laws, const struct fade_point *points,
                          const struct fade_room *room, size_t n);

void fade_axes(enum fade_law law, const struct fade_point *points, size_t n, double *x, double *y);
double fade_fit_robust(struct fade_fit *f, double scatter, const struct fade_room *room, size_t n);
double fade_aicc(const struct fade_fit *f, const struct fade_point *points, size_t n,
                 double scatter);
void fade_residuals(const struct fade_fit *f, const struct fade_point *points, size_t n,
                    double *residual);

/* Crossing and its interval, for the law in out->fit. */
void fade_interval(const struct fade_question *q, const struct fade_laws *laws,
                   const struct fade_room *room, struct fade_answer *out);

#endif
