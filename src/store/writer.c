/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/writer: batches, commits, retries. */
#include "store/writer.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "base/thread.h"
#include "store/block.h"
#include "store/schema.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define MS INT64_C(1000000)
#define SECOND INT64_C(1000000000)
/* Do not wait for the clock when this many entries are there already. */
#define EAGER_ENTRIES ((size_t)STORE_BATCH_MAX / 2)
#define SAY_AGAIN_NS (60 * SECOND)
#define LOOK_BACK_NS (5 * SECOND)
/* How long the first piece of what may wait is taken to last; left free beyond that. */
#define TIDY_GUESS_NS (250 * MS)
#define TIDY_SPARE_NS (100 * MS)

/* The clock of the condition variables. It is not the test clock's: how long a
 * disk takes is real time, and hours asleep are not hours of a failing disk. */
static int64_t mono_ns(void)
{
    return clock_monotonic_ns();
}

static void wait_until(struct writer *w, pthread_cond_t *c, int64_t deadline_ns)
{
    struct timespec t = {.tv_sec = deadline_ns / SECOND, .tv_nsec = deadline_ns % SECOND};
    pthread_cond_timedwait(c, &w->mutex, &t);
}

/* --- operations --- */

struct op *op_new(op_apply *apply, const char *doing)
{
    struct op *op = zalloc(sizeof *op);
    op->apply = apply;
    op->doing = doing;
    return op;
}

const char *op_keep(struct op *op, const char *text)
{
    if (!text)
        return NULL;
    if (op->owned_count == sizeof op->owned / sizeof op->owned[0])
        abort(); /* more texts than any operation has */
    op->owned[op->owned_count] = text_copy(text);
    return op->owned[op->owned_count++];
}

void op_free(struct op *op)
{
    for (size_t i = 0; i < op->owned_count; i++)
        free(op->owned[i]);
    free(op->extra);
    free(op);
}

static void unlist(struct writer *w, struct op *op)
{
    struct op **at = &w->ops;
    while (*at != op)
        at = &(*at)->next;
    *at = op->next;
    op->next = NULL;
}

static void enlist(struct writer *w, struct op *op)
{
    struct op **at = &w->ops;
    while (*at)
        at = &(*at)->next;
    *at = op;
}

/* The caller's patience has ended; under the mutex. */
static void give_up_waiting(struct writer *w, struct op *op, struct err *e)
{
    const char *fate = op->insist                   ? "; it is written as soon as that is possible"
                       : op->state == OP_COMMITTING ? " (it may have been written all the same)"
                                                    : "";
    if (w->in_trouble)
        err_set(e, ERR_STORE, "cannot %s now%s: %.850s", op->doing, fate, w->trouble.text);
    else
        err_set(e, ERR_STORE,
                "cannot %s now%s: the disk of the database %s took too long to answer: check the "
                "disk and the kernel log",
                op->doing, fate, w->db.path);
    if (op->state == OP_QUEUED && !op->insist) {
        unlist(w, op);
        op_free(op);
    } else {
        op->cancelled = true;
    }
}

struct op *writer_do(struct writer *w, struct op *op, int timeout_ms, struct err *e)
{
    int64_t deadline = mono_ns() + timeout_ms * MS;
    pthread_mutex_lock(&w->mutex);
    op->after = w->queue.tail;
    enlist(w, op);
    pthread_cond_signal(&w->wake);
    while (op->state != OP_DONE && mono_ns() < deadline)
        wait_until(w, &w->done, deadline);
    if (op->state != OP_DONE) {
        give_up_waiting(w, op, e);
        pthread_mutex_unlock(&w->mutex);
        return NULL;
    }
    pthread_mutex_unlock(&w->mutex);
    if (op->ok)
        return op;
    err_set(e, op->err.code, "%s", op->err.text);
    op_free(op);
    return NULL;
}

/* --- the queue --- */

