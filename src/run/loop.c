/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/loop: one run, from plan to stored result. It waits, reads, records and
 * commands; what comes next is decided in decide.c. */
#include "base/file.h"
#include "base/log.h"
#include "base/thread.h"
#include "run/result.h"
#include "run/resume.h"
#include "run/run_state.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define RETRY_NS (100 * NS_PER_MS)

static const char no_room[] =
    "the database does not take any more; see the log and free disk space";

static const struct plan_step *present_step(const struct run *r)
{
    return &r->plan->steps[r->d.sequencer.step];
}

/* --- endings --- */

static void describe_trip(struct run *r, const char *detail)
{
    struct guard_verdict v = r->d.verdict;
    struct run_trip *t = &r->trip;
    text_format(t->reason, sizeof t->reason, "%s", guard_reason_name(v.reason));
    guard_verdict_sentence(&v, t->sentence, sizeof t->sentence);
    bool told = isfinite(v.value) && isfinite(v.limit);
    bool blamed = v.reason == GUARD_TEMPERATURE_LOST && r->temperature_problem[0] != '\0';
    const char *more = blamed ? r->temperature_problem : told ? "" : detail;
    size_t n = strlen(t->sentence);
    text_format(t->sentence + n, sizeof t->sentence - n, "%s%s", more[0] != '\0' ? ": " : "", more);
    t->at_s = run_now_s(r);
    t->at_utc_ns = clock_utc_ns(r->stand->clock);
    t->value = v.value;
    t->limit = v.limit;
}

/* Say what happened; the act that follows is in r->d.act. */
static void decide(struct run *r, const struct event *e, const char *detail)
{
    bool was_on = r->d.act != ACT_FINISH;
    decide_take(&r->d, e);
    if (was_on && r->d.act == ACT_FINISH && r->d.outcome == RUN_TRIPPED) {
        describe_trip(r, detail);
    }
}

static void decide_plain(struct run *r, enum event_kind kind, const char *detail)
{
    const struct event e = {.kind = kind, .now_s = run_now_s(r)};
    decide(r, &e, detail);
}

static void decide_recorded(struct run *r, bool recorded)
{
    decide_plain(r, recorded ? EVENT_DONE : EVENT_NOT_RECORDED, no_room);
}

static void show_hold(struct run *r, const char *say, int64_t since_utc_ns)
{
    pthread_mutex_lock(&r->stand->lock);
    text_format(r->stand->status.hold, sizeof r->stand->status.hold, "%s", say);
    r->stand->status.hold_since_utc_ns = since_utc_ns;
    pthread_mutex_unlock(&r->stand->lock);
}

/* A person answers a hold. Another who does so a moment later is told that it was done. */
static void confirm(struct run *r)
{
    struct err e = {0};
    bool holds = decide_holds(&r->d);
    if (holds) {
        decide_plain(r, EVENT_CONFIRM, "");
        show_hold(r, "", 0);
        run_event(r, "confirm", "confirmed by a person");
    } else {
        err_set(&e, ERR_REFUSED, "%s: nothing waits for a confirmation", r->stand->config->name);
    }
    stand_answer(r->stand, holds, &e);
}

/* True when an order was there, and obeyed or refused. */
static bool take_order(struct run *r)
{
    struct job *job = NULL;
    struct err e;
    enum order order = stand_take_order(r->stand, &job);
    switch (order) {
    case ORDER_NONE:
        return false;
    case ORDER_END:
    case ORDER_QUIT:
        r->order = order;
        decide_plain(r, EVENT_STOP, "");
        return true;
    case ORDER_CONFIRM:
        confirm(r);
        return true;
    case ORDER_BEGIN:
    case ORDER_NEXT:
    case ORDER_CLEAR:
    case ORDER_ACCEPT:
        break;
    }
    err_set(&e, ERR_REFUSED, "%s: a run is on; stop it first", r->stand->config->name);
    stand_answer(r->stand, false, &e);
    job_free(job);
    return true;
}

/* --- what others see --- */

