/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/reader: a read-only connection with its statements; batteries and latches. */
#include "store/reader.h"

#include "store/schema.h"

#include "base/file.h"
#include "base/yaml.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define BATTERY_COLUMNS                                                                            \
    "b.id, b.label, b.chemistry, b.cells, b.rated_Ah, b.rated_hours, b.rated_cutoff_V,"            \
    " b.current_max_A, b.charge_current_max_A, b.temperature_max_C, b.lot, b.note,"                \
    " b.created_utc_ns, b.retired_utc_ns"
/* The same as they were at the time of run r; the label is the present one. */
#define AS_IT_WAS(column) "iif(w.nr IS NULL, b." column ", w." column ")"
/* clang-format off: it takes the line for code */
#define BATTERY_COLUMNS_OF_RUN                                                                                                                                           \
    "b.id, b.label," AS_IT_WAS("chemistry") "," AS_IT_WAS("cells") "," AS_IT_WAS("rated_Ah") "," AS_IT_WAS("rated_hours") "," AS_IT_WAS("rated_cutoff_V") "," AS_IT_WAS( \
        "current_max_A") "," AS_IT_WAS("charge_current_max_A") "," AS_IT_WAS("temperature_max_C") "," AS_IT_WAS("lot") "," AS_IT_WAS("note") ", b.created_utc_ns, b.retired_utc_ns"
/* clang-format on */
#define RUN_COLUMNS                                                                                \
    "r.nr, r.id, r.stand, r.profile, r.started_utc_ns, r.ended_utc_ns, r.outcome, r.lead_Ohm,"     \
    " r.voltage_source, r.software_version, r.profile_sha256, r.bench_sha256, r.trip_reason,"      \
    " r.trip_sentence, r.trip_at_utc_ns, r.trip_at_s, r.trip_value, r.trip_limit,"                 \
    " " STORE_SAMPLE_COUNT("r.nr") ", " BATTERY_COLUMNS_OF_RUN                                     \
                                   ", i.file, i.sha256, i.from_s, i.to_s, i.utc_ns"
#define RUN_TABLES                                                                                 \
    " FROM run r JOIN battery b ON b.id = r.battery_id"                                            \
    " LEFT JOIN battery_was w ON w.nr = (SELECT nr FROM battery_was"                               \
    "  WHERE battery_id = r.battery_id AND last_run_nr >= r.nr ORDER BY last_run_nr, nr LIMIT 1)"  \
    " LEFT JOIN import i ON i.run_nr = r.nr "
/* Ours in the order they were begun, whatever the wall clock did; one that was taken over
 * stands behind the newest of ours that began before it. */
#define AMONG_OURS                                                                                 \
    "iif(i.run_nr IS NULL, r.nr, 0.5 + coalesce((SELECT max(o.nr) FROM run o WHERE"                \
    "  o.started_utc_ns <= r.started_utc_ns AND NOT EXISTS"                                        \
    "  (SELECT 1 FROM import WHERE run_nr = o.nr)), 0))"
/* One that is being written from a file is shown to nobody. */
#define IS_WHOLE "(i.whole IS NULL OR i.whole)"
#define ROW_COLUMNS                                                                                \
    "p.nr, p.stand, b.label, p.battery_id, p.profile, p.added_utc_ns, p.added_by, p.asked_utc_ns," \
    " p.run_nr, r.id, r.outcome, r.ended_utc_ns, p.dropped_utc_ns, p.dropped_why"                  \
    " FROM row_place p JOIN battery b ON b.id = p.battery_id LEFT JOIN run r ON r.nr = p.run_nr"   \
    " WHERE p.stand = ?1 AND "

