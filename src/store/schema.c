/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/schema: tables by version, and opening with care. */
#include "store/schema.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

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
static const char *const migrations[STORE_SCHEMA_VERSION] = {version_1, version_2, version_3,
                                                             version_4, version_5, version_6, version_7,
                                                             version_8};

bool store_resolve(const char *path, char out[PATH_MAX], struct err *e)
{
    if (realpath(path, out))
        return true;
    if (errno != ENOENT)
        return err_set_errno(e, errno, "cannot find the database %s", path);
    char folder_part[PATH_MAX], name_part[PATH_MAX], folder[PATH_MAX];
    if (!text_format(folder_part, sizeof folder_part, "%s", path) ||
        !text_format(name_part, sizeof name_part, "%s", path))
        return err_set(e, ERR_CONFIG, "the database path is too long: %s", path);
    const char *folder_name = dirname(folder_part);
    if (!realpath(folder_name, folder))
        return err_set_errno(e, errno,
                             "cannot keep a database at %s: create its folder %s or name another "
                             "\"database\" in bench.yaml",
                             path, folder_name);
    if (!text_format(out, PATH_MAX, "%s/%s", strcmp(folder, "/") == 0 ? "" : folder,
                     basename(name_part)))
        return err_set(e, ERR_CONFIG, "the database path is too long: %s", path);
    return true;
}

/* A path as a file: URI, where some characters would have a meaning. */
static bool uri_of(const char *path, const char *query, char *out, size_t size)
{
    static const char hex[] = "0123456789ABCDEF";
    size_t n = 0;
    if (size < strlen(query) + 8)
        return false;
    memcpy(out, "file:", 5);
    n = 5;
    for (const char *p = path; *p; p++) {
        if (n + strlen(query) + 4 >= size)
            return false;
        unsigned char c = (unsigned char)*p;
        if (c == '%' || c == '?' || c == '#' || c < 0x21 || c > 0x7e) {
            out[n++] = '%';
            out[n++] = hex[c >> 4];
            out[n++] = hex[c & 15];
        } else {
            out[n++] = (char)c;
        }
    }
    memcpy(out + n, query, strlen(query) + 1);
    return true;
}

static bool has_content(const char *path, const char *suffix)
{
    char name[PATH_MAX];
    struct stat st;
    return text_format(name, sizeof name, "%s%s", path, suffix) && stat(name, &st) == 0 &&
           st.st_size > 0;
}

/* Open for reading. `alone` promises SQLite that nobody writes: then it makes
 * neither locks nor files beside the database. */
static int open_reading(const char *path, bool alone, sqlite3 **out)
{
    char uri[3 * PATH_MAX];
    *out = NULL;
    if (!uri_of(path, alone ? "?mode=ro&immutable=1" : "?mode=ro", uri, sizeof uri))
        return SQLITE_CANTOPEN;
    /* A reader is of one thread at a time: to lock it for every column doubles what reading costs.
     */
    int rc = sqlite3_open_v2(uri, out, SQLITE_OPEN_READONLY | SQLITE_OPEN_URI | SQLITE_OPEN_NOMUTEX,
                             NULL);
    if (rc == SQLITE_OK) {
        sqlite3_extended_result_codes(*out, 1);
        sqlite3_db_config(*out, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, (int *)NULL);
        sqlite3_busy_timeout(*out, 2000);
    }
    return rc;
}

#define SMALLEST_DATABASE 512 /* one page of the smallest size */

struct label_of_file {
    int64_t application, version, tables;
};

static int read_label(sqlite3 *db, struct label_of_file *l)
{
    int rc = store_pragma_int(db, "PRAGMA application_id", &l->application);
    if (rc == SQLITE_OK)
        rc = store_pragma_int(db, "PRAGMA user_version", &l->version);
    if (rc == SQLITE_OK)
        rc = store_pragma_int(db, "SELECT count(*) FROM sqlite_schema", &l->tables);
    return rc;
}

static bool judge_label(const struct label_of_file *l, const char *path, enum store_file *out,
                        struct err *e)
{
    if (l->application == 0 && l->version == 0 && l->tables == 0) {
        *out = STORE_FILE_NEW;
        return true;
    }
    if (l->application != STORE_APPLICATION_ID)
        return err_set(e, ERR_CONFIG,
                       "%s is the database of another program (application id 0x%08llx, %lld "
                       "tables and the like); it was left as it is: name another "
                       "\"database\" in bench.yaml",
                       path, (unsigned long long)l->application & 0xffffffffULL,
                       (long long)l->tables);
    if (l->version > STORE_SCHEMA_VERSION || l->version < 1)
        return err_set(e, ERR_CONFIG,
                       "%s was written by a newer version of ampledger (schema %lld; this one "
                       "knows up to %d); it was left as it is: update ampledger, or name "
                       "another \"database\" in bench.yaml",
                       path, (long long)l->version, STORE_SCHEMA_VERSION);
    *out = STORE_FILE_OURS;
    return true;
}