static void show(struct run *r)
{
    const struct sequencer *q = &r->d.sequencer;
    double t = run_now_s(r);
    pthread_mutex_lock(&r->stand->lock);
    struct stand_status *st = &r->stand->status;
    st->elapsed_s = t;
    st->left_s = fmax(0, r->plan->expected_s - t);
    st->samples = r->samples;
    if (q->step < q->count) {
        const struct plan_step *step = &q->steps[q->step];
        st->step = q->step;
        text_format(st->step_name, sizeof st->step_name, "%s", step->name);
        st->step_kind = step->kind;
        st->step_elapsed_s = t - q->step_start_s;
        st->discharged_Ah = q->discharged_Ah;
        st->charged_Ah = q->charged_Ah;
        st->expected_Ah = step->expected_Ah;
        st->until_V = step->until_V;
        sequencer_round(q, &st->round, &st->rounds);
    }
    pthread_mutex_unlock(&r->stand->lock);
}

static void show_begin(struct run *r)
{
    pthread_mutex_lock(&r->stand->lock);
    struct stand_status *st = &r->stand->status;
    st->phase = STAND_RUNNING;
    st->problem[0] = '\0';
    st->run_nr = r->nr;
    strcpy(st->run_id, r->job->run_id);
    text_format(st->profile, sizeof st->profile, "%s", r->plan->profile);
    text_format(st->battery, sizeof st->battery, "%s", r->job->battery.label);
    st->rated_Ah = r->job->battery.rated_Ah;
    st->started_utc_ns = r->start_utc_ns;
    st->step_count = r->plan->step_count;
    st->limits = r->limits;
    st->outcome = RUN_RUNNING;
    st->hold[0] = '\0';
    st->hold_since_utc_ns = 0;
    pthread_mutex_unlock(&r->stand->lock);
}

static void show_end(struct run *r)
{
    pthread_mutex_lock(&r->stand->lock);
    struct stand_status *st = &r->stand->status;
    st->outcome = r->d.outcome;
    st->left_s = 0;
    st->hold[0] = '\0';
    st->hold_since_utc_ns = 0;
    st->phase = st->trip.reason[0] != '\0' ? STAND_LATCHED : STAND_IDLE;
    pthread_mutex_unlock(&r->stand->lock);
}

/* --- reading --- */

/* When trust in the newest valid readings is over, unless others come. */
static double trust_end_s(const struct run *r)
{
    double oldest_s = r->d.memory.reading_s;
    if (decide_limits(&r->d).temperature_required) {
        oldest_s = fmin(oldest_s, r->d.memory.temperature_s);
    }
    return oldest_s + r->limits.trust_s;
}

/* Reading may take no longer than the trust that is left: the timer behind the
 * wake-up descriptor ends a pending reply then. */
static void arm_trust(struct run *r)
{
    waker_arm(&r->stand->waker, trust_end_s(r) - run_now_s(r));
}

/* A line that came longer ago than is trusted says nothing of the battery now. */
static void drop_old_temperature(const struct run *r, struct reading *reading, struct err *why)
{
    const struct instrument *thermometer = r->stand->config->instrument[ROLE_THERMOMETER];
    if (isfinite(reading->temperature_C) && reading->temperature_age_s > r->limits.trust_s) {
        err_set(why, ERR_TIMEOUT, "%s on %s: its newest line is %.1f s old",
                instrument_name(thermometer), instrument_link_address(thermometer),
                reading->temperature_age_s);
        reading->temperature_C = NAN;
    }
}

/* Told when it begins, not with each sample; and kept for the trip that may follow. That we
 * were called away while we waited says nothing of the thermometer. */
static void note_temperature(struct run *r, const struct reading *reading, const struct err *why)
{
    if (why->code != ERR_NONE && why->code != ERR_INTERRUPTED &&
        r->temperature_problem[0] == '\0') {
        log_warn("%s: %s", r->stand->config->name, why->text);
    }
    if (why->code != ERR_INTERRUPTED) {
        text_format(r->temperature_problem, sizeof r->temperature_problem, "%s", why->text);
    }
    r->temperature_age_s = reading->temperature_age_s;
}

