/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of run/slip: what it says is read back as it was; it goes away; a process that
 * runs out of memory leaves word that its runs tripped, unless they had their own trip. */
#include <math.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#include "base/file.h"
#include "run/slip.h"

#define RUN_ID "0190a5b2-7c3d-7e4f-8a1b-2c3d4e5f6071"

/* Else the sanitizer ends the process itself, with words of its own. */
const char *__asan_default_options(void);
const char *__asan_default_options(void)
{
    return "allocator_may_return_null=1";
}

struct place {
    char folder[64], database[96], file[112];
};

static int make_place(void **state)
{
    struct place *p = zalloc(sizeof *p);
    strcpy(p->folder, "/tmp/ampledger-slip-XXXXXX");
    assert_non_null(mkdtemp(p->folder));
    text_format(p->database, sizeof p->database, "%s/ledger.db", p->folder);
    text_format(p->file, sizeof p->file, "%s.run-jetty", p->database);
    *state = p;
    return 0;
}

static int remove_place(void **state)
{
    struct place *p = *state;
    unlink(p->file);
    int failed = rmdir(p->folder);
    free(p);
    return failed;
}

static struct slip *open_slip(const struct place *p)
{
    struct slip *s = NULL;
    struct err e = {0};
    if (!slip_open(p->database, "jetty", &s, &e)) {
        fail_msg("%s", e.text);
    }
    return s;
}

static void written(struct slip *s)
{
    struct err e = {0};
    if (!slip_wait(s, 20000, &e)) {
        fail_msg("%s", e.text);
    }
}

static const struct run_trip hot = {
    .reason = "temperature-high",
    .sentence = "the battery is too hot: 61 degC, limit 60 degC",
    .at_utc_ns = INT64_C(1790000000123456789),
    .at_s = 4321.5,
    .value = 61,
    .limit = NAN,
};

static void what_is_written_is_read(void **state)
{
    const struct place *p = *state;
    struct slip_text t;
    struct slip *s = open_slip(p);
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_NONE);
    slip_begin(s, RUN_ID, 17, true);
    written(s);
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_RESUMABLE);
    assert_string_equal(t.run_id, RUN_ID);
    slip_forbid(s);
    written(s);
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_RUN);
    assert_string_equal(t.run_id, RUN_ID);
    slip_trip(s, &hot);
    slip_close(s); /* which writes what is asked for; and another process reads it */
    s = open_slip(p);
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_TRIP);
    assert_int_equal(t.nr, 17);
    assert_string_equal(t.trip.reason, hot.reason);
    assert_string_equal(t.trip.sentence, hot.sentence);
    assert_int_equal(t.trip.at_utc_ns, hot.at_utc_ns);
    assert_true(t.trip.at_s == hot.at_s && t.trip.value == hot.value && isnan(t.trip.limit));
    slip_remove(s);
    written(s);
    assert_int_equal(access(p->file, F_OK), -1);
    slip_close(s);
}

static void the_longest_trip_keeps_its_begin(void **state)
{
    const struct place *p = *state;
    struct slip_text t;
    struct slip *s = open_slip(p);
    struct run_trip long_trip = {.at_utc_ns = INT64_MIN, .at_s = -1e300, .value = 1e300};
    memset(long_trip.reason, 'r', sizeof long_trip.reason - 1);
    memset(long_trip.sentence, 's', sizeof long_trip.sentence - 1);
    slip_begin(s, RUN_ID, INT64_MIN, false);
    slip_trip(s, &long_trip);
    written(s);
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_TRIP);
    assert_string_equal(t.trip.reason, long_trip.reason);
    assert_int_equal(strspn(t.trip.sentence, "s"), strlen(t.trip.sentence));
    assert_true(strlen(t.trip.sentence) >= 200);
    slip_close(s);
}

static void a_folder_that_is_gone_is_told(void **state)
{
    (void)state;
    struct slip *s = NULL;
    struct err e = {0};
    assert_true(slip_open("/nonexistent/ledger.db", "jetty", &s, &e));
    slip_begin(s, RUN_ID, 1, true);
    assert_false(slip_wait(s, 20000, &e));
    assert_non_null(strstr(e.text, "/nonexistent/ledger.db.run-jetty"));
    slip_close(s);
}

