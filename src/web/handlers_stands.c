/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_stands: the daemon, its stands, and the orders given to them. */
#include "analysis/capacity_json.h"
#include "base/file.h"
#include "base/version.h"
#include "web/body.h"
#include "web/door.h"
#include "web/handlers.h"
#include "web/lookup.h"
#include "web/shapes.h"

#include <math.h>

static double clock_speed_of(const struct web_config *c)
{
    if (c->clock != NULL) {
        return clock_speed(c->clock);
    }
    return c->bench->virtual_control[0] == '\0' ? 1.0 : (double)NAN;
}

/* What is wrong with the page: not opened, or open and nobody can come in yet. */
static json_t *http_problem_of(const struct web_config *c)
{
    struct err why = {0};
    if (c->http_problem[0] != '\0' || c->http->address[0] == '\0' ||
        door_has_key(door_tokens(c->door), c->http, true, &why)) {
        return text_to_json(c->http_problem);
    }
    return text_to_json(why.text);
}

bool get_daemon(const struct request *q, struct reply *out, struct err *e)
{
    (void)e;
    const struct web_config *c = q->config;
    struct err why = {0};
    bool late = store_is_late(c->store, &why);
    bool recording = !late || store_is_recording(c->store, &why);
    out->body = json_pack(
        "{s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:I, s:b, s:o}", "version", AMPLEDGER_VERSION,
        "bench", text_to_json(c->bench->title), "bench_file", text_to_json(c->bench->path),
        "database", text_to_json(store_path(c->store)), "socket", text_to_json(c->socket_path),
        "http", text_to_json(c->http->address), "http_problem", http_problem_of(c), "clock_speed",
        json_number(clock_speed_of(c)), "stands", (json_int_t)run_host_count(c->host), "recording",
        recording, "recording_problem", text_to_json(why.text));
    return true;
}

static json_t *stand_at(const struct web_config *c, size_t index)
{
    struct stand_status s;
    run_host_status(c->host, index, &s);
    return stand_to_json(&s);
}

bool get_stands(const struct request *q, struct reply *out, struct err *e)
{
    (void)e;
    json_t *list = json_array();
    for (size_t i = 0; i < run_host_count(q->config->host); i++) {
        json_array_append_new(list, stand_at(q->config, i));
    }
    out->body = json_pack("{s:o}", "stands", list);
    return true;
}

bool get_stand(const struct request *q, struct reply *out, struct err *e)
{
    size_t index = 0;
    if (!run_host_find(q->config->host, q->param, &index, e)) {
        return false;
    }
    out->body = stand_at(q->config, index);
    return true;
}

static bool begin_by(const struct request *q, const struct test_wanted *wanted,
                     char run_id[UUID_TEXT_SIZE], struct err *e)
{
    struct test_parts parts = {0};
    bool ok = test_parts_load(q->config, wanted, &parts, e);
    if (ok && parts.battery.retired_utc_ns != 0) {
        ok = err_set(e, ERR_REFUSED,
                     "battery \"%s\" was retired; register it under a new label to test it again",
                     parts.battery.label);
    }
    struct run_request r = {.stand = q->param, .profile = parts.profile, .battery = &parts.battery};
    ok = ok && run_host_begin(q->config->host, &r, run_id, e);
    test_parts_free(&parts);
    return ok;
}

/* From reading its record until it is under test nobody corrects it or starts it elsewhere. */
static bool begin(const struct request *q, const struct test_wanted *wanted,
                  char run_id[UUID_TEXT_SIZE], struct err *e)
{
    struct run_claim claim = {.battery = wanted->battery, .doing = "being started"};
    if (!run_host_claim(q->config->host, &claim, e)) {
        return false;
    }
    bool ok = begin_by(q, wanted, run_id, e);
    run_host_release(q->config->host, &claim);
    return ok;
}

bool post_start(const struct request *q, struct reply *out, struct err *e)
{
    struct test_wanted wanted = {0};
    const struct body_field fields[] = {
        {"profile", BODY_TEXT, true, wanted.profile, sizeof wanted.profile},
        {"battery", BODY_TEXT, true, wanted.battery, sizeof wanted.battery},
    };
    size_t index = 0;
    char run_id[UUID_TEXT_SIZE] = "";
    if (!body_read(q->body, fields, 2, e) || !run_host_find(q->config->host, q->param, &index, e) ||
        !begin(q, &wanted, run_id, e)) {
        return false;
    }
    out->status = HTTP_CREATED;
    if (!text_format(out->location, sizeof out->location, "/v1/runs/%s", run_id)) {
        return err_set(e, ERR_BUG, "the address of run %s does not fit", run_id);
    }
    out->body = json_pack("{s:s}", "run", run_id);
    return true;
}

/* Stop and clear: nothing in the body, the stand as it is afterwards in the answer. */
static bool order(const struct request *q, struct reply *out,
                  bool give(struct run_host *, const char *, struct err *), struct err *e)
{
    size_t index = 0;
    if (!body_read(q->body, NULL, 0, e) || !run_host_find(q->config->host, q->param, &index, e) ||
        !give(q->config->host, q->param, e)) {
        return false;
    }
    out->body = stand_at(q->config, index);
    return true;
}

/* `run` in the answer: the one that began with it, of the next battery of the row. */
bool post_confirm(const struct request *q, struct reply *out, struct err *e)
{
    char battery[LABEL_SIZE] = "";
    struct run_confirmation said = {.stand = q->param, .battery = battery};
    const struct body_field fields[] = {
        {"battery", BODY_TEXT, false, battery, sizeof battery},
        {"anyway", BODY_FLAG, false, &said.anyway, 0},
    };
    char run_id[UUID_TEXT_SIZE] = "";
    size_t index = 0;
    if (!body_read(q->body, fields, 2, e) || !run_host_find(q->config->host, q->param, &index, e) ||
        !run_host_confirm(q->config->host, &said, run_id, e)) {
        return false;
    }
    out->body = stand_at(q->config, index);
    json_object_set_new(out->body, "begun", text_to_json(run_id));
    return true;
}

bool post_stop(const struct request *q, struct reply *out, struct err *e)
{
    return order(q, out, run_host_end, e);
}

bool post_clear(const struct request *q, struct reply *out, struct err *e)
{
    return order(q, out, run_host_clear, e);
}

bool post_accept(const struct request *q, struct reply *out, struct err *e)
{
    return order(q, out, run_host_accept, e);
}
