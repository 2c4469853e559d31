/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/records: from a queued entry to rows. */
#include "store/writer.h"

#include "base/log.h"

#include <inttypes.h>
#include <string.h>

/* What can be corrected. */
#define BATTERY_FACTS                                                                              \
    "label, chemistry, cells, rated_Ah, rated_hours, rated_cutoff_V, current_max_A,"               \
    " charge_current_max_A, temperature_max_C, lot, note"
#define LAST_T_S                                                                                   \
    "coalesce((SELECT t_s FROM sample_row WHERE run_nr = run.nr ORDER BY seq DESC LIMIT 1),"       \
    " (SELECT last_t_s FROM sample_block WHERE run_nr = run.nr ORDER BY last_seq DESC LIMIT 1))"
#define STILL_WAITS "left_order IS NULL"
#define LEAVES "left_order = (SELECT coalesce(max(left_order), 0) + 1 FROM row_place)"

const char *const writer_sql[] = {
    [W_BEGIN] = "BEGIN IMMEDIATE",
    [W_COMMIT] = "COMMIT",
    [W_SAVEPOINT] = "SAVEPOINT op",
    [W_ROLLBACK_TO] = "ROLLBACK TO op",
    [W_RELEASE] = "RELEASE op",
    [W_SAMPLE] = "INSERT INTO sample_row(run_nr, seq, t_s, step, voltage_V, current_A,"
                 " temperature_C) VALUES(?, ?, ?, ?, ?, ?, ?)",
    [W_NEXT_SEQ] = "SELECT " STORE_SAMPLE_COUNT("?1"),
    /* The oldest run that has a block's worth of rows and one more, or is over and has any. */
    [W_PACK_RUN] = "SELECT nr FROM run WHERE nr > ?2 AND"
                   " nr >= (SELECT min(run_nr) FROM sample_row) AND"
                   " (SELECT max(seq) FROM sample_row WHERE run_nr = nr)"
                   " - (SELECT min(seq) FROM sample_row WHERE run_nr = nr)"
                   " >= iif(outcome = 'running', ?1, 0)"
                   " AND NOT EXISTS (SELECT 1 FROM import WHERE run_nr = nr AND NOT whole) ORDER "
                   "BY nr LIMIT 1",
    [W_PACK_ROWS] = "SELECT seq, step, t_s, voltage_V, current_A, temperature_C FROM sample_row"
                    " WHERE run_nr = ? ORDER BY seq LIMIT ?",
    [W_BLOCK] = "INSERT INTO sample_block(run_nr, first_seq, last_seq, step, last_t_s, t_each,"
                " t_base, t_scale, t, voltage_base, voltage_scale, voltage, current_base,"
                " current_scale, current, temperature_base, temperature_scale, temperature)"
                " VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [W_PACKED] = "DELETE FROM sample_row WHERE run_nr = ? AND seq BETWEEN ? AND ?",
    [W_STEP_BEGIN] = "INSERT INTO step(run_nr, step, name, kind, start_s, plan_step, round)"
                     " VALUES(?, ?, ?, ?, ?, ?, ?)",
    [W_STEP_END] = "UPDATE step SET end_s = ?, end_reason = ? WHERE run_nr = ? AND step = ?",
    [W_EVENT] = "INSERT INTO event(run_nr, utc_ns, t_s, kind, text) VALUES(?, ?, ?, ?, ?)",
    [W_BATTERY_ADD] =
        "INSERT INTO battery(id, label, chemistry, cells, rated_Ah, rated_hours, rated_cutoff_V,"
        " current_max_A, charge_current_max_A, temperature_max_C, lot, note, created_utc_ns,"
        " retired_utc_ns) VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    [W_BATTERY_RETIRE] = "UPDATE battery SET retired_utc_ns = ?"
                         " WHERE label = ? AND retired_utc_ns IS NULL",
    [W_BATTERY_WAS] =
        "INSERT INTO battery_was(battery_id, until_utc_ns, last_run_nr, " BATTERY_FACTS ")"
        " SELECT id, ?2, (SELECT coalesce(max(nr), 0) FROM run), " BATTERY_FACTS
        " FROM battery WHERE id = ?1",
    [W_BATTERY_EDIT] = "UPDATE battery SET label = ?, chemistry = ?, cells = ?, rated_Ah = ?,"
                       " rated_hours = ?, rated_cutoff_V = ?, current_max_A = ?,"
                       " charge_current_max_A = ?, temperature_max_C = ?, lot = ?, note = ?"
                       " WHERE id = ?",
    [W_BATTERY_KNOWN] = "SELECT count(*) FROM battery WHERE id = ?1 OR label = ?1",
    [W_TEXT] = "INSERT OR IGNORE INTO text(sha256, body) VALUES(?, ?)",
    [W_RUN_BEGIN] =
        "INSERT INTO run(id, battery_id, stand, profile, started_utc_ns, outcome, lead_Ohm,"
        " voltage_source, software_version, profile_sha256, bench_sha256, plan_json)"
        " VALUES(?, ?, ?, ?, ?, 'running', ?, ?, ?, ?, ?, ?)",
    [W_RUN_INSTRUMENT] =
        "INSERT INTO run_instrument(run_nr, position, role, driver, driver_sha256, identity, link)"
        " VALUES(?, ?, ?, ?, ?, ?, ?)",
    [W_RUN_END] =
        "UPDATE run SET outcome = ?, ended_utc_ns = ?, result_json = ?, trip_reason = ?,"
        " trip_sentence = ?, trip_at_utc_ns = ?, trip_at_s = ?, trip_value = ?, trip_limit = ?"
        " WHERE nr = ? AND outcome = 'running'",
    [W_RUN_STATE] = "SELECT outcome, ended_utc_ns FROM run WHERE nr = ?",
    [W_LATCH_SET] =
        "INSERT INTO latch(stand, run_nr, reason, sentence, at_utc_ns, at_s, value, limit_value)"
        " VALUES(?, ?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT(stand) WHERE cleared_utc_ns IS NULL DO UPDATE SET run_nr = excluded.run_nr,"
        " reason = excluded.reason, sentence = excluded.sentence, at_utc_ns = excluded.at_utc_ns,"
        " at_s = excluded.at_s, value = excluded.value, limit_value = excluded.limit_value",
    [W_LATCH_CLEAR] = "UPDATE latch SET cleared_utc_ns = ?"
                      " WHERE stand = ? AND cleared_utc_ns IS NULL",
    [W_INTERRUPTED_EVENTS] =
        "INSERT INTO event(run_nr, utc_ns, t_s, kind, text)"
        " SELECT nr, ?, " LAST_T_S ","
        " 'interrupted', 'The run was cut off: the program or the computer stopped while it was"
        " under way. What was measured until then is recorded.'"
        " FROM run WHERE outcome = 'running'",
    /* The end is where the record ends: the time of the last sample. */
    [W_INTERRUPTED] =
        "UPDATE run SET outcome = 'interrupted', ended_utc_ns = started_utc_ns"
        " + coalesce(CAST(round(" LAST_T_S " * 1e9) AS INTEGER), 0) WHERE outcome = 'running'",
    [W_RESUME] = "UPDATE run SET outcome = 'running', ended_utc_ns = NULL"
                 " WHERE nr = ? AND outcome = 'interrupted'",
    [W_KNOWN_INSTRUMENT] =
        "INSERT OR REPLACE INTO known_instrument(stand, role, driver, identity, since_utc_ns)"
        " VALUES(?, ?, ?, ?, ?)",
    [W_ROW_WAITING] = "SELECT count(*) FROM row_place WHERE stand = ? AND " STILL_WAITS,
    [W_ROW_FIND] = "SELECT stand FROM row_place WHERE battery_id = ? AND profile = ?"
                   " AND " STILL_WAITS,
    [W_ROW_ADD] = "INSERT INTO row_place(stand, place, battery_id, profile, added_utc_ns, added_by)"
                  " VALUES(?1, (SELECT coalesce(max(place), 0) + 1 FROM row_place WHERE stand = ?1"
                  "  AND " STILL_WAITS "), ?2, ?3, ?4, ?5)",
    [W_ROW_DROP] = "UPDATE row_place SET dropped_utc_ns = ?, dropped_why = ?, " LEAVES
                   " WHERE nr = ? AND " STILL_WAITS,
    /* All of the row are numbered anew; the one that moves gets in between (?2 is odd). */
    [W_ROW_MOVE] =
        "UPDATE row_place SET place = to_be.place FROM"
        " (SELECT nr, row_number() OVER (ORDER BY CASE nr WHEN ?1 THEN ?2 ELSE 2 * rank END)"
        "  AS place FROM (SELECT nr, row_number() OVER (ORDER BY place) AS rank FROM row_place"
        "   WHERE stand = (SELECT stand FROM row_place WHERE nr = ?1 AND " STILL_WAITS
        ") AND " STILL_WAITS "))"
        " AS to_be WHERE row_place.nr = to_be.nr",
    [W_ROW_ASKED] = "UPDATE row_place SET asked_utc_ns = ? WHERE nr = ? AND asked_utc_ns IS NULL",
    [W_ROW_RUN] = "UPDATE row_place SET run_nr = ?, " LEAVES " WHERE nr = ? AND " STILL_WAITS,
    [W_IMPORT_KNOWN] = "SELECT i.run_nr FROM import i JOIN run r ON r.nr = i.run_nr"
                       " WHERE i.sha256 = ? AND i.whole AND r.battery_id = ? AND i.from_s IS ?"
                       " AND i.to_s IS ? LIMIT 1",
    [W_IMPORT_FILE] = "SELECT file FROM import WHERE run_nr = ?",
    [W_IMPORT_SAME] =
        "SELECT i.run_nr FROM import me JOIN run mine ON mine.nr = me.run_nr"
        " JOIN import i ON i.sha256 = me.sha256 AND i.from_s IS me.from_s AND i.to_s IS me.to_s"
        " JOIN run r ON r.nr = i.run_nr"
        " WHERE me.run_nr = ? AND i.whole AND i.run_nr <> me.run_nr"
        " AND r.battery_id = mine.battery_id LIMIT 1",
    /* "aborted" while it is not whole: it is not running, and nobody is shown it. */
    [W_IMPORT_RUN] =
        "INSERT INTO run(id, battery_id, stand, profile, started_utc_ns, outcome, lead_Ohm,"
        " voltage_source, software_version, plan_json) VALUES(?, ?, '', ?, ?, 'aborted', ?, ?, ?, "
        "?)",
    [W_IMPORT_SOURCE] = "INSERT INTO import(run_nr, file, sha256, from_s, to_s, utc_ns)"
                        " VALUES(?, ?, ?, ?, ?, ?)",
    [W_STEP_TIMES] = "UPDATE step SET start_s = ?, end_s = ?, end_reason = ? WHERE run_nr = ?",
    [W_IMPORT_END] = "UPDATE run SET outcome = 'completed', ended_utc_ns = ?, result_json = ?"
                     " WHERE nr = ?",
    [W_IMPORT_WHOLE] = "UPDATE import SET whole = 1 WHERE run_nr = ?",
    [W_IMPORT_STATE] = "SELECT whole FROM import WHERE run_nr = ?",
    [W_IMPORT_LEAVE] = "UPDATE import SET is_left = 1 WHERE run_nr = ? AND NOT whole",
    [W_IMPORTS_LEAVE] = "UPDATE import SET is_left = 1 WHERE NOT whole",
    [W_IMPORT_NEXT_LEFT] = "SELECT run_nr FROM import WHERE is_left AND NOT whole LIMIT 1",
    [W_IMPORT_DROP_SAMPLES] = "DELETE FROM sample_row WHERE run_nr = ?1"
                              " AND seq < ?2 + (SELECT min(seq) FROM sample_row WHERE run_nr = ?1)",
    [W_IMPORT_DROP_STEP] = "DELETE FROM step WHERE run_nr = ?",
    [W_IMPORT_DROP_SOURCE] = "DELETE FROM import WHERE run_nr = ?",
    [W_IMPORT_DROP_RUN] = "DELETE FROM run WHERE nr = ?",
};
_Static_assert(W_COUNT <= STORE_STATEMENTS_MAX, "room for all statements of the writer");