/* A full disk keeps a run from being begun, and says which file it was. */
static void a_full_disk_is_told(void **state)
{
    const struct place *p = *state;
    struct err e = {0};
    assert_int_equal(symlink("/dev/full", p->file), 0);
    struct slip *s = open_slip(p);
    slip_begin(s, RUN_ID, 1, true);
    assert_false(slip_wait(s, 20000, &e));
    assert_int_equal(e.code, ERR_SYSTEM);
    assert_non_null(strstr(e.text, p->file));
    assert_non_null(strstr(e.text, "No space left"));
    slip_remove(s);
    written(s); /* and what was done about it counts */
    slip_close(s);
}

static void what_cannot_be_taken_away_is_told(void **state)
{
    const struct place *p = *state;
    struct err e = {0};
    assert_int_equal(mkdir(p->file, 0700), 0);
    struct slip *s = open_slip(p);
    slip_remove(s);
    assert_false(slip_wait(s, 20000, &e));
    assert_non_null(strstr(e.text, p->file));
    assert_int_equal(rmdir(p->file), 0);
    slip_close(s);
}

static void a_path_that_is_too_long_is_refused(void **state)
{
    (void)state;
    char path[8000];
    struct slip *s = NULL;
    struct err e = {0};
    memset(path, 'p', sizeof path - 1);
    path[sizeof path - 1] = '\0';
    assert_false(slip_open(path, "jetty", &s, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_non_null(strstr(e.text, "too long"));
}

/* Every run that is on has tripped, once; one that is over has not. */
static void last_words_are_of_what_is_on(void **state)
{
    const struct place *p = *state;
    struct slip_text t;
    struct slip *s = open_slip(p);
    slip_last_words(); /* nothing is on: nothing is written */
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_NONE);
    slip_begin(s, RUN_ID, 17, true);
    written(s);
    slip_last_words();
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_TRIP);
    assert_string_equal(t.trip.reason, "cannot-record");
    slip_begin(s, RUN_ID, 18, false);
    slip_trip(s, &hot);
    written(s);
    slip_last_words();
    slip_read(s, &t);
    assert_string_equal(t.trip.reason, hot.reason);
    slip_remove(s);
    written(s);
    slip_last_words();
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_NONE);
    slip_close(s);
}

/* In a process of its own, which has a run on and then no memory. */
static void run_out_of_memory(const struct place *p, const struct run_trip *tripped)
{
    const struct rlimit no_core = {0, 0};
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        setrlimit(RLIMIT_CORE, &no_core);
        (void)!freopen("/dev/null", "w", stderr);
        struct err e = {0};
        struct slip *s = NULL;
        if (!slip_open(p->database, "jetty", &s, &e)) {
            _exit(1);
        }
        on_out_of_memory(slip_last_words);
        slip_begin(s, RUN_ID, 17, true);
        if (!slip_wait(s, 20000, &e)) {
            _exit(2);
        }
        if (tripped != NULL) {
            slip_trip(s, tripped);
            if (!slip_wait(s, 20000, &e)) {
                _exit(3);
            }
        }
        free(zalloc((size_t)1 << 46));
        _exit(4);
    }
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFSIGNALED(status) && WTERMSIG(status) == SIGABRT);
}

static void without_memory_a_run_has_tripped(void **state)
{
    const struct place *p = *state;
    struct slip_text t;
    run_out_of_memory(p, NULL);
    struct slip *s = open_slip(p);
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_TRIP);
    assert_int_equal(t.nr, 17);
    assert_string_equal(t.run_id, RUN_ID);
    assert_string_equal(t.trip.reason, "cannot-record");
    assert_non_null(strstr(t.trip.sentence, "memory"));
    assert_true(t.trip.at_utc_ns > hot.at_utc_ns / 2);
    slip_close(s);
}

static void without_memory_a_trip_stays_what_it_was(void **state)
{
    const struct place *p = *state;
    struct slip_text t;
    run_out_of_memory(p, &hot);
    struct slip *s = open_slip(p);
    slip_read(s, &t);
    assert_int_equal(t.kind, SLIP_TRIP);
    assert_string_equal(t.trip.reason, hot.reason);
    slip_close(s);
}

#define at(test) cmocka_unit_test_setup_teardown(test, make_place, remove_place)

int main(void)
{
    const struct CMUnitTest tests[] = {
        at(what_is_written_is_read),
        at(the_longest_trip_keeps_its_begin),
        at(a_folder_that_is_gone_is_told),
        at(a_full_disk_is_told),
        at(what_cannot_be_taken_away_is_told),
        at(a_path_that_is_too_long_is_refused),
        at(last_words_are_of_what_is_on),
        at(without_memory_a_run_has_tripped),
        at(without_memory_a_trip_stays_what_it_was),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
