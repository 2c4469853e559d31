/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/stand: the life of one stand's thread: bring it up, keep looking at it,
 * take orders. The run itself is in loop.c. */
#include "run/stand.h"

#include "run/known.h"
#include "run/resume.h"
#include "run/row.h"

#include "base/file.h"
#include "base/log.h"
#include "base/thread.h"
#include "profile/profile.h"

#include <math.h>
#include <sched.h>
#include <stdlib.h>
#include <string.h>

#define IDLE_PERIOD_NS NS_PER_S
#define RETRY_PERIOD_NS (2 * NS_PER_S)
#define SAFE_TRIES 5
#define LEAK_READINGS 5

const char *const stand_phase_names[] = {"starting", "missing", "idle", "running", "latched"};

void job_free(struct job *j)
{
    if (j != NULL) {
        profile_free(j->profile);
        free(j->resume.past);
        free(j);
    }
}

enum order stand_take_order(struct stand *s, struct job **job)
{
    atomic_fetch_add(&s->turns, 1);
    pthread_mutex_lock(&s->lock);
    enum order order = s->order;
    if (order != ORDER_NONE) {
        waker_clear_signal(&s->waker);
        s->order = ORDER_NONE;
        s->taken_number = s->order_number;
        *job = s->job;
        s->job = NULL;
    }
    pthread_mutex_unlock(&s->lock);
    return order;
}

void stand_answer(struct stand *s, bool ok, const struct err *e)
{
    pthread_mutex_lock(&s->lock);
    s->answer_number = s->taken_number;
    s->answer_ok = ok;
    s->answer = ok ? (struct err){0} : *e;
    pthread_cond_broadcast(&s->answered);
    pthread_mutex_unlock(&s->lock);
}

void stand_set_phase(struct stand *s, enum stand_phase phase, const char *problem)
{
    pthread_mutex_lock(&s->lock);
    s->status.phase = phase;
    text_format(s->status.problem, sizeof s->status.problem, "%s", problem);
    pthread_mutex_unlock(&s->lock);
}

void stand_set_reading(struct stand *s, const struct reading *r)
{
    pthread_mutex_lock(&s->lock);
    s->status.reading = *r;
    s->reading_real_ns = clock_real_ns();
    pthread_mutex_unlock(&s->lock);
}

static enum stand_phase phase_of(struct stand *s)
{
    pthread_mutex_lock(&s->lock);
    enum stand_phase phase = s->status.phase;
    pthread_mutex_unlock(&s->lock);
    return phase;
}

static bool is_latched(struct stand *s)
{
    pthread_mutex_lock(&s->lock);
    bool latched = s->status.trip.reason[0] != '\0';
    pthread_mutex_unlock(&s->lock);
    return latched;
}

bool stand_not_latched(struct stand *s, struct err *e)
{
    bool ok = true;
    pthread_mutex_lock(&s->lock);
    const struct stand_status *st = &s->status;
    if (st->trip.reason[0] != '\0') {
        ok = err_set(e, ERR_REFUSED,
                     "%s: a trip is latched (%s); look at the battery, then: ampledger clear %s",
                     st->name, st->trip.sentence, st->name);
    }
    pthread_mutex_unlock(&s->lock);
    return ok;
}

static void set_unconfirmed(struct stand *s, bool unconfirmed)
{
    pthread_mutex_lock(&s->lock);
    s->status.output_unconfirmed = unconfirmed;
    pthread_mutex_unlock(&s->lock);
}

static bool is_unconfirmed(struct stand *s)
{
    pthread_mutex_lock(&s->lock);
    bool unconfirmed = s->status.output_unconfirmed;
    pthread_mutex_unlock(&s->lock);
    return unconfirmed;
}

/* nr 0: it belongs to no run. */
static void record_alarm(struct stand *s, int64_t nr, int64_t utc_ns, double t_s, const char *text)
{
    if (!store_put_event(s->store, nr, utc_ns, t_s, "alarm", text)) {
        log_error("%s: this alarm could not be stored: %s", s->config->name, text);
    }
}

static void tell_unconfirmed(struct stand *s, const struct err *why)
{
    /* Once, not with every retry; a run tells it itself, with its battery. */
    if (!is_unconfirmed(s) && phase_of(s) != STAND_RUNNING) {
        record_alarm(s, 0, clock_utc_ns(s->clock), NAN, why->text);
        stand_tell_alarm(s, "output-unconfirmed",
                         "an output could not be confirmed off: disconnect the battery by hand");
    }
    log_error("%s: OUTPUT NOT CONFIRMED OFF, disconnect the battery by hand: %s", s->config->name,
              why->text);
}

