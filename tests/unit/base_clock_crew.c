/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of base/clock: a crew of threads shares one sped-up clock. They return
 * in the order of their deadlines, what follows the clock is told first, and a
 * follower that fails ends the hurry. To be run under the thread sanitizer too. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"

#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

/* A busy machine may let a thread wait that long for its turn; the jumps of
 * time that must not happen are far longer. */
#define PATIENCE_NS (10 * NS_PER_S)
#define HOUR_NS (3600 * NS_PER_S)

static int new_event(void)
{
    int fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    assert_true(fd >= 0);
    return fd;
}

static void signal_event(int fd)
{
    const uint64_t one = 1;
    if (write(fd, &one, sizeof one) != (ssize_t)sizeof one) {
        abort(); /* also called by threads, where cmocka cannot fail */
    }
}

static void really_wait_ms(int ms)
{
    struct clock *c = clock_new_real();
    clock_wait_until(c, clock_now_ns(c) + ms * NS_PER_MS, -1);
    clock_free(c);
}

static void start(pthread_t *thread, void *(*run)(void *), void *arg)
{
    assert_int_equal(pthread_create(thread, NULL, run, arg), 0);
}

#define ASSERT_WITHIN(value, least, most)                                                          \
    do {                                                                                           \
        int64_t value_ = (value);                                                                  \
        if (value_ < (least) || value_ > (most)) {                                                 \
            fail_msg("%s is %lld ns, not from %lld to %lld", #value, (long long)value_,            \
                     (long long)(least), (long long)(most));                                       \
        }                                                                                          \
    } while (0)

struct waiting {
    struct clock *c;
    int64_t deadline_ns;
    int wake_fd;
    bool joins;
    atomic_bool begun, done;
    bool at_deadline;
    int64_t returned_ns; /* test time */
};

static void *wait_once(void *arg)
{
    struct waiting *w = arg;
    if (w->joins) {
        clock_join(w->c);
    }
    atomic_store(&w->begun, true);
    w->at_deadline = clock_wait_until(w->c, w->deadline_ns, w->wake_fd);
    w->returned_ns = clock_now_ns(w->c);
    atomic_store(&w->done, true);
    if (w->joins) {
        clock_leave(w->c);
    }
    return NULL;
}

static void until_begun(struct waiting *w)
{
    while (!atomic_load(&w->begun)) {
        really_wait_ms(1);
    }
    really_wait_ms(20); /* from there into the wait itself */
}

/* --- sped up: what follows the clock --- */

#define THREADS_MAX 3

struct following {
    struct clock *c;
    _Atomic int64_t told_ns;
    atomic_int calls;
    atomic_int gone_after; /* calls that are obeyed; -1: all */
    atomic_bool inside;
    atomic_bool computing[THREADS_MAX]; /* a joined thread that is not waiting */
    atomic_int wrongs;                  /* rules seen broken inside the callback */
    int takes_ms;
};

static bool follow(void *context, int64_t skipped_ns)
{
    struct following *f = context;
    int call = atomic_fetch_add(&f->calls, 1);
    bool alone = !atomic_exchange(&f->inside, true);
    bool forward = skipped_ns > atomic_load(&f->told_ns);
    /* Nothing has been skipped yet: the follower is told first. */
    int64_t before = clock_real_ns();
    bool first = clock_now_ns(f->c) <= clock_real_ns() + atomic_load(&f->told_ns) &&
                 clock_now_ns(f->c) >= before + atomic_load(&f->told_ns);
    bool all_wait = true;
    for (int i = 0; i < THREADS_MAX; i++) {
        all_wait = all_wait && !atomic_load(&f->computing[i]);
    }
    atomic_fetch_add(&f->wrongs, !alone + !forward + !first + !all_wait);
    if (f->takes_ms > 0) {
        really_wait_ms(f->takes_ms);
    }
    int gone_after = atomic_load(&f->gone_after);
    bool obeys = gone_after < 0 || call < gone_after;
    if (obeys) {
        atomic_store(&f->told_ns, skipped_ns);
    }
    atomic_store(&f->inside, false);
    return obeys;
}

