/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_session: tokens made and withdrawn, and a browser that has shown one. Its page
 * keeps it as a cookie, since events and downloads go out without a header of ours; no script
 * can read that cookie, and no other site makes a browser send it. */
#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "web/body.h"
#include "web/door.h"
#include "web/handlers.h"
#include "web/lookup.h"
#include "web/route.h"
#include "web/shapes.h"

#include <string.h>

#define KEEP_DAYS 180

static json_t *session_to_json(const struct caller *who)
{
    return json_pack("{s:b, s:o, s:s}", "token_needed", who->token_needed, "name",
                     text_to_json(who->token.name), "may",
                     may_word(who->may == MAY_ALL ? MAY_CHANGE : who->may));
}

bool get_session(const struct request *q, struct reply *out, struct err *e)
{
    (void)e;
    out->body = session_to_json(&q->caller);
    return true;
}

static void set_cookie(const struct caller *who, const char *text, long keep_s, struct reply *out)
{
    char name[COOKIE_NAME_SIZE], age[32] = "";
    door_cookie_name(who->port, name);
    if (keep_s >= 0) {
        text_format(age, sizeof age, "; Max-Age=%ld", keep_s);
    }
    text_format(out->cookie, sizeof out->cookie, "%s=%s; Path=/; HttpOnly; SameSite=Strict%s%s",
                name, text, who->is_secret ? "; Secure" : "", age);
}

bool post_session(const struct request *q, struct reply *out, struct err *e)
{
    char text[128] = "";
    bool keep = false;
    const struct body_field fields[] = {{"token", BODY_TEXT, true, text, sizeof text},
                                        {"keep", BODY_FLAG, false, &keep, 0}};
    struct caller who = q->caller;
    if (!body_read(q->body, fields, 2, e) || !door_know(q->config->door, text, &who, out, e)) {
        return false;
    }
    who.may = who.token.may;
    set_cookie(&who, text, keep ? KEEP_DAYS * 86400L : -1, out);
    out->body = session_to_json(&who);
    return true;
}

bool post_session_end(const struct request *q, struct reply *out, struct err *e)
{
    if (!body_read(q->body, NULL, 0, e)) {
        return false;
    }
    set_cookie(&q->caller, "", 0, out);
    out->body = json_object();
    return true;
}

bool get_tokens(const struct request *q, struct reply *out, struct err *e)
{
    (void)e;
    out->body = tokens_to_json(door_tokens(q->config->door));
    return true;
}

bool post_token(const struct request *q, struct reply *out, struct err *e)
{
    struct token_holder wanted = {.may = MAY_READ};
    char may[16] = "", text[TOKEN_TEXT_SIZE];
    const struct body_field fields[] = {
        {"name", BODY_TEXT, true, wanted.name, sizeof wanted.name},
        {"may", BODY_TEXT, true, may, sizeof may},
    };
    if (!body_read(q->body, fields, 2, e) || !label_check(wanted.name, e)) {
        return false;
    }
    wanted.may = may_parse(may);
    if (wanted.may == MAY_NOTHING) {
        return err_set(e, ERR_CONFIG, "\"may\" is read or change, not \"%s\"", may);
    }
    if (!tokens_make(door_tokens(q->config->door), &wanted, clock_real_utc_ns(), text, e)) {
        return false;
    }
    log_info("the token \"%s\" was made; it may %s", wanted.name, may_word(wanted.may));
    out->status = HTTP_CREATED;
    out->body = json_pack("{s:s, s:s, s:s}", "name", wanted.name, "may", may_word(wanted.may),
                          "token", text);
    return true;
}

bool post_token_withdraw(const struct request *q, struct reply *out, struct err *e)
{
    if (!body_read(q->body, NULL, 0, e) || !door_withdraw(q->config->door, q->param, e)) {
        return false;
    }
    log_info("the token \"%s\" was withdrawn", q->param);
    return get_tokens(q, out, e);
}
