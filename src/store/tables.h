/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/tables: the tables of a database by version, and whether a file has them. */
#ifndef AMPLEDGER_STORE_TABLES_H
#define AMPLEDGER_STORE_TABLES_H

#include "store/sql.h"

/* Brings tables of version `from` (0: none) to version `to`; returns SQLite's code. The
 * caller holds the transaction. */
int tables_make(sqlite3 *db, int64_t from, int64_t to);

/* Is every table, view, index and trigger there as `tables_make` makes it up to `version`,
 * and no trigger and no unique index beside them? A file of a stranger could have a view without
 * end in place of a table, a trigger that changes what is stored or an index that refuses it.
 * Other tables, views and indexes are left alone. ERR_CONFIG names the first that is not. */
bool tables_are_ours(sqlite3 *db, int64_t version, const char *path, struct err *e) NODISCARD;

#endif
