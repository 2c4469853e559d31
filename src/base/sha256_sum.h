/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/sha256_sum: SHA-256 of bytes that come piece by piece; see ids.h for those that are
 * there at once. */
#ifndef AMPLEDGER_BASE_SHA256_SUM_H
#define AMPLEDGER_BASE_SHA256_SUM_H

#include "base/ids.h"

struct sha256_sum {
    uint64_t state[16]; /* hidden */
};
void sha256_sum_start(struct sha256_sum *s);
void sha256_sum_add(struct sha256_sum *s, const void *bytes, size_t n);
void sha256_sum_end(struct sha256_sum *s, char out[SHA256_TEXT_SIZE]);

#endif
