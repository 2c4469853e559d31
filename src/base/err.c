/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/err: builds error sentences; a text that is too long loses its tail,
 * never the context in front of it, and never half a character. */
#include "base/err.h"

#include "base/utf8.h"

#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

static const char *const code_names[] = {
    [ERR_NONE] = "none",           [ERR_TIMEOUT] = "timeout",     [ERR_INTERRUPTED] = "interrupted",
    [ERR_LINK_LOST] = "link-lost", [ERR_BAD_REPLY] = "bad-reply", [ERR_INSTRUMENT] = "instrument",
    [ERR_CONFIG] = "config",       [ERR_NOT_FOUND] = "not-found", [ERR_REFUSED] = "refused",
    [ERR_STORE] = "store",         [ERR_SYSTEM] = "system",       [ERR_BUG] = "bug",
};

/* Appends `more` to the n bytes in text; returns the new length. */
static size_t append(char text[ERR_TEXT_SIZE], size_t n, const char *more)
{
    size_t room = ERR_TEXT_SIZE - 1 - n;
    size_t want = strlen(more);
    size_t take = want < room ? want : room;
    memcpy(text + n, more, take);
    text[n + take] = '\0';
    if (take < want) {
        utf8_drop_part(text);
    }
    utf8_repair(text + n);
    return strlen(text);
}

/* A text may repeat what an instrument or a stranger said: it is mended here.
 * Formats into a buffer of its own first: an argument may be e->text itself. */
PRINTF_LIKE(2, 0)
static size_t format(char text[ERR_TEXT_SIZE], const char *fmt, va_list ap)
{
    int n = vsnprintf(text, ERR_TEXT_SIZE, fmt, ap);
    if (n < 0) {
        text[0] = '\0';
    } else if (n >= ERR_TEXT_SIZE) {
        utf8_drop_part(text);
    }
    utf8_repair(text);
    return strlen(text);
}

bool err_set(struct err *e, enum err_code code, const char *fmt, ...)
{
    if (!e) {
        return false;
    }
    char text[ERR_TEXT_SIZE];
    va_list ap;
    va_start(ap, fmt);
    size_t n = format(text, fmt, ap);
    va_end(ap);
    memcpy(e->text, text, n + 1);
    e->code = code;
    return false;
}

bool err_prefix(struct err *e, const char *fmt, ...)
{
    if (!e) {
        return false;
    }
    char text[ERR_TEXT_SIZE];
    va_list ap;
    va_start(ap, fmt);
    size_t n = format(text, fmt, ap);
    va_end(ap);
    n = append(text, n, ": ");
    n = append(text, n, e->text);
    memcpy(e->text, text, n + 1);
    if (e->code == ERR_NONE) {
        e->code = ERR_BUG; /* somebody reported a failure without saying which */
    }
    return false;
}

bool err_set_errno(struct err *e, int errno_value, const char *fmt, ...)
{
    if (!e) {
        return false;
    }
    char text[ERR_TEXT_SIZE], reason[128];
    va_list ap;
    va_start(ap, fmt);
    size_t n = format(text, fmt, ap);
    va_end(ap);
    n = append(text, n, ": ");
    n = append(text, n, strerror_r(errno_value, reason, sizeof reason));
    memcpy(e->text, text, n + 1);
    e->code = ERR_SYSTEM;
    return false;
}

const char *err_code_name(enum err_code code)
{
    size_t i = (size_t)code;
    return i < sizeof code_names / sizeof *code_names ? code_names[i] : "unknown";
}

int err_exit_status(enum err_code code)
{
    switch (code) {
    case ERR_NONE:
        return 0;
    case ERR_CONFIG:
    case ERR_NOT_FOUND:
        return 2;
    case ERR_REFUSED:
        return 3;
    case ERR_LINK_LOST:
        return 4;
    case ERR_TIMEOUT:
    case ERR_INTERRUPTED:
    case ERR_BAD_REPLY:
    case ERR_INSTRUMENT:
    case ERR_STORE:
    case ERR_SYSTEM:
    case ERR_BUG:
    default:
        return 5;
    }
}