bool writer_push(struct writer *w, struct entry entry, const struct note *note)
{
    entry.queued_ns = mono_ns();
    pthread_mutex_lock(&w->mutex);
    bool pushed = queue_push(&w->queue, entry, note);
    bool say = !pushed && !w->said_full;
    w->said_full = !pushed;
    size_t count = queue_count(&w->queue);
    /* Wake the writer for the first entry (it then knows when to commit) and
     * when there is a reason not to wait. */
    bool wake = pushed && (count == 1 || note || count == EAGER_ENTRIES);
    if (pushed && note)
        w->urgent = true;
    if (wake)
        pthread_cond_signal(&w->wake);
    pthread_mutex_unlock(&w->mutex);
    if (say)
        log_error("store: the queue to the database %s is full; new records are refused",
                  w->db.path);
    return pushed;
}

/* Under the mutex. */
static int64_t waiting_ms(const struct writer *w)
{
    return queue_count(&w->queue) == 0
               ? 0
               : (mono_ns() - queue_at(&w->queue, w->queue.head)->queued_ns) / MS;
}

static const char *trouble_text(const struct writer *w, char out[ERR_TEXT_SIZE])
{
    if (w->in_trouble)
        return w->trouble.text;
    text_format(out, ERR_TEXT_SIZE,
                "the disk of %.800s does not answer; check the disk and the kernel log",
                w->db.path);
    return out;
}

bool writer_gave_up(struct writer *w, struct err *e)
{
    char text[ERR_TEXT_SIZE];
    pthread_mutex_lock(&w->mutex);
    int patience_ms = w->patience_ms;
    if (w->in_trouble && !w->may_pass && patience_ms > STORE_HOPELESS_MS)
        patience_ms = STORE_HOPELESS_MS;
    bool gave_up = waiting_ms(w) > patience_ms;
    if (gave_up)
        err_set(e, ERR_STORE, "nothing could be recorded for %d s: %.900s", patience_ms / 1000,
                trouble_text(w, text));
    pthread_mutex_unlock(&w->mutex);
    return gave_up;
}

static const char *records_wait(size_t n)
{
    return n == 1 ? "record waits" : "records wait";
}

bool writer_is_late(struct writer *w, struct err *e)
{
    char text[ERR_TEXT_SIZE];
    pthread_mutex_lock(&w->mutex);
    int64_t ms = waiting_ms(w);
    if (ms > STORE_LATE_MS)
        err_set(e, ERR_STORE, "%zu %s in memory since %lld s: %.850s", queue_count(&w->queue),
                records_wait(queue_count(&w->queue)), (long long)ms / 1000, trouble_text(w, text));
    pthread_mutex_unlock(&w->mutex);
    return ms > STORE_LATE_MS;
}

/* --- one batch --- */

struct batch {
    uint64_t first;
    size_t n;
    size_t ops;  /* so many from the front of the list */
    bool rescue; /* its operations failed and are left out */
};

static void take_batch(struct writer *w, struct batch *b)
{
    size_t count = queue_count(&w->queue);
    *b = (struct batch){.first = w->queue.head,
                        .n = count < STORE_BATCH_MAX ? count : STORE_BATCH_MAX};
    for (struct op *op = w->ops; op && op->after <= b->first + b->n; op = op->next) {
        op->state = OP_RUNNING;
        b->ops++;
    }
    if (b->n == count)
        w->urgent = false;
}

int writer_run(struct writer *w, int which)
{
    struct store_bind b = store_bind(&w->db, which);
    return store_run(&b);
}

/* An operation that is refused takes back what it did, and only that. */
static bool apply_op(struct writer *w, struct op *op)
{
    op->ok = false;
    if (writer_run(w, W_SAVEPOINT) != SQLITE_OK)
        return false;
    enum apply result = op->apply(w, op);
    if (result == APPLY_TROUBLE)
        return false;
    if (result == APPLY_REFUSED && writer_run(w, W_ROLLBACK_TO) != SQLITE_OK)
        return false;
    op->ok = result == APPLY_DONE;
    return writer_run(w, W_RELEASE) == SQLITE_OK;
}

/* The list is walked under the mutex: a caller may remove one from behind the
 * batch at any time. The batch's own stay, since they are running. */
static struct op *op_number(struct writer *w, size_t i)
{
    pthread_mutex_lock(&w->mutex);
    struct op *op = w->ops;
    while (i-- > 0)
        op = op->next;
    pthread_mutex_unlock(&w->mutex);
    return op;
}

