/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/access: the rules. Names are compared without regard to case, as DNS does. */
#include "web/access.h"

#include "base/file.h"

#include <string.h>
#include <strings.h>

#define JSON_TYPE "application/json"

/* "NAME:PORT", or "NAME" alone on port 80. */
static bool is_ours(const char *host, int port)
{
    static const char *const names[] = {"127.0.0.1", "localhost", "[::1]"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        char full[32];
        text_format(full, sizeof full, "%s:%d", names[i], port);
        if (strcasecmp(host, full) == 0 || (port == 80 && strcasecmp(host, names[i]) == 0)) {
            return true;
        }
    }
    return false;
}

static bool is_same_origin(const char *origin, const char *host)
{
    static const char scheme[] = "http://";
    size_t n = strlen(scheme);
    return strncasecmp(origin, scheme, n) == 0 && strcasecmp(origin + n, host) == 0;
}

static bool is_json(const char *content_type)
{
    size_t n = strlen(JSON_TYPE);
    return content_type != NULL && strncasecmp(content_type, JSON_TYPE, n) == 0 &&
           (content_type[n] == '\0' || content_type[n] == ';' || content_type[n] == ' ');
}

static bool changes(const char *method)
{
    return strcmp(method, "GET") != 0 && strcmp(method, "HEAD") != 0;
}

static bool comes_from_elsewhere(const char *fetch_site)
{
    return fetch_site != NULL && strcmp(fetch_site, "same-origin") != 0 &&
           strcmp(fetch_site, "none") != 0;
}

bool access_check(const struct access_facts *f, struct reply *out, struct err *e)
{
    out->status = HTTP_FORBIDDEN;
    if (f->host == NULL || !is_ours(f->host, f->port)) {
        return err_set(e, ERR_REFUSED,
                       "asked for as \"%.80s\", which is not this computer's own name; open it as "
                       "localhost or 127.0.0.1 with its port",
                       f->host != NULL ? f->host : "");
    }
    if (f->origin != NULL && !is_same_origin(f->origin, f->host)) {
        return err_set(e, ERR_REFUSED,
                       "sent by a page of \"%.80s\"; only this daemon's own page may ask",
                       f->origin);
    }
    if ((f->is_api || changes(f->method)) && comes_from_elsewhere(f->fetch_site)) {
        return err_set(
            e, ERR_REFUSED,
            "sent by a page of another site (%.40s); only this daemon's own page may ask",
            f->fetch_site);
    }
    if (changes(f->method) && !is_json(f->content_type)) {
        out->status = HTTP_WRONG_TYPE;
        return err_set(e, ERR_REFUSED,
                       "what changes anything is sent with Content-Type: " JSON_TYPE ", not %.40s",
                       f->content_type != NULL ? f->content_type : "without one");
    }
    out->status = 0;
    return true;
}
