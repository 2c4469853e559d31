/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/loop: one run, from plan to stored result. The heart of it, turn(), reads
 * like its sentence: wait, read, let the guard judge, record, let the sequencer
 * decide, command. */
#include "base/file.h"
#include "base/log.h"
#include "base/version.h"
#include "run/result.h"
#include "run/sequencer.h"
#include "run/stand.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define RETRY_NS (100 * NS_PER_MS)

struct run {
    struct stand *stand;
    const struct job *job;
    struct plan *plan;
    struct stand_facts facts;
    struct guard_limits limits;
    int64_t nr;
    int64_t start_ns; /* test clock */
    int64_t start_utc_ns;
    int64_t next_ns;
    struct sequencer sequencer;
    struct guard_memory memory;
    enum run_outcome outcome; /* RUN_RUNNING until it ends */
    struct run_trip trip;
    enum order order; /* the order that ended it, to be answered once outputs are off */
    bool output_on;
    int64_t samples;
};

static double now_s(const struct run *r)
{
    return (double)(clock_now_ns(r->stand->clock) - r->start_ns) / (double)NS_PER_S;
}

static const struct plan_step *present_step(const struct run *r)
{
    return &r->plan->steps[r->sequencer.step];
}

/* --- endings --- */

static void trip(struct run *r, struct guard_verdict v, const char *detail)
{
    if (r->outcome != RUN_RUNNING) {
        return; /* the first reason is the one that counts */
    }
    r->outcome = RUN_TRIPPED;
    struct run_trip *t = &r->trip;
    text_format(t->reason, sizeof t->reason, "%s", guard_reason_name(v.reason));
    const char *unit = guard_reason_unit(v.reason);
    if (isfinite(v.value) && isfinite(v.limit)) {
        text_format(t->sentence, sizeof t->sentence, "%s: %.5g %s, limit %.5g %s",
                    guard_reason_sentence(v.reason), v.value, unit, v.limit, unit);
    } else {
        text_format(t->sentence, sizeof t->sentence, "%s: %s", guard_reason_sentence(v.reason),
                    detail);
    }
    t->at_s = now_s(r);
    t->at_utc_ns = clock_utc_ns(r->stand->clock);
    t->value = v.value;
    t->limit = v.limit;
}

static void trip_on_error(struct run *r, enum guard_reason reason, const struct err *e)
{
    trip(r, (struct guard_verdict){reason, NAN, NAN}, e->text);
}

static void trip_cannot_record(struct run *r)
{
    trip(r, (struct guard_verdict){GUARD_CANNOT_RECORD, NAN, NAN},
         "the database does not take any more; see the log and free disk space");
}

static void end_on_order(struct run *r)
{
    struct job *job = NULL;
    enum order order = stand_take_order(r->stand, &job);
    if (order == ORDER_NONE) {
        return;
    }
    if (order == ORDER_END || order == ORDER_QUIT) {
        r->order = order;
        if (r->outcome == RUN_RUNNING) {
            r->outcome = RUN_STOPPED;
        }
        return;
    }
    struct err e;
    err_set(&e, ERR_REFUSED, "%s: a run is on; stop it first", r->stand->config->name);
    stand_answer(r->stand, false, &e);
    job_free(job);
}

/* --- what others see --- */

static void show(struct run *r)
{
    const struct sequencer *q = &r->sequencer;
    double t = now_s(r);
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
    st->started_utc_ns = r->start_utc_ns;
    st->step_count = r->plan->step_count;
    st->limits = r->limits;
    st->outcome = RUN_RUNNING;
    pthread_mutex_unlock(&r->stand->lock);
}

static void show_end(struct run *r)
{
    pthread_mutex_lock(&r->stand->lock);
    struct stand_status *st = &r->stand->status;
    st->outcome = r->outcome;
    st->left_s = 0;
    if (r->outcome == RUN_TRIPPED) {
        st->trip = r->trip;
        st->phase = STAND_LATCHED;
    } else {
        st->phase = STAND_IDLE;
    }
    pthread_mutex_unlock(&r->stand->lock);
}

static void event(struct run *r, const char *kind, const char *text)
{
    log_info("%s: %s: %s", r->stand->config->name, kind, text);
    if (!store_put_event(r->stand->store, r->nr, clock_utc_ns(r->stand->clock), now_s(r), kind,
                         text)) {
        log_error("%s: the event above could not be stored", r->stand->config->name);
    }
}

/* --- reading --- */

/* Reading may take no longer than the trust that is left: the timer behind the
 * wake-up descriptor ends a pending reply then. */
