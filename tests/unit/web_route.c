/* SPDX-License-Identifier: GPL-3.0-or-later
 * Routes: every line of the table, wrong paths, wrong methods, names in
 * addresses; and API.md names every route there is. */
#include "web/route.h"

#include "base/file.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void finds(const char *method, const char *path, const char *pattern, const char *param)
{
    struct route_match m;
    struct reply r = {0};
    struct err e = {0};
    if (!route_find(method, path, &m, &r, &e)) {
        fail_msg("%s %s: %s", method, path, e.text);
    }
    assert_string_equal(m.route->pattern, pattern);
    assert_string_equal(m.param, param);
    assert_int_equal(r.status, 0);
    assert_string_equal(r.allow, "");
}

static void refuses(const char *method, const char *path, unsigned status, const char *allow)
{
    struct route_match m;
    struct reply r = {0};
    struct err e = {0};
    assert_false(route_find(method, path, &m, &r, &e));
    if (r.status != status) {
        fail_msg("%s %s: %u, not %u: %s", method, path, r.status, status, e.text);
    }
    assert_string_equal(r.allow, allow);
    assert_true(e.text[0] != '\0');
}

static void good_paths(void **state)
{
    (void)state;
    finds("GET", "/v1/daemon", "/v1/daemon", "");
    finds("GET", "/v1/stands", "/v1/stands", "");
    finds("HEAD", "/v1/stands", "/v1/stands", "");
    finds("GET", "/v1/stands/jetty", "/v1/stands/?", "jetty");
    finds("POST", "/v1/stands/jetty/start", "/v1/stands/?/start", "jetty");
    finds("POST", "/v1/batteries", "/v1/batteries", "");
    finds("GET", "/v1/batteries/launch%20a%2b", "/v1/batteries/?", "launch a+");
    finds("GET", "/v1/batteries/b%C3%BCg", "/v1/batteries/?", "b\xC3\xBCg");
    finds("GET", "/v1/runs/last/samples", "/v1/runs/?/samples", "last");
    finds("GET", "/v1/runs/0198f2C0", "/v1/runs/?", "0198f2C0");
}

static void wrong_paths(void **state)
{
    (void)state;
    refuses("GET", "/", 404, "");
    refuses("GET", "/v1", 404, "");
    refuses("GET", "/v1/stands/", 404, "");
    refuses("GET", "/v1/stands//start", 404, "");
    refuses("GET", "/v1/standsx", 404, "");
    refuses("GET", "/v1/runs/1/samples/2", 404, "");
    refuses("GET", "", 404, "");
}

static void wrong_methods(void **state)
{
    (void)state;
    refuses("DELETE", "/v1/stands", 405, "GET, HEAD");
    refuses("GET", "/v1/stands/jetty/stop", 405, "POST");
    refuses("PUT", "/v1/batteries", 405, "GET, HEAD, POST");
    refuses("HEAD", "/v1/plans", 405, "POST");
}

static void wrong_names(void **state)
{
    char longest[80], path[128];
    (void)state;
    refuses("GET", "/v1/stands/a%2Fb", 400, "");
    refuses("GET", "/v1/stands/a%00b", 400, "");
    refuses("GET", "/v1/stands/a%0ab", 400, "");
    refuses("GET", "/v1/stands/a%zz", 400, "");
    refuses("GET", "/v1/stands/a%2", 400, "");
    refuses("GET", "/v1/stands/%ff", 400, "");
    refuses("GET", "/v1/stands/%C3", 400, "");
    refuses("GET", "/v1/stands/%20a", 400, "");
    refuses("GET", "/v1/stands/%2e%2e", 400, "");
    refuses("GET", "/v1/runs/first", 400, "");
    memset(longest, 'a', sizeof longest);
    longest[LABEL_SIZE - 1] = '\0';
    assert_true(text_format(path, sizeof path, "/v1/stands/%s", longest));
    finds("GET", path, "/v1/stands/?", longest);
    assert_true(text_format(path, sizeof path, "/v1/stands/%sa", longest));
    refuses("GET", path, 400, "");
}