/* Nothing on: whatever leaks through either instrument counts. */
static enum stand_use use_of(const struct run *r)
{
    if (!r->d.output_on) {
        return STAND_RESTS;
    }
    return run_output_role(r) == ROLE_SUPPLY ? STAND_CHARGES : STAND_DISCHARGES;
}

/* The readings were taken some time between question and answer, some milliseconds of
 * which nobody knows more: what is below a tenth of one says nothing and costs room. Never
 * before it was, lest a step ends a sample late. */
static double moment_between(double before_s, double after_s)
{
    return ceil(0.5 * (before_s + after_s) * 1e4) / 1e4;
}

static bool read_sample(struct run *r, struct sample *s, struct err *e)
{
    struct err temperature_error = {0};
    struct reading reading;
    double before_s = run_now_s(r);
    arm_trust(r);
    bool ok = stand_read(r->stand->config, use_of(r), &reading, &temperature_error, e);
    waker_disarm(&r->stand->waker);
    if (!ok) {
        return false;
    }
    drop_old_temperature(r, &reading, &temperature_error);
    note_temperature(r, &reading, &temperature_error);
    *s = (struct sample){
        .t_s = moment_between(before_s, run_now_s(r)),
        .voltage_V = reading.voltage_V,
        .current_A = reading.current_A,
        .temperature_C = reading.temperature_C,
    };
    r->other_V = reading.other_V;
    stand_set_reading(r->stand, &reading);
    return true;
}

static bool record(struct run *r, const struct sample *s)
{
    r->samples++;
    return store_put_sample(r->stand->store, r->nr, (int)r->d.sequencer.occurrence, s);
}

static enum guard_output read_state(struct run *r, enum role role, struct err *e)
{
    struct instrument *one = r->stand->config->instrument[role];
    bool on = false;
    if (instrument_driver(one)->question[ASK_STATE][0] == '\0' || !instrument_is_on(one, &on, e)) {
        return OUTPUT_UNKNOWN;
    }
    return on ? OUTPUT_READ_ON : OUTPUT_READ_OFF;
}

/* Only a stand with both can have both on; there each reading asks for the states. An answer
 * that does not come is forgiven, a link that is gone is not: whether that one is on would not
 * be seen until its turn comes. */
static bool read_states(struct run *r, struct event *event, struct err *e)
{
    struct instrument *const *all = r->stand->config->instrument;
    struct err of_load = {0}, of_supply = {0};
    if (all[ROLE_LOAD] == NULL || all[ROLE_SUPPLY] == NULL) {
        return true;
    }
    arm_trust(r);
    event->load = read_state(r, ROLE_LOAD, &of_load);
    event->supply = read_state(r, ROLE_SUPPLY, &of_supply);
    waker_disarm(&r->stand->waker);
    *e = of_load.code == ERR_LINK_LOST ? of_load : of_supply;
    return e->code != ERR_LINK_LOST;
}

/* s NULL: none came. */
static void decide_reading(struct run *r, const struct sample *s)
{
    struct event e = {.kind = s != NULL ? EVENT_SAMPLE : EVENT_NO_SAMPLE,
                      .sample = s,
                      .temperature_age_s = r->temperature_age_s,
                      .has_other = s != NULL && isfinite(r->other_V),
                      .other_V = r->other_V};
    struct err why = {0};
    if (!read_states(r, &e, &why)) {
        decide_plain(r, EVENT_INSTRUMENT_LOST, why.text);
        return;
    }
    e.now_s = run_now_s(r);
    decide(r, &e, "");
}

/* A reading that does not come is forgiven until the trust time is over; a link
 * that is gone is not: nothing can be learned or commanded any more. */