static void arm_trust(struct run *r)
{
    waker_arm(&r->stand->waker, r->memory.reading_s + r->limits.trust_s - now_s(r));
}

static bool read_sample(struct run *r, struct sample *s, struct err *e)
{
    struct err temperature_error = {0};
    struct reading reading;
    double before_s = now_s(r);
    arm_trust(r);
    bool ok = stand_read(r->stand->config, false, &reading, &temperature_error, e);
    waker_disarm(&r->stand->waker);
    if (!ok) {
        return false;
    }
    *s = (struct sample){
        .t_s = 0.5 * (before_s + now_s(r)),
        .voltage_V = reading.voltage_V,
        .current_A = reading.current_A,
        .temperature_C = reading.temperature_C,
    };
    stand_set_reading(r->stand, &reading);
    return true;
}

static void record(struct run *r, const struct sample *s)
{
    if (!store_put_sample(r->stand->store, r->nr, (int)r->sequencer.step, s)) {
        trip_cannot_record(r);
    }
    r->samples++;
}

/* A reading that does not come is forgiven until the trust time is over; a link
 * that is gone is not: nothing can be learned or commanded any more. */
static bool sample_is_fine(struct run *r, struct sample *s)
{
    struct err e = {0};
    bool ok = read_sample(r, s, &e);
    if (!ok && (e.code == ERR_LINK_LOST || e.code == ERR_INSTRUMENT)) {
        trip_on_error(r, GUARD_INSTRUMENT_LOST, &e);
        return false;
    }
    if (!ok && e.code != ERR_INTERRUPTED) {
        log_warn("%s: %s", r->stand->config->name, e.text);
    }
    struct guard_verdict v =
        guard_check(&r->limits, &r->memory, ok ? s : NULL, r->facts.lead_ohm, now_s(r));
    if (ok) {
        record(r, s);
    }
    if (v.reason != GUARD_FINE) {
        trip(r, v, "");
    }
    return ok && r->outcome == RUN_RUNNING;
}

/* --- commanding --- */

static void output_off(struct run *r)
{
    struct err e = {0};
    if (!stand_safe(r->stand, &e)) {
        trip_on_error(r, GUARD_INSTRUMENT_DISOBEYED, &e);
        event(r, "alarm", "an output could not be confirmed off: disconnect the battery by hand");
    }
    r->output_on = false;
}

static bool set_and_switch_on(struct run *r, const struct plan_step *step, struct err *e)
{
    struct instrument *load = r->stand->config->instrument[ROLE_LOAD];
    return instrument_set_current(load, fabs(step->current_A), e) && instrument_on(load, e);
}

static void settle(struct run *r)
{
    struct instrument *load = r->stand->config->instrument[ROLE_LOAD];
    int64_t wait_ns = instrument_driver(load)->settle_ms * NS_PER_MS;
    clock_wait_until(r->stand->clock, clock_now_ns(r->stand->clock) + wait_ns, r->stand->waker.fd);
}

static void output_on(struct run *r)
{
    struct err e = {0};
    /* From here on it may be on, whatever the instrument answers. */
    r->output_on = true;
    arm_trust(r);
    bool ok = set_and_switch_on(r, present_step(r), &e);
    waker_disarm(&r->stand->waker);
    if (ok) {
        settle(r);
        return;
    }
    end_on_order(r); /* an order interrupts as well; then it is no fault */
    trip_on_error(r, GUARD_INSTRUMENT_DISOBEYED, &e);
}

static void step_begin_record(struct run *r)
{
    const struct plan_step *step = present_step(r);
    if (!store_put_step_begin(r->stand->store, r->nr, (int)r->sequencer.step, step->name,
                              step_kind_names[step->kind], now_s(r))) {
        trip_cannot_record(r);
    }
    log_info("%s: step %zu of %zu: %s", r->stand->config->name, r->sequencer.step + 1,
             r->sequencer.count, step->name);
}

static void step_end_record(struct run *r, size_t step, const char *why)
{
    if (!store_put_step_end(r->stand->store, r->nr, (int)step, now_s(r), why)) {
        trip_cannot_record(r);
    }
}

static void pause_before_retry(struct run *r)
{
    clock_wait_until(r->stand->clock, clock_now_ns(r->stand->clock) + RETRY_NS, r->stand->waker.fd);
}

/* A step with current opens with one sample taken just before the output goes
 * on, so that the integral begins at the switch and not one period later. */
