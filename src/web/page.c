/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/page: fixed addresses only; no path of a request is ever a path of the disk. */
#include "web/page.h"

#include "base/file.h"

#include <microhttpd.h>
#include <stdlib.h>
#include <string.h>

#define CHARTS_DIR "/usr/share/javascript/dygraphs/"
#define CHARTS_MAX (4u << 20)

static const struct {
    const char *path, *file;
} charts[] = {
    {"/charts/dygraph.min.js", CHARTS_DIR "dygraph.min.js"},
    {"/charts/dygraph.min.css", CHARTS_DIR "dygraph.min.css"},
};

bool page_is_file(const char *path)
{
    return strncmp(path, "/v1/", 4) != 0;
}

bool page_is_on_disk(const char *path)
{
    size_t n = sizeof charts / sizeof charts[0];
    size_t i = 0;
    while (i < n && strcmp(path, charts[i].path) != 0) {
        i++;
    }
    return i < n;
}

static const char *type_of(const char *path)
{
    static const char *const types[][2] = {{".html", "text/html; charset=utf-8"},
                                           {".css", "text/css; charset=utf-8"},
                                           {".mjs", "text/javascript; charset=utf-8"},
                                           {".js", "text/javascript; charset=utf-8"},
                                           {".svg", "image/svg+xml"}};
    const char *dot = strrchr(path, '.');
    for (size_t i = 0; dot != NULL && i < sizeof types / sizeof types[0]; i++) {
        if (strcmp(dot, types[i][0]) == 0) {
            return types[i][1];
        }
    }
    return "application/octet-stream";
}

static bool give(struct reply *out, const char *path, struct MHD_Response *r, struct err *e)
{
    if (r == NULL) {
        return err_set(e, ERR_SYSTEM, "there is no memory for an answer");
    }
    MHD_add_response_header(r, "Content-Type", type_of(path));
    out->stream = r;
    return true;
}

static bool give_chart_file(const char *path, const char *file, struct reply *out, struct err *e)
{
    char *text = NULL;
    size_t n = 0;
    if (!file_read(file, CHARTS_MAX, &text, &n, e)) {
        out->status = HTTP_NOT_FOUND;
        return err_set(e, ERR_NOT_FOUND,
                       "%s is not there; charts need Debian's package libjs-dygraphs", file);
    }
    struct MHD_Response *r = MHD_create_response_from_buffer(n, text, MHD_RESPMEM_MUST_FREE);
    if (r == NULL) {
        free(text);
    }
    return give(out, path, r, e);
}

bool page_file(const char *method, const char *path, struct reply *out, struct err *e)
{
    if (strcmp(method, "GET") != 0 && strcmp(method, "HEAD") != 0) {
        out->status = HTTP_METHOD_NOT_ALLOWED;
        text_format(out->allow, sizeof out->allow, "GET, HEAD");
        return err_set(e, ERR_CONFIG, "%.16s is not possible here; allowed: GET, HEAD", method);
    }
    for (size_t i = 0; i < sizeof charts / sizeof charts[0]; i++) {
        if (strcmp(path, charts[i].path) == 0) {
            return give_chart_file(path, charts[i].file, out, e);
        }
    }
    const char *wanted = strcmp(path, "/") == 0 ? page_contents[0].path : path;
    for (const struct page_content *c = page_contents; c->path != NULL; c++) {
        if (strcmp(wanted, c->path) == 0) {
            union {
                const unsigned char *given;
                void *bytes;
            } b = {c->bytes}; /* the library only reads */
            return give(out, c->path,
                        MHD_create_response_from_buffer(c->n, b.bytes, MHD_RESPMEM_PERSISTENT), e);
        }
    }
    out->status = HTTP_NOT_FOUND;
    return err_set(e, ERR_NOT_FOUND, "there is nothing at %.200s; the page is at /", path);
}
