/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_import: a record that was made elsewhere, sent piece by piece, becomes a run. */
#include "analysis/capacity_json.h"
#include "base/base64.h"
#include "base/clock.h"
#include "base/file.h"
#include "base/yaml.h"
#include "web/body.h"
#include "web/handlers.h"
#include "web/imports.h"
#include "web/lookup.h"
#include "web/shapes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What stands in the body, before it is put together. */
struct words {
    char file[IMPORT_FILE_SIZE], started_utc[64], step[16], name[STEP_NAME_SIZE];
    char column[CSV_COLUMNS][CSV_NAME_SIZE + 16];
    char voltage_source[16], rule[16];
    double guard_share_percent;
    double voltage_percent, current_percent;
};

static bool choose(const char *text, const char *const *words, const char *key, int *out,
                   struct err *e)
{
    for (int i = 0; words[i] != NULL; i++) {
        if (strcmp(words[i], text) == 0) {
            *out = i;
            return true;
        }
    }
    const char *near = nearest_word(text, words);
    return err_set(e, ERR_CONFIG, "%s: \"%.40s\" is not known; %s \"%s\"", key, text,
                   near != NULL ? "did you mean" : "write e.g.", near != NULL ? near : words[0]);
}

static bool settle_step(const struct words *w, struct import_terms *t, struct err *e)
{
    static const char *const names[] = {"discharge", "charge", "rest", "pulse", NULL};
    static const enum step_kind kinds[] = {STEP_DISCHARGE, STEP_CHARGE, STEP_REST, STEP_PULSE};
    int which = 0;
    if (w->step[0] != '\0' && !choose(w->step, names, "step", &which, e)) {
        return false;
    }
    t->kind = kinds[which];
    text_format(t->step_name, sizeof t->step_name, "%s",
                w->name[0] != '\0' ? w->name : names[which]);
    if (isfinite(t->cutoff_V) && t->kind != STEP_DISCHARGE) {
        return err_set(e, ERR_CONFIG, "cutoff_V belongs to a discharge, not to a %s", names[which]);
    }
    return true;
}

static bool settle_acceptance(const struct words *w, struct import_terms *t, struct err *e)
{
    int rule = DECISION_GUARD_BAND;
    if (w->rule[0] != '\0' && !choose(w->rule, decision_rule_names, "rule", &rule, e)) {
        return false;
    }
    bool shares = rule == DECISION_GUARD_SHARE;
    if (shares != isfinite(w->guard_share_percent) ||
        (shares && !(w->guard_share_percent > 0 && w->guard_share_percent <= 100))) {
        return err_set(e, ERR_CONFIG,
                       "guard_share_percent, above 0 and at most 100, goes with the rule "
                       "guard-share and with no other");
    }
    if (isfinite(t->accept_Ah) && (t->kind != STEP_DISCHARGE || isnan(t->cutoff_V))) {
        return err_set(e, ERR_CONFIG,
                       "acceptance_Ah: only a discharge to a cut-off can be judged; give cutoff_V");
    }
    t->guard_share = rule == DECISION_SIMPLE ? 0 : shares ? w->guard_share_percent / 100 : 1;
    return true;
}

static bool settle_file(const struct words *w, struct import_wanted *out, struct err *e)
{
    struct import_terms *t = &out->terms;
    const char *slash = strrchr(w->file, '/');
    text_format(t->source.file, sizeof t->source.file, "%s", slash != NULL ? slash + 1 : w->file);
    if (t->source.file[0] == '\0') {
        return err_set(e, ERR_CONFIG, "\"file\" is the name of the file, which is empty");
    }
    for (enum csv_column c = 0; c < CSV_COLUMNS; c++) {
        if (w->column[c][0] != '\0' && !csv_columns_name(&out->columns, c, w->column[c], e)) {
            return false;
        }
    }
    if (out->columns.time_is_utc != (w->started_utc[0] == '\0')) {
        return err_set(
            e, ERR_CONFIG,
            "say when its first row was (--started 2024-05-01T18:00:00Z, started_utc), or that "
            "the column of times has dates (--time NAME:utc, time_column); one of them");
    }
    return out->columns.time_is_utc || clock_parse_utc(w->started_utc, &t->started_utc_ns, e) ||
           err_prefix(e, "started_utc (--started)");
}

static bool settle(const struct words *w, struct import_wanted *out, struct err *e)
{
    struct import_terms *t = &out->terms;
    int source = SOURCE_TWO_WIRE;
    if (w->voltage_source[0] != '\0' &&
        !choose(w->voltage_source, voltage_source_names, "voltage_source", &source, e)) {
        return false;
    }
    t->voltage_source = (enum voltage_source)source;
    t->accuracy.voltage.gain = w->voltage_percent / 100;
    t->accuracy.current.gain = w->current_percent / 100;
    return settle_file(w, out, e) && settle_step(w, t, e) && settle_acceptance(w, t, e);
}

