/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/ops_import: a run out of a file, in pieces and yet whole or not at all. */
#include "store/handle.h"
#include "store/import.h"

#include "base/file.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What only these operations have; in op->extra. */
struct import_work {
    struct import_source source;
    char step_name[48], step_kind[16];
    struct import_end end;
    char end_reason[64];
    size_t n;
    struct sample samples[];
};

static struct import_work *work_of(struct op *op, size_t samples)
{
    struct import_work *k = zalloc(sizeof *k + samples * sizeof k->samples[0]);
    op->extra = k;
    return k;
}

/* `b` asks for a whole run of the same rows and that battery. */
static enum apply refuse_known(struct op *op, struct store_bind *b, const char *file)
{
    int64_t nr = 0;
    if (store_get_int(b, &nr) != SQLITE_OK)
        return APPLY_TROUBLE;
    if (nr == 0)
        return APPLY_DONE;
    err_set(&op->err, ERR_REFUSED,
            "these rows of %s are run %" PRId64 " of that battery already; nothing was done", file,
            nr);
    return APPLY_REFUSED;
}

static enum apply refuse_known_source(struct writer *w, struct op *op)
{
    const struct import_work *k = op->extra;
    struct store_bind b = store_bind(&w->db, W_IMPORT_KNOWN);
    store_bind_text(&b, k->source.sha256);
    store_bind_text(&b, op->run.battery_id);
    store_bind_real(&b, k->source.from_s);
    store_bind_real(&b, k->source.to_s);
    return refuse_known(op, &b, k->source.file);
}

/* Another may have become whole since this one began. */
static enum apply refuse_known_run(struct writer *w, struct op *op)
{
    struct import_source source = {.file = ""};
    struct store_bind file = store_bind(&w->db, W_IMPORT_FILE);
    store_bind_int(&file, op->nr);
    if (store_row(&file) == SQLITE_ROW)
        store_column_copy(file.stmt, 0, source.file, sizeof source.file);
    store_reset(&file);
    struct store_bind b = store_bind(&w->db, W_IMPORT_SAME);
    store_bind_int(&b, op->nr);
    return refuse_known(op, &b, source.file);
}

static int insert_run(struct writer *w, struct op *op)
{
    const struct run_begin *r = &op->run;
    struct store_bind b = store_bind(&w->db, W_IMPORT_RUN);
    store_bind_text(&b, r->id);
    store_bind_text(&b, r->battery_id);
    store_bind_text(&b, r->profile);
    store_bind_int(&b, r->started_utc_ns);
    store_bind_real(&b, r->lead_ohm);
    store_bind_text(&b, r->voltage_source);
    store_bind_text(&b, r->software_version);
    store_bind_text(&b, r->plan_json);
    int rc = store_run(&b);
    op->nr = sqlite3_last_insert_rowid(w->db.db);
    return rc;
}

static int insert_source(struct writer *w, const struct op *op)
{
    const struct import_work *k = op->extra;
    struct store_bind b = store_bind(&w->db, W_IMPORT_SOURCE);
    store_bind_int(&b, op->nr);
    store_bind_text(&b, k->source.file);
    store_bind_text(&b, k->source.sha256);
    store_bind_real(&b, k->source.from_s);
    store_bind_real(&b, k->source.to_s);
    store_bind_int(&b, k->source.utc_ns);
    return store_run(&b);
}

static int insert_step(struct writer *w, const struct op *op)
{
    const struct import_work *k = op->extra;
    struct store_bind b = store_bind(&w->db, W_STEP_BEGIN);
    store_bind_int(&b, op->nr);
    store_bind_int(&b, 0);
    store_bind_text(&b, k->step_name);
    store_bind_text(&b, k->step_kind);
    store_bind_real(&b, (double)NAN);
    store_bind_int(&b, 0);
    store_bind_int(&b, 1);
    return store_run(&b);
}

static enum apply import_begin(struct writer *w, struct op *op)
{
    enum apply a = refuse_known_source(w, op);
    if (a != APPLY_DONE)
        return a;
    int rc = insert_run(w, op);
    if (rc == SQLITE_OK)
        rc = insert_source(w, op);
    if (rc == SQLITE_OK)
        rc = insert_step(w, op);
    return op_judge(w, op, rc);
}

bool store_import_begin(struct store *s, const struct import_begin *b, int64_t *nr, struct err *e)
{
    struct op *op = op_new(import_begin, "write the start of a run out of a file");
    struct import_work *k = work_of(op, 0);
    op->run = b->run;
    op->run.plan_json = op_keep(op, b->run.plan_json);
    op->run.software_version = op_keep(op, b->run.software_version);
    k->source = b->source;
    store_text_cut(k->step_name, sizeof k->step_name, b->step_name);
    store_text_cut(k->step_kind, sizeof k->step_kind, b->step_kind);
    op = writer_do(&s->writer, op, STORE_OP_TIMEOUT_MS, e);
    if (!op)
        return false;
    *nr = op->nr;
    op_free(op);
    return true;
}

