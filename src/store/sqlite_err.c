/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/sqlite_err: turns a SQLite failure into a sentence with a remedy. */
#include "store/sql.h"

#include <stdio.h>
#include <string.h>

/* What happened, in plain words, and what a person can do. PATH is named before. */
static const struct {
    int code;
    const char *why;
    const char *remedy;
} known[] = {
    {SQLITE_FULL, "disk full", "free space on the disk that holds it"},
    /* Not even room for the small file by which connections keep in step. */
    {SQLITE_IOERR_SHMSIZE, "disk full", "free space on the disk that holds it"},
    {SQLITE_BUSY, "another process keeps it locked",
     "close the other program that has the database open"},
    {SQLITE_LOCKED, "another process keeps it locked",
     "close the other program that has the database open"},
    {SQLITE_CORRUPT, "the database is damaged",
     "stop ampledgerd, keep a copy of the file, then restore a backup or rescue the rows with the "
     ".recover command of the sqlite3 program"},
    {SQLITE_NOTADB, "the file is not a database",
     "name another \"database\" in bench.yaml, or move that file away"},
    {SQLITE_CANTOPEN, "it cannot be opened",
     "check that its folder exists and that this user may read and write both"},
    {SQLITE_READONLY, "it may not be written",
     "give this user write permission for the file and its folder, and check that the disk is not "
     "mounted read-only"},
    {SQLITE_PERM, "it may not be written",
     "give this user write permission for the file and its folder"},
    {SQLITE_IOERR, "the disk reported an error",
     "check the disk, its cable and the kernel log, and keep a copy of the database elsewhere"},
    {SQLITE_NOMEM, "memory is exhausted", "free memory on this computer"},
    {SQLITE_PROTOCOL, "its locks do not work",
     "keep the database on a local disk, not on a network share"},
};

bool store_sqlite_may_pass(int rc)
{
    switch (rc & 0xff) {
    case SQLITE_FULL:
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return true;
    case SQLITE_IOERR: /* of a disk; but some of these are about something else */
        return rc != SQLITE_IOERR_NOMEM && rc != SQLITE_IOERR_CORRUPTFS;
    default:
        return false;
    }
}

/* Details a person can search for: the operating system's reason, or SQLite's words. */
static void details(char *out, size_t size, int rc, sqlite3 *db)
{
    int os = db ? sqlite3_system_errno(db) : 0;
    /* Other failures leave the number of an older one behind. */
    if (os != 0 && (rc & 0xff) == SQLITE_CANTOPEN) {
        char text[96];
        snprintf(out, size, " (%s, code %d)", strerror_r(os, text, sizeof text), rc);
    } else {
        snprintf(out, size, " (%s, code %d)", db ? sqlite3_errmsg(db) : sqlite3_errstr(rc), rc);
    }
}

static bool describe(struct err *e, int rc, sqlite3 *db, const char *const where[2])
{
    char detail[320];
    details(detail, sizeof detail, rc, db);
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        if (known[i].code == rc || known[i].code == (rc & 0xff))
            return err_set(e, ERR_STORE, "cannot %s the database %s: %s: %s%s", where[0], where[1],
                           known[i].why, known[i].remedy, detail);
    }
    return err_set(e, ERR_STORE,
                   "cannot %s the database %s%s: please report this as a mistake of "
                   "the program",
                   where[0], where[1], detail);
}

bool store_sqlite_err(struct err *e, sqlite3 *db, const char *path, const char *doing)
{
    const char *const where[2] = {doing, path};
    return describe(e, sqlite3_extended_errcode(db), db, where);
}

bool store_sqlite_err_code(struct err *e, int rc, const char *path, const char *doing)
{
    const char *const where[2] = {doing, path};
    return describe(e, rc, NULL, where);
}
