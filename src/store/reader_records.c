/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/reader_records: samples as a stream, events, texts, and whole copies. */
#include "store/reader.h"

#include "store/block.h"
#include "store/schema.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Samples are fetched a page at a time, so that no transaction stays open while
 * the receiver (a slow network, say) works: an open one would keep the
 * write-ahead log from being emptied. Samples never change, so pages fit. A page is what
 * a block holds, or so many rows. */
#define PAGE BLOCK_SAMPLES

struct page_row {
    int step;
    struct sample sample;
};

struct page {
    int64_t nr, after, last;
    int step, rows_max;
    bool end; /* nothing is behind it */
    size_t n;
    struct page_row row[PAGE];
};

static struct page *page_new(int64_t nr, int step, int64_t after, int64_t last)
{
    struct page *p = zalloc(sizeof *p);
    p->nr = nr;
    p->step = step;
    p->after = after;
    p->last = last;
    p->rows_max = PAGE;
    return p;
}

/* The column of a block whose frame and text begin at `column`. */
static bool unpack_column(sqlite3_stmt *st, int column, int64_t each, size_t n, double *values)
{
    const struct block_column frame = {.base = sqlite3_column_int64(st, column),
                                       .scale = sqlite3_column_double(st, column + 1),
                                       .each = each};
    return block_unpack(&frame, (const char *)sqlite3_column_text(st, column + 2), n, values);
}

/* False when the block is none of ours. */
static bool unpack_page(sqlite3_stmt *st, struct page *p)
{
    double t_s[PAGE], voltage_V[PAGE], current_A[PAGE], temperature_C[PAGE];
    const int64_t first = sqlite3_column_int64(st, 0), last = sqlite3_column_int64(st, 1);
    if (first < 0 || last < first || last - first >= PAGE)
        return false;
    const size_t n = (size_t)(last - first) + 1;
    if (!unpack_column(st, 4, sqlite3_column_int64(st, 3), n, t_s) ||
        !unpack_column(st, 7, 0, n, voltage_V) || !unpack_column(st, 10, 0, n, current_A) ||
        !unpack_column(st, 13, 0, n, temperature_C))
        return false;
    size_t k = p->after >= first ? (size_t)(p->after - first) + 1 : 0;
    for (; k < n && first + (int64_t)k <= p->last; k++)
        p->row[p->n++] =
            (struct page_row){.step = sqlite3_column_int(st, 2),
                              .sample = {t_s[k], voltage_V[k], current_A[k], temperature_C[k]}};
    p->after = last;
    return true;
}

/* *found: the samples after p->after are in a block. */
static bool read_block(struct reader *r, struct page *p, bool *found, struct err *e)
{
    struct store_bind b = store_bind(&r->db, R_BLOCK);
    store_bind_int(&b, p->nr);
    store_bind_int(&b, p->after);
    store_bind_int(&b, p->step);
    *found = store_row(&b) == SQLITE_ROW;
    bool whole = !*found || unpack_page(b.stmt, p);
    return reader_end(r, &b, e) &&
           (whole || store_sqlite_err_code(e, SQLITE_CORRUPT, r->db.path, "read"));
}

static bool read_rows(struct reader *r, struct page *p, struct err *e)
{
    struct store_bind b = store_bind(&r->db, R_SAMPLES);
    store_bind_int(&b, p->nr);
    store_bind_int(&b, p->after);
    store_bind_int(&b, p->last);
    store_bind_int(&b, p->step);
    store_bind_int(&b, p->rows_max);
    while (p->n < PAGE && store_row(&b) == SQLITE_ROW) {
        struct page_row *row = &p->row[p->n++];
        p->after = sqlite3_column_int64(b.stmt, 0);
        row->sample.t_s = store_column_real(b.stmt, 1);
        row->step = sqlite3_column_int(b.stmt, 2);
        row->sample.voltage_V = store_column_real(b.stmt, 3);
        row->sample.current_A = store_column_real(b.stmt, 4);
        row->sample.temperature_C = store_column_real(b.stmt, 5);
    }
    p->end = p->n < (size_t)p->rows_max;
    return reader_end(r, &b, e);
}

