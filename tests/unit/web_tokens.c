/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tokens: made, known again, withdrawn, kept in a file that holds none of them; and wrong
 * ones counted by address in a bounded memory. */
#include "web/guesses.h"
#include "web/tokens.h"

#include "base/clock.h"
#include "base/file.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#define MADE_NS (INT64_C(1780000000) * NS_PER_S)

static char folder[64], file[96];

static int make_folder(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/ampledger-tokens-XXXXXX");
    if (mkdtemp(folder) == NULL) {
        return -1;
    }
    return text_format(file, sizeof file, "%s/yard.tokens", folder) ? 0 : -1;
}

static int drop_folder(void **state)
{
    (void)state;
    unlink(file);
    return rmdir(folder);
}

static struct tokens *opened(void)
{
    struct tokens *t = NULL;
    struct err e = {0};
    if (!tokens_open(file, &t, &e)) {
        fail_msg("%s", e.text);
    }
    return t;
}

static void made(struct tokens *t, const char *name, enum may may, char text[TOKEN_TEXT_SIZE])
{
    struct token_holder wanted = {.may = may};
    struct err e = {0};
    strcpy(wanted.name, name);
    if (!tokens_make(t, &wanted, MADE_NS, text, &e)) {
        fail_msg("%s", e.text);
    }
}

static void known_until_withdrawn(void **state)
{
    (void)state;
    struct tokens *t = opened();
    struct token_holder who = {0};
    struct err e = {0};
    char phone[TOKEN_TEXT_SIZE], wall[TOKEN_TEXT_SIZE];
    uint32_t serial = 0;
    made(t, "phone", MAY_CHANGE, phone);
    made(t, "wall display", MAY_READ, wall);
    assert_int_equal(strlen(phone), TOKEN_TEXT_SIZE - 1);
    assert_string_not_equal(phone, wall);
    assert_true(tokens_find(t, phone, &who));
    assert_string_equal(who.name, "phone");
    assert_int_equal(who.may, MAY_CHANGE);
    uint32_t of_phone = who.serial;
    assert_true(tokens_find(t, wall, &who));
    assert_int_equal(who.may, MAY_READ);
    assert_int_not_equal(who.serial, of_phone);
    /* One letter less, one more, one other. */
    char other[TOKEN_TEXT_SIZE + 1];
    text_format(other, sizeof other, "%sa", phone);
    assert_false(tokens_find(t, other, &who));
    other[TOKEN_TEXT_SIZE - 2] = '\0';
    assert_false(tokens_find(t, other, &who));
    strcpy(other, phone);
    other[0] = other[0] == 'a' ? 'b' : 'a';
    assert_false(tokens_find(t, other, &who));
    assert_false(tokens_find(t, "", &who));
    assert_true(tokens_withdraw(t, "phone", &serial, &e));
    assert_int_equal(serial, of_phone);
    assert_false(tokens_find(t, phone, &who));
    assert_true(tokens_find(t, wall, &who));
    assert_false(tokens_withdraw(t, "phone", &serial, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    tokens_free(t);
    unlink(file);
}

static void file_outlives_and_tells_nothing(void **state)
{
    (void)state;
    struct tokens *t = opened();
    char phone[TOKEN_TEXT_SIZE], *text = NULL;
    size_t n = 0;
    struct err e = {0};
    struct stat st;
    made(t, "phone", MAY_CHANGE, phone);
    tokens_free(t);
    assert_int_equal(stat(file, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0600);
    assert_true(file_read(file, 65536, &text, &n, &e));
    assert_null(strstr(text, phone));
    for (size_t i = 0; i + 8 < sizeof phone; i += 9) { /* nor a group of it */
        char group[9] = "";
        memcpy(group, phone + i, 8);
        assert_null(strstr(text, group));
    }
    free(text);
    t = opened();
    struct token_holder who = {0};
    assert_int_equal(tokens_count(t), 1);
    assert_true(tokens_find(t, phone, &who));
    assert_int_equal(who.may, MAY_CHANGE);
    json_t *shown = tokens_to_json(t);
    char *as_text = json_dumps(shown, 0);
    assert_null(strstr(as_text, "sha256"));
    assert_non_null(strstr(as_text, "\"may\": \"change\""));
    free(as_text);
    json_decref(shown);
    tokens_free(t);
    unlink(file);
}

static void names_once_and_not_without_end(void **state)
{
    (void)state;
    struct tokens *t = opened();
    struct token_holder wanted = {.may = MAY_READ};
    struct err e = {0};
    char text[TOKEN_TEXT_SIZE];
    for (int i = 0; i < TOKENS_MAX; i++) {
        char name[16];
        text_format(name, sizeof name, "wall-%d", i);
        made(t, name, MAY_READ, text);
    }
    strcpy(wanted.name, "wall-3");
    assert_false(tokens_make(t, &wanted, MADE_NS, text, &e));
    assert_non_null(strstr(e.text, "already"));
    strcpy(wanted.name, "one too many");
    assert_false(tokens_make(t, &wanted, MADE_NS, text, &e));
    assert_int_equal(tokens_count(t), TOKENS_MAX);
    tokens_free(t);
    t = opened();
    assert_int_equal(tokens_count(t), TOKENS_MAX);
    tokens_free(t);
    unlink(file);
}

static void damaged_files_are_refused(void **state)
{
    (void)state;
    static const char *const bad[] = {
        "",
        "{",
        "[]",
        "{}",
        "{\"tokens\":{}}",
        "{\"tokens\":[{}]}",
        "{\"tokens\":[{\"name\":\"a\",\"may\":\"fly\",\"made_utc\":\"x\",\"sha256\":\"00\"}]}",
        "{\"tokens\":[{\"name\":\"a\",\"may\":\"read\",\"made_utc\":\"x\",\"sha256\":\"00\"}]}"};
    const struct token_holder wanted = {.may = MAY_READ, .name = "b"};
    char text[TOKEN_TEXT_SIZE];
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct tokens *t = NULL;
        struct err e = {0};
        FILE *f = fopen(file, "w");
        assert_non_null(f);
        fputs(bad[i], f);
        fclose(f);
        if (tokens_open(file, &t, &e)) {
            fail_msg("taken: %s", bad[i]);
        }
        assert_int_equal(e.code, ERR_CONFIG);
        assert_non_null(strstr(e.text, "move it away"));
        assert_int_equal(tokens_count(t), 0);
        e = (struct err){0};
        assert_false(tokens_are_read(t, &e)); /* still known to who comes later */
        assert_non_null(strstr(e.text, "move it away"));
        assert_false(tokens_make(t, &wanted, MADE_NS, text, &e)); /* it would be overwritten */
        assert_non_null(strstr(e.text, "move it away"));
        tokens_free(t);
    }
    unlink(file);
}

/* A disk that does not take it: no token that holds, and none that comes back. */
static void not_made_without_its_file(void **state)
{
    (void)state;
    struct tokens *t = NULL;
    struct token_holder wanted = {.may = MAY_READ, .name = "phone"}, who = {0};
    struct err e = {0};
    char text[TOKEN_TEXT_SIZE], nowhere[128];
    text_format(nowhere, sizeof nowhere, "%s/none/yard.tokens", folder);
    assert_true(tokens_open(nowhere, &t, &e));
    assert_false(tokens_make(t, &wanted, MADE_NS, text, &e));
    assert_int_equal(tokens_count(t), 0);
    assert_false(tokens_find(t, text, &who));
    tokens_free(t);
}

/* Half of it on the disk: told as what it is, and nothing of it stays. */
static void a_disk_that_fills_up(void **state)
{
    (void)state;
    struct tokens *t = opened();
    struct err e = {0};
    struct rlimit before;
    const struct token_holder wanted = {.may = MAY_READ, .name = "a"};
    char text[TOKEN_TEXT_SIZE], draft[160];
    text_format(draft, sizeof draft, "%s.draft", file);
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    const struct rlimit few = {50, before.rlim_max};
    signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &few), 0);
    errno = 0;
    bool made_it = tokens_make(t, &wanted, MADE_NS, text, &e);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    assert_false(made_it);
    assert_non_null(strstr(e.text, "No space left"));
    assert_int_equal(access(draft, F_OK), -1);
    assert_int_equal(tokens_count(t), 0);
    tokens_free(t);
}

