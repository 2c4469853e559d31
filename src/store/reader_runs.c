/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/reader_runs: runs as rows, found by number, by id or as the last one. */
#include "store/import.h"
#include "store/reader.h"

#include <ctype.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BATTERY_COLUMN 19 /* where the battery begins in RUN_COLUMNS */
#define IMPORT_COLUMN 33  /* what follows it */
#define PLAN_COLUMN 38    /* and that */

void run_row_free(struct run_row *r)
{
    free(r->plan_json);
    free(r->result_json);
    free(r->steps);
    r->plan_json = r->result_json = NULL;
    r->steps = NULL;
    r->step_count = 0;
}

enum run_outcome reader_outcome(const char *name)
{
    for (int i = 0; i <= RUN_INTERRUPTED; i++) {
        if (name && strcmp(name, run_outcome_names[i]) == 0)
            return (enum run_outcome)i;
    }
    return RUN_ABORTED; /* the table's CHECK lets no other name in */
}

static void read_trip(sqlite3_stmt *st, int column, struct run_trip *t)
{
    store_column_copy(st, column, t->reason, sizeof t->reason);
    store_column_copy(st, column + 1, t->sentence, sizeof t->sentence);
    t->at_utc_ns = sqlite3_column_int64(st, column + 2);
    t->at_s = store_column_real(st, column + 3);
    t->value = store_column_real(st, column + 4);
    t->limit = store_column_real(st, column + 5);
}

static void read_source(sqlite3_stmt *st, int column, struct import_source *s)
{
    store_column_copy(st, column, s->file, sizeof s->file);
    store_column_copy(st, column + 1, s->sha256, sizeof s->sha256);
    s->from_s = store_column_real(st, column + 2);
    s->to_s = store_column_real(st, column + 3);
    s->utc_ns = sqlite3_column_int64(st, column + 4);
}

static void read_run(sqlite3_stmt *st, struct run_row *r)
{
    memset(r, 0, sizeof *r);
    r->nr = sqlite3_column_int64(st, 0);
    store_column_copy(st, 1, r->id, sizeof r->id);
    store_column_copy(st, 2, r->stand, sizeof r->stand);
    store_column_copy(st, 3, r->profile, sizeof r->profile);
    r->started_utc_ns = sqlite3_column_int64(st, 4);
    r->ended_utc_ns = sqlite3_column_int64(st, 5);
    r->outcome = reader_outcome((const char *)sqlite3_column_text(st, 6));
    r->lead_ohm = store_column_real(st, 7);
    store_column_copy(st, 8, r->voltage_source, sizeof r->voltage_source);
    store_column_copy(st, 9, r->software_version, sizeof r->software_version);
    store_column_copy(st, 10, r->profile_sha256, sizeof r->profile_sha256);
    store_column_copy(st, 11, r->bench_sha256, sizeof r->bench_sha256);
    read_trip(st, 12, &r->trip);
    r->sample_count = sqlite3_column_int64(st, 18);
    reader_battery_columns(st, BATTERY_COLUMN, &r->battery_record);
    read_source(st, IMPORT_COLUMN, &r->imported);
    memcpy(r->battery, r->battery_record.label, sizeof r->battery);
}

bool reader_runs(struct reader *r, const char *battery, int limit, struct run_row **out, size_t *n,
                 struct err *e)
{
    *out = NULL;
    *n = 0;
    struct battery known;
    if (battery && !reader_battery(r, battery, &known, e))
        return false;
    struct store_bind b = store_bind(&r->db, R_RUNS);
    store_bind_text(&b, battery);
    store_bind_int(&b, limit > 0 ? limit : -1);
    while (store_row(&b) == SQLITE_ROW) {
        *out = reader_grow(*out, *n, sizeof **out);
        read_run(b.stmt, &(*out)[(*n)++]);
    }
    if (reader_end(r, &b, e))
        return true;
    free(*out);
    *out = NULL;
    *n = 0;
    return false;
}

static bool read_instruments(struct reader *r, struct run_row *row, struct err *e)
{
    struct store_bind b = store_bind(&r->db, R_INSTRUMENTS);
    store_bind_int(&b, row->nr);
    while (row->instrument_count < sizeof row->instrument / sizeof row->instrument[0] &&
           store_row(&b) == SQLITE_ROW) {
        struct run_instrument *in = &row->instrument[row->instrument_count++];
        store_column_copy(b.stmt, 0, in->role, sizeof in->role);
        store_column_copy(b.stmt, 1, in->driver, sizeof in->driver);
        store_column_copy(b.stmt, 2, in->driver_sha256, sizeof in->driver_sha256);
        store_column_copy(b.stmt, 3, in->identity, sizeof in->identity);
        store_column_copy(b.stmt, 4, in->link, sizeof in->link);
    }
    return reader_end(r, &b, e);
}

static bool read_steps(struct reader *r, struct run_row *row, struct err *e)
{
    struct store_bind b = store_bind(&r->db, R_STEPS);
    store_bind_int(&b, row->nr);
    while (store_row(&b) == SQLITE_ROW) {
        row->steps = reader_grow(row->steps, row->step_count, sizeof *row->steps);
        struct run_step *s = &row->steps[row->step_count++];
        s->step = sqlite3_column_int(b.stmt, 0);
        store_column_copy(b.stmt, 1, s->name, sizeof s->name);
        store_column_copy(b.stmt, 2, s->kind, sizeof s->kind);
        s->start_s = store_column_real(b.stmt, 3);
        s->end_s = store_column_real(b.stmt, 4);
        store_column_copy(b.stmt, 5, s->end_reason, sizeof s->end_reason);
        s->plan_step = sqlite3_column_int(b.stmt, 6);
        s->round = sqlite3_column_int(b.stmt, 7);
    }
    return reader_end(r, &b, e);
}

