/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_row: the row of batteries that wait at a stand. */
#include "base/file.h"
#include "store/row.h"
#include "web/body.h"
#include "web/handlers.h"
#include "web/lookup.h"
#include "web/route.h"
#include "web/shapes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LEFT_SHOWN 20

static json_t *place_to_json(const struct row_place *p)
{
    bool has_run = p->run_nr != 0;
    return json_pack("{s:I, s:o, s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "id",
                     (json_int_t)p->nr, "place",
                     p->place > 0 ? json_integer(p->place) : json_null(), "battery",
                     text_to_json(p->battery), "profile", text_to_json(p->profile), "state",
                     row_state_names[p->state], "added_utc", utc_to_json(p->added_utc_ns),
                     "added_by", text_to_json(p->added_by), "asked_utc",
                     utc_to_json(p->asked_utc_ns), "ended_utc", utc_to_json(p->ended_utc_ns), "run",
                     has_run ? json_integer((json_int_t)p->run_nr) : json_null(), "run_id",
                     text_to_json(p->run_id), "outcome",
                     has_run ? json_string(run_outcome_names[p->outcome]) : json_null(), "reason",
                     text_to_json(p->reason));
}

/* What waits, and what became of those before; the answer of all routes here. */
static bool answer_row(const struct request *q, struct reply *out, struct err *e)
{
    struct row_place *places = NULL;
    size_t n = 0;
    if (!store_row_list(q->config->store, q->param, LEFT_SHOWN, &places, &n, e)) {
        return false;
    }
    json_t *waiting = json_array();
    json_t *left = json_array();
    for (size_t i = 0; i < n; i++) {
        json_array_append_new(places[i].place > 0 ? waiting : left, place_to_json(&places[i]));
    }
    free(places);
    out->body = json_pack("{s:o, s:o, s:o}", "stand", text_to_json(q->param), "waiting", waiting,
                          "before", left);
    return true;
}

/* The stand learns of it, too. */
static bool changed(const struct request *q, size_t index, struct reply *out, struct err *e)
{
    run_host_row_changed(q->config->host, index);
    return answer_row(q, out, e);
}

static bool stand_index(const struct request *q, size_t *index, struct err *e)
{
    return run_host_find(q->config->host, q->param, index, e);
}

bool get_row(const struct request *q, struct reply *out, struct err *e)
{
    size_t index = 0;
    return stand_index(q, &index, e) && answer_row(q, out, e);
}

/* --- adding --- */

struct addition {
    char profile[ROW_PROFILE_SIZE], lot[LABEL_SIZE], by[LABEL_SIZE];
    const json_t *labels; /* borrowed; NULL: a lot */
    struct battery *batteries;
    size_t count;
};

static bool take_battery(struct addition *a, const struct battery *b, struct err *e)
{
    if (b->retired_utc_ns != 0) {
        return err_set(e, ERR_REFUSED, "battery \"%s\" was retired; nothing was added", b->label);
    }
    a->batteries[a->count++] = *b;
    return true;
}

static bool take_labels(const struct request *q, struct addition *a, struct err *e)
{
    size_t n = json_array_size(a->labels);
    a->batteries = zalloc((n + 1) * sizeof *a->batteries);
    if (n == 0 || n > ROW_WAITING_MOST) {
        return err_set(e, ERR_CONFIG, "\"batteries\" must be a list of 1 to %d labels",
                       ROW_WAITING_MOST);
    }
    for (size_t i = 0; i < n; i++) {
        const char *label = json_string_value(json_array_get(a->labels, i));
        struct battery b;
        if (label == NULL) {
            return err_set(e, ERR_CONFIG,
                           "\"batteries\" must be a list of labels, texts in quotes");
        }
        if (!label_check(label, e) || !store_battery_find(q->config->store, label, &b, e) ||
            !take_battery(a, &b, e)) {
            return false;
        }
    }
    return true;
}

/* In order of their labels, without those that are retired. */
static bool take_lot(const struct request *q, struct addition *a, struct err *e)
{
    size_t n = 0;
    if (!lookup_lot(q->config, a->lot, &a->batteries, &n, e)) {
        return false;
    }
    for (size_t i = 0; i < n; i++) {
        if (a->batteries[i].retired_utc_ns == 0) {
            a->batteries[a->count++] = a->batteries[i];
        }
    }
    return a->count > 0 ||
           err_set(e, ERR_REFUSED, "every battery of the lot \"%s\" was retired", a->lot);
}

/* What is wrong whatever hangs at the stand is better told now than at night. */
static bool plan_each(const struct request *q, const struct addition *a, size_t index,
                      struct err *e)
{
    struct profile *profile = NULL;
    struct stand_facts facts;
    bool ok = lookup_profile(q->config, a->profile, &profile, e);
    run_host_facts(q->config->host, index, &facts);
    facts.present_voltage_V = facts.present_temperature_C = NAN; /* of what hangs there now */
    for (size_t i = 0; ok && i < a->count; i++) {
        struct plan *plan = NULL;
        ok = plan_make(profile, &a->batteries[i], &facts, &plan, e);
        if (ok && plan->problems.count > 0) {
            ok = err_set(e, ERR_CONFIG, "%s: %s; nothing was added", a->batteries[i].label,
                         plan->problems.text[0]);
        }
        plan_free(plan);
    }
    profile_free(profile);
    return ok;
}

