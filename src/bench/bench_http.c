/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/bench_http: reads `socket` and `http` of bench.yaml: where orders are taken, and
 * from whom. Each is one word, or a map where more is to be said. */
#include "bench/bench_load.h"

#include "base/file.h"

#include <arpa/inet.h>
#include <stdlib.h>
#include <string.h>

#define DEFAULT_HOST "127.0.0.1"
#define DEFAULT_MODE 0660u

static const char *const socket_keys[] = {"path", "mode", "group", NULL};
static const char *const http_keys[] = {"listen", "names", "token", "certificate", "key", NULL};

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

static bool host_of(const char *address, char host[HTTP_ADDRESS_SIZE])
{
    const char *colon = strrchr(address, ':');
    return colon != NULL &&
           text_format(host, HTTP_ADDRESS_SIZE, "%.*s", (int)(colon - address), address);
}

bool bench_http_parse(const char *text, char out[HTTP_ADDRESS_SIZE], struct err *e)
{
    const char *colon = strrchr(text, ':');
    char host[HTTP_ADDRESS_SIZE] = DEFAULT_HOST;
    long port = 0;
    bool fits = colon == NULL || host_of(text, host);
    if (strcmp(host, "localhost") == 0) {
        text_format(host, sizeof host, DEFAULT_HOST);
    }
    if (!fits || nearness_of(host) == NO_ADDRESS ||
        !port_parse(colon != NULL ? colon + 1 : text, &port)) {
        return err_set(e, ERR_CONFIG,
                       "\"%.60s\" is no place to listen; write a port, 8470, or an address and a "
                       "port, " DEFAULT_HOST ":8470 or [::1]:8470",
                       text);
    }
    return text_format(out, HTTP_ADDRESS_SIZE, "%s:%ld", host, port) ||
           err_set(e, ERR_CONFIG, "\"%.60s\" is too long an address", text);
}

bool bench_http_is_far(const char *address)
{
    char host[HTTP_ADDRESS_SIZE];
    return address[0] != '\0' && (!host_of(address, host) || nearness_of(host) != OURS);
}

static bool is_every(const char *host)
{
    struct in6_addr v6;
    char bare[HTTP_ADDRESS_SIZE];
    text_format(bare, sizeof bare, "%.*s", (int)strcspn(host + 1, "]"), host + 1);
    return strcmp(host, "0.0.0.0") == 0 ||
           (host[0] == '[' && inet_pton(AF_INET6, bare, &v6) == 1 && IN6_IS_ADDR_UNSPECIFIED(&v6));
}

void bench_http_words(const struct bench_http *http, char out[HTTP_WORDS_SIZE])
{
    char host[HTTP_ADDRESS_SIZE];
    const char *scheme = http->certificate[0] != '\0' ? "https" : "http";
    bool every = host_of(http->address, host) && is_every(host);
    const char *port = every ? http->address + strlen(host) + 1 : "";
    if (!every) {
        text_format(out, HTTP_WORDS_SIZE, "the page is at %s://%s/", scheme, http->address);
    } else if (http->name_count > 0) {
        text_format(out, HTTP_WORDS_SIZE,
                    "the page is on every address of this computer, port %s: %s://%s:%s/", port,
                    scheme, http->names[0], port);
    } else {
        text_format(out, HTTP_WORDS_SIZE,
                    "the page is on every address of this computer, port %s: %s://%s:%s/ from "
                    "here; elsewhere with this computer's address in its place",
                    port, scheme, host[0] == '[' ? "[::1]" : DEFAULT_HOST, port);
    }
}

bool bench_http_needs_token(const struct bench_http *http)
{
    return http->token_always || http->name_count > 0 || bench_http_is_far(http->address);
}

/* A scalar, or the map's own key for it. */
static bool read_listen(const struct bench_loading *l, const struct yaml_node *map, const char *key,
                        struct err *e)
{
    char text[80] = "";
    struct err why;
    if (!yaml_read_text(l->doc, map, key, true, text, sizeof text, e)) {
        return false;
    }
    return bench_http_parse(text, l->b->http.address, &why) ||
           yaml_fail(l->doc, yaml_get(map, key), e, "http: %s", why.text);
}