static void step_begin(struct run *r)
{
    struct sample s;
    if (r->output_on) {
        output_off(r);
    }
    step_begin_record(r);
    sequencer_step_begun(&r->sequencer, now_s(r));
    if (sequencer_wants_output(&r->sequencer) && r->outcome == RUN_RUNNING) {
        /* Without a fresh, judged sample nothing is switched on. */
        while (r->outcome == RUN_RUNNING && !sample_is_fine(r, &s)) {
            pause_before_retry(r);
            end_on_order(r);
        }
        if (r->outcome == RUN_RUNNING) {
            sequencer_step_begun(&r->sequencer, s.t_s);
            sequencer_open(&r->sequencer, &s);
            output_on(r);
        }
    }
    r->next_ns = clock_now_ns(r->stand->clock);
}

static void obey_sequencer(struct run *r, struct sequencer_decision d)
{
    switch (d.wish) {
    case WISH_NOTHING:
        return;
    case WISH_BEGIN_STEP:
        output_off(r);
        step_end_record(r, r->sequencer.step - 1, step_end_text(d.ended));
        if (r->outcome == RUN_RUNNING) {
            step_begin(r);
        }
        return;
    case WISH_FINISH:
        output_off(r);
        step_end_record(r, r->sequencer.count - 1, step_end_text(d.ended));
        if (r->outcome == RUN_RUNNING) {
            r->outcome = RUN_COMPLETED;
        }
        return;
    }
}

/* --- the loop --- */

/* Samples stay on their grid; those that were missed are not made up for. */
static void next_on_grid(struct run *r)
{
    int64_t period_ns = (int64_t)llround(present_step(r)->sample_s * (double)NS_PER_S);
    int64_t now_ns = clock_now_ns(r->stand->clock);
    r->next_ns += period_ns;
    if (r->next_ns < now_ns) {
        r->next_ns += (now_ns - r->next_ns) / period_ns * period_ns + period_ns;
    }
}

static void turn(struct run *r)
{
    struct sample s;
    if (!clock_wait_until(r->stand->clock, r->next_ns, r->stand->waker.fd)) {
        end_on_order(r);
        return;
    }
    next_on_grid(r);
    if (sample_is_fine(r, &s)) {
        obey_sequencer(r, sequencer_take(&r->sequencer, &s));
    }
    show(r);
}

static void loop(struct run *r)
{
    clock_join(r->stand->clock);
    guard_start(&r->memory, 0);
    sequencer_start(&r->sequencer, r->plan, r->facts.lead_ohm, 0);
    step_begin(r);
    show(r);
    while (r->outcome == RUN_RUNNING) {
        turn(r);
    }
    clock_leave(r->stand->clock);
}

/* --- before and after --- */

static bool prepare_instruments(struct stand_config *c, struct err *e)
{
    static const enum role roles[] = {ROLE_LOAD, ROLE_SUPPLY, ROLE_METER, ROLE_THERMOMETER};
    for (size_t i = 0; i < sizeof roles / sizeof roles[0]; i++) {
        struct instrument *instrument = c->instrument[roles[i]];
        if (instrument != NULL && !instrument_prepare(instrument, e)) {
            return false;
        }
    }
    return true;
}

static bool read_present(struct stand *s, struct err *e)
{
    struct err temperature_error = {0};
    struct reading reading;
    if (!stand_read(s->config, false, &reading, &temperature_error, e)) {
        return err_prefix(e, "read the battery before starting");
    }
    stand_set_reading(s, &reading);
    return true;
}

static bool plan_without_problems(struct run *r, struct err *e)
{
    stand_facts_now(r->stand, &r->facts);
    if (!plan_make(r->job->profile, &r->job->battery, &r->facts, &r->plan, e)) {
        return false;
    }
    if (r->plan->problems.count == 0) {
        return true;
    }
    err_set(e, ERR_CONFIG, "%s", r->plan->problems.text[0]);
    for (size_t i = 1; i < r->plan->problems.count; i++) {
        size_t used = strlen(e->text);
        text_format(e->text + used, sizeof e->text - used, "\n%s", r->plan->problems.text[i]);
    }
    return false;
}

/* The load's own protection is the backstop when this computer dies. */
static bool program_backstop(struct run *r, struct err *e)
{
    struct instrument *load = r->stand->config->instrument[ROLE_LOAD];
    struct instrument_protection p = {
        .under_voltage_V = r->limits.voltage_min_V,
        .over_voltage_V = NAN,
        .over_current_A = r->limits.current_max_A,
    };
    int programmed = 0;
    return load == NULL || instrument_protect(load, &p, &programmed, e);
}