static enum apply import_put(struct writer *w, struct op *op)
{
    const struct import_work *k = op->extra;
    int rc = SQLITE_OK;
    for (size_t i = 0; i < k->n && rc == SQLITE_OK; i++)
        rc = writer_put_sample(w, op->nr, 0, &k->samples[i]);
    if (rc != SQLITE_OK)
        writer_forget_seqs(w); /* what was numbered is rolled back */
    return op_judge(w, op, rc);
}

bool store_import_put(struct store *s, int64_t nr, const struct sample *samples, size_t n,
                      struct err *e)
{
    struct op *op = op_new(import_put, "write samples out of a file");
    struct import_work *k = work_of(op, n);
    op->nr = nr;
    k->n = n;
    memcpy(k->samples, samples, n * sizeof samples[0]);
    return op_do(s, op, e);
}

static enum apply import_end(struct writer *w, struct op *op)
{
    const struct import_work *k = op->extra;
    enum apply a = refuse_known_run(w, op);
    if (a != APPLY_DONE)
        return a;
    struct store_bind step = store_bind(&w->db, W_STEP_TIMES);
    store_bind_real(&step, k->end.start_s);
    store_bind_real(&step, k->end.end_s);
    store_bind_text(&step, k->end_reason);
    store_bind_int(&step, op->nr);
    int rc = store_run(&step);
    struct store_bind run = store_bind(&w->db, W_IMPORT_END);
    store_bind_int(&run, op->utc_ns);
    store_bind_text(&run, op->result_json);
    store_bind_int(&run, op->nr);
    if (rc == SQLITE_OK)
        rc = store_run(&run);
    struct store_bind whole = store_bind(&w->db, W_IMPORT_WHOLE);
    store_bind_int(&whole, op->nr);
    if (rc == SQLITE_OK)
        rc = store_run(&whole);
    return op_judge(w, op, rc);
}

bool store_import_end(struct store *s, int64_t nr, const struct import_end *end, struct err *e)
{
    struct op *op = op_new(import_end, "write the end of a run out of a file");
    struct import_work *k = work_of(op, 0);
    op->nr = nr;
    op->utc_ns = end->ended_utc_ns;
    op->result_json = op_keep(op, end->result_json);
    k->end = *end;
    store_text_cut(k->end_reason, sizeof k->end_reason, end->end_reason);
    return op_do(s, op, e);
}

/* Only marks it, which is cheap: to take it away costs as much as it did to write it, and
 * is no part of the stands' transactions. */
static enum apply import_drop(struct writer *w, struct op *op)
{
    int64_t whole = 0;
    struct store_bind state = store_bind(&w->db, W_IMPORT_STATE);
    store_bind_int(&state, op->nr);
    int rc = store_get_int(&state, &whole);
    op->count = whole != 0;
    struct store_bind b = store_bind(&w->db, W_IMPORT_LEAVE);
    store_bind_int(&b, op->nr);
    if (rc == SQLITE_OK)
        rc = store_run(&b);
    return op_judge(w, op, rc);
}

bool store_import_drop(struct store *s, int64_t nr, bool *whole, struct err *e)
{
    struct op *op = op_new(import_drop, "mark what was written out of a file as to be taken away");
    op->insist = true;
    op->nr = nr;
    op = writer_do(&s->writer, op, STORE_OP_TIMEOUT_MS, e);
    if (!op)
        return false;
    *whole = op->count != 0;
    op_free(op);
    return true;
}

int writer_leave_imports(struct writer *w)
{
    return writer_run(w, W_IMPORTS_LEAVE);
}

static int drop_by_nr(struct writer *w, enum writer_sql which, int64_t nr)
{
    struct store_bind b = store_bind(&w->db, (int)which);
    store_bind_int(&b, nr);
    if (which == W_IMPORT_DROP_SAMPLES)
        store_bind_int(&b, IMPORT_PIECE);
    return store_run(&b);
}

/* The samples first; the rest goes when none is there. */
int writer_sweep(struct writer *w, int64_t *nr)
{
    static const enum writer_sql rest[] = {W_IMPORT_DROP_STEP, W_IMPORT_DROP_SOURCE,
                                           W_IMPORT_DROP_RUN};
    struct store_bind b = store_bind(&w->db, W_IMPORT_NEXT_LEFT);
    int rc = store_get_int(&b, nr);
    if (rc != SQLITE_OK || *nr == 0)
        return rc;
    rc = drop_by_nr(w, W_IMPORT_DROP_SAMPLES, *nr);
    if (rc == SQLITE_OK && sqlite3_changes(w->db.db) > 0)
        return rc;
    for (size_t i = 0; i < sizeof rest / sizeof rest[0] && rc == SQLITE_OK; i++)
        rc = drop_by_nr(w, rest[i], *nr);
    writer_forget_seqs(w);
    return rc;
}
