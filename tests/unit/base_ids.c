/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of base/ids: UUIDv7 layout and order (RFC 9562), SHA-256 (FIPS 180-4
 * examples as published by NIST). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "base/file.h"
#include "base/ids.h"

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Each test takes its own time: ids of one millisecond share a sequence. */
#define T0 INT64_C(1772398805120000000) /* 2026-03-01T21:00:05.120Z */

static uint64_t milliseconds_of(const char *id)
{
    char hex[13] = "";
    memcpy(hex, id, 8);
    memcpy(hex + 8, id + 9, 4);
    return strtoull(hex, NULL, 16);
}

static void layout(void **state)
{
    (void)state;
    bool seen_variant[4] = {false};
    for (int i = 0; i < 500; i++) {
        char id[UUID_TEXT_SIZE];
        uuid7_make(T0 + i * NS_PER_MS, id);
        assert_int_equal(strlen(id), 36);
        for (int k = 0; k < 36; k++) {
            bool dash = k == 8 || k == 13 || k == 18 || k == 23;
            assert_non_null(strchr(dash ? "-" : "0123456789abcdef", id[k]));
        }
        assert_int_equal(id[14], '7');         /* version */
        static const char variants[] = "89ab"; /* variant bits 10 */
        const char *variant = strchr(variants, id[19]);
        assert_non_null(variant);
        seen_variant[(variant - variants) % 4] = true;
        assert_true(milliseconds_of(id) == (uint64_t)(T0 / NS_PER_MS) + (uint64_t)i);
        assert_true(uuid7_is_valid(id));
    }
    for (int i = 0; i < 4; i++) {
        assert_true(seen_variant[i]); /* the other two bits are random */
    }
}

/* RFC 9562 appendix A.6: the id of 2022-02-22T19:22:22.000Z begins so. */
static void time_of_the_published_example(void **state)
{
    (void)state;
    char id[UUID_TEXT_SIZE];
    int64_t utc = 0;
    struct err e = {0};
    assert_true(clock_parse_utc("2022-02-22T19:22:22Z", &utc, &e));
    uuid7_make(utc, id);
    assert_memory_equal(id, "017f22e2-79b0-7", 15);
    assert_true(uuid7_is_valid("017F22E2-79B0-7CC3-98C4-DC0C0C07398F"));
}

static void parts_of_a_millisecond_do_not_count(void **state)
{
    (void)state;
    char id[UUID_TEXT_SIZE];
    uuid7_make(T0 + 700 * NS_PER_MS + NS_PER_MS - 1, id);
    assert_true(milliseconds_of(id) == (uint64_t)(T0 / NS_PER_MS) + 700);
    uuid7_make(0, id);
    assert_memory_equal(id, "00000000-0000-7", 15);
    uuid7_make(-5 * NS_PER_S, id); /* before 1970: as early as an id can be */
    assert_memory_equal(id, "00000000-0000-7", 15);
    uuid7_make(INT64_MAX, id);
    assert_true(milliseconds_of(id) == (uint64_t)(INT64_MAX / NS_PER_MS));
}

static void later_sorts_after(void **state)
{
    (void)state;
    char before[UUID_TEXT_SIZE], id[UUID_TEXT_SIZE];
    uuid7_make(T0 + 10 * NS_PER_S, before);
    for (int i = 1; i < 2000; i++) {
        uuid7_make(T0 + 10 * NS_PER_S + i * i * NS_PER_MS, id);
        assert_true(strcmp(before, id) < 0);
        memcpy(before, id, sizeof before);
    }
}

/* More than the 4096 places of a millisecond, so that it overflows. */
static void same_millisecond_keeps_the_order(void **state)
{
    (void)state;
    char before[UUID_TEXT_SIZE], id[UUID_TEXT_SIZE];
    int64_t utc = T0 + 5000 * NS_PER_S;
    uuid7_make(utc, before);
    for (int i = 0; i < 20000; i++) {
        uuid7_make(utc + i % 1000, id);
        assert_true(strcmp(before, id) < 0);
        memcpy(before, id, sizeof before);
    }
    /* It lent places of the next milliseconds, and only a few of those. */
    assert_true(milliseconds_of(id) > (uint64_t)(utc / NS_PER_MS));
    assert_true(milliseconds_of(id) <= (uint64_t)(utc / NS_PER_MS) + 10);
    uuid7_make(utc + NS_PER_MS, id);
    assert_true(strcmp(before, id) < 0);
}

