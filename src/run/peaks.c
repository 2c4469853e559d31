/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/peaks: incremental capacity of a battery's comparable discharges, over its life. */
#include "run/trend.h"

#include "analysis/capacity_json.h"
#include "analysis/incremental.h"
#include "base/clock.h"
#include "base/file.h"

#include <math.h>
#include <stdlib.h>

#define WIDTH_V_PER_CELL 0.003
#define BELOW_CUTOFF_BINS 20    /* a first sample below the cut-off is still inside */
#define FOLLOW_V_PER_CELL 0.060 /* from one discharge to the next */

static bool take(void *context, int step, const struct sample *s)
{
    (void)step;
    incremental_add(context, s);
    return true;
}

static bool lead_of(struct reader *r, int64_t nr, double *lead_ohm, struct err *e)
{
    struct run_row run;
    if (!reader_run_nr(r, nr, &run, e)) {
        return false;
    }
    *lead_ohm = isfinite(run.lead_ohm) ? run.lead_ohm : 0;
    run_row_free(&run);
    return true;
}

static bool read_peaks(struct reader *r, const struct history_point *p, int cells,
                       struct incremental_peaks *out, struct err *e)
{
    struct incremental_capacity *curve = zalloc(sizeof *curve);
    double lead_ohm = 0, width_V = WIDTH_V_PER_CELL * cells;
    bool ok = lead_of(r, p->nr, &lead_ohm, e);
    incremental_start(curve, p->terms.cutoff_V - BELOW_CUTOFF_BINS * width_V, width_V, lead_ohm);
    /* Samples of a step, by its running number; the next step's do not come. */
    ok = ok && reader_samples(r, p->nr, p->step, take, curve, e);
    incremental_find_peaks(curve, out);
    free(curve);
    return ok;
}

static json_t *followed(const struct incremental_peaks *before, const struct incremental_peaks *now,
                        size_t which, double within_V)
{
    for (size_t i = 0; i < before->count; i++) {
        if (incremental_follow(before, i, now, within_V) == which) {
            return json_integer((json_int_t)i);
        }
    }
    return json_null();
}

static json_t *discharge_to_json(const struct history_point *p,
                                 const struct incremental_peaks *before,
                                 const struct incremental_peaks *now, double within_V)
{
    char utc[CLOCK_UTC_TEXT_SIZE];
    json_t *list = json_array();
    clock_format_utc(p->utc_ns, utc);
    for (size_t i = 0; i < now->count; i++) {
        const struct incremental_peak *k = &now->peak[i];
        json_array_append_new(
            list, json_pack("{s:o, s:o, s:o, s:o}", "voltage_V", json_number(k->voltage_V),
                            "height_Ah_per_V", json_number(k->height_Ah_per_V),
                            "prominence_Ah_per_V", json_number(k->prominence_Ah_per_V), "follows",
                            followed(before, now, i, within_V)));
    }
    return json_pack("{s:I, s:i, s:s, s:o, s:o}", "run", (json_int_t)p->nr, "round", p->round,
                     "utc", utc, "capacity_Ah", json_number(p->capacity_Ah), "peaks", list);
}

static bool read_all(struct reader *r, const struct history *h, const struct battery *b,
                     json_t *list, struct err *e)
{
    struct incremental_peaks before = {0}, now;
    size_t skip = h->comparable > PEAKS_DISCHARGES_MOST ? h->comparable - PEAKS_DISCHARGES_MOST : 0;
    for (size_t i = 0; i < h->count; i++) {
        const struct history_point *p = &h->points[i];
        if (p->left_out[0] != '\0' || (skip > 0 && skip-- > 0)) {
            continue;
        }
        if (!read_peaks(r, p, b->cells, &now, e)) {
            return false;
        }
        json_array_append_new(list,
                              discharge_to_json(p, &before, &now, FOLLOW_V_PER_CELL * b->cells));
        before = now;
    }
    return true;
}

bool peaks_compute(struct reader *r, const struct battery *b, json_t **out, struct err *e)
{
    struct history h = {0};
    json_t *list = json_array();
    double width_V = WIDTH_V_PER_CELL * b->cells;
    bool ok = history_read(r, b->label, &h, e);
    history_settle(&h);
    ok = ok && read_all(r, &h, b, list, e);
    if (ok) {
        *out = json_pack("{s:s, s:f, s:f, s:f, s:f, s:o}", "battery", b->label, "bin_V", width_V,
                         "smoothed_over_V", INCREMENTAL_SMOOTH_BINS * width_V,
                         "prominence_at_least_percent", 100 * INCREMENTAL_PROMINENCE,
                         "follow_within_V", FOLLOW_V_PER_CELL * b->cells, "discharges", list);
    } else {
        json_decref(list);
    }
    history_free(&h);
    return ok;
}
