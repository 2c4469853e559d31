/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/imports: a few places for files that come; a request has its place for itself. */
#include "web/imports.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/sha256_sum.h"

#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <math.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>
#include <unistd.h>

struct place {
    char id[UUID_TEXT_SIZE]; /* "" free */
    bool busy;               /* a request is at it */
    int64_t touched_ns;
    struct import_wanted wanted;
    FILE *file;
    long long n;
    struct sha256_sum sum;
};

struct imports {
    const char *database;
    atomic_bool leaving;
    pthread_mutex_t lock;
    struct place place[IMPORTS_AT_ONCE];
};

struct imports *imports_new(const char *database)
{
    struct imports *i = zalloc(sizeof *i);
    i->database = database;
    pthread_mutex_init(&i->lock, NULL);
    return i;
}

static void empty(struct place *p)
{
    if (p->file != NULL) {
        fclose(p->file);
    }
    *p = (struct place){0};
}

void imports_free(struct imports *i)
{
    if (i == NULL) {
        return;
    }
    for (size_t k = 0; k < IMPORTS_AT_ONCE; k++) {
        empty(&i->place[k]);
    }
    pthread_mutex_destroy(&i->lock);
    free(i);
}

void imports_cancel(struct imports *i)
{
    if (i != NULL) {
        atomic_store(&i->leaving, true);
    }
}

/* A file system that knows no files without a name gets one that loses it at once. */
static bool open_beside(const char *database, FILE **out, struct err *e)
{
    char text[4096], name[4096];
    if (!text_format(text, sizeof text, "%s", database) ||
        !text_format(name, sizeof name, "%s.import-XXXXXX", database)) {
        return err_set(e, ERR_CONFIG, "the database path is too long: %s", database);
    }
    int fd = open(dirname(text), O_TMPFILE | O_RDWR | O_CLOEXEC, 0600);
    if (fd < 0) {
        fd = mkostemp(name, O_CLOEXEC);
        if (fd >= 0) {
            unlink(name);
        }
    }
    *out = fd >= 0 ? fdopen(fd, "w+") : NULL;
    return *out != NULL || err_set_errno(e, errno, "make a file beside %s", database);
}

/* Under the lock. Time that does not step: a wall clock that is set gives nothing up. */
static void tidy(struct imports *i)
{
    for (size_t k = 0; k < IMPORTS_AT_ONCE; k++) {
        struct place *p = &i->place[k];
        if (!p->busy && clock_real_ns() - p->touched_ns > IMPORT_IDLE_S * NS_PER_S) {
            empty(p);
        }
    }
}

void imports_tidy(struct imports *i)
{
    pthread_mutex_lock(&i->lock);
    tidy(i);
    pthread_mutex_unlock(&i->lock);
}

/* Under the lock: the one to be filled, or NULL. */
static struct place *free_place(struct imports *i)
{
    struct place *found = NULL;
    tidy(i);
    for (size_t k = 0; k < IMPORTS_AT_ONCE; k++) {
        found = i->place[k].id[0] == '\0' ? &i->place[k] : found;
    }
    return found;
}

bool imports_begin(struct imports *i, const struct import_wanted *wanted, char id[UUID_TEXT_SIZE],
                   struct err *e)
{
    FILE *file = NULL;
    if (!open_beside(i->database, &file, e)) {
        return false;
    }
    pthread_mutex_lock(&i->lock);
    struct place *p = free_place(i);
    if (p != NULL) {
        *p = (struct place){.touched_ns = clock_real_ns(), .wanted = *wanted, .file = file};
        uuid7_make(clock_real_utc_ns(), p->id);
        sha256_sum_start(&p->sum);
        memcpy(id, p->id, sizeof p->id);
    }
    pthread_mutex_unlock(&i->lock);
    if (p == NULL) {
        fclose(file);
        return err_set(e, ERR_REFUSED,
                       "%d files are being sent already; wait until one of them is done",
                       IMPORTS_AT_ONCE);
    }
    return true;
}

static struct place *take(struct imports *i, const char *id, struct err *e)
{
    struct place *found = NULL;
    bool busy = false;
    pthread_mutex_lock(&i->lock);
    for (size_t k = 0; k < IMPORTS_AT_ONCE; k++) {
        if (id[0] != '\0' && strcmp(i->place[k].id, id) == 0) {
            found = &i->place[k];
            busy = found->busy;
            found->busy = true;
        }
    }
    pthread_mutex_unlock(&i->lock);
    if (found == NULL) {
        err_set(e, ERR_NOT_FOUND,
                "no file is being sent as %s; one that nobody goes on with is given up after "
                "%d min",
                id, IMPORT_IDLE_S / 60);
    } else if (busy) {
        err_set(e, ERR_REFUSED, "another request is at %s; send one piece after the other", id);
        found = NULL;
    }
    return found;
}

static void give_back(struct imports *i, struct place *p, bool done)
{
    pthread_mutex_lock(&i->lock);
    if (done) {
        empty(p);
    }
    p->busy = false;
    p->touched_ns = clock_real_ns();
    pthread_mutex_unlock(&i->lock);
}

