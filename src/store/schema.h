/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/schema: the tables, and the door of the file: what may be opened, how a
 * new database comes into being, how an older one is brought up to date. */
#ifndef AMPLEDGER_STORE_SCHEMA_H
#define AMPLEDGER_STORE_SCHEMA_H

#include "store/sql.h"

#define STORE_APPLICATION_ID INT64_C(0x414D504C) /* "AMPL" */
#define STORE_SCHEMA_VERSION 8

enum store_file {
    STORE_FILE_NEW, /* absent, or empty: nothing would be lost */
    STORE_FILE_OURS
};

/* The absolute path behind `path`, which need not exist; its folder must. */
bool store_resolve(const char *path, char out[PATH_MAX], struct err *e) NODISCARD;

/* Look without touching: neither the file nor its neighbours change. False
 * (ERR_CONFIG) when the file must not be opened for writing. */
bool store_inspect(const char *path, enum store_file *out, struct err *e) NODISCARD;

/* Make a complete database beside `path` and move it there in one stroke. */
bool store_create(const char *path, struct err *e) NODISCARD;

/* Open for writing, migrate, set up durability. */
bool store_db_open_writer(struct store_db *d, const char *path, struct err *e) NODISCARD;
/* `judged`: the tables were looked at when the store opened it for writing; that look costs
 * nine times what opening does. */
bool store_db_open_reader(struct store_db *d, const char *path, bool judged,
                          struct err *e) NODISCARD;

/* Flush a folder's entries (a new name, a rename) to the disk. */
bool store_sync_folder(const char *path_in_it, struct err *e) NODISCARD;

/* Held until the descriptor is closed or the process ends. */
bool store_lock(const char *path, int *fd, struct err *e) NODISCARD;

#endif