static void follow_begin(struct following *f, double speed)
{
    memset(f, 0, sizeof *f);
    atomic_store(&f->gone_after, -1);
    f->c = clock_new_sped_up(speed, follow, f);
}

/* Who has not joined holds nobody up, but sees what others skip. */
static void who_has_not_joined_follows(void **state)
{
    (void)state;
    struct following f;
    follow_begin(&f, 1e6);
    struct waiting w = {.c = f.c, .deadline_ns = clock_now_ns(f.c) + HOUR_NS, .wake_fd = -1};
    pthread_t thread;
    start(&thread, wait_once, &w);
    until_begun(&w);
    clock_join(f.c);
    assert_true(clock_wait_until(f.c, w.deadline_ns, -1));
    pthread_join(thread, NULL);
    assert_true(w.at_deadline);
    ASSERT_WITHIN(w.returned_ns - w.deadline_ns, 0, PATIENCE_NS);
    assert_int_equal(atomic_load(&f.calls), 1);
    clock_leave(f.c);
    clock_free(f.c);
}

/* --- sped up: several threads --- */

#define TURNS 150

struct crew {
    struct following f;
    pthread_mutex_t mutex;
    int64_t last_deadline_ns;
    int out_of_order; /* somebody returned after one whose deadline was later */
    atomic_int joined;
    int members;
};

struct hand {
    struct crew *crew;
    int number;
    int64_t late_most_ns;
    int64_t computing_most_ns; /* the most that time moved while computing */
    int before_told;           /* returned before the follower had been told */
    int early;
};

/* Intervals from 40 s to about an hour, different for each thread. */
static int64_t interval_ns(int number, int turn)
{
    return (40 + (number * 977 + turn * turn * 31) % 3500) * NS_PER_S;
}

static void note_return(struct hand *h, int64_t deadline_ns)
{
    struct crew *crew = h->crew;
    int64_t now = clock_now_ns(crew->f.c);
    int64_t told = atomic_load(&crew->f.told_ns);
    h->before_told += now > clock_real_ns() + told;
    h->early += now < deadline_ns;
    if (now - deadline_ns > h->late_most_ns) {
        h->late_most_ns = now - deadline_ns;
    }
    pthread_mutex_lock(&crew->mutex);
    crew->out_of_order += deadline_ns < crew->last_deadline_ns;
    crew->last_deadline_ns = deadline_ns;
    pthread_mutex_unlock(&crew->mutex);
}

/* Time must stand as still as real time does while a joined thread computes. */
static void compute(struct hand *h, int turn)
{
    struct clock *c = h->crew->f.c;
    int64_t from = clock_now_ns(c);
    int64_t real = clock_real_ns();
    while (clock_real_ns() - real < (h->number + turn) % 4 * NS_PER_MS / 2) {
        continue;
    }
    int64_t moved = clock_now_ns(c) - from;
    if (moved > h->computing_most_ns) {
        h->computing_most_ns = moved;
    }
}

static void *work(void *arg)
{
    struct hand *h = arg;
    struct crew *crew = h->crew;
    struct clock *c = crew->f.c;
    clock_join(c);
    atomic_fetch_add(&crew->joined, 1);
    while (atomic_load(&crew->joined) < crew->members) {
        really_wait_ms(1);
    }
    int64_t deadline = clock_now_ns(c);
    for (int turn = 0; turn < TURNS; turn++) {
        deadline += interval_ns(h->number, turn);
        atomic_store(&crew->f.computing[h->number], false);
        bool at_deadline = clock_wait_until(c, deadline, -1);
        atomic_store(&crew->f.computing[h->number], true);
        h->early += !at_deadline;
        note_return(h, deadline);
        compute(h, turn);
    }
    clock_leave(c);
    atomic_store(&crew->f.computing[h->number], false);
    return NULL;
}

