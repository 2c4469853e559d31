/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/ids: UUIDv7 (RFC 9562) identifiers, SHA-256 fingerprints of texts, secrets. */
#ifndef AMPLEDGER_BASE_IDS_H
#define AMPLEDGER_BASE_IDS_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

#define UUID_TEXT_SIZE 37
#define SHA256_TEXT_SIZE 65

/* Time-ordered id: milliseconds of utc_ns, then random bits; two ids made in
 * one process in the same millisecond still sort in the order they were made. */
void uuid7_make(int64_t utc_ns, char out[UUID_TEXT_SIZE]);
/* True for 36 characters of a version-7 UUID in lower or upper case. */
bool uuid7_is_valid(const char *text);

/* Bytes that nobody can guess: from the system's own generator (getrandom(2)), or none. */
bool secret_make(void *out, size_t n, struct err *e) NODISCARD;
/* Takes as long wherever they differ, so that its time tells nothing. */
bool secret_equals(const void *a, const void *b, size_t n);

void sha256_hex(const void *bytes, size_t n, char out[SHA256_TEXT_SIZE]);

#endif
