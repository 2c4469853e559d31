/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_batteries: the battery register. */
#include "base/file.h"
#include "profile/chemistry.h"
#include "web/body.h"
#include "web/handlers.h"
#include "web/lookup.h"
#include "web/route.h"
#include "web/shapes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

bool get_batteries(const struct request *q, struct reply *out, struct err *e)
{
    struct battery *rows = NULL;
    size_t n = 0;
    if (!store_battery_list(q->config->store, &rows, &n, e)) {
        return false;
    }
    json_t *list = json_array();
    for (size_t i = 0; i < n; i++) {
        json_array_append_new(list, battery_to_json(&rows[i]));
    }
    free(rows);
    out->body = json_pack("{s:o}", "batteries", list);
    return true;
}

#define FACTS 9

/* What a record holds besides label, chemistry and cells. */
static void facts_of(struct battery *b, struct body_field out[FACTS])
{
    const struct body_field fields[FACTS] = {
        {"rated_Ah", BODY_POSITIVE, false, &b->rated_Ah, 0},
        {"rated_hours", BODY_POSITIVE, false, &b->rated_hours, 0},
        {"rated_cutoff_V", BODY_POSITIVE, false, &b->rated_cutoff_V, 0},
        {"current_max_A", BODY_POSITIVE, false, &b->current_max_A, 0},
        {"charge_current_max_A", BODY_POSITIVE, false, &b->charge_current_max_A, 0},
        {"temperature_max_C", BODY_NUMBER, false, &b->temperature_max_C, 0},
        {"lot", BODY_TEXT, false, b->lot, sizeof b->lot},
        {"note", BODY_TEXT, false, b->note, sizeof b->note},
        {"label", BODY_TEXT, false, b->label, sizeof b->label},
    };
    memcpy(out, fields, sizeof fields);
}

/* A lot stands in addresses, as a label does. */
static bool check_record(struct battery *b, const char *chemistry, struct err *e)
{
    return label_check(b->label, e) &&
           (b->lot[0] == '\0' || label_check(b->lot, e) || err_prefix(e, "lot")) &&
           chemistry_parse(chemistry, &b->chemistry, e) && battery_check(b, e);
}

static bool read_battery(const json_t *body, struct battery *b, struct err *e)
{
    char chemistry[32] = "";
    struct body_field fields[FACTS + 2] = {
        [FACTS] = {"chemistry", BODY_TEXT, true, chemistry, sizeof chemistry},
        [FACTS + 1] = {"cells", BODY_COUNT, true, &b->cells, 0},
    };
    facts_of(b, fields);
    fields[FACTS - 1].required = true; /* the label */
    return body_read(body, fields, FACTS + 2, e) && check_record(b, chemistry, e);
}

bool post_battery(const struct request *q, struct reply *out, struct err *e)
{
    struct battery b = battery_blank();
    b.created_utc_ns = lookup_utc_now(q->config);
    if (!read_battery(q->body, &b, e) || !store_battery_add(q->config->store, &b, e)) {
        return false;
    }
    out->status = HTTP_CREATED;
    out->body = battery_to_json(&b);
    return true;
}

bool get_battery(const struct request *q, struct reply *out, struct err *e)
{
    struct battery b;
    json_t *runs = NULL;
    if (!store_battery_find(q->config->store, q->param, &b, e) ||
        !lookup_runs(q->config, b.label, 0, &runs, e)) {
        return false;
    }
    out->body = battery_to_json(&b);
    json_object_set_new(out->body, "runs", runs);
    return true;
}

bool post_retire(const struct request *q, struct reply *out, struct err *e)
{
    struct battery b;
    struct run_claim claim = {.battery = q->param, .doing = "being retired"};
    if (!body_read(q->body, NULL, 0, e) || !run_host_claim(q->config->host, &claim, e)) {
        return false;
    }
    bool ok = store_battery_retire(q->config->store, q->param, lookup_utc_now(q->config), e) &&
              store_battery_find(q->config->store, q->param, &b, e);
    run_host_release(q->config->host, &claim);
    out->body = ok ? battery_to_json(&b) : NULL;
    return ok;
}

/* --- corrections --- */

/* A number or text that the record does not have any more. */
static bool forget_one(const struct body_field *f, struct err *e)
{
    if (f->kind == BODY_TEXT && strcmp(f->name, "label") != 0) {
        *(char *)f->out = '\0';
    } else if (f->kind == BODY_POSITIVE || f->kind == BODY_NUMBER) {
        *(double *)f->out = NAN;
    } else {
        return err_set(e, ERR_CONFIG, "a battery cannot be without \"%s\"", f->name);
    }
    return true;
}

static bool forget(const json_t *names, const struct body_field *fields, struct err *e)
{
    for (size_t i = 0; i < json_array_size(names); i++) {
        const char *name = json_string_value(json_array_get(names, i));
        size_t k = 0;
        while (name != NULL && k < FACTS && strcmp(fields[k].name, name) != 0) {
            k++;
        }
        if (name == NULL || k == FACTS) {
            return err_set(e, ERR_CONFIG,
                           "\"forget\" names what is to be unknown again, e.g. [\"rated_hours\"]; "
                           "\"%.40s\" is none of that",
                           name != NULL ? name : "a value without quotes");
        }
        if (!forget_one(&fields[k], e)) {
            return false;
        }
    }
    return true;
}

static bool read_correction(const json_t *body, struct battery *b, struct err *e)
{
    char chemistry[32];
    const json_t *names = NULL;
    struct body_field fields[FACTS + 3] = {
        [FACTS] = {"chemistry", BODY_TEXT, false, chemistry, sizeof chemistry},
        [FACTS + 1] = {"cells", BODY_COUNT, false, &b->cells, 0},
        [FACTS + 2] = {"forget", BODY_LIST, false, &names, 0},
    };
    strcpy(chemistry, chemistry_names[b->chemistry]);
    facts_of(b, fields);
    return body_read(body, fields, FACTS + 3, e) && forget(names, fields, e) &&
           check_record(b, chemistry, e);
}

/* Its run is found by the label. */
static bool refuse_at_work(const struct web_config *c, const char *label, struct err *e)
{
    char stand[LABEL_SIZE];
    return !run_host_has(c->host, label, stand) ||
           err_set(e, ERR_REFUSED, "%s is under test at %s; correct its record afterwards", label,
                   stand);
}

bool post_edit(const struct request *q, struct reply *out, struct err *e)
{
    struct battery b;
    struct run_claim claim = {.battery = q->param, .doing = "being corrected"};
    if (!run_host_claim(q->config->host, &claim, e)) {
        return false;
    }
    bool ok = store_battery_find(q->config->store, q->param, &b, e) &&
              refuse_at_work(q->config, b.label, e) && read_correction(q->body, &b, e) &&
              store_battery_edit(q->config->store, &b, lookup_utc_now(q->config), e);
    run_host_release(q->config->host, &claim);
    if (!ok) {
        return false;
    }
    for (size_t i = 0; i < run_host_count(q->config->host); i++) {
        run_host_row_changed(q->config->host, i); /* it may be asked for by its label */
    }
    out->body = battery_to_json(&b);
    return true;
}
