/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/host: all stands of a bench, and the orders given to them from outside. */
#include "base/file.h"
#include "base/log.h"
#include "base/thread.h"
#include "run/filled.h"
#include "run/known.h"
#include "run/row.h"
#include "run/stand.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Longest that an order is waited for: bringing four silent instruments up
 * takes some seconds each; past this the thread is taken for hung. */
#define ANSWER_TIMEOUT_S 60

struct run_host {
    struct run_host_config config;
    size_t count;
    struct stand *stands;
    pthread_mutex_t claiming; /* guards the list */
    struct run_claim *claims;
    pthread_mutex_t looking_back;
};

static void status_blank(struct stand_status *st, const char *name)
{
    *st = (struct stand_status){
        .phase = STAND_STARTING,
        .reading = {.voltage_V = NAN, .current_A = NAN, .temperature_C = NAN, .other_V = NAN},
        .reading_age_s = NAN,
        .elapsed_s = NAN,
        .left_s = NAN,
        .step_elapsed_s = NAN,
        .rated_Ah = NAN,
        .discharged_Ah = NAN,
        .charged_Ah = NAN,
        .expected_Ah = NAN,
        .until_V = NAN,
        .round = 1,
        .rounds = 1,
        .limits = guard_limits_none(),
        .outcome = RUN_COMPLETED,
    };
    text_format(st->name, sizeof st->name, "%s", name);
}

/* A trip that an earlier process could not store is one all the same. */
static void take_in_slip(struct stand *s)
{
    struct err e = {0};
    struct slip_text slip;
    char text[sizeof slip.trip.sentence + 64];
    slip_read(s->slip, &slip);
    if (slip.kind != SLIP_TRIP) {
        return;
    }
    if (s->status.trip.reason[0] == '\0') {
        s->status.trip = slip.trip;
        text_format(text, sizeof text, "as noted before the daemon ended: %s", slip.trip.sentence);
        log_error("%s: trip: %s", s->config->name, text);
        if (!store_put_event(s->store, slip.nr, slip.trip.at_utc_ns, slip.trip.at_s, "trip",
                             text) ||
            !store_latch_set(s->store, s->config->name, slip.nr, &slip.trip, &e)) {
            log_error("%s: the trip is not in the database yet: %s", s->config->name, e.text);
            return;
        }
    }
    slip_remove(s->slip);
}

static bool stand_start(struct run_host *h, struct stand *s, struct stand_config *config,
                        struct err *e)
{
    *s = (struct stand){
        .config = config,
        .store = h->config.store,
        .clock = h->config.clock,
        .bench = h->config.bench,
        .keeper = h->config.keeper,
        .hooks = h->config.hooks,
        .looking_back = &h->looking_back,
        .slot = 2 * (uint32_t)(s - h->stands),
        .waker = {-1, -1, -1},
        .row_changed = true,
        .row = {.lowest_V = NAN, .highest_V = NAN},
    };
    status_blank(&s->status, config->name);
    s->status.lead_ohm = config->lead_ohm;
    pthread_mutex_init(&s->asking, NULL);
    mutex_init_inheriting(&s->lock);
    cond_init_monotonic(&s->answered);
    bool latched = false;
    if (!store_latch_get(s->store, config->name, &latched, &s->status.trip, e) ||
        !known_load(s, e) || !waker_open(&s->waker, e) ||
        !slip_open(store_path(s->store), config->name, &s->slip, e)) {
        return err_prefix(e, "stand %s", config->name);
    }
    if (!latched) {
        s->status.trip = (struct run_trip){0};
    }
    take_in_slip(s);
    int failed = pthread_create(&s->thread, NULL, stand_thread, s);
    if (failed != 0) {
        return err_set_errno(e, failed, "start the thread of stand %s", config->name);
    }
    s->started = true;
    return true;
}

bool run_host_start(const struct run_host_config *config, struct run_host **out, struct err *e)
{
    struct run_host *h = zalloc(sizeof *h);
    on_out_of_memory(slip_last_words);
    h->config = *config;
    mutex_init_inheriting(&h->claiming);
    mutex_init_inheriting(&h->looking_back);
    h->stands = zalloc((config->bench->stand_count + 1) * sizeof *h->stands);
    for (size_t i = 0; i < config->bench->stand_count; i++) {
        h->count = i + 1;
        if (!stand_start(h, &h->stands[i], &config->bench->stands[i], e)) {
            run_host_quit(h);
            run_host_free(h);
            return false;
        }
    }
    *out = h;
    return true;
}

