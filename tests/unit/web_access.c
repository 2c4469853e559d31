/* SPDX-License-Identifier: GPL-3.0-or-later
 * Who may ask over TCP: every kind of request that another site could make a person's
 * browser send is refused, and the page's own are not. */
#include "web/access.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define HERE "127.0.0.1:8470"

static unsigned status_of(struct access_facts f)
{
    struct reply r = {0};
    struct err e = {0};
    f.port = 8470;
    bool ok = access_check(&f, &r, &e);
    assert_int_equal(ok, r.status == 0);
    assert_int_equal(ok, e.text[0] == '\0');
    return ok ? 0 : r.status;
}

static void the_page_itself(void **state)
{
    (void)state;
    const char *const names[] = {HERE, "localhost:8470", "LOCALHOST:8470", "[::1]:8470"};
    for (size_t i = 0; i < 4; i++) {
        char origin[64] = "http://";
        strcat(origin, names[i]);
        struct access_facts f = {.method = "POST",
                                 .host = names[i],
                                 .origin = origin,
                                 .content_type = "application/json; charset=utf-8",
                                 .fetch_site = "same-origin",
                                 .is_api = true};
        assert_int_equal(status_of(f), 0);
    }
    /* A program, which sends neither. */
    struct access_facts curl = {
        .method = "POST", .host = HERE, .content_type = "application/json", .is_api = true};
    assert_int_equal(status_of(curl), 0);
    /* A link on another page to this one, typed addresses, bookmarks. */
    struct access_facts link = {.method = "GET", .host = HERE, .fetch_site = "cross-site"};
    assert_int_equal(status_of(link), 0);
    struct access_facts typed = {
        .method = "GET", .host = HERE, .fetch_site = "none", .is_api = true};
    assert_int_equal(status_of(typed), 0);
}

static void names_of_others(void **state)
{
    (void)state;
    const char *const hosts[] = {NULL,
                                 "",
                                 "boat-hire.example",
                                 "boat-hire.example:8470",
                                 "127.0.0.1",
                                 "127.0.0.1:8471",
                                 "127.0.0.1:84700",
                                 "127.0.0.1.boat-hire.example:8470",
                                 "localhost.:8470",
                                 "0.0.0.0:8470",
                                 "::1:8470"};
    for (size_t i = 0; i < sizeof hosts / sizeof hosts[0]; i++) {
        struct access_facts f = {.method = "GET", .host = hosts[i], .is_api = true};
        assert_int_equal(status_of(f), HTTP_FORBIDDEN);
        f.is_api = false;
        assert_int_equal(status_of(f), HTTP_FORBIDDEN);
    }
}

static void sites_of_others(void **state)
{
    (void)state;
    const char *const origins[] = {"http://boat-hire.example", "https://" HERE,   "null", "",
                                   "http://localhost:8470",    "http://" HERE "0"};
    for (size_t i = 0; i < sizeof origins / sizeof origins[0]; i++) {
        struct access_facts f = {.method = "POST",
                                 .host = HERE,
                                 .origin = origins[i],
                                 .content_type = "application/json",
                                 .is_api = true};
        assert_int_equal(status_of(f), HTTP_FORBIDDEN);
    }
    const char *const sites[] = {"cross-site", "same-site", "anything"};
    for (size_t i = 0; i < 3; i++) {
        struct access_facts f = {
            .method = "GET", .host = HERE, .fetch_site = sites[i], .is_api = true};
        assert_int_equal(status_of(f), HTTP_FORBIDDEN);
    }
}

static void what_a_form_can_send(void **state)
{
    (void)state;
    const char *const types[] = {NULL,
                                 "text/plain",
                                 "application/x-www-form-urlencoded",
                                 "multipart/form-data; boundary=x",
                                 "application/jsonx",
                                 "text/plain; application/json"};
    const char *const methods[] = {"POST", "PUT", "DELETE", "PATCH"};
    for (size_t i = 0; i < sizeof types / sizeof types[0]; i++) {
        struct access_facts f = {
            .method = methods[i % 4], .host = HERE, .content_type = types[i], .is_api = true};
        assert_int_equal(status_of(f), HTTP_WRONG_TYPE);
    }
}

static unsigned at(const struct bench_http *http, const char *host, const char *origin)
{
    return status_of((struct access_facts){
        .method = "GET", .host = host, .origin = origin, .http = http, .is_api = true});
}

