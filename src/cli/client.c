/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/client: asks the daemon over its Unix socket. */
#include "cli/client.h"

#include "base/file.h"
#include "base/utf8.h"

#include <curl/curl.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define CONNECT_TIMEOUT_S 5L
#define ANSWER_TIMEOUT_S 100L /* a stand is waited for up to 60 s by the daemon */
#define STALL_S 60L
#define PATIENT_S 3600L
#define ANSWER_MAX ((size_t)64 * 1024 * 1024)
#define HTTP_ERRORS 400L

struct client {
    CURL *curl;
    struct curl_slist *headers;
    const char *socket;
    bool patient;
};

/* Where an answer goes: errors always into text, a download into the file. */
struct sink {
    CURL *curl;
    FILE *file;
    char *text;
    size_t n, size;
};

bool client_open(const char *socket, struct client **out, struct err *e)
{
    struct client *c = zalloc(sizeof *c);
    c->socket = socket;
    c->headers = curl_slist_append(NULL, "Content-Type: application/json");
    if (curl_global_init(CURL_GLOBAL_DEFAULT) == CURLE_OK) {
        c->curl = curl_easy_init();
    }
    if (c->curl == NULL || c->headers == NULL) {
        client_close(c);
        return err_set(e, ERR_SYSTEM, "the HTTP library does not start");
    }
    *out = c;
    return true;
}

void client_close(struct client *c)
{
    if (c != NULL) {
        curl_slist_free_all(c->headers);
        curl_easy_cleanup(c->curl);
        curl_global_cleanup();
        free(c);
    }
}

void client_be_patient(struct client *c)
{
    c->patient = true;
}

static long status_of(CURL *curl)
{
    long status = 0;
    curl_easy_getinfo(curl, CURLINFO_RESPONSE_CODE, &status);
    return status;
}

static bool keep(struct sink *s, const char *bytes, size_t n)
{
    if (n > ANSWER_MAX - s->n) {
        return false;
    }
    if (s->n + n > s->size) {
        size_t size = 2 * (s->n + n);
        char *more = realloc(s->text, size);
        if (more == NULL) {
            return false;
        }
        s->text = more;
        s->size = size;
    }
    memcpy(s->text + s->n, bytes, n);
    s->n += n;
    return true;
}

static size_t on_bytes(char *bytes, size_t one, size_t n, void *context)
{
    (void)one;
    struct sink *s = context;
    if (s->file != NULL && status_of(s->curl) < HTTP_ERRORS) {
        return fwrite(bytes, 1, n, s->file);
    }
    return keep(s, bytes, n) ? n : 0;
}

static void set_up(struct client *c, const char *url, struct sink *sink)
{
    curl_easy_reset(c->curl);
    curl_easy_setopt(c->curl, CURLOPT_URL, url);
    curl_easy_setopt(c->curl, CURLOPT_UNIX_SOCKET_PATH, c->socket);
    curl_easy_setopt(c->curl, CURLOPT_PROXY, "");
    curl_easy_setopt(c->curl, CURLOPT_NOSIGNAL, 1L);
    curl_easy_setopt(c->curl, CURLOPT_PROTOCOLS_STR, "http");
    curl_easy_setopt(c->curl, CURLOPT_CONNECTTIMEOUT, CONNECT_TIMEOUT_S);
    if (sink->file != NULL) { /* as long as it takes, while something comes */
        curl_easy_setopt(c->curl, CURLOPT_LOW_SPEED_LIMIT, 1L);
        curl_easy_setopt(c->curl, CURLOPT_LOW_SPEED_TIME, c->patient ? PATIENT_S : STALL_S);
    } else {
        curl_easy_setopt(c->curl, CURLOPT_TIMEOUT, c->patient ? PATIENT_S : ANSWER_TIMEOUT_S);
    }
    curl_easy_setopt(c->curl, CURLOPT_WRITEFUNCTION, on_bytes);
    curl_easy_setopt(c->curl, CURLOPT_WRITEDATA, sink);
}

