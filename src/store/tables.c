/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/tables: the tables by version, and whether a file has them. */
#include "store/tables.h"

#include "store/schema.h"

#include <string.h>

/* Version 1. Names carry units; NULL is unknown. A measured value is never
 * changed or deleted: the triggers say so to every program. */
static const char version_1[] =
    "CREATE TABLE battery("
    " id TEXT PRIMARY KEY, label TEXT NOT NULL UNIQUE, chemistry TEXT NOT NULL,"
    " cells INTEGER NOT NULL CHECK(cells >= 1), rated_Ah REAL, rated_hours REAL,"
    " rated_cutoff_V REAL, current_max_A REAL, temperature_max_C REAL,"
    " lot TEXT NOT NULL DEFAULT '', note TEXT NOT NULL DEFAULT '',"
    " created_utc_ns INTEGER NOT NULL, retired_utc_ns INTEGER) STRICT;"
    /* Profiles, benches and drivers in full, each text once. */
    "CREATE TABLE text(sha256 TEXT PRIMARY KEY, body TEXT NOT NULL) STRICT;"
    "CREATE TABLE run("
    " nr INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE,"
    " battery_id TEXT NOT NULL REFERENCES battery(id), stand TEXT NOT NULL,"
    " profile TEXT NOT NULL, started_utc_ns INTEGER NOT NULL, ended_utc_ns INTEGER,"
    " outcome TEXT NOT NULL CHECK(outcome IN"
    "  ('running','completed','stopped','tripped','aborted','interrupted')),"
    " lead_Ohm REAL, voltage_source TEXT NOT NULL, software_version TEXT NOT NULL,"
    " profile_sha256 TEXT REFERENCES text(sha256), bench_sha256 TEXT REFERENCES text(sha256),"
    " plan_json TEXT, result_json TEXT,"
    " trip_reason TEXT, trip_sentence TEXT, trip_at_utc_ns INTEGER,"
    " trip_at_s REAL, trip_value REAL, trip_limit REAL) STRICT;"
    "CREATE INDEX run_by_battery ON run(battery_id);"
    "CREATE INDEX run_at_work ON run(nr) WHERE outcome = 'running';"
    "CREATE TABLE run_instrument("
    " run_nr INTEGER NOT NULL REFERENCES run(nr), position INTEGER NOT NULL,"
    " role TEXT NOT NULL, driver TEXT NOT NULL, driver_sha256 TEXT REFERENCES text(sha256),"
    " identity TEXT NOT NULL, link TEXT NOT NULL,"
    " PRIMARY KEY(run_nr, position)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE step("
    " run_nr INTEGER NOT NULL REFERENCES run(nr), step INTEGER NOT NULL,"
    " name TEXT NOT NULL, kind TEXT NOT NULL, start_s REAL, end_s REAL, end_reason TEXT,"
    " PRIMARY KEY(run_nr, step)) STRICT, WITHOUT ROWID;"
    /* Current into the battery is positive. */
    "CREATE TABLE sample("
    " run_nr INTEGER NOT NULL REFERENCES run(nr), seq INTEGER NOT NULL, t_s REAL,"
    " step INTEGER NOT NULL, voltage_V REAL, current_A REAL, temperature_C REAL,"
    " PRIMARY KEY(run_nr, seq)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE event("
    " nr INTEGER PRIMARY KEY, run_nr INTEGER REFERENCES run(nr), utc_ns INTEGER NOT NULL,"
    " t_s REAL, kind TEXT NOT NULL, text TEXT NOT NULL) STRICT;"
    "CREATE INDEX event_by_run ON event(run_nr);"
    "CREATE TABLE latch("
    " nr INTEGER PRIMARY KEY, stand TEXT NOT NULL, run_nr INTEGER REFERENCES run(nr),"
    " reason TEXT NOT NULL, sentence TEXT NOT NULL, at_utc_ns INTEGER NOT NULL,"
    " at_s REAL, value REAL, limit_value REAL, cleared_utc_ns INTEGER) STRICT;"
    "CREATE UNIQUE INDEX latch_standing ON latch(stand) WHERE cleared_utc_ns IS NULL;"
    "CREATE TRIGGER sample_is_final BEFORE UPDATE ON sample"
    " BEGIN SELECT RAISE(ABORT, 'samples are never changed'); END;"
    "CREATE TRIGGER sample_stays BEFORE DELETE ON sample"
    " BEGIN SELECT RAISE(ABORT, 'samples are never deleted'); END;"
    "CREATE TRIGGER event_is_final BEFORE UPDATE ON event"
    " BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;"
    "CREATE TRIGGER event_stays BEFORE DELETE ON event"
    " BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;"
    /* For people with a database browser. */
    "CREATE VIEW sample_readable AS SELECT"
    " run.nr AS run_nr, battery.label AS battery, run.stand AS stand,"
    " strftime('%Y-%m-%dT%H:%M:%fZ', run.started_utc_ns / 1e9 + sample.t_s, 'unixepoch')"
    "  AS utc,"
    " sample.t_s AS t_s, sample.step AS step, step.name AS step_name,"
    " sample.voltage_V AS voltage_V, sample.current_A AS current_A,"
    " sample.temperature_C AS temperature_C"
    " FROM sample JOIN run ON run.nr = sample.run_nr JOIN battery ON battery.id = run.battery_id"
    " LEFT JOIN step ON step.run_nr = sample.run_nr AND step.step = sample.step;"
    "CREATE VIEW run_readable AS SELECT"
    " run.nr AS run_nr, battery.label AS battery, run.stand AS stand, run.profile AS profile,"
    " strftime('%Y-%m-%dT%H:%M:%fZ', run.started_utc_ns / 1e9, 'unixepoch') AS started_utc,"
    " strftime('%Y-%m-%dT%H:%M:%fZ', run.ended_utc_ns / 1e9, 'unixepoch') AS ended_utc,"
    " run.outcome AS outcome, run.trip_sentence AS trip"
    " FROM run JOIN battery ON battery.id = run.battery_id;";