/* Takes the job. Returns the number of the order, 0 when the stand is leaving. */
static uint64_t give_order(struct stand *s, enum order order, struct job *job)
{
    uint64_t number = 0;
    pthread_mutex_lock(&s->lock);
    if (s->quitting) {
        job_free(job);
    } else {
        job_free(s->job); /* of an order that nobody took */
        s->job = job;
        s->order = order;
        s->quitting = order == ORDER_QUIT;
        number = ++s->order_number;
        waker_signal(&s->waker);
    }
    pthread_mutex_unlock(&s->lock);
    clock_kick(s->clock);
    return number;
}

/* An order that was not taken in time is withdrawn: nothing begins behind the
 * back of one who was told that it did not. */
static bool gave_up(struct stand *s, uint64_t number, struct err *e)
{
    if (s->order_number == number && s->order != ORDER_NONE && s->order != ORDER_QUIT) {
        s->order = ORDER_NONE;
        job_free(s->job);
        s->job = NULL;
        waker_clear_signal(&s->waker); /* or nothing would ever wait for an answer again */
    }
    return err_set(e, ERR_TIMEOUT, "%s: the stand did not act within %d s; look at its instruments",
                   s->config->name, ANSWER_TIMEOUT_S);
}

static bool await_answer(struct stand *s, uint64_t number, struct err *e)
{
    int64_t until_ns = clock_monotonic_ns() + ANSWER_TIMEOUT_S * NS_PER_S;
    struct timespec until = {until_ns / NS_PER_S, until_ns % NS_PER_S};
    bool ok = false;
    int waited = 0;
    pthread_mutex_lock(&s->lock);
    while (s->answer_number < number && waited == 0) {
        waited = pthread_cond_timedwait(&s->answered, &s->lock, &until);
    }
    if (s->answer_number < number) {
        ok = gave_up(s, number, e);
    } else if (s->answer_number > number) {
        ok = err_set(e, ERR_REFUSED, "%s: the daemon is leaving", s->config->name);
    } else if (!s->answer_ok) {
        *e = s->answer;
    } else {
        ok = true;
    }
    pthread_mutex_unlock(&s->lock);
    return ok;
}

static bool stand_order(struct stand *s, enum order order, struct job *job, struct err *e)
{
    pthread_mutex_lock(&s->asking);
    uint64_t number = give_order(s, order, job);
    bool ok = number != 0 ? await_answer(s, number, e)
                          : err_set(e, ERR_REFUSED, "%s: the daemon is leaving", s->config->name);
    pthread_mutex_unlock(&s->asking);
    return ok;
}

static void stand_join(struct stand *s)
{
    struct err e = {0};
    if (s->quit_number != 0 && !await_answer(s, s->quit_number, &e)) {
        log_error("%s", e.text);
    }
    if (s->started) {
        pthread_join(s->thread, NULL);
        s->started = false;
    }
}

void run_host_quit(struct run_host *h)
{
    if (h == NULL) {
        return;
    }
    /* All stands are told before the first is waited for, and none waits behind
     * an order of somebody else: they become safe together, and at once. */
    for (size_t i = 0; i < h->count; i++) {
        if (h->stands[i].started) {
            h->stands[i].quit_number = give_order(&h->stands[i], ORDER_QUIT, NULL);
        }
    }
    for (size_t i = 0; i < h->count; i++) {
        stand_join(&h->stands[i]);
    }
}

void run_host_free(struct run_host *h)
{
    if (h == NULL) {
        return;
    }
    for (size_t i = 0; i < h->count; i++) {
        struct stand *s = &h->stands[i];
        job_free(s->job);
        waker_close(&s->waker);
        slip_close(s->slip);
        pthread_cond_destroy(&s->answered);
        pthread_mutex_destroy(&s->lock);
        pthread_mutex_destroy(&s->asking);
    }
    pthread_mutex_destroy(&h->claiming);
    pthread_mutex_destroy(&h->looking_back);
    free(h->stands);
    free(h);
}

#define LOOKS_MOST 120

static bool stand_turns(struct stand *s)
{
    uint32_t turns = atomic_load(&s->turns);
    s->looks_unchanged = turns == s->turns_seen ? s->looks_unchanged + 1 : 0;
    s->turns_seen = turns;
    if (s->looks_unchanged == LOOKS_MOST) {
        log_error("%s: its thread does not come round any more", s->config->name);
    }
    return s->looks_unchanged < LOOKS_MOST;
}

bool run_host_turns(struct run_host *h)
{
    bool all = true;
    for (size_t i = 0; i < h->count; i++) {
        all = stand_turns(&h->stands[i]) && all;
    }
    return all;
}

