/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/trend: a battery's life as a JSON document. */
#include "run/trend.h"

#include "analysis/capacity_json.h"
#include "analysis/fade.h"
#include "base/clock.h"
#include "base/file.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define S_PER_DAY 86400.0

bool history_read(struct reader *r, const char *label, struct history *h, struct err *e)
{
    struct run_row *rows = NULL;
    size_t n = 0;
    if (!reader_runs(r, label, 0, &rows, &n, e)) {
        return false;
    }
    bool ok = true;
    history_next_battery(h);
    for (size_t i = n; ok && i-- > 0;) { /* they come newest first */
        struct run_row run;
        ok = reader_run_nr(r, rows[i].nr, &run, e);
        if (ok) {
            history_add(h, &run);
            run_row_free(&run);
        }
    }
    for (size_t i = 0; i < n; i++) {
        run_row_free(&rows[i]);
    }
    free(rows);
    return ok;
}

static json_t *utc_json(double utc_ns)
{
    char text[CLOCK_UTC_TEXT_SIZE];
    if (!isfinite(utc_ns) || utc_ns > 9e18) {
        return json_null();
    }
    clock_format_utc((int64_t)utc_ns, text);
    return json_string(text);
}

/* --- one quantity against one axis --- */

struct axis {
    const struct history *h;
    double reference_Ah;
    int64_t first_utc_ns;
    bool by_date;
};

static double place_of(const struct axis *a, const struct history_point *p)
{
    return a->by_date ? (double)(p->utc_ns - a->first_utc_ns) / 1e9 / S_PER_DAY
                      : p->discharged_Ah / a->reference_Ah;
}

struct course {
    struct axis axis;
    bool rising;
    double limit; /* in the unit of the values */
    double (*value)(const struct history_point *p);
};

static double capacity_of(const struct history_point *p)
{
    return p->capacity_Ah;
}

static double resistance_of(const struct history_point *p)
{
    return p->resistance_mOhm;
}

static size_t collect(const struct course *c, struct fade_point *points)
{
    size_t n = 0;
    for (size_t i = 0; i < c->axis.h->count; i++) {
        const struct history_point *p = &c->axis.h->points[i];
        double y = c->value(p);
        if (p->left_out[0] == '\0' && isfinite(y) && y > 0) {
            points[n++] = (struct fade_point){place_of(&c->axis, p), y};
        }
    }
    return n;
}

static json_t *plain_fits(const struct fade_answer *a)
{
    json_t *o = json_object();
    for (int law = FADE_LINE; law < FADE_LAWS; law++) {
        const struct fade_fit *f = &a->plain[law];
        json_object_set_new(o, fade_law_names[law],
                            json_pack("{s:o, s:o, s:o}", "a", json_number(f->a), "b",
                                      json_number(f->b), "r_squared", json_number(f->r_squared)));
    }
    return o;
}

static json_t *criteria(const struct fade_answer *a)
{
    json_t *o = json_object();
    for (int law = 0; law < FADE_LAWS; law++) {
        json_object_set_new(o, fade_law_names[law], json_number(a->aicc[law]));
    }
    return o;
}

static void put_crossing(json_t *o, const struct course *c, const struct fade_answer *a,
                         double last)
{
    const struct {
        const char *key, *date_key;
        double at;
    } ends[] = {{"crossing", "crossing_utc", a->crossing},
                {"crossing_low", "crossing_low_utc", a->crossing_low},
                {"crossing_high", "crossing_high_utc", a->crossing_high}};
    for (size_t i = 0; i < 3; i++) {
        json_object_set_new(o, ends[i].key, json_number(ends[i].at));
        if (c->axis.by_date) {
            double utc_ns = (double)c->axis.first_utc_ns + ends[i].at * S_PER_DAY * 1e9;
            json_object_set_new(o, ends[i].date_key, utc_json(utc_ns));
        }
    }
    json_object_set_new(o, "never", json_boolean(isinf(a->crossing)));
    /* A law seen over some time says little of a time much longer. */
    json_object_set_new(o, "far_beyond_data", json_boolean(a->crossing > 2 * last));
}