static bool read_and_decide(struct run *r)
{
    struct err e = {0};
    struct sample s;
    bool ok = read_sample(r, &s, &e);
    if (!ok && (e.code == ERR_LINK_LOST || e.code == ERR_INSTRUMENT)) {
        decide_plain(r, EVENT_INSTRUMENT_LOST, e.text);
        return false;
    }
    if (!ok && e.code != ERR_INTERRUPTED) {
        log_warn("%s: %s", r->stand->config->name, e.text);
    }
    if (ok) {
        run_beat(r, 0);
    }
    if (run_is_armed(r) && !keeper_line_alive(r->stand->keeper, r->limits.trust_s)) {
        decide_plain(r, EVENT_KEEPER_LOST, "");
        return false;
    }
    if (ok && !record(r, &s)) {
        struct err why = {0};
        bool full = store_is_recording(r->stand->store, &why);
        decide_plain(r, EVENT_NOT_RECORDED, full ? no_room : why.text);
        return false;
    }
    decide_reading(r, ok ? &s : NULL);
    return ok;
}

/* --- commanding --- */

static void command(struct run *r)
{
    struct err e = {0};
    enum act act = r->d.act;
    if (act != ACT_OFF) {
        arm_trust(r); /* switching off is never cut short */
    }
    bool ok = run_carry_out(r, act, &e);
    waker_disarm(&r->stand->waker);
    if (!ok && act != ACT_OFF && take_order(r)) {
        return; /* an order interrupts as well; then it is no fault, and is done again */
    }
    decide_plain(r, ok ? EVENT_DONE : EVENT_REFUSED, e.text);
    /* What changes while it is on, the edge of a pulse above all, is looked at at once. */
    if (ok && act == ACT_ON && r->d.act == ACT_WAIT) {
        run_settle(r);
    }
}

static void begin_step(struct run *r)
{
    const struct plan_step *step = present_step(r);
    log_info("%s: step %zu of %zu: %s", r->stand->config->name, r->d.sequencer.step + 1,
             r->d.sequencer.count, step->name);
    r->step_open = true;
    r->step_nr = r->d.sequencer.occurrence;
    const struct step_begin begun = {
        (int)r->step_nr, (int)r->d.sequencer.step,    (int)++r->visits[r->d.sequencer.step],
        step->name,      step_kind_names[step->kind], run_now_s(r)};
    decide_recorded(r, store_put_step_begin(r->stand->store, r->nr, &begun));
}

static void end_step(struct run *r)
{
    r->step_open = false;
    decide_recorded(r, store_put_step_end(r->stand->store, r->nr, (int)r->d.ended_occurrence,
                                          run_now_s(r), step_end_text(r->d.ended)));
}

/* --- holds --- */

/* Told when it begins to wait for a person, and again as often as its step says. */
static void watch_hold(struct run *r)
{
    char text[HOLD_TEXT_SIZE + 64];
    if (!decide_holds(&r->d)) {
        r->hold_told_s = NAN;
        return;
    }
    const struct plan_step *step = present_step(r);
    double now_s = run_now_s(r);
    double waits_s = now_s - r->d.sequencer.step_start_s;
    if (isnan(r->hold_told_s)) {
        show_hold(r, step->say, clock_utc_ns(r->stand->clock));
        run_event(r, "hold", step->say);
        r->hold_told_s = now_s;
    } else if (now_s - r->hold_told_s >= step->remind_s) {
        text_format(text, sizeof text, "still waits, for %.4g min now: %s", waits_s / 60,
                    step->say);
        run_event(r, "hold", text);
        r->hold_told_s += step->remind_s;
    }
}

/* --- the loop --- */

/* Samples stay on their grid; those that were missed are not made up for. */
static int64_t grid_after(int64_t last_ns, int64_t period_ns, int64_t now_ns)
{
    int64_t next_ns = last_ns + period_ns;
    if (next_ns >= now_ns || period_ns == 0) {
        return next_ns > now_ns ? next_ns : now_ns;
    }
    return next_ns + (now_ns - next_ns) / period_ns * period_ns + period_ns;
}

