/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/body: JSON that a client sent, checked field by field. Pure. */
#ifndef AMPLEDGER_WEB_BODY_H
#define AMPLEDGER_WEB_BODY_H

#include "base/err.h"

#include <jansson.h>
#include <stddef.h>

/* The body as an object; nothing at all counts as {}. Mistakes name line and
 * column. New reference in *out. */
bool body_parse(const char *text, size_t n, json_t **out, struct err *e) NODISCARD;

enum body_kind {
    BODY_TEXT,     /* out: char[size] */
    BODY_POSITIVE, /* out: double, > 0 */
    BODY_NUMBER,   /* out: double */
    BODY_COUNT,    /* out: int, 1 to 1000 */
    BODY_ID,       /* out: int64_t, greater than 0 */
    BODY_FLAG,     /* out: bool */
    BODY_LIST      /* out: const json_t *, borrowed from the body; its items are not looked at */
};

struct body_field {
    const char *name;
    enum body_kind kind;
    bool required;
    void *out;
    size_t size; /* of a text */
};

/* Absent and null leave *out as it was. Unknown fields are refused with the
 * nearest known one. */
bool body_read(const json_t *body, const struct body_field *fields, size_t n,
               struct err *e) NODISCARD;

#endif