/* Version 2. A profile may repeat a group of steps, so `step` numbers what was
 * carried out, from 0 on; plan_step is the place in the plan, round how many
 * times that place has been come to. Before, each step was carried out once. */
static const char version_2[] = "ALTER TABLE step ADD COLUMN plan_step INTEGER NOT NULL DEFAULT 0;"
                                "ALTER TABLE step ADD COLUMN round INTEGER NOT NULL DEFAULT 1;"
                                "UPDATE step SET plan_step = step;";

/* Version 3. Which instrument belongs to a place, by what it answers when asked. */
static const char version_3[] =
    "CREATE TABLE known_instrument("
    " stand TEXT NOT NULL, role TEXT NOT NULL, driver TEXT NOT NULL, identity TEXT NOT NULL,"
    " since_utc_ns INTEGER NOT NULL, PRIMARY KEY(stand, role, driver)) STRICT, WITHOUT ROWID;";

/* Version 4. Rows of batteries that wait at a stand. A place has no state of its
 * own: it waits until its run begins or it is dropped, which left_order numbers, and
 * what became of its run stands in the run. A battery's record can be corrected;
 * runs up to last_run_nr go by what it was before (battery_was). */
static const char version_4[] =
    "ALTER TABLE battery ADD COLUMN charge_current_max_A REAL;"
    "CREATE TABLE battery_was("
    " nr INTEGER PRIMARY KEY, battery_id TEXT NOT NULL REFERENCES battery(id),"
    " until_utc_ns INTEGER NOT NULL, last_run_nr INTEGER NOT NULL,"
    " label TEXT NOT NULL, chemistry TEXT NOT NULL, cells INTEGER NOT NULL, rated_Ah REAL,"
    " rated_hours REAL, rated_cutoff_V REAL, current_max_A REAL, charge_current_max_A REAL,"
    " temperature_max_C REAL, lot TEXT NOT NULL, note TEXT NOT NULL) STRICT;"
    "CREATE INDEX battery_was_by_run ON battery_was(battery_id, last_run_nr);"
    "CREATE TABLE row_place("
    " nr INTEGER PRIMARY KEY AUTOINCREMENT, stand TEXT NOT NULL, place INTEGER NOT NULL,"
    " battery_id TEXT NOT NULL REFERENCES battery(id), profile TEXT NOT NULL,"
    " added_utc_ns INTEGER NOT NULL, added_by TEXT NOT NULL DEFAULT '', asked_utc_ns INTEGER,"
    " run_nr INTEGER REFERENCES run(nr), dropped_utc_ns INTEGER,"
    " dropped_why TEXT NOT NULL DEFAULT '', left_order INTEGER) STRICT;"
    "CREATE INDEX row_place_waiting ON row_place(stand, place) WHERE left_order IS NULL;"
    "CREATE INDEX row_place_left ON row_place(stand, left_order) WHERE left_order IS NOT NULL;";

