/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: requests: the path and its route, the query, the headers that are judged, the
 * JSON body. The first byte says which. */
#include "web/access.h"
#include "web/body.h"
#include "web/guesses.h"
#include "web/query.h"
#include "web/route.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/ids.h"

#include <netinet/in.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void path(const char *text)
{
    static const char *const methods[] = {"GET", "POST", "DELETE"};
    struct route_match match;
    struct err e = {0};
    for (size_t i = 0; i < sizeof methods / sizeof methods[0]; i++) {
        struct reply out = {0};
        (void)route_find(methods[i], text, &match, &out, &e);
        (void)route_needs(methods[i], text);
    }
}

/* "key=value", or "key" alone, which comes here as one without a text. */
static void query(char *text)
{
    static const char *const known[] = {"battery", "limit", "points", "from", "to", NULL};
    char label[LABEL_SIZE] = "";
    struct request q = {0};
    struct err e = {0};
    const struct query_reading r = {.known = known, .q = &q, .battery = label};
    char *value = strchr(text, '=');
    if (value != NULL) {
        *value++ = '\0';
    }
    (void)query_item(&r, text, value != NULL ? value : "", &e);
}

/* Wrong tokens from all the addresses that the text holds. */
static void guesses(const char *text)
{
    struct guesses g = {0};
    size_t n = strlen(text);
    struct sockaddr_in6 a = {.sin6_family = AF_INET6};
    for (size_t at = 0; at + sizeof a.sin6_addr <= n; at++) {
        memcpy(&a.sin6_addr, text + at, sizeof a.sin6_addr);
        const struct guess_source s = guess_source_of((const struct sockaddr *)&a);
        if (guesses_add(&g, &s, (int64_t)at * NS_PER_S) == 0) {
            abort();
        }
    }
}

/* Lines: method, Host, Origin, Content-Type, Sec-Fetch-Site, where it listens, a name that
 * bench.yaml lists, its certificate, Authorization, whether a proxy passed it on; empty: not there.
 */
enum { METHOD, HOST, ORIGIN, TYPE, SITE, LISTEN, NAME, CERTIFICATE, AUTHORIZATION, PROXY, LINES };

static struct bench_http http_of(char *const line[LINES])
{
    struct bench_http http = {0};
    struct err e = {0};
    if (line[LISTEN] != NULL) {
        (void)bench_http_parse(line[LISTEN], http.address, &e);
    }
    if (line[NAME] != NULL) {
        http.name_count = text_format(http.names[0], sizeof http.names[0], "%s", line[NAME]);
    }
    if (line[CERTIFICATE] != NULL) {
        text_format(http.certificate, sizeof http.certificate, "%s", line[CERTIFICATE]);
    }
    return http;
}

static void headers(char *text)
{
    char *line[LINES] = {NULL};
    guesses(text);
    for (size_t i = 0; i < LINES && text != NULL; i++) {
        char *found = strsep(&text, "\n");
        line[i] = *found != '\0' ? found : NULL;
    }
    const struct bench_http http = http_of(line);
    const struct access_facts f = {.method = line[METHOD] != NULL ? line[METHOD] : "GET",
                                   .host = line[HOST],
                                   .origin = line[ORIGIN],
                                   .content_type = line[TYPE],
                                   .fetch_site = line[SITE],
                                   .http = line[LISTEN] != NULL ? &http : NULL,
                                   .port = 8470,
                                   .is_api = true,
                                   .is_forwarded = line[PROXY] != NULL};
    struct reply out = {0};
    struct err e = {0};
    (void)access_check(&f, &out, &e);
    (void)access_check_socket(&f, &out, &e);
    (void)access_needs_token(&f);
    const char *token = access_bearer(line[AUTHORIZATION]);
    if (token != NULL && strlen(token) > strlen(line[AUTHORIZATION])) {
        abort();
    }
}

static void body(const char *text, size_t n)
{
    char label[64] = "";
    double rated = 0, at = 0;
    int cells = 0;
    int64_t id = 0;
    bool flag = false;
    const json_t *list = NULL;
    const struct body_field fields[] = {
        {"label", BODY_TEXT, true, label, sizeof label},
        {"rated_Ah", BODY_POSITIVE, false, &rated, 0},
        {"at", BODY_NUMBER, false, &at, 0},
        {"cells", BODY_COUNT, false, &cells, 0},
        {"id", BODY_ID, false, &id, 0},
        {"anyway", BODY_FLAG, false, &flag, 0},
        {"labels", BODY_LIST, false, &list, 0},
    };
    json_t *parsed = NULL;
    struct err e = {0};
    if (body_parse(text, n, &parsed, &e)) {
        (void)body_read(parsed, fields, sizeof fields / sizeof fields[0], &e);
        json_decref(parsed);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    if (n == 0) {
        return 0;
    }
    char *text = strndup((const char *)data + 1, n - 1);
    switch (data[0] % 4) {
    case 0:
        path(text);
        break;
    case 1:
        query(text);
        break;
    case 2:
        headers(text);
        break;
    default:
        body((const char *)data + 1, n - 1);
        break;
    }
    free(text);
    return 0;
}
