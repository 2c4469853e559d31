/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/import: runs that were recorded elsewhere and are taken from a file. Such a
 * run is there as a whole or not at all: it is written in pieces, so that what the
 * stands measure meanwhile goes in between, and nobody sees it before its end. What
 * is left of one that was cut off or dropped goes in pieces too, when nothing else is to
 * be written.
 *
 * All calls are synchronous, as those of store.h. */
#ifndef AMPLEDGER_STORE_IMPORT_H
#define AMPLEDGER_STORE_IMPORT_H

#include "store/store.h"

/* Samples of one call at most: one transaction, which keeps nobody waiting for long. */
#define IMPORT_PIECE 4096

struct import_begin {
    struct run_begin run; /* without instruments; its stand is "" */
    struct import_source source;
    const char *step_name, *step_kind;
};

/* ERR_REFUSED when the same rows of the same file are a run of that battery already. */
bool store_import_begin(struct store *s, const struct import_begin *b, int64_t *nr,
                        struct err *e) NODISCARD;
/* At most IMPORT_PIECE, in the order of their times; borrowed. */
bool store_import_put(struct store *s, int64_t nr, const struct sample *samples, size_t n,
                      struct err *e) NODISCARD;

struct import_end {
    double start_s, end_s; /* of its one step */
    const char *end_reason;
    int64_t ended_utc_ns;
    const char *result_json;
};
/* From now on it is a run like others. ERR_REFUSED when another one of the same rows became
 * whole meanwhile. */
bool store_import_end(struct store *s, int64_t nr, const struct import_end *end,
                      struct err *e) NODISCARD;
/* What has been written of it is to go. Not of one that is *whole: that one stays. */
bool store_import_drop(struct store *s, int64_t nr, bool *whole, struct err *e) NODISCARD;

/* One that is not whole yet, for computing its result. Free with run_row_free(). */
bool reader_import(struct reader *r, int64_t nr, struct run_row *out, struct err *e) NODISCARD;

#endif
