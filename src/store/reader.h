/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/reader: look-ups that the store itself offers too. For this room only. */
#ifndef AMPLEDGER_STORE_READER_H
#define AMPLEDGER_STORE_READER_H

#include "store/row.h"
#include "store/sql.h"
#include "store/store.h"

enum reader_sql {
    R_BEGIN,
    R_COMMIT,
    R_BATTERY,
    R_BATTERIES,
    R_LABELS,
    R_LATCH,
    R_KNOWN,
    R_RUNS,
    R_RUN,
    R_LAST,
    R_BY_PREFIX,
    R_INSTRUMENTS,
    R_STEPS,
    R_LAST_SEQ,
    R_BLOCK,
    R_SAMPLES,
    R_EVENTS,
    R_EVENTS_AFTER,
    R_LAST_EVENT,
    R_TEXT,
    R_ROW,
    R_ROW_LEFT,
    R_JUDGED,
    R_BACKUP,
    R_CHECK,
    R_CHECK_REFERENCES,
    R_COUNT
};

struct reader {
    struct store_db db;
};

bool reader_battery(struct reader *r, const char *label, struct battery *out,
                    struct err *e) NODISCARD;
bool reader_batteries(struct reader *r, struct battery **out, size_t *n, struct err *e) NODISCARD;
bool reader_latch(struct reader *r, const char *stand, bool *found, struct run_trip *out,
                  struct err *e) NODISCARD;

bool reader_known(struct reader *r, const char *stand, struct run_instrument *known,
                  struct err *e) NODISCARD;

bool reader_row(struct reader *r, const char *stand, int left_most, struct row_place **out,
                size_t *n, struct err *e) NODISCARD;

/* By its name in the database. */
enum run_outcome reader_outcome(const char *name);

/* The columns of a battery from `column` on, as R_BATTERY selects them. */
void reader_battery_columns(sqlite3_stmt *st, int column, struct battery *out);
/* After the last row of a statement: true, or false with *e filled. Resets. */
bool reader_end(struct reader *r, struct store_bind *b, struct err *e) NODISCARD;

/* Look-ups between these two see the database at one moment. The end gives back whether
 * all went well, `ok` being what went before. */
bool reader_begin(struct reader *r, struct err *e) NODISCARD;
bool reader_commit(struct reader *r, bool ok, struct err *e) NODISCARD;

/* An owned array that grows; item size and count are the caller's. */
void *reader_grow(void *items, size_t count, size_t size);

#endif
