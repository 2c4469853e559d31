/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/tell: what happens in a run or at a stand, put on record, and for whoever is to
 * be told outside copied into the queue of hooks, never waited for. */
#include "base/file.h"
#include "base/log.h"
#include "run/run_state.h"

#include <string.h>

#define SAY_AGAIN_NS (60 * NS_PER_S)
#define WELL_AGAIN_NS (10 * NS_PER_S)

static const char notice[] = "notice";

static void fill_trip(struct hook_event *h, const struct run_trip *t, enum guard_reason reason)
{
    text_format(h->reason, sizeof h->reason, "%s", t->reason);
    text_format(h->unit, sizeof h->unit, "%s", guard_reason_unit(reason));
    h->value = t->value;
    h->limit = t->limit;
}

static enum guard_reason reason_of(const struct run_trip *t)
{
    for (int i = 0; i < GUARD_REASON_COUNT; i++) {
        if (strcmp(t->reason, guard_reason_name((enum guard_reason)i)) == 0) {
            return (enum guard_reason)i;
        }
    }
    return GUARD_FINE;
}

/* Why: of a trip its reason, of an end how it ended. */
static void fill_reason(struct hook_event *h, const struct run *r)
{
    switch (h->kind) {
    case HOOK_TRIP:
        fill_trip(h, &r->trip, reason_of(&r->trip));
        return;
    case HOOK_END:
        text_format(h->reason, sizeof h->reason, "%s", run_outcome_names[r->d.outcome]);
        return;
    case HOOK_ALARM:
        text_format(h->reason, sizeof h->reason, "output-unconfirmed");
        return;
    case HOOK_START:
    case HOOK_HOLD:
    case HOOK_KINDS:
        return;
    }
}

static void say_status(const struct run *r, const char *kind, const char *text)
{
    char line[KEEPER_BYTES];
    text_format(line, sizeof line, "%s: %s: %s (%s)", r->stand->config->name, kind, text,
                r->job->battery.label);
    keeper_line_say(r->stand->keeper, KEEPER_STATUS, line);
}

static enum log_level level_of(const char *kind)
{
    if (strcmp(kind, "trip") == 0 || strcmp(kind, "alarm") == 0) {
        return LOG_ERROR;
    }
    return strcmp(kind, notice) == 0 ? LOG_WARN : LOG_INFO;
}

void run_event(struct run *r, const char *kind, const char *text)
{
    log_line(level_of(kind), "%s: %s: %s", r->stand->config->name, kind, text);
    if (!store_put_event(r->stand->store, r->nr, clock_utc_ns(r->stand->clock), run_now_s(r), kind,
                         text)) {
        log_error("%s: the event above could not be stored", r->stand->config->name);
    }
    run_tell(r, kind, text);
}

static void show_problem(struct run *r, const char *text)
{
    pthread_mutex_lock(&r->stand->lock);
    text_format(r->stand->status.problem, sizeof r->stand->status.problem, "%s", text);
    pthread_mutex_unlock(&r->stand->lock);
}

/* A slow disk is late now and then: that is one story, not one each time. */
static void watch_recovery(struct run *r, int64_t now_ns)
{
    if (!r->wait.told) {
        return;
    }
    show_problem(r, "");
    if (now_ns - r->wait.seen_ns > WELL_AGAIN_NS) {
        r->wait.told = false;
        run_event(r, notice, "records reach the disk in time again; none was lost");
    }
}

void run_watch_store(struct run *r)
{
    struct err why = {0};
    int64_t now_ns = clock_real_ns();
    if (!store_is_late(r->stand->store, &why)) {
        watch_recovery(r, now_ns);
        return;
    }
    show_problem(r, why.text);
    r->wait.seen_ns = now_ns;
    if (!r->wait.told) {
        r->wait.told = true;
        slip_forbid(r->stand->slip); /* what waits would be missing */
        r->wait.said_ns = now_ns;
        run_event(r, notice, why.text);
    } else if (now_ns - r->wait.said_ns > SAY_AGAIN_NS) {
        r->wait.said_ns = now_ns;
        log_warn("%s: %s", r->stand->config->name, why.text);
    }
}

void run_tell(const struct run *r, const char *kind, const char *text)
{
    enum hook_kind which;
    if (strcmp(kind, "resume") == 0) {
        which = HOOK_START; /* current flows again: somebody may want to know */
    } else if (!hook_kind_parse(kind, &which)) {
        return; /* for the store alone */
    }
    struct hook_event h = hook_event_blank(which);
    text_format(h.stand, sizeof h.stand, "%s", r->stand->config->name);
    text_format(h.battery, sizeof h.battery, "%s", r->job->battery.label);
    text_format(h.run, sizeof h.run, "%s", r->job->run_id);
    text_format(h.profile, sizeof h.profile, "%s", r->plan->profile);
    text_format(h.text, sizeof h.text, "%s", text);
    h.run_nr = r->nr;
    h.at_utc_ns = clock_utc_ns(r->stand->clock);
    h.at_s = run_now_s(r);
    fill_reason(&h, r);
    say_status(r, kind, text);
    hooks_tell(r->stand->hooks, &h);
}

void stand_tell_alarm(const struct stand *s, const char *reason, const char *text)
{
    struct hook_event h = hook_event_blank(HOOK_ALARM);
    text_format(h.stand, sizeof h.stand, "%s", s->config->name);
    text_format(h.reason, sizeof h.reason, "%s", reason);
    text_format(h.text, sizeof h.text, "%s", text);
    h.at_utc_ns = clock_utc_ns(s->clock);
    hooks_tell(s->hooks, &h);
}
