/* SPDX-License-Identifier: GPL-3.0-or-later
 * Base64: the test vectors of RFC 4648, section 10; all bytes there and back; what is none. */
#include "base/base64.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static void vectors_of_the_standard(void **state)
{
    (void)state;
    static const char *const rows[][2] = {
        {"", ""},
        {"f", "Zg=="},
        {"fo", "Zm8="},
        {"foo", "Zm9v"},
        {"foob", "Zm9vYg=="},
        {"fooba", "Zm9vYmE="},
        {"foobar", "Zm9vYmFy"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[BASE64_SIZE(6)], back[BASE64_SIZE(6)];
        size_t n = 99;
        base64_encode(rows[i][0], strlen(rows[i][0]), text);
        assert_string_equal(text, rows[i][1]);
        assert_true(base64_decode(text, back, &n));
        assert_int_equal(n, strlen(rows[i][0]));
        assert_memory_equal(back, rows[i][0], n);
    }
}

static void all_bytes_come_back_in_place(void **state)
{
    (void)state;
    unsigned char bytes[256];
    char text[BASE64_SIZE(sizeof bytes)];
    size_t n = 0;
    for (size_t i = 0; i < sizeof bytes; i++)
        bytes[i] = (unsigned char)i;
    base64_encode(bytes, sizeof bytes, text);
    assert_int_equal(strlen(text) + 1, sizeof text);
    assert_true(base64_decode(text, text, &n));
    assert_int_equal(n, sizeof bytes);
    assert_memory_equal(text, bytes, n);
}

static void other_texts_are_refused(void **state)
{
    (void)state;
    static const char *const rows[] = {"*", "Zg", "Zg=", "Z", "Zg==Zg==", "Zm9v\xc3"};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char out[16];
        size_t n = 0;
        assert_false(base64_decode(rows[i], out, &n));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(vectors_of_the_standard),
        cmocka_unit_test(all_bytes_come_back_in_place),
        cmocka_unit_test(other_texts_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
