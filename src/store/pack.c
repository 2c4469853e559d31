/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/pack: rows of samples become blocks, once they are many or their run is over.
 * The writer does it when nothing else waits, a block in a transaction: killed at any moment,
 * the samples are in one place or in the other. */
#include "store/block.h"
#include "store/writer.h"

#include "base/file.h"

#include <stdlib.h>
#include <string.h>

enum column { T, VOLTAGE, CURRENT, TEMPERATURE, COLUMNS };

/* The oldest samples of a run in rows: those of one step, as many as a block takes. */
struct head {
    int64_t nr, first;
    int step;
    size_t n;
    double values[COLUMNS][BLOCK_SAMPLES];
    struct block_column packed[COLUMNS];
};

static int read_head(struct writer *w, struct head *h)
{
    struct store_bind b = store_bind(&w->db, W_PACK_ROWS);
    store_bind_int(&b, h->nr);
    store_bind_int(&b, BLOCK_SAMPLES);
    while (h->n < BLOCK_SAMPLES && store_row(&b) == SQLITE_ROW) {
        int64_t seq = sqlite3_column_int64(b.stmt, 0);
        int step = sqlite3_column_int(b.stmt, 1);
        if (h->n == 0) {
            h->first = seq;
            h->step = step;
        }
        if (step != h->step || seq != h->first + (int64_t)h->n)
            break;
        for (int c = 0; c < COLUMNS; c++)
            h->values[c][h->n] = store_column_real(b.stmt, 2 + c);
        h->n++;
    }
    store_reset(&b);
    return b.rc == SQLITE_ROW || b.rc == SQLITE_DONE ? SQLITE_OK : b.rc;
}

static int write_block(struct writer *w, const struct head *h)
{
    struct store_bind b = store_bind(&w->db, W_BLOCK);
    store_bind_int(&b, h->nr);
    store_bind_int(&b, h->first);
    store_bind_int(&b, h->first + (int64_t)h->n - 1);
    store_bind_int(&b, h->step);
    store_bind_real(&b, h->values[T][h->n - 1]);
    store_bind_int(&b, h->packed[T].each);
    for (int c = 0; c < COLUMNS; c++) {
        const struct block_column *column = &h->packed[c];
        store_bind_int(&b, column->base);
        store_bind_real(&b, column->scale);
        store_bind_text(&b, column->known || c == T ? column->text : NULL);
    }
    return store_run(&b);
}

static int drop_rows(struct writer *w, const struct head *h)
{
    struct store_bind b = store_bind(&w->db, W_PACKED);
    store_bind_int(&b, h->nr);
    store_bind_int(&b, h->first);
    store_bind_int(&b, h->first + (int64_t)h->n - 1);
    return store_run(&b);
}

static int move_head(struct writer *w, struct head *h)
{
    int rc = read_head(w, h);
    for (int c = 0; c < COLUMNS && rc == SQLITE_OK; c++) {
        if (!block_pack(h->values[c], h->n, c == T, &h->packed[c]))
            rc = SQLITE_MISMATCH; /* never seen; rows are as good */
    }
    if (rc == SQLITE_OK)
        rc = write_block(w, h);
    return rc == SQLITE_OK ? drop_rows(w, h) : rc;
}

int writer_pack(struct writer *w, int64_t *nr)
{
    struct head *h = zalloc(sizeof *h);
    struct store_bind b = store_bind(&w->db, W_PACK_RUN);
    store_bind_int(&b, BLOCK_SAMPLES);
    store_bind_int(&b, w->tidy.after_nr);
    int rc = store_get_int(&b, &h->nr);
    *nr = h->nr;
    if (rc == SQLITE_OK && h->nr > 0)
        rc = move_head(w, h);
    free(h);
    return rc;
}
