/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of an event's facts: the JSON document and the environment say the same. */
#include "hooks/facts.h"

#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define YARD "Lakeside boat-hire yard"

static struct hook_event hot(void)
{
    struct hook_event e = hook_event_blank(HOOK_TRIP);
    strcpy(e.stand, "jetty");
    strcpy(e.battery, "launch-a");
    strcpy(e.run, "01890000-0000-7000-8000-000000000001");
    e.run_nr = 7;
    strcpy(e.profile, "overnight-capacity-lfp");
    strcpy(e.reason, "temperature-high");
    e.value = 61.1;
    e.limit = 60;
    strcpy(e.unit, "degC");
    strcpy(e.text, "temperature rose above its limit: 61.1 degC, \"limit\" 60 degC");
    e.at_utc_ns = INT64_C(1767225600) * 1000000000; /* 2026-01-01T00:00:00Z */
    e.at_s = 3600.25;
    return e;
}

static json_t *parsed(const struct hook_event *e)
{
    json_error_t why;
    char *text = facts_json(e, YARD);
    assert_non_null(text);
    assert_null(strchr(text, '\n'));
    json_t *root = json_loads(text, 0, &why);
    free(text);
    assert_non_null(root);
    return root;
}

static const char *text_of(json_t *root, const char *key)
{
    const char *text = json_string_value(json_object_get(root, key));
    return text != NULL ? text : "(none)";
}

static const char *variable_of(char *const *environment, const char *name)
{
    const char *found = NULL;
    size_t n = strlen(name);
    for (size_t i = 0; environment[i] != NULL; i++) {
        if (strncmp(environment[i], name, n) == 0 && environment[i][n] == '=') {
            assert_null(found); /* each name once */
            found = environment[i] + n + 1;
        }
    }
    return found;
}

static void assert_variable(char *const *environment, const char *name, const char *wanted)
{
    const char *value = variable_of(environment, name);
    assert_non_null(value);
    assert_string_equal(value, wanted);
}

static void document_holds_every_fact(void **state)
{
    (void)state;
    struct hook_event e = hot();
    json_t *root = parsed(&e);
    assert_string_equal(text_of(root, "event"), "trip");
    assert_string_equal(text_of(root, "bench"), YARD);
    assert_string_equal(text_of(root, "stand"), "jetty");
    assert_string_equal(text_of(root, "battery"), "launch-a");
    assert_string_equal(text_of(root, "run"), e.run);
    assert_int_equal(json_integer_value(json_object_get(root, "run_nr")), 7);
    assert_string_equal(text_of(root, "profile"), "overnight-capacity-lfp");
    assert_string_equal(text_of(root, "reason"), "temperature-high");
    assert_true(fabs(json_number_value(json_object_get(root, "value")) - 61.1) < 1e-9);
    assert_true(json_number_value(json_object_get(root, "limit")) == 60);
    assert_string_equal(text_of(root, "unit"), "degC");
    assert_string_equal(text_of(root, "text"), e.text);
    assert_string_equal(text_of(root, "at"), "2026-01-01T00:00:00.000Z");
    assert_true(json_number_value(json_object_get(root, "at_s")) == 3600.25);
    json_decref(root);
}

static void unknown_is_null_and_not_zero(void **state)
{
    (void)state;
    static const char *const unknown[] = {"stand",  "battery", "run",   "run_nr", "profile",
                                          "reason", "value",   "limit", "unit",   "at_s"};
    struct hook_event e = hook_event_blank(HOOK_ALARM);
    json_t *root = parsed(&e);
    for (size_t i = 0; i < sizeof unknown / sizeof unknown[0]; i++) {
        assert_true(json_is_null(json_object_get(root, unknown[i])));
    }
    json_decref(root);
}

static void bytes_that_are_no_text_do_not_lose_the_document(void **state)
{
    (void)state;
    struct hook_event e = hot();
    strcpy(e.text, "the load answers \xC3\x28 and\x01");
    json_t *root = parsed(&e);
    assert_string_equal(text_of(root, "text"), "the load answers ?( and?");
    json_decref(root);
    strcpy(e.text, "cut within \xE2\x82"); /* two of the three bytes of a currency sign */
    char **v = facts_environment(&e, YARD, NULL);
    assert_variable(v, "AMPLEDGER_TEXT", "cut within ");
    facts_environment_free(v);
}

static void environment_says_the_same(void **state)
{
    (void)state;
    struct hook_event e = hot();
    char **v = facts_environment(&e, YARD, NULL);
    assert_variable(v, "AMPLEDGER_EVENT", "trip");
    assert_variable(v, "AMPLEDGER_BENCH", YARD);
    assert_variable(v, "AMPLEDGER_STAND", "jetty");
    assert_variable(v, "AMPLEDGER_BATTERY", "launch-a");
    assert_variable(v, "AMPLEDGER_RUN", e.run);
    assert_variable(v, "AMPLEDGER_RUN_NR", "7");
    assert_variable(v, "AMPLEDGER_PROFILE", "overnight-capacity-lfp");
    assert_variable(v, "AMPLEDGER_REASON", "temperature-high");
    assert_variable(v, "AMPLEDGER_VALUE", "61.1");
    assert_variable(v, "AMPLEDGER_LIMIT", "60");
    assert_variable(v, "AMPLEDGER_UNIT", "degC");
    assert_variable(v, "AMPLEDGER_TEXT", e.text);
    assert_variable(v, "AMPLEDGER_AT", "2026-01-01T00:00:00.000Z");
    assert_variable(v, "AMPLEDGER_AT_S", "3600.25");
    facts_environment_free(v);
}

static void environment_keeps_what_was_there_but_not_the_daemons_own(void **state)
{
    (void)state;
    char path[] = "PATH=/usr/bin", old[] = "AMPLEDGER_VALUE=12", socket[] = "AMPLEDGER_SOCKET=/s",
         notify[] = "NOTIFY_SOCKET=/run/n", watchdog[] = "WATCHDOG_USEC=1";
    char *inherited[] = {path, old, notify, socket, watchdog, NULL};
    struct hook_event e = hook_event_blank(HOOK_START);
    char **v = facts_environment(&e, YARD, inherited);
    assert_variable(v, "PATH", "/usr/bin");
    assert_variable(v, "AMPLEDGER_SOCKET", "/s");
    assert_variable(v, "AMPLEDGER_VALUE", ""); /* unknown, and not an older one */
    assert_variable(v, "AMPLEDGER_RUN_NR", "");
    assert_null(variable_of(v, "NOTIFY_SOCKET"));
    assert_null(variable_of(v, "WATCHDOG_USEC"));
    facts_environment_free(v);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(document_holds_every_fact),
        cmocka_unit_test(unknown_is_null_and_not_zero),
        cmocka_unit_test(bytes_that_are_no_text_do_not_lose_the_document),
        cmocka_unit_test(environment_says_the_same),
        cmocka_unit_test(environment_keeps_what_was_there_but_not_the_daemons_own),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
