/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the log: one event is one line, whatever is in it and however many
 * threads write; every byte of a link is shown; and nobody who logs waits for the disk
 * that the log is on. Linked with --wrap=write, which makes that disk hang. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "base/log.h"

#include <errno.h>
#include <pthread.h>
#include <sched.h>
#include <semaphore.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])
#define TIME_LENGTH 24 /* "2026-03-01T21:04:05.120Z" */

/* Standard error goes into a file between begin() and end(). */
struct capture {
    FILE *file;
    int kept;
    char text[1 << 20];
};

static struct capture capture;

static void begin(void)
{
    capture.file = tmpfile();
    assert_non_null(capture.file);
    capture.kept = dup(STDERR_FILENO);
    assert_true(dup2(fileno(capture.file), STDERR_FILENO) >= 0);
}

static const char *end(void)
{
    log_flush();
    assert_true(dup2(capture.kept, STDERR_FILENO) >= 0);
    close(capture.kept);
    rewind(capture.file);
    size_t n = fread(capture.text, 1, sizeof capture.text - 1, capture.file);
    capture.text[n] = '\0';
    fclose(capture.file);
    return capture.text;
}

/* Standard error hangs while `hangs`; whoever writes to it waits for one post of `answers`. */
static struct {
    atomic_bool hangs;
    atomic_int waiting;
    sem_t answers;
} disk;

ssize_t __real_write(int fd, const void *bytes, size_t n);
ssize_t __wrap_write(int fd, const void *bytes, size_t n);
ssize_t __wrap_write(int fd, const void *bytes, size_t n)
{
    if (fd == STDERR_FILENO && atomic_load(&disk.hangs)) {
        atomic_fetch_add(&disk.waiting, 1);
        while (sem_wait(&disk.answers) != 0) {
        }
        atomic_fetch_sub(&disk.waiting, 1);
    }
    return __real_write(fd, bytes, n);
}

static void answer(void)
{
    atomic_store(&disk.hangs, false);
    sem_post(&disk.answers);
}

/* Checks the time before a line; returns what stands after it. */
static const char *after_time(const char *line)
{
    char text[TIME_LENGTH + 1];
    int64_t utc_ns = 0;
    struct err e = {0};
    assert_true(strlen(line) > TIME_LENGTH);
    memcpy(text, line, TIME_LENGTH);
    text[TIME_LENGTH] = '\0';
    if (!clock_parse_utc(text, &utc_ns, &e)) {
        fail_msg("%s", e.text);
    }
    int64_t age = clock_real_utc_ns() - utc_ns;
    assert_true(age >= 0 && age < 60 * NS_PER_S);
    return line + TIME_LENGTH;
}

static size_t lines_in(const char *text)
{
    size_t n = 0;
    for (; (text = strchr(text, '\n')); text++) {
        n++;
    }
    return n;
}

static void names_of_levels(void **state)
{
    (void)state;
    static const char *const names[] = {"error", "warn", "info", "debug", "wire"};
    enum log_level level = LOG_INFO;
    for (size_t i = 0; i < COUNT(names); i++) {
        assert_true(log_level_parse(names[i], &level));
        assert_int_equal(level, i);
    }
    static const char *const none[] = {"", "Error", "warning", "infos", " info", "5"};
    for (size_t i = 0; i < COUNT(none); i++) {
        assert_false(log_level_parse(none[i], &level));
        assert_int_equal(level, LOG_WIRE);
    }
}

static void only_what_the_level_lets_through(void **state)
{
    (void)state;
    for (int level = LOG_ERROR; level <= LOG_WIRE; level++) {
        log_set_level((enum log_level)level);
        assert_int_equal(log_level(), level);
        begin();
        log_error("1");
        log_warn("2");
        log_info("3");
        log_debug("4");
        log_wire("quay", '>', "5", 1);
        assert_int_equal(lines_in(end()), level + 1);
    }
    log_set_level(LOG_INFO);
}

static void a_line_says_when_and_how_grave(void **state)
{
    (void)state;
    begin();
    log_error("stand \"%s\": load does not answer", "quay 2");
    assert_string_equal(after_time(end()), " error stand \"quay 2\": load does not answer\n");
    begin();
    log_warn("%d %%", 95);
    assert_string_equal(after_time(end()), " warn  95 %\n");
    begin();
    log_info("%s", "");
    assert_string_equal(after_time(end()), " info  \n");
}

static void an_event_stays_on_its_line(void **state)
{
    (void)state;
    begin();
    log_info("a\nb\r\x1B[2Jc\x7F"
             "d\te 45 \xC2\xB0"
             "C");
    assert_string_equal(after_time(end()), " info  a\\nb\\r\\x1B[2Jc\\x7Fd\\x09e 45 \xC2\xB0"
                                           "C\n");
}

