/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/sql: prepared statements and the passage of values in and out. */
#include "store/sql.h"

#include "base/file.h"

#include <math.h>
#include <string.h>

void store_db_close(struct store_db *d)
{
    for (int i = 0; i < STORE_STATEMENTS_MAX; i++) {
        sqlite3_finalize(d->statement[i]);
        d->statement[i] = NULL;
    }
    sqlite3_close(d->db);
    d->db = NULL;
}

struct store_bind store_bind(struct store_db *d, int which)
{
    struct store_bind b = {.next = 1, .rc = SQLITE_OK};
    if (!d->statement[which])
        b.rc = sqlite3_prepare_v3(d->db, d->sql[which], -1, SQLITE_PREPARE_PERSISTENT,
                                  &d->statement[which], NULL);
    b.stmt = d->statement[which];
    return b;
}

static void keep_first(struct store_bind *b, int rc)
{
    if (b->rc == SQLITE_OK)
        b->rc = rc;
    b->next++;
}

void store_bind_int(struct store_bind *b, int64_t value)
{
    keep_first(b, b->stmt ? sqlite3_bind_int64(b->stmt, b->next, value) : b->rc);
}

static void bind_null(struct store_bind *b)
{
    keep_first(b, b->stmt ? sqlite3_bind_null(b->stmt, b->next) : b->rc);
}

void store_bind_int_or_null(struct store_bind *b, int64_t value)
{
    if (value == 0)
        bind_null(b);
    else
        store_bind_int(b, value);
}

void store_bind_real(struct store_bind *b, double value)
{
    if (isnan(value))
        bind_null(b);
    else
        keep_first(b, b->stmt ? sqlite3_bind_double(b->stmt, b->next, value) : b->rc);
}

void store_bind_text(struct store_bind *b, const char *text)
{
    if (!text)
        bind_null(b);
    else
        keep_first(b,
                   b->stmt ? sqlite3_bind_text(b->stmt, b->next, text, -1, SQLITE_STATIC) : b->rc);
}

int store_row(struct store_bind *b)
{
    if (b->rc == SQLITE_OK || b->rc == SQLITE_ROW)
        b->rc = sqlite3_step(b->stmt);
    return b->rc;
}

void store_reset(struct store_bind *b)
{
    if (b->stmt) {
        sqlite3_reset(b->stmt);
        sqlite3_clear_bindings(b->stmt);
    }
}

int store_run(struct store_bind *b)
{
    while (store_row(b) == SQLITE_ROW)
        continue;
    store_reset(b);
    return b->rc == SQLITE_DONE ? SQLITE_OK : b->rc;
}

int store_get_int(struct store_bind *b, int64_t *out)
{
    if (store_row(b) == SQLITE_ROW)
        *out = sqlite3_column_int64(b->stmt, 0);
    store_reset(b);
    return b->rc == SQLITE_ROW || b->rc == SQLITE_DONE ? SQLITE_OK : b->rc;
}

int store_pragma_int(sqlite3 *db, const char *sql, int64_t *out)
{
    struct store_bind b = {.next = 1};
    b.rc = sqlite3_prepare_v2(db, sql, -1, &b.stmt, NULL);
    int rc = store_get_int(&b, out);
    sqlite3_finalize(b.stmt);
    return rc;
}

double store_column_real(sqlite3_stmt *st, int column)
{
    return sqlite3_column_type(st, column) == SQLITE_NULL ? (double)NAN
                                                          : sqlite3_column_double(st, column);
}

void store_text_cut(char *out, size_t size, const char *text)
{
    const char *from = text != NULL ? text : "";
    size_t n = strlen(from);
    if (size == 0)
        return;
    if (n >= size) {
        n = size - 1;
        while (n > 0 && ((unsigned char)from[n] & 0xC0u) == 0x80u)
            n--;
    }
    memcpy(out, from, n);
    out[n] = '\0';
}

void store_column_copy(sqlite3_stmt *st, int column, char *out, size_t size)
{
    store_text_cut(out, size, (const char *)sqlite3_column_text(st, column));
}

char *store_column_owned(sqlite3_stmt *st, int column)
{
    const char *text = (const char *)sqlite3_column_text(st, column);
    return text ? text_copy(text) : NULL;
}