static void share_the_clock(int members, int follower_takes_ms)
{
    struct crew crew = {.mutex = PTHREAD_MUTEX_INITIALIZER, .members = members};
    follow_begin(&crew.f, 1e6);
    crew.f.takes_ms = follower_takes_ms;
    struct hand hands[THREADS_MAX] = {{0}};
    pthread_t threads[THREADS_MAX];
    for (int i = 0; i < members; i++) {
        hands[i] = (struct hand){.crew = &crew, .number = i};
        atomic_store(&crew.f.computing[i], true);
        start(&threads[i], work, &hands[i]);
    }
    for (int i = 0; i < members; i++) {
        pthread_join(threads[i], NULL);
    }
    for (int i = 0; i < members; i++) {
        assert_int_equal(hands[i].early, 0);
        assert_int_equal(hands[i].before_told, 0);
        ASSERT_WITHIN(hands[i].late_most_ns, 0, PATIENCE_NS);
        ASSERT_WITHIN(hands[i].computing_most_ns, 0, PATIENCE_NS);
    }
    assert_int_equal(crew.out_of_order, 0);
    assert_int_equal(atomic_load(&crew.f.wrongs), 0);
    assert_in_range(atomic_load(&crew.f.calls), TURNS, members * TURNS);
    pthread_mutex_destroy(&crew.mutex);
    clock_free(crew.f.c);
}

static void two_threads_never_overtake(void **state)
{
    (void)state;
    share_the_clock(2, 0);
}

static void three_threads_never_overtake(void **state)
{
    (void)state;
    share_the_clock(3, 0);
}

static void three_threads_wait_for_a_slow_follower(void **state)
{
    (void)state;
    share_the_clock(3, 2);
}

/* Two with one and the same deadline: one skip, and both return there. */
static void one_deadline_for_two(void **state)
{
    (void)state;
    struct following f;
    follow_begin(&f, 1e6);
    clock_join(f.c); /* holds time until both wait */
    struct waiting w[2];
    pthread_t threads[2];
    int64_t deadline = clock_now_ns(f.c) + HOUR_NS;
    for (int i = 0; i < 2; i++) {
        w[i] = (struct waiting){.c = f.c, .deadline_ns = deadline, .wake_fd = -1, .joins = true};
        start(&threads[i], wait_once, &w[i]);
        until_begun(&w[i]);
    }
    assert_int_equal(atomic_load(&f.calls), 0);
    clock_leave(f.c);
    for (int i = 0; i < 2; i++) {
        pthread_join(threads[i], NULL);
        assert_true(w[i].at_deadline);
        ASSERT_WITHIN(w[i].returned_ns - deadline, 0, PATIENCE_NS);
    }
    assert_int_equal(atomic_load(&f.calls), 1);
    clock_free(f.c);
}

/* All wait for an hour that takes ten real minutes; one is woken. */
static void wake_interrupts(bool joins, bool kicks)
{
    struct following f;
    follow_begin(&f, 6);
    clock_join(f.c);
    struct waiting other = {.c = f.c, .wake_fd = new_event(), .joins = true};
    struct waiting w = {.c = f.c, .wake_fd = new_event(), .joins = joins};
    other.deadline_ns = w.deadline_ns = clock_now_ns(f.c) + HOUR_NS;
    pthread_t threads[2];
    start(&threads[0], wait_once, &w);
    start(&threads[1], wait_once, &other);
    until_begun(&w);
    until_begun(&other);
    clock_leave(f.c);

    clock_kick(f.c); /* a kick alone ends nothing */
    really_wait_ms(50);
    assert_false(atomic_load(&w.done));

    int64_t real = clock_real_ns();
    signal_event(w.wake_fd);
    if (kicks) {
        clock_kick(f.c);
    }
    pthread_join(threads[0], NULL);
    ASSERT_WITHIN(clock_real_ns() - real, 0, PATIENCE_NS);
    assert_false(w.at_deadline);
    assert_true(w.returned_ns < w.deadline_ns);
    assert_false(atomic_load(&other.done)); /* the other waits on */
    signal_event(other.wake_fd);
    clock_kick(f.c);
    pthread_join(threads[1], NULL);
    assert_false(other.at_deadline);
    assert_int_equal(atomic_load(&f.calls), 0);
    close(w.wake_fd);
    close(other.wake_fd);
    clock_free(f.c);
}

static void wake_interrupts_a_member(void **state)
{
    (void)state;
    wake_interrupts(true, true);
    wake_interrupts(true, false);
}