static void what_steers_a_terminal_or_is_no_text_is_shown(void **state)
{
    (void)state;
    /* CSI and NEL of C1, in UTF-8 and bare; half a character; an overlong slash; a surrogate */
    begin();
    log_info("%s", "\xC2\x9B[2J \xC2\x85 \x9B[2J \xE2\x82 \xC0\xAF \xED\xA0\x80");
    assert_string_equal(after_time(end()),
                        " info  \\xC2\\x9B[2J \\xC2\\x85 \\x9B[2J \\xE2\\x82 \\xC0\\xAF "
                        "\\xED\\xA0\\x80\n");
    begin();
    log_info("%s", "\xC2\xA0\xC3\xA9 \xE2\x82\xAC \xF0\x9F\x94\x8B"); /* the first after C1 */
    assert_string_equal(after_time(end()),
                        " info  \xC2\xA0\xC3\xA9 \xE2\x82\xAC \xF0\x9F\x94\x8B\n");
}

static void no_character_is_cut_in_two(void **state)
{
    (void)state;
    static char text[9000];
    for (size_t i = 0; i + 3 < sizeof text; i += 3) {
        memcpy(text + i, "\xE2\x82\xAC", 3);
    }
    for (int shift = 0; shift < 3; shift++) {
        begin();
        log_info("%.*s%s", shift, "xx", text);
        const char *out = end();
        assert_int_equal((strlen(out) - TIME_LENGTH - strlen(" info  \n") - (size_t)shift) % 3, 0);
        assert_null(strstr(out, "\\x"));
    }
}

static void a_long_event_is_cut_but_ends(void **state)
{
    (void)state;
    static char text[20000];
    memset(text, 'x', sizeof text - 1);
    begin();
    log_info("%s", text);
    memset(text, '\x01', sizeof text - 1); /* each needs four characters */
    log_info("%s", text);
    const char *out = end();
    assert_int_equal(lines_in(out), 2);
    assert_int_equal(out[strlen(out) - 1], '\n');
    after_time(strchr(out, '\n') + 1);
    assert_true(strlen(out) < 10000);
}

static void every_byte_on_the_wire(void **state)
{
    (void)state;
    log_set_level(LOG_WIRE);
    begin();
    log_wire("load", '>', "MEAS:VOLT?\r\n", 12);
    assert_string_equal(after_time(end()), " wire  load > MEAS:VOLT?\\r\\n\n");
    begin();
    log_wire("load", '<', "\x00\x7F\xFF\xC2\xB0", 5);
    assert_string_equal(after_time(end()), " wire  load < \\x00\\x7F\\xFF\\xC2\\xB0\n");
    begin();
    log_wire("load", '<', "", 0);
    assert_string_equal(end(), "");

    char bytes[5000];
    memset(bytes, '\xFE', sizeof bytes);
    begin();
    log_wire("load", '<', bytes, sizeof bytes);
    const char *out = end();
    size_t shown = 0;
    for (const char *p = out; (p = strstr(p, "\\xFE")); p++) {
        shown++;
    }
    assert_int_equal(shown, sizeof bytes);
    for (const char *p = out; *p; p = strchr(p, '\n') + 1) {
        assert_memory_equal(after_time(p), " wire  load < ", 14);
    }
    log_set_level(LOG_INFO);
}

static void errno_is_left_alone(void **state)
{
    (void)state;
    int kept = dup(STDERR_FILENO);
    close(STDERR_FILENO); /* even if the log cannot be written at all */
    errno = ENOSPC;
    log_error("the disk is full");
    int after = errno;
    log_flush();
    dup2(kept, STDERR_FILENO);
    close(kept);
    assert_int_equal(after, ENOSPC);

    begin();
    log_error("it has room again");
    const char *out = end();
    assert_non_null(strstr(after_time(out), "log: 1 line was lost before this one"));
    assert_int_equal(lines_in(out), 2);
}

#define THREADS 4
#define EACH 500

static void *write_many(void *context)
{
    const char *letter = context;
    char word[101];
    memset(word, *letter, sizeof word - 1);
    word[sizeof word - 1] = '\0';
    for (int i = 0; i < EACH; i++) {
        log_info("%s", word);
    }
    return NULL;
}

