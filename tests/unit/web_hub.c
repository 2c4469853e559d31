/* SPDX-License-Identifier: GPL-3.0-or-later
 * Events for those who look on: order, coming back after a break, falling behind, and
 * slow viewers who skip without holding anybody up. */
#include "web/hub.h"

#include "base/clock.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static int wakes, idles;

static void wake(void *context)
{
    (void)context;
    wakes++;
}

static struct viewer *looks_on(struct event_hub *h, const char *last_event)
{
    return viewer_new(
        h, &(struct viewer_wanted){.last_event = last_event, .is_near = true, .wake = wake});
}

static void nothing(void *context)
{
    (void)context;
    idles++;
}

/* All that the viewer has for now, taken in small bites. */
static char *all(struct viewer *v, char text[65536])
{
    size_t used = 0;
    for (;;) {
        size_t n = viewer_take(v, text + used, 7, nothing);
        if (n == 0) {
            break;
        }
        used += n;
        assert_true(used < 65000);
    }
    text[used] = '\0';
    return text;
}

static int count(const char *text, const char *what)
{
    int n = 0;
    for (const char *at = strstr(text, what); at != NULL; at = strstr(at + 1, what)) {
        n++;
    }
    return n;
}

static void in_order_and_newest_state(void **state)
{
    (void)state;
    static char text[65536];
    struct event_hub *h = hub_new(2, 0xabc);
    hub_put(h, "event", "{\"before\":1}");
    struct viewer *v = looks_on(h, NULL);
    assert_string_equal(all(v, text), "retry: 1500\nid: abc-1\nevent: hello\ndata: {}\n\n");
    assert_true(hub_await(h, clock_monotonic_ns())); /* somebody came */
    assert_false(hub_await(h, clock_monotonic_ns()));
    wakes = 0;
    for (int i = 0; i < 100; i++) { /* a stand changes while nobody takes */
        char json[32];
        snprintf(json, sizeof json, "{\"n\":%d}", i);
        hub_put_stand(h, 1, json);
        if (i == 50) {
            hub_put(h, "run-begun", "{}");
        }
    }
    assert_int_equal(wakes, 101);
    assert_string_equal(all(v, text), "id: abc-53\nevent: run-begun\ndata: {}\n\n"
                                      "id: abc-102\nevent: stand\ndata: {\"n\":99}\n\n");
    assert_string_equal(all(v, text), "");
    hub_beat(h);
    assert_string_equal(all(v, text), "event: beat\ndata: {}\n\n");
    viewer_free(v);
    hub_free(h);
}

static void coming_back(void **state)
{
    (void)state;
    static char text[65536];
    struct event_hub *h = hub_new(1, 0xabc);
    for (int i = 0; i < 10; i++) {
        hub_put(h, "event", "{}");
    }
    struct viewer *v = looks_on(h, "abc-7");
    all(v, text);
    assert_int_equal(count(text, "event: hello"), 1);
    assert_int_equal(count(text, "event: event"), 3);
    assert_non_null(strstr(text, "id: abc-8\n"));
    viewer_free(v);
    const char *const strange[] = {"abd-7",  "abc-11", "abc",  "abc-",
                                   "abc-7x", "-7",     "\xff", "abc-7 "};
    for (size_t i = 0; i < sizeof strange / sizeof strange[0]; i++) {
        v = looks_on(h, strange[i]);
        all(v, text);
        assert_int_equal(count(text, "event: reload"), 1);
        assert_int_equal(count(text, "event: event"), 0);
        viewer_free(v);
    }
    for (int i = 0; i < HUB_KEPT; i++) {
        hub_put(h, "event", "{}");
    }
    v = looks_on(h, "abc-9"); /* number 10 is gone */
    assert_non_null(strstr(all(v, text), "event: reload"));
    viewer_free(v);
    v = looks_on(h, "abc-10");
    all(v, text);
    assert_null(strstr(text, "reload"));
    assert_int_equal(count(text, "event: event"), HUB_KEPT);
    viewer_free(v);
    hub_free(h);
}

static void falling_behind(void **state)
{
    (void)state;
    static char text[65536];
    struct event_hub *h = hub_new(1, 1);
    struct viewer *v = looks_on(h, NULL);
    all(v, text);
    for (int i = 0; i < HUB_KEPT + 1; i++) {
        hub_put(h, "event", "{}");
    }
    assert_non_null(strstr(all(v, text), "event: reload"));
    assert_int_equal(count(text, "event: event"), 0);
    hub_put(h, "event", "{}");
    all(v, text);
    assert_int_equal(count(text, "event: event"), 1);
    viewer_free(v);
    hub_free(h);
}

static void so_many_and_no_more(void **state)
{
    (void)state;
    struct event_hub *h = hub_new(1, 1);
    struct viewer *v[HUB_VIEWERS_MAX];
    for (size_t i = 0; i < HUB_VIEWERS_MAX; i++) {
        v[i] = looks_on(h, NULL);
        assert_non_null(v[i]);
    }
    assert_null(looks_on(h, NULL));
    assert_int_equal(hub_viewers(h), HUB_VIEWERS_MAX);
    viewer_free(v[3]);
    v[3] = looks_on(h, NULL);
    assert_non_null(v[3]);
    for (size_t i = 0; i < HUB_VIEWERS_MAX; i++) {
        viewer_free(v[i]);
    }
    hub_free(h);
}

/* Neither one token nor all that come from elsewhere take all places. */
static void places_for_others(void **state)
{
    (void)state;
    struct event_hub *h = hub_new(1, 1);
    struct viewer *v[HUB_VIEWERS_MAX];
    size_t n = 0;
    for (uint32_t serial = 1; n < HUB_VIEWERS_MAX - HUB_VIEWERS_NEAR; serial++) {
        const struct viewer_wanted wanted = {.serial = serial, .wake = wake};
        for (size_t i = 0; i < HUB_VIEWERS_TOKEN && n < HUB_VIEWERS_MAX - HUB_VIEWERS_NEAR; i++) {
            v[n] = viewer_new(h, &wanted);
            assert_non_null(v[n++]);
        }
        assert_null(viewer_new(h, &wanted));
    }
    assert_null(viewer_new(h, &(struct viewer_wanted){.serial = 99, .wake = wake}));
    assert_null(viewer_new(h, &(struct viewer_wanted){.wake = wake}));
    while (n < HUB_VIEWERS_MAX) {
        v[n] = looks_on(h, NULL);
        assert_non_null(v[n++]);
    }
    while (n > 0) {
        viewer_free(v[--n]);
    }
    hub_free(h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(in_order_and_newest_state),
        cmocka_unit_test(coming_back),
        cmocka_unit_test(falling_behind),
        cmocka_unit_test(so_many_and_no_more),
        cmocka_unit_test(places_for_others),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
