/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_life: how batteries age, and which go together. */
#include "run/trend.h"
#include "web/body.h"
#include "web/handlers.h"
#include "web/lookup.h"

#include <math.h>
#include <stdlib.h>

bool get_trend(const struct request *q, struct reply *out, struct err *e)
{
    struct battery b;
    struct reader *r = NULL;
    bool ok = store_battery_find(q->config->store, q->param, &b, e) &&
              lookup_reader(q->config, &r, e) &&
              trend_compute(r, &b, q->below_percent, &out->body, e);
    reader_close(r);
    return ok;
}

bool get_peaks(const struct request *q, struct reply *out, struct err *e)
{
    struct battery b;
    struct reader *r = NULL;
    bool ok = store_battery_find(q->config->store, q->param, &b, e) &&
              lookup_reader(q->config, &r, e) && peaks_compute(r, &b, &out->body, e);
    reader_close(r);
    return ok;
}

bool post_match(const struct request *q, struct reply *out, struct err *e)
{
    struct match_wanted wanted = {.lot = q->param, .parallel = 1};
    const struct body_field fields[] = {
        {"series", BODY_COUNT, true, &wanted.series, 0},
        {"parallel", BODY_COUNT, false, &wanted.parallel, 0},
        {"sets", BODY_COUNT, false, &wanted.sets, 0},
    };
    struct battery *all = NULL;
    struct reader *r = NULL;
    size_t n = 0;
    bool ok = body_read(q->body, fields, 3, e) && lookup_lot(q->config, q->param, &all, &n, e) &&
              lookup_reader(q->config, &r, e) && match_compute(r, all, n, &wanted, &out->body, e);
    reader_close(r);
    free(all);
    return ok;
}
