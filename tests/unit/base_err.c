/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of base/err: what a sentence keeps when it is too long, whose words it
 * repeats safely, and what each code means to a script. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/err.h"

#include <errno.h>
#include <string.h>

static void codes_have_names_and_exit_statuses(void **state)
{
    (void)state;
    static const struct {
        enum err_code code;
        const char *name;
        int status;
    } rows[] = {
        {ERR_NONE, "none", 0},
        {ERR_TIMEOUT, "timeout", 5},
        {ERR_INTERRUPTED, "interrupted", 5},
        {ERR_LINK_LOST, "link-lost", 4},
        {ERR_BAD_REPLY, "bad-reply", 5},
        {ERR_INSTRUMENT, "instrument", 5},
        {ERR_CONFIG, "config", 2},
        {ERR_NOT_FOUND, "not-found", 2},
        {ERR_REFUSED, "refused", 3},
        {ERR_STORE, "store", 5},
        {ERR_SYSTEM, "system", 5},
        {ERR_BUG, "bug", 5},
    };
    assert_int_equal(sizeof rows / sizeof *rows, ERR_BUG + 1);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_int_equal(rows[i].code, i);
        assert_string_equal(err_code_name(rows[i].code), rows[i].name);
        assert_int_equal(err_exit_status(rows[i].code), rows[i].status);
    }
    assert_string_equal(err_code_name((enum err_code)(ERR_BUG + 1)), "unknown");
    assert_string_equal(err_code_name((enum err_code) - 1), "unknown");
    assert_int_equal(err_exit_status((enum err_code)(ERR_BUG + 1)), 5);
}

static void set_and_prefix(void **state)
{
    (void)state;
    struct err e = {0};
    assert_false(err_set(&e, ERR_TIMEOUT, "no answer within %d ms", 500));
    assert_int_equal(e.code, ERR_TIMEOUT);
    assert_string_equal(e.text, "no answer within 500 ms");

    assert_false(err_prefix(&e, "asking %s for its voltage", "load-1"));
    assert_int_equal(e.code, ERR_TIMEOUT);
    assert_string_equal(e.text, "asking load-1 for its voltage: no answer within 500 ms");

    assert_false(err_prefix(&e, "jetty"));
    assert_string_equal(e.text, "jetty: asking load-1 for its voltage: no answer within 500 ms");

    /* A new error replaces all of the old one. */
    assert_false(err_set(&e, ERR_REFUSED, "busy"));
    assert_int_equal(e.code, ERR_REFUSED);
    assert_string_equal(e.text, "busy");
}

static void set_errno(void **state)
{
    (void)state;
    struct err e = {0};
    assert_false(err_set_errno(&e, ENOENT, "cannot open %s", "bench.yaml"));
    assert_int_equal(e.code, ERR_SYSTEM);
    assert_string_equal(e.text, "cannot open bench.yaml: No such file or directory");

    /* A number that the system does not know still makes a sentence. */
    assert_false(err_set_errno(&e, 99999, "cannot write"));
    assert_string_equal(e.text, "cannot write: Unknown error 99999");
}

static void nobody_listens(void **state)
{
    (void)state;
    assert_false(err_set(NULL, ERR_BUG, "%s", "x"));
    assert_false(err_prefix(NULL, "%s", "x"));
    assert_false(err_set_errno(NULL, ENOENT, "%s", "x"));
}

static void prefix_of_nothing_is_a_bug(void **state)
{
    (void)state;
    struct err e = {0};
    assert_false(err_prefix(&e, "starting"));
    assert_int_equal(e.code, ERR_BUG);
    assert_string_equal(e.text, "starting: ");
}

static void own_text_as_argument(void **state)
{
    (void)state;
    struct err e = {0};
    err_set(&e, ERR_TIMEOUT, "no answer");
    err_set(&e, ERR_INSTRUMENT, "given up after 3 tries: %s", e.text);
    assert_string_equal(e.text, "given up after 3 tries: no answer");
    err_prefix(&e, "%s", e.text);
    assert_string_equal(e.text,
                        "given up after 3 tries: no answer: given up after 3 tries: no answer");
    err_set_errno(&e, EIO, "%s", "load");
    err_set_errno(&e, EIO, "%s, again", e.text);
    assert_string_equal(e.text, "load: Input/output error, again: Input/output error");
}