#define BAND_PLACES 41
#define BAND_REACH 2.0 /* times the last result's place: beyond, a law says little */

struct band {
    double x[BAND_PLACES], fit[BAND_PLACES], low[BAND_PLACES], high[BAND_PLACES];
};

static json_t *numbers_of(const double values[BAND_PLACES])
{
    json_t *list = json_array();
    for (size_t i = 0; i < BAND_PLACES; i++) {
        json_array_append_new(list, json_number(values[i]));
    }
    return list;
}

static json_t *band_to_json(const struct band *b)
{
    return json_pack("{s:o, s:o, s:o, s:o}", "x", numbers_of(b->x), "fit", numbers_of(b->fit),
                     "low", numbers_of(b->low), "high", numbers_of(b->high));
}

static const char *why_not(size_t n)
{
    return n < FADE_POINTS_LEAST ? "not enough data: a law needs five comparable results"
                                 : "not enough data: all results are at one place of this axis";
}

static json_t *course_to_json(const struct course *c)
{
    struct fade_point *points = zalloc((c->axis.h->count + 1) * sizeof *points);
    struct fade_answer a;
    size_t n = collect(c, points);
    struct band places;
    for (size_t i = 0; i < BAND_PLACES; i++) {
        places.x[i] = n > 0 ? BAND_REACH * points[n - 1].x * (double)i / (BAND_PLACES - 1) : 0;
    }
    struct fade_band band = {BAND_PLACES, places.x, places.fit, places.low, places.high};
    struct fade_question q = {
        .points = points, .n = n, .band = &band, .limit = c->limit, .rising = c->rising};
    fade_judge(&q, &a, NULL);
    json_t *o = json_pack(
        "{s:I, s:b, s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:I, s:o, s:I, s:o}", "points",
        (json_int_t)n, "enough", a.enough, "why_not",
        a.enough ? json_null() : json_string(why_not(n)), "unit",
        c->axis.by_date ? "days since the first result" : "equivalent full cycles", "law",
        a.enough ? json_string(fade_law_names[a.fit.law]) : json_null(), "a", json_number(a.fit.a),
        "b", json_number(a.fit.b), "scatter", json_number(a.scatter), "aicc", criteria(&a),
        "autocorrelation", json_number(a.follow), "block", (json_int_t)a.block, "limit",
        json_number(c->limit), "outliers", (json_int_t)a.outliers, "least_squares", plain_fits(&a));
    if (a.enough) {
        put_crossing(o, c, &a, points[n - 1].x);
        json_object_set_new(o, "band", band_to_json(&places));
    }
    free(points);
    return o;
}

/* --- points --- */

static json_t *point_to_json(const struct history_point *p, double reference_Ah)
{
    return json_pack("{s:I, s:o, s:i, s:i, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "run",
                     (json_int_t)p->nr, "started_utc", utc_json((double)p->begun_utc_ns), "step",
                     p->step, "round", p->round, "utc", utc_json((double)p->utc_ns), "cycles",
                     json_number(p->discharged_Ah / reference_Ah), "rest_before_s",
                     json_number(p->rest_s), "capacity_Ah", json_number(p->capacity_Ah),
                     "capacity_uncertainty_Ah", json_number(p->uncertainty_Ah),
                     "percent_of_reference", json_number(100 * p->capacity_Ah / reference_Ah),
                     "resistance_mOhm", json_number(p->resistance_mOhm), "temperature_C",
                     json_number(p->temperature_C), "imported",
                     p->imported[0] != '\0' ? json_string(p->imported) : json_null());
}

static void put_points(json_t *o, const struct history *h, double reference_Ah)
{
    json_t *points = json_array(), *left_out = json_array();
    for (size_t i = 0; i < h->count; i++) {
        const struct history_point *p = &h->points[i];
        if (p->left_out[0] == '\0') {
            json_array_append_new(points, point_to_json(p, reference_Ah));
        } else {
            json_array_append_new(left_out,
                                  json_pack("{s:I, s:o, s:s}", "run", (json_int_t)p->nr, "round",
                                            p->round > 0 ? json_integer(p->round) : json_null(),
                                            "why", p->left_out));
        }
    }
    json_object_set_new(o, "points", points);
    json_object_set_new(o, "left_out", left_out);
}