static bool read_wanted(const json_t *body, struct import_wanted *out, struct err *e)
{
    struct import_terms *t = &out->terms;
    struct words w = {.guard_share_percent = NAN, .voltage_percent = NAN, .current_percent = NAN};
    const struct accuracy unknown = {NAN, NAN, NAN};
    t->cutoff_V = t->current_A = t->accept_Ah = t->source.from_s = t->source.to_s = NAN;
    t->accuracy = (struct instrument_accuracy){unknown, unknown, NAN};
    out->columns = csv_columns_usual();
    const struct body_field fields[] = {
        {"file", BODY_TEXT, true, w.file, sizeof w.file},
        {"started_utc", BODY_TEXT, false, w.started_utc, sizeof w.started_utc},
        {"step", BODY_TEXT, false, w.step, sizeof w.step},
        {"name", BODY_TEXT, false, w.name, sizeof w.name},
        {"time_column", BODY_TEXT, false, w.column[CSV_TIME], sizeof w.column[0]},
        {"voltage_column", BODY_TEXT, false, w.column[CSV_VOLTAGE], sizeof w.column[0]},
        {"current_column", BODY_TEXT, false, w.column[CSV_CURRENT], sizeof w.column[0]},
        {"temperature_column", BODY_TEXT, false, w.column[CSV_TEMPERATURE], sizeof w.column[0]},
        {"discharge_positive", BODY_FLAG, false, &out->discharge_positive, 0},
        {"from_s", BODY_NUMBER, false, &t->source.from_s, 0},
        {"to_s", BODY_NUMBER, false, &t->source.to_s, 0},
        {"cutoff_V", BODY_POSITIVE, false, &t->cutoff_V, 0},
        {"current_A", BODY_POSITIVE, false, &t->current_A, 0},
        {"lead_resistance_ohm", BODY_POSITIVE, false, &t->lead_ohm, 0},
        {"voltage_source", BODY_TEXT, false, w.voltage_source, sizeof w.voltage_source},
        {"voltage_gain_percent", BODY_POSITIVE, false, &w.voltage_percent, 0},
        {"voltage_offset_V", BODY_POSITIVE, false, &t->accuracy.voltage.offset, 0},
        {"current_gain_percent", BODY_POSITIVE, false, &w.current_percent, 0},
        {"current_offset_A", BODY_POSITIVE, false, &t->accuracy.current.offset, 0},
        {"acceptance_Ah", BODY_POSITIVE, false, &t->accept_Ah, 0},
        {"rule", BODY_TEXT, false, w.rule, sizeof w.rule},
        {"guard_share_percent", BODY_POSITIVE, false, &w.guard_share_percent, 0},
        {"starts_full", BODY_FLAG, false, &t->starts_full, 0},
        {"anyway", BODY_FLAG, false, &t->anyway, 0},
    };
    return body_read(body, fields, sizeof fields / sizeof fields[0], e) && settle(&w, out, e);
}

bool post_import(const struct request *q, struct reply *out, struct err *e)
{
    struct import_wanted *wanted = zalloc(sizeof *wanted);
    char id[UUID_TEXT_SIZE] = "";
    wanted->terms.source.utc_ns = clock_real_utc_ns();
    bool ok = store_battery_find(q->config->store, q->param, &wanted->terms.battery, e) &&
              read_wanted(q->body, wanted, e) && imports_begin(q->config->imports, wanted, id, e);
    free(wanted);
    if (ok) {
        out->status = HTTP_CREATED;
        out->body = json_pack("{s:s}", "import", id);
        text_format(out->location, sizeof out->location, "/v1/imports/%s", id);
    }
    return ok;
}

bool post_import_piece(const struct request *q, struct reply *out, struct err *e)
{
    char *text = zalloc(BODY_LIMIT);
    double at = NAN;
    long long total = 0;
    struct import_bytes piece = {.bytes = text};
    const struct body_field fields[] = {
        {"at", BODY_NUMBER, true, &at, 0},
        {"base64", BODY_TEXT, true, text, BODY_LIMIT},
    };
    bool ok = body_read(q->body, fields, 2, e);
    if (ok && !(at >= 0 && at <= (double)IMPORT_BYTES_MAX && floor(at) >= at)) {
        ok = err_set(e, ERR_CONFIG, "\"at\" is where in the file the piece begins, from 0 on");
    }
    if (ok && !base64_decode(text, text, &piece.n)) {
        ok = err_set(e, ERR_CONFIG, "\"base64\" is not base64 (RFC 4648)");
    }
    if (ok) {
        piece.at = (long long)at;
        ok = imports_put(q->config->imports, q->param, &piece, &total, e);
    }
    out->body = ok ? json_pack("{s:I}", "bytes", (json_int_t)total) : NULL;
    free(text);
    return ok;
}

bool post_import_finish(const struct request *q, struct reply *out, struct err *e)
{
    char sha256[SHA256_TEXT_SIZE] = "", which[24];
    int64_t nr = 0;
    struct reader *r = NULL;
    struct run_row row;
    const struct body_field fields[] = {{"sha256", BODY_TEXT, true, sha256, sizeof sha256}};
    if (!body_read(q->body, fields, 1, e) ||
        !imports_finish(q->config->imports, q->param, sha256, q->config->store, &nr, e)) {
        return false;
    }
    text_format(which, sizeof which, "%lld", (long long)nr);
    bool ok = lookup_reader(q->config, &r, e) && lookup_run(r, which, &row, &out->body, e);
    if (ok) {
        out->status = HTTP_CREATED;
        text_format(out->location, sizeof out->location, "/v1/runs/%s", row.id);
        run_row_free(&row);
    }
    reader_close(r);
    return ok;
}

bool post_import_drop(const struct request *q, struct reply *out, struct err *e)
{
    if (!body_read(q->body, NULL, 0, e) || !imports_drop(q->config->imports, q->param, e)) {
        return false;
    }
    out->body = json_object();
    return true;
}
