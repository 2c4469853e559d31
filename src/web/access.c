/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/access: the rules. Names are compared without regard to case, as DNS does. */
#include "web/access.h"

#include "base/file.h"

#include <arpa/inet.h>
#include <stddef.h>
#include <string.h>
#include <strings.h>

#define JSON_TYPE "application/json"

#define PORT_PLAIN 80
#define PORT_TLS 443

static bool has_tls(const struct access_facts *f)
{
    return f->http != NULL && f->http->certificate[0] != '\0';
}

static bool is_own_name(const char *name)
{
    static const char *const names[] = {"127.0.0.1", "localhost", "[::1]"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (strcasecmp(name, names[i]) == 0) {
            return true;
        }
    }
    return false;
}

/* Of a family of addresses; an IPv6 address stands in brackets. */
static bool is_numeric(const char *name)
{
    struct in6_addr any;
    char bare[HTTP_NAME_SIZE];
    size_t n = strlen(name);
    if (n > 2 && name[0] == '[' && name[n - 1] == ']') {
        return text_format(bare, sizeof bare, "%.*s", (int)(n - 2), name + 1) &&
               inet_pton(AF_INET6, bare, &any) == 1;
    }
    return inet_pton(AF_INET, name, &any) == 1;
}

static bool is_listed(const struct access_facts *f, const char *name)
{
    for (size_t i = 0; f->http != NULL && i < f->http->name_count; i++) {
        if (strcasecmp(name, f->http->names[i]) == 0) {
            return true;
        }
    }
    return false;
}

/* "NAME:PORT" or "NAME"; *port as text, "" none. */
static bool split_host(const char *host, char name[HTTP_NAME_SIZE], const char **port)
{
    const char *end = host[0] == '[' ? strchr(host, ']') : NULL;
    const char *colon = strchr(end != NULL ? end : host, ':');
    *port = colon != NULL ? colon + 1 : "";
    return text_format(name, HTTP_NAME_SIZE, "%.*s",
                       (int)(colon != NULL ? colon - host : (ptrdiff_t)strlen(host)), host);
}

static bool is_port(const struct access_facts *f, const char *port)
{
    char ours[16];
    text_format(ours, sizeof ours, "%d", f->port);
    return *port != '\0' ? strcmp(port, ours) == 0
                         : f->port == (has_tls(f) ? PORT_TLS : PORT_PLAIN);
}

static bool is_ours(const struct access_facts *f)
{
    char name[HTTP_NAME_SIZE];
    const char *port = "";
    if (f->host == NULL || !split_host(f->host, name, &port)) {
        return false;
    }
    bool is_far = f->http != NULL && bench_http_is_far(f->http->address);
    return is_listed(f, name) ||
           ((is_own_name(name) || (is_far && is_numeric(name))) && is_port(f, port));
}

static bool has_origin(const char *origin, const char *scheme, const char *host)
{
    size_t n = strlen(scheme);
    return strncasecmp(origin, scheme, n) == 0 && strcasecmp(origin + n, host) == 0;
}

/* A name that is listed may be a proxy's, which speaks TLS in our place. */
static bool is_same_origin(const struct access_facts *f)
{
    char name[HTTP_NAME_SIZE];
    const char *port = "";
    bool listed = split_host(f->host, name, &port) && is_listed(f, name);
    return (!has_tls(f) && has_origin(f->origin, "http://", f->host)) ||
           ((has_tls(f) || listed) && has_origin(f->origin, "https://", f->host));
}

bool access_needs_token(const struct access_facts *f)
{
    return f->is_forwarded || (f->http != NULL && bench_http_needs_token(f->http));
}

const char *access_bearer(const char *authorization)
{
    static const char scheme[] = "Bearer ";
    size_t n = strlen(scheme);
    if (authorization == NULL || strncasecmp(authorization, scheme, n) != 0) {
        return NULL;
    }
    return authorization + n + strspn(authorization + n, " ");
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

bool access_check_socket(const struct access_facts *f, struct reply *out, struct err *e)
{
    if (f->is_forwarded || f->origin != NULL || f->fetch_site != NULL) {
        out->status = HTTP_FORBIDDEN;
        return err_set(
            e, ERR_REFUSED,
            "passed on by a proxy, or sent by a browser: whoever uses this socket may do "
            "everything, so it is for programs on this computer only; let the proxy ask "
            "at the address that bench.yaml gives: http:");
    }
    return true;
}

bool access_check(const struct access_facts *f, struct reply *out, struct err *e)
{
    out->status = HTTP_FORBIDDEN;
    if (!is_ours(f)) {
        return err_set(e, ERR_REFUSED,
                       "asked for as \"%.80s\", which is not this computer's own name; open it as "
                       "localhost or 127.0.0.1 with its port, or list the name in bench.yaml: "
                       "http: {names: [...]}",
                       f->host != NULL ? f->host : "");
    }
    if (f->origin != NULL && !is_same_origin(f)) {
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