/* In one transaction, as rows become a block meanwhile. */
static bool read_page(struct reader *r, struct page *p, struct err *e)
{
    bool in_block = false;
    p->n = 0;
    if (!reader_begin(r, e))
        return false;
    bool ok = read_block(r, p, &in_block, e) && (in_block || read_rows(r, p, e));
    return reader_commit(r, ok, e);
}

/* The end is fixed now: a run at work must not keep us here for ever. */
static bool last_seq(struct reader *r, int64_t nr, int64_t *last, struct err *e)
{
    struct store_bind b = store_bind(&r->db, R_LAST_SEQ);
    store_bind_int(&b, nr);
    return store_get_int(&b, last) == SQLITE_OK ||
           store_sqlite_err(e, r->db.db, r->db.path, "read");
}

/* Gives what the pages hold, and frees p. */
static bool give_pages(struct reader *r, struct page *p, sample_fn *each, void *context,
                       struct err *e)
{
    bool ok = true, more = true;
    while (ok && more && !p->end && p->after < p->last) {
        ok = read_page(r, p, e);
        for (size_t i = 0; ok && more && i < p->n; i++)
            more = each(context, p->row[i].step, &p->row[i].sample);
    }
    free(p);
    return ok;
}

bool reader_samples(struct reader *r, int64_t nr, int step, sample_fn *each, void *context,
                    struct err *e)
{
    int64_t last = -1;
    return last_seq(r, nr, &last, e) &&
           give_pages(r, page_new(nr, step, -1, last), each, context, e);
}

bool reader_span_samples(struct reader *r, int64_t nr, const struct sample_span *span,
                         sample_fn *each, void *context, struct err *e)
{
    return give_pages(r, page_new(nr, -1, span->first - 1, span->last), each, context, e);
}

/* The time of sample number seq; NAN when there is none. */
static bool time_of(struct reader *r, int64_t nr, int64_t seq, double *t_s, struct err *e)
{
    struct page *p = page_new(nr, -1, seq - 1, seq);
    p->rows_max = 1;
    bool ok = read_page(r, p, e);
    *t_s = ok && p->n > 0 ? p->row[0].sample.t_s : (double)NAN;
    free(p);
    return ok;
}

/* The first sample between two numbers whose time is not before t_s; `last` when all
 * are earlier. Times never go back, so halving finds it. */
static bool first_from(struct reader *r, int64_t nr, const struct sample_span *within, double t_s,
                       int64_t *out, struct err *e)
{
    int64_t low = within->first, high = within->last;
    while (low < high) {
        const int64_t middle = low + (high - low) / 2;
        double at_s = (double)NAN;
        if (!time_of(r, nr, middle, &at_s, e))
            return false;
        if (at_s < t_s)
            low = middle + 1;
        else
            high = middle;
    }
    *out = low;
    return true;
}

bool reader_span(struct reader *r, int64_t nr, double from_s, double to_s, struct sample_span *out,
                 struct err *e)
{
    *out = (struct sample_span){.from_s = (double)NAN, .to_s = (double)NAN};
    if (!last_seq(r, nr, &out->last, e))
        return false;
    if (out->last < 0)
        return true;
    const struct sample_span all = *out;
    if (!isnan(from_s)) {
        if (!first_from(r, nr, &all, from_s, &out->first, e))
            return false;
        out->first = out->first > 0 ? out->first - 1 : 0;
    }
    if (!isnan(to_s) && !first_from(r, nr, &all, to_s, &out->last, e))
        return false;
    return time_of(r, nr, out->first, &out->from_s, e) && time_of(r, nr, out->last, &out->to_s, e);
}

static void read_event(sqlite3_stmt *st, struct event_row *row)
{
    row->nr = sqlite3_column_int64(st, 0);
    row->run_nr = sqlite3_column_int64(st, 1);
    row->utc_ns = sqlite3_column_int64(st, 2);
    row->t_s = store_column_real(st, 3);
    store_column_copy(st, 4, row->kind, sizeof row->kind);
    store_column_copy(st, 5, row->text, sizeof row->text);
}