/* No sequence of bytes may make the decoder write past its end or let a control
 * character through. */
static void decoder_survives_anything(void **state)
{
    (void)state;
    unsigned seed = 20260301;
    for (int round = 0; round < 20000; round++) {
        char in[24], out[16];
        size_t n = 0;
        for (; n < sizeof in; n++) {
            seed = seed * 1103515245u + 12345u;
            static const char letters[] = "%%%0fF2a/\x01\xC3\xBC z";
            in[n] = letters[(seed >> 16) % (sizeof letters - 1)];
        }
        struct err e = {0};
        if (percent_decode(in, n, out, sizeof out, &e)) {
            assert_true(strlen(out) < sizeof out);
            for (const char *p = out; *p != '\0'; p++) {
                assert_true((unsigned char)*p >= 0x20 && *p != 0x7f);
            }
        } else {
            assert_int_equal(e.code, ERR_CONFIG);
        }
    }
}

/* "/v1/stands/?/start" is documented as "### POST /v1/stands/NAME/start". */
static void every_route_is_documented(void **state)
{
    (void)state;
    char *text = NULL;
    size_t size = 0, n = 0;
    struct err e = {0};
    assert_true(file_read(AMPLEDGER_SOURCE_DIR "/src/web/API.md", 1 << 20, &text, &size, &e));
    const struct route *table = route_table(&n);
    assert_true(n >= 15);
    for (size_t i = 0; i < n; i++) {
        char heading[160];
        const char *pattern = table[i].pattern;
        bool is_id = table[i].param == PARAM_RUN || strncmp(pattern, "/v1/im", 6) == 0;
        const char *name = is_id ? "ID" : strncmp(pattern, "/v1/b", 5) == 0 ? "LABEL" : "NAME";
        size_t at = strcspn(pattern, "?");
        bool varies = pattern[at] != '\0';
        assert_true(text_format(heading, sizeof heading, "\n### %s %.*s%s%s", table[i].method,
                                (int)at, pattern, varies ? name : "",
                                varies ? pattern + at + 1 : ""));
        if (strstr(text, heading) == NULL) {
            fail_msg("API.md does not have the heading:%s", heading);
        }
    }
    free(text);
}

/* Every route that is no GET takes the right to change, but for those that only compute. */
static void what_each_takes(void **state)
{
    (void)state;
    size_t n = 0;
    const struct route *all = route_table(&n);
    for (size_t i = 0; i < n; i++) {
        const char *p = all[i].pattern;
        enum may wanted = strcmp(all[i].method, "GET") == 0 ? MAY_READ : MAY_CHANGE;
        if (strncmp(p, "/v1/tokens", 10) == 0) {
            wanted = MAY_ALL;
        } else if (wanted == MAY_CHANGE && strncmp(p, "/v1/session", 11) == 0) {
            wanted = MAY_NOTHING;
        } else if (strcmp(p, "/v1/plans") == 0 || strcmp(p, "/v1/lots/?/match") == 0) {
            wanted = MAY_READ;
        }
        if (route_needs(all[i].method, p) != wanted) {
            fail_msg("%s %s takes %d", all[i].method, p, (int)route_needs(all[i].method, p));
        }
    }
    assert_int_equal(route_needs("POST", "/v1/stands/jetty/stop"), MAY_CHANGE);
    assert_int_equal(route_needs("HEAD", "/v1/stands"), MAY_READ);
    assert_int_equal(route_needs("DELETE", "/v1/stands"), MAY_READ);
    assert_int_equal(route_needs("GET", "/v1/nothing"), MAY_READ);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_paths),
        cmocka_unit_test(wrong_paths),
        cmocka_unit_test(wrong_methods),
        cmocka_unit_test(wrong_names),
        cmocka_unit_test(decoder_survives_anything),
        cmocka_unit_test(every_route_is_documented),
        cmocka_unit_test(what_each_takes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
