/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/slip: one sector per stand, written by a thread of its own. */
#include "run/slip.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/quantity.h"
#include "base/thread.h"
#include "guard/guard.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <math.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* One sector of a disk: it is written as a whole or not at all. */
#define SLIP_SIZE 512
#define SLIPS_MOST 64 /* stands of a bench */

struct slip {
    char path[PATH_MAX + LABEL_SIZE];
    pthread_t thread;
    atomic_int fd;        /* -1: the file is not there */
    atomic_bool running;  /* a run is on, or its end not yet written */
    struct slip_text run; /* that run; set before `running` is */
    pthread_mutex_t mutex;
    pthread_cond_t wake, done;
    /* Under the mutex: */
    struct slip_text wanted;
    uint64_t asked, answered;
    int failed; /* errno of the newest answer; 0 fine */
    bool stop;
};

/* For the last words, which may look at any moment. */
static struct slip *_Atomic slips[SLIPS_MOST];

static const char *const kind_names[] = {"none", "run", "resumable", "trip"};

/* --- the text --- */

/* No allocation in here. */
static void compose(const struct slip_text *t, char out[SLIP_SIZE])
{
    char text[SLIP_SIZE];
    snprintf(text, sizeof text, "%s\n%s\n%lld\n%.31s\n%lld\n%.9g\n%.9g\n%.9g\n%.250s\n",
             kind_names[t->kind], t->run_id, (long long)t->nr, t->trip.reason,
             (long long)t->trip.at_utc_ns, t->trip.at_s, t->trip.value, t->trip.limit,
             t->trip.sentence);
    memset(out, ' ', SLIP_SIZE);
    memcpy(out, text, strlen(text));
    out[SLIP_SIZE - 1] = '\n';
}

/* Cuts the next line off. */
static const char *next_line(char **rest)
{
    char *line = *rest;
    size_t n = strcspn(line, "\n");
    *rest = line[n] == '\0' ? line + n : line + n + 1;
    line[n] = '\0';
    return line;
}

static double next_number(char **rest)
{
    double value = NAN; /* also of "nan" */
    return number_parse(next_line(rest), &value, NULL) ? value : (double)NAN;
}

static void parse(char *text, struct slip_text *out)
{
    const char *kind = next_line(&text);
    for (int i = SLIP_RUN; i <= SLIP_TRIP; i++) {
        out->kind = strcmp(kind, kind_names[i]) == 0 ? (enum slip_kind)i : out->kind;
    }
    text_format(out->run_id, sizeof out->run_id, "%s", next_line(&text));
    out->nr = strtoll(next_line(&text), NULL, 10);
    text_format(out->trip.reason, sizeof out->trip.reason, "%s", next_line(&text));
    out->trip.at_utc_ns = strtoll(next_line(&text), NULL, 10);
    out->trip.at_s = next_number(&text);
    out->trip.value = next_number(&text);
    out->trip.limit = next_number(&text);
    text_format(out->trip.sentence, sizeof out->trip.sentence, "%s", next_line(&text));
}

void slip_read(const struct slip *s, struct slip_text *out)
{
    char *text = NULL;
    size_t n = 0;
    *out = (struct slip_text){.kind = SLIP_NONE};
    if (file_read(s->path, SLIP_SIZE, &text, &n, NULL)) {
        parse(text, out);
    }
    free(text);
}

/* --- the file --- */

/* A name that was just made, or is gone, must be so after a power cut as well. */
static void sync_folder(const char *path)
{
    char folder[PATH_MAX + LABEL_SIZE];
    text_format(folder, sizeof folder, "%s", path);
    char *slash = strrchr(folder, '/');
    if (slash != NULL) {
        slash[1] = '\0';
    }
    int fd = open(slash != NULL ? folder : ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) {
        (void)fsync(fd); /* some file systems cannot, and need not */
        close(fd);
    }
}

static int take_away(struct slip *s)
{
    int fd = atomic_exchange(&s->fd, -1);
    if (fd >= 0) {
        close(fd);
    }
    if (unlink(s->path) != 0) {
        return errno == ENOENT ? 0 : errno;
    }
    sync_folder(s->path);
    return 0;
}

static int put(struct slip *s, const struct slip_text *t)
{
    char text[SLIP_SIZE];
    if (t->kind == SLIP_NONE) {
        return take_away(s);
    }
    int fd = atomic_load(&s->fd);
    bool is_new = fd < 0;
    if (is_new) {
        fd = open(s->path, O_RDWR | O_CREAT | O_CLOEXEC, 0600);
        atomic_store(&s->fd, fd);
    }
    compose(t, text);
    if (fd < 0 || pwrite(fd, text, SLIP_SIZE, 0) != SLIP_SIZE || fdatasync(fd) != 0) {
        return errno != 0 ? errno : EIO;
    }
    if (is_new) {
        sync_folder(s->path);
    }
    return 0;
}

static void *slip_thread(void *arg)
{
    struct slip *s = arg;
    pthread_mutex_lock(&s->mutex);
    while (s->asked > s->answered || !s->stop) {
        if (s->asked == s->answered) {
            pthread_cond_wait(&s->wake, &s->mutex);
            continue;
        }
        uint64_t number = s->asked;
        struct slip_text wanted = s->wanted;
        pthread_mutex_unlock(&s->mutex);
        int failed = put(s, &wanted);
        pthread_mutex_lock(&s->mutex);
        s->answered = number;
        s->failed = failed;
        if (s->asked == number && (wanted.kind == SLIP_NONE || wanted.kind == SLIP_TRIP)) {
            atomic_store(&s->running, false); /* not before, for the last words' sake */
        }
        pthread_cond_broadcast(&s->done);
    }
    pthread_mutex_unlock(&s->mutex);
    return NULL;
}

