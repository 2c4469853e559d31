/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/base64: by nettle. */
#include "base/base64.h"

#include <nettle/base64.h>
#include <stdint.h>
#include <string.h>

void base64_encode(const void *bytes, size_t n, char *out)
{
    base64_encode_raw(out, n, bytes);
    out[BASE64_ENCODE_RAW_LENGTH(n)] = '\0';
}

bool base64_decode(const char *text, void *out, size_t *n)
{
    struct base64_decode_ctx state;
    size_t length = strlen(text);
    *n = length; /* room, as the library sees it */
    base64_decode_init(&state);
    return base64_decode_update(&state, n, out, length, text) && base64_decode_final(&state);
}