static bool apply_batch(struct writer *w, const struct batch *b, bool *by_op)
{
    *by_op = false;
    if (writer_run(w, W_BEGIN) != SQLITE_OK)
        return false;
    for (size_t i = 0; i < b->n; i++) {
        if (writer_apply_entry(w, queue_at(&w->queue, b->first + i)) != SQLITE_OK)
            return false;
    }
    for (size_t i = 0; i < b->ops; i++) {
        if (!apply_op(w, op_number(w, i))) {
            *by_op = true;
            return false;
        }
    }
    return true;
}

/* The point of no return: false when a caller has gone meanwhile, whose
 * operation must then not be written. */
static bool all_still_wanted(struct writer *w, const struct batch *b)
{
    bool wanted = true;
    pthread_mutex_lock(&w->mutex);
    struct op *op = w->ops;
    for (size_t i = 0; i < b->ops; i++, op = op->next)
        wanted = wanted && (!op->cancelled || op->insist);
    op = w->ops;
    for (size_t i = 0; wanted && i < b->ops; i++, op = op->next)
        op->state = OP_COMMITTING;
    pthread_mutex_unlock(&w->mutex);
    return wanted;
}

/* Nobody waits for it any more, so a refusal is told to the log. */
static void free_orphans(struct op *orphans)
{
    while (orphans) {
        struct op *op = orphans;
        orphans = op->next;
        if (!op->ok)
            log_error("store: %s", op->err.text);
        op_free(op);
    }
}

static void finish_batch(struct writer *w, const struct batch *b)
{
    struct op *orphans = NULL;
    pthread_mutex_lock(&w->mutex);
    queue_drop(&w->queue, b->n);
    w->in_trouble = b->rescue;
    for (size_t i = 0; i < b->ops; i++) {
        struct op *op = w->ops;
        unlist(w, op);
        op->state = OP_DONE;
        if (op->cancelled) {
            op->next = orphans;
            orphans = op;
        }
    }
    pthread_cond_broadcast(&w->done);
    pthread_mutex_unlock(&w->mutex);
    free_orphans(orphans);
}

struct trouble {
    struct err why;
    bool may_pass, by_op;
};

/* Everything as before the batch; operations nobody waits for any more go. */
static void undo_batch(struct writer *w, const struct batch *b, const struct trouble *t)
{
    if (!sqlite3_get_autocommit(w->db.db))
        sqlite3_exec(w->db.db, "ROLLBACK", NULL, NULL, NULL);
    writer_forget_seqs(w);
    pthread_mutex_lock(&w->mutex);
    struct op *op = w->ops;
    for (size_t i = 0; i < b->ops; i++) {
        struct op *next = op->next;
        op->state = OP_QUEUED;
        if (op->cancelled && !op->insist) {
            unlist(w, op);
            op_free(op);
        }
        op = next;
    }
    w->urgent = true;
    if (t) {
        w->in_trouble = true;
        w->trouble = t->why;
        w->may_pass = t->may_pass;
    }
    pthread_mutex_unlock(&w->mutex);
}

/* SQLite goes on writing into a file that was deleted or replaced under it:
 * everything would seem well and be lost. */
static bool file_is_there(struct writer *w, struct err *e)
{
    int moved = 0;
    if (sqlite3_file_control(w->db.db, "main", SQLITE_FCNTL_HAS_MOVED, &moved) == SQLITE_OK &&
        moved)
        return err_set(e, ERR_STORE,
                       "cannot write to the database %s: the file was moved, deleted or replaced "
                       "while in use: put it back where it was",
                       w->db.path);
    return true;
}

static void blame_sqlite(struct trouble *t, const struct store_db *d, const char *doing)
{
    t->may_pass = store_sqlite_may_pass(sqlite3_extended_errcode(d->db));
    store_sqlite_err(&t->why, d->db, d->path, doing);
}

static bool open_to_look(struct writer *w, struct trouble *t)
{
    static const char *const newest[] = {
        "SELECT * FROM sample_row ORDER BY run_nr DESC, seq DESC LIMIT 1"};
    if (w->look.db)
        return true;
    w->look = (struct store_db){.sql = newest};
    if (!store_db_open_reader(&w->look, w->db.path, true, &t->why)) {
        t->may_pass = store_sqlite_may_pass(w->look.open_rc);
        return false;
    }
    snprintf(w->look.path, sizeof w->look.path, "%s", w->db.path);
    return true;
}

