/* SPDX-License-Identifier: GPL-3.0-or-later
 * The worker's end of the line to its keeper: nothing is switched on unless the keeper has
 * said that it holds the instrument, and no keeper, however broken, holds a stand up. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "base/file.h"
#include "run/keeper_line.h"

#include <fcntl.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

/* What the keeper of a test does with one question. */
enum answer { RIGHT, LATE_ONES_FIRST, OF_ANOTHER_SLOT, TOO_SHORT, HANGS_UP, NOTHING };

struct scene {
    struct keeper_line *line;
    struct keeper_page page;
    int keeper; /* its end */
    enum answer answer;
    struct keeper_message heard;
    int handed_over; /* the descriptor that came with it; -1 */
    pthread_t thread;
};

static int setup(void **state)
{
    struct scene *s = zalloc(sizeof *s);
    int pair[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, pair), 0);
    s->line = keeper_line_new(pair[0], &s->page);
    s->keeper = pair[1];
    s->handed_over = -1;
    *state = s;
    return 0;
}

static int teardown(void **state)
{
    struct scene *s = *state;
    keeper_line_free(s->line);
    if (s->keeper >= 0) {
        close(s->keeper);
    }
    if (s->handed_over >= 0) {
        close(s->handed_over);
    }
    free(s);
    return 0;
}

static void hear(struct scene *s)
{
    union {
        struct cmsghdr align;
        char bytes[CMSG_SPACE(sizeof(int))];
    } control = {0};
    struct iovec data = {&s->heard, sizeof s->heard};
    struct msghdr header = {.msg_iov = &data,
                            .msg_iovlen = 1,
                            .msg_control = control.bytes,
                            .msg_controllen = sizeof control.bytes};
    assert_int_equal(recvmsg(s->keeper, &header, 0), sizeof s->heard);
    struct cmsghdr *c = CMSG_FIRSTHDR(&header);
    if (c != NULL) {
        memcpy(&s->handed_over, CMSG_DATA(c), sizeof s->handed_over);
    }
}

static void say(const struct scene *s, struct keeper_message m, size_t n)
{
    assert_int_equal(send(s->keeper, &m, n, MSG_NOSIGNAL), n);
}

static void *keeper_thread(void *arg)
{
    struct scene *s = arg;
    hear(s);
    struct keeper_message done = s->heard, other = s->heard;
    done.kind = KEEPER_DONE;
    other.kind = KEEPER_DONE;
    switch (s->answer) {
    case LATE_ONES_FIRST:
        other.number--;
        say(s, other, sizeof other);
        say(s, s->heard, sizeof s->heard); /* no answer at all */
        say(s, done, sizeof done);
        break;
    case RIGHT:
        say(s, done, sizeof done);
        break;
    case OF_ANOTHER_SLOT:
        other.slot++;
        say(s, other, sizeof other);
        break;
    case TOO_SHORT:
        say(s, done, sizeof done - 1);
        break;
    case HANGS_UP:
        close(s->keeper);
        s->keeper = -1;
        break;
    case NOTHING:
        break;
    }
    return NULL;
}

static void keeper_answers(struct scene *s, enum answer how)
{
    s->answer = how;
    assert_int_equal(pthread_create(&s->thread, NULL, keeper_thread, s), 0);
}

static struct keeper_message of_slot(uint32_t slot)
{
    struct keeper_message m = {.slot = slot, .trust_ms = 3000, .off_n = 8};
    strcpy(m.off, "INP OFF\n");
    strcpy(m.name, "jetty load");
    return m;
}

static void it_has_the_instrument_before_it_says_so(void **state)
{
    struct scene *s = *state;
    struct keeper_message m = of_slot(4);
    struct err e = {0};
    int pipe_fd[2];
    char byte = 0;
    assert_int_equal(pipe2(pipe_fd, O_CLOEXEC), 0);
    keeper_answers(s, LATE_ONES_FIRST);
    assert_true(keeper_line_arm(s->line, &m, pipe_fd[1], &e));
    pthread_join(s->thread, NULL);
    close(pipe_fd[1]); /* the worker dies */
    assert_int_equal(s->heard.kind, KEEPER_ARM);
    assert_string_equal(s->heard.off, "INP OFF\n");
    assert_int_equal(write(s->handed_over, "o", 1), 1); /* and the keeper writes off */
    assert_int_equal(read(pipe_fd[0], &byte, 1), 1);
    assert_int_equal(byte, 'o');
    close(pipe_fd[0]);
    keeper_answers(s, RIGHT);
    assert_true(keeper_line_disarm(s->line, 4, &e));
    pthread_join(s->thread, NULL);
    assert_int_equal(s->heard.kind, KEEPER_DISARM);
    assert_int_equal(s->heard.slot, 4);
}