bool stand_safe(struct stand *s, struct err *e)
{
    bool safe = stand_make_safe(s->config, SAFE_TRIES, e);
    if (!safe && !s->was_up && e->code == ERR_LINK_LOST) {
        /* Never there since the daemon began: nothing that it could have left on. */
        log_warn("%s: %s", s->config->name, e->text);
        return false;
    }
    if (!safe) {
        tell_unconfirmed(s, e);
    }
    set_unconfirmed(s, !safe);
    return safe;
}

/* The status lists what answered and what is wrong with each instrument. */
static void show_instruments(struct stand *s, const struct stand_health *health)
{
    pthread_mutex_lock(&s->lock);
    size_t n = 0;
    for (int role = 0; role < 4; role++) {
        const struct instrument *i = s->config->instrument[role];
        if (i == NULL) {
            continue;
        }
        s->status.instrument[n].role = role_names[role];
        text_format(s->status.instrument[n].driver, 64, "%s", instrument_driver(i)->name);
        text_format(s->status.instrument[n].link, 160, "%s", instrument_link_address(i));
        text_format(s->status.instrument[n].identity, IDENTITY_SIZE, "%s", instrument_identity(i));
        text_format(s->status.instrument[n].problem, ERR_TEXT_SIZE, "%s", health->problem[role]);
        n++;
    }
    pthread_mutex_unlock(&s->lock);
}

/* While an output is not confirmed off the keeper goes on holding it, so that it
 * tries too should this process end; now it is confirmed. */
static void take_from_keeper(struct stand *s)
{
    struct err e = {0};
    for (uint32_t role = 0; role < STAND_OUTPUTS; role++) {
        if (s->keeper_has[role] && !keeper_line_disarm(s->keeper, s->slot + role, &e)) {
            log_error("%s: %s", s->config->name, e.text);
        }
        s->keeper_has[role] = false;
    }
}

/* The thread is alive and goes on trying: the keeper need not end the whole process for it. */
static void keep_keeper_waiting(const struct stand *s)
{
    for (uint32_t role = 0; role < STAND_OUTPUTS; role++) {
        if (s->keeper_has[role]) {
            keeper_line_beat(s->keeper, s->slot + role, UNCONFIRMED_WITHIN_MS);
        }
    }
}

void stand_found_off(struct stand *s)
{
    take_from_keeper(s);
    set_unconfirmed(s, false);
}

/* Every output is off, or has not been there since the daemon began. */
static bool outputs_are_off(struct stand *s, const struct stand_health *health)
{
    bool off = true;
    for (int role = 0; role < 4; role++) {
        enum err_code code = health->output[role];
        s->reached[role] = s->reached[role] || code != ERR_LINK_LOST;
        off = off && (code == ERR_NONE || !s->reached[role]);
    }
    return off;
}

/* Every instrument there, safe and known: idle, or latched if a trip waits. */
static bool bring_up(struct stand *s, struct err *e)
{
    struct stand_health health = {0};
    bool was_missing = phase_of(s) == STAND_MISSING;
    bool ok = stand_bring_up(s->config, &health, e);
    show_instruments(s, &health);
    if (outputs_are_off(s, &health)) {
        stand_found_off(s);
    }
    if (ok) {
        s->was_up = true;
        known_keep(s);
        stand_set_phase(s, is_latched(s) ? STAND_LATCHED : STAND_IDLE, "");
        log_info("%s: every instrument answers, outputs off", s->config->name);
    } else {
        if (health.still_on && !is_unconfirmed(s)) { /* by whomever it was switched on */
            tell_unconfirmed(s, &health.not_off);
            set_unconfirmed(s, true);
        }
        if (!was_missing && e->code != ERR_INTERRUPTED) {
            log_warn("%s: %s", s->config->name, e->text);
        }
        stand_set_phase(s, STAND_MISSING, e->text);
    }
    return ok;
}

