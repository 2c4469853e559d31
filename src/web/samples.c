/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/samples: a thread reads the database and fills a bounded buffer; the
 * connection empties it, and is parked while there is nothing in it. When the client
 * goes away, or stalls until the connection's timeout, the thread is told, and frees what
 * is left when it comes round: whoever serves the connections waits for no disk. */
#include "web/samples.h"

#include "base/file.h"
#include "base/log.h"
#include "base/thread.h"
#include "report/csv.h"
#include "web/park.h"
#include "web/places.h"

#include <errno.h>
#include <math.h>
#include <microhttpd.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define BUFFER_SIZE 65536
#define BLOCK_SIZE 16384

struct downloads {
    pthread_mutex_t lock;
    pthread_cond_t changed;
    size_t under_way;                /* threads */
    uint32_t serials[DOWNLOADS_MAX]; /* the tokens of these; 0: a free place */
    bool copying[2];                 /* one from elsewhere, one from near */
};

struct stream {
    struct downloads *downloads;
    struct download_owner owner;
    struct reader *reader; /* NULL: the bytes of fd, a copy of the database */
    int fd;
    int64_t nr, started_utc_ns;
    char *head;  /* NULL: CSV */
    size_t rows; /* put so far, as JSON */
    struct spot spot;
    pthread_mutex_t lock;
    pthread_cond_t changed;
    bool finished; /* nothing more will be put */
    bool failed;
    bool abandoned; /* nobody will take any more */
    size_t n;
    char bytes[BUFFER_SIZE];
};

struct downloads *downloads_new(void)
{
    struct downloads *d = zalloc(sizeof *d);
    pthread_mutex_init(&d->lock, NULL);
    pthread_cond_init(&d->changed, NULL);
    return d;
}

void downloads_free(struct downloads *d)
{
    if (d == NULL) {
        return;
    }
    pthread_mutex_lock(&d->lock);
    while (d->under_way > 0) {
        pthread_cond_wait(&d->changed, &d->lock);
    }
    pthread_mutex_unlock(&d->lock);
    pthread_cond_destroy(&d->changed);
    pthread_mutex_destroy(&d->lock);
    free(d);
}

bool downloads_begin_copy(struct downloads *d, bool is_near)
{
    pthread_mutex_lock(&d->lock);
    bool free_to_begin = !d->copying[is_near];
    d->copying[is_near] = true;
    pthread_mutex_unlock(&d->lock);
    return free_to_begin;
}

void downloads_end_copy(struct downloads *d, bool is_near)
{
    pthread_mutex_lock(&d->lock);
    d->copying[is_near] = false;
    pthread_mutex_unlock(&d->lock);
}

static bool has_place(const struct downloads *d, const struct download_owner *owner)
{
    return d->under_way < DOWNLOADS_MAX - (owner->is_near ? 0 : DOWNLOADS_NEAR) &&
           (owner->serial == 0 ||
            places_of(d->serials, DOWNLOADS_MAX, owner->serial) < DOWNLOADS_TOKEN);
}

static void left(struct downloads *d, uint32_t serial)
{
    pthread_mutex_lock(&d->lock);
    d->under_way--;
    places_pass(d->serials, DOWNLOADS_MAX, serial, 0);
    pthread_cond_signal(&d->changed);
    pthread_mutex_unlock(&d->lock);
}

/* False when nobody takes any more. */
static bool put(struct stream *s, const char *bytes, size_t n)
{
    pthread_mutex_lock(&s->lock);
    while (!s->abandoned && s->n + n > sizeof s->bytes) {
        pthread_cond_wait(&s->changed, &s->lock);
    }
    bool wanted = !s->abandoned;
    if (wanted) {
        memcpy(s->bytes + s->n, bytes, n);
        s->n += n;
        spot_leave(&s->spot);
    }
    pthread_mutex_unlock(&s->lock);
    return wanted;
}

static bool put_sample(void *context, int step, const struct sample *sample)
{
    struct stream *s = context;
    char line[CSV_SAMPLE_SIZE];
    return put(s, line, csv_format_sample(step, sample, s->started_utc_ns, line));
}

/* Unknown is null. */
static size_t format_json_row(int step, const struct sample *sample, bool is_first,
                              char out[CSV_SAMPLE_SIZE])
{
    const double values[] = {sample->t_s, sample->voltage_V, sample->current_A,
                             sample->temperature_C};
    size_t n = (size_t)snprintf(out, CSV_SAMPLE_SIZE, "%s\n[", is_first ? "" : ",");
    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++) {
        char number[CSV_NUMBER_SIZE] = "null";
        if (isfinite(values[i])) {
            csv_format_number(values[i], number);
        }
        n += (size_t)snprintf(out + n, CSV_SAMPLE_SIZE - n, "%s,", number);
    }
    return n + (size_t)snprintf(out + n, CSV_SAMPLE_SIZE - n, "%d]", step);
}

static bool put_json_row(void *context, int step, const struct sample *sample)
{
    struct stream *s = context;
    char row[CSV_SAMPLE_SIZE];
    return put(s, row, format_json_row(step, sample, s->rows++ == 0, row));
}

/* A text of any length. */
static bool put_text(struct stream *s, const char *text)
{
    size_t n = strlen(text);
    bool wanted = true;
    for (size_t at = 0; wanted && at < n; at += BLOCK_SIZE) {
        wanted = put(s, text + at, n - at < BLOCK_SIZE ? n - at : BLOCK_SIZE);
    }
    return wanted;
}

