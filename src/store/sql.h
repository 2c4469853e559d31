/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/sql: the thin layer over SQLite that the files of this room share:
 * statements prepared once and kept, NaN as NULL, errors as sentences. */
#ifndef AMPLEDGER_STORE_SQL_H
#define AMPLEDGER_STORE_SQL_H

#include "base/err.h"

#include <limits.h>
#include <sqlite3.h>
#include <stddef.h>
#include <stdint.h>

#define STORE_STATEMENTS_MAX 64

/* How many samples of a run there are: they are numbered from 0 without gaps. Those in
 * blocks come before those in rows. */
#define STORE_SAMPLE_COUNT(run)                                                                    \
    "coalesce((SELECT max(seq) + 1 FROM sample_row WHERE run_nr = " run "),"                       \
    " (SELECT max(last_seq) + 1 FROM sample_block WHERE run_nr = " run "), 0)"

/* One connection with its prepared statements. */
struct store_db {
    sqlite3 *db;
    char path[PATH_MAX];
    const char *const *sql; /* texts of the statements, by number */
    sqlite3_stmt *statement[STORE_STATEMENTS_MAX];
    int open_rc; /* of an attempt to open that SQLite refused; else 0 */
};

void store_db_close(struct store_db *d);

/* A statement being filled from the left. `rc` keeps the first failure. */
struct store_bind {
    sqlite3_stmt *stmt;
    int next;
    int rc;
};
struct store_bind store_bind(struct store_db *d, int which);
void store_bind_int(struct store_bind *b, int64_t value);
void store_bind_int_or_null(struct store_bind *b, int64_t value); /* 0 becomes NULL */
void store_bind_real(struct store_bind *b, double value);         /* NaN becomes NULL */
/* The text must live until the statement was run; NULL becomes NULL. */
void store_bind_text(struct store_bind *b, const char *text);

/* Each gives an extended SQLite code; SQLITE_OK, SQLITE_ROW or SQLITE_DONE are fine. */
int store_row(struct store_bind *b); /* SQLITE_ROW or SQLITE_DONE */
void store_reset(struct store_bind *b);
int store_run(struct store_bind *b);                   /* all rows, then reset: SQLITE_OK */
int store_get_int(struct store_bind *b, int64_t *out); /* first column of the first row;
                                                          unchanged when there is none */
int store_pragma_int(sqlite3 *db, const char *sql, int64_t *out);

double store_column_real(sqlite3_stmt *st, int column); /* NULL becomes NaN */
void store_column_copy(sqlite3_stmt *st, int column, char *out, size_t size);
char *store_column_owned(sqlite3_stmt *st, int column); /* NULL stays NULL */

/* Copy as much as fits without cutting a UTF-8 character in two. */
void store_text_cut(char *out, size_t size, const char *text);

/* Fill *e (ERR_STORE) with "cannot DOING PATH: why: remedy" from the last
 * failure on db. Returns false. */
bool store_sqlite_err(struct err *e, sqlite3 *db, const char *path, const char *doing);
/* The same for a known code; db may be NULL. */
bool store_sqlite_err_code(struct err *e, int rc, const char *path, const char *doing);
/* Is this a failure that passes without anybody touching the file: a disk that
 * is full, locked or in trouble? Damage, missing rights and the like do not. */
bool store_sqlite_may_pass(int rc);

#endif