/* --- from outside --- */

static void init_locks(struct slip *s)
{
    mutex_init_inheriting(&s->mutex);
    cond_init_monotonic(&s->wake);
    cond_init_monotonic(&s->done);
}

static void enlist(struct slip *s)
{
    for (size_t i = 0; i < SLIPS_MOST; i++) {
        struct slip *none = NULL;
        if (atomic_compare_exchange_strong(&slips[i], &none, s)) {
            return;
        }
    }
}

static void unlist(struct slip *s)
{
    for (size_t i = 0; i < SLIPS_MOST; i++) {
        struct slip *own = s;
        atomic_compare_exchange_strong(&slips[i], &own, NULL);
    }
}

static void slip_free(struct slip *s)
{
    int fd = atomic_load(&s->fd);
    if (fd >= 0) {
        close(fd);
    }
    pthread_cond_destroy(&s->wake);
    pthread_cond_destroy(&s->done);
    pthread_mutex_destroy(&s->mutex);
    free(s);
}

bool slip_open(const char *database, const char *stand, struct slip **out, struct err *e)
{
    struct slip *s = zalloc(sizeof *s);
    atomic_init(&s->fd, -1);
    init_locks(s);
    if (!text_format(s->path, sizeof s->path, "%s.run-%s", database, stand)) {
        slip_free(s);
        return err_set(e, ERR_CONFIG, "the path of the database is too long: %.200s...", database);
    }
    int failed = thread_start_deaf(&s->thread, slip_thread, s);
    if (failed != 0) {
        slip_free(s);
        return err_set_errno(e, failed, "start the thread that notes the runs of %s", stand);
    }
    enlist(s);
    *out = s;
    return true;
}

void slip_close(struct slip *s)
{
    if (s == NULL) {
        return;
    }
    unlist(s);
    pthread_mutex_lock(&s->mutex);
    s->stop = true;
    pthread_cond_signal(&s->wake);
    pthread_mutex_unlock(&s->mutex);
    pthread_join(s->thread, NULL);
    slip_free(s);
}

static void ask(struct slip *s, const struct slip_text *wanted)
{
    pthread_mutex_lock(&s->mutex);
    s->wanted = *wanted;
    s->asked++;
    if (wanted->kind == SLIP_RUN || wanted->kind == SLIP_RESUMABLE) {
        atomic_store(&s->running, true);
    }
    pthread_cond_signal(&s->wake);
    pthread_mutex_unlock(&s->mutex);
}

void slip_begin(struct slip *s, const char *run_id, int64_t nr, bool resumable)
{
    const struct run_trip none = {.at_s = NAN, .value = NAN, .limit = NAN};
    s->run =
        (struct slip_text){.kind = resumable ? SLIP_RESUMABLE : SLIP_RUN, .nr = nr, .trip = none};
    text_format(s->run.run_id, sizeof s->run.run_id, "%s", run_id);
    ask(s, &s->run);
}

void slip_forbid(struct slip *s)
{
    struct slip_text t = s->run;
    t.kind = SLIP_RUN;
    ask(s, &t);
}

void slip_trip(struct slip *s, const struct run_trip *trip)
{
    struct slip_text t = s->run;
    t.kind = SLIP_TRIP;
    t.trip = *trip;
    ask(s, &t);
}

void slip_remove(struct slip *s)
{
    const struct slip_text none = {.kind = SLIP_NONE};
    ask(s, &none);
}

bool slip_wait(struct slip *s, int timeout_ms, struct err *e)
{
    int64_t until_ns = clock_monotonic_ns() + timeout_ms * NS_PER_MS;
    const struct timespec until = {until_ns / NS_PER_S, until_ns % NS_PER_S};
    int waited = 0;
    pthread_mutex_lock(&s->mutex);
    uint64_t number = s->asked;
    while (s->answered < number && waited == 0) {
        waited = pthread_cond_timedwait(&s->done, &s->mutex, &until);
    }
    bool answered = s->answered >= number;
    int failed = s->failed;
    pthread_mutex_unlock(&s->mutex);
    if (!answered) {
        return err_set(e, ERR_TIMEOUT, "write %s: the disk does not answer", s->path);
    }
    return failed == 0 || err_set_errno(e, failed, "write %s", s->path);
}

void slip_last_words(void)
{
    for (size_t i = 0; i < SLIPS_MOST; i++) {
        struct slip *s = atomic_load(&slips[i]);
        if (s == NULL || !atomic_exchange(&s->running, false) || atomic_load(&s->fd) < 0) {
            continue;
        }
        char text[SLIP_SIZE];
        struct slip_text t = s->run;
        t.kind = SLIP_TRIP;
        t.trip.at_utc_ns = clock_real_utc_ns();
        snprintf(t.trip.reason, sizeof t.trip.reason, "%s", guard_reason_name(GUARD_CANNOT_RECORD));
        snprintf(t.trip.sentence, sizeof t.trip.sentence,
                 "the memory of this computer was used up: free memory, or add some");
        compose(&t, text);
        (void)!pwrite(atomic_load(&s->fd), text, SLIP_SIZE, 0);
    }
}