bool reader_events(struct reader *r, int64_t nr, struct event_row **out, size_t *n, struct err *e)
{
    *out = NULL;
    *n = 0;
    struct store_bind b = store_bind(&r->db, R_EVENTS);
    store_bind_int_or_null(&b, nr);
    while (store_row(&b) == SQLITE_ROW) {
        *out = reader_grow(*out, *n, sizeof **out);
        read_event(b.stmt, &(*out)[(*n)++]);
    }
    if (reader_end(r, &b, e))
        return true;
    free(*out);
    *out = NULL;
    *n = 0;
    return false;
}

bool reader_events_after(struct reader *r, int64_t after, struct event_row *out, size_t max,
                         size_t *n, struct err *e)
{
    *n = 0;
    struct store_bind b = store_bind(&r->db, R_EVENTS_AFTER);
    store_bind_int(&b, after);
    store_bind_int(&b, (int64_t)max);
    while (*n < max && store_row(&b) == SQLITE_ROW)
        read_event(b.stmt, &out[(*n)++]);
    return reader_end(r, &b, e);
}

bool reader_last_event(struct reader *r, int64_t *nr, struct err *e)
{
    *nr = 0;
    struct store_bind b = store_bind(&r->db, R_LAST_EVENT);
    if (store_row(&b) == SQLITE_ROW)
        *nr = sqlite3_column_int64(b.stmt, 0);
    return reader_end(r, &b, e);
}

bool reader_text(struct reader *r, const char *sha256, char **out, struct err *e)
{
    *out = NULL;
    struct store_bind b = store_bind(&r->db, R_TEXT);
    store_bind_text(&b, sha256);
    if (store_row(&b) == SQLITE_ROW)
        *out = store_column_owned(b.stmt, 0);
    return reader_end(r, &b, e) &&
           (*out || err_set(e, ERR_NOT_FOUND, "the database %s holds no text with the SHA-256 %s",
                            r->db.path, sha256));
}

static bool copy_into(struct reader *r, const char *path, struct err *e)
{
    struct store_bind b = store_bind(&r->db, R_BACKUP);
    store_bind_text(&b, path);
    bool ok = store_run(&b) == SQLITE_OK ||
              store_sqlite_err(e, r->db.db, path, "write a copy of the records to");
    if (!ok)
        return false;
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0 || fsync(fd) != 0)
        ok = err_set_errno(e, errno, "cannot flush the copy %s to the disk", path);
    if (fd >= 0)
        close(fd);
    return ok;
}

bool reader_backup(struct reader *r, const char *path, struct err *e)
{
    char partial[PATH_MAX];
    if (!text_format(partial, sizeof partial, "%s.partial", path))
        return err_set(e, ERR_CONFIG, "the path of the copy is too long: %s", path);
    unlink(partial); /* left by an attempt that was cut off */
    bool ok = copy_into(r, partial, e);
    /* A link does not overwrite, unlike a rename. */
    if (ok && link(partial, path) != 0)
        ok = errno == EEXIST
                 ? err_set(e, ERR_CONFIG,
                           "%s exists already and is not overwritten; choose another name", path)
                 : err_set_errno(e, errno, "cannot give the copy its name %s", path);
    unlink(partial);
    return ok && store_sync_folder(path, e);
}

/* The first thing that SQLite finds wrong, "" when it finds nothing. */
static bool first_fault(struct reader *r, int which, char *out, size_t size, struct err *e)
{
    struct store_bind b = store_bind(&r->db, which);
    if (store_row(&b) == SQLITE_ROW)
        store_column_copy(b.stmt, 0, out, size);
    return reader_end(r, &b, e);
}

bool store_check_copy(const char *path, struct err *e)
{
    struct reader *r = NULL;
    char said[128] = "", loose[64] = "";
    if (!reader_open(path, &r, e))
        return false;
    bool ok = first_fault(r, R_CHECK, said, sizeof said, e) &&
              first_fault(r, R_CHECK_REFERENCES, loose, sizeof loose, e);
    if (ok && (strcmp(said, "ok") != 0 || loose[0] != '\0'))
        ok = err_set(e, ERR_STORE, "the copy %s is not sound: %s%s", path,
                     loose[0] != '\0' ? "a row is missing that is referred to in " : said, loose);
    reader_close(r);
    return ok;
}