static void wake_interrupts_one_who_has_not_joined(void **state)
{
    (void)state;
    wake_interrupts(false, true);
}

/* Somebody keeps waking one of two members while time is skipped all along. */
struct poked {
    struct clock *c;
    int fd;
    atomic_bool stop;
    int woken, due;
    int wrongs;
};

static void *wait_and_be_poked(void *arg)
{
    struct poked *p = arg;
    clock_join(p->c);
    while (!atomic_load(&p->stop)) {
        int64_t deadline = clock_now_ns(p->c) + 300 * NS_PER_S;
        bool due = clock_wait_until(p->c, deadline, p->fd);
        int64_t now = clock_now_ns(p->c);
        p->wrongs += due && (now < deadline || now - deadline > PATIENCE_NS);
        really_wait_ms(1); /* computes: time must not jump meanwhile */
        p->wrongs += clock_now_ns(p->c) - now > PATIENCE_NS;
        p->due += due;
        uint64_t count;
        p->woken += !due && read(p->fd, &count, sizeof count) == (ssize_t)sizeof count;
    }
    clock_leave(p->c);
    return NULL;
}

static void wakes_and_skips_mixed(void **state)
{
    (void)state;
    struct following f;
    follow_begin(&f, 1e5); /* five minutes in 3 ms */
    f.takes_ms = 2;        /* wakes fall into skips, too */
    struct poked pokes[2] = {{.c = f.c, .fd = new_event()}, {.c = f.c, .fd = new_event()}};
    pthread_t threads[2];
    start(&threads[0], wait_and_be_poked, &pokes[0]);
    start(&threads[1], wait_and_be_poked, &pokes[1]);
    for (int i = 0; i < 200; i++) {
        really_wait_ms(2 + i % 5);
        signal_event(pokes[i / 2 % 2].fd); /* the second time, the other leads */
        clock_kick(f.c);
    }
    for (int i = 0; i < 2; i++) {
        atomic_store(&pokes[i].stop, true);
        pthread_join(threads[i], NULL);
        assert_int_equal(pokes[i].wrongs, 0);
        assert_true(pokes[i].woken > 0);
        assert_true(pokes[i].due > 0);
        close(pokes[i].fd);
    }
    assert_int_equal(atomic_load(&f.wrongs), 0);
    clock_free(f.c);
}

/* A thread that was woken but has not run yet, as on a busy machine: it is kept
 * in a signal handler meanwhile. */
static atomic_bool kept, may_run;

static void keep(int number)
{
    (void)number;
    atomic_store(&kept, true);
    while (!atomic_load(&may_run)) {
        poll(NULL, 0, 1);
    }
}

static void a_woken_thread_that_has_not_run_holds_time(void **state)
{
    (void)state;
    struct following f;
    follow_begin(&f, 1e6);
    struct sigaction action = {.sa_handler = keep};
    assert_int_equal(sigaction(SIGUSR1, &action, NULL), 0);
    clock_join(f.c); /* holds time until all is prepared */
    int64_t now = clock_now_ns(f.c);
    struct waiting woken = {
        .c = f.c, .deadline_ns = INT64_MAX, .wake_fd = new_event(), .joins = true};
    struct waiting other = {.c = f.c, .deadline_ns = now + HOUR_NS, .wake_fd = -1, .joins = true};
    pthread_t threads[2];
    start(&threads[0], wait_once, &woken);
    start(&threads[1], wait_once, &other);
    until_begun(&woken);
    until_begun(&other);
    assert_int_equal(pthread_kill(threads[0], SIGUSR1), 0);
    while (!atomic_load(&kept)) {
        really_wait_ms(1);
    }
    signal_event(woken.wake_fd);
    clock_leave(f.c);
    really_wait_ms(100); /* a hundred times the share of the other */
    assert_int_equal(atomic_load(&f.calls), 0);
    assert_false(atomic_load(&other.done));

    atomic_store(&may_run, true);
    pthread_join(threads[0], NULL);
    assert_false(woken.at_deadline);
    ASSERT_WITHIN(woken.returned_ns - now, 0, PATIENCE_NS);
    pthread_join(threads[1], NULL);
    assert_true(other.at_deadline);
    close(woken.wake_fd);
    clock_free(f.c);
}

