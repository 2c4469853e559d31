/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/reader_records: samples as a stream, events, texts, and whole copies. */
#include "store/reader.h"

#include "store/schema.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <unistd.h>

/* Samples are fetched a page at a time, so that no transaction stays open while
 * the receiver (a slow network, say) works: an open one would keep the
 * write-ahead log from being emptied. Samples never change, so pages fit. */
#define PAGE 512

struct page_row {
    int step;
    struct sample sample;
};

struct page {
    int64_t nr, after, last;
    int step;
    size_t n;
    struct page_row row[PAGE];
};

static bool read_page(struct reader *r, struct page *p, struct err *e)
{
    p->n = 0;
    struct store_bind b = store_bind(&r->db, R_SAMPLES);
    store_bind_int(&b, p->nr);
    store_bind_int(&b, p->after);
    store_bind_int(&b, p->last);
    store_bind_int(&b, p->step);
    store_bind_int(&b, PAGE);
    while (p->n < PAGE && store_row(&b) == SQLITE_ROW) {
        struct page_row *row = &p->row[p->n++];
        p->after = sqlite3_column_int64(b.stmt, 0);
        row->sample.t_s = store_column_real(b.stmt, 1);
        row->step = sqlite3_column_int(b.stmt, 2);
        row->sample.voltage_V = store_column_real(b.stmt, 3);
        row->sample.current_A = store_column_real(b.stmt, 4);
        row->sample.temperature_C = store_column_real(b.stmt, 5);
    }
    return reader_end(r, &b, e);
}

bool reader_samples(struct reader *r, int64_t nr, int step, sample_fn *each, void *context,
                    struct err *e)
{
    struct page *p = zalloc(sizeof *p);
    p->nr = nr;
    p->step = step;
    p->after = p->last = -1;
    struct store_bind b = store_bind(&r->db, R_LAST_SEQ);
    store_bind_int(&b, nr);
    /* The end is fixed now: a run at work must not keep us here for ever. */
    bool ok = true, more = true;
    if (store_row(&b) == SQLITE_ROW && sqlite3_column_type(b.stmt, 0) != SQLITE_NULL)
        p->last = sqlite3_column_int64(b.stmt, 0);
    ok = reader_end(r, &b, e);
    while (ok && more && p->after < p->last) {
        ok = read_page(r, p, e);
        for (size_t i = 0; ok && more && i < p->n; i++)
            more = each(context, p->row[i].step, &p->row[i].sample);
        if (p->n < PAGE)
            more = false;
    }
    free(p);
    return ok;
}

bool reader_events(struct reader *r, int64_t nr, struct event_row **out, size_t *n, struct err *e)
{
    *out = NULL;
    *n = 0;
    struct store_bind b = store_bind(&r->db, R_EVENTS);
    store_bind_int_or_null(&b, nr);
    while (store_row(&b) == SQLITE_ROW) {
        *out = reader_grow(*out, *n, sizeof **out);
        struct event_row *row = &(*out)[(*n)++];
        row->utc_ns = sqlite3_column_int64(b.stmt, 0);
        row->t_s = store_column_real(b.stmt, 1);
        store_column_copy(b.stmt, 2, row->kind, sizeof row->kind);
        store_column_copy(b.stmt, 3, row->text, sizeof row->text);
    }
    if (reader_end(r, &b, e))
        return true;
    free(*out);
    *out = NULL;
    *n = 0;
    return false;
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
