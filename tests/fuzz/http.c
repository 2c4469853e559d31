/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: requests: the path and its route, the query, the headers that are judged, the
 * JSON body. The first byte says which. */
#include "web/access.h"
#include "web/body.h"
#include "web/query.h"
#include "web/route.h"

#include "base/ids.h"

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

/* Five lines: method, Host, Origin, Content-Type, Sec-Fetch-Site; empty: not there. */
static void headers(char *text)
{
    char *line[5] = {NULL};
    for (size_t i = 0; i < 5 && text != NULL; i++) {
        char *found = strsep(&text, "\n");
        line[i] = *found != '\0' ? found : NULL;
    }
    const struct access_facts f = {.method = line[0] != NULL ? line[0] : "GET",
                                   .host = line[1],
                                   .origin = line[2],
                                   .content_type = line[3],
                                   .fetch_site = line[4],
                                   .port = 8470,
                                   .is_api = true};
    struct reply out = {0};
    struct err e = {0};
    (void)access_check(&f, &out, &e);
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
