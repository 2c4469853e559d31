/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/lookout: runs that began or ended are seen from the stands, what happened in them
 * from the events as recorded. While nobody looks on, no stand is put into words. */
#include "web/lookout.h"

#include "analysis/capacity_json.h"
#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "base/thread.h"
#include "web/shapes.h"

#include <math.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#define LOOK_EVERY_NS NS_PER_S
/* Newcomers are shown the stands at once, yet never more often than so. */
#define LOOK_LEAST_NS (100 * NS_PER_MS)
#define BEAT_EVERY_LOOKS 15
#define EVENTS_PER_LOOK 64
#define REOPEN_EVERY_LOOKS 10

struct seen_stand {
    _Atomic int64_t run_nr; /* also read by the thread of the records */
    enum run_outcome outcome;
    char *text; /* as last put into the hub */
};

struct records {
    pthread_t thread;
    bool started;
    pthread_mutex_t lock;
    pthread_cond_t leave;
    bool leaving;
    struct reader *reader; /* NULL: not open */
    bool placed;           /* last_event is known */
    int64_t last_event;
    bool told; /* that they cannot be read */
    uint64_t looks;
};

struct lookout {
    struct lookout_config config;
    pthread_t thread;
    bool started;
    atomic_bool leaving;
    struct seen_stand *stands;
    uint64_t looks;
    struct records records;
};

static void put_json(struct lookout *w, const char *kind, json_t *o)
{
    char *text = json_dumps(o, JSON_COMPACT | JSON_REAL_PRECISION(15));
    if (text != NULL) {
        hub_put(w->config.hub, kind, text);
    }
    free(text);
    json_decref(o);
}

static void put_run(struct lookout *w, const char *kind, const struct stand_status *s)
{
    put_json(w, kind,
             json_pack("{s:o, s:I, s:o, s:o, s:s}", "stand", text_to_json(s->name), "number",
                       (json_int_t)s->run_nr, "id", text_to_json(s->run_id), "battery",
                       text_to_json(s->battery), "outcome", run_outcome_names[s->outcome]));
}

static void see_run(struct lookout *w, struct seen_stand *seen, const struct stand_status *s,
                    bool first)
{
    bool another = s->run_nr != atomic_load(&seen->run_nr);
    bool over = s->outcome != RUN_RUNNING;
    if (!first && another && s->run_nr != 0) {
        put_run(w, "run-begun", s);
    }
    if (!first && s->run_nr != 0 && over && (another || seen->outcome == RUN_RUNNING)) {
        put_run(w, "run-ended", s);
    }
    atomic_store(&seen->run_nr, s->run_nr);
    seen->outcome = s->outcome;
}

static char *stand_text(const struct stand_status *s)
{
    json_t *o = stand_to_json(s);
    char *text = json_dumps(o, JSON_COMPACT | JSON_REAL_PRECISION(15));
    json_decref(o);
    return text;
}

/* The age of the reading grows by itself, as the count of looks does: no change. */
static void put_stand(struct lookout *w, size_t index, struct stand_status *s, bool to_all)
{
    struct seen_stand *seen = &w->stands[index];
    const double age_s = s->reading_age_s;
    const uint64_t look = s->look;
    s->reading_age_s = (double)NAN;
    s->look = 0;
    char *text = stand_text(s);
    if (text != NULL && (to_all || seen->text == NULL || strcmp(text, seen->text) != 0)) {
        s->reading_age_s = age_s;
        s->look = look;
        char *whole = stand_text(s);
        if (whole != NULL) {
            hub_put_stand(w->config.hub, index, whole);
        }
        free(whole);
        free(seen->text);
        seen->text = text;
        text = NULL;
    }
    free(text);
}

static const char *stand_of(const struct lookout *w, int64_t run_nr)
{
    const struct bench *b = w->config.web->bench;
    for (size_t i = 0; run_nr != 0 && i < b->stand_count; i++) {
        if (atomic_load(&w->stands[i].run_nr) == run_nr) {
            return b->stands[i].name;
        }
    }
    return "";
}

static void close_records(struct records *r)
{
    reader_close(r->reader);
    r->reader = NULL;
}

/* What was recorded before the first look is no news; what is recorded while the database
 * cannot be read is, when it can be again. */
static bool open_records(struct lookout *w, struct err *e)
{
    struct records *r = &w->records;
    if (r->reader != NULL) {
        return true;
    }
    if (r->looks % REOPEN_EVERY_LOOKS != 0 ||
        !reader_of(w->config.web->store, &r->reader, e)) {
        return false;
    }
    r->placed = r->placed || reader_last_event(r->reader, &r->last_event, e);
    if (!r->placed) {
        close_records(r);
    }
    return r->placed;
}

