/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/result_rounds: best, last or mean of several attempts. */
#include "run/result_rounds.h"

#include <math.h>
#include <string.h>

static enum attempts counts_of(const json_t *plan)
{
    const char *word =
        json_string_value(json_object_get(json_object_get(plan, "acceptance"), "counts"));
    for (int i = 0; word != NULL && attempts_names[i] != NULL; i++) {
        if (strcmp(word, attempts_names[i]) == 0) {
            return (enum attempts)i;
        }
    }
    return ATTEMPT_LAST;
}

static bool is_discharge(const struct run_step *s)
{
    return strcmp(s->kind, step_kind_names[STEP_DISCHARGE]) == 0;
}

static int leading_plan_step(const json_t *plan, const struct run_row *run)
{
    const json_t *judged = json_object_get(json_object_get(plan, "acceptance"), "step");
    int leading = -1;
    for (size_t i = 0; i < run->step_count; i++) {
        const struct run_step *s = &run->steps[i];
        if (judged != NULL && json_integer_value(judged) == s->plan_step) {
            return s->plan_step;
        }
        leading = is_discharge(s) ? s->plan_step : leading;
    }
    return leading;
}

void rounds_start(struct rounds *r, const json_t *plan, const struct run_row *run)
{
    *r = (struct rounds){
        .plan = plan,
        .plan_step = leading_plan_step(plan, run),
        .rated_Ah = run->battery_record.rated_Ah,
        .counts = counts_of(plan),
        .list = json_array(),
    };
    attempt_mean_start(&r->mean);
}

static void copy_keys(json_t *to, const json_t *from, const char *const *keys)
{
    for (; *keys != NULL; keys++) {
        json_t *v = json_object_get(from, *keys);
        json_object_set_new(to, *keys, v != NULL ? json_incref(v) : json_null());
    }
}

static void list_add(struct rounds *r, const json_t *document, const struct round_facts *facts)
{
    static const char *const keys[] = {"round",
                                       "step",
                                       "capacity_Ah",
                                       "capacity_uncertainty_Ah",
                                       "percent_of_rated",
                                       "energy_Wh",
                                       "mean_voltage_V",
                                       "duration_s",
                                       "temperature_max_C",
                                       "ended_by",
                                       "lower_bound",
                                       "coulombic_efficiency_percent",
                                       "energy_efficiency_percent",
                                       "efficiency_closed",
                                       NULL};
    json_t *o = json_object();
    copy_keys(o, document, keys);
    json_object_set_new(o, "charged_Ah", json_number(facts->in_Ah));
    json_object_set_new(o, "charged_Wh", json_number(facts->in_Wh));
    json_object_set_new(o, "resistance_mOhm", json_number(facts->resistance_mOhm));
    json_array_append_new(r->list, o);
}

/* The capacity that is judged: by the correction the acceptance names, where that decides. An
 * attempt it could not be applied to stands behind all others: NAN. */
static double judged_Ah(const struct rounds *r, const struct capacity_result *numbers)
{
    struct acceptance accept = step_acceptance(r->plan, r->plan_step);
    struct correction_answer c;
    double expanded_Ah;
    if (!correction_decides(&accept.correction)) {
        return numbers->capacity_Ah;
    }
    capacity_correct(numbers, &accept, &c, &expanded_Ah);
    return c.applied && c.verified ? c.capacity_Ah : (double)NAN;
}

static bool is_better(const struct rounds *r, const struct capacity_result *numbers)
{
    double now_Ah = judged_Ah(r, numbers), best_Ah = judged_Ah(r, &r->numbers);
    if (isnan(now_Ah) && isnan(best_Ah)) {
        return !(numbers->capacity_Ah <= r->numbers.capacity_Ah);
    }
    return isnan(best_Ah) || now_Ah > best_Ah;
}

/* Does this attempt take the place of the one chosen so far? One without a result never
 * does, and one that was cut short only where nothing better can come: it is at least
 * so good. */
static bool is_chosen(const struct rounds *r, const struct step_result *result)
{
    if (r->considered == 0 || r->counts == ATTEMPT_LAST) {
        return result->measured || r->considered == 0;
    }
    if (r->counts == ATTEMPT_BEST) {
        return result->measured && is_better(r, &result->numbers);
    }
    return result->measured && (!result->numbers.lower_bound || r->mean.n == 0);
}

void rounds_add(struct rounds *r, const struct run_step *step, const struct step_result *result,
                const struct round_facts *facts)
{
    if (step->plan_step != r->plan_step) {
        return;
    }
    list_add(r, result->document, facts);
    if (is_chosen(r, result)) {
        json_decref(r->chosen);
        r->chosen = json_incref(result->document);
        r->numbers = result->numbers;
    }
    if (!result->measured) {
        return;
    }
    r->considered++;
    if (result->numbers.lower_bound) {
        r->cut_short++;
    } else {
        attempt_mean_add(&r->mean, &result->numbers);
    }
}

/* Those that were cut short are left out of a mean, which must not be made of less than
 * the battery gave. */
static void put_mean(struct rounds *r, json_t *o)
{
    struct acceptance accept = step_acceptance(r->plan, r->plan_step);
    if (r->mean.n < 2) {
        return; /* the one there is, or a lower bound */
    }
    attempt_mean_finish(&r->mean, r->rated_Ah, &r->numbers);
    json_t *numbers = capacity_to_json(&r->numbers, &accept);
    json_object_del(numbers, "kind");
    json_object_update_new(o, numbers);
}

static json_t *attempts_of(const struct rounds *r, const json_t *chosen)
{
    if (!json_is_object(json_object_get(r->plan, "acceptance"))) {
        return json_null();
    }
    bool mean = r->counts == ATTEMPT_MEAN;
    json_t *round = mean ? NULL : json_object_get(chosen, "round");
    return json_pack("{s:s, s:I, s:I, s:o, s:o}", "counts", attempts_names[r->counts], "considered",
                     (json_int_t)(mean ? r->mean.n : r->considered), "cut_short",
                     (json_int_t)r->cut_short, "round",
                     round != NULL ? json_incref(round) : json_null(), "scatter_Ah",
                     json_number(attempt_scatter_Ah(&r->mean)));
}

json_t *rounds_finish(struct rounds *r)
{
    static const char *const own[] = {"step", "plan_step", "round",   "name",
                                      "kind", "start_s",   "ended_by"};
    json_t *o = r->chosen != NULL ? json_deep_copy(r->chosen) : json_object();
    json_t *name = json_object_get(r->chosen, "name");
    json_object_set_new(o, "attempts", attempts_of(r, r->chosen));
    if (r->counts == ATTEMPT_MEAN) {
        put_mean(r, o);
    }
    for (size_t i = 0; i < sizeof own / sizeof own[0]; i++) {
        json_object_del(o, own[i]);
    }
    json_object_set_new(o, "judged_step", name != NULL ? json_incref(name) : json_null());
    json_object_set_new(o, "rounds", r->list);
    json_decref(r->chosen);
    return o;
}