static const char *const reader_sql[] = {
    [R_BEGIN] = "BEGIN",
    [R_COMMIT] = "COMMIT",
    [R_BATTERY] = "SELECT " BATTERY_COLUMNS " FROM battery b WHERE b.label = ?",
    [R_BATTERIES] = "SELECT " BATTERY_COLUMNS " FROM battery b ORDER BY b.label",
    [R_LABELS] = "SELECT label FROM battery ORDER BY label",
    [R_LATCH] = "SELECT reason, sentence, at_utc_ns, at_s, value, limit_value FROM latch"
                " WHERE stand = ? AND cleared_utc_ns IS NULL",
    [R_KNOWN] = "SELECT identity FROM known_instrument WHERE stand = ? AND role = ? AND driver = ?",
    [R_RUNS] = "SELECT " RUN_COLUMNS RUN_TABLES "WHERE (?1 IS NULL OR b.label = ?1) AND " IS_WHOLE
               " ORDER BY " AMONG_OURS " DESC, r.started_utc_ns DESC, r.nr DESC LIMIT ?2",
    [R_RUN] = "SELECT " RUN_COLUMNS ", r.plan_json, r.result_json" RUN_TABLES
              "WHERE r.nr = ?1 AND (?2 OR " IS_WHOLE ")",
    [R_LAST] = "SELECT nr FROM run r LEFT JOIN import i ON i.run_nr = r.nr WHERE " IS_WHOLE
               " ORDER BY i.run_nr IS NULL DESC, nr DESC LIMIT 1",
    [R_BY_PREFIX] = "SELECT nr FROM run r LEFT JOIN import i ON i.run_nr = r.nr"
                    " WHERE id GLOB ? || '*' AND " IS_WHOLE " ORDER BY nr DESC LIMIT 5",
    [R_INSTRUMENTS] = "SELECT role, driver, driver_sha256, identity, link FROM run_instrument"
                      " WHERE run_nr = ? ORDER BY position",
    [R_STEPS] = "SELECT step, name, kind, start_s, end_s, end_reason, plan_step, round FROM step"
                " WHERE run_nr = ? ORDER BY step",
    [R_LAST_SEQ] = "SELECT " STORE_SAMPLE_COUNT("?1") " - 1",
    [R_BLOCK] = "SELECT first_seq, last_seq, step, t_each, t_base, t_scale, t, voltage_base,"
                " voltage_scale, voltage, current_base, current_scale, current, temperature_base,"
                " temperature_scale, temperature FROM sample_block"
                " WHERE run_nr = ?1 AND last_seq > ?2 AND (step = ?3 OR ?3 < 0)"
                " ORDER BY last_seq LIMIT 1",
    [R_SAMPLES] = "SELECT seq, t_s, step, voltage_V, current_A, temperature_C FROM sample_row"
                  " WHERE run_nr = ?1 AND seq > ?2 AND seq <= ?3 AND (step = ?4 OR ?4 < 0)"
                  " ORDER BY seq LIMIT ?5",
    [R_EVENTS] = "SELECT nr, run_nr, utc_ns, t_s, kind, text FROM event WHERE run_nr IS ?"
                 " ORDER BY nr",
    [R_EVENTS_AFTER] = "SELECT nr, run_nr, utc_ns, t_s, kind, text FROM event WHERE nr > ?"
                       " ORDER BY nr LIMIT ?",
    [R_LAST_EVENT] = "SELECT max(nr) FROM event",
    [R_TEXT] = "SELECT body FROM text WHERE sha256 = ?",
    [R_ROW] = "SELECT " ROW_COLUMNS "p.left_order IS NULL ORDER BY p.place",
    [R_ROW_LEFT] = "SELECT " ROW_COLUMNS "p.left_order IS NOT NULL ORDER BY p.left_order DESC"
                   " LIMIT ?2",
    /* The newest run that came to a verdict. One that was cut short has "undecided", and
     * must not hide what a whole one said before. */
    [R_JUDGED] = "SELECT nr FROM run r LEFT JOIN import i ON i.run_nr = r.nr"
                 " WHERE battery_id = ? AND outcome = 'completed'"
                 " AND json_extract(result_json, '$.verdict') IS NOT NULL"
                 " ORDER BY " AMONG_OURS " DESC, r.started_utc_ns DESC, nr DESC LIMIT 1",
    [R_BACKUP] = "VACUUM INTO ?",
    [R_CHECK] = "PRAGMA integrity_check(1)",
    [R_CHECK_REFERENCES] = "SELECT \"table\" FROM pragma_foreign_key_check LIMIT 1",
};
_Static_assert(R_COUNT <= STORE_STATEMENTS_MAX, "room for all statements of a reader");

static bool open_reader(const char *path, bool judged, struct reader **out, struct err *e)
{
    struct reader *r = zalloc(sizeof *r);
    r->db.sql = reader_sql;
    if (!text_format(r->db.path, sizeof r->db.path, "%s", path))
        err_set(e, ERR_CONFIG, "the database path is too long: %s", path);
    else if (store_db_open_reader(&r->db, path, judged, e)) {
        *out = r;
        return true;
    }
    free(r);
    return false;
}

bool reader_open(const char *path, struct reader **out, struct err *e)
{
    return open_reader(path, false, out, e);
}

bool reader_of(const struct store *s, struct reader **out, struct err *e)
{
    return open_reader(store_path(s), true, out, e);
}

void reader_close(struct reader *r)
{
    if (!r)
        return;
    store_db_close(&r->db);
    free(r);
}

bool reader_end(struct reader *r, struct store_bind *b, struct err *e)
{
    bool fine = b->rc == SQLITE_ROW || b->rc == SQLITE_DONE ||
                store_sqlite_err(e, r->db.db, r->db.path, "read");
    store_reset(b);
    return fine;
}

static bool run_plain(struct reader *r, int which, struct err *e)
{
    struct store_bind b = store_bind(&r->db, which);
    return store_run(&b) == SQLITE_OK || store_sqlite_err(e, r->db.db, r->db.path, "read");
}

bool reader_begin(struct reader *r, struct err *e)
{
    return run_plain(r, R_BEGIN, e);
}

bool reader_commit(struct reader *r, bool ok, struct err *e)
{
    /* What failed before has the word. */
    return run_plain(r, R_COMMIT, ok ? e : NULL) && ok;
}