size_t run_host_count(const struct run_host *h)
{
    return h->count;
}

void run_host_status(struct run_host *h, size_t index, struct stand_status *out)
{
    struct stand *s = &h->stands[index];
    pthread_mutex_lock(&s->lock);
    s->status.look++;
    *out = s->status;
    if (s->reading_real_ns != 0) {
        out->reading_age_s = (double)(clock_real_ns() - s->reading_real_ns) / (double)NS_PER_S;
    }
    pthread_mutex_unlock(&s->lock);
}

bool run_host_find(struct run_host *h, const char *stand, size_t *index, struct err *e)
{
    struct stand_config *c = bench_stand(h->config.bench, stand, e);
    if (c == NULL) {
        return false;
    }
    *index = (size_t)(c - h->config.bench->stands);
    return true;
}

void run_host_facts(struct run_host *h, size_t index, struct stand_facts *out)
{
    stand_facts_now(&h->stands[index], out);
}

void run_host_row_changed(struct run_host *h, size_t index)
{
    row_refresh(&h->stands[index]);
}

bool run_host_ready(struct run_host *h, size_t index, struct err *e)
{
    struct stand_status st;
    run_host_status(h, index, &st);
    if (st.phase == STAND_RUNNING) {
        return err_set(e, ERR_REFUSED, "%s: busy with \"%s\" on %s; wait, or stop it first",
                       st.name, st.profile, st.battery);
    }
    /* Also while an instrument is missing: a trip stays a trip. */
    if (!stand_not_latched(&h->stands[index], e)) {
        return false;
    }
    if (st.phase == STAND_IDLE) {
        return true;
    }
    if (st.phase == STAND_STARTING) {
        return err_set(e, ERR_REFUSED, "%s: still being brought up; try again in a moment",
                       st.name);
    }
    /* Wiring or bench.yaml is wrong: for the caller that is a bad input, not a refusal. */
    return err_set(e, ERR_CONFIG, "%s: not ready: %s", st.name, st.problem);
}

bool run_host_has(struct run_host *h, const char *battery, char stand[LABEL_SIZE])
{
    for (size_t i = 0; i < h->count; i++) {
        struct stand_status st;
        run_host_status(h, i, &st);
        if (st.phase == STAND_RUNNING && strcmp(st.battery, battery) == 0) {
            strcpy(stand, st.name);
            return true;
        }
    }
    return false;
}

bool run_host_claim(struct run_host *h, struct run_claim *c, struct err *e)
{
    bool free_to_take = true;
    pthread_mutex_lock(&h->claiming);
    for (const struct run_claim *other = h->claims; other != NULL; other = other->next) {
        if (strcmp(other->battery, c->battery) == 0) {
            free_to_take = err_set(e, ERR_REFUSED, "%s is %s just now; try again in a moment",
                                   c->battery, other->doing);
        }
    }
    if (free_to_take) {
        c->next = h->claims;
        h->claims = c;
    }
    pthread_mutex_unlock(&h->claiming);
    return free_to_take;
}

void run_host_release(struct run_host *h, struct run_claim *c)
{
    pthread_mutex_lock(&h->claiming);
    struct run_claim **at = &h->claims;
    while (*at != c) {
        at = &(*at)->next;
    }
    *at = c->next;
    pthread_mutex_unlock(&h->claiming);
}

/* One battery hangs at one stand only. */
static bool refuse_battery_in_use(struct run_host *h, const struct battery *battery, struct err *e)
{
    char stand[LABEL_SIZE];
    return !run_host_has(h, battery->label, stand) ||
           err_set(e, ERR_REFUSED, "%s is under test at %s already; is the label right?",
                   battery->label, stand);
}

/* Begun by hand, what is next in the row is that place's run; 0: it is another. */
static int64_t place_taken(struct run_host *h, size_t index, const struct run_request *request)
{
    struct stand_status st;
    run_host_status(h, index, &st);
    bool same = strcmp(st.next.battery, request->battery->label) == 0 &&
                strcmp(st.next.profile, request->profile->name) == 0;
    return same ? st.next.row_nr : 0;
}