static void too_long_loses_its_tail(void **state)
{
    (void)state;
    char longer[ERR_TEXT_SIZE + 100];
    memset(longer, 'y', sizeof longer - 1);
    longer[sizeof longer - 1] = '\0';
    struct err e = {0};

    err_set(&e, ERR_CONFIG, "%s", longer);
    assert_int_equal(strlen(e.text), ERR_TEXT_SIZE - 1);

    err_prefix(&e, "context");
    assert_int_equal(strlen(e.text), ERR_TEXT_SIZE - 1);
    assert_memory_equal(e.text, "context: yyyy", 13);
    assert_int_equal(e.text[ERR_TEXT_SIZE - 2], 'y');

    /* A context that fills everything leaves no room, and writes no further. */
    err_prefix(&e, "%s", longer);
    assert_int_equal(strlen(e.text), ERR_TEXT_SIZE - 1);
    err_set_errno(&e, ENOENT, "%s", longer);
    assert_int_equal(strlen(e.text), ERR_TEXT_SIZE - 1);
    assert_null(strstr(e.text, "No such"));
}

/* A text of `lead` letters and then the same character again and again, cut. */
static void cut_at(size_t lead, const char *character, size_t want_bytes)
{
    char text[2 * ERR_TEXT_SIZE];
    size_t n = strlen(character);
    memset(text, 'a', lead);
    size_t used = lead;
    for (; used + n < sizeof text; used += n) {
        memcpy(text + used, character, n);
    }
    text[used] = '\0';
    struct err e = {0};
    err_set(&e, ERR_CONFIG, "%s", text);
    assert_int_equal(strlen(e.text), want_bytes);
    assert_memory_equal(e.text + want_bytes - n, character, n);

    /* The same cut when the tail is appended. */
    memcpy(e.text, text, ERR_TEXT_SIZE - 1);
    e.text[want_bytes] = '\0';
    err_prefix(&e, "%s", "p");
    assert_memory_equal(e.text, "p: a", lead > 0 ? 4 : 3);
    assert_int_equal((strlen(e.text) - 3 - lead) % n, 0);
    assert_memory_equal(e.text + strlen(e.text) - n, character, n);
}

static void no_half_character_at_the_cut(void **state)
{
    (void)state;
    const size_t room = ERR_TEXT_SIZE - 1; /* 1023 */
    for (size_t lead = 0; lead < 8; lead++) {
        cut_at(lead, "\xC2\xB0", lead + (room - lead) / 2 * 2);         /* degree sign */
        cut_at(lead, "\xE2\x84\xA6", lead + (room - lead) / 3 * 3);     /* ohm sign */
        cut_at(lead, "\xF0\x9F\x94\x8B", lead + (room - lead) / 4 * 4); /* battery */
    }
}

/* Replies of instruments and lines of files get into messages: no byte of them
 * may steer a terminal or break the JSON that carries the message. */
static void foreign_bytes_are_mended(void **state)
{
    (void)state;
    static const struct {
        const char *said, *shown;
    } rows[] = {
        {"plain", "plain"},
        {"two\nlines\tand a tab", "two\nlines\tand a tab"},
        {"25 \xC2\xB0"
         "C, 5 m\xE2\x84\xA6",
         "25 \xC2\xB0"
         "C, 5 m\xE2\x84\xA6"},
        {"\x1B[2J", "?[2J"},
        {"a\rb\x7F", "a?b?"},
        {"\xC2\x9B"
         "31m",
         "?31m"},            /* control sequence introducer */
        {"\xFF\xFE", "??"},  /* no UTF-8 at all */
        {"caf\xC3", "caf?"}, /* half a character */
        {"\xB0"
         "C",
         "?C"},                       /* Latin-1 */
        {"\xC0\xAF", "??"},           /* overlong */
        {"\xED\xA0\x80", "???"},      /* a surrogate */
        {"\xF4\x90\x80\x80", "????"}, /* beyond Unicode */
        {"\xE2\x84", "??"},
        {"\xE2\x84z", "??z"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct err e = {0};
        err_set(&e, ERR_BAD_REPLY, "it said \"%s\"", rows[i].said);
        char want[64] = "it said \"";
        strcat(strcat(want, rows[i].shown), "\"");
        assert_string_equal(e.text, want);

        /* Also when it comes as context, and when somebody wrote the text himself. */
        err_set(&e, ERR_BAD_REPLY, "x");
        err_prefix(&e, "%s", rows[i].said);
        strcat(strcpy(want, rows[i].shown), ": x");
        assert_string_equal(e.text, want);
        strcpy(e.text, rows[i].said);
        err_prefix(&e, "p");
        strcat(strcpy(want, "p: "), rows[i].shown);
        assert_string_equal(e.text, want);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(codes_have_names_and_exit_statuses),
        cmocka_unit_test(set_and_prefix),
        cmocka_unit_test(set_errno),
        cmocka_unit_test(nobody_listens),
        cmocka_unit_test(prefix_of_nothing_is_a_bug),
        cmocka_unit_test(own_text_as_argument),
        cmocka_unit_test(too_long_loses_its_tail),
        cmocka_unit_test(no_half_character_at_the_cut),
        cmocka_unit_test(foreign_bytes_are_mended),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