static bool last_nr(struct reader *r, int64_t *nr, struct err *e)
{
    *nr = 0;
    struct store_bind b = store_bind(&r->db, R_LAST);
    return store_get_int(&b, nr) == SQLITE_OK || store_sqlite_err(e, r->db.db, r->db.path, "read");
}

/* Only digits and no leading zero: a number. (Ids of this century begin with 0.) */
static bool is_number(const char *which, int64_t *nr)
{
    size_t n = strspn(which, "0123456789");
    if (n == 0 || n > 18 || which[n] != '\0' || which[0] == '0')
        return false;
    *nr = 0;
    for (const char *p = which; *p; p++)
        *nr = *nr * 10 + (*p - '0');
    return true;
}

static bool is_beginning_of_id(const char *which, char out[UUID_TEXT_SIZE])
{
    size_t n = strlen(which);
    if (n == 0 || n >= UUID_TEXT_SIZE)
        return false;
    for (size_t i = 0; i <= n; i++)
        out[i] = (char)tolower((unsigned char)which[i]);
    return strspn(out, "0123456789abcdef-") == n;
}

static bool by_prefix(struct reader *r, const char *prefix, int64_t *nr, struct err *e)
{
    char others[96] = "";
    size_t n = 0, used = 0;
    struct store_bind b = store_bind(&r->db, R_BY_PREFIX);
    store_bind_text(&b, prefix);
    while (store_row(&b) == SQLITE_ROW) {
        *nr = sqlite3_column_int64(b.stmt, 0);
        used += (size_t)snprintf(others + used, sizeof others - used, "%s%" PRId64, n++ ? ", " : "",
                                 *nr);
        if (used >= sizeof others)
            used = sizeof others - 1;
    }
    if (!reader_end(r, &b, e))
        return false;
    if (n > 1)
        return err_set(e, ERR_CONFIG,
                       "\"%s\" is the beginning of the ids of several runs (%s%s): give more "
                       "characters, or the run's number",
                       prefix, others, n == 5 ? ", ..." : "");
    return n == 1 || err_set(e, ERR_NOT_FOUND,
                             "no run has an id that begins with \"%s\"; \"ampledger runs\" shows "
                             "all",
                             prefix);
}

static bool find_nr(struct reader *r, const char *which, int64_t *nr, struct err *e)
{
    char prefix[UUID_TEXT_SIZE];
    int64_t last = 0;
    if (!last_nr(r, &last, e))
        return false;
    if (last == 0)
        return err_set(e, ERR_NOT_FOUND, "there are no runs yet");
    if (strcmp(which, "last") == 0) {
        *nr = last;
        return true;
    }
    if (is_number(which, nr))
        return true;
    if (is_beginning_of_id(which, prefix))
        return by_prefix(r, prefix, nr, e);
    return err_set(e, ERR_NOT_FOUND,
                   "\"%s\" does not name a run: give its number, the beginning of its id, or "
                   "\"last\"",
                   which);
}

/* `any`: also one that is still being written from a file. */
static bool read_whole_run(struct reader *r, int64_t nr, bool any, struct run_row *out,
                           struct err *e)
{
    struct store_bind b = store_bind(&r->db, R_RUN);
    store_bind_int(&b, nr);
    store_bind_int(&b, any);
    bool found = store_row(&b) == SQLITE_ROW;
    if (found) {
        read_run(b.stmt, out);
        out->plan_json = store_column_owned(b.stmt, PLAN_COLUMN);
        out->result_json = store_column_owned(b.stmt, PLAN_COLUMN + 1);
    }
    if (!reader_end(r, &b, e))
        return false;
    if (!found)
        return err_set(e, ERR_NOT_FOUND,
                       "there is no run %" PRId64 "; \"ampledger runs\" shows all", nr);
    return read_instruments(r, out, e) && read_steps(r, out, e);
}

bool reader_judged(struct reader *r, const char *battery_id, int64_t *nr, struct err *e)
{
    *nr = 0;
    struct store_bind b = store_bind(&r->db, R_JUDGED);
    store_bind_text(&b, battery_id);
    return store_get_int(&b, nr) == SQLITE_OK || store_sqlite_err(e, r->db.db, r->db.path, "read");
}

/* In one transaction, so that the parts fit together while the run goes on. which NULL: nr. */
static bool run_at_once(struct reader *r, const char *which, int64_t nr, struct run_row *out,
                        struct err *e)
{
    memset(out, 0, sizeof *out);
    if (!reader_begin(r, e))
        return false;
    bool ok = (which == NULL || find_nr(r, which, &nr, e)) && read_whole_run(r, nr, false, out, e);
    ok = reader_commit(r, ok, e);
    if (!ok)
        run_row_free(out);
    return ok;
}

bool reader_run(struct reader *r, const char *which, struct run_row *out, struct err *e)
{
    return run_at_once(r, which, 0, out, e);
}

bool reader_run_nr(struct reader *r, int64_t nr, struct run_row *out, struct err *e)
{
    return run_at_once(r, NULL, nr, out, e);
}

bool reader_import(struct reader *r, int64_t nr, struct run_row *out, struct err *e)
{
    memset(out, 0, sizeof *out);
    bool ok = read_whole_run(r, nr, true, out, e);
    if (!ok)
        run_row_free(out);
    return ok;
}