/* The second, louder alarm: outputs are off, and still it gets hotter. */
static void raise_alarm(struct stand *s, double temperature_C, double rise_C)
{
    char text[192];
    text_format(text, sizeof text,
                "THE BATTERY GOES ON HEATING: %.1f degC, %.1f degC more, although the current is "
                "off; keep away, get it outdoors if that is safe, be ready for fire",
                temperature_C, rise_C);
    log_error("%s: %s", s->config->name, text);
    pthread_mutex_lock(&s->lock);
    int64_t nr = s->status.run_nr; /* 0 after a restart: the event belongs to no run */
    int64_t started_utc_ns = s->status.started_utc_ns;
    text_format(s->status.problem, sizeof s->status.problem, "%s", text);
    pthread_mutex_unlock(&s->lock);
    int64_t utc_ns = clock_utc_ns(s->clock);
    double t_s = nr != 0 ? (double)(utc_ns - started_utc_ns) / (double)NS_PER_S : (double)NAN;
    record_alarm(s, nr, utc_ns, t_s, text);
    stand_tell_alarm(s, "temperature-rising", text);
}

/* After a trip the temperature is watched until a person clears the latch. */
static void watch_temperature(struct stand *s, double temperature_C)
{
    double rise_C = NAN;
    double now_s = (double)clock_now_ns(s->clock) / (double)NS_PER_S;
    if (!is_latched(s)) {
        s->watching = false;
        return;
    }
    if (!s->watching) {
        watch_start(&s->watch, now_s);
        s->watching = true;
    }
    if (watch_take(&s->watch, temperature_C, now_s, &rise_C)) {
        raise_alarm(s, temperature_C, rise_C);
    }
}

/* While another instrument is missing, the thermometer may still be there. */
static void watch_alone(struct stand *s)
{
    struct instrument *thermometer = s->config->instrument[ROLE_THERMOMETER];
    struct reading r;
    if (thermometer != NULL && is_latched(s) && instrument_is_open(thermometer) &&
        instrument_read(thermometer, &r, NULL)) {
        watch_temperature(s, r.temperature_C);
    }
}

/* Nothing is on, and still a current flows: off again, and an alarm if that does
 * not help. */
static void watch_leak(struct stand *s, double current_A)
{
    struct err e = {0};
    s->leaks = fabs(current_A) > stand_off_current(s->config) ? s->leaks + 1 : 0;
    if (s->leaks < LEAK_READINGS) {
        return;
    }
    s->leaks = 0;
    log_error("%s: %.4g A flow although every output is off", s->config->name, fabs(current_A));
    if (!stand_safe(s, &e)) {
        stand_set_phase(s, phase_of(s), e.text);
    }
}

/* Between runs: look, so that the page shows life and a lost instrument is noticed. */
static void look(struct stand *s)
{
    struct err e = {0}, temperature_error = {0};
    struct reading r;
    if (stand_read(s->config, STAND_RESTS, &r, &temperature_error, &e)) {
        stand_set_reading(s, &r);
        row_note(s, &r);
        /* A thermometer that is gone is told now, not when somebody wants to start. */
        const char *problem = temperature_error.text;
        if (problem[0] == '\0' && store_is_late(s->store, &e)) {
            problem = e.text; /* a run's that had to end for it, perhaps */
        }
        stand_set_phase(s, phase_of(s), problem);
        watch_temperature(s, r.temperature_C);
        watch_leak(s, r.current_A);
        return;
    }
    if (e.code == ERR_INTERRUPTED) {
        return;
    }
    row_note(s, NULL);
    log_warn("%s: %s", s->config->name, e.text);
    stand_set_phase(s, STAND_MISSING, e.text);
}

static void idle_turn(struct stand *s)
{
    enum stand_phase phase = phase_of(s);
    struct err e = {0};
    if (phase == STAND_STARTING || phase == STAND_MISSING || is_unconfirmed(s)) {
        keep_keeper_waiting(s);
        bool up = bring_up(s, &e);
        watch_alone(s);
        clock_wait_until(s->clock, clock_now_ns(s->clock) + (up ? 0 : RETRY_PERIOD_NS),
                         s->waker.fd);
        return;
    }
    look(s);
    row_look(s);
    clock_wait_until(s->clock, clock_now_ns(s->clock) + IDLE_PERIOD_NS, s->waker.fd);
}

static bool clear_latch(struct stand *s, struct err *e)
{
    if (!is_latched(s)) {
        return err_set(e, ERR_REFUSED, "%s: no trip is latched, nothing to clear", s->config->name);
    }
    struct err why = {0};
    if (!bring_up(s, &why) || !stand_safe(s, &why)) {
        return err_set(e, ERR_REFUSED, "%s: not cleared, the stand is not safe: %s",
                       s->config->name, why.text);
    }
    if (!store_latch_clear(s->store, s->config->name, clock_utc_ns(s->clock), e)) {
        return false;
    }
    pthread_mutex_lock(&s->lock);
    s->status.trip = (struct run_trip){0};
    s->status.phase = STAND_IDLE;
    pthread_mutex_unlock(&s->lock);
    s->watching = false;
    slip_remove(s->slip);
    if (!slip_wait(s->slip, SLIP_WAIT_MS, &why)) {
        log_warn("%s: after a restart the trip may be there again: %s", s->config->name, why.text);
    }
    log_info("%s: trip cleared by a person", s->config->name);
    return true;
}