/* The end of a pulse's segment is never slept past: the grid goes on from there. */
static void next_on_grid(struct run *r)
{
    double now_s = run_now_s(r), end_s = INFINITY;
    int64_t now_ns = clock_now_ns(r->stand->clock);
    double period_s = sequencer_sample_s(&r->d.sequencer, now_s, &end_s);
    int64_t period_ns = (int64_t)llround(period_s * (double)NS_PER_S);
    r->next_ns = grid_after(r->next_ns, period_ns, now_ns);
    if (isfinite(end_s)) {
        double left_s = fmax(0, end_s - now_s);
        int64_t end_ns = now_ns + (int64_t)ceil(left_s * (double)NS_PER_S);
        r->next_ns = end_ns < r->next_ns ? end_ns : r->next_ns;
    }
}

/* The next instant on the grid; or the end of trust, if that comes first. */
static int64_t next_look_ns(const struct run *r)
{
    int64_t trust_ns = r->start_ns + (int64_t)(trust_end_s(r) * (double)NS_PER_S) + NS_PER_MS;
    return r->next_ns < trust_ns ? r->next_ns : trust_ns;
}

static void wait_and_read(struct run *r)
{
    watch_hold(r);
    if (!clock_wait_until(r->stand->clock, next_look_ns(r), r->stand->waker.fd)) {
        take_order(r);
        return;
    }
    if (clock_now_ns(r->stand->clock) < r->next_ns) {
        decide_reading(r, NULL); /* none is due, but those there are have become too old */
        return;
    }
    next_on_grid(r);
    read_and_decide(r);
}

/* Without a fresh, judged sample nothing is switched on. */
static void read_now(struct run *r)
{
    if (!read_and_decide(r)) {
        clock_wait_until(r->stand->clock, clock_now_ns(r->stand->clock) + RETRY_NS,
                         r->stand->waker.fd);
    }
    take_order(r);
}

static void turn(struct run *r)
{
    atomic_fetch_add(&r->stand->turns, 1);
    switch (r->d.act) {
    case ACT_WAIT:
        wait_and_read(r);
        return;
    case ACT_READ:
        read_now(r);
        return;
    case ACT_BEGIN_STEP:
        begin_step(r);
        break;
    case ACT_END_STEP:
        end_step(r);
        break;
    case ACT_SET:
    case ACT_ARM:
    case ACT_ON:
    case ACT_CHANGE:
    case ACT_OFF:
        command(r);
        break;
    case ACT_FINISH:
        return;
    }
    r->next_ns = clock_now_ns(r->stand->clock); /* the grid begins when the step stands */
}

static void loop(struct run *r)
{
    r->next_ns = clock_now_ns(r->stand->clock);
    while (r->d.act != ACT_FINISH) {
        turn(r);
        show(r);
        run_watch_store(r);
    }
}

/* --- the end --- */

/* Results come from the stored samples, so that they are what anyone can
 * compute again from the database. */
static void *compute_result(void *run)
{
    struct run *r = run;
    struct err e = {0};
    struct reader *reader = NULL;
    struct run_row row = {0};
    json_t *result = NULL;
    char *text = NULL;
    if (store_flush(r->stand->store, 5000, &e) && reader_of(r->stand->store, &reader, &e) &&
        reader_run_nr(reader, r->nr, &row, &e) && result_compute(reader, &row, &result, &e)) {
        text = json_dumps(result, JSON_COMPACT);
    } else {
        log_warn("%s: no result computed: %s", r->stand->config->name, e.text);
    }
    json_decref(result);
    run_row_free(&row);
    reader_close(reader);
    return text;
}

static void end_in_store(struct run *r)
{
    struct err e = {0};
    char *result = thread_aside(compute_result, r);
    const struct run_trip *t = r->d.outcome == RUN_TRIPPED ? &r->trip : NULL;
    if (!store_run_end(r->stand->store, r->nr, r->d.outcome, clock_utc_ns(r->stand->clock), t,
                       result, &e)) {
        log_error("%s: the end of the run is not stored: %s", r->stand->config->name, e.text);
    }
    free(result);
}

/* Told and noted at once: killed from here on, it is a trip all the same. */
static void note_trip(struct run *r)
{
    slip_trip(r->stand->slip, &r->trip);
    run_event(r, "trip", r->trip.sentence);
    pthread_mutex_lock(&r->stand->lock);
    r->stand->status.trip = r->trip;
    pthread_mutex_unlock(&r->stand->lock);
}