static void fill_instruments(const struct stand_config *c, struct run_begin *b)
{
    for (int role = 0; role < 4; role++) {
        const struct instrument *i = c->instrument[role];
        if (i == NULL) {
            continue;
        }
        const struct driver *d = instrument_driver(i);
        struct run_instrument *ri = &b->instrument[b->instrument_count++];
        text_format(ri->role, sizeof ri->role, "%s", role_names[role]);
        text_format(ri->driver, sizeof ri->driver, "%s", d->name);
        text_format(ri->identity, sizeof ri->identity, "%s", instrument_identity(i));
        text_format(ri->link, sizeof ri->link, "%s", instrument_link_address(i));
        strcpy(ri->driver_sha256, d->sha256);
        ri->driver_text = d->text;
    }
}

static bool begin_in_store(struct run *r, struct err *e)
{
    struct run_begin b = {
        .started_utc_ns = clock_utc_ns(r->stand->clock),
        .lead_ohm = r->facts.lead_ohm,
        .profile_text = r->job->profile->text,
        .bench_text = r->stand->bench->text,
        .software_version = AMPLEDGER_VERSION,
    };
    strcpy(b.id, r->job->run_id);
    strcpy(b.battery_id, r->job->battery.id);
    strcpy(b.stand, r->stand->config->name);
    text_format(b.profile, sizeof b.profile, "%s", r->plan->profile);
    text_format(b.voltage_source, sizeof b.voltage_source, "%s",
                voltage_source_names[r->facts.voltage_source]);
    fill_instruments(r->stand->config, &b);
    json_t *plan = plan_to_json(r->plan, &r->facts);
    char *plan_json = json_dumps(plan, JSON_COMPACT);
    json_decref(plan);
    b.plan_json = plan_json;
    bool ok = store_run_begin(r->stand->store, &b, &r->nr, e);
    free(plan_json);
    r->start_ns = clock_now_ns(r->stand->clock);
    r->start_utc_ns = b.started_utc_ns;
    return ok;
}

static bool get_ready(struct run *r, struct err *e)
{
    struct stand_health health = {0};
    if (!stand_bring_up(r->stand->config, &health, e) ||
        !prepare_instruments(r->stand->config, e) || !read_present(r->stand, e) ||
        !plan_without_problems(r, e)) {
        return false;
    }
    r->limits = r->plan->limits;
    return program_backstop(r, e) && begin_in_store(r, e);
}

/* Results come from the stored samples, so that they are what anyone can
 * compute again from the database. */
static char *compute_result(struct run *r)
{
    struct err e = {0};
    struct reader *reader = NULL;
    struct run_row row = {0};
    json_t *result = NULL;
    char *text = NULL;
    char which[24];
    text_format(which, sizeof which, "%lld", (long long)r->nr);
    if (store_flush(r->stand->store, 5000, &e) &&
        reader_open(store_path(r->stand->store), &reader, &e) &&
        reader_run(reader, which, &row, &e) && result_compute(reader, &row, &result, &e)) {
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
    char *result = compute_result(r);
    const struct run_trip *t = r->outcome == RUN_TRIPPED ? &r->trip : NULL;
    if (t != NULL && !store_latch_set(r->stand->store, r->stand->config->name, r->nr, t, &e)) {
        log_error("%s: the latch holds only until restart: %s", r->stand->config->name, e.text);
    }
    if (!store_run_end(r->stand->store, r->nr, r->outcome, clock_utc_ns(r->stand->clock), t, result,
                       &e)) {
        log_error("%s: the end of the run is not stored: %s", r->stand->config->name, e.text);
    }
    free(result);
}

static void finish(struct run *r)
{
    size_t step = r->sequencer.step;
    struct err e = {0};
    bool safe = stand_safe(r->stand, &e);
    if (r->outcome == RUN_TRIPPED) {
        event(r, "trip", r->trip.sentence);
    }
    if (!safe) {
        event(r, "alarm", "an output could not be confirmed off: disconnect the battery by hand");
    }
    if (step < r->sequencer.count) {
        step_end_record(r, step, run_outcome_names[r->outcome]);
    }
    event(r, "end", run_outcome_names[r->outcome]);
    end_in_store(r);
    show_end(r);
    if (r->order != ORDER_NONE && r->order != ORDER_QUIT) {
        stand_answer(r->stand, safe, &e);
    }
}

bool stand_run(struct stand *s, struct job *job)
{
    struct err e = {0};
    struct run r = {.stand = s, .job = job, .outcome = RUN_RUNNING};
    if (get_ready(&r, &e)) {
        show_begin(&r);
        event(&r, "start", r.plan->profile);
        stand_answer(s, true, NULL);
        loop(&r);
        finish(&r);
    } else {
        stand_answer(s, false, &e);
    }
    plan_free(r.plan);
    job_free(job);
    return r.order == ORDER_QUIT;
}
