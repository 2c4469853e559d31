/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/err: errors are values with context, to be read by a person.
 *
 * One idiom everywhere: a function that can fail returns bool and takes a
 * `struct err *` as its last argument. It returns false if and only if it has
 * filled the error. Callers add what they were doing with err_prefix(). */
#ifndef AMPLEDGER_BASE_ERR_H
#define AMPLEDGER_BASE_ERR_H

#include <stdbool.h>

#define NODISCARD __attribute__((warn_unused_result))
#define PRINTF_LIKE(fmt, args) __attribute__((format(printf, fmt, args)))

/* What the program can act on; the sentence is for the person. */
enum err_code {
    ERR_NONE = 0,
    ERR_TIMEOUT,     /* no answer before the deadline */
    ERR_INTERRUPTED, /* the wake-up descriptor fired while waiting */
    ERR_LINK_LOST,   /* unplugged, hung up, not there */
    ERR_BAD_REPLY,   /* bytes came, but not an answer to the question */
    ERR_INSTRUMENT,  /* the instrument itself reported an error or disobeyed */
    ERR_CONFIG,      /* a file, an argument or a request is wrong: exit status 2 */
    ERR_NOT_FOUND,   /* a name that is not known: exit status 2 */
    ERR_REFUSED,     /* understood, but not allowed now: exit status 3 */
    ERR_STORE,       /* the database cannot be read or written */
    ERR_SYSTEM,      /* the operating system said no */
    ERR_BUG          /* our own mistake */
};

#define ERR_TEXT_SIZE 1024

struct err {
    enum err_code code;
    /* One sentence, or several lines for a mistake in a file. Always UTF-8 without
     * control characters but newline and tab: what is not, is shown as '?'. */
    char text[ERR_TEXT_SIZE];
};

/* Fill *e (may be NULL). Always returns false, so `return err_set(...)` reads well. */
bool err_set(struct err *e, enum err_code code, const char *fmt, ...) PRINTF_LIKE(3, 4);

/* Put "context: " before the text already in *e. Always returns false. */
bool err_prefix(struct err *e, const char *fmt, ...) PRINTF_LIKE(2, 3);

/* As err_set with ERR_SYSTEM, with ": " and the text of errno_value appended. */
bool err_set_errno(struct err *e, int errno_value, const char *fmt, ...) PRINTF_LIKE(3, 4);

/* Short stable name of a code ("timeout", "link-lost", ...), for logs and JSON. */
const char *err_code_name(enum err_code code);

/* Exit status of the command line for an error (see README: 2 usage or bad
 * file, 3 refused, 4 daemon not reachable (ERR_LINK_LOST), 5 internal). */
int err_exit_status(enum err_code code);

#endif
