/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/route: the table of what can be asked, and the search in it. */
#include "web/route.h"

#include "base/file.h"
#include "web/handlers.h"

#include <string.h>

static const char *const runs_query[] = {"battery", "limit", NULL};
static const char *const curve_query[] = {"points", "from", "to", NULL};

static const char *const trend_query[] = {"below", NULL};

static const struct route table[] = {
    {"GET", "/v1/daemon", PARAM_NONE, get_daemon, NULL},
    {"GET", "/v1/setup", PARAM_NONE, get_setup, NULL},
    {"GET", "/v1/messages", PARAM_NONE, get_messages, NULL},
    {"GET", "/v1/events", PARAM_NONE, get_events, NULL},
    {"GET", "/v1/session", PARAM_NONE, get_session, NULL},
    {"POST", "/v1/session", PARAM_NONE, post_session, NULL},
    {"POST", "/v1/session/end", PARAM_NONE, post_session_end, NULL},
    {"GET", "/v1/tokens", PARAM_NONE, get_tokens, NULL},
    {"POST", "/v1/tokens", PARAM_NONE, post_token, NULL},
    {"POST", "/v1/tokens/?/withdraw", PARAM_LABEL, post_token_withdraw, NULL},
    {"GET", "/v1/stands", PARAM_NONE, get_stands, NULL},
    {"GET", "/v1/stands/?", PARAM_LABEL, get_stand, NULL},
    {"POST", "/v1/stands/?/start", PARAM_LABEL, post_start, NULL},
    {"POST", "/v1/stands/?/confirm", PARAM_LABEL, post_confirm, NULL},
    {"POST", "/v1/stands/?/stop", PARAM_LABEL, post_stop, NULL},
    {"POST", "/v1/stands/?/clear", PARAM_LABEL, post_clear, NULL},
    {"POST", "/v1/stands/?/accept", PARAM_LABEL, post_accept, NULL},
    {"GET", "/v1/stands/?/queue", PARAM_LABEL, get_row, NULL},
    {"POST", "/v1/stands/?/queue", PARAM_LABEL, post_row, NULL},
    {"POST", "/v1/stands/?/queue/drop", PARAM_LABEL, post_row_drop, NULL},
    {"POST", "/v1/stands/?/queue/move", PARAM_LABEL, post_row_move, NULL},
    {"GET", "/v1/batteries", PARAM_NONE, get_batteries, NULL},
    {"POST", "/v1/batteries", PARAM_NONE, post_battery, NULL},
    {"GET", "/v1/batteries/?", PARAM_LABEL, get_battery, NULL},
    {"POST", "/v1/batteries/?/edit", PARAM_LABEL, post_edit, NULL},
    {"POST", "/v1/batteries/?/retire", PARAM_LABEL, post_retire, NULL},
    {"GET", "/v1/lots", PARAM_NONE, get_lots, NULL},
    {"GET", "/v1/lots/?", PARAM_LABEL, get_lot, NULL},
    {"GET", "/v1/batteries/?/trend", PARAM_LABEL, get_trend, trend_query},
    {"GET", "/v1/batteries/?/peaks", PARAM_LABEL, get_peaks, NULL},
    {"GET", "/v1/batteries/?/report", PARAM_LABEL, get_battery_report, trend_query},
    {"POST", "/v1/batteries/?/imports", PARAM_LABEL, post_import, NULL},
    {"POST", "/v1/imports/?/piece", PARAM_LABEL, post_import_piece, NULL},
    {"POST", "/v1/imports/?/finish", PARAM_LABEL, post_import_finish, NULL},
    {"POST", "/v1/imports/?/drop", PARAM_LABEL, post_import_drop, NULL},
    {"GET", "/v1/backup", PARAM_NONE, get_backup, NULL},
    {"GET", "/v1/lots/?/report", PARAM_LABEL, get_lot_report, NULL},
    {"POST", "/v1/lots/?/match", PARAM_LABEL, post_match, NULL},
    {"GET", "/v1/profiles", PARAM_NONE, get_profiles, NULL},
    {"POST", "/v1/plans", PARAM_NONE, post_plan, NULL},
    {"GET", "/v1/runs", PARAM_NONE, get_runs, runs_query},
    {"GET", "/v1/runs/?", PARAM_RUN, get_run, NULL},
    {"GET", "/v1/runs/?/recomputed", PARAM_RUN, get_recomputed, NULL},
    {"GET", "/v1/runs/?/report", PARAM_RUN, get_run_report, NULL},
    {"GET", "/v1/runs/?/samples", PARAM_RUN, get_samples, NULL},
    {"GET", "/v1/runs/?/whole", PARAM_RUN, get_run_whole, NULL},
    {"GET", "/v1/runs/?/curve", PARAM_RUN, get_curve, curve_query},
};