void writer_forget_seqs(struct writer *w)
{
    memset(w->seq, 0, sizeof w->seq);
}

/* Where the number of the next sample of a run is kept. Few runs are at work at
 * once; a run that was pushed out is looked up again. */
static int next_seq(struct writer *w, int64_t nr, int64_t **next)
{
    for (size_t i = 0; i < WRITER_SEQS; i++) {
        if (w->seq[i].nr == nr) {
            *next = &w->seq[i].next;
            return SQLITE_OK;
        }
    }
    int64_t found = 0;
    struct store_bind b = store_bind(&w->db, W_NEXT_SEQ);
    store_bind_int(&b, nr);
    int rc = store_get_int(&b, &found);
    size_t slot = w->seq_evict++ % WRITER_SEQS;
    w->seq[slot].nr = nr;
    w->seq[slot].next = found;
    *next = &w->seq[slot].next;
    return rc;
}

int writer_put_sample(struct writer *w, int64_t nr, int step, const struct sample *sample)
{
    int64_t *next = NULL;
    int rc = next_seq(w, nr, &next);
    if (rc != SQLITE_OK)
        return rc;
    struct store_bind b = store_bind(&w->db, W_SAMPLE);
    store_bind_int(&b, nr);
    store_bind_int(&b, *next);
    store_bind_real(&b, sample->t_s);
    store_bind_int(&b, step);
    store_bind_real(&b, sample->voltage_V);
    store_bind_real(&b, sample->current_A);
    store_bind_real(&b, sample->temperature_C);
    rc = store_run(&b);
    if (rc == SQLITE_OK)
        (*next)++;
    return rc;
}

