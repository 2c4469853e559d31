/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_reports: reports to print or to send. */
#include "report/report.h"
#include "run/trend.h"
#include "web/handlers.h"
#include "web/lookup.h"
#include "web/shapes.h"

#include <math.h>
#include <microhttpd.h>
#include <stdlib.h>
#include <string.h>

/* Takes the text. */
static bool answer_html(struct reply *out, char *html, struct err *e)
{
    out->stream = MHD_create_response_from_buffer(strlen(html), html, MHD_RESPMEM_MUST_FREE);
    if (out->stream == NULL) {
        free(html);
        return err_set(e, ERR_SYSTEM, "there is no memory for an answer");
    }
    MHD_add_response_header(out->stream, "Content-Type", "text/html; charset=utf-8");
    out->is_report = true;
    return true;
}

bool get_run_report(const struct request *q, struct reply *out, struct err *e)
{
    struct reader *r = NULL;
    struct run_row row;
    json_t *run = NULL;
    char *html = NULL;
    bool ok = lookup_reader(q->config, &r, e) && lookup_run(r, q->param, &row, &run, e);
    if (ok) {
        ok = report_run(r, &row, run, &html, e) && answer_html(out, html, e);
        run_row_free(&row);
        json_decref(run);
    }
    reader_close(r);
    return ok;
}

bool get_battery_report(const struct request *q, struct reply *out, struct err *e)
{
    struct reader *r = NULL;
    struct battery b;
    json_t *trend = NULL;
    bool ok = store_battery_find(q->config->store, q->param, &b, e) &&
              lookup_reader(q->config, &r, e) && trend_compute(r, &b, q->below_percent, &trend, e);
    if (ok) {
        json_t *battery = battery_to_json(&b);
        ok = answer_html(out, report_battery(battery, trend), e);
        json_decref(battery);
        json_decref(trend);
    }
    reader_close(r);
    return ok;
}

bool get_lot_report(const struct request *q, struct reply *out, struct err *e)
{
    struct reply lot = {0};
    bool ok = get_lot(q, &lot, e) && answer_html(out, report_lot(lot.body), e);
    json_decref(lot.body);
    return ok;
}
