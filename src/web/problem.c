/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/problem: errors as problem documents (RFC 9457). `type` stays about:blank,
 * so `title` is the text of the status, as section 4.2.1 asks; `code` is what a
 * program acts on and `detail` what a person reads. */
#include "web/http.h"

unsigned problem_status(enum err_code code)
{
    switch (code) {
    case ERR_CONFIG:
        return HTTP_BAD_REQUEST;
    case ERR_NOT_FOUND:
        return HTTP_NOT_FOUND;
    case ERR_REFUSED:
        return HTTP_CONFLICT;
    case ERR_STORE:
        return HTTP_UNAVAILABLE;
    case ERR_NONE:
    case ERR_TIMEOUT:
    case ERR_INTERRUPTED:
    case ERR_LINK_LOST:
    case ERR_BAD_REPLY:
    case ERR_INSTRUMENT:
    case ERR_SYSTEM:
    case ERR_BUG:
        break;
    }
    return HTTP_INTERNAL;
}

const char *http_title(unsigned status)
{
    static const struct {
        unsigned status;
        const char *title;
    } titles[] = {
        {HTTP_OK, "OK"},
        {HTTP_CREATED, "Created"},
        {HTTP_BAD_REQUEST, "Bad Request"},
        {HTTP_UNAUTHORIZED, "Unauthorized"},
        {HTTP_FORBIDDEN, "Forbidden"},
        {HTTP_NOT_FOUND, "Not Found"},
        {HTTP_METHOD_NOT_ALLOWED, "Method Not Allowed"},
        {HTTP_CONFLICT, "Conflict"},
        {HTTP_TOO_LARGE, "Content Too Large"},
        {HTTP_WRONG_TYPE, "Unsupported Media Type"},
        {HTTP_TOO_MANY, "Too Many Requests"},
        {HTTP_UNAVAILABLE, "Service Unavailable"},
    };
    for (size_t i = 0; i < sizeof titles / sizeof titles[0]; i++) {
        if (titles[i].status == status) {
            return titles[i].title;
        }
    }
    return "Internal Server Error";
}

json_t *problem_to_json(unsigned status, const struct err *e)
{
    json_t *detail = json_string(e->text);
    if (detail == NULL) { /* not UTF-8, e.g. a broken reply quoted */
        detail = json_string("the reason holds bytes that cannot be shown; see the daemon's log");
    }
    return json_pack("{s:s, s:s, s:i, s:o, s:s}", "type", "about:blank", "title",
                     http_title(status), "status", (int)status, "detail", detail, "code",
                     err_code_name(e->code));
}
