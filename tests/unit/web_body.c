/* SPDX-License-Identifier: GPL-3.0-or-later
 * Bodies: what is wrong is said with place or name, and nothing is taken. */
#include "web/body.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

struct wanted {
    char label[8];
    double rated_Ah, temperature_C;
    int cells;
};

static bool read(const char *text, struct wanted *w, struct err *e)
{
    json_t *body = NULL;
    *w = (struct wanted){"", -1, -1, -1};
    const struct body_field fields[] = {
        {"label", BODY_TEXT, true, w->label, sizeof w->label},
        {"rated_Ah", BODY_POSITIVE, false, &w->rated_Ah, 0},
        {"temperature_C", BODY_NUMBER, false, &w->temperature_C, 0},
        {"cells", BODY_COUNT, false, &w->cells, 0},
    };
    bool ok = body_parse(text, strlen(text), &body, e) && body_read(body, fields, 4, e);
    json_decref(body);
    return ok;
}

static void refuses(const char *text, const char *says)
{
    struct wanted w;
    struct err e = {0};
    assert_false(read(text, &w, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    if (strstr(e.text, says) == NULL) {
        fail_msg("%s: \"%s\" does not say \"%s\"", text, e.text, says);
    }
}

static void good(void **state)
{
    (void)state;
    struct wanted w;
    struct err e = {0};
    assert_true(read("{\"label\": \"lamp-7\", \"rated_Ah\": 20, \"cells\": 4,"
                     " \"temperature_C\": -5.5}",
                     &w, &e));
    assert_string_equal(w.label, "lamp-7");
    assert_float_equal(w.rated_Ah, 20, 0);
    assert_float_equal(w.temperature_C, -5.5, 0);
    assert_int_equal(w.cells, 4);
    assert_true(read("{\"label\": \"a\", \"rated_Ah\": null}", &w, &e));
    assert_float_equal(w.rated_Ah, -1, 0);
}

static void bad_json_names_its_place(void **state)
{
    (void)state;
    refuses("{\"label\": \"a\",\n  \"cells\": }", "line 2, column 12");
    refuses("{\"label\": \"a\"} x", "line 1");
    refuses("{\"label\": \"a\", \"label\": \"b\"}", "duplicate");
    refuses("{\"label\": \"\\u0000\"}", "line 1");
    refuses("{\"label\": \"\xff\"}", "line 1");
    refuses("[]", "object");
    refuses("7", "line 1");
}

static void bad_fields_are_named(void **state)
{
    (void)state;
    refuses("", "\"label\" is missing");
    refuses("{}", "\"label\" is missing");
    refuses("{\"label\": null}", "\"label\" is missing");
    refuses("{\"lable\": \"a\"}", "did you mean \"label\"");
    refuses("{\"label\": \"a\", \"tide\": 1}", "tide");
    refuses("{\"label\": 7}", "text in quotes");
    refuses("{\"label\": \"12345678\"}", "7 bytes");
    refuses("{\"label\": \"a\\nb\"}", "control character");
    refuses("{\"label\": \"a\\u009bJ\"}", "control character");
    refuses("{\"label\": \"a\", \"rated_Ah\": \"125\"}", "without quotes");
    refuses("{\"label\": \"a\", \"rated_Ah\": 0}", "greater than 0");
    refuses("{\"label\": \"a\", \"rated_Ah\": -1}", "greater than 0");
    refuses("{\"label\": \"a\", \"rated_Ah\": 1e999}", "line 1");
    refuses("{\"label\": \"a\", \"cells\": 4.5}", "whole number");
    refuses("{\"label\": \"a\", \"cells\": 0}", "whole number");
    refuses("{\"label\": \"a\", \"cells\": 5000000000}", "whole number");
}

static void deep_nesting_is_refused(void **state)
{
    (void)state;
    char text[60001];
    json_t *body = NULL;
    struct err e = {0};
    memset(text, '[', sizeof text - 1);
    text[sizeof text - 1] = '\0';
    assert_false(body_parse(text, sizeof text - 1, &body, &e));
    assert_int_equal(e.code, ERR_CONFIG);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good),
        cmocka_unit_test(bad_json_names_its_place),
        cmocka_unit_test(bad_fields_are_named),
        cmocka_unit_test(deep_nesting_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
