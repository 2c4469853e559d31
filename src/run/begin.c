/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/begin: all that must hold before an output may go on. */
#include "base/file.h"
#include "base/log.h"
#include "base/version.h"
#include "run/result.h"
#include "run/resume.h"
#include "run/row.h"
#include "run/run_state.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

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
    if (!stand_read(s->config, STAND_RESTS, &reading, &temperature_error, e)) {
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

/* What the steps of one direction may need at most; NAN where there is none of them. */
struct demand {
    double set_A, current_A, voltage_V;
};

static struct demand demand_of(const struct plan *p, bool charging)
{
    struct demand d = {0, NAN, NAN};
    for (size_t i = 0; i < p->step_count; i++) {
        const struct plan_step *s = &p->steps[i];
        if (charging ? s->current_A > 0 : s->current_A < 0) {
            d.set_A = fmax(d.set_A, fabs(s->current_A));
            d.current_A = fmax(d.current_A, s->limits.current_max_A);
            d.voltage_V = fmax(d.voltage_V, s->limits.voltage_max_V);
        }
    }
    return d;
}

static bool protect(struct instrument *i, const struct instrument_protection *p, struct err *e)
{
    int programmed = 0;
    return i == NULL || instrument_protect(i, p, &programmed, e);
}

/* An instrument's own protections can be set a little past its rating only, and must
 * not act on what is set itself, give or take its accuracy (common practice, no source
 * for the numbers). */
#define PAST_RATING 1.05
#define PAST_SET 1.05

/* The instruments' own protections are the backstop when this computer dies. The load
 * sees the voltage at its end of the leads, lower than the battery's by I x R; the
 * supply holds its voltage at its own end, and never more than the limit. */
static bool program_backstop(struct run *r, struct err *e)
{
    struct instrument *const *all = r->stand->config->instrument;
    const struct demand out = demand_of(r->plan, false), in = demand_of(r->plan, true);
    const struct instrument_protection of_load = {
        .under_voltage_V = r->limits.voltage_min_V - r->facts.lead_ohm * out.set_A,
        .over_voltage_V = NAN,
        .over_current_A =
            out.set_A > 0 ? fmax(out.current_A, PAST_SET * out.set_A) : r->limits.current_max_A,
    };
    const struct instrument_protection of_supply = {
        .under_voltage_V = NAN,
        .over_voltage_V = fmin(in.voltage_V, PAST_RATING * r->facts.supply.voltage_max_V),
        .over_current_A = fmax(in.current_A, PAST_SET * in.set_A),
    };
    return protect(all[ROLE_LOAD], &of_load, e) &&
           (!(in.set_A > 0) || protect(all[ROLE_SUPPLY], &of_supply, e));
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

/* Before anything is switched on, and before the run's time begins: a slow disk must
 * not use up the trust in its readings. */
static void begin_slip(struct run *r, int64_t nr)
{
    struct err e = {0};
    slip_begin(r->stand->slip, r->job->run_id, nr, r->plan->resume_within_s > 0);
    if (!slip_wait(r->stand->slip, SLIP_WAIT_MS, &e)) {
        log_warn("%s: if it is cut off this run will not go on: %s", r->stand->config->name,
                 e.text);
    }
}

static bool begin_in_store(struct run *r, struct err *e)
{
    plan_doubt_full(r->plan, r->job->full_doubt);
    struct run_begin b = {
        .started_utc_ns = clock_utc_ns(r->stand->clock),
        .lead_ohm = r->facts.lead_ohm,
        .profile_text = r->job->profile->text,
        .bench_text = r->stand->bench->text,
        .software_version = AMPLEDGER_VERSION,
        .row_nr = r->job->row_nr,
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
    if (ok) {
        begin_slip(r, r->nr);
        row_refresh(r->stand);
    }
    r->start_ns = clock_now_ns(r->stand->clock);
    r->start_utc_ns = b.started_utc_ns;
    const struct decide_start from = {.plan = r->plan, .lead_ohm = r->facts.lead_ohm};
    decide_start(&r->d, &from);
    return ok;
}

static bool take_up_decisions(struct run *r, struct err *e)
{
    const struct resume_point *at = &r->job->resume;
    const struct decide_start from = {
        .plan = r->plan, .lead_ohm = r->facts.lead_ohm, .now_s = run_now_s(r)};
    const struct decide_resume where = {
        .step = at->step,
        .past_count = at->past_count,
        .past = at->past,
        .step_start_s = at->step_start_s,
        .discharged_Ah = at->discharged_Ah,
        .charged_Ah = at->charged_Ah,
        .energy_Wh = at->energy_Wh,
    };
    if (!decide_resume(&r->d, &from, &where)) {
        return err_set(e, ERR_REFUSED, "the steps on record are not those of its plan any more");
    }
    const struct plan_step *step = &r->plan->steps[at->step];
    if (step->kind != STEP_DISCHARGE && step->kind != STEP_REST) {
        return err_set(e, ERR_REFUSED,
                       "it was cut off in a %s (\"%s\"): only a discharge or a rest goes on after "
                       "an interruption",
                       step_kind_names[step->kind], step->name);
    }
    return true;
}

static void count_visits(struct run *r)
{
    const struct resume_point *at = &r->job->resume;
    for (size_t i = 0; i < at->past_count; i++) {
        r->visits[at->past[i].step]++;
    }
    r->visits[at->step]++;
}

/* The run's own time goes on by the wall clock: no other has run through a restart. */
static bool take_up_in_store(struct run *r, struct err *e)
{
    const struct resume_point *at = &r->job->resume;
    begin_slip(r, at->nr);
    int64_t utc_ns = clock_utc_ns(r->stand->clock);
    double gap_s = 0;
    r->start_utc_ns = at->started_utc_ns;
    r->start_ns = clock_now_ns(r->stand->clock) - (utc_ns - at->started_utc_ns);
    /* Decided twice: whether it may go on, before that is on record; and from when, after the
     * disk has taken that in, which must not use up the trust in readings not yet taken. */
    if (!resume_gap(at, utc_ns, r->plan->resume_within_s, &gap_s, e) || !take_up_decisions(r, e) ||
        !store_run_resume(r->stand->store, at->nr, e) || !take_up_decisions(r, e)) {
        slip_remove(r->stand->slip);
        return false;
    }
    count_visits(r);
    r->nr = at->nr;
    r->samples = at->samples;
    r->step_open = true;
    r->step_nr = at->past_count;
    return true;
}

double run_now_s(const struct run *r)
{
    return (double)(clock_now_ns(r->stand->clock) - r->start_ns) / (double)NS_PER_S;
}

bool run_get_ready(struct run *r, struct err *e)
{
    struct stand_health health = {0};
    /* Looked at here too: an order may have been given before a run that then tripped. */
    if (!stand_not_latched(r->stand, e) || !stand_bring_up(r->stand->config, &health, e)) {
        return false;
    }
    for (int role = 0; role < 4; role++) {
        const struct instrument *one = r->stand->config->instrument[role];
        r->openings[role] = one != NULL ? instrument_openings(one) : 0;
    }
    stand_found_off(r->stand);
    if (!prepare_instruments(r->stand->config, e) || !read_present(r->stand, e) ||
        !plan_without_problems(r, e)) {
        return false;
    }
    r->limits = r->plan->limits;
    r->visits = zalloc(r->plan->step_count * sizeof *r->visits);
    if (!program_backstop(r, e)) {
        return false;
    }
    return r->job->resume.nr != 0 ? take_up_in_store(r, e) : begin_in_store(r, e);
}