/* Names that are listed, and numeric addresses where others reach it; no name beside. */
static void names_where_others_reach_it(void **state)
{
    (void)state;
    const struct bench_http far = {.address = "0.0.0.0:8470"};
    assert_int_equal(at(&far, "192.0.2.7:8470", NULL), 0);
    assert_int_equal(at(&far, "[2001:db8::7]:8470", NULL), 0);
    assert_int_equal(at(&far, HERE, NULL), 0);
    assert_int_equal(at(&far, "192.0.2.7:8471", NULL), HTTP_FORBIDDEN);
    assert_int_equal(at(&far, "192.0.2.7", NULL), HTTP_FORBIDDEN);
    assert_int_equal(at(&far, "192.0.2.7.boat-hire.example:8470", NULL), HTTP_FORBIDDEN);
    assert_int_equal(at(&far, "3221225991:8470", NULL), HTTP_FORBIDDEN);
    assert_int_equal(at(&far, "[boat-hire.example]:8470", NULL), HTTP_FORBIDDEN);
    assert_int_equal(at(&far, "[2001:db8::7:8470", NULL), HTTP_FORBIDDEN);
    assert_int_equal(at(&far, "bench.example:8470", NULL), HTTP_FORBIDDEN);
    const struct bench_http near = {.address = "127.0.0.1:8470"};
    assert_int_equal(at(&near, "192.0.2.7:8470", NULL), HTTP_FORBIDDEN);
    const struct bench_http named = {
        .address = "127.0.0.1:8470", .name_count = 1, .names = {"bench.example"}};
    assert_int_equal(at(&named, "bench.example", NULL), 0);
    assert_int_equal(at(&named, "Bench.Example:443", NULL), 0);
    assert_int_equal(at(&named, "bench.example.evil.example", NULL), HTTP_FORBIDDEN);
    assert_int_equal(at(&named, "xbench.example", NULL), HTTP_FORBIDDEN);
    char long_name[300];
    memset(long_name, 'a', sizeof long_name);
    long_name[sizeof long_name - 1] = '\0';
    assert_int_equal(at(&named, long_name, NULL), HTTP_FORBIDDEN);
}

static void origins_with_tls(void **state)
{
    (void)state;
    const struct bench_http named = {
        .address = "127.0.0.1:8470", .name_count = 1, .names = {"bench.example"}};
    assert_int_equal(at(&named, "bench.example", "https://bench.example"), 0);
    assert_int_equal(at(&named, "bench.example", "http://bench.example"), 0);
    assert_int_equal(at(&named, "bench.example", "https://bench.example:444"), HTTP_FORBIDDEN);
    assert_int_equal(at(&named, HERE, "https://" HERE), HTTP_FORBIDDEN);
    const struct bench_http own = {.address = "0.0.0.0:8470", .certificate = "c", .key = "k"};
    assert_int_equal(at(&own, "192.0.2.7:8470", "https://192.0.2.7:8470"), 0);
    assert_int_equal(at(&own, "192.0.2.7:8470", "http://192.0.2.7:8470"), HTTP_FORBIDDEN);
    assert_int_equal(at(&own, "192.0.2.7:8470", "null"), HTTP_FORBIDDEN);
}

static void where_a_token_is_asked_for(void **state)
{
    (void)state;
    const struct bench_http near = {.address = "127.0.0.1:8470"},
                            always = {.address = "127.0.0.1:8470", .token_always = true},
                            named = {.address = "[::1]:8470", .name_count = 1, .names = {"a"}},
                            far = {.address = "192.0.2.7:8470"}, all = {.address = "[::]:8470"};
    struct access_facts f = {.http = &near};
    assert_false(access_needs_token(&f));
    f.is_forwarded = true; /* something stands here for somebody elsewhere */
    assert_true(access_needs_token(&f));
    const struct bench_http *const asking[] = {&always, &named, &far, &all};
    for (size_t i = 0; i < 4; i++) {
        f = (struct access_facts){.http = asking[i]};
        assert_true(access_needs_token(&f));
    }
}

/* Whoever uses it may do everything: so nothing that stands there for others, and no browser. */
static void what_may_use_the_socket(void **state)
{
    (void)state;
    const struct access_facts program = {.method = "POST", .host = "x"};
    const struct access_facts others[] = {{.method = "GET", .host = "x", .is_forwarded = true},
                                          {.method = "GET", .origin = "http://" HERE},
                                          {.method = "POST", .origin = "null"},
                                          {.method = "GET", .fetch_site = "same-origin"}};
    struct reply r = {0};
    struct err e = {0};
    assert_true(access_check_socket(&program, &r, &e));
    assert_int_equal(r.status, 0);
    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
        r.status = 0;
        assert_false(access_check_socket(&others[i], &r, &e));
        assert_int_equal(r.status, HTTP_FORBIDDEN);
        assert_non_null(strstr(e.text, "proxy"));
    }
}

static void schemes_of_authorization(void **state)
{
    (void)state;
    assert_string_equal(access_bearer("Bearer abc"), "abc");
    assert_string_equal(access_bearer("bearer  abc"), "abc");
    assert_string_equal(access_bearer("Bearer "), "");
    assert_null(access_bearer("Basic abc"));
    assert_null(access_bearer("Bearerabc"));
    assert_null(access_bearer("abc"));
    assert_null(access_bearer(""));
    assert_null(access_bearer(NULL));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_page_itself),
        cmocka_unit_test(names_of_others),
        cmocka_unit_test(sites_of_others),
        cmocka_unit_test(what_a_form_can_send),
        cmocka_unit_test(names_where_others_reach_it),
        cmocka_unit_test(origins_with_tls),
        cmocka_unit_test(where_a_token_is_asked_for),
        cmocka_unit_test(what_may_use_the_socket),
        cmocka_unit_test(schemes_of_authorization),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