/* Version 5. Runs that were recorded elsewhere. While `whole` is 0 the run is still being
 * written, nobody is shown it, and what there is of it may go again. */
static const char version_5[] =
    "CREATE TABLE import("
    " run_nr INTEGER PRIMARY KEY REFERENCES run(nr), file TEXT NOT NULL, sha256 TEXT NOT NULL,"
    " from_s REAL, to_s REAL, utc_ns INTEGER NOT NULL, whole INTEGER NOT NULL DEFAULT 0) STRICT;"
    "CREATE INDEX import_by_file ON import(sha256);"
    "DROP TRIGGER sample_stays;"
    "CREATE TRIGGER sample_stays BEFORE DELETE ON sample"
    " WHEN NOT EXISTS (SELECT 1 FROM import WHERE run_nr = OLD.run_nr AND NOT whole)"
    " BEGIN SELECT RAISE(ABORT, 'samples are never deleted'); END;";

/* Version 6. What a run has measured moves, once it is 1024 samples or the run is over,
 * from rows (sample_row) into a block of so many (sample_block): a quarter of the bytes,
 * and not a digit is lost. Each column of a block is a JSON array; the view `sample` shows
 * rows and blocks alike, by integers that are exact: (base + element) / scale, and a time
 * also counts t_each for every sample before it. A column where nothing is known is NULL.
 * A row leaves only when its block is there, and a block stays as it is. */
#define UNPACKED(column) "(b." column "_base + (b." column " ->> j.key)) / b." column "_scale"
static const char version_6[] =
    "DROP VIEW sample_readable;"
    "DROP TRIGGER sample_is_final;"
    "DROP TRIGGER sample_stays;"
    "ALTER TABLE sample RENAME TO sample_row;"
    "CREATE TABLE sample_block("
    " nr INTEGER PRIMARY KEY, run_nr INTEGER NOT NULL REFERENCES run(nr),"
    " first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, step INTEGER NOT NULL, last_t_s REAL,"
    " t_each INTEGER NOT NULL, t_base INTEGER NOT NULL, t_scale REAL NOT NULL,"
    " voltage_base INTEGER NOT NULL, voltage_scale REAL NOT NULL,"
    " current_base INTEGER NOT NULL, current_scale REAL NOT NULL,"
    " temperature_base INTEGER NOT NULL, temperature_scale REAL NOT NULL,"
    " t TEXT NOT NULL, voltage TEXT, current TEXT, temperature TEXT,"
    " UNIQUE(run_nr, last_seq)) STRICT;"
    "CREATE VIEW sample AS"
    " SELECT run_nr, seq, t_s, step, voltage_V, current_A, temperature_C FROM sample_row"
    " UNION ALL SELECT b.run_nr, b.first_seq + j.key,"
    " (b.t_base + j.key * b.t_each + j.value) / b.t_scale, b.step, " UNPACKED(
        "voltage") ", " UNPACKED("current") ", " UNPACKED("temperature")
        " FROM sample_block b JOIN json_each(b.t) j;"
    "CREATE TRIGGER sample_is_final INSTEAD OF UPDATE ON sample"
    " BEGIN SELECT RAISE(ABORT, 'samples are never changed'); END;"
    "CREATE TRIGGER sample_stays INSTEAD OF DELETE ON sample"
    " BEGIN SELECT RAISE(ABORT, 'samples are never deleted'); END;"
    "CREATE TRIGGER sample_row_is_final BEFORE UPDATE ON sample_row"
    " BEGIN SELECT RAISE(ABORT, 'samples are never changed'); END;"
    "CREATE TRIGGER sample_row_stays BEFORE DELETE ON sample_row WHEN NOT EXISTS"
    " (SELECT 1 FROM sample_block WHERE run_nr = OLD.run_nr AND last_seq >= OLD.seq"
    "  AND first_seq <= OLD.seq)"
    " AND NOT EXISTS (SELECT 1 FROM import WHERE run_nr = OLD.run_nr AND NOT whole)"
    " BEGIN SELECT RAISE(ABORT, 'samples are never deleted'); END;"
    "CREATE TRIGGER sample_block_is_final BEFORE UPDATE ON sample_block"
    " BEGIN SELECT RAISE(ABORT, 'samples are never changed'); END;"
    "CREATE TRIGGER sample_block_stays BEFORE DELETE ON sample_block"
    " BEGIN SELECT RAISE(ABORT, 'samples are never deleted'); END;"
    "CREATE VIEW sample_readable AS SELECT"
    " sample.run_nr AS run_nr, battery.label AS battery, run.stand AS stand,"
    " strftime('%Y-%m-%dT%H:%M:%fZ', run.started_utc_ns / 1e9 + sample.t_s, 'unixepoch')"
    "  AS utc,"
    " sample.t_s AS t_s, sample.step AS step, step.name AS step_name,"
    " sample.voltage_V AS voltage_V, sample.current_A AS current_A,"
    " sample.temperature_C AS temperature_C"
    " FROM sample JOIN run ON run.nr = sample.run_nr JOIN battery ON battery.id = run.battery_id"
    " LEFT JOIN step ON step.run_nr = sample.run_nr AND step.step = sample.step;";