const struct route *route_table(size_t *n)
{
    *n = sizeof table / sizeof table[0];
    return table;
}

struct part {
    const char *text;
    size_t n;
};

/* True when path fits pattern; *varying becomes the part at `?`. */
static bool path_fits(const char *pattern, const char *path, struct part *varying)
{
    while (*pattern != '\0') {
        if (*pattern == '?') {
            varying->text = path;
            varying->n = strcspn(path, "/");
            if (varying->n == 0) {
                return false;
            }
            path += varying->n;
            pattern++;
        } else if (*pattern++ != *path++) {
            return false;
        }
    }
    return *path == '\0';
}

static bool method_fits(const struct route *r, const char *method)
{
    return strcmp(r->method, method) == 0 ||
           (strcmp(r->method, "GET") == 0 && strcmp(method, "HEAD") == 0);
}

static void allow_more(struct reply *out, const struct route *r)
{
    const char *more = strcmp(r->method, "GET") == 0 ? "GET, HEAD" : r->method;
    size_t n = strlen(out->allow);
    text_format(out->allow + n, sizeof out->allow - n, "%s%s", n > 0 ? ", " : "", more);
}

static bool decode_param(const struct part *varying, struct route_match *match, struct reply *out,
                         struct err *e)
{
    bool ok = percent_decode(varying->text, varying->n, match->param, sizeof match->param, e);
    if (ok && match->route->param == PARAM_LABEL) {
        ok = label_check(match->param, e);
    } else if (ok && match->route->param == PARAM_RUN) {
        ok = run_name_check(match->param, e);
    }
    out->status = ok ? out->status : HTTP_BAD_REQUEST;
    return ok;
}

bool route_find(const char *method, const char *path, struct route_match *match, struct reply *out,
                struct err *e)
{
    *match = (struct route_match){0};
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct part varying = {"", 0};
        if (!path_fits(table[i].pattern, path, &varying)) {
            continue;
        }
        if (method_fits(&table[i], method)) {
            match->route = &table[i];
            out->allow[0] = '\0';
            return decode_param(&varying, match, out, e);
        }
        allow_more(out, &table[i]);
    }
    if (out->allow[0] != '\0') {
        out->status = HTTP_METHOD_NOT_ALLOWED;
        return err_set(e, ERR_CONFIG, "%s is not possible here; allowed: %s", method, out->allow);
    }
    out->status = HTTP_NOT_FOUND;
    return err_set(e, ERR_NOT_FOUND, "there is nothing at %.200s; src/web/API.md lists all routes",
                   path);
}

static enum may needs_of(const struct route *r)
{
    static const struct {
        handler_fn *handle;
        enum may needs;
    } others[] = {
        {post_session, MAY_NOTHING},    {post_session_end, MAY_NOTHING}, {post_plan, MAY_READ},
        {post_match, MAY_READ},         {get_tokens, MAY_ALL},           {post_token, MAY_ALL},
        {post_token_withdraw, MAY_ALL},
    };
    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
        if (others[i].handle == r->handle) {
            return others[i].needs;
        }
    }
    return strcmp(r->method, "GET") == 0 ? MAY_READ : MAY_CHANGE;
}

enum may route_needs(const char *method, const char *path)
{
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct part varying = {"", 0};
        if (path_fits(table[i].pattern, path, &varying) && method_fits(&table[i], method)) {
            return needs_of(&table[i]);
        }
    }
    return MAY_READ;
}
