/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_lots: batteries that are judged together. */
#include "analysis/capacity_json.h"
#include "analysis/lot.h"
#include "base/file.h"
#include "web/handlers.h"
#include "web/lookup.h"
#include "web/shapes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum standing { PASS, FAIL, UNDECIDED, UNTESTED, STANDINGS };
static const char *const standings[] = {"pass", "fail", "undecided", "untested"};

static enum standing standing_of(const char *verdict)
{
    for (int i = PASS; verdict != NULL && i < UNTESTED; i++) {
        if (strcmp(verdict, standings[i]) == 0) {
            return (enum standing)i;
        }
    }
    return UNTESTED;
}

/* What is told of its newest run with a verdict; all null without one. */
static void put_run(json_t *o, const struct run_row *row, const json_t *result)
{
    static const char *const from_result[] = {
        "verdict",      "capacity_Ah",     "capacity_uncertainty_Ah",     "percent_of_rated",
        "lower_bound",  "resistance_mOhm", "resistance_uncertainty_mOhm", "temperature_max_C",
        "acceptance_Ah"};
    for (size_t i = 0; i < sizeof from_result / sizeof from_result[0]; i++) {
        json_t *v = json_object_get(result, from_result[i]);
        json_object_set_new(o, from_result[i], v != NULL ? json_incref(v) : json_null());
    }
    bool has_run = row->nr != 0;
    json_object_set_new(o, "run", has_run ? json_integer((json_int_t)row->nr) : json_null());
    json_object_set_new(o, "run_id", text_to_json(row->id));
    json_object_set_new(o, "profile", text_to_json(row->profile));
    json_object_set_new(o, "outcome",
                        has_run ? json_string(run_outcome_names[row->outcome]) : json_null());
    json_object_set_new(o, "ended_utc", utc_to_json(row->ended_utc_ns));
}

static bool judged_run(struct reader *r, const struct battery *b, struct run_row *row,
                       json_t **result, struct err *e)
{
    int64_t nr = 0;
    if (!reader_judged(r, b->id, &nr, e) || nr == 0) {
        return nr == 0 && e->code == ERR_NONE;
    }
    if (!reader_run_nr(r, nr, row, e)) {
        return false;
    }
    *result = result_told(row);
    return true;
}

static bool append_member(struct reader *r, const struct battery *b, json_t *list,
                          json_int_t counts[STANDINGS], struct err *e)
{
    struct run_row row = {0};
    json_t *result = NULL;
    if (!judged_run(r, b, &row, &result, e)) {
        return false;
    }
    enum standing s = standing_of(json_string_value(json_object_get(result, "verdict")));
    json_t *o = json_pack("{s:o, s:s, s:o, s:o}", "battery", text_to_json(b->label), "standing",
                          standings[s], "rated_Ah", json_number(b->rated_Ah), "retired_utc",
                          utc_to_json(b->retired_utc_ns));
    put_run(o, &row, result);
    json_array_append_new(list, o);
    counts[s]++;
    json_decref(result);
    run_row_free(&row);
    return true;
}

/* --- the lot as a whole --- */

static json_t *outliers_of(const json_t *members, const bool *outlier)
{
    json_t *list = json_array();
    for (size_t i = 0; i < json_array_size(members); i++) {
        if (outlier[i]) {
            json_array_append(list, json_object_get(json_array_get(members, i), "battery"));
        }
    }
    return list;
}

/* Of one key of all members, in its unit; null when none has it. A discharge that was cut
 * short says nothing of how much such batteries have. */
static json_t *statistics_of(const json_t *members, const char *key, bool of_discharge)
{
    size_t n = json_array_size(members);
    double *values = zalloc((n + 1) * sizeof *values);
    bool *outlier = zalloc((n + 1) * sizeof *outlier);
    struct lot_statistics s;
    for (size_t i = 0; i < n; i++) {
        const json_t *m = json_array_get(members, i);
        const json_t *v = json_object_get(m, key);
        bool known = json_is_number(v) &&
                     (!of_discharge || !json_is_true(json_object_get(m, "lower_bound")));
        values[i] = known ? json_number_value(v) : (double)NAN;
    }
    lot_judge(values, n, &s, outlier);
    json_t *o = json_null();
    if (s.n > 0) {
        o = json_pack("{s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "n",
                      (json_int_t)s.n, "mean", json_number(s.mean), "deviation",
                      json_number(s.deviation), "median", json_number(s.median), "min",
                      json_number(s.min), "max", json_number(s.max), "share", json_number(s.share),
                      "confidence", json_number(s.confidence), "at_least", json_number(s.lower),
                      "between_low", json_number(s.between_low), "between_high",
                      json_number(s.between_high), "outliers", outliers_of(members, outlier));
    }
    free(outlier);
    free(values);
    return o;
}

static bool lot_to_json(const struct web_config *c, const char *name, json_t **out, struct err *e)
{
    struct battery *members = NULL;
    struct reader *r = NULL;
    json_int_t counts[STANDINGS] = {0};
    size_t n = 0;
    json_t *list = json_array();
    bool ok = lookup_lot(c, name, &members, &n, e) && lookup_reader(c, &r, e);
    for (size_t i = 0; ok && i < n; i++) {
        ok = append_member(r, &members[i], list, counts, e);
    }
    reader_close(r);
    free(members);
    if (!ok) {
        json_decref(list);
        return false;
    }
    json_t *statistics =
        json_pack("{s:o, s:o, s:o}", "capacity_Ah", statistics_of(list, "capacity_Ah", true),
                  "percent_of_rated", statistics_of(list, "percent_of_rated", true),
                  "resistance_mOhm", statistics_of(list, "resistance_mOhm", false));
    *out = json_pack("{s:o, s:{s:I, s:I, s:I, s:I}, s:o, s:o}", "name", text_to_json(name),
                     "counts", standings[PASS], counts[PASS], standings[FAIL], counts[FAIL],
                     standings[UNDECIDED], counts[UNDECIDED], standings[UNTESTED], counts[UNTESTED],
                     "statistics", statistics, "batteries", list);
    return true;
}

bool get_lot(const struct request *q, struct reply *out, struct err *e)
{
    return lot_to_json(q->config, q->param, &out->body, e);
}

bool get_lots(const struct request *q, struct reply *out, struct err *e)
{
    struct battery *all = NULL;
    size_t n = 0;
    if (!store_battery_list(q->config->store, &all, &n, e)) {
        return false;
    }
    char **names = lot_names(all, n);
    json_t *list = json_array();
    bool ok = true;
    for (char **name = names; ok && *name != NULL; name++) {
        json_t *lot = NULL;
        ok = lot_to_json(q->config, *name, &lot, e);
        if (ok) {
            json_t *members = json_object_get(lot, "batteries");
            json_object_set_new(lot, "batteries",
                                json_integer((json_int_t)json_array_size(members)));
            json_object_del(lot, "statistics");
            json_array_append_new(list, lot);
        }
    }
    lot_names_free(names);
    free(all);
    out->body = ok ? json_pack("{s:o}", "lots", list) : NULL;
    if (!ok) {
        json_decref(list);
    }
    return ok;
}