static void without_its_word_nothing_goes_on(void **state)
{
    struct scene *s = *state;
    static const enum answer bad[] = {OF_ANOTHER_SLOT, TOO_SHORT, NOTHING, HANGS_UP};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct keeper_message m = of_slot(1);
        struct err e = {0};
        int64_t begun_ns = clock_real_ns();
        keeper_answers(s, bad[i]);
        assert_false(keeper_line_arm(s->line, &m, STDIN_FILENO, &e));
        pthread_join(s->thread, NULL);
        assert_int_equal(e.code, ERR_SYSTEM);
        assert_string_equal(e.text, "jetty load: the keeper did not take the instrument over; "
                                    "nothing is switched on");
        assert_true(clock_real_ns() - begun_ns < 5 * NS_PER_S);
        close(s->handed_over);
        s->handed_over = -1;
    }
    struct err e = {0}; /* it has hung up by now */
    assert_false(keeper_line_disarm(s->line, 1, &e));
    assert_string_equal(e.text, "the keeper did not answer");
    keeper_line_say(s->line, KEEPER_STATUS, "nobody hears it"); /* and no signal ends the worker */
}

/* One that is stopped reads nothing: its socket fills, and the stands go on. */
static void a_full_line_holds_nobody_up(void **state)
{
    struct scene *s = *state;
    struct err e = {0};
    int64_t begun_ns = clock_real_ns();
    for (int i = 0; i < 10000; i++) {
        keeper_line_say(s->line, KEEPER_STATUS, "a run goes on");
    }
    struct keeper_message m = of_slot(0);
    assert_false(keeper_line_arm(s->line, &m, STDIN_FILENO, &e));
    assert_true(clock_real_ns() - begun_ns < 10 * NS_PER_S);
    hear(s);
    assert_int_equal(s->heard.kind, KEEPER_STATUS);
    assert_string_equal(s->heard.off, "a run goes on");
}

static void no_slot_beyond_the_last(void **state)
{
    struct scene *s = *state;
    struct keeper_message m = of_slot(KEEPER_SLOTS);
    struct err e = {0};
    assert_false(keeper_line_arm(s->line, &m, STDIN_FILENO, &e));
    assert_int_equal(e.code, ERR_BUG);
    keeper_line_beat(s->line, KEEPER_SLOTS, 1000); /* goes nowhere */
    for (uint32_t i = 0; i < KEEPER_SLOTS; i++) {
        assert_int_equal(atomic_load(&s->page.until_ns[i]), 0);
    }
}

static void a_beat_holds_for_the_trust_time_or_as_long_as_it_says(void **state)
{
    struct scene *s = *state;
    struct keeper_message m = of_slot(2);
    struct err e = {0};
    keeper_answers(s, RIGHT);
    assert_true(keeper_line_arm(s->line, &m, STDIN_FILENO, &e));
    pthread_join(s->thread, NULL);
    int64_t before_ns = clock_real_ns();
    keeper_line_beat(s->line, 2, 0);
    int64_t until_ns = atomic_load(&s->page.until_ns[2]);
    assert_true(until_ns >= before_ns + 3 * NS_PER_S);
    assert_true(until_ns <= clock_real_ns() + 3 * NS_PER_S);
    keeper_line_beat(s->line, 2, 60000);
    assert_true(atomic_load(&s->page.until_ns[2]) >= before_ns + 60 * NS_PER_S);
}

static void a_stopped_keeper_guards_nothing(void **state)
{
    struct scene *s = *state;
    atomic_store(&s->page.looked_ns, clock_real_ns());
    assert_true(keeper_line_alive(s->line, 60));
    atomic_store(&s->page.looked_ns, clock_real_ns() - 61 * NS_PER_S);
    assert_false(keeper_line_alive(s->line, 60));
}

static void where_there_is_no_keeper_nothing_is_asked(void **state)
{
    (void)state;
    struct keeper_line *none = keeper_line_new(-1, NULL);
    struct keeper_message m = of_slot(KEEPER_SLOTS);
    struct err e = {0};
    assert_true(keeper_line_alive(none, 0));
    assert_true(keeper_line_arm(none, &m, STDIN_FILENO, &e));
    assert_true(keeper_line_disarm(none, 0, &e));
    keeper_line_beat(none, 0, 0);
    keeper_line_say(none, KEEPER_READY, "x");
    keeper_line_free(none);
    keeper_line_free(NULL);
}

#define scene(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        scene(it_has_the_instrument_before_it_says_so),
        scene(without_its_word_nothing_goes_on),
        scene(a_full_line_holds_nobody_up),
        scene(no_slot_beyond_the_last),
        scene(a_beat_holds_for_the_trust_time_or_as_long_as_it_says),
        scene(a_stopped_keeper_guards_nothing),
        cmocka_unit_test(where_there_is_no_keeper_nothing_is_asked),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