static void lines_of_threads_do_not_mix(void **state)
{
    (void)state;
    static const char letters[THREADS + 1] = "abcd";
    pthread_t threads[THREADS];
    begin();
    for (int i = 0; i < THREADS; i++) {
        union {
            const char *in;
            void *out;
        } letter = {.in = &letters[i]};
        assert_int_equal(pthread_create(&threads[i], NULL, write_many, letter.out), 0);
    }
    for (int i = 0; i < THREADS; i++) {
        pthread_join(threads[i], NULL);
    }
    const char *out = end();
    assert_int_equal(lines_in(out), THREADS * EACH);
    for (const char *p = out; *p; p = strchr(p, '\n') + 1) {
        const char *word = after_time(p) + strlen(" info  ");
        const char one[2] = {*word, '\0'};
        assert_int_equal(strspn(word, one), 100);
        assert_int_equal(word[100], '\n');
    }
}

#define HELD 10000   /* more than the pipe has room for */
#define LONG_MS 3000 /* a busy machine may keep a thread waiting for a second */

static void await(const atomic_int *what, int wanted)
{
    int64_t until_ns = clock_real_ns() + 20 * NS_PER_S;
    while (atomic_load(what) != wanted && clock_real_ns() < until_ns) {
        sched_yield();
    }
    assert_int_equal(atomic_load(what), wanted);
}

/* How many of `of` lines "held NUMBER" arrived, each at most once and in their order, and how
 * many others were told to be lost. */
static void count_held(const char *text, unsigned of, unsigned *arrived, unsigned *told)
{
    unsigned next = 0;
    *arrived = 0;
    *told = 0;
    for (const char *p = text; *p != '\0'; p = strchr(p, '\n') + 1) {
        unsigned number = 0;
        const char *line = after_time(p);
        if (sscanf(line, " info  held %u ", &number) == 1) {
            assert_true(number >= next && number < of);
            next = number + 1;
            (*arrived)++;
        } else {
            assert_int_equal(sscanf(line, " warn  log: %u line", &number), 1);
            *told += number;
        }
    }
}

static void nobody_waits_for_a_disk_that_hangs(void **state)
{
    (void)state;
    static char filler[400];
    memset(filler, 'x', sizeof filler - 1);
    begin();
    atomic_store(&disk.hangs, true);
    int64_t begun_ns = clock_real_ns();
    for (unsigned i = 0; i < HELD; i++) {
        log_info("held %u %s", i, filler);
    }
    int64_t took_ms = (clock_real_ns() - begun_ns) / NS_PER_MS;
    await(&disk.waiting, 1); /* the log's thread, and nobody else */
    answer();
    log_flush();
    log_info("held %u", HELD); /* tells what was lost, if the flush did not */
    const char *out = end();
    unsigned arrived = 0, told = 0;
    count_held(out, HELD + 1, &arrived, &told);
    print_message("%u of %u lines arrived, %u told as lost; %d ms\n", arrived, HELD + 1, told,
                  (int)took_ms);
    assert_true(took_ms < LONG_MS);
    assert_true(arrived > 100 && told > 0);
    assert_int_equal(arrived + told, HELD + 1);
}

static void an_exit_waits_for_it_a_second_and_no_longer(void **state)
{
    (void)state;
    begin();
    atomic_store(&disk.hangs, true);
    log_info("held 0");
    int64_t begun_ns = clock_real_ns();
    log_flush();
    int64_t took_ms = (clock_real_ns() - begun_ns) / NS_PER_MS;
    assert_true(took_ms >= 1000 && took_ms < 1000 + LONG_MS);
    answer();
    assert_string_equal(after_time(end()), " info  held 0\n");
}

static int start_the_thread(void **state)
{
    (void)state;
    sem_init(&disk.answers, 0, 0);
    log_start_thread();
    log_start_thread(); /* there is one only */
    return 0;
}

#define WHATEVER_WRITES                                                                            \
    cmocka_unit_test(only_what_the_level_lets_through),                                            \
        cmocka_unit_test(a_line_says_when_and_how_grave),                                          \
        cmocka_unit_test(an_event_stays_on_its_line),                                              \
        cmocka_unit_test(what_steers_a_terminal_or_is_no_text_is_shown),                           \
        cmocka_unit_test(no_character_is_cut_in_two),                                              \
        cmocka_unit_test(a_long_event_is_cut_but_ends), cmocka_unit_test(every_byte_on_the_wire),  \
        cmocka_unit_test(errno_is_left_alone), cmocka_unit_test(lines_of_threads_do_not_mix)

int main(void)
{
    const struct CMUnitTest direct[] = {cmocka_unit_test(names_of_levels), WHATEVER_WRITES};
    const struct CMUnitTest by_the_thread[] = {
        WHATEVER_WRITES,
        cmocka_unit_test(nobody_waits_for_a_disk_that_hangs),
        cmocka_unit_test(an_exit_waits_for_it_a_second_and_no_longer),
    };
    int failed = cmocka_run_group_tests(direct, NULL, NULL);
    return failed + cmocka_run_group_tests(by_the_thread, start_the_thread, NULL);
}
