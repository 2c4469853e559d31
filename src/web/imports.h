/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/imports: files that are being sent, piece by piece, to become runs. What has come
 * waits in a file beside the database that has no name, so that nothing stays of it
 * whatever happens; who stops sending loses it after a while. Thread-safe. */
#ifndef AMPLEDGER_WEB_IMPORTS_H
#define AMPLEDGER_WEB_IMPORTS_H

#include "report/csv.h"
#include "run/import.h"

#define IMPORTS_AT_ONCE 4
#define IMPORT_BYTES_MAX (1024LL * 1024 * 1024)
#define IMPORT_IDLE_S 600
/* Left free beside the database, for what runs at work record meanwhile. */
#define IMPORT_LEAVES_FREE (512LL * 1024 * 1024)

/* Beside the database, for n bytes more? Not known counts as yes; ERR_REFUSED. */
bool imports_leave_room(const char *database, long long n, struct err *e) NODISCARD;

struct imports;

/* `database`: path of the file beside which they wait; borrowed. */
struct imports *imports_new(const char *database);
void imports_free(struct imports *i); /* NULL is fine */
/* The daemon leaves: those that are becoming runs end soon, without a trace. NULL is fine. */
void imports_cancel(struct imports *i);

struct import_wanted {
    struct import_terms terms; /* source.sha256 is filled from what comes */
    struct csv_columns columns;
    bool discharge_positive; /* the log writes discharge as positive */
};

/* ERR_REFUSED when too many are under way. */
bool imports_begin(struct imports *i, const struct import_wanted *wanted, char id[UUID_TEXT_SIZE],
                   struct err *e) NODISCARD;
/* The bytes from `at` on, which must be where the last piece ended; a piece that came before
 * is passed over, as an answer may be lost. *total: how many have come. */
struct import_bytes {
    long long at;
    const void *bytes;
    size_t n;
};
bool imports_put(struct imports *i, const char *id, const struct import_bytes *piece,
                 long long *total, struct err *e) NODISCARD;
/* All has come and has this SHA-256: makes the run. Whatever becomes of it, the file is gone. */
bool imports_finish(struct imports *i, const char *id, const char *sha256, struct store *store,
                    int64_t *nr, struct err *e) NODISCARD;
bool imports_drop(struct imports *i, const char *id, struct err *e) NODISCARD;
/* Those that nobody goes on with are given up; to be called now and then. */
void imports_tidy(struct imports *i);

#endif