/* A file damaged under it, SQLite goes on writing as well: this connection has
 * in memory what it would need to read. So another one, which forgets its pages each time,
 * looks now and then for the newest sample. It stays open, since to read what tables there
 * are costs more than all the samples of that time; after trouble it is opened anew. */
static bool can_be_read(struct writer *w, struct trouble *t)
{
    int64_t now = mono_ns();
    if (w->attempts == 0 && now - w->looked_back_ns < LOOK_BACK_NS)
        return true;
    if (w->attempts > 0)
        store_db_close(&w->look);
    if (!open_to_look(w, t))
        return false;
    sqlite3_db_release_memory(w->look.db);
    struct store_bind b = store_bind(&w->look, 0);
    bool fine = store_run(&b) == SQLITE_OK;
    if (!fine) {
        blame_sqlite(t, &w->look, "read back from");
        store_db_close(&w->look);
    }
    w->looked_back_ns = fine ? now : w->looked_back_ns;
    return fine;
}

static void say_trouble(struct writer *w, const struct err *why, size_t waiting)
{
    int64_t now = mono_ns();
    if (w->attempts++ == 0) {
        w->trouble_since_ns = w->trouble_said_ns = now;
        log_error("store: %s. Records are kept in memory (%zu now) and tried again", why->text,
                  waiting);
    } else if (now - w->trouble_said_ns >= SAY_AGAIN_NS) {
        w->trouble_said_ns = now;
        log_error("store: still, after %lld s and %d attempts: %s. %zu %s",
                  (long long)((now - w->trouble_since_ns) / SECOND), w->attempts, why->text,
                  waiting, records_wait(waiting));
    }
}

static void say_well_again(struct writer *w)
{
    if (w->attempts > 0)
        log_warn(
            "store: writing to %s again after %.1f s and %d failed attempt%s; nothing was lost",
            w->db.path, (double)(mono_ns() - w->trouble_since_ns) / 1e9, w->attempts,
            w->attempts == 1 ? "" : "s");
    w->attempts = 0;
}

/* An operation may have ended a run. */
static void look_for_work(struct writer *w, const struct batch *b)
{
    w->tidy.since += b->n;
    if (b->ops == 0 && w->tidy.since < BLOCK_SAMPLES)
        return;
    w->tidy.since = 0;
    w->tidy.wanted = true;
}

/* False after trouble: then nothing is written. */
static bool try_batch(struct writer *w, const struct batch *b, struct trouble *t)
{
    if (!file_is_there(w, &t->why) || !can_be_read(w, t))
        return false;
    bool applied = apply_batch(w, b, &t->by_op);
    if (applied && !all_still_wanted(w, b)) {
        undo_batch(w, b, NULL);
        return true;
    }
    if (!applied || writer_run(w, W_COMMIT) != SQLITE_OK) {
        blame_sqlite(t, &w->db, "write to");
        return false;
    }
    if (!b->rescue)
        say_well_again(w);
    look_for_work(w, b);
    finish_batch(w, b);
    return true;
}

/* What an operation needs the disk may not have, and yet take what the stands measure. */
static void rescue_entries(struct writer *w, const struct batch *b)
{
    const struct batch entries = {.first = b->first, .n = b->n, .rescue = true};
    struct trouble t = {0};
    if (!try_batch(w, &entries, &t))
        undo_batch(w, &entries, &t);
}

/* False after trouble; the batch then waits in the queue as it did before. */
static bool write_batch(struct writer *w)
{
    struct batch b;
    struct trouble t = {0};
    pthread_mutex_lock(&w->mutex);
    take_batch(w, &b);
    size_t waiting = queue_count(&w->queue);
    pthread_mutex_unlock(&w->mutex);
    if (try_batch(w, &b, &t))
        return true;
    undo_batch(w, &b, &t);
    say_trouble(w, &t.why, waiting);
    if (t.by_op && b.n > 0)
        rescue_entries(w, &b);
    return false;
}

/* --- the thread --- */

enum work { WORK_WRITE, WORK_TIDY, WORK_END };