static int apply_step_begin(struct writer *w, const struct entry *entry)
{
    const struct note *note = queue_note(&w->queue, entry);
    struct store_bind b = store_bind(&w->db, W_STEP_BEGIN);
    store_bind_int(&b, entry->nr);
    store_bind_int(&b, entry->step);
    store_bind_text(&b, note->text);
    store_bind_text(&b, note->kind);
    store_bind_real(&b, note->t_s);
    store_bind_int(&b, note->plan_step);
    store_bind_int(&b, note->round);
    return store_run(&b);
}

static int apply_step_end(struct writer *w, const struct entry *entry)
{
    const struct note *note = queue_note(&w->queue, entry);
    struct store_bind b = store_bind(&w->db, W_STEP_END);
    store_bind_real(&b, note->t_s);
    store_bind_text(&b, note->text);
    store_bind_int(&b, entry->nr);
    store_bind_int(&b, entry->step);
    int rc = store_run(&b);
    return rc == SQLITE_OK && sqlite3_changes(w->db.db) == 0 ? SQLITE_CONSTRAINT : rc;
}

static int apply_event(struct writer *w, const struct entry *entry)
{
    const struct note *note = queue_note(&w->queue, entry);
    struct store_bind b = store_bind(&w->db, W_EVENT);
    store_bind_int_or_null(&b, entry->nr);
    store_bind_int(&b, note->utc_ns);
    store_bind_real(&b, note->t_s);
    store_bind_text(&b, note->kind);
    store_bind_text(&b, note->text);
    return store_run(&b);
}

