/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/bench_http: reads `http` of bench.yaml: where the page listens. This computer's
 * own addresses only: whoever reaches the page may switch outputs on. */
#include "bench/bench_load.h"

#include "base/file.h"

#include <arpa/inet.h>
#include <stdlib.h>
#include <string.h>

#define DEFAULT_HOST "127.0.0.1"

static bool port_parse(const char *text, long *out)
{
    size_t n = strlen(text);
    *out = n > 0 && n <= 5 && strspn(text, "0123456789") == n ? strtol(text, NULL, 10) : -1;
    return *out >= 0 && *out <= 65535;
}

enum nearness { NO_ADDRESS, FAR_AWAY, OURS };

static enum nearness nearness_of(const char *host)
{
    struct in_addr v4;
    struct in6_addr v6;
    if (inet_pton(AF_INET, host, &v4) == 1) {
        return ntohl(v4.s_addr) >> 24 == 127 ? OURS : FAR_AWAY;
    }
    size_t n = strlen(host);
    char bare[INET6_ADDRSTRLEN];
    if (n > 2 && host[0] == '[' && host[n - 1] == ']' &&
        text_format(bare, sizeof bare, "%.*s", (int)(n - 2), host + 1) &&
        inet_pton(AF_INET6, bare, &v6) == 1) {
        return IN6_IS_ADDR_LOOPBACK(&v6) ? OURS : FAR_AWAY;
    }
    return NO_ADDRESS;
}

bool bench_http_parse(const char *text, char out[HTTP_ADDRESS_SIZE], struct err *e)
{
    const char *colon = strrchr(text, ':');
    char host[64] = DEFAULT_HOST;
    long port = 0;
    bool fits = colon == NULL || text_format(host, sizeof host, "%.*s", (int)(colon - text), text);
    if (strcmp(host, "localhost") == 0) {
        text_format(host, sizeof host, DEFAULT_HOST);
    }
    enum nearness near = nearness_of(host);
    if (!fits || near == NO_ADDRESS || !port_parse(colon != NULL ? colon + 1 : text, &port)) {
        return err_set(e, ERR_CONFIG,
                       "\"%.60s\" is no place to listen; write a port, 8470, or an address and a "
                       "port, " DEFAULT_HOST ":8470 or [::1]:8470",
                       text);
    }
    if (near == FAR_AWAY) {
        return err_set(e, ERR_CONFIG,
                       "%.60s can be reached from other computers; that needs a token, which this "
                       "version does not have yet. Listen on " DEFAULT_HOST
                       ", and reach it from afar through an SSH tunnel",
                       text);
    }
    return text_format(out, HTTP_ADDRESS_SIZE, "%s:%ld", host, port) ||
           err_set(e, ERR_CONFIG, "\"%.60s\" is too long an address", text);
}

bool bench_read_http(const struct bench_loading *l, struct err *e)
{
    const struct yaml_node *root = yaml_root(l->doc);
    char text[80] = "";
    struct err why;
    if (!yaml_read_text(l->doc, root, "http", false, text, sizeof text, e)) {
        return false;
    }
    if (yaml_get(root, "http") == NULL || bench_http_parse(text, l->b->http, &why)) {
        return true;
    }
    return yaml_fail(l->doc, yaml_get(root, "http"), e, "http: %s", why.text);
}
