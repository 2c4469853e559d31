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

#define LOOK_EVERY_NS (500 * NS_PER_MS)
/* Newcomers are shown the stands at once, yet never more often than so. */
#define LOOK_LEAST_NS (100 * NS_PER_MS)
#define BEAT_EVERY_LOOKS 30
#define EVENTS_PER_LOOK 64
#define REOPEN_EVERY_LOOKS 10

struct seen_stand {
    int64_t run_nr;
    enum run_outcome outcome;
    char *text; /* as last put into the hub */
};

struct lookout {
    struct lookout_config config;
    pthread_t thread;
    atomic_bool leaving;
    struct seen_stand *stands;
    struct reader *reader; /* NULL: not open */
    int64_t last_event;
    bool told; /* that the records cannot be read */
    uint64_t looks;
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
    bool another = s->run_nr != seen->run_nr;
    bool over = s->outcome != RUN_RUNNING;
    if (!first && another && s->run_nr != 0) {
        put_run(w, "run-begun", s);
    }
    if (!first && s->run_nr != 0 && over && (another || seen->outcome == RUN_RUNNING)) {
        put_run(w, "run-ended", s);
    }
    seen->run_nr = s->run_nr;
    seen->outcome = s->outcome;
}

/* The age of the reading grows by itself: it alone is no change. */
static void put_stand(struct lookout *w, size_t index, struct stand_status *s, bool to_all)
{
    struct seen_stand *seen = &w->stands[index];
    json_t *o = stand_to_json(s);
    json_t *reading = json_object_get(o, "reading");
    json_t *age = json_incref(json_object_get(reading, "age_s"));
    json_object_set_new(reading, "age_s", json_null());
    char *text = json_dumps(o, JSON_COMPACT | JSON_REAL_PRECISION(15));
    if (text != NULL && (to_all || seen->text == NULL || strcmp(text, seen->text) != 0)) {
        json_object_set(reading, "age_s", age);
        char *whole = json_dumps(o, JSON_COMPACT | JSON_REAL_PRECISION(15));
        if (whole != NULL) {
            hub_put_stand(w->config.hub, index, whole);
        }
        free(whole);
        free(seen->text);
        seen->text = text;
        text = NULL;
    }
    free(text);
    json_decref(age);
    json_decref(o);
}

static const char *stand_of(const struct lookout *w, int64_t run_nr)
{
    const struct bench *b = w->config.web->bench;
    for (size_t i = 0; run_nr != 0 && i < b->stand_count; i++) {
        if (w->stands[i].run_nr == run_nr) {
            return b->stands[i].name;
        }
    }
    return "";
}

static bool open_records(struct lookout *w, struct err *e)
{
    return w->reader != NULL ||
           (w->looks % REOPEN_EVERY_LOOKS == 0 &&
            reader_open(store_path(w->config.web->store), &w->reader, e) &&
            (w->last_event > 0 || reader_last_event(w->reader, &w->last_event, e)));
}

static void see_events(struct lookout *w)
{
    struct err e = {0};
    struct event_row rows[EVENTS_PER_LOOK];
    size_t n = 0;
    bool ok = open_records(w, &e);
    if (ok && !reader_events_after(w->reader, w->last_event, rows, EVENTS_PER_LOOK, &n, &e)) {
        reader_close(w->reader);
        w->reader = NULL;
        ok = false;
    }
    if (!ok && !w->told && e.code != ERR_NONE) {
        w->told = true;
        log_warn("events are not shown to those who look on: %s", e.text);
    }
    w->told = w->told && !ok;
    for (size_t i = 0; i < n; i++) {
        const struct event_row *v = &rows[i];
        w->last_event = v->nr;
        put_json(w, "event",
                 json_pack("{s:I, s:o, s:o, s:o, s:o, s:o}", "run", (json_int_t)v->run_nr, "stand",
                           text_to_json(stand_of(w, v->run_nr)), "at", utc_to_json(v->utc_ns),
                           "t_s", json_number(v->t_s), "kind", text_to_json(v->kind), "text",
                           text_to_json(v->text)));
    }
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
    see_events(w);
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
    reader_close(w->reader);
    free(w->stands);
    free(w);
}

bool lookout_start(const struct lookout_config *config, struct lookout **out, struct err *e)
{
    struct lookout *w = zalloc(sizeof *w);
    w->config = *config;
    w->stands = zalloc((run_host_count(config->web->host) + 1) * sizeof *w->stands);
    int failed = thread_start_deaf(&w->thread, lookout_thread, w);
    if (failed != 0) {
        lookout_free(w);
        return err_set_errno(e, failed, "start the thread that looks for changes");
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
    pthread_join(w->thread, NULL);
    lookout_free(w);
}