/* The database, whose disk may take its time; until it has the trip, the slip does. */
static void latch(struct run *r)
{
    struct err e = {0};
    if (store_latch_set(r->stand->store, r->stand->config->name, r->nr, &r->trip, &e)) {
        slip_remove(r->stand->slip);
        return;
    }
    log_error("%s: the latch is only noted beside the database: %s", r->stand->config->name,
              e.text);
}

static void store_ending(struct run *r)
{
    struct err e = {0};
    char text[96];
    if (r->d.outcome == RUN_TRIPPED) {
        latch(r);
    }
    const char *outcome = run_outcome_names[r->d.outcome];
    bool unconfirmed = r->d.outcome == RUN_ABORTED && r->d.ended == STEP_END_UNCONFIRMED;
    if (r->step_open && !store_put_step_end(r->stand->store, r->nr, (int)r->step_nr, run_now_s(r),
                                            unconfirmed ? step_end_text(r->d.ended) : outcome)) {
        log_error("%s: the end of the step is not stored", r->stand->config->name);
    }
    text_format(text, sizeof text, "%s%s%s", outcome, unconfirmed ? ": " : "",
                unconfirmed ? step_end_text(r->d.ended) : "");
    run_event(r, "end", text);
    end_in_store(r);
    if (!slip_wait(r->stand->slip, SLIP_WAIT_MS, &e)) {
        log_error("%s: %s", r->stand->config->name, e.text);
    }
}

/* Off goes out first, blind, to every output that is connected; then the trip is noted, which
 * waits for nothing; then the others are tried, which may take seconds, and off is confirmed;
 * then all that may have to wait for a disk. */
static void finish(struct run *r)
{
    struct err e = {0};
    run_beat_safing(r);
    stand_send_off_open(r->stand->config);
    if (r->d.outcome == RUN_TRIPPED) {
        note_trip(r);
    } else {
        slip_remove(r->stand->slip);
    }
    bool safe = run_make_safe(r, &e);
    if (safe) {
        log_info("%s: every output is confirmed off", r->stand->config->name);
    }
    store_ending(r);
    show_end(r);
    if (r->order != ORDER_NONE && r->order != ORDER_QUIT) {
        stand_answer(r->stand, safe, &e);
    }
}

static void tell_beginning(struct run *r)
{
    const struct resume_point *at = &r->job->resume;
    char text[160];
    if (at->nr == 0) {
        run_event(r, "start", r->plan->profile);
        return;
    }
    text_format(text, sizeof text,
                "goes on after an interruption of %.4g s; nothing is added for that time",
                run_now_s(r) - at->last_s);
    run_event(r, "resume", text);
}

static bool is_of_instrument(enum err_code code)
{
    return code == ERR_TIMEOUT || code == ERR_LINK_LOST || code == ERR_BAD_REPLY ||
           code == ERR_INSTRUMENT;
}

bool stand_run(struct stand *s, struct job *job)
{
    struct err e = {0};
    struct run r = {.stand = s, .job = job, .hold_told_s = NAN};
    /* Before the run's time begins: what other stands skip while the database takes
     * this run in would count as time without a reading. */
    clock_join(s->clock);
    bool ready = run_get_ready(&r, &e);
    if (!ready && is_of_instrument(e.code)) {
        e.code = ERR_CONFIG; /* wiring or bench.yaml: for the caller a bad input */
    }
    if (ready) {
        show_begin(&r);
        tell_beginning(&r);
        if (job->asked) {
            stand_answer(s, true, NULL);
        }
        loop(&r);
    }
    clock_leave(s->clock);
    if (ready) {
        finish(&r);
    } else if (job->asked) {
        stand_answer(s, false, &e);
    } else {
        slip_remove(s->slip); /* nor after another restart */
        log_warn("%s: the interrupted run is not resumed: %s", s->config->name, e.text);
    }
    free(r.visits);
    plan_free(r.plan);
    job_free(job);
    return r.order == ORDER_QUIT;
}