static void put_event(struct lookout *w, const struct event_row *v)
{
    put_json(w, "event",
             json_pack("{s:I, s:o, s:o, s:o, s:o, s:o}", "run", (json_int_t)v->run_nr, "stand",
                       text_to_json(stand_of(w, v->run_nr)), "at", utc_to_json(v->utc_ns), "t_s",
                       json_number(v->t_s), "kind", text_to_json(v->kind), "text",
                       text_to_json(v->text)));
}

static void see_events(struct lookout *w)
{
    struct records *r = &w->records;
    struct err e = {0};
    struct event_row rows[EVENTS_PER_LOOK];
    size_t n = 0;
    bool ok = open_records(w, &e);
    if (ok && !reader_events_after(r->reader, r->last_event, rows, EVENTS_PER_LOOK, &n, &e)) {
        close_records(r);
        ok = false;
    }
    r->looks++;
    if (!ok && !r->told && e.code != ERR_NONE) {
        r->told = true;
        log_warn("events are not shown to those who look on: %s", e.text);
    }
    r->told = r->told && !ok;
    for (size_t i = 0; i < n; i++) {
        r->last_event = rows[i].nr;
        put_event(w, &rows[i]);
    }
}

static void *records_thread(void *context)
{
    struct lookout *w = context;
    struct records *r = &w->records;
    pthread_mutex_lock(&r->lock);
    while (!r->leaving) {
        int64_t until_ns = clock_monotonic_ns() + LOOK_EVERY_NS;
        const struct timespec until = {until_ns / NS_PER_S, until_ns % NS_PER_S};
        pthread_mutex_unlock(&r->lock);
        see_events(w);
        pthread_mutex_lock(&r->lock);
        while (!r->leaving && pthread_cond_timedwait(&r->leave, &r->lock, &until) == 0) {
        }
    }
    pthread_mutex_unlock(&r->lock);
    return NULL;
}

static void look(struct lookout *w, bool newcomer)
{
    bool first = w->looks == 0;
    bool watched = hub_viewers(w->config.hub) > 0;
    for (size_t i = 0; i < run_host_count(w->config.web->host); i++) {
        struct stand_status s;
        run_host_status(w->config.web->host, i, &s);
        see_run(w, &w->stands[i], &s, first);
        if (watched) {
            put_stand(w, i, &s, newcomer);
        }
    }
    if (++w->looks % BEAT_EVERY_LOOKS == 0) {
        hub_beat(w->config.hub);
    }
    w->config.each_look(w->config.context);
}

static void *lookout_thread(void *context)
{
    struct lookout *w = context;
    bool newcomer = false;
    while (!atomic_load(&w->leaving)) {
        int64_t began_ns = clock_monotonic_ns();
        look(w, newcomer);
        newcomer = hub_await(w->config.hub, began_ns + LOOK_EVERY_NS);
        while (newcomer && !atomic_load(&w->leaving) &&
               clock_monotonic_ns() < began_ns + LOOK_LEAST_NS) {
            (void)hub_await(w->config.hub, began_ns + LOOK_LEAST_NS);
        }
    }
    return NULL;
}

static void lookout_free(struct lookout *w)
{
    for (size_t i = 0; i < run_host_count(w->config.web->host); i++) {
        free(w->stands[i].text);
    }
    close_records(&w->records);
    pthread_cond_destroy(&w->records.leave);
    pthread_mutex_destroy(&w->records.lock);
    free(w->stands);
    free(w);
}

static bool start_thread(pthread_t *thread, void *body(void *), struct lookout *w, bool *started,
                         struct err *e)
{
    int failed = thread_start_deaf(thread, body, w);
    *started = failed == 0;
    return *started || err_set_errno(e, failed, "start a thread that looks for changes");
}

bool lookout_start(const struct lookout_config *config, struct lookout **out, struct err *e)
{
    struct lookout *w = zalloc(sizeof *w);
    w->config = *config;
    w->stands = zalloc((run_host_count(config->web->host) + 1) * sizeof *w->stands);
    mutex_init_inheriting(&w->records.lock);
    cond_init_monotonic(&w->records.leave);
    if (!start_thread(&w->thread, lookout_thread, w, &w->started, e) ||
        !start_thread(&w->records.thread, records_thread, w, &w->records.started, e)) {
        lookout_stop(w);
        return false;
    }
    *out = w;
    return true;
}

void lookout_stop(struct lookout *w)
{
    if (w == NULL) {
        return;
    }
    atomic_store(&w->leaving, true);
    hub_wake(w->config.hub);
    pthread_mutex_lock(&w->records.lock);
    w->records.leaving = true;
    pthread_cond_signal(&w->records.leave);
    pthread_mutex_unlock(&w->records.lock);
    if (w->started) {
        pthread_join(w->thread, NULL);
    }
    if (w->records.started) {
        pthread_join(w->records.thread, NULL);
    }
    lookout_free(w);
}
