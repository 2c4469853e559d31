/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks/post: libcurl's multi interface, so that one thread can wait for the
 * network and for a command at once. */
#include "hooks/post.h"

#include "base/file.h"
#include "base/version.h"

#include <curl/curl.h>
#include <stdlib.h>
#include <string.h>

#define EXTRA_MOST 8

struct post {
    CURLM *multi;
    CURL *easy;
    struct curl_slist *headers;
    char *document; /* of the try going on; NULL at rest */
    char why[CURL_ERROR_SIZE];
};

/* What the other side answers is of no interest beyond its status. */
static size_t throw_away(char *bytes, size_t size, size_t n, void *context)
{
    (void)bytes;
    (void)context;
    return size * n;
}

static bool set_options(struct post *p, const char *url, int limit_ms)
{
    CURL *c = p->easy;
    return curl_easy_setopt(c, CURLOPT_URL, url) == CURLE_OK &&
           curl_easy_setopt(c, CURLOPT_PROTOCOLS_STR, "http,https") == CURLE_OK &&
           curl_easy_setopt(c, CURLOPT_NOSIGNAL, 1L) == CURLE_OK &&
           /* A name that does not resolve must not hold up the end of the daemon. */
           curl_easy_setopt(c, CURLOPT_QUICK_EXIT, 1L) == CURLE_OK &&
           curl_easy_setopt(c, CURLOPT_TIMEOUT_MS, (long)limit_ms) == CURLE_OK &&
           curl_easy_setopt(c, CURLOPT_HTTPHEADER, p->headers) == CURLE_OK &&
           curl_easy_setopt(c, CURLOPT_USERAGENT, "ampledgerd/" AMPLEDGER_VERSION) == CURLE_OK &&
           curl_easy_setopt(c, CURLOPT_WRITEFUNCTION, throw_away) == CURLE_OK &&
           curl_easy_setopt(c, CURLOPT_ERRORBUFFER, p->why) == CURLE_OK;
}

bool post_new(const char *url, int limit_ms, struct post **out, struct err *e)
{
    struct post *p = zalloc(sizeof *p);
    p->multi = curl_multi_init();
    p->easy = curl_easy_init();
    p->headers = curl_slist_append(NULL, "Content-Type: application/json");
    if (p->multi == NULL || p->easy == NULL || p->headers == NULL ||
        !set_options(p, url, limit_ms)) {
        post_free(p);
        return err_set(e, ERR_SYSTEM, "libcurl cannot be set up for posting to %s", url);
    }
    *out = p;
    return true;
}

static void rest(struct post *p)
{
    if (p->document != NULL) {
        curl_multi_remove_handle(p->multi, p->easy);
    }
    free(p->document);
    p->document = NULL;
}

void post_free(struct post *p)
{
    if (p == NULL) {
        return;
    }
    if (p->multi != NULL && p->easy != NULL) {
        rest(p);
    }
    curl_easy_cleanup(p->easy);
    curl_multi_cleanup(p->multi);
    curl_slist_free_all(p->headers);
    free(p);
}

bool post_is_busy(const struct post *p)
{
    return p->document != NULL;
}

bool post_begin(struct post *p, const char *document, struct err *e)
{
    char *copy = text_copy(document);
    p->why[0] = '\0';
    if (curl_easy_setopt(p->easy, CURLOPT_POSTFIELDS, copy) != CURLE_OK ||
        curl_easy_setopt(p->easy, CURLOPT_POSTFIELDSIZE, (long)strlen(copy)) != CURLE_OK ||
        curl_multi_add_handle(p->multi, p->easy) != CURLM_OK) {
        free(copy);
        return err_set(e, ERR_SYSTEM, "libcurl does not take the document");
    }
    p->document = copy;
    return true;
}

static void judge(struct post *p, CURLcode code, struct post_result *out)
{
    long status = 0;
    curl_easy_getinfo(p->easy, CURLINFO_RESPONSE_CODE, &status);
    if (code != CURLE_OK) {
        *out = (struct post_result){.try_again = true};
        text_format(out->text, sizeof out->text, "%s",
                    p->why[0] != '\0' ? p->why : curl_easy_strerror(code));
        return;
    }
    out->ok = status >= 200 && status < 300;
    out->try_again = !out->ok && (status >= 500 || status == 408 || status == 429);
    text_format(out->text, sizeof out->text, "HTTP %ld", status);
}

bool post_work(struct post *p, struct post_result *out)
{
    int running = 0, left = 0;
    if (p->document == NULL) {
        return false;
    }
    curl_multi_perform(p->multi, &running);
    const CURLMsg *m = curl_multi_info_read(p->multi, &left);
    if (m == NULL || m->msg != CURLMSG_DONE) {
        return false;
    }
    judge(p, m->data.result, out);
    rest(p);
    return true;
}

void post_wait(struct post *p, const int *extra, size_t count, int timeout_ms)
{
    struct curl_waitfd wanted[EXTRA_MOST];
    unsigned n = 0;
    int ready = 0;
    for (size_t i = 0; i < count && n < EXTRA_MOST; i++) {
        if (extra[i] >= 0) {
            wanted[n++] = (struct curl_waitfd){.fd = extra[i], .events = CURL_WAIT_POLLIN};
        }
    }
    curl_multi_poll(p->multi, wanted, n, timeout_ms, &ready);
}