/* --- sped up: the follower is gone --- */

struct captured {
    int saved_fd;
    char path[64];
    char text[4096];
};

static void capture_log(struct captured *l)
{
    strcpy(l->path, "/tmp/ampledger-clock-XXXXXX");
    int fd = mkstemp(l->path);
    assert_true(fd >= 0);
    l->saved_fd = dup(STDERR_FILENO);
    assert_true(dup2(fd, STDERR_FILENO) >= 0);
    close(fd);
}

static void release_log(struct captured *l)
{
    dup2(l->saved_fd, STDERR_FILENO);
    close(l->saved_fd);
    int fd = open(l->path, O_RDONLY | O_CLOEXEC);
    ssize_t n = read(fd, l->text, sizeof l->text - 1);
    close(fd);
    unlink(l->path);
    assert_true(n >= 0);
    l->text[n] = '\0';
}

struct short_waits {
    struct clock *c;
    int64_t took_ns; /* real */
    int early;
};

static void *wait_shortly(void *arg)
{
    struct short_waits *s = arg;
    clock_join(s->c);
    int64_t real = clock_real_ns();
    int64_t deadline = clock_now_ns(s->c);
    for (int i = 0; i < 6; i++) {
        deadline += 50 * NS_PER_MS;
        s->early += !clock_wait_until(s->c, deadline, -1) || clock_now_ns(s->c) < deadline;
    }
    s->took_ns = clock_real_ns() - real;
    clock_leave(s->c);
    return NULL;
}

static void a_failing_follower_ends_the_hurry(void **state)
{
    (void)state;
    struct captured log;
    struct following f;
    follow_begin(&f, 1e4);
    atomic_store(&f.gone_after, 1);
    capture_log(&log);

    clock_join(f.c);
    int64_t now = clock_now_ns(f.c);
    bool due = clock_wait_until(f.c, now + HOUR_NS, -1);
    int64_t moved = clock_now_ns(f.c) - now;
    clock_leave(f.c);

    struct short_waits waits[THREADS_MAX];
    pthread_t threads[THREADS_MAX];
    for (int i = 0; i < THREADS_MAX; i++) {
        waits[i] = (struct short_waits){.c = f.c};
        start(&threads[i], wait_shortly, &waits[i]);
    }
    for (int i = 0; i < THREADS_MAX; i++) {
        pthread_join(threads[i], NULL);
    }
    release_log(&log);

    assert_true(due);
    ASSERT_WITHIN(moved, HOUR_NS, HOUR_NS + PATIENCE_NS);
    for (int i = 0; i < THREADS_MAX; i++) {
        assert_int_equal(waits[i].early, 0);
        ASSERT_WITHIN(waits[i].took_ns, 300 * NS_PER_MS, PATIENCE_NS);
    }
    /* Asked once more, refused, never asked again; nothing of it was skipped. */
    assert_int_equal(atomic_load(&f.calls), 2);
    ASSERT_WITHIN(clock_now_ns(f.c) - clock_real_ns() - atomic_load(&f.told_ns), -PATIENCE_NS, 0);

    /* One line: "2026-03-01T21:04:05.120Z warn  the clock ..." */
    assert_string_equal(log.text + strlen("2026-03-01T21:04:05.120Z "),
                        "warn  the clock runs at speed 1 from now on: whatever follows it (the "
                        "virtual bench) does not answer any more\n");
    clock_free(f.c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(who_has_not_joined_follows),
        cmocka_unit_test(two_threads_never_overtake),
        cmocka_unit_test(three_threads_never_overtake),
        cmocka_unit_test(three_threads_wait_for_a_slow_follower),
        cmocka_unit_test(one_deadline_for_two),
        cmocka_unit_test(wake_interrupts_a_member),
        cmocka_unit_test(wake_interrupts_one_who_has_not_joined),
        cmocka_unit_test(wakes_and_skips_mixed),
        cmocka_unit_test(a_woken_thread_that_has_not_run_holds_time),
        cmocka_unit_test(a_failing_follower_ends_the_hurry),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