/* Version 7. An import that was cut off or given up is marked, and then goes in pieces. */
static const char version_7[] =
    "ALTER TABLE import ADD COLUMN is_left INTEGER NOT NULL DEFAULT 0;"
    "CREATE INDEX import_left ON import(run_nr) WHERE is_left;";

/* Version 8. Ways round the triggers that keep samples: to call a whole import unfinished, or a
 * run that was made here an import, and a block in the place of another. (A look for each
 * row's like before it is written would make writing half as slow again.) */
static const char version_8[] =
    "CREATE TRIGGER import_stays_whole BEFORE UPDATE ON import"
    " WHEN (OLD.whole AND NOT NEW.whole) OR OLD.run_nr <> NEW.run_nr"
    " BEGIN SELECT RAISE(ABORT, 'a record that is whole stays so'); END;"
    "CREATE TRIGGER import_has_no_samples_yet BEFORE INSERT ON import"
    " WHEN EXISTS (SELECT 1 FROM sample_row WHERE run_nr = NEW.run_nr)"
    " OR EXISTS (SELECT 1 FROM sample_block WHERE run_nr = NEW.run_nr)"
    " BEGIN SELECT RAISE(ABORT, 'a run with samples becomes no import'); END;"
    "CREATE TRIGGER sample_block_has_its_place BEFORE INSERT ON sample_block"
    " WHEN NEW.last_seq < NEW.first_seq"
    " OR EXISTS (SELECT 1 FROM sample_block WHERE nr = NEW.nr)"
    " OR EXISTS (SELECT 1 FROM sample_block WHERE run_nr = NEW.run_nr"
    "  AND last_seq >= NEW.first_seq AND first_seq <= NEW.last_seq)"
    " BEGIN SELECT RAISE(ABORT, 'samples are never changed'); END;";

/* migrations[n] leads from version n to n + 1. A released one is never edited:
 * changes are a new entry at the end. */
static const char *const migrations[STORE_SCHEMA_VERSION] = {
    version_1, version_2, version_3, version_4, version_5, version_6, version_7, version_8};

int tables_make(sqlite3 *db, int64_t from, int64_t to)
{
    int rc = SQLITE_OK;
    for (int64_t v = from; v < to && rc == SQLITE_OK; v++)
        rc = sqlite3_exec(db, migrations[v], NULL, NULL, NULL);
    return rc;
}

static bool refuse(const char *path, const char *type, const char *name, const char *what,
                   struct err *e)
{
    return err_set(e, ERR_CONFIG,
                   "%s: the %s \"%s\" %s; the database was left as it is: use a copy from before",
                   path, type, name, what);
}