/* As it stands before the colon of Host. */
static bool is_name(const char *text)
{
    static const char may[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-";
    size_t n = strlen(text);
    return n > 0 && n < HTTP_NAME_SIZE && strspn(text, may) == n;
}

static bool read_names(const struct bench_loading *l, const struct yaml_node *map, struct err *e)
{
    struct bench_http *http = &l->b->http;
    const struct yaml_node *list = yaml_get(map, "names");
    if (list == NULL) {
        return true;
    }
    if (yaml_node_kind(list) != YAML_LIST || yaml_count(list) > HTTP_NAMES_MAX) {
        return yaml_fail(l->doc, list, e, "\"names\" is a list of at most %d: [bench.example]",
                         HTTP_NAMES_MAX);
    }
    for (size_t i = 0; i < yaml_count(list); i++) {
        const struct yaml_node *item = yaml_item(list, i);
        if (!is_name(yaml_text(item))) {
            return yaml_fail(l->doc, item, e,
                             "a name is one as browsers are given it, without scheme, port and "
                             "path: bench.example");
        }
        text_format(http->names[http->name_count++], HTTP_NAME_SIZE, "%s", yaml_text(item));
    }
    return true;
}

static bool read_certificate(const struct bench_loading *l, const struct yaml_node *map,
                             struct err *e)
{
    struct bench_http *http = &l->b->http;
    if (!bench_read_path(l, map, "certificate", http->certificate, e) ||
        !bench_read_path(l, map, "key", http->key, e)) {
        return false;
    }
    return (http->certificate[0] == '\0') == (http->key[0] == '\0') ||
           yaml_fail(l->doc, map, e, "\"certificate\" and \"key\" belong together");
}

static bool read_token(const struct bench_loading *l, const struct yaml_node *map, struct err *e)
{
    static const char *const words[] = {"from-elsewhere", "always", NULL};
    int chosen = 0;
    bool ok = yaml_read_choice(l->doc, map, "token", false, words, &chosen, e);
    l->b->http.token_always = chosen == 1;
    return ok;
}

bool bench_read_http(const struct bench_loading *l, struct err *e)
{
    const struct yaml_node *root = yaml_root(l->doc), *map = yaml_get(root, "http");
    if (map == NULL) {
        return true;
    }
    if (yaml_node_kind(map) == YAML_TEXT) {
        return read_listen(l, root, "http", e);
    }
    return yaml_check_keys(l->doc, map, http_keys, e) && read_listen(l, map, "listen", e) &&
           read_names(l, map, e) && read_token(l, map, e) && read_certificate(l, map, e);
}

/* Octal, as chmod takes it: who reads and writes may use the socket, and its owner must. */
static bool read_mode(const struct bench_loading *l, const struct yaml_node *map, struct err *e)
{
    char text[8] = "";
    if (yaml_get(map, "mode") == NULL) {
        return true;
    }
    if (!yaml_read_text(l->doc, map, "mode", true, text, sizeof text, e)) {
        return false;
    }
    char *end = NULL;
    unsigned long mode = strtoul(text, &end, 8);
    if (strspn(text, "01234567") == 0 || *end != '\0' || (mode & ~0666ul) != 0 ||
        (mode & 0600ul) != 0600ul) {
        return yaml_fail(l->doc, yaml_get(map, "mode"), e,
                         "\"%s\" is no mode of a socket; 0600 is for its owner alone, 0660 also "
                         "for its group, 0666 for everybody on this computer",
                         text);
    }
    l->b->socket_mode = (unsigned)mode;
    return true;
}

bool bench_read_socket(const struct bench_loading *l, struct err *e)
{
    const struct yaml_node *root = yaml_root(l->doc), *map = yaml_get(root, "socket");
    struct bench *b = l->b;
    struct err why;
    b->socket_mode = DEFAULT_MODE;
    if (!path_beside(b->path, "ampledger.sock", b->socket, sizeof b->socket, &why)) {
        return yaml_fail(l->doc, root, e, "socket: %s", why.text);
    }
    if (map == NULL || yaml_node_kind(map) == YAML_TEXT) {
        return bench_read_path(l, root, "socket", b->socket, e);
    }
    return yaml_check_keys(l->doc, map, socket_keys, e) &&
           bench_read_path(l, map, "path", b->socket, e) && read_mode(l, map, e) &&
           yaml_read_text(l->doc, map, "group", false, b->socket_group, sizeof b->socket_group, e);
}
