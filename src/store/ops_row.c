/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/ops_row: the row of batteries at a stand: changes and look-up. */
#include "store/handle.h"
#include "store/reader.h"
#include "store/row.h"

#include "base/file.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

const char *const row_state_names[] = {"waiting", "asked", "running", "done", "dropped", NULL};

/* --- adding --- */

struct addition {
    char profile[ROW_PROFILE_SIZE], by[LABEL_SIZE];
    size_t count;
    struct {
        char id[UUID_TEXT_SIZE], label[LABEL_SIZE];
    } battery[];
};

/* True, with the place refused or in trouble, when the battery waits for that already. */
static bool waits_already(struct writer *w, struct op *op, size_t i, enum apply *result)
{
    const struct addition *a = op->extra;
    char stand[LABEL_SIZE] = "";
    struct store_bind b = store_bind(&w->db, W_ROW_FIND);
    store_bind_text(&b, a->battery[i].id);
    store_bind_text(&b, a->profile);
    bool found = store_row(&b) == SQLITE_ROW;
    if (found)
        store_column_copy(b.stmt, 0, stand, sizeof stand);
    bool fine = b.rc == SQLITE_DONE || b.rc == SQLITE_ROW;
    store_reset(&b);
    if (found)
        err_set(&op->err, ERR_REFUSED, "%s waits at %s for \"%s\" already; nothing was added",
                a->battery[i].label, stand, a->profile);
    *result = fine ? APPLY_REFUSED : APPLY_TROUBLE;
    return found || !fine;
}

static enum apply row_add(struct writer *w, struct op *op)
{
    const struct addition *a = op->extra;
    enum apply result = APPLY_DONE;
    int64_t waiting = 0;
    struct store_bind count = store_bind(&w->db, W_ROW_WAITING);
    store_bind_text(&count, op->name);
    if (store_get_int(&count, &waiting) != SQLITE_OK)
        return APPLY_TROUBLE;
    if (waiting + (int64_t)a->count > ROW_WAITING_MOST) {
        err_set(&op->err, ERR_REFUSED,
                "%" PRId64 " batteries wait at %s, and %d are the most; nothing was added", waiting,
                op->name, ROW_WAITING_MOST);
        return APPLY_REFUSED;
    }
    for (size_t i = 0; i < a->count && result == APPLY_DONE; i++) {
        if (waits_already(w, op, i, &result))
            return result;
        struct store_bind b = store_bind(&w->db, W_ROW_ADD);
        store_bind_text(&b, op->name);
        store_bind_text(&b, a->battery[i].id);
        store_bind_text(&b, a->profile);
        store_bind_int(&b, op->utc_ns);
        store_bind_text(&b, a->by);
        result = op_judge(w, op, store_run(&b));
    }
    return result;
}

bool store_row_add(struct store *s, const struct row_wanted *wanted, struct err *e)
{
    struct op *op = op_new(row_add, "put the batteries into the row");
    struct addition *a = zalloc(sizeof *a + wanted->count * sizeof a->battery[0]);
    store_text_cut(op->name, sizeof op->name, wanted->stand);
    store_text_cut(a->profile, sizeof a->profile, wanted->profile);
    store_text_cut(a->by, sizeof a->by, wanted->added_by);
    a->count = wanted->count;
    for (size_t i = 0; i < wanted->count; i++) {
        memcpy(a->battery[i].id, wanted->batteries[i].id, UUID_TEXT_SIZE);
        memcpy(a->battery[i].label, wanted->batteries[i].label, LABEL_SIZE);
    }
    op->utc_ns = wanted->utc_ns;
    op->extra = a;
    return op_do(s, op, e);
}

/* --- changing --- */

static enum apply must_wait(struct writer *w, struct op *op, int rc)
{
    if (rc == SQLITE_OK && sqlite3_changes(w->db.db) == 0) {
        err_set(&op->err, ERR_REFUSED,
                "it does not wait any more: it runs, or it was taken out of the row");
        return APPLY_REFUSED;
    }
    return op_judge(w, op, rc);
}

static enum apply row_drop(struct writer *w, struct op *op)
{
    struct store_bind b = store_bind(&w->db, W_ROW_DROP);
    store_bind_int(&b, op->utc_ns);
    store_bind_text(&b, op->extra);
    store_bind_int(&b, op->nr);
    return must_wait(w, op, store_run(&b));
}

bool store_row_drop(struct store *s, int64_t nr, const char *why, int64_t utc_ns, struct err *e)
{
    struct op *op = op_new(row_drop, "take the battery out of the row");
    char *kept = zalloc(ROW_REASON_SIZE);
    store_text_cut(kept, ROW_REASON_SIZE, why);
    op->extra = kept;
    op->nr = nr;
    op->utc_ns = utc_ns;
    return op_do(s, op, e);
}

static enum apply row_move(struct writer *w, struct op *op)
{
    struct store_bind b = store_bind(&w->db, W_ROW_MOVE);
    store_bind_int(&b, op->nr);
    store_bind_int(&b, op->count);
    return must_wait(w, op, store_run(&b));
}

bool store_row_move(struct store *s, const struct row_place *place, int to, struct err *e)
{
    struct op *op = op_new(row_move, "move the battery in the row");
    op->nr = place->nr;
    op->count = to < place->place ? 2 * to - 1 : 2 * to + 1; /* the others are at 2, 4, 6, ... */
    return op_do(s, op, e);
}

static enum apply row_asked(struct writer *w, struct op *op)
{
    struct store_bind b = store_bind(&w->db, W_ROW_ASKED);
    store_bind_int(&b, op->utc_ns);
    store_bind_int(&b, op->nr);
    return op_judge(w, op, store_run(&b));
}

bool store_row_asked(struct store *s, int64_t nr, int64_t utc_ns, struct err *e)
{
    struct op *op = op_new(row_asked, "write that somebody was asked for the battery");
    op->nr = nr;
    op->utc_ns = utc_ns;
    return op_do(s, op, e);
}

/* --- reading --- */

bool store_row_list(struct store *s, const char *stand, int left_most, struct row_place **out,
                    size_t *n, struct err *e)
{
    pthread_mutex_lock(&s->reading);
    bool ok = reader_row(s->reader, stand, left_most, out, n, e);
    pthread_mutex_unlock(&s->reading);
    return ok;
}