void *reader_grow(void *items, size_t count, size_t size)
{
    /* Doubles when count is a power of two (and at the start). */
    if ((count & (count - 1)) != 0)
        return items;
    size_t room = count == 0 ? 1 : count * 2;
    void *more = realloc(items, room * size);
    if (!more)
        abort(); /* as zalloc: nothing sensible is left to do */
    return more;
}

static enum chemistry chemistry_of(const char *name)
{
    for (int i = 0; i < CHEM_COUNT; i++) {
        if (name && strcmp(name, chemistry_names[i]) == 0)
            return (enum chemistry)i;
    }
    return CHEM_COUNT; /* from a hand other than ours; users of it check the range */
}

void reader_battery_columns(sqlite3_stmt *st, int column, struct battery *out)
{
    *out = battery_blank();
    store_column_copy(st, column, out->id, sizeof out->id);
    store_column_copy(st, column + 1, out->label, sizeof out->label);
    out->chemistry = chemistry_of((const char *)sqlite3_column_text(st, column + 2));
    out->cells = sqlite3_column_int(st, column + 3);
    out->rated_Ah = store_column_real(st, column + 4);
    out->rated_hours = store_column_real(st, column + 5);
    out->rated_cutoff_V = store_column_real(st, column + 6);
    out->current_max_A = store_column_real(st, column + 7);
    out->charge_current_max_A = store_column_real(st, column + 8);
    out->temperature_max_C = store_column_real(st, column + 9);
    store_column_copy(st, column + 10, out->lot, sizeof out->lot);
    store_column_copy(st, column + 11, out->note, sizeof out->note);
    out->created_utc_ns = sqlite3_column_int64(st, column + 12);
    out->retired_utc_ns = sqlite3_column_int64(st, column + 13);
}

static void free_words(char **words, size_t n)
{
    for (size_t i = 0; i < n; i++)
        free(words[i]);
    free(words);
}

/* Fill *e with the label that was probably meant. Returns false. */
static bool unknown_label(struct reader *r, const char *label, struct err *e)
{
    char **words = NULL;
    size_t n = 0;
    struct store_bind b = store_bind(&r->db, R_LABELS);
    while (store_row(&b) == SQLITE_ROW) {
        words = reader_grow(words, n, sizeof *words);
        words[n++] = store_column_owned(b.stmt, 0);
    }
    if (!reader_end(r, &b, e)) {
        free_words(words, n);
        return false;
    }
    words = reader_grow(words, n, sizeof *words);
    words[n] = NULL;
    const char *near = nearest_word(label, (const char *const *)words);
    err_set(e, ERR_NOT_FOUND,
            "no battery with the label \"%s\" is in the register%s%s%s; \"ampledger battery list\" "
            "shows those that are",
            label, near ? "; did you mean \"" : "", near ? near : "", near ? "\"?" : "");
    free_words(words, n);
    return false;
}

bool reader_battery(struct reader *r, const char *label, struct battery *out, struct err *e)
{
    struct store_bind b = store_bind(&r->db, R_BATTERY);
    store_bind_text(&b, label);
    bool found = store_row(&b) == SQLITE_ROW;
    if (found)
        reader_battery_columns(b.stmt, 0, out);
    return reader_end(r, &b, e) && (found || unknown_label(r, label, e));
}

bool reader_batteries(struct reader *r, struct battery **out, size_t *n, struct err *e)
{
    *out = NULL;
    *n = 0;
    struct store_bind b = store_bind(&r->db, R_BATTERIES);
    while (store_row(&b) == SQLITE_ROW) {
        *out = reader_grow(*out, *n, sizeof **out);
        reader_battery_columns(b.stmt, 0, &(*out)[(*n)++]);
    }
    if (reader_end(r, &b, e))
        return true;
    free(*out);
    *out = NULL;
    *n = 0;
    return false;
}

bool reader_latch(struct reader *r, const char *stand, bool *found, struct run_trip *out,
                  struct err *e)
{
    *out = (struct run_trip){.at_s = (double)NAN, .value = (double)NAN, .limit = (double)NAN};
    struct store_bind b = store_bind(&r->db, R_LATCH);
    store_bind_text(&b, stand);
    *found = store_row(&b) == SQLITE_ROW;
    if (*found) {
        store_column_copy(b.stmt, 0, out->reason, sizeof out->reason);
        store_column_copy(b.stmt, 1, out->sentence, sizeof out->sentence);
        out->at_utc_ns = sqlite3_column_int64(b.stmt, 2);
        out->at_s = store_column_real(b.stmt, 3);
        out->value = store_column_real(b.stmt, 4);
        out->limit = store_column_real(b.stmt, 5);
    }
    return reader_end(r, &b, e);
}

bool reader_known(struct reader *r, const char *stand, struct run_instrument *known, struct err *e)
{
    known->identity[0] = '\0';
    struct store_bind b = store_bind(&r->db, R_KNOWN);
    store_bind_text(&b, stand);
    store_bind_text(&b, known->role);
    store_bind_text(&b, known->driver);
    if (store_row(&b) == SQLITE_ROW)
        store_column_copy(b.stmt, 0, known->identity, sizeof known->identity);
    return reader_end(r, &b, e);
}