static struct guess_source from(const char *text)
{
    struct sockaddr_in v4 = {.sin_family = AF_INET};
    struct sockaddr_in6 v6 = {.sin6_family = AF_INET6};
    if (inet_pton(AF_INET, text, &v4.sin_addr) == 1) {
        return guess_source_of((const struct sockaddr *)&v4);
    }
    assert_int_equal(inet_pton(AF_INET6, text, &v6.sin6_addr), 1);
    return guess_source_of((const struct sockaddr *)&v6);
}

static bool same(const char *a, const char *b)
{
    struct guess_source one = from(a), other = from(b);
    return memcmp(&one, &other, sizeof one) == 0;
}

static void guesses_by_address(void **state)
{
    (void)state;
    assert_false(same("192.0.2.1", "192.0.2.2"));
    assert_true(same("192.0.2.1", "::ffff:192.0.2.1"));
    assert_true(same("2001:db8::1", "2001:db8::ffff:1"));
    assert_false(same("2001:db8::1", "2001:db8:0:1::1"));
    assert_false(same("::1", "0.0.0.0"));
    static struct guesses g;
    struct guess_source one = from("192.0.2.1"), other = from("192.0.2.2");
    int64_t now_ns = 5 * NS_PER_S;
    for (unsigned i = 1; i <= GUESSES_MAX + 5; i++) {
        assert_int_equal(guesses_add(&g, &one, now_ns), i);
    }
    assert_int_equal(guesses_add(&g, &other, now_ns), 1);
    now_ns += (GUESSES_WITHIN_S - 1) * NS_PER_S;
    assert_int_equal(guesses_add(&g, &one, now_ns), GUESSES_MAX + 6);
    now_ns += 2 * NS_PER_S;
    assert_int_equal(guesses_add(&g, &one, now_ns), 1);
}

/* More addresses than places: the oldest goes, and nothing else is touched. */
static void guesses_stay_within_their_memory(void **state)
{
    (void)state;
    static struct guesses g;
    for (int i = 0; i < 3 * GUESSES_PLACES; i++) {
        char text[32];
        text_format(text, sizeof text, "198.51.%d.%d", i / 256, i % 256);
        struct guess_source s = from(text);
        assert_int_equal(guesses_add(&g, &s, (i + 1) * NS_PER_MS), 1);
    }
    struct guess_source newest = from("198.51.2.255"), oldest = from("198.51.0.0");
    assert_int_equal(guesses_add(&g, &newest, NS_PER_S), 2);
    assert_int_equal(guesses_add(&g, &oldest, NS_PER_S), 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(known_until_withdrawn),
        cmocka_unit_test(file_outlives_and_tells_nothing),
        cmocka_unit_test(names_once_and_not_without_end),
        cmocka_unit_test(damaged_files_are_refused),
        cmocka_unit_test(not_made_without_its_file),
        cmocka_unit_test(a_disk_that_fills_up),
        cmocka_unit_test(guesses_by_address),
        cmocka_unit_test(guesses_stay_within_their_memory),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
