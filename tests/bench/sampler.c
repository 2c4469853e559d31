/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/sampler: samples a load as fast as it answers, through the very code of a run:
 * link, scpi, instrument, stand, waker, guard and sequencer by run/decide, and store. A
 * daemon's own runs sample ten times a second at most, so it cannot show this.
 *
 *   bench_sampler DRIVER LINK DATABASE SECONDS
 *
 * Prints how many samples there were, in how many seconds, and how many processor seconds
 * they took, those of the thread that writes to the disk included. */
#include "base/clock.h"
#include "base/ids.h"
#include "bench/bench.h"
#include "run/decide.h"
#include "run/waker.h"
#include "store/store.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>

struct sampler {
    struct driver *driver;
    struct stand_config stand;
    struct waker waker;
    struct clock *clock;
    struct store *store;
    struct plan_step step;
    struct plan plan;
    struct decider decider;
    int64_t nr, start_ns;
    long count;
};

static double now_s(const struct sampler *s)
{
    return (double)(clock_now_ns(s->clock) - s->start_ns) / (double)NS_PER_S;
}

static bool open_instrument(struct sampler *s, const char *driver, const char *link, struct err *e)
{
    if (!driver_load_file(driver, &s->driver, e) || !waker_open(&s->waker, e)) {
        return false;
    }
    const struct instrument_config config = {.name = "load",
                                             .driver = s->driver,
                                             .link = link,
                                             .settings = s->driver->link,
                                             .identity = ""};
    struct instrument *load = instrument_new(&config);
    s->stand.instrument[ROLE_LOAD] = load;
    s->stand.sense = SENSE_REMOTE;
    instrument_set_wake(load, s->waker.fd);
    return instrument_open(load, e) && instrument_identify(load, e) && instrument_prepare(load, e);
}

static bool open_store(struct sampler *s, const char *path, struct err *e)
{
    struct battery b = battery_blank();
    struct run_begin r = {.stand = "berth",
                          .profile = "bench",
                          .software_version = "bench",
                          .voltage_source = "load",
                          .started_utc_ns = clock_real_utc_ns()};
    snprintf(b.label, sizeof b.label, "launch");
    b.chemistry = CHEM_LFP;
    b.cells = 4;
    uuid7_make(r.started_utc_ns, r.id);
    if (!store_open(path, &s->store, e) || !store_battery_add(s->store, &b, e)) {
        return false;
    }
    memcpy(r.battery_id, b.id, sizeof r.battery_id);
    return store_run_begin(s->store, &r, &s->nr, e);
}

static void plan_a_discharge(struct sampler *s)
{
    s->step = plan_step_blank(STEP_DISCHARGE);
    s->step.current_A = -5;
    s->step.until_V = 5;
    s->step.max_s = 1e6;
    s->step.limits = guard_limits_none();
    s->step.limits.voltage_min_V = 5;
    s->step.limits.voltage_max_V = 20;
    s->step.limits.current_max_A = 20;
    s->step.limits.charge_max_Ah = 1000;
    s->step.limits.stuck_Ah = s->step.limits.voltage_stuck_Ah = 100;
    s->plan = (struct plan){.step_count = 1, .steps = &s->step, .limits = s->step.limits};
}

/* One reading, as run/loop.c takes one. */
static bool take_sample(struct sampler *s, struct err *e)
{
    struct reading reading;
    struct err temperature_error;
    double before_s = now_s(s);
    waker_arm(&s->waker, 3);
    bool ok = stand_read(&s->stand, STAND_DISCHARGES, &reading, &temperature_error, e);
    waker_disarm(&s->waker);
    if (!ok) {
        return false;
    }
    const struct sample sample = {.t_s = ceil(0.5e4 * (before_s + now_s(s))) / 1e4,
                                  .voltage_V = reading.voltage_V,
                                  .current_A = reading.current_A,
                                  .temperature_C = reading.temperature_C};
    if (!store_put_sample(s->store, s->nr, 0, &sample)) {
        return err_set(e, ERR_STORE, "the store does not keep up");
    }
    waker_arm(&s->waker, 3);
    waker_disarm(&s->waker);
    const struct event event = {.kind = EVENT_SAMPLE, .sample = &sample, .now_s = now_s(s)};
    decide_take(&s->decider, &event);
    s->count++;
    return true;
}

static bool do_act(struct sampler *s, struct err *e)
{
    struct instrument *load = s->stand.instrument[ROLE_LOAD];
    const struct event done = {.kind = EVENT_DONE, .now_s = now_s(s)};
    switch (s->decider.act) {
    case ACT_WAIT:
    case ACT_READ:
        return take_sample(s, e);
    case ACT_SET:
        if (!instrument_set_current(load, 5, e)) {
            return false;
        }
        break;
    case ACT_ON:
        if (!instrument_on(load, e)) {
            return false;
        }
        break;
    case ACT_OFF:
    case ACT_FINISH:
        return err_set(e, ERR_BUG, "the run ended: %s",
                       guard_reason_name(s->decider.verdict.reason));
    case ACT_BEGIN_STEP:
    case ACT_ARM:
    case ACT_CHANGE:
    case ACT_END_STEP:
    default:
        break;
    }
    decide_take(&s->decider, &done);
    return true;
}

static double cpu_s(void)
{
    struct rusage r;
    getrusage(RUSAGE_SELF, &r);
    return (double)(r.ru_utime.tv_sec + r.ru_stime.tv_sec) +
           1e-6 * (double)(r.ru_utime.tv_usec + r.ru_stime.tv_usec);
}

/* Until the load is on and has settled, then for so long. */
static bool run(struct sampler *s, double seconds, struct err *e)
{
    bool ok = true;
    s->start_ns = clock_now_ns(s->clock);
    decide_start(&s->decider, &(struct decide_start){.plan = &s->plan, .now_s = 0});
    while (ok && s->count < 100) {
        ok = do_act(s, e);
    }
    double begun_s = now_s(s), cpu_before_s = cpu_s();
    long before = s->count;
    while (ok && now_s(s) < begun_s + seconds) {
        ok = do_act(s, e);
    }
    double took_s = now_s(s) - begun_s;
    ok = instrument_make_safe(s->stand.instrument[ROLE_LOAD], 3, NULL) && ok;
    if (ok) {
        printf("%ld %.6f %.6f\n", s->count - before, took_s, cpu_s() - cpu_before_s);
    }
    return ok;
}

int main(int argc, char **argv)
{
    struct sampler s = {.clock = clock_new_real()};
    struct err e = {0};
    if (argc != 5) {
        fprintf(stderr, "bench_sampler DRIVER LINK DATABASE SECONDS\n");
        return 2;
    }
    plan_a_discharge(&s);
    bool ok = open_instrument(&s, argv[1], argv[2], &e) && open_store(&s, argv[3], &e) &&
              run(&s, strtod(argv[4], NULL), &e);
    store_close(s.store);
    if (!ok) {
        fprintf(stderr, "bench_sampler: %s\n", e.text);
    }
    return ok ? 0 : 5;
}
