/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/lookup: what several handlers look up. */
#include "web/lookup.h"

#include "base/file.h"
#include "run/result.h"
#include "web/shapes.h"

#include <stdlib.h>
#include <string.h>

int64_t lookup_utc_now(const struct web_config *c)
{
    return c->clock != NULL ? clock_utc_ns(c->clock) : clock_real_utc_ns();
}

bool lookup_profile(const struct web_config *c, const char *name, struct profile **out,
                    struct err *e)
{
    if (strchr(name, '/') != NULL || name[0] == '.') {
        return err_set(e, ERR_CONFIG,
                       "\"%s\" is not the name of a profile: give its name in the bench's folder, "
                       "without path and without .yaml",
                       name);
    }
    return profile_find(c->bench->profiles_dir, name, false, out, e);
}

bool test_parts_load(const struct web_config *c, const struct test_wanted *wanted,
                     struct test_parts *out, struct err *e)
{
    return store_battery_find(c->store, wanted->battery, &out->battery, e) &&
           lookup_profile(c, wanted->profile, &out->profile, e);
}

void test_parts_free(struct test_parts *p)
{
    profile_free(p->profile);
}

bool lookup_reader(const struct web_config *c, struct reader **out, struct err *e)
{
    return reader_of(c->store, out, e);
}

static json_t *result_kept(const struct run_row *r)
{
    return r->result_json != NULL ? json_loads(r->result_json, 0, NULL) : NULL;
}

json_t *result_told(const struct run_row *r)
{
    json_t *result = result_kept(r);
    result_tell(result, r->outcome);
    return result;
}

/* Rows of a list come without texts; the verdict is in the whole row. */
static bool append_summary(struct reader *r, int64_t nr, json_t *list, struct err *e)
{
    struct run_row row;
    if (!reader_run_nr(r, nr, &row, e)) {
        return false;
    }
    json_t *result = result_told(&row);
    json_array_append_new(list, run_summary_to_json(&row, result));
    json_decref(result);
    run_row_free(&row);
    return true;
}

bool lookup_runs(const struct web_config *c, const char *battery, int limit, json_t **out,
                 struct err *e)
{
    struct reader *r = NULL;
    struct run_row *rows = NULL;
    size_t n = 0;
    json_t *list = json_array();
    bool ok = lookup_reader(c, &r, e) && reader_runs(r, battery, limit, &rows, &n, e);
    for (size_t i = 0; ok && i < n; i++) {
        ok = append_summary(r, rows[i].nr, list, e);
    }
    for (size_t i = 0; i < n; i++) {
        run_row_free(&rows[i]);
    }
    free(rows);
    reader_close(r);
    if (!ok) {
        json_decref(list);
        return false;
    }
    *out = list;
    return true;
}

/* What was kept at the end, else what the samples so far say. A run that has
 * nothing to compute from is shown without a result. */
static json_t *result_of(struct reader *r, const struct run_row *row)
{
    struct err none = {0};
    json_t *result = result_kept(row);
    if (result == NULL && !result_compute(r, row, &result, &none)) {
        return NULL;
    }
    result_tell(result, row->outcome);
    return result;
}

/* Owned; NULL: it was taken over from a file. */
static char *bench_text_of(struct reader *r, const struct run_row *row)
{
    char *text = NULL;
    struct err none = {0};
    return row->bench_sha256[0] != '\0' && reader_text(r, row->bench_sha256, &text, &none) ? text
                                                                                           : NULL;
}

bool lookup_run(struct reader *r, const char *which, struct run_row *row, json_t **out,
                struct err *e)
{
    struct event_row *events = NULL;
    size_t n = 0;
    if (!reader_run(r, which, row, e)) {
        return false;
    }
    bool ok = reader_events(r, row->nr, &events, &n, e);
    if (ok) {
        char *bench = bench_text_of(r, row);
        struct run_parts parts = {
            .events = events, .event_count = n, .result = result_of(r, row), .bench_text = bench};
        *out = run_to_json(row, &parts);
        json_decref(parts.result);
        free(bench);
    } else {
        run_row_free(row);
    }
    free(events);
    return ok;
}
