/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/result: results of a run, from its stored samples and its stored plan and
 * nothing else. Samples stream through once; memory does not grow with their number. */
#include "run/result.h"

#include "base/file.h"
#include "run/result_rounds.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* While the samples are gone through. */
struct pass {
    struct step_terms terms;
    struct step_work *work;
    size_t at; /* the step under work */
    json_t *steps;
    struct charge_state state;
    struct cycle_count cycle;
    struct rounds rounds;
    struct step_flow total;
    double temperature_max_C;
    double round_resistance_mOhm; /* since the last discharge of the rounds */
    json_t *resistance;           /* document of the step it was measured in last; borrowed */
    struct err *e;
    bool ok;
};

static void begin_step(struct pass *p)
{
    const struct run_row *run = p->terms.run;
    if (p->at < run->step_count) {
        step_work_start(p->work, &p->terms, &run->steps[p->at]);
    }
}

static void put_efficiency(json_t *o, const struct cycle_efficiency *e)
{
    json_object_set_new(o, "coulombic_efficiency_percent", json_number(100 * e->coulombic));
    json_object_set_new(o, "energy_efficiency_percent", json_number(100 * e->energy));
    json_object_set_new(o, "efficiency_closed", json_boolean(e->closed));
}

/* Charges and discharges follow each other; what each put in and took out. */
static void count_cycle(struct pass *p, const struct step_work *w, const struct step_result *r)
{
    const struct step_flow *f = &w->flow;
    double Ah = f->in_Ah - f->out_Ah, Wh = f->in_Wh - f->out_Wh;
    if (w->kind == STEP_DISCHARGE) {
        bool to_cutoff = r->measured && (r->numbers.end_reason == END_REASON_CROSSED ||
                                         r->numbers.end_reason == END_REASON_PROTECTION);
        struct cycle_discharge d = {r->measured ? r->numbers.capacity_Ah : -Ah,
                                    r->measured ? r->numbers.energy_Wh : -Wh, w->step->plan_step,
                                    to_cutoff};
        struct cycle_efficiency e = cycle_discharge(&p->cycle, &d);
        put_efficiency(r->document, &e);
    } else if (w->kind == STEP_CHARGE && Ah > 0) {
        cycle_charge(&p->cycle, Ah, Wh);
    } else {
        cycle_other(&p->cycle, Ah, Wh);
    }
}

static void count_round(struct pass *p, const struct step_work *w, const struct step_result *r)
{
    const json_t *resistance = json_object_get(r->document, "resistance_mOhm");
    struct round_facts facts = {p->cycle.in_Ah, p->cycle.in_Wh, p->round_resistance_mOhm};
    rounds_add(&p->rounds, w->step, r, &facts);
    if (w->step->plan_step == p->rounds.plan_step) {
        p->round_resistance_mOhm = NAN;
    }
    if (json_is_number(resistance)) {
        p->round_resistance_mOhm = json_number_value(resistance);
        p->resistance = r->document;
    }
}

static void finish_step(struct pass *p)
{
    struct step_work *w = p->work;
    struct step_result r;
    step_work_finish(w, &p->state, &r);
    charge_state_add(&p->state, w->flow.in_Ah - w->flow.out_Ah);
    if (w->kind == STEP_CHARGE && step_filled_up(w->step)) {
        p->state.since_full_Ah = 0;
    }
    p->temperature_max_C = fmax(p->temperature_max_C, w->temperature_max_C);
    p->total.in_Ah += w->flow.in_Ah;
    p->total.in_Wh += w->flow.in_Wh;
    p->total.out_Ah += w->flow.out_Ah;
    p->total.out_Wh += w->flow.out_Wh;
    count_cycle(p, w, &r);
    count_round(p, w, &r);
    json_array_append_new(p->steps, r.document);
    p->at++;
    begin_step(p);
}

/* Samples come step by step; one whose step was never begun is nobody's. */
static bool take_sample(void *context, int step, const struct sample *s)
{
    struct pass *p = context;
    const struct run_row *run = p->terms.run;
    while (p->at < run->step_count && run->steps[p->at].step < step) {
        finish_step(p);
    }
    if (p->at < run->step_count && run->steps[p->at].step == step) {
        p->ok = step_work_add(p->work, s, p->e);
    }
    return p->ok;
}

static bool read_resumptions(struct reader *r, const struct run_row *run, struct resumptions *out,
                             struct err *e)
{
    struct event_row *events = NULL;
    size_t n = 0;
    if (!reader_events(r, run->nr, &events, &n, e)) {
        return false;
    }
    for (size_t i = 0; i < n && out->count < INTERRUPTIONS_MOST; i++) {
        if (strcmp(events[i].kind, "resume") == 0) {
            out->at_s[out->count++] = events[i].t_s;
        }
    }
    free(events);
    return true;
}

static void put_run(struct pass *p, json_t *o)
{
    static const char *const of_resistance[] = {"resistance_mOhm",
                                                "resistance_uncertainty_mOhm",
                                                "resistance_method",
                                                "resistance_held_s",
                                                "resistance_after_s",
                                                "resistance_temperature_C",
                                                "resistance_state_of_charge_percent"};
    const struct {
        const char *key;
        double value;
    } numbers[] = {
        {"temperature_max_C", p->temperature_max_C},
        {"charged_Ah", p->total.in_Ah},
        {"charged_Wh", p->total.in_Wh},
        {"discharged_Ah", p->total.out_Ah},
        {"discharged_Wh", p->total.out_Wh},
    };
    json_object_set_new(o, "samples", json_integer((json_int_t)p->terms.run->sample_count));
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        json_object_set_new(o, numbers[i].key, json_number(numbers[i].value));
    }
    for (size_t i = 0; i < sizeof of_resistance / sizeof of_resistance[0]; i++) {
        json_t *v = json_object_get(p->resistance, of_resistance[i]);
        json_object_set_new(o, of_resistance[i], v != NULL ? json_incref(v) : json_null());
    }
    json_object_set(o, "steps", p->steps);
}

static void pass_start(struct pass *p, const struct run_row *run, const json_t *plan, struct err *e)
{
    double rated_Ah = run->battery_record.rated_Ah;
    bool full = json_is_true(json_object_get(plan, "starts_full"));
    *p = (struct pass){
        .terms = {.run = run, .plan = plan},
        .work = zalloc(sizeof *p->work),
        .steps = json_array(),
        .state = {0, full ? 0 : (double)NAN, rated_Ah},
        .temperature_max_C = NAN,
        .round_resistance_mOhm = NAN,
        .e = e,
        .ok = true,
    };
    cycle_start(&p->cycle);
    rounds_start(&p->rounds, plan, run);
}

bool result_compute(struct reader *r, const struct run_row *run, json_t **out, struct err *e)
{
    json_error_t why;
    json_t *plan = json_loads(run->plan_json != NULL ? run->plan_json : "", 0, &why);
    if (plan == NULL) {
        return err_set(e, ERR_STORE, "the plan kept with run %lld cannot be read: %s",
                       (long long)run->nr, why.text);
    }
    struct pass p;
    pass_start(&p, run, plan, e);
    bool ok = read_resumptions(r, run, &p.terms.resumptions, e);
    begin_step(&p);
    ok = ok && reader_samples(r, run->nr, -1, take_sample, &p, e) && p.ok;
    while (ok && p.at < run->step_count) {
        finish_step(&p);
    }
    json_t *result = rounds_finish(&p.rounds);
    if (ok) {
        put_run(&p, result);
        *out = result;
    } else {
        json_decref(result);
    }
    json_decref(p.steps);
    free(p.work);
    json_decref(plan);
    return ok;
}
