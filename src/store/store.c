/* SPDX-License-Identifier: GPL-3.0-or-later
 * store: opening, closing, and the calls that only hand over. */
#include "store/handle.h"
#include "store/schema.h"

#include "base/file.h"

#include <math.h>
#include <stdlib.h>
#include <unistd.h>

const char *const run_outcome_names[] = {"running", "completed", "stopped",
                                         "tripped", "aborted",   "interrupted"};

/* Look, lock, look again (it may have appeared meanwhile), create or open. The
 * first look comes before the lock so that a stranger's file gets no lock file. */
static bool open_locked(struct store *s, struct err *e)
{
    enum store_file state;
    struct store_db db = {0};
    if (!store_inspect(s->path, &state, e) || !store_lock(s->path, &s->lock_fd, e) ||
        !store_inspect(s->path, &state, e))
        return false;
    if (state == STORE_FILE_NEW && !store_create(s->path, e))
        return false;
    text_format(db.path, sizeof db.path, "%s", s->path);
    return store_db_open_writer(&db, s->path, e) && writer_start(&s->writer, &db, e);
}

bool store_open(const char *path, struct store **out, struct err *e)
{
    struct store *s = zalloc(sizeof *s);
    s->lock_fd = -1;
    if (!store_resolve(path, s->path, e) || !open_locked(s, e))
        goto fail;
    if (!reader_of(s, &s->reader, e)) {
        writer_stop(&s->writer);
        goto fail;
    }
    pthread_mutex_init(&s->reading, NULL);
    *out = s;
    return true;
fail:
    if (s->lock_fd >= 0)
        close(s->lock_fd);
    free(s);
    return false;
}

void store_close(struct store *s)
{
    if (!s)
        return;
    /* The writer last: the connection that closes last tidies the log away. */
    reader_close(s->reader);
    writer_stop(&s->writer);
    pthread_mutex_destroy(&s->reading);
    close(s->lock_fd);
    free(s);
}

const char *store_path(const struct store *s)
{
    return s->path;
}

void store_set_patience(struct store *s, double patience_s)
{
    pthread_mutex_lock(&s->writer.mutex);
    s->writer.patience_ms = (int)lround(1000 * patience_s);
    pthread_mutex_unlock(&s->writer.mutex);
}

bool store_is_late(struct store *s, struct err *e)
{
    return writer_is_late(&s->writer, e);
}

bool store_is_recording(struct store *s, struct err *e)
{
    return !writer_gave_up(&s->writer, e);
}

bool store_put_sample(struct store *s, int64_t nr, int step, const struct sample *sample)
{
    struct entry entry = {.kind = ENTRY_SAMPLE, .nr = nr, .step = step, .sample = *sample};
    return writer_push(&s->writer, entry, NULL) && !writer_gave_up(&s->writer, NULL);
}

bool store_put_step_begin(struct store *s, int64_t nr, const struct step_begin *step)
{
    struct entry entry = {.kind = ENTRY_STEP_BEGIN, .nr = nr, .step = step->step};
    struct note note = {.t_s = step->start_s, .plan_step = step->plan_step, .round = step->round};
    store_text_cut(note.text, sizeof note.text, step->name);
    store_text_cut(note.kind, sizeof note.kind, step->kind);
    return writer_push(&s->writer, entry, &note);
}

bool store_put_step_end(struct store *s, int64_t nr, int step, double end_s, const char *end_reason)
{
    struct entry entry = {.kind = ENTRY_STEP_END, .nr = nr, .step = step};
    struct note note = {.t_s = end_s};
    store_text_cut(note.text, sizeof note.text, end_reason);
    return writer_push(&s->writer, entry, &note);
}

bool store_put_event(struct store *s, int64_t nr, int64_t utc_ns, double t_s, const char *kind,
                     const char *text)
{
    struct entry entry = {.kind = ENTRY_EVENT, .nr = nr};
    struct note note = {.t_s = t_s, .utc_ns = utc_ns};
    store_text_cut(note.kind, sizeof note.kind, kind);
    store_text_cut(note.text, sizeof note.text, text);
    return writer_push(&s->writer, entry, &note);
}