static bool unreachable(const struct client *c, struct err *e)
{
    long number = 0;
    curl_easy_getinfo(c->curl, CURLINFO_OS_ERRNO, &number);
    if (number == EACCES || number == EPERM) {
        return err_set(e, ERR_LINK_LOST,
                       "you may not use the socket %s of ampledgerd; join the group that owns it "
                       "(ls -l %s), then log in again",
                       c->socket, c->socket);
    }
    return err_set(e, ERR_LINK_LOST,
                   "ampledgerd does not answer on %s; start it (ampledgerd --bench bench.yaml), or "
                   "say where it listens: --socket PATH, or AMPLEDGER_SOCKET",
                   c->socket);
}

static bool transfer_failed(const struct client *c, CURLcode rc, const struct sink *s,
                            struct err *e)
{
    if (rc == CURLE_COULDNT_CONNECT) {
        return unreachable(c, e);
    }
    if (rc == CURLE_WRITE_ERROR && s->file != NULL) {
        return err_set_errno(e, errno, "write what the daemon sends");
    }
    if (rc == CURLE_OPERATION_TIMEDOUT) {
        return err_set(e, ERR_LINK_LOST,
                       "ampledgerd on %s took too long to answer; see its log, and "
                       "\"ampledger stands\"",
                       c->socket);
    }
    return err_set(e, ERR_LINK_LOST, "ampledgerd on %s broke off: %s; is it still running?",
                   c->socket, curl_easy_strerror(rc));
}

static bool perform(struct client *c, struct sink *sink, struct err *e)
{
    CURLcode rc = curl_easy_perform(c->curl);
    if (rc != CURLE_OK) {
        return transfer_failed(c, rc, sink, e);
    }
    long status = status_of(c->curl);
    if (status >= HTTP_ERRORS) {
        problem_read(sink->text != NULL ? sink->text : "", sink->n, status, e);
        return false;
    }
    return true;
}

static bool request(struct client *c, const char *path, const char *body, struct sink *sink,
                    struct err *e)
{
    char url[CLIENT_PATH_SIZE + 32];
    if (!text_format(url, sizeof url, "http://localhost%s", path)) {
        return err_set(e, ERR_CONFIG, "the address %.60s... is too long", path);
    }
    sink->curl = c->curl;
    set_up(c, url, sink);
    if (body != NULL) {
        curl_easy_setopt(c->curl, CURLOPT_HTTPHEADER, c->headers);
        curl_easy_setopt(c->curl, CURLOPT_POSTFIELDS, body);
    }
    return perform(c, sink, e);
}

/* A terminal acts on control characters; labels, notes and names come from strangers, too. */
static void make_fit(json_t *v)
{
    const char *key;
    json_t *inside;
    size_t i;
    json_object_foreach(v, key, inside)
    {
        make_fit(inside);
    }
    json_array_foreach(v, i, inside)
    {
        make_fit(inside);
    }
    if (json_is_string(v) && utf8_find_control(json_string_value(v)) != 0) {
        char *text = text_copy(json_string_value(v));
        utf8_repair(text);
        json_string_set(v, text);
        free(text);
    }
}

static bool exchange(struct client *c, const char *path, const char *body, json_t **out,
                     struct err *e)
{
    struct sink sink = {0};
    bool ok = request(c, path, body, &sink, e);
    if (ok) {
        json_error_t why;
        *out = json_loadb(sink.text != NULL ? sink.text : "", sink.n, 0, &why);
        ok = *out != NULL || err_set(e, ERR_BUG,
                                     "the answer from %s is not JSON (%s); is this really "
                                     "ampledgerd?",
                                     c->socket, why.text);
        make_fit(*out);
    }
    free(sink.text);
    return ok;
}

bool client_get(struct client *c, const char *path, json_t **out, struct err *e)
{
    return exchange(c, path, NULL, out, e);
}

bool client_post(struct client *c, const char *path, const json_t *body, json_t **out,
                 struct err *e)
{
    char *text = body != NULL ? json_dumps(body, JSON_COMPACT) : text_copy("");
    bool ok = text != NULL ? exchange(c, path, text, out, e)
                           : err_set(e, ERR_CONFIG, "an argument is not UTF-8");
    free(text);
    return ok;
}

bool client_download(struct client *c, const char *path, FILE *to, struct err *e)
{
    struct sink sink = {.file = to};
    bool ok = request(c, path, NULL, &sink, e);
    free(sink.text);
    return ok;
}
