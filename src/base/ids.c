/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/ids: makes UUIDv7 identifiers (RFC 9562, section 5.7, ordered within a
 * millisecond by a counter as in section 6.2, method 1) and SHA-256 texts. */
#include "base/ids.h"
#include "base/sha256_sum.h"

#include "base/clock.h"

#include <errno.h>
#include <nettle/memops.h>
#include <nettle/sha2.h>
#include <pthread.h>
#include <stdbool.h>
#include <string.h>
#include <sys/random.h>
#include <unistd.h>

#define COUNTER_LIMIT 0x1000u /* 12 bits */
#define COUNTER_START 0x07FFu /* begin in the lower half: room for 2048 more */

static const char hex_digits[] = "0123456789abcdef";

/* The last counter of each of the latest milliseconds: threads ask with times a
 * little apart, and the order within a millisecond holds all the same. */
#define SLOTS 64
struct sequence {
    pthread_mutex_t mutex;
    struct {
        bool used;
        uint64_t ms;
        unsigned counter;
    } slots[SLOTS];
};

static struct sequence sequence = {.mutex = PTHREAD_MUTEX_INITIALIZER};

/* An id must be unique, not secret: where the system has no random bytes, the
 * time, the process and a counter do. */
static void fill_from_clock(uint8_t *out, size_t n)
{
    static _Thread_local uint64_t calls;
    struct {
        int64_t now;
        uint64_t calls;
        const void *thread;
        uint64_t process;
    } seed;
    memset(&seed, 0, sizeof seed);
    seed.now = clock_real_ns();
    seed.calls = ++calls;
    seed.thread = &calls;
    seed.process = (uint64_t)getpid();
    struct sha256_ctx sha;
    sha256_init(&sha);
    sha256_update(&sha, sizeof seed, (const uint8_t *)&seed);
    sha256_digest(&sha, n, out);
}

static bool ask_random(void *out, size_t n)
{
    ssize_t got;
    do {
        got = getrandom(out, n, 0);
    } while (got < 0 && errno == EINTR);
    return got == (ssize_t)n;
}

/* n at most 32. */
static void fill_random(uint8_t *out, size_t n)
{
    if (!ask_random(out, n)) {
        fill_from_clock(out, n);
    }
}

bool secret_make(void *out, size_t n, struct err *e)
{
    return ask_random(out, n) || err_set_errno(e, errno, "get random bytes from the system");
}

bool secret_equals(const void *a, const void *b, size_t n)
{
    return memeql_sec(a, b, n) != 0;
}

/* Takes the next place in the order of ids: a millisecond and a counter in it.
 * When a millisecond is full, the next one lends its places. */
static void next_place(uint64_t *ms, unsigned fresh, unsigned *counter)
{
    struct sequence *s = &sequence;
    pthread_mutex_lock(&s->mutex);
    size_t i = *ms % SLOTS;
    while (s->slots[i].used && s->slots[i].ms == *ms && s->slots[i].counter + 1 == COUNTER_LIMIT) {
        i = ++*ms % SLOTS;
    }
    if (s->slots[i].used && s->slots[i].ms == *ms) {
        s->slots[i].counter++;
    } else {
        s->slots[i].used = true;
        s->slots[i].ms = *ms;
        s->slots[i].counter = fresh & COUNTER_START;
    }
    *counter = s->slots[i].counter;
    pthread_mutex_unlock(&s->mutex);
}

static void write_uuid(const uint8_t bytes[16], char out[UUID_TEXT_SIZE])
{
    char *p = out;
    for (int i = 0; i < 16; i++) {
        if (i == 4 || i == 6 || i == 8 || i == 10) {
            *p++ = '-';
        }
        *p++ = hex_digits[bytes[i] >> 4];
        *p++ = hex_digits[bytes[i] & 0x0F];
    }
    *p = '\0';
}

void uuid7_make(int64_t utc_ns, char out[UUID_TEXT_SIZE])
{
    uint8_t b[16];
    fill_random(b, sizeof b);
    uint64_t ms = utc_ns > 0 ? (uint64_t)(utc_ns / NS_PER_MS) : 0;
    unsigned counter;
    next_place(&ms, ((unsigned)b[6] << 8) | b[7], &counter);
    for (int i = 0; i < 6; i++) {
        b[i] = (uint8_t)(ms >> (40 - 8 * i));
    }
    b[6] = (uint8_t)(0x70 | (counter >> 8));
    b[7] = (uint8_t)counter;
    b[8] = (uint8_t)(0x80 | (b[8] & 0x3F));
    write_uuid(b, out);
}

static bool is_hex(char c)
{
    return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f') || (c >= 'A' && c <= 'F');
}

bool uuid7_is_valid(const char *text)
{
    if (!text || strlen(text) != UUID_TEXT_SIZE - 1) {
        return false;
    }
    for (int i = 0; i < UUID_TEXT_SIZE - 1; i++) {
        bool dash = i == 8 || i == 13 || i == 18 || i == 23;
        if (dash ? text[i] != '-' : !is_hex(text[i])) {
            return false;
        }
    }
    return text[14] == '7' && strchr("89abAB", text[19]) != NULL;
}

/* The library's own state is kept in ours, so that its header stays in this file. */
_Static_assert(sizeof(struct sha256_ctx) <= sizeof(struct sha256_sum), "state does not fit");
_Static_assert(_Alignof(struct sha256_ctx) <= _Alignof(struct sha256_sum), "nor lie there");

void sha256_sum_start(struct sha256_sum *s)
{
    sha256_init((struct sha256_ctx *)(void *)s);
}

void sha256_sum_add(struct sha256_sum *s, const void *bytes, size_t n)
{
    if (n > 0) {
        sha256_update((struct sha256_ctx *)(void *)s, n, bytes);
    }
}

void sha256_sum_end(struct sha256_sum *s, char out[SHA256_TEXT_SIZE])
{
    uint8_t digest[SHA256_DIGEST_SIZE];
    sha256_digest((struct sha256_ctx *)(void *)s, sizeof digest, digest);
    for (size_t i = 0; i < sizeof digest; i++) {
        out[2 * i] = hex_digits[digest[i] >> 4];
        out[2 * i + 1] = hex_digits[digest[i] & 0x0F];
    }
    out[2 * sizeof digest] = '\0';
}

void sha256_hex(const void *bytes, size_t n, char out[SHA256_TEXT_SIZE])
{
    struct sha256_sum sum;
    sha256_sum_start(&sum);
    sha256_sum_add(&sum, bytes, n);
    sha256_sum_end(&sum, out);
}