/* A wrong path, not a broken disk. */
static bool as_config(struct err *e)
{
    if (e)
        e->code = ERR_CONFIG;
    return false;
}

bool store_inspect(const char *path, enum store_file *out, struct err *e)
{
    struct stat st;
    *out = STORE_FILE_NEW;
    if (stat(path, &st) != 0)
        return errno == ENOENT || err_set_errno(e, errno, "cannot look at the database %s", path);
    if (!S_ISREG(st.st_mode))
        return err_set(e, ERR_CONFIG,
                       "%s is not a file, so it cannot be the database: name a file as "
                       "\"database\" in bench.yaml",
                       path);
    if (st.st_size == 0)
        return true;
    if (st.st_size < SMALLEST_DATABASE) {
        /* SQLite takes so short a file for an empty one and would overwrite it. */
        store_sqlite_err_code(e, SQLITE_NOTADB, path, "use");
        return as_config(e);
    }
    sqlite3 *db = NULL;
    struct label_of_file label = {0};
    int rc = open_reading(path, !has_content(path, "-wal"), &db);
    if (rc == SQLITE_OK)
        rc = read_label(db, &label);
    bool ok =
        rc == SQLITE_OK ? judge_label(&label, path, out, e) : store_sqlite_err(e, db, path, "use");
    if ((rc & 0xff) == SQLITE_NOTADB)
        ok = as_config(e);
    sqlite3_close(db);
    return ok;
}

/* The change to write-ahead logging is itself journalled the old way. EXTRA has
 * the folder flushed when that journal is deleted: one that came back after a
 * power cut would undo the change, and with it all that the log holds. */
static const char begin_log[] = "PRAGMA synchronous = EXTRA; PRAGMA journal_mode = WAL";