/* Threads ask with times a little apart, and the wall clock may be set back. */
static void order_survives_other_milliseconds_in_between(void **state)
{
    (void)state;
    static const int others_ms[] = {-1, 1, -30, 30, -20, 17};
    int64_t utc = T0 + 6000 * NS_PER_S;
    char before[UUID_TEXT_SIZE], id[UUID_TEXT_SIZE], other[UUID_TEXT_SIZE];
    uuid7_make(utc, before);
    for (size_t i = 0; i < 1200; i++) {
        uuid7_make(utc + others_ms[i % 6] * NS_PER_MS, other);
        uuid7_make(utc, id);
        assert_true(strcmp(before, id) < 0);
        memcpy(before, id, sizeof before);
    }
}

#define THREADS 3
#define EACH 4000
static char many[THREADS][EACH][UUID_TEXT_SIZE];

static void *make_many(void *arg)
{
    char(*ids)[UUID_TEXT_SIZE] = arg;
    for (int i = 0; i < EACH; i++) {
        uuid7_make(T0 + 7000 * NS_PER_S + i / 100 * NS_PER_MS, ids[i]);
    }
    return NULL;
}

static int by_text(const void *a, const void *b)
{
    return strcmp(a, b);
}

static void threads_never_get_the_same(void **state)
{
    (void)state;
    pthread_t threads[THREADS];
    for (int i = 0; i < THREADS; i++) {
        assert_int_equal(pthread_create(&threads[i], NULL, make_many, many[i]), 0);
    }
    for (int i = 0; i < THREADS; i++) {
        pthread_join(threads[i], NULL);
    }
    for (int i = 0; i < THREADS; i++) {
        for (int k = 1; k < EACH; k++) {
            /* One thread's own ids of one millisecond are in its order. */
            assert_true(k % 100 == 0 || strcmp(many[i][k - 1], many[i][k]) < 0);
        }
    }
    qsort(many, THREADS * EACH, UUID_TEXT_SIZE, by_text);
    for (int i = 1; i < THREADS * EACH; i++) {
        assert_string_not_equal(many[0][0] + (i - 1) * UUID_TEXT_SIZE,
                                many[0][0] + i * UUID_TEXT_SIZE);
    }
}

static void what_is_an_id(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        bool valid;
    } rows[] = {
        {"017f22e2-79b0-7cc3-98c4-dc0c0c07398f", true},
        {"017F22E2-79B0-7CC3-98C4-DC0C0C07398F", true},
        {"017f22e2-79b0-7cc3-88c4-dc0c0c07398f", true},
        {"017f22e2-79b0-7cc3-A8c4-dc0c0c07398f", true},
        {"017f22e2-79b0-7cc3-b8c4-dc0c0c07398f", true},
        {NULL, false},
        {"", false},
        {"017f22e2-79b0-4cc3-98c4-dc0c0c07398f", false},  /* version 4 */
        {"017f22e2-79b0-7cc3-78c4-dc0c0c07398f", false},  /* variant 0 */
        {"017f22e2-79b0-7cc3-c8c4-dc0c0c07398f", false},  /* variant 110 */
        {"017f22e2-79b0-7cc3-98c4-dc0c0c07398", false},   /* one short */
        {"017f22e2-79b0-7cc3-98c4-dc0c0c07398f0", false}, /* one long */
        {" 17f22e2-79b0-7cc3-98c4-dc0c0c07398f", false},
        {"017f22e2-79b0-7cc3-98c4-dc0c0c07398g", false},
        {"017f22e2079b0-7cc3-98c4-dc0c0c07398f", false},
        {"017f22e279b0-7cc3-98c4-dc0c0c07398f-", false},
        {"017f22e2-79b0-7cc3-98c4-dc0c0c0739'-", false},
        {"{17f22e2-79b0-7cc3-98c4-dc0c0c07398}", false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        if (uuid7_is_valid(rows[i].text) != rows[i].valid) {
            fail_msg("%s", rows[i].text ? rows[i].text : "NULL");
        }
    }
}

static void sha256_of_published_examples(void **state)
{
    (void)state;
    static const struct {
        const char *text, *digest;
    } rows[] = {
        {"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
        {"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
         "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
        {"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
    };
    char digest[SHA256_TEXT_SIZE];
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        sha256_hex(rows[i].text, strlen(rows[i].text), digest);
        assert_string_equal(digest, rows[i].digest);
    }
    sha256_hex(NULL, 0, digest);
    assert_string_equal(digest, rows[2].digest);

    char *million = zalloc(1000000);
    memset(million, 'a', 1000000);
    sha256_hex(million, 1000000, digest);
    free(million);
    assert_string_equal(digest, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(layout),
        cmocka_unit_test(time_of_the_published_example),
        cmocka_unit_test(parts_of_a_millisecond_do_not_count),
        cmocka_unit_test(later_sorts_after),
        cmocka_unit_test(same_millisecond_keeps_the_order),
        cmocka_unit_test(order_survives_other_milliseconds_in_between),
        cmocka_unit_test(threads_never_get_the_same),
        cmocka_unit_test(what_is_an_id),
        cmocka_unit_test(sha256_of_published_examples),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
