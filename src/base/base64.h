/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/base64: bytes as text (RFC 4648, section 4). */
#ifndef AMPLEDGER_BASE_BASE64_H
#define AMPLEDGER_BASE_BASE64_H

#include <stdbool.h>
#include <stddef.h>

/* Bytes that the text of n bytes takes, with its NUL. */
#define BASE64_SIZE(n) (((n) + 2) / 3 * 4 + 1)

void base64_encode(const void *bytes, size_t n, char *out);
/* `out` may be `text` itself; it needs 3/4 of its length. False: it is not base64. */
bool base64_decode(const char *text, void *out, size_t *n);

#endif
