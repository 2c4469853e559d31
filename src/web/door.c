/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/door: the facts of a request out of its headers, and the judgement. A right token is taken
 * however many wrong ones came from its address: whoever may stop a run must not be kept from it by
 * somebody behind the same proxy. What keeps guessers out is the token's length; the count keeps
 * them from filling the log, and costs them a connection for each guess. */
#include "web/door.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "base/thread.h"
#include "web/access.h"
#include "web/guesses.h"
#include "web/patience.h"
#include "web/route.h"

#include <microhttpd.h>
#include <netdb.h>
#include <stdlib.h>
#include <string.h>

struct door {
    struct tokens *tokens;
    struct patience *patience;
    pthread_mutex_t lock;
    struct guesses guesses;
};

struct door *door_new(struct tokens *tokens, struct patience *patience)
{
    struct door *d = zalloc(sizeof *d);
    d->tokens = tokens;
    d->patience = patience;
    mutex_init_inheriting(&d->lock);
    return d;
}

void door_free(struct door *d)
{
    if (d != NULL) {
        pthread_mutex_destroy(&d->lock);
        tokens_free(d->tokens);
        free(d);
    }
}

struct tokens *door_tokens(struct door *d)
{
    return d->tokens;
}

bool door_has_key(struct tokens *t, const struct bench_http *http, bool is_open, struct err *e)
{
    struct err why = {0};
    if (!bench_http_needs_token(http) || tokens_count(t) > 0) {
        return true;
    }
    bool stays_closed = !is_open && bench_http_is_far(http->address);
    const char *place = http->address;
    if (!tokens_are_read(t, &why)) {
        return err_set(e, why.code,
                       stays_closed
                           ? "http: %s can be reached from other computers, and is not opened "
                             "while no token holds: %s"
                           : "http: nobody can sign in at %s, since no token holds: %s",
                       place, why.text);
    }
    return stays_closed
               ? err_set(e, ERR_REFUSED,
                         "http: %s can be reached from other computers, and is not opened before "
                         "there is a token; make one while the daemon runs, ampledger token make "
                         "NAME --may change, then start it again",
                         place)
               : err_set(e, ERR_REFUSED,
                         "http: nobody can sign in at %s before there is a token; make one while "
                         "the daemon runs: ampledger token make NAME --may change",
                         place);
}

void door_cookie_name(int port, char out[COOKIE_NAME_SIZE])
{
    text_format(out, COOKIE_NAME_SIZE, "ampledger-%d", port);
}

static const char *header(const struct door_request *r, const char *name)
{
    return MHD_lookup_connection_value(r->connection, MHD_HEADER_KIND, name);
}

/* Who passes requests on says so in a header, or speaks HTTP/1.0 as many do by themselves. No
 * browser has spoken that for long. */
static bool is_forwarded(const struct door_request *r)
{
    static const char *const names[] = {"Forwarded",         "X-Forwarded-For", "X-Forwarded-Host",
                                        "X-Forwarded-Proto", "X-Real-IP",       "Via"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (header(r, names[i]) != NULL) {
            return true;
        }
    }
    return strcmp(r->version, MHD_HTTP_VERSION_1_1) != 0;
}

struct framing {
    unsigned lengths, encodings, hosts;
};

static enum MHD_Result count_framing(void *context, enum MHD_ValueKind kind, const char *key,
                                     const char *value)
{
    (void)kind;
    (void)value;
    struct framing *f = context;
    f->lengths += strcasecmp(key, MHD_HTTP_HEADER_CONTENT_LENGTH) == 0;
    f->encodings += strcasecmp(key, MHD_HTTP_HEADER_TRANSFER_ENCODING) == 0;
    f->hosts += strcasecmp(key, MHD_HTTP_HEADER_HOST) == 0;
    return MHD_YES;
}

/* Where its body ends must be said once, else something in between may take the end for a
 * request of its own (RFC 9112, section 11.2). */
static bool check_framing(const struct door_request *r, struct reply *out, struct err *e)
{
    struct framing f = {0};
    MHD_get_connection_values(r->connection, MHD_HEADER_KIND, count_framing, &f);
    if (f.lengths + f.encodings <= 1 && f.hosts <= 1) {
        return true;
    }
    out->status = HTTP_BAD_REQUEST;
    out->leave = true;
    return err_set(e, ERR_CONFIG,
                   "Host, and the length of the body (Content-Length or Transfer-Encoding), may be "
                   "said once only");
}

static struct access_facts facts_of(const struct door_request *r)
{
    return (struct access_facts){
        .method = r->method,
        .host = header(r, MHD_HTTP_HEADER_HOST),
        .origin = header(r, MHD_HTTP_HEADER_ORIGIN),
        .content_type = header(r, MHD_HTTP_HEADER_CONTENT_TYPE),
        .fetch_site = header(r, "Sec-Fetch-Site"),
        .http = r->http,
        .port = r->port,
        .is_api = strncmp(r->path, "/v1/", 4) == 0,
        .is_forwarded = is_forwarded(r),
    };
}