static bool refused_for_ever(int rc)
{
    int base = rc & 0xff;
    return base == SQLITE_CONSTRAINT || base == SQLITE_MISMATCH || base == SQLITE_TOOBIG;
}

static void say_dropped(struct writer *w, const struct entry *entry)
{
    static const char *const names[] = {"a sample", "the beginning of a step", "the end of a step",
                                        "an event"};
    long long n = ++w->dropped;
    const char *why =
        sqlite3_errcode(w->db.db) == SQLITE_OK ? "it was never begun" : sqlite3_errmsg(w->db.db);
    if (n <= 10 || n % 1000 == 0)
        log_error("store: the database %s refused %s of run %" PRId64 " (step %d: %s); it is not "
                  "recorded; %lld so far. Please report this as a mistake of the program",
                  w->db.path, names[entry->kind], entry->nr, entry->step, why, n);
}

int writer_apply_entry(struct writer *w, const struct entry *entry)
{
    int rc = SQLITE_OK;
    switch (entry->kind) {
    case ENTRY_SAMPLE:
        rc = writer_put_sample(w, entry->nr, entry->step, &entry->sample);
        break;
    case ENTRY_STEP_BEGIN:
        rc = apply_step_begin(w, entry);
        break;
    case ENTRY_STEP_END:
        rc = apply_step_end(w, entry);
        break;
    case ENTRY_EVENT:
        rc = apply_event(w, entry);
        break;
    }
    if (refused_for_ever(rc)) {
        say_dropped(w, entry);
        return SQLITE_OK;
    }
    return rc;
}
