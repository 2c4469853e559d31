/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/matching: a lot's matched sets as a JSON document. */
#include "run/trend.h"

#include "analysis/capacity_json.h"
#include "analysis/match.h"
#include "base/file.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* --- who takes part --- */

struct candidates {
    const struct history_point **newest; /* n, NULL: left out */
    double *capacity_Ah, *resistance_mOhm;
    size_t *which; /* battery of each candidate */
    size_t count;
    json_t *left_out;
};

static const struct history_point *newest_of(const struct history *h, const char *label,
                                             const char **why)
{
    const struct history_point *best = NULL;
    *why = "it was not tested yet";
    for (size_t i = 0; i < h->count; i++) {
        const struct history_point *p = &h->points[i];
        if (strcmp(p->battery, label) == 0) {
            *why = p->left_out;
            best = p->left_out[0] == '\0' ? p : best;
        }
    }
    return best;
}

static void choose_candidates(struct candidates *c, const struct history *h,
                              const struct battery *batteries, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        const char *why = "it is retired";
        const struct history_point *p =
            batteries[i].retired_utc_ns == 0 ? newest_of(h, batteries[i].label, &why) : NULL;
        if (p == NULL) {
            json_array_append_new(
                c->left_out, json_pack("{s:s, s:s}", "battery", batteries[i].label, "why", why));
            continue;
        }
        c->newest[c->count] = p;
        c->capacity_Ah[c->count] = p->capacity_Ah;
        c->resistance_mOhm[c->count] = p->resistance_mOhm;
        c->which[c->count++] = i;
    }
}

static struct candidates candidates_new(size_t n)
{
    return (struct candidates){
        .newest = zalloc((n + 1) * sizeof(struct history_point *)),
        .capacity_Ah = zalloc((n + 1) * sizeof(double)),
        .resistance_mOhm = zalloc((n + 1) * sizeof(double)),
        .which = zalloc((n + 1) * sizeof(size_t)),
        .left_out = json_array(),
    };
}

static void candidates_free(struct candidates *c)
{
    free(c->newest);
    free(c->capacity_Ah);
    free(c->resistance_mOhm);
    free(c->which);
    json_decref(c->left_out);
}

/* --- the answer --- */

static json_t *spread_to_json(const struct match_spread *s)
{
    return json_pack("{s:o, s:o, s:o, s:o}", "cost", json_number(s->cost),
                     "capacity_spread_percent", json_number(s->capacity_percent),
                     "resistance_spread_percent", json_number(s->resistance_percent),
                     "worst_capacity_spread_percent", json_number(s->worst_capacity_percent));
}

static json_t *member_to_json(const struct candidates *c, size_t i)
{
    const struct history_point *p = c->newest[i];
    return json_pack("{s:s, s:I, s:o, s:o}", "battery", p->battery, "run", (json_int_t)p->nr,
                     "capacity_Ah", json_number(p->capacity_Ah), "resistance_mOhm",
                     json_number(p->resistance_mOhm));
}

static json_t *group_to_json(const struct candidates *c, const size_t *place, size_t group)
{
    json_t *members = json_array();
    double sum_Ah = 0, conductance = 0;
    for (size_t i = 0; i < c->count; i++) {
        if (place[i] == group) {
            json_array_append_new(members, member_to_json(c, i));
            sum_Ah += c->capacity_Ah[i];
            conductance += 1 / c->resistance_mOhm[i];
        }
    }
    return json_pack("{s:o, s:o, s:o}", "capacity_Ah", json_number(sum_Ah), "resistance_mOhm",
                     json_number(1 / conductance), "batteries", members);
}

static json_t *sets_to_json(const struct match_question *q, const struct candidates *c,
                            const struct match_answer *a, const size_t *place)
{
    json_t *sets = json_array();
    for (size_t set = 0; set < a->sets; set++) {
        json_t *groups = json_array();
        double least_Ah = INFINITY;
        for (size_t g = 0; g < q->series; g++) {
            json_t *group = group_to_json(c, place, set * q->series + g);
            least_Ah = fmin(least_Ah, json_number_value(json_object_get(group, "capacity_Ah")));
            json_array_append_new(groups, group);
        }
        struct match_spread spread = match_spread_of(q, place, set);
        json_t *o = spread_to_json(&spread);
        json_object_set_new(o, "capacity_Ah", json_number(least_Ah));
        json_object_set_new(o, "groups", groups);
        json_array_append_new(sets, o);
    }
    return sets;
}

static json_t *spares_to_json(const struct candidates *c, const size_t *place)
{
    json_t *spares = json_array();
    for (size_t i = 0; i < c->count; i++) {
        if (place[i] == MATCH_SPARE) {
            json_array_append_new(spares, member_to_json(c, i));
        }
    }
    return spares;
}

static bool match_to_json(const struct candidates *c, const struct match_wanted *w, json_t **out,
                          struct err *e)
{
    struct match_question q = {.capacity_Ah = c->capacity_Ah,
                               .resistance_ohm = c->resistance_mOhm, /* only their ratios count */
                               .n = c->count,
                               .series = (size_t)w->series,
                               .parallel = (size_t)w->parallel,
                               .sets = (size_t)w->sets};
    struct match_answer a;
    size_t *place = zalloc((c->count + 1) * sizeof *place);
    bool ok = match_sets(&q, &a, place);
    if (ok) {
        *out =
            json_pack("{s:s, s:i, s:i, s:f, s:f, s:b, s:b, s:o, s:o, s:o, s:o}", "lot", w->lot,
                      "series", w->series, "parallel", w->parallel, "resistance_weight",
                      MATCH_RESISTANCE_WEIGHT, "within_weight", MATCH_WITHIN_WEIGHT,
                      "resistance_counted", a.resistance_counted, "complete", a.complete, "matched",
                      spread_to_json(&a.matched), "by_sorting", spread_to_json(&a.sorted), "sets",
                      sets_to_json(&q, c, &a, place), "spare", spares_to_json(c, place));
        json_object_set(*out, "left_out", c->left_out);
    } else {
        err_set(e, ERR_REFUSED,
                "the lot %s has %zu batter%s with a comparable result, and %d x %d x %d are "
                "wanted: test more of them the same way, or ask for less",
                w->lot, c->count, c->count == 1 ? "y" : "ies", w->sets > 0 ? w->sets : 1, w->series,
                w->parallel);
    }
    free(place);
    return ok;
}

bool match_compute(struct reader *r, const struct battery *batteries, size_t n,
                   const struct match_wanted *wanted, json_t **out, struct err *e)
{
    struct history h = {0};
    bool ok = true;
    for (size_t i = 0; ok && i < n; i++) {
        ok = history_read(r, batteries[i].label, &h, e);
    }
    if (ok) {
        struct candidates c = candidates_new(n);
        history_settle(&h);
        choose_candidates(&c, &h, batteries, n);
        ok = match_to_json(&c, wanted, out, e);
        candidates_free(&c);
    }
    history_free(&h);
    return ok;
}
