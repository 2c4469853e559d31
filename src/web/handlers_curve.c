/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_curve: a run's samples as few points to draw, every extreme kept. */
#include "analysis/capacity_json.h"
#include "analysis/decimate.h"
#include "base/file.h"
#include "web/handlers.h"
#include "web/lookup.h"

#include <stdlib.h>

static bool each_sample(void *context, int step, const struct sample *s)
{
    decimate_put(context, step, s);
    return true;
}

static json_t *column(const struct decimator *d, double value(const struct decimated *))
{
    json_t *list = json_array();
    for (size_t i = 0; i < d->n; i++) {
        json_array_append_new(list, json_number(value(&d->out[i])));
    }
    return list;
}

static double time_of(const struct decimated *p)
{
    return p->sample.t_s;
}

static double voltage_of(const struct decimated *p)
{
    return p->sample.voltage_V;
}

static double current_of(const struct decimated *p)
{
    return p->sample.current_A;
}

static double temperature_of(const struct decimated *p)
{
    return p->sample.temperature_C;
}

static double charge_of(const struct decimated *p)
{
    return p->charge_Ah;
}

static json_t *steps_of(const struct decimator *d)
{
    json_t *list = json_array();
    for (size_t i = 0; i < d->n; i++) {
        json_array_append_new(list, json_integer(d->out[i].step));
    }
    return list;
}

static json_t *curve_to_json(const struct run_row *row, const struct decimator *d)
{
    return json_pack("{s:I, s:o, s:s, s:I, s:b, s:o, s:o, s:o, s:o, s:o, s:o}", "number",
                     (json_int_t)row->nr, "id", json_string(row->id), "outcome",
                     run_outcome_names[row->outcome], "samples", (json_int_t)d->seen, "decimated",
                     d->n < d->seen, "t_s", column(d, time_of), "voltage_V", column(d, voltage_of),
                     "current_A", column(d, current_of), "temperature_C", column(d, temperature_of),
                     "charge_Ah", column(d, charge_of), "step", steps_of(d));
}

static bool curve_of(const struct request *q, struct reader *r, const struct run_row *row,
                     json_t **out, struct err *e)
{
    struct sample_span span;
    if (!reader_span(r, row->nr, q->from_s, q->to_s, &span, e)) {
        return false;
    }
    size_t count = span.last < span.first ? 0 : (size_t)(span.last - span.first + 1);
    size_t points = (size_t)q->points;
    struct decimator d = {.from_s = span.from_s,
                          .to_s = span.to_s,
                          .buckets = count <= points ? 0 : points / DECIMATE_PICKS,
                          .room = points};
    d.out = zalloc(points * sizeof *d.out);
    bool ok = reader_span_samples(r, row->nr, &span, each_sample, &d, e);
    if (ok) {
        decimate_end(&d);
        *out = curve_to_json(row, &d);
    }
    free(d.out);
    return ok;
}

bool get_curve(const struct request *q, struct reply *out, struct err *e)
{
    struct reader *r = NULL;
    struct run_row row = {0};
    bool ok = lookup_reader(q->config, &r, e) && reader_run(r, q->param, &row, e);
    ok = ok && curve_of(q, r, &row, &out->body, e);
    run_row_free(&row);
    reader_close(r);
    return ok;
}
