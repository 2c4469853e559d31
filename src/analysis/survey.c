/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/survey: the usual interval and the largest current of a record, in
 * bounded memory, so that "gap" and "rest" have a meaning before counting begins. */
#include "analysis/analysis.h"

#include <math.h>

enum { BINS = sizeof(((struct record_survey *)NULL)->bins) / sizeof(size_t) };
#define BINS_PER_OCTAVE 8.0
#define LOWEST_OCTAVE (-20.0)

#define REST_SHARE 0.02 /* of the largest current */
#define GAP_FACTOR 10.0 /* times the median interval */
#define GAP_AT_LEAST_S 30.0
/* A logger that slows down at times makes no gaps: what one interval in twenty
 * lasts is usual. */
#define USUAL_SHARE 0.95
#define USUAL_FACTOR 2.0

struct discharge_options discharge_options_default(void)
{
    const struct accuracy unknown = {NAN, NAN, NAN};
    return (struct discharge_options){.cutoff_V = NAN,
                                      .rule = END_CROSSING,
                                      .lead_ohm = 0,
                                      .lead_error_ohm = NAN,
                                      .rated_Ah = NAN,
                                      .gap_s = NAN,
                                      .current_threshold_A = NAN,
                                      .accuracy = {unknown, unknown, NAN}};
}

void record_survey_start(struct record_survey *v)
{
    *v = (struct record_survey){.last_t_s = NAN};
}

static size_t bin_of(double dt)
{
    double bin = floor((log2(dt) - LOWEST_OCTAVE) * BINS_PER_OCTAVE);
    if (!(bin > 0))
        return 0;
    return bin < BINS ? (size_t)bin : BINS - 1;
}

void record_survey_add(struct record_survey *v, const struct sample *s)
{
    v->rows++;
    if (isfinite(s->current_A))
        v->peak_A = fmax(v->peak_A, fabs(s->current_A));
    if (!isfinite(s->t_s))
        return;
    double dt = s->t_s - v->last_t_s;
    if (dt > 0) {
        v->intervals++;
        v->bins[bin_of(dt)]++;
    }
    v->last_t_s = s->t_s;
}

/* The interval that this share of all keeps within: the upper edge of its bin,
 * at most 9 % too long. 0 without any interval. */
static double interval_quantile_s(const struct record_survey *v, double share)
{
    size_t seen = 0;
    for (size_t i = 0; i < BINS; i++) {
        seen += v->bins[i];
        if (seen > 0 && (double)seen >= share * (double)v->intervals)
            return exp2(LOWEST_OCTAVE + ((double)i + 1) / BINS_PER_OCTAVE);
    }
    return 0;
}

void record_survey_settle(const struct record_survey *v, struct discharge_options *o)
{
    if (isnan(o->current_threshold_A))
        o->current_threshold_A = REST_SHARE * v->peak_A;
    if (isnan(o->gap_s))
        o->gap_s = fmax(GAP_AT_LEAST_S, fmax(GAP_FACTOR * interval_quantile_s(v, 0.5),
                                             USUAL_FACTOR * interval_quantile_s(v, USUAL_SHARE)));
}
