/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of `events` in bench.yaml: what is read, and every mistake refused with
 * its place and the remedy. */
#include "base/file.h"
#include "bench/bench.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#define HEAD "bench: Lakeside boat shed\ndrivers: " AMPLEDGER_SOURCE_DIR "/drivers\n"
#define TAIL                                                                                       \
    "stands:\n  - name: jetty\n    load: {driver: load-scpi, link: \"serial:/dev/ttyS98\"}\n"

static char folder[64], file[96];

static int make_folder(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/ampledger-events-XXXXXX");
    if (mkdtemp(folder) == NULL) {
        return -1;
    }
    text_format(file, sizeof file, "%s/bench.yaml", folder);
    return 0;
}

static int drop_folder(void **state)
{
    (void)state;
    unlink(file);
    return rmdir(folder);
}

/* events: the text after "events:", "" for none at all. */
static bool load_events(const char *events, struct bench **out, struct err *e)
{
    FILE *f = fopen(file, "w");
    assert_non_null(f);
    fprintf(f, "%s%s%s\n%s", HEAD, *events != '\0' ? "events:" : "", events, TAIL);
    fclose(f);
    return bench_load(file, out, e);
}

static struct bench *load_good(const char *events)
{
    struct bench *b = NULL;
    struct err e = {0};
    if (!load_events(events, &b, &e)) {
        fail_msg("refused: %s", e.text);
    }
    return b;
}

static void reads_command_url_and_choice(void **state)
{
    (void)state;
    struct bench *b = load_good("\n  command: [/usr/local/bin/tell-me, \"--short\", \"a b; c\"]\n"
                                "  post: \"http://127.0.0.1:8080/hook\"\n"
                                "  on: [trip, alarm, end]");
    assert_string_equal(b->events.command[0], "/usr/local/bin/tell-me");
    assert_string_equal(b->events.command[1], "--short");
    assert_string_equal(b->events.command[2], "a b; c");
    assert_null(b->events.command[3]);
    assert_string_equal(b->events.post, "http://127.0.0.1:8080/hook");
    assert_false(b->events.on[HOOK_START]);
    assert_false(b->events.on[HOOK_HOLD]);
    assert_true(b->events.on[HOOK_END]);
    assert_true(b->events.on[HOOK_TRIP]);
    assert_true(b->events.on[HOOK_ALARM]);
    bench_free(b);
}

static void a_program_is_looked_for_beside_the_file(void **state)
{
    (void)state;
    char wanted[160];
    struct bench *b = load_good(" {command: [tell/me]}");
    text_format(wanted, sizeof wanted, "%s/tell/me", folder);
    assert_string_equal(b->events.command[0], wanted);
    assert_string_equal(b->events.post, "");
    bench_free(b);
}

static void everything_is_told_unless_chosen(void **state)
{
    (void)state;
    struct bench *b = load_good(" {post: \"https://yard.example/hook\"}");
    assert_null(b->events.command);
    for (int kind = 0; kind < HOOK_KINDS; kind++) {
        assert_true(b->events.on[kind]);
    }
    bench_free(b);
}

static void without_events_nobody_is_told(void **state)
{
    (void)state;
    struct bench *b = load_good("");
    assert_null(b->events.command);
    assert_string_equal(b->events.post, "");
    bench_free(b);
}

/* Lines 1 and 2 are HEAD. The message is what follows the file name. */
static const struct {
    const char *events, *message;
} refusals[] = {
    {" {on: [trip]}", ":3:9: \"events\" needs a \"command\", a URL to \"post\" to, or both"},
    {" {command: \"/bin/true --short\"}",
     ":3:19: \"command\" is a list of a program and its arguments, at most 32 words, no shell: "
     "[\"/usr/local/bin/tell-me\", \"--short\"]"},
    {" {command: []}",
     ":3:19: \"command\" is a list of a program and its arguments, at most 32 words, no shell: "
     "[\"/usr/local/bin/tell-me\", \"--short\"]"},
    {" {command: [/bin/true, [a]]}",
     ":3:31: each item of \"command\" is one word, the first a program"},
    {" {command: [\"\"]}", ":3:20: each item of \"command\" is one word, the first a program"},
    {" {post: \"ftp://127.0.0.1/hook\"}",
     ":3:16: post: \"ftp://127.0.0.1/hook\" is not a URL to post to; write it like "
     "http://127.0.0.1:8080/hook"},
    {" {post: jetty}", ":3:16: post: \"jetty\" is not a URL to post to; write it like "
                       "http://127.0.0.1:8080/hook"},
    {" {post: \"http://\"}", ":3:16: post: \"http://\" is not a URL to post to; write it like "
                             "http://127.0.0.1:8080/hook"},
    {" {post: \"http://127.0.0.1/\", on: trip}",
     ":3:41: \"on\" is a list of events: [trip, alarm, end]"},
    {" {post: \"http://127.0.0.1/\", on: []}",
     ":3:41: \"on\" is a list of events: [trip, alarm, end]"},
    {" {post: \"http://127.0.0.1/\", on: [trip, alarms]}",
     ":3:48: \"alarms\" is no event; did you mean \"alarm\"? there are start, hold, end, trip and "
     "alarm"},
    {" {post: \"http://127.0.0.1/\", on: [breakfast]}",
     ":3:42: \"breakfast\" is no event; there are start, hold, end, trip and alarm"},
    {" {post: \"http://127.0.0.1/\", on: [trip, trip]}", ":3:48: \"trip\" stands here twice"},
};

static void refuses_with_place_and_remedy(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof refusals / sizeof refusals[0]; i++) {
        struct bench *b = NULL;
        struct err e = {0};
        char first[ERR_TEXT_SIZE], wanted[ERR_TEXT_SIZE];
        if (load_events(refusals[i].events, &b, &e)) {
            fail_msg("accepted, but should say: %s", refusals[i].message);
        }
        assert_int_equal(e.code, ERR_CONFIG);
        text_format(first, sizeof first, "%.*s", (int)strcspn(e.text, "\n"), e.text);
        text_format(wanted, sizeof wanted, "%s%s", file, refusals[i].message);
        assert_string_equal(first, wanted);
        assert_null(b);
    }
}

static void unknown_keys_are_refused(void **state)
{
    (void)state;
    struct bench *b = NULL;
    struct err e = {0};
    assert_false(load_events(" {comand: [/bin/true]}", &b, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_non_null(strstr(e.text, ":3:10:"));
    assert_non_null(strstr(e.text, "command"));
    assert_false(load_events(" /bin/true", &b, &e));
    assert_int_equal(e.code, ERR_CONFIG);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reads_command_url_and_choice),
        cmocka_unit_test(a_program_is_looked_for_beside_the_file),
        cmocka_unit_test(everything_is_told_unless_chosen),
        cmocka_unit_test(without_events_nobody_is_told),
        cmocka_unit_test(refuses_with_place_and_remedy),
        cmocka_unit_test(unknown_keys_are_refused),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