static bool put_file(struct stream *s, struct err *e)
{
    char block[BLOCK_SIZE];
    ssize_t n = 0;
    while ((n = read(s->fd, block, sizeof block)) > 0) {
        if (!put(s, block, (size_t)n)) {
            return true;
        }
    }
    return n == 0 || err_set_errno(e, errno, "read the copy");
}

static bool put_all(struct stream *s, struct err *e)
{
    if (s->reader == NULL) {
        return put_file(s, e);
    }
    if (s->head == NULL) {
        return put_text(s, CSV_SAMPLES_HEADER) &&
               reader_samples(s->reader, s->nr, -1, put_sample, s, e);
    }
    return put_text(s, s->head) && reader_samples(s->reader, s->nr, -1, put_json_row, s, e) &&
           put_text(s, "\n]}\n");
}

/* What waits for a disk. By the thread that reads, when it has done so. */
static void let_go(struct stream *s)
{
    if (s->reader == NULL) {
        close(s->fd);
        downloads_end_copy(s->downloads, s->owner.is_near);
    }
    reader_close(s->reader);
}

static void stream_free(struct stream *s)
{
    free(s->head);
    pthread_cond_destroy(&s->changed);
    pthread_mutex_destroy(&s->lock);
    free(s);
}

static void *fill(void *context)
{
    struct stream *s = context;
    struct downloads *d = s->downloads;
    uint32_t serial = s->owner.serial;
    struct err e = {0};
    bool ok = put_all(s, &e);
    let_go(s);
    pthread_mutex_lock(&s->lock);
    if (!ok && !s->abandoned) {
        log_error("what was read for a download could not be sent: %s", e.text);
        s->failed = true;
    }
    s->finished = true;
    bool is_last = s->abandoned;
    if (!is_last) {
        spot_leave(&s->spot);
    }
    pthread_mutex_unlock(&s->lock);
    if (is_last) {
        stream_free(s);
    }
    left(d, serial);
    return NULL;
}

static ssize_t take(void *context, uint64_t position, char *out, size_t max)
{
    (void)position;
    struct stream *s = context;
    pthread_mutex_lock(&s->lock);
    size_t n = s->n < max ? s->n : max;
    memcpy(out, s->bytes, n);
    memmove(s->bytes, s->bytes + n, s->n - n);
    s->n -= n;
    ssize_t result = (ssize_t)n;
    if (n == 0 && s->finished && !s->failed) {
        result = MHD_CONTENT_READER_END_OF_STREAM;
    } else if (n == 0 && (s->failed || !spot_park(&s->spot))) {
        result = MHD_CONTENT_READER_END_WITH_ERROR;
    }
    pthread_cond_signal(&s->changed);
    pthread_mutex_unlock(&s->lock);
    return result;
}

static void leave(void *context)
{
    struct stream *s = context;
    pthread_mutex_lock(&s->lock);
    s->abandoned = true;
    bool is_last = s->finished;
    pthread_cond_signal(&s->changed);
    pthread_mutex_unlock(&s->lock);
    if (is_last) {
        stream_free(s);
    }
}

static bool begin(struct stream *s, struct err *e)
{
    struct downloads *d = s->downloads;
    pthread_t thread;
    pthread_mutex_lock(&d->lock);
    bool room = has_place(d, &s->owner);
    size_t under_way = d->under_way;
    if (room) {
        d->under_way++;
        places_pass(d->serials, DOWNLOADS_MAX, 0, s->owner.serial);
    }
    pthread_mutex_unlock(&d->lock);
    if (!room) {
        return err_set(e, ERR_REFUSED, "%zu downloads are under way; try again when one has ended",
                       under_way);
    }
    int failed = thread_start_deaf(&thread, fill, s);
    if (failed != 0) {
        left(d, s->owner.serial);
        return err_set_errno(e, failed, "start a thread that reads samples");
    }
    pthread_detach(thread);
    return true;
}

/* Takes s over. */
static struct MHD_Response *stream_begin(struct stream *s, const char *type, struct err *e)
{
    pthread_mutex_init(&s->lock, NULL);
    pthread_cond_init(&s->changed, NULL);
    if (!begin(s, e)) {
        let_go(s);
        stream_free(s);
        return NULL;
    }
    struct MHD_Response *r =
        MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, BLOCK_SIZE, take, s, leave);
    if (r == NULL) {
        leave(s);
        err_set(e, ERR_SYSTEM, "there is no memory for an answer");
        return NULL;
    }
    MHD_add_response_header(r, "Content-Type", type);
    return r;
}

struct MHD_Response *samples_stream(struct reader *reader, const struct samples_wanted *wanted,
                                    struct err *e)
{
    struct stream *s = zalloc(sizeof *s);
    s->downloads = wanted->downloads;
    s->owner = wanted->owner;
    s->reader = reader;
    s->nr = wanted->nr;
    s->head = wanted->head;
    s->started_utc_ns = wanted->started_utc_ns;
    s->spot = (struct spot){.connection = wanted->connection, .parking = wanted->parking};
    return stream_begin(
        s, wanted->head != NULL ? "application/json" : "text/csv; charset=utf-8; header=present",
        e);
}

struct MHD_Response *copy_stream(const struct copy_wanted *wanted, struct err *e)
{
    struct stream *s = zalloc(sizeof *s);
    s->downloads = wanted->downloads;
    s->owner = wanted->owner;
    s->fd = wanted->fd;
    s->spot = (struct spot){.connection = wanted->connection, .parking = wanted->parking};
    return stream_begin(s, "application/vnd.sqlite3", e);
}
