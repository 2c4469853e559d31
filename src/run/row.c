/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/row: asking for the next battery, and looking at the one that was connected. */
#include "run/row.h"

#include "base/file.h"
#include "base/log.h"
#include "profile/plausible.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define REMIND_NS (1800 * NS_PER_S)
#define LOOKS 5
#define LOOK_APART_NS (250 * NS_PER_MS)

/* --- what waits --- */

/* Why the row stands still until a person says that it goes on; "" when it does not. */
static void why_paused(const struct row_place *last, char *out, size_t size)
{
    out[0] = '\0';
    if (last == NULL || last->state != ROW_DONE) {
        return;
    }
    if (last->outcome == RUN_STOPPED || last->outcome == RUN_ABORTED ||
        last->outcome == RUN_INTERRUPTED) {
        text_format(out, size, "run %lld on %s was %s, so the row stands still; to go on, ",
                    (long long)last->run_nr, last->battery, run_outcome_names[last->outcome]);
    }
}

static void fill_next(const struct stand *s, const struct row_place *places, size_t n,
                      struct stand_next *next)
{
    size_t waiting = 0;
    char paused[160];
    *next = (struct stand_next){0};
    while (waiting < n && places[waiting].place > 0) {
        waiting++;
    }
    if (waiting == 0) {
        return;
    }
    next->row_nr = places[0].nr;
    next->waiting = (int)waiting;
    next->asked_utc_ns = places[0].asked_utc_ns;
    strcpy(next->battery, places[0].battery);
    strcpy(next->profile, places[0].profile);
    why_paused(waiting < n ? &places[waiting] : NULL, paused, sizeof paused);
    next->paused = paused[0] != '\0';
    text_format(next->say, sizeof next->say, "%sconnect %s at %s (%s), then: ampledger confirm %s",
                paused, next->battery, s->config->name, next->profile, s->config->name);
}

/* False when it could not be read; then it is tried again at the next look. */
static bool read_row(struct stand *s, struct stand_next *next)
{
    struct row_place *places = NULL;
    size_t n = 0;
    struct err e = {0};
    if (!store_row_list(s->store, s->config->name, 1, &places, &n, &e)) {
        log_warn("%s: which battery is next is not known: %s", s->config->name, e.text);
        return false;
    }
    fill_next(s, places, n, next);
    free(places);
    return true;
}

/* From several threads: whoever changed the row reads it afterwards, and what was begun to be
 * read before that must not be shown after it. */
void row_refresh(struct stand *s)
{
    struct stand_next next;
    atomic_store(&s->row_changed, false);
    pthread_mutex_lock(&s->lock);
    uint64_t number = ++s->row_reads;
    pthread_mutex_unlock(&s->lock);
    if (!read_row(s, &next)) {
        atomic_store(&s->row_changed, true);
        return;
    }
    pthread_mutex_lock(&s->lock);
    if (number > s->row_shown) {
        s->row_shown = number;
        s->status.next = next;
    }
    pthread_mutex_unlock(&s->lock);
}

static void tell(const struct stand *s, const struct stand_next *next)
{
    struct hook_event h = hook_event_blank(HOOK_HOLD);
    text_format(h.stand, sizeof h.stand, "%s", s->config->name);
    text_format(h.battery, sizeof h.battery, "%s", next->battery);
    text_format(h.profile, sizeof h.profile, "%s", next->profile);
    text_format(h.reason, sizeof h.reason, "next-battery");
    text_format(h.text, sizeof h.text, "%s", next->say);
    h.at_utc_ns = clock_utc_ns(s->clock);
    hooks_tell(s->hooks, &h);
}

/* For the first time since it is first in the row, or since this daemon began. */
static void ask(struct stand *s, const struct stand_next *next)
{
    struct err e = {0};
    int64_t utc_ns = clock_utc_ns(s->clock);
    log_info("%s: hold: %s", s->config->name, next->say);
    if (!store_row_asked(s->store, next->row_nr, utc_ns, &e) ||
        !store_put_event(s->store, 0, utc_ns, (double)NAN, "hold", next->say)) {
        log_warn("%s: that it was asked for is not on record: %s", s->config->name, e.text);
    }
    pthread_mutex_lock(&s->lock);
    if (s->status.next.row_nr == next->row_nr && next->asked_utc_ns == 0) {
        s->status.next.asked_utc_ns = utc_ns;
    }
    pthread_mutex_unlock(&s->lock);
    tell(s, next);
}

