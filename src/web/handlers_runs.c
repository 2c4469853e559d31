/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_runs: what was recorded. */
#include "base/file.h"
#include "report/csv.h"
#include "run/result.h"
#include "web/handlers.h"
#include "web/lookup.h"
#include "web/samples.h"
#include "web/shapes.h"

#include <stdlib.h>
#include <string.h>

bool get_runs(const struct request *q, struct reply *out, struct err *e)
{
    json_t *runs = NULL;
    if (!lookup_runs(q->config, q->battery, q->limit, &runs, e)) {
        return false;
    }
    out->body = json_pack("{s:o}", "runs", runs);
    return true;
}

bool get_run(const struct request *q, struct reply *out, struct err *e)
{
    struct reader *r = NULL;
    struct run_row row;
    bool ok = lookup_reader(q->config, &r, e) && lookup_run(r, q->param, &row, &out->body, e);
    if (ok) {
        run_row_free(&row);
    }
    reader_close(r);
    return ok;
}

static bool sum_sample(void *context, int step, const struct sample *s)
{
    csv_sum_add(context, step, s);
    return true;
}

static bool recomputed(struct reader *r, const char *which, json_t **out, struct err *e)
{
    struct run_row row;
    json_t *computed = NULL;
    if (!reader_run(r, which, &row, e)) {
        return false;
    }
    struct csv_sum sum;
    char sha256[SHA256_TEXT_SIZE] = "";
    csv_sum_start(&sum, row.started_utc_ns);
    bool ok =
        reader_samples(r, row.nr, -1, sum_sample, &sum, e) && result_compute(r, &row, &computed, e);
    csv_sum_end(&sum, sha256);
    if (ok) {
        size_t left_out = 0;
        json_t *stored = result_told(&row); /* what is told of both is compared */
        result_tell(computed, row.outcome);
        json_t *differences =
            stored != NULL ? result_differences(stored, computed, &left_out) : json_array();
        bool equal = json_array_size(differences) == 0;
        *out = run_summary_to_json(&row, computed);
        json_object_set_new(*out, "battery_record", battery_to_json(&row.battery_record));
        json_object_set_new(*out, "equal", stored != NULL ? json_boolean(equal) : json_null());
        json_object_set_new(*out, "differences", differences);
        json_object_set_new(*out, "differences_left_out", json_integer((json_int_t)left_out));
        json_object_set_new(*out, "samples_sha256", json_string(sha256));
        json_object_set_new(*out, "result", computed);
        json_decref(stored);
    }
    run_row_free(&row);
    return ok;
}

bool get_recomputed(const struct request *q, struct reply *out, struct err *e)
{
    struct reader *r = NULL;
    bool ok = lookup_reader(q->config, &r, e) && recomputed(r, q->param, &out->body, e);
    reader_close(r);
    return ok;
}

static bool answer_samples(const struct request *q, struct reader *r, const struct run_row *row,
                           char *head, struct reply *out, struct err *e)
{
    const struct samples_wanted wanted = {.nr = row->nr,
                                          .started_utc_ns = row->started_utc_ns,
                                          .head = head,
                                          .owner = {q->caller.token.serial, q->caller.port == 0},
                                          .connection = q->connection,
                                          .parking = q->parking,
                                          .downloads = q->downloads};
    out->stream = samples_stream(r, &wanted, e);
    out->status = out->stream == NULL && e->code == ERR_REFUSED ? HTTP_UNAVAILABLE : 0;
    return out->stream != NULL;
}

bool get_samples(const struct request *q, struct reply *out, struct err *e)
{
    struct reader *r = NULL;
    struct run_row row;
    if (!lookup_reader(q->config, &r, e)) {
        return false;
    }
    if (!reader_run(r, q->param, &row, e)) {
        reader_close(r);
        return false;
    }
    bool ok = answer_samples(q, r, &row, NULL, out, e);
    run_row_free(&row);
    return ok;
}

/* {"run": ..., "columns": [...], "rows": [ without the end. */
static char *head_of(const json_t *run)
{
    static const char columns[] = ",\"columns\":[\"t_s\",\"voltage_V\",\"current_A\","
                                  "\"temperature_C\",\"step\"],\"rows\":[";
    char *text = json_dumps(run, JSON_COMPACT | JSON_REAL_PRECISION(15));
    size_t size = (text != NULL ? strlen(text) : 0) + sizeof columns + 16;
    char *head = zalloc(size);
    text_format(head, size, "{\"run\":%s%s", text != NULL ? text : "null", columns);
    free(text);
    return head;
}

bool get_run_whole(const struct request *q, struct reply *out, struct err *e)
{
    struct reader *r = NULL;
    struct run_row row;
    json_t *run = NULL;
    if (!lookup_reader(q->config, &r, e)) {
        return false;
    }
    if (!lookup_run(r, q->param, &row, &run, e)) {
        reader_close(r);
        return false;
    }
    bool ok = answer_samples(q, r, &row, head_of(run), out, e);
    run_row_free(&row);
    json_decref(run);
    return ok;
}
