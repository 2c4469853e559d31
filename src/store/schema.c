/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/schema: opening with care. */
#include "store/schema.h"
#include "store/tables.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

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

/* A file may come from anywhere: nothing in it runs functions, no page of it is taken for
 * sound, and no value is larger than any of ours (a text of a bench file; SQLite allows 1 GB). */
static void distrust(sqlite3 *db)
{
    sqlite3_db_config(db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, (int *)NULL);
    sqlite3_db_config(db, SQLITE_DBCONFIG_DEFENSIVE, 1, (int *)NULL);
    sqlite3_exec(db, "PRAGMA cell_size_check = ON", NULL, NULL, NULL);
    sqlite3_limit(db, SQLITE_LIMIT_LENGTH, 32 << 20);
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
        distrust(*out);
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

static bool judge_file(sqlite3 *db, const struct label_of_file *l, const char *path,
                       enum store_file *out, struct err *e)
{
    return judge_label(l, path, out, e) &&
           (*out != STORE_FILE_OURS || tables_are_ours(db, l->version, path, e));
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
        rc == SQLITE_OK ? judge_file(db, &label, path, out, e) : store_sqlite_err(e, db, path, "use");
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
    if (rc == SQLITE_OK)
        rc = tables_make(db, version, STORE_SCHEMA_VERSION);
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
                          "PRAGMA journal_size_limit = 16777216;"
                          /* KiB. It writes where each table ends: more would fill with pages
                           * that nobody looks at again. */
                          "PRAGMA cache_size = -512;"
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
        distrust(d->db);
        /* Until we know that it is ours, leave even a pending log of it alone. */
        sqlite3_db_config(d->db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, (int *)NULL);
        rc = read_label(d->db, &label);
    }
    if (rc == SQLITE_OK && !judge_file(d->db, &label, path, &state, e))
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

bool store_db_open_reader(struct store_db *d, const char *path, bool judged, struct err *e)
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
    bool ok = rc == SQLITE_OK || store_sqlite_err(e, d->db, path, "read");
    ok = ok && (judged ? judge_label(&label, path, &state, e)
                       : judge_file(d->db, &label, path, &state, e));
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