static bool add_all(const struct request *q, struct addition *a, size_t index, struct err *e)
{
    if (!(a->labels != NULL ? take_labels(q, a, e) : take_lot(q, a, e)) ||
        !plan_each(q, a, index, e)) {
        return false;
    }
    const struct row_wanted wanted = {.stand = q->param,
                                      .profile = a->profile,
                                      .added_by = a->by,
                                      .batteries = a->batteries,
                                      .count = a->count,
                                      .utc_ns = lookup_utc_now(q->config)};
    return store_row_add(q->config->store, &wanted, e);
}

bool post_row(const struct request *q, struct reply *out, struct err *e)
{
    struct addition a = {0};
    size_t index = 0;
    const struct body_field fields[] = {
        {"profile", BODY_TEXT, true, a.profile, sizeof a.profile},
        {"batteries", BODY_LIST, false, &a.labels, 0},
        {"lot", BODY_TEXT, false, a.lot, sizeof a.lot},
        {"by", BODY_TEXT, false, a.by, sizeof a.by},
    };
    bool ok = body_read(q->body, fields, 4, e) && stand_index(q, &index, e);
    if (ok && (a.labels == NULL) == (a.lot[0] == '\0')) {
        ok = err_set(e, ERR_CONFIG, "give \"batteries\", a list of labels, or \"lot\"");
    }
    ok = ok && add_all(q, &a, index, e) && changed(q, index, out, e);
    out->status = ok ? HTTP_CREATED : out->status;
    free(a.batteries);
    return ok;
}

/* --- changing --- */

/* Which of those that wait: by its id, its place or, where it waits once, its battery. */
struct pointing {
    int64_t id; /* 0 not given */
    int place;  /* 0 not given */
    char battery[LABEL_SIZE];
};
#define POINTING_FIELDS 3

static void pointing_fields(struct pointing *w, struct body_field out[POINTING_FIELDS])
{
    const struct body_field fields[POINTING_FIELDS] = {
        {"id", BODY_ID, false, &w->id, 0},
        {"place", BODY_COUNT, false, &w->place, 0},
        {"battery", BODY_TEXT, false, w->battery, sizeof w->battery},
    };
    memcpy(out, fields, sizeof fields);
}

static bool fits(const struct pointing *w, const struct row_place *p)
{
    if (p->place == 0) {
        return false;
    }
    if (w->id > 0 || w->place > 0) {
        return w->id > 0 ? p->nr == w->id : p->place == w->place;
    }
    return strcmp(p->battery, w->battery) == 0;
}

static bool find_place(const struct request *q, const struct pointing *w, struct row_place *out,
                       struct err *e)
{
    struct row_place *places = NULL;
    size_t n = 0, found = 0;
    if ((w->id > 0) + (w->place > 0) + (w->battery[0] != '\0') != 1) {
        return err_set(e, ERR_CONFIG,
                       "give one of \"id\", \"place\", a number from 1, or \"battery\", a label");
    }
    if (!store_row_list(q->config->store, q->param, 0, &places, &n, e)) {
        return false;
    }
    for (size_t i = 0; i < n; i++) {
        if (fits(w, &places[i])) {
            *out = places[i];
            found++;
        }
    }
    free(places);
    if (found > 1) {
        return err_set(e, ERR_CONFIG, "%s waits %zu times at %s: give its place", w->battery, found,
                       q->param);
    }
    if (found == 0 && w->id > 0) {
        return err_set(e, ERR_NOT_FOUND, "that one does not wait at %s any more", q->param);
    }
    if (found == 0 && w->place > 0) {
        return err_set(e, ERR_NOT_FOUND, "nothing waits at %s in place %d; %zu wait in all",
                       q->param, w->place, n);
    }
    return found == 1 || err_set(e, ERR_NOT_FOUND, "%s does not wait at %s", w->battery, q->param);
}

bool post_row_drop(const struct request *q, struct reply *out, struct err *e)
{
    struct pointing w = {0};
    struct row_place place;
    char why[ROW_REASON_SIZE] = "";
    size_t index = 0;
    struct body_field fields[POINTING_FIELDS + 1] = {
        [POINTING_FIELDS] = {"reason", BODY_TEXT, false, why, sizeof why},
    };
    pointing_fields(&w, fields);
    return body_read(q->body, fields, 4, e) && stand_index(q, &index, e) &&
           find_place(q, &w, &place, e) &&
           store_row_drop(q->config->store, place.nr, why, lookup_utc_now(q->config), e) &&
           changed(q, index, out, e);
}

bool post_row_move(const struct request *q, struct reply *out, struct err *e)
{
    struct pointing w = {0};
    struct row_place place;
    int to = 0;
    size_t index = 0;
    struct body_field fields[POINTING_FIELDS + 1] = {
        [POINTING_FIELDS] = {"to", BODY_COUNT, true, &to, 0},
    };
    pointing_fields(&w, fields);
    return body_read(q->body, fields, 4, e) && stand_index(q, &index, e) &&
           find_place(q, &w, &place, e) && store_row_move(q->config->store, &place, to, e) &&
           changed(q, index, out, e);
}