static int migrate(sqlite3 *db)
{
    int64_t version = 0;
    int rc = store_pragma_int(db, "PRAGMA user_version", &version);
    if (rc != SQLITE_OK || version >= STORE_SCHEMA_VERSION)
        return rc;
    rc = sqlite3_exec(db, "BEGIN IMMEDIATE", NULL, NULL, NULL);
    for (int64_t v = version; v < STORE_SCHEMA_VERSION && rc == SQLITE_OK; v++)
        rc = sqlite3_exec(db, migrations[v], NULL, NULL, NULL);
    char mark[96];
    snprintf(mark, sizeof mark, "PRAGMA application_id = %lld; PRAGMA user_version = %d",
             (long long)STORE_APPLICATION_ID, STORE_SCHEMA_VERSION);
    if (rc == SQLITE_OK)
        rc = sqlite3_exec(db, mark, NULL, NULL, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_exec(db, "COMMIT", NULL, NULL, NULL);
    /* Not rolled back here: closing the connection does it and keeps the message. */
    return rc;
}

bool store_sync_folder(const char *path_in_it, struct err *e)
{
    char text[PATH_MAX];
    if (!text_format(text, sizeof text, "%s", path_in_it))
        return err_set(e, ERR_CONFIG, "the path is too long: %s", path_in_it);
    const char *folder = dirname(text);
    int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return err_set_errno(e, errno, "cannot open the folder %s", folder);
    /* Some file systems cannot sync a folder and say EINVAL: nothing more to do there. */
    bool ok = fsync(fd) == 0 || errno == EINVAL ||
              err_set_errno(e, errno, "cannot flush the folder %s to the disk", folder);
    close(fd);
    return ok;
}

static void remove_attempt(const char *path)
{
    static const char *const suffixes[] = {"", "-journal", "-wal", "-shm"};
    for (size_t i = 0; i < sizeof suffixes / sizeof suffixes[0]; i++) {
        char name[PATH_MAX];
        if (text_format(name, sizeof name, "%s%s", path, suffixes[i]))
            unlink(name);
    }
}

/* A half-made database would be neither ours nor nobody's after a power cut;
 * so it gets its name only when it is whole and on the disk. */
bool store_create(const char *path, struct err *e)
{
    char attempt[PATH_MAX];
    if (!text_format(attempt, sizeof attempt, "%s.creating", path))
        return err_set(e, ERR_CONFIG, "the database path is too long: %s", path);
    remove_attempt(attempt);
    sqlite3 *db = NULL;
    int rc = sqlite3_open_v2(attempt, &db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, NULL);
    if (rc == SQLITE_OK)
        rc = migrate(db);
    /* The log only after the tables: it is empty then, and nothing is lost by
     * leaving it behind. */
    if (rc == SQLITE_OK)
        rc = sqlite3_exec(db, begin_log, NULL, NULL, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_wal_checkpoint_v2(db, NULL, SQLITE_CHECKPOINT_TRUNCATE, NULL, NULL);
    bool ok = rc == SQLITE_OK || store_sqlite_err(e, db, path, "create");
    sqlite3_close(db);
    if (ok && rename(attempt, path) != 0)
        ok = err_set_errno(e, errno, "cannot give the new database its name %s", path);
    if (!ok)
        remove_attempt(attempt);
    return ok && store_sync_folder(path, e);
}

static int set_up_writer(sqlite3 *db)
{
    /* FULL: with WAL a lower setting would keep the file whole but could lose
     * every commit since the last checkpoint when the power is cut. */
    int rc = sqlite3_exec(db, begin_log, NULL, NULL, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_exec(db,
                          "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON;"
                          "PRAGMA journal_size_limit = 16777216; PRAGMA trusted_schema = OFF;"
                          /* What goes is a copy, and need not be overwritten. */
                          "PRAGMA secure_delete = OFF",
                          NULL, NULL, NULL);
    if (rc == SQLITE_OK)
        rc = migrate(db);
    return rc;
}

static bool check_wal(sqlite3 *db, const char *path, struct err *e)
{
    sqlite3_stmt *st = NULL;
    bool wal = sqlite3_prepare_v2(db, "PRAGMA journal_mode", -1, &st, NULL) == SQLITE_OK &&
               sqlite3_step(st) == SQLITE_ROW &&
               strcmp((const char *)sqlite3_column_text(st, 0), "wal") == 0;
    sqlite3_finalize(st);
    return wal || err_set(e, ERR_STORE,
                          "the disk of %s cannot do write-ahead logging (shared memory is missing "
                          "there): keep the database on a local disk",
                          path);
}

bool store_db_open_writer(struct store_db *d, const char *path, struct err *e)
{
    struct label_of_file label = {0};
    enum store_file state = STORE_FILE_NEW;
    int rc = sqlite3_open_v2(path, &d->db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL);
    if (rc == SQLITE_OK) {
        sqlite3_extended_result_codes(d->db, 1);
        sqlite3_busy_timeout(d->db, 2000);
        /* Until we know that it is ours, leave even a pending log of it alone. */
        sqlite3_db_config(d->db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, (int *)NULL);
        rc = read_label(d->db, &label);
    }
    if (rc == SQLITE_OK && !judge_label(&label, path, &state, e))
        goto refuse;
    if (rc == SQLITE_OK)
        rc = set_up_writer(d->db);
    if (rc != SQLITE_OK) {
        store_sqlite_err(e, d->db, path, "open");
        goto refuse;
    }
    sqlite3_db_config(d->db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 0, (int *)NULL);
    if (check_wal(d->db, path, e))
        return true;
refuse:
    store_db_close(d);
    return false;
}

bool store_db_open_reader(struct store_db *d, const char *path, struct err *e)
{
    struct label_of_file label = {0};
    enum store_file state = STORE_FILE_NEW;
    if (access(path, F_OK) != 0)
        return err_set(e, ERR_NOT_FOUND,
                       "there is no database %s: start ampledgerd once to create it, or give the "
                       "path of an existing one",
                       path);
    int rc = open_reading(path, false, &d->db);
    if (rc == SQLITE_OK)
        rc = read_label(d->db, &label);
    d->open_rc = rc;
    if ((rc & 0xff) == SQLITE_CANTOPEN && !has_content(path, "-wal")) {
        /* A copy in a folder where we may not write: then nobody writes there. */
        sqlite3_close(d->db);
        rc = open_reading(path, true, &d->db);
        if (rc == SQLITE_OK)
            rc = read_label(d->db, &label);
        d->open_rc = rc;
    }
    bool ok = rc == SQLITE_OK ? judge_label(&label, path, &state, e)
                              : store_sqlite_err(e, d->db, path, "read");
    if (ok && state != STORE_FILE_OURS)
        ok = err_set(e, ERR_CONFIG, "%s is an empty database: start ampledgerd once to set it up",
                     path);
    if (ok && label.version < STORE_SCHEMA_VERSION)
        ok = err_set(e, ERR_CONFIG,
                     "%s was written by an older version of ampledger (schema %lld, this one reads "
                     "%d): start ampledgerd once with it to bring it up to date",
                     path, (long long)label.version, STORE_SCHEMA_VERSION);
    if (!ok)
        store_db_close(d);
    return ok;
}
