/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_batteries: the battery register. */
#include "base/file.h"
#include "profile/chemistry.h"
#include "web/body.h"
#include "web/handlers.h"
#include "web/lookup.h"
#include "web/route.h"
#include "web/shapes.h"

#include <stdlib.h>
#include <string.h>

/* Label of the test clock, so that a virtual bench has one time only. */
static int64_t utc_now(const struct web_config *c)
{
    return c->clock != NULL ? clock_utc_ns(c->clock) : clock_real_utc_ns();
}

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

static bool read_battery(const json_t *body, struct battery *b, struct err *e)
{
    char chemistry[32] = "";
    const struct body_field fields[] = {
        {"label", BODY_TEXT, true, b->label, sizeof b->label},
        {"chemistry", BODY_TEXT, true, chemistry, sizeof chemistry},
        {"cells", BODY_COUNT, true, &b->cells, 0},
        {"rated_Ah", BODY_POSITIVE, false, &b->rated_Ah, 0},
        {"rated_hours", BODY_POSITIVE, false, &b->rated_hours, 0},
        {"rated_cutoff_V", BODY_POSITIVE, false, &b->rated_cutoff_V, 0},
        {"current_max_A", BODY_POSITIVE, false, &b->current_max_A, 0},
        {"temperature_max_C", BODY_NUMBER, false, &b->temperature_max_C, 0},
        {"lot", BODY_TEXT, false, b->lot, sizeof b->lot},
        {"note", BODY_TEXT, false, b->note, sizeof b->note},
    };
    return body_read(body, fields, sizeof fields / sizeof fields[0], e) &&
           label_check(b->label, e) && chemistry_parse(chemistry, &b->chemistry, e) &&
           battery_check(b, e);
}

bool post_battery(const struct request *q, struct reply *out, struct err *e)
{
    struct battery b = battery_blank();
    b.created_utc_ns = utc_now(q->config);
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
    if (!body_read(q->body, NULL, 0, e) ||
        !store_battery_retire(q->config->store, q->param, utc_now(q->config), e) ||
        !store_battery_find(q->config->store, q->param, &b, e)) {
        return false;
    }
    out->body = battery_to_json(&b);
    return true;
}