static const char *text_at(sqlite3_stmt *st, int column)
{
    const char *text = (const char *)sqlite3_column_text(st, column);
    return text != NULL ? text : "";
}

/* When a table was altered, it depends on SQLite's version where it leaves spaces and quotes. */
static bool same_sql(const char *a, const char *b)
{
    static const char skipped[] = " \t\n\"";
    for (;;) {
        a += strspn(a, skipped);
        b += strspn(b, skipped);
        if (*a != *b || *a == '\0')
            return *a == *b;
        a++;
        b++;
    }
}

/* The first thing of `model` that `db` has not, or has otherwise. */
static bool has_all(sqlite3 *db, sqlite3_stmt *model, sqlite3_stmt *look, const char *path,
                    struct err *e)
{
    int rc = SQLITE_OK;
    while ((rc = sqlite3_step(model)) == SQLITE_ROW) {
        const char *type = text_at(model, 0);
        const char *name = text_at(model, 1);
        sqlite3_reset(look);
        sqlite3_bind_text(look, 1, name, -1, SQLITE_STATIC);
        sqlite3_bind_text(look, 2, type, -1, SQLITE_STATIC);
        rc = sqlite3_step(look);
        if (rc != SQLITE_ROW && rc != SQLITE_DONE)
            return store_sqlite_err(e, db, path, "read the tables of");
        if (rc == SQLITE_DONE)
            return refuse(path, type, name, "is missing in it", e);
        if (!same_sql(text_at(look, 0), text_at(model, 2)))
            return refuse(path, type, name, "in it is not the one that ampledger makes", e);
    }
    return rc == SQLITE_DONE || store_sqlite_err_code(e, rc, path, "know the tables of");
}

/* A trigger of another's acts on what we write, and a unique index refuses it. Tables, views and
 * other indexes harm nobody: they only take room and time. */
static const char meddlers[] =
    "SELECT name, type FROM sqlite_schema WHERE type = 'trigger'"
    " OR (type = 'index' AND sql LIKE 'CREATE UNIQUE%')";

static bool has_no_meddler(sqlite3 *db, sqlite3_stmt *found, sqlite3_stmt *known, const char *path,
                           struct err *e)
{
    int rc = SQLITE_OK;
    while ((rc = sqlite3_step(found)) == SQLITE_ROW) {
        sqlite3_reset(known);
        sqlite3_bind_text(known, 1, text_at(found, 0), -1, SQLITE_STATIC);
        sqlite3_bind_text(known, 2, text_at(found, 1), -1, SQLITE_STATIC);
        if (sqlite3_step(known) != SQLITE_ROW)
            return refuse(path, text_at(found, 1), text_at(found, 0), "in it is not ampledger's", e);
    }
    return rc == SQLITE_DONE || store_sqlite_err(e, db, path, "read the tables of");
}

bool tables_are_ours(sqlite3 *db, int64_t version, const char *path, struct err *e)
{
    static const char by_name[] = "SELECT sql FROM sqlite_schema WHERE name = ? AND type = ?";
    sqlite3 *model = NULL;
    sqlite3_stmt *all = NULL, *look = NULL, *found = NULL, *known = NULL;
    int rc = sqlite3_open(":memory:", &model);
    if (rc == SQLITE_OK)
        rc = tables_make(model, 0, version);
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(
            model, "SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL", -1, &all, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(model, by_name, -1, &known, NULL);
    bool ok = rc == SQLITE_OK || store_sqlite_err(e, model, path, "know the tables of");
    if (ok && (sqlite3_prepare_v2(db, by_name, -1, &look, NULL) != SQLITE_OK ||
               sqlite3_prepare_v2(db, meddlers, -1, &found, NULL) != SQLITE_OK))
        ok = store_sqlite_err(e, db, path, "read the tables of");
    ok = ok && has_all(db, all, look, path, e) &&
         has_no_meddler(db, found, known, path, e);
    sqlite3_finalize(all);
    sqlite3_finalize(look);
    sqlite3_finalize(found);
    sqlite3_finalize(known);
    sqlite3_close(model);
    return ok;
}