static const struct history_point *first_comparable(const struct history *h, bool with_resistance)
{
    for (size_t i = 0; i < h->count; i++) {
        if (h->points[i].left_out[0] == '\0' &&
            (!with_resistance || isfinite(h->points[i].resistance_mOhm))) {
            return &h->points[i];
        }
    }
    return NULL;
}

static json_t *first_below(const struct history *h, double limit_Ah)
{
    for (size_t i = 0; i < h->count; i++) {
        const struct history_point *p = &h->points[i];
        if (p->left_out[0] == '\0' && p->capacity_Ah < limit_Ah) {
            return json_pack("{s:I, s:i, s:o}", "run", (json_int_t)p->nr, "round", p->round, "utc",
                             utc_json((double)p->utc_ns));
        }
    }
    return json_null();
}

static json_t *terms_to_json(const struct history *h)
{
    char text[96] = "";
    if (h->comparable == 0) {
        return json_null();
    }
    discharge_terms_text(&h->terms, text, sizeof text);
    return json_pack("{s:s, s:o, s:o, s:o, s:o, s:f, s:f, s:o, s:f}", "text", text, "current_A",
                     json_number(h->terms.current_A), "power_W", json_number(h->terms.power_W),
                     "resistance_ohm", json_number(h->terms.resistance_ohm), "cutoff_V",
                     json_number(h->terms.cutoff_V), "rate_within_percent",
                     100 * HISTORY_RATE_WITHIN, "cutoff_within_percent",
                     100 * HISTORY_CUTOFF_WITHIN, "temperature_C", json_number(h->temperature_C),
                     "temperature_within_K", HISTORY_KELVIN_WITHIN);
}

static json_t *two_axes(struct course *c)
{
    json_t *o = json_object();
    c->axis.by_date = false;
    json_object_set_new(o, "by_cycles", course_to_json(c));
    c->axis.by_date = true;
    json_object_set_new(o, "by_date", course_to_json(c));
    return o;
}

static json_t *trend_to_json(const struct history *h, const struct battery *b, double percent)
{
    const struct history_point *first = first_comparable(h, false);
    const struct history_point *resistance = first_comparable(h, true);
    bool rated = isfinite(b->rated_Ah);
    double reference_Ah = rated ? b->rated_Ah : first != NULL ? first->capacity_Ah : (double)NAN;
    struct axis axis = {h, reference_Ah, first != NULL ? first->utc_ns : 0, false};
    struct course capacity = {axis, false, percent / 100 * reference_Ah, capacity_of};
    double begun_mOhm = resistance != NULL ? resistance->resistance_mOhm : (double)NAN;
    struct course risen = {axis, true, TREND_RESISTANCE_LIMIT_PERCENT / 100 * begun_mOhm,
                           resistance_of};
    json_t *o = json_pack("{s:s, s:o, s:s, s:o, s:f, s:o, s:o}", "battery", b->label, "rated_Ah",
                          json_number(b->rated_Ah), "reference",
                          rated ? "rated capacity" : "first comparable result", "reference_Ah",
                          json_number(reference_Ah), "limit_percent", percent, "limit_Ah",
                          json_number(capacity.limit), "comparable", terms_to_json(h));
    put_points(o, h, reference_Ah);
    json_object_set_new(o, "first_below_limit", first_below(h, capacity.limit));
    json_object_set_new(o, "capacity", two_axes(&capacity));
    json_object_set_new(o, "resistance", two_axes(&risen));
    return o;
}

bool trend_compute(struct reader *r, const struct battery *b, double limit_percent, json_t **out,
                   struct err *e)
{
    struct history h = {0};
    bool ok = history_read(r, b->label, &h, e);
    if (ok) {
        history_settle(&h);
        *out = trend_to_json(&h, b, isnan(limit_percent) ? TREND_LIMIT_PERCENT : limit_percent);
    }
    history_free(&h);
    return ok;
}