/* When may the next piece of what can wait begin, so that no entry due then waits for it? */
static int64_t tidy_from(const struct writer *w, int64_t due)
{
    if (!w->tidy.wanted)
        return INT64_MAX;
    bool in_time = due == INT64_MAX || mono_ns() < due - 2 * w->tidy.took_ns - TIDY_SPARE_NS;
    return in_time ? w->tidy.not_before_ns : INT64_MAX;
}

static int64_t oldest_due(const struct writer *w)
{
    return queue_count(&w->queue) == 0
               ? INT64_MAX
               : queue_at(&w->queue, w->queue.head)->queued_ns + STORE_COMMIT_MS * MS;
}

/* Under the mutex. The end: nothing is left to write, or no more time to do it. */
static enum work wait_for_work(struct writer *w)
{
    for (;;) {
        size_t count = queue_count(&w->queue);
        bool pending = count > 0 || w->ops;
        if (w->stop)
            return pending && mono_ns() < w->stop_deadline_ns ? WORK_WRITE : WORK_END;
        if (w->ops || w->urgent || count >= EAGER_ENTRIES)
            return WORK_WRITE;
        int64_t due = oldest_due(w);
        if (mono_ns() >= due)
            return WORK_WRITE;
        int64_t tidy = tidy_from(w, due);
        if (mono_ns() >= tidy)
            return WORK_TIDY;
        int64_t next = tidy < due ? tidy : due;
        if (next == INT64_MAX)
            pthread_cond_wait(&w->wake, &w->mutex);
        else
            wait_until(w, &w->wake, next);
    }
}

static void pause_after_trouble(struct writer *w)
{
    int64_t until = mono_ns() + STORE_RETRY_MS * MS;
    while (mono_ns() < until)
        wait_until(w, &w->wake, until);
}

static void *writer_main(void *arg)
{
    struct writer *w = arg;
    enum work work;
    pthread_mutex_lock(&w->mutex);
    while ((work = wait_for_work(w)) != WORK_END) {
        pthread_mutex_unlock(&w->mutex);
        bool fine = true;
        if (work == WORK_TIDY)
            writer_tidy(w);
        else
            fine = write_batch(w);
        pthread_mutex_lock(&w->mutex);
        if (!fine)
            pause_after_trouble(w);
    }
    pthread_mutex_unlock(&w->mutex);
    return NULL;
}

bool writer_start(struct writer *w, const struct store_db *d, struct err *e)
{
    w->db = *d;
    w->db.sql = writer_sql;
    w->patience_ms = STORE_PATIENCE_MS;
    w->tidy.wanted = true; /* what an earlier one left */
    w->tidy.took_ns = TIDY_GUESS_NS;
    /* Short: the writer repeats by itself and wants to look at its callers meanwhile. */
    sqlite3_busy_timeout(w->db.db, STORE_RETRY_MS);
    mutex_init_inheriting(&w->mutex);
    cond_init_monotonic(&w->wake);
    cond_init_monotonic(&w->done);
    queue_init(&w->queue);
    int failed = thread_start_deaf(&w->thread, writer_main, w);
    if (!failed)
        return true;
    err_set_errno(e, failed, "cannot start the thread that writes the database");
    queue_free(&w->queue);
    store_db_close(&w->db);
    return false;
}

void writer_stop(struct writer *w)
{
    pthread_mutex_lock(&w->mutex);
    w->stop = true;
    w->stop_deadline_ns = mono_ns() + STORE_CLOSE_MS * MS;
    pthread_cond_signal(&w->wake);
    pthread_mutex_unlock(&w->mutex);
    pthread_join(w->thread, NULL);
    size_t lost = queue_count(&w->queue);
    if (lost > 0)
        log_error("store: closing with %zu records that could not be written: %s", lost,
                  w->trouble.text);
    while (w->ops) {
        struct op *op = w->ops;
        unlist(w, op);
        log_error("store: closing without having been able to %s", op->doing);
        op_free(op);
    }
    store_db_close(&w->look);
    if (lost == 0)
        sqlite3_wal_checkpoint_v2(w->db.db, NULL, SQLITE_CHECKPOINT_TRUNCATE, NULL, NULL);
    store_db_close(&w->db);
    queue_free(&w->queue);
    pthread_cond_destroy(&w->wake);
    pthread_cond_destroy(&w->done);
    pthread_mutex_destroy(&w->mutex);
}