/* What runs at work record goes before what is taken over. */
bool imports_leave_room(const char *database, long long n, struct err *e)
{
    struct statvfs v;
    if (statvfs(database, &v) != 0) {
        return true;
    }
    double free_bytes = (double)v.f_bavail * (double)v.f_frsize;
    return free_bytes >= (double)(IMPORT_LEAVES_FREE + n) ||
           err_set(e, ERR_REFUSED,
                   "%.0f MiB are free beside the database, and %lld MiB are kept for what runs "
                   "record; make room first",
                   free_bytes / (1024 * 1024), IMPORT_LEAVES_FREE / (1024LL * 1024));
}

/* All of it, or the file as it was: what is summed up and what is kept are the same. */
static bool keep_bytes(struct place *p, const struct import_bytes *piece, struct err *e)
{
    if (fwrite(piece->bytes, 1, piece->n, p->file) == piece->n && fflush(p->file) == 0) {
        return true;
    }
    err_set_errno(e, errno, "keep what is sent");
    clearerr(p->file);
    if (fseeko(p->file, p->n, SEEK_SET) != 0 || ftruncate(fileno(p->file), p->n) != 0) {
        p->n = -1; /* no piece fits any more */
    }
    return false;
}

static bool put(struct imports *i, struct place *p, const struct import_bytes *piece, struct err *e)
{
    long long end = piece->at + (long long)piece->n;
    if (piece->at < p->n && end <= p->n) {
        return true;
    }
    if (piece->at != p->n) {
        return err_set(e, ERR_REFUSED, "%lld bytes have come; go on there, not at %lld", p->n,
                       piece->at);
    }
    if (end > IMPORT_BYTES_MAX) {
        return err_set(e, ERR_CONFIG, "the file is larger than %lld MiB; send it in parts",
                       IMPORT_BYTES_MAX / (1024LL * 1024));
    }
    if (!imports_leave_room(i->database, (long long)piece->n, e) || !keep_bytes(p, piece, e)) {
        return false;
    }
    sha256_sum_add(&p->sum, piece->bytes, piece->n);
    p->n = end;
    return true;
}

bool imports_put(struct imports *i, const char *id, const struct import_bytes *piece,
                 long long *total, struct err *e)
{
    struct place *p = take(i, id, e);
    if (p == NULL) {
        return false;
    }
    bool ok = put(i, p, piece, e);
    *total = p->n;
    give_back(i, p, false);
    return ok;
}

struct row_source {
    struct imports *imports;
    struct csv_reader *csv;
    double sign, from_s, to_s;
};

/* Only rows of the time that is meant; begins again behind the last one. */
static bool next_row(void *context, struct sample *s, bool *more, struct err *e)
{
    struct row_source *r = context;
    if (atomic_load_explicit(&r->imports->leaving, memory_order_relaxed)) {
        return err_set(e, ERR_REFUSED, "the daemon is leaving; send the file again");
    }
    do {
        if (!csv_read(r->csv, s, more, e)) {
            return false;
        }
    } while (*more && (s->t_s < r->from_s || s->t_s > r->to_s));
    s->current_A *= r->sign;
    return *more || csv_rewind(r->csv, e);
}

static bool read_zero(struct row_source *r, int64_t *zero_utc_ns, struct err *e)
{
    struct sample s;
    bool more = true;
    if (!csv_read(r->csv, &s, &more, e) || !csv_rewind(r->csv, e)) {
        return false;
    }
    *zero_utc_ns = csv_first_utc_ns(r->csv);
    return true;
}

static bool check_sum(struct place *p, const char *sha256, struct err *e)
{
    struct import_source *source = &p->wanted.terms.source;
    sha256_sum_end(&p->sum, source->sha256);
    return strcmp(source->sha256, sha256) == 0 ||
           err_set(e, ERR_CONFIG,
                   "%s: %lld bytes with the SHA-256 %s came, not those with %s; send it again",
                   source->file, p->n, source->sha256, sha256);
}

static bool make_run(struct imports *i, struct place *p, struct store *store, int64_t *nr,
                     struct err *e)
{
    const struct import_source *source = &p->wanted.terms.source;
    struct row_source from = {.imports = i,
                              .sign = p->wanted.discharge_positive ? -1 : 1,
                              .from_s = source->from_s,
                              .to_s = source->to_s};
    if (fflush(p->file) != 0) {
        return err_set_errno(e, errno, "keep what is sent");
    }
    rewind(p->file);
    FILE *file = p->file;
    p->file = NULL; /* the reader's from here on */
    if (!csv_open_stream(file, source->file, &p->wanted.columns, &from.csv, e)) {
        return false;
    }
    const struct import_rows rows = {next_row, &from};
    bool ok = !p->wanted.columns.time_is_utc || read_zero(&from, &p->wanted.terms.zero_utc_ns, e);
    ok = ok && import_run(store, &p->wanted.terms, &rows, nr, e);
    csv_close(from.csv);
    return ok;
}

bool imports_finish(struct imports *i, const char *id, const char *sha256, struct store *store,
                    int64_t *nr, struct err *e)
{
    struct place *p = take(i, id, e);
    if (p == NULL) {
        return false;
    }
    bool ok = check_sum(p, sha256, e) && make_run(i, p, store, nr, e);
    give_back(i, p, true);
    return ok;
}

bool imports_drop(struct imports *i, const char *id, struct err *e)
{
    struct place *p = take(i, id, e);
    if (p == NULL) {
        return false;
    }
    give_back(i, p, true);
    return true;
}