void row_look(struct stand *s)
{
    if (atomic_load(&s->row_changed)) {
        row_refresh(s);
    }
    pthread_mutex_lock(&s->lock);
    const struct stand_next next = s->status.next;
    bool ready = s->status.phase == STAND_IDLE && s->status.trip.reason[0] == '\0';
    pthread_mutex_unlock(&s->lock);
    int64_t now_ns = clock_now_ns(s->clock);
    if (!ready || next.row_nr == 0 || !s->looked_back) {
        return;
    }
    if (s->row.asked_nr != next.row_nr) {
        s->row.asked_nr = next.row_nr;
        s->row.told_ns = now_ns;
        ask(s, &next);
    } else if (!next.paused && now_ns - s->row.told_ns >= REMIND_NS) {
        s->row.told_ns = now_ns;
        tell(s, &next);
    }
}

/* --- the battery before --- */

void row_note(struct stand *s, const struct reading *r)
{
    struct row_memory *m = &s->row;
    if (r == NULL || !isfinite(r->voltage_V)) {
        m->former[0] = '\0';
        return;
    }
    m->lowest_V = fmin(m->lowest_V, r->voltage_V);
    m->highest_V = fmax(m->highest_V, r->voltage_V);
}

void row_after_run(struct stand *s)
{
    struct row_memory *m = &s->row;
    atomic_store(&s->row_changed, true);
    pthread_mutex_lock(&s->lock);
    if (s->status.run_nr != m->former_nr) {
        m->former_nr = s->status.run_nr;
        strcpy(m->former, s->status.battery);
        m->lowest_V = m->highest_V = NAN;
        m->asked_nr = 0;
    }
    pthread_mutex_unlock(&s->lock);
}

/* --- the battery that was connected --- */

static bool read_one(struct stand *s, struct plausible_seen *seen, struct err *e)
{
    struct err temperature_error = {0};
    struct reading r;
    if (!stand_read(s->config, STAND_RESTS, &r, &temperature_error, e)) {
        return err_prefix(e, "read the battery that was connected");
    }
    stand_set_reading(s, &r);
    row_note(s, &r);
    seen->lowest_V = fmin(seen->lowest_V, r.voltage_V);
    seen->highest_V = fmax(seen->highest_V, r.voltage_V);
    return isfinite(r.voltage_V) ||
           err_set(e, ERR_REFUSED, "%s: no voltage is read", s->config->name);
}

static bool read_several(struct stand *s, struct plausible_seen *seen, struct err *e)
{
    *seen = plausible_once(NAN);
    for (int i = 0; i < LOOKS; i++) {
        int64_t at_ns = clock_now_ns(s->clock) + (i > 0 ? LOOK_APART_NS : 0);
        if (!clock_wait_until(s->clock, at_ns, s->waker.fd)) {
            return err_set(e, ERR_REFUSED, "%s: the daemon is leaving", s->config->name);
        }
        if (!read_one(s, seen, e)) {
            return false;
        }
    }
    if (s->row.former[0] != '\0') {
        seen->former = s->row.former;
        seen->since_lowest_V = s->row.lowest_V;
        seen->since_highest_V = s->row.highest_V;
    }
    return true;
}

static bool judge(struct stand *s, const struct job *job, const struct plausible_seen *seen,
                  struct err *e)
{
    struct stand_facts facts;
    struct plan *plan = NULL;
    char text[PLAUSIBLE_TEXT_SIZE];
    stand_facts_now(s, &facts);
    if (!plan_make(job->profile, &job->battery, &facts, &plan, e)) {
        return false;
    }
    enum plausible found = plausible_judge(plan, seen, text);
    plan_free(plan);
    if (found == PLAUSIBLE_NOT) {
        return err_set(e, ERR_REFUSED, "%s", text);
    }
    if (found == PLAUSIBLE_DOUBT && !job->anyway) {
        return err_set(e, ERR_REFUSED, "%s; if it is right: ampledger confirm %s --anyway", text,
                       s->config->name);
    }
    if (found == PLAUSIBLE_DOUBT) {
        log_warn("%s: begun all the same, as a person said so: %s", s->config->name, text);
    }
    return true;
}

bool row_check(struct stand *s, const struct job *job, struct err *e)
{
    struct plausible_seen seen;
    return read_several(s, &seen, e) && judge(s, job, &seen, e);
}