static const struct sockaddr *address_of(const struct door_request *r)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(r->connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
    return info != NULL ? info->client_addr : NULL;
}

/* The library gives the address without its length, which goes by the family. */
static void name_of(const struct sockaddr *a, char out[NI_MAXHOST])
{
    socklen_t n = a != NULL && a->sa_family == AF_INET6 ? sizeof(struct sockaddr_in6)
                                                        : sizeof(struct sockaddr_in);
    if (a == NULL || getnameinfo(a, n, out, NI_MAXHOST, NULL, 0, NI_NUMERICHOST) != 0) {
        text_format(out, NI_MAXHOST, "an unknown address");
    }
}

/* A wrong one: counted, and told in the log when there are too many. */
static bool refuse(struct door *d, const struct caller *who, struct reply *out, struct err *e)
{
    const struct guess_source source = guess_source_of(who->address);
    pthread_mutex_lock(&d->lock);
    unsigned n = guesses_add(&d->guesses, &source, clock_monotonic_ns());
    pthread_mutex_unlock(&d->lock);
    out->leave = true;
    if (n <= GUESSES_MAX) {
        out->status = HTTP_UNAUTHORIZED;
        return err_set(e, ERR_REFUSED,
                       "there is no such token; see which there are, or make one, on the computer "
                       "of the bench: ampledger token");
    }
    if (n == GUESSES_MAX + 1) {
        char name[NI_MAXHOST];
        name_of(who->address, name);
        log_warn("more than %d wrong tokens within %d s from %s", GUESSES_MAX, GUESSES_WITHIN_S,
                 name);
    }
    out->status = HTTP_TOO_MANY;
    return err_set(e, ERR_REFUSED, "too many wrong tokens came from there; try again in a minute");
}

bool door_know(struct door *d, const char *text, struct caller *who, struct reply *out,
               struct err *e)
{
    if (strlen(text) != TOKEN_TEXT_SIZE - 1 || !tokens_find(d->tokens, text, &who->token)) {
        return refuse(d, who, out, e);
    }
    return true;
}

static const char *token_of(const struct door_request *r)
{
    char cookie[COOKIE_NAME_SIZE];
    const char *bearer = access_bearer(header(r, MHD_HTTP_HEADER_AUTHORIZATION));
    door_cookie_name(r->port, cookie);
    return bearer != NULL ? bearer
                          : MHD_lookup_connection_value(r->connection, MHD_COOKIE_KIND, cookie);
}

static bool ask_token(struct door *d, const struct door_request *r, struct caller *who,
                      struct reply *out, struct err *e)
{
    const char *text = token_of(r);
    if (text == NULL) {
        out->status = HTTP_UNAUTHORIZED;
        return err_set(e, ERR_REFUSED,
                       "this needs a token; make one on the computer of the bench: ampledger token "
                       "make NAME, and send it as Authorization: Bearer TOKEN, or enter it on the "
                       "page");
    }
    if (!door_know(d, text, who, out, e)) {
        return false;
    }
    who->may = who->token.may;
    patience_know(d->patience, r->connection, who->token.serial);
    return true;
}

static bool check_right(const struct caller *who, enum may needs, struct reply *out, struct err *e)
{
    if (who->may >= needs) {
        return true;
    }
    out->status = HTTP_FORBIDDEN;
    return needs == MAY_ALL
               ? err_set(e, ERR_REFUSED,
                         "tokens are made and withdrawn on the computer of the bench only, by who "
                         "may use its socket: ampledger token")
               : err_set(e, ERR_REFUSED,
                         "the token \"%s\" allows to look, not to change anything; that takes "
                         "one made with --may change",
                         who->token.name);
}

bool door_admit(struct door *d, const struct door_request *r, struct caller *who, struct reply *out,
                struct err *e)
{
    *who = (struct caller){.may = MAY_ALL, .port = r->port};
    if (!check_framing(r, out, e)) {
        return false;
    }
    const struct access_facts facts = facts_of(r);
    if (r->port == 0) {
        return access_check_socket(&facts, out, e);
    }
    const char *origin = facts.origin;
    who->address = address_of(r);
    who->is_secret = r->http->certificate[0] != '\0' ||
                     (origin != NULL && strncasecmp(origin, "https://", 8) == 0);
    who->may = MAY_CHANGE;
    if (!access_check(&facts, out, e)) {
        return false;
    }
    enum may needs = facts.is_api ? route_needs(r->method, r->path) : MAY_NOTHING;
    who->token_needed = access_needs_token(&facts);
    if (who->token_needed) {
        who->may = MAY_NOTHING;
        if (needs > MAY_NOTHING && !ask_token(d, r, who, out, e)) {
            return false;
        }
    }
    return check_right(who, needs, out, e);
}

bool door_withdraw(struct door *d, const char *name, struct err *e)
{
    uint32_t serial = 0;
    bool ok = tokens_withdraw(d->tokens, name, &serial, e);
    if (serial != 0) {
        patience_cut(d->patience, serial);
    }
    return ok;
}
