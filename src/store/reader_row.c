/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/reader_row: the row of batteries at a stand as it is now. */
#include "store/reader.h"

#include <stdlib.h>
#include <string.h>

static enum row_state state_of(const struct row_place *p, bool dropped)
{
    if (dropped)
        return ROW_DROPPED;
    if (p->run_nr != 0)
        return p->outcome == RUN_RUNNING ? ROW_RUNNING : ROW_DONE;
    return p->place == 1 && p->asked_utc_ns != 0 ? ROW_ASKED : ROW_WAITING;
}

static void read_place(sqlite3_stmt *st, struct row_place *p)
{
    int64_t dropped_utc_ns = sqlite3_column_int64(st, 12);
    p->nr = sqlite3_column_int64(st, 0);
    store_column_copy(st, 1, p->stand, sizeof p->stand);
    store_column_copy(st, 2, p->battery, sizeof p->battery);
    store_column_copy(st, 3, p->battery_id, sizeof p->battery_id);
    store_column_copy(st, 4, p->profile, sizeof p->profile);
    p->added_utc_ns = sqlite3_column_int64(st, 5);
    store_column_copy(st, 6, p->added_by, sizeof p->added_by);
    p->asked_utc_ns = sqlite3_column_int64(st, 7);
    p->run_nr = sqlite3_column_int64(st, 8);
    store_column_copy(st, 9, p->run_id, sizeof p->run_id);
    p->outcome = reader_outcome((const char *)sqlite3_column_text(st, 10));
    p->ended_utc_ns = dropped_utc_ns != 0 ? dropped_utc_ns : sqlite3_column_int64(st, 11);
    store_column_copy(st, 13, p->reason, sizeof p->reason);
    p->state = state_of(p, dropped_utc_ns != 0);
}

static bool read_places(struct reader *r, struct store_bind *b, bool waiting,
                        struct row_place **out, size_t *n, struct err *e)
{
    int place = 0;
    while (store_row(b) == SQLITE_ROW) {
        *out = reader_grow(*out, *n, sizeof **out);
        struct row_place *p = &(*out)[(*n)++];
        *p = (struct row_place){.place = waiting ? ++place : 0};
        read_place(b->stmt, p);
    }
    return reader_end(r, b, e);
}

bool reader_row(struct reader *r, const char *stand, int left_most, struct row_place **out,
                size_t *n, struct err *e)
{
    *out = NULL;
    *n = 0;
    struct store_bind waiting = store_bind(&r->db, R_ROW);
    store_bind_text(&waiting, stand);
    bool ok = read_places(r, &waiting, true, out, n, e);
    if (ok && left_most > 0) {
        struct store_bind left = store_bind(&r->db, R_ROW_LEFT);
        store_bind_text(&left, stand);
        store_bind_int(&left, left_most);
        ok = read_places(r, &left, false, out, n, e);
    }
    if (!ok) {
        free(*out);
        *out = NULL;
        *n = 0;
    }
    return ok;
}