bool run_host_begin(struct run_host *h, const struct run_request *request,
                    char run_id[UUID_TEXT_SIZE], struct err *e)
{
    size_t index = 0;
    if (!run_host_find(h, request->stand, &index, e) || !run_host_ready(h, index, e) ||
        !refuse_battery_in_use(h, request->battery, e)) {
        return false;
    }
    struct job *job = zalloc(sizeof *job);
    job->asked = true;
    job->battery = *request->battery;
    job->row_nr = place_taken(h, index, request);
    uuid7_make(clock_utc_ns(h->config.clock), job->run_id);
    strcpy(run_id, job->run_id);
    /* The stand's thread may outlive this request: it gets its own copy. */
    if (!profile_load_text(request->profile->path, request->profile->text,
                           strlen(request->profile->text), &job->profile, e)) {
        job_free(job);
        return false;
    }
    filled_note(h->config.store, job->profile, job->battery.label, job->full_doubt);
    return stand_order(&h->stands[index], ORDER_BEGIN, job, e);
}

bool run_host_end(struct run_host *h, const char *stand, struct err *e)
{
    size_t index = 0;
    return run_host_find(h, stand, &index, e) && stand_order(&h->stands[index], ORDER_END, NULL, e);
}

/* The next battery of the row, with its profile as the file is now. */
static bool next_job(struct run_host *h, const struct stand_next *next, struct job *job,
                     struct err *e)
{
    job->asked = true;
    job->row_nr = next->row_nr;
    uuid7_make(clock_utc_ns(h->config.clock), job->run_id);
    if (!store_battery_find(h->config.store, next->battery, &job->battery, e)) {
        return false;
    }
    if (job->battery.retired_utc_ns != 0) {
        return err_set(e, ERR_REFUSED, "battery \"%s\" was retired; drop it from the row",
                       next->battery);
    }
    if (!refuse_battery_in_use(h, &job->battery, e) ||
        !profile_find(h->config.bench->profiles_dir, next->profile, false, &job->profile, e)) {
        return false;
    }
    filled_note(h->config.store, job->profile, job->battery.label, job->full_doubt);
    return true;
}

static bool confirm_next(struct run_host *h, size_t index, bool anyway, char run_id[UUID_TEXT_SIZE],
                         struct err *e)
{
    struct stand_status st;
    run_host_status(h, index, &st);
    if (st.next.row_nr == 0) {
        return err_set(e, ERR_REFUSED, "%s: nothing waits for a confirmation", st.name);
    }
    struct run_claim claim = {.battery = st.next.battery, .doing = "being started"};
    if (!run_host_ready(h, index, e) || !run_host_claim(h, &claim, e)) {
        return false;
    }
    struct job *job = zalloc(sizeof *job);
    job->anyway = anyway;
    bool ok = next_job(h, &st.next, job, e);
    if (ok) {
        strcpy(run_id, job->run_id);
        ok = stand_order(&h->stands[index], ORDER_NEXT, job, e);
    } else {
        job_free(job);
    }
    run_host_release(h, &claim);
    return ok;
}

bool run_host_confirm(struct run_host *h, const struct run_confirmation *said,
                      char run_id[UUID_TEXT_SIZE], struct err *e)
{
    size_t index = 0;
    struct stand_status st;
    run_id[0] = '\0';
    if (!run_host_find(h, said->stand, &index, e)) {
        return false;
    }
    run_host_status(h, index, &st);
    const char *asked = st.phase == STAND_RUNNING ? st.battery : st.next.battery;
    if (said->battery[0] != '\0' && strcmp(said->battery, asked) != 0) {
        return err_set(e, ERR_REFUSED, "%s: %s does not wait any more; look what is asked for now",
                       said->stand, said->battery);
    }
    if (st.phase != STAND_RUNNING) {
        return confirm_next(h, index, said->anyway, run_id, e);
    }
    if (st.hold[0] == '\0') {
        return err_set(e, ERR_REFUSED, "%s: nothing waits for a confirmation", said->stand);
    }
    return stand_order(&h->stands[index], ORDER_CONFIRM, NULL, e);
}

/* A person looked: an order for a stand at rest. */
static bool order_at_rest(struct run_host *h, const char *stand, enum order order, struct err *e)
{
    size_t index = 0;
    struct stand_status st;
    if (!run_host_find(h, stand, &index, e)) {
        return false;
    }
    run_host_status(h, index, &st);
    if (st.phase == STAND_RUNNING) { /* not worth interrupting the run's thread for */
        return err_set(e, ERR_REFUSED, "%s: a run is on, there is nothing to clear", stand);
    }
    return stand_order(&h->stands[index], order, NULL, e);
}

bool run_host_clear(struct run_host *h, const char *stand, struct err *e)
{
    return order_at_rest(h, stand, ORDER_CLEAR, e);
}

bool run_host_accept(struct run_host *h, const char *stand, struct err *e)
{
    return order_at_rest(h, stand, ORDER_ACCEPT, e);
}
