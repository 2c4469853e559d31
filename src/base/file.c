/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/file: reads whole small files, joins paths, copies and matches texts. */
#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define FIRST_CHUNK 4096

/* A name that a person gave wrongly is their mistake to mend, not the system's. */
static bool open_failed(struct err *e, int errno_value, const char *path)
{
    err_set_errno(e, errno_value, "cannot open %s", path);
    if (e && errno_value == ENOENT) {
        e->code = ERR_NOT_FOUND;
    } else if (e && (errno_value == EACCES || errno_value == ENOTDIR || errno_value == ELOOP ||
                     errno_value == ENAMETOOLONG)) {
        e->code = ERR_CONFIG;
    }
    return false;
}

static int open_regular(const char *path, struct err *e)
{
    if (!*path) {
        err_set(e, ERR_CONFIG, "a file name is empty");
        return -1;
    }
    /* O_NONBLOCK: a named pipe must not hang us before we see what it is. */
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);
    if (fd < 0) {
        open_failed(e, errno, path);
        return -1;
    }
    struct stat st;
    if (fstat(fd, &st) != 0) {
        err_set_errno(e, errno, "cannot examine %s", path);
    } else if (S_ISDIR(st.st_mode)) {
        err_set(e, ERR_CONFIG, "cannot read %s: it is a folder, a file is wanted", path);
    } else if (!S_ISREG(st.st_mode)) {
        err_set(e, ERR_CONFIG, "cannot read %s: it is not a regular file", path);
    } else {
        return fd;
    }
    close(fd);
    return -1;
}

struct grown {
    char *bytes;
    size_t n, size;
};

static bool make_room(struct grown *g)
{
    if (g->size - g->n >= 2) {
        return true;
    }
    size_t size = g->size ? g->size * 2 : FIRST_CHUNK;
    char *bytes = realloc(g->bytes, size);
    if (!bytes) {
        return false;
    }
    g->bytes = bytes;
    g->size = size;
    return true;
}

/* The size that the system states is not trusted: it is 0 for files in /proc
 * and may grow while we read. */
static bool read_all(int fd, size_t max, struct grown *g, struct err *e)
{
    for (;;) {
        if (!make_room(g)) {
            return err_set_errno(e, ENOMEM, "cannot hold the text");
        }
        ssize_t got = read(fd, g->bytes + g->n, g->size - g->n - 1);
        if (got < 0 && errno == EINTR) {
            continue;
        }
        if (got < 0) {
            return err_set_errno(e, errno, "cannot read it");
        }
        g->n += (size_t)got;
        g->bytes[g->n] = '\0';
        if (g->n > max) {
            return err_set(e, ERR_CONFIG, "it is larger than %zu bytes, the most that is read",
                           max);
        }
        if (got == 0) {
            return true;
        }
    }
}

bool file_read(const char *path, size_t max, char **text, size_t *n, struct err *e)
{
    int fd = open_regular(path, e);
    if (fd < 0) {
        return false;
    }
    struct grown g = {NULL, 0, 0};
    bool ok = read_all(fd, max, &g, e);
    close(fd);
    if (!ok) {
        free(g.bytes);
        return err_prefix(e, "%s", path);
    }
    *text = g.bytes;
    if (n) {
        *n = g.n;
    }
    return true;
}

bool file_read_into(const char *path, char *out, size_t size, struct err *e)
{
    int fd = open_regular(path, e);
    if (fd < 0) {
        return false;
    }
    struct grown g = {out, 0, size}; /* with three bytes of room it never grows */
    bool ok = read_all(fd, size - 3, &g, e);
    close(fd);
    return ok || err_prefix(e, "%s", path);
}

bool path_beside(const char *beside, const char *path, char *out, size_t size, struct err *e)
{
    if (!*path) {
        return err_set(e, ERR_CONFIG, "a file name is empty");
    }
    const char *slash = strrchr(beside, '/');
    size_t folder = *path == '/' || !slash ? 0 : (size_t)(slash - beside) + 1;
    if (!text_format(out, size, "%.*s%s", (int)folder, beside, path)) {
        return err_set(e, ERR_CONFIG, "the path of %s is too long", path);
    }
    return true;
}

static void (*_Atomic last_words)(void);

void on_out_of_memory(void words(void))
{
    last_words = words;
}

static void out_of_memory(size_t n)
{
    void (*words)(void) = last_words;
    if (words) {
        words();
    }
    fprintf(stderr, "out of memory: %zu bytes were wanted\n", n);
    abort();
}

char *text_copy(const char *s)
{
    char *copy = strdup(s);
    if (!copy) {
        out_of_memory(strlen(s) + 1);
    }
    return copy;
}

void *zalloc(size_t n)
{
    void *p = calloc(1, n ? n : 1);
    if (!p) {
        out_of_memory(n);
    }
    return p;
}

bool text_format(char *out, size_t size, const char *fmt, ...)
{
    va_list ap;
    va_start(ap, fmt);
    int n = vsnprintf(out, size, fmt, ap);
    va_end(ap);
    return n >= 0 && (size_t)n < size;
}

static char lower(char c)
{
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

/* Remembers only the last star: an earlier one never needs to take more. */
bool text_matches(const char *pattern, const char *text)
{
    const char *star = NULL, *resume = NULL;
    while (*text) {
        if (*pattern == '*') {
            star = ++pattern;
            resume = text;
        } else if (*pattern && (*pattern == '?' || lower(*pattern) == lower(*text))) {
            pattern++;
            text++;
        } else if (star) {
            pattern = star;
            text = ++resume;
        } else {
            return false;
        }
    }
    while (*pattern == '*') {
        pattern++;
    }
    return !*pattern;
}