/* A person says that what is wired up now is right; a trip is cleared as well. All or
 * nothing: while one does not answer, none is accepted. */
static bool accept_instruments(struct stand *s, struct err *e)
{
    struct known_before before;
    struct err why = {0};
    known_forget(s, &before);
    if (!bring_up(s, &why)) {
        known_restore(s, &before);
        return err_set(e, ERR_REFUSED, "%s: not accepted, not every instrument is there: %s",
                       s->config->name, why.text);
    }
    return !is_latched(s) || clear_latch(s, e);
}

/* A run, whoever asked for it. Returns false when the thread shall leave. */
static bool run(struct stand *s, struct job *job)
{
    bool leave = stand_run(s, job);
    row_after_run(s);
    return !leave;
}

/* Somebody says that the next battery of the row is connected. Likewise. */
static bool run_next(struct stand *s, struct job *job)
{
    struct err e = {0};
    if (row_check(s, job, &e)) {
        return run(s, job);
    }
    log_info("%s: not begun: %s", s->config->name, e.text);
    stand_answer(s, false, &e);
    job_free(job);
    return true;
}

/* Returns false when the thread shall leave. */
static bool obey(struct stand *s, enum order order, struct job *job)
{
    struct err e = {0};
    switch (order) {
    case ORDER_NONE:
        return true;
    case ORDER_BEGIN:
        return run(s, job);
    case ORDER_NEXT:
        return run_next(s, job);
    case ORDER_CONFIRM:
        err_set(&e, ERR_REFUSED, "%s: nothing is running, nothing to confirm", s->config->name);
        stand_answer(s, false, &e);
        return true;
    case ORDER_END:
        err_set(&e, ERR_REFUSED, "%s: nothing is running, nothing to stop", s->config->name);
        stand_answer(s, false, &e);
        return true;
    case ORDER_CLEAR: {
        bool ok = clear_latch(s, &e);
        stand_answer(s, ok, &e);
        return true;
    }
    case ORDER_ACCEPT: {
        bool ok = accept_instruments(s, &e);
        stand_answer(s, ok, &e);
        return true;
    }
    case ORDER_QUIT:
        break;
    }
    return false;
}

static void *find_cut_off(void *stand)
{
    return resume_find(stand);
}

/* Once, when the stand is there for the first time: a run that was cut off may
 * go on. Returns false when the thread shall leave. */
static bool look_back(struct stand *s)
{
    /* While another stand looks, this one goes its rounds and comes again. */
    if (s->looked_back || phase_of(s) != STAND_IDLE || pthread_mutex_trylock(s->looking_back) != 0) {
        return true;
    }
    s->looked_back = true;
    struct job *job = thread_aside(find_cut_off, s);
    pthread_mutex_unlock(s->looking_back);
    if (job == NULL) {
        slip_remove(s->slip);
        return true;
    }
    return run(s, job);
}

/* Where the system allows it, a sample is read and judged before anything else of
 * this computer gets its turn: requests, other programs. Elsewhere the thread is
 * one among equals, and so it is where time is made to run faster. */
static void go_first(const struct stand *s)
{
    const struct sched_param lowest = {.sched_priority = sched_get_priority_min(SCHED_RR)};
    int failed = 0;
    if (clock_speed(s->clock) <= 1) {
        failed = pthread_setschedparam(pthread_self(), SCHED_RR, &lowest);
    }
    if (failed != 0) {
        log_debug("%s: no precedence over other programs: %s", s->config->name, strerror(failed));
    }
}

void *stand_thread(void *arg)
{
    struct stand *s = arg;
    bool stay = true;
    go_first(s);
    for (int role = 0; role < 4; role++) {
        if (s->config->instrument[role] != NULL) {
            instrument_set_wake(s->config->instrument[role], s->waker.fd);
        }
    }
    while (stay) {
        struct job *job = NULL;
        enum order order = stand_take_order(s, &job);
        if (order == ORDER_NONE) {
            idle_turn(s);
            stay = look_back(s);
        } else {
            stay = obey(s, order, job);
        }
    }
    struct err e = {0};
    bool safe = stand_safe(s, &e);
    stand_answer(s, safe, &e);
    return NULL;
}
