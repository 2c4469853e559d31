/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the clock: the three kinds, and above all that on a sped-up clock
 * no thread is overtaken. Also run under ThreadSanitizer. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "base/log.h"

#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])
#define HOUR_NS (3600 * NS_PER_S)
/* A busy machine may be late; it must never be early. */
#define LATE_NS (5 * NS_PER_S)

static int new_wake_fd(void)
{
    int fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    assert_true(fd >= 0);
    return fd;
}

static void wake(int fd)
{
    const uint64_t one = 1;
    assert_int_equal(write(fd, &one, sizeof one), (ssize_t)sizeof one);
}

/* Real time passes; nothing is waited for but that. */
static void let_pass(int64_t ns)
{
    const struct timespec t = {.tv_sec = ns / NS_PER_S, .tv_nsec = ns % NS_PER_S};
    assert_int_equal(ppoll(NULL, 0, &t, NULL), 0);
}

static pthread_t start(void *(*run)(void *), void *context)
{
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, run, context), 0);
    return thread;
}

/* --- real --- */

static void a_real_clock_waits_until_its_deadline(void **state)
{
    (void)state;
    struct clock *c = clock_new_real();
    assert_true(clock_speed(c) >= 1 && clock_speed(c) <= 1);
    int64_t deadline = clock_now_ns(c) + 20 * NS_PER_MS;
    assert_true(clock_wait_until(c, deadline, -1));
    assert_true(clock_now_ns(c) >= deadline);
    assert_true(clock_now_ns(c) < deadline + LATE_NS);
    assert_true(clock_wait_until(c, deadline, -1)); /* in the past: at once */
    assert_true(clock_wait_until(c, INT64_MIN, -1));
    clock_join(c); /* nothing to it on this kind */
    clock_kick(c);
    clock_manual_advance(c, HOUR_NS);
    clock_leave(c);
    assert_true(clock_now_ns(c) < deadline + HOUR_NS);
    int64_t behind = clock_real_utc_ns();
    assert_true(clock_utc_ns(c) >= behind && clock_utc_ns(c) < behind + LATE_NS);
    clock_free(c);
    clock_free(NULL);
}

static void a_real_clock_can_be_woken(void **state)
{
    (void)state;
    struct clock *c = clock_new_real();
    int fd = new_wake_fd();
    wake(fd);
    assert_false(clock_wait_until(c, clock_now_ns(c) + HOUR_NS, fd));
    assert_true(clock_wait_until(c, clock_now_ns(c) - 1, fd)); /* the deadline goes first */
    close(fd);
    clock_free(c);
}

/* --- manual --- */

static void a_manual_clock_moves_when_told_or_waited_for(void **state)
{
    (void)state;
    struct clock *c = clock_new_manual(1000, 5000);
    assert_int_equal(clock_now_ns(c), 1000);
    assert_int_equal(clock_utc_ns(c), 5000);
    clock_manual_advance(c, 10);
    clock_manual_advance(c, -500); /* never back */
    assert_int_equal(clock_now_ns(c), 1010);
    assert_true(clock_wait_until(c, 1010 + HOUR_NS, -1));
    assert_int_equal(clock_now_ns(c), 1010 + HOUR_NS);
    assert_int_equal(clock_utc_ns(c), 5010 + HOUR_NS);
    assert_true(clock_wait_until(c, 1010, -1)); /* past: stays where it is */
    assert_int_equal(clock_now_ns(c), 1010 + HOUR_NS);
    clock_free(c);
}

static void a_manual_clock_stands_still_for_who_is_woken(void **state)
{
    (void)state;
    struct clock *c = clock_new_manual(0, 0);
    int fd = new_wake_fd();
    assert_true(clock_wait_until(c, 7, fd));
    wake(fd);
    assert_false(clock_wait_until(c, 20, fd));
    assert_int_equal(clock_now_ns(c), 7);
    assert_false(clock_wait_until(c, INT64_MAX, fd));
    assert_int_equal(clock_now_ns(c), 7);
    close(fd);
    clock_free(c);
}

/* --- sped up, one thread --- */

struct follower {
    struct clock *clock;
    _Atomic int64_t told_ns; /* the latest total */
    atomic_int calls;
    atomic_int backwards; /* totals that were not larger than the one before */
    int fail_at;          /* the call that fails; 0: none */
};

static bool follow(void *context, int64_t skipped_ns)
{
    struct follower *f = context;
    int call = atomic_fetch_add(&f->calls, 1) + 1;
    atomic_fetch_add(&f->backwards, skipped_ns <= atomic_load(&f->told_ns));
    atomic_store(&f->told_ns, skipped_ns);
    clock_kick(f->clock); /* the clock may be asked from in here */
    return call != f->fail_at;
}

static void an_hour_passes_in_a_moment(void **state)
{
    (void)state;
    struct follower f = {0};
    struct clock *c = f.clock = clock_new_sped_up(1e6, follow, &f);
    assert_true(fabs(clock_speed(c) - 1e6) < 1e-6);
    int64_t real = clock_real_ns(), now = clock_now_ns(c), utc = clock_utc_ns(c);
    clock_join(c);
    assert_true(clock_wait_until(c, now + HOUR_NS, -1));
    assert_true(clock_now_ns(c) >= now + HOUR_NS);
    assert_true(clock_now_ns(c) < now + HOUR_NS + LATE_NS);
    assert_true(clock_utc_ns(c) >= utc + HOUR_NS - LATE_NS); /* labels go with it */
    assert_true(clock_real_ns() < real + LATE_NS);
    assert_int_equal(atomic_load(&f.calls), 1);
    assert_true(atomic_load(&f.told_ns) <= HOUR_NS);
    assert_true(atomic_load(&f.told_ns) > HOUR_NS - LATE_NS);
    clock_leave(c);
    clock_free(c);
}

static void the_share_is_waited_really(void **state)
{
    (void)state;
    struct clock *c = clock_new_sped_up(100, NULL, NULL);
    clock_join(c);
    int64_t real = clock_real_ns();
    assert_true(clock_wait_until(c, clock_now_ns(c) + 5 * NS_PER_S, -1));
    int64_t took = clock_real_ns() - real;
    assert_true(took >= 50 * NS_PER_MS - NS_PER_MS); /* 5 s / 100 */
    assert_true(took < 4 * NS_PER_S);
    clock_leave(c);
    clock_free(c);
}

static void a_speed_that_is_none_is_one(void **state)
{
    (void)state;
    const double speeds[] = {0.5, 0, -3, (double)NAN, (double)INFINITY, 1};
    for (size_t i = 0; i < COUNT(speeds); i++) {
        struct follower f = {0};
        struct clock *c = f.clock = clock_new_sped_up(speeds[i], follow, &f);
        assert_true(clock_speed(c) >= 1 && clock_speed(c) <= 1);
        int64_t real = clock_real_ns();
        clock_join(c);
        assert_true(clock_wait_until(c, clock_now_ns(c) + 5 * NS_PER_MS, -1));
        clock_leave(c);
        assert_true(clock_real_ns() - real >= 5 * NS_PER_MS);
        assert_true(atomic_load(&f.told_ns) < NS_PER_MS);
        clock_free(c);
    }
}

static void who_has_not_joined_waits_really(void **state)
{
    (void)state;
    struct follower f = {0};
    struct clock *c = f.clock = clock_new_sped_up(1e6, follow, &f);
    int64_t real = clock_real_ns();
    assert_true(clock_wait_until(c, clock_now_ns(c) + 30 * NS_PER_MS, -1));
    assert_true(clock_real_ns() - real >= 30 * NS_PER_MS);
    clock_join(c);
    clock_leave(c);
    clock_leave(c); /* once too often does no harm */
    real = clock_real_ns();
    assert_true(clock_wait_until(c, clock_now_ns(c) + 30 * NS_PER_MS, -1));
    assert_true(clock_real_ns() - real >= 30 * NS_PER_MS);
    assert_int_equal(atomic_load(&f.calls), 0);
    clock_free(c);
}

static void joining_twice_needs_leaving_twice(void **state)
{
    (void)state;
    struct follower f = {0};
    struct clock *c = f.clock = clock_new_sped_up(1e6, follow, &f);
    clock_join(c);
    clock_join(c);
    clock_leave(c);
    assert_true(clock_wait_until(c, clock_now_ns(c) + HOUR_NS, -1));
    assert_int_equal(atomic_load(&f.calls), 1);
    clock_free(c); /* still joined: freed with the clock */
}

static void a_woken_waiter_skips_nothing(void **state)
{
    (void)state;
    struct follower f = {0};
    struct clock *c = f.clock = clock_new_sped_up(1e6, follow, &f);
    int fd = new_wake_fd();
    clock_join(c);
    wake(fd);
    int64_t now = clock_now_ns(c);
    assert_false(clock_wait_until(c, now + HOUR_NS, fd));
    assert_true(clock_now_ns(c) < now + LATE_NS);
    assert_int_equal(atomic_load(&f.calls), 0);
    clock_leave(c);
    close(fd);
    clock_free(c);
}

/* --- sped up, a thread is woken by another --- */

struct sleeper {
    struct clock *clock;
    int64_t deadline_ns;
    int wake_fd;
    bool joins;
    atomic_bool waits;
    bool at_deadline;
    int64_t now_ns; /* when it woke */
};

static void *sleep_until(void *context)
{
    struct sleeper *s = context;
    if (s->joins) {
        clock_join(s->clock);
    }
    atomic_store(&s->waits, true);
    s->at_deadline = clock_wait_until(s->clock, s->deadline_ns, s->wake_fd);
    s->now_ns = clock_now_ns(s->clock);
    if (s->joins) {
        clock_leave(s->clock);
    }
    return NULL;
}

static pthread_t start_sleeper(struct sleeper *s)
{
    pthread_t thread = start(sleep_until, s);
    while (!atomic_load(&s->waits)) {
        let_pass(NS_PER_MS);
    }
    let_pass(5 * NS_PER_MS); /* most likely inside the wait by now */
    return thread;
}

static void a_long_wait_is_interrupted(void **state)
{
    (void)state;
    const struct {
        bool sped_up, joins, kicks;
        int64_t deadline_ns;
    } cases[] = {
        {false, false, false, HOUR_NS}, {false, false, true, INT64_MAX},
        {true, false, false, HOUR_NS},  {true, true, false, 1000 * HOUR_NS},
        {true, true, true, INT64_MAX},
    };
    for (size_t i = 0; i < COUNT(cases); i++) {
        /* 1000 h at speed 2 are longer than the test has. */
        struct clock *c = cases[i].sped_up ? clock_new_sped_up(2, NULL, NULL) : clock_new_real();
        int64_t now = clock_now_ns(c), until = cases[i].deadline_ns;
        struct sleeper s = {.clock = c,
                            .deadline_ns = until == INT64_MAX ? until : now + until,
                            .wake_fd = new_wake_fd(),
                            .joins = cases[i].joins};
        pthread_t thread = start_sleeper(&s);
        wake(s.wake_fd);
        if (cases[i].kicks) {
            clock_kick(c);
        }
        pthread_join(thread, NULL);
        assert_false(s.at_deadline);
        assert_true(s.now_ns < now + LATE_NS); /* and nothing was skipped */
        close(s.wake_fd);
        clock_free(c);
    }
}

static void a_kick_alone_wakes_nobody(void **state)
{
    (void)state;
    struct clock *c = clock_new_sped_up(50, NULL, NULL);
    struct sleeper s = {.clock = c,
                        .deadline_ns = clock_now_ns(c) + 10 * NS_PER_S, /* 200 ms really */
                        .wake_fd = new_wake_fd(),
                        .joins = true};
    int64_t real = clock_real_ns();
    pthread_t thread = start_sleeper(&s);
    for (int i = 0; i < 40; i++) {
        clock_kick(c);
        let_pass(NS_PER_MS);
    }
    pthread_join(thread, NULL);
    assert_true(s.at_deadline);
    assert_true(s.now_ns >= s.deadline_ns);
    /* Kicks neither shorten the share nor make it begin again. */
    assert_true(clock_real_ns() - real >= 199 * NS_PER_MS);
    close(s.wake_fd);
    clock_free(c);
}

/* A deadline that never comes holds nobody up and is not skipped to. */
static void never_is_not_skipped_to(void **state)
{
    (void)state;
    struct clock *c = clock_new_sped_up(1e6, NULL, NULL);
    struct sleeper s = {
        .clock = c, .deadline_ns = INT64_MAX, .wake_fd = new_wake_fd(), .joins = true};
    pthread_t thread = start_sleeper(&s);
    int64_t now = clock_now_ns(c);
    clock_join(c);
    assert_true(clock_wait_until(c, now + HOUR_NS, -1));
    assert_true(clock_now_ns(c) < now + HOUR_NS + LATE_NS);
    clock_leave(c);
    wake(s.wake_fd);
    pthread_join(thread, NULL);
    assert_false(s.at_deadline);
    assert_true(s.now_ns < now + HOUR_NS + LATE_NS);
    close(s.wake_fd);
    clock_free(c);
}

/* At such a speed any deadline but "never" would be skipped to at once. */
static void never_is_not_skipped_to_when_alone(void **state)
{
    (void)state;
    struct clock *c = clock_new_sped_up(1e15, NULL, NULL);
    int64_t now = clock_now_ns(c);
    struct sleeper s = {
        .clock = c, .deadline_ns = INT64_MAX, .wake_fd = new_wake_fd(), .joins = true};
    pthread_t thread = start_sleeper(&s);
    wake(s.wake_fd);
    pthread_join(thread, NULL);
    assert_false(s.at_deadline);
    assert_true(s.now_ns >= now && s.now_ns < now + LATE_NS);
    close(s.wake_fd);
    clock_free(c);
}

static void nothing_is_skipped_while_one_works(void **state)
{
    (void)state;
    int64_t waited_ns = 0;
    for (int i = 0; i < 20; i++) {
        struct follower f = {0};
        struct clock *c = f.clock = clock_new_sped_up(1e9, follow, &f);
        clock_join(c);
        struct sleeper s = {
            .clock = c, .deadline_ns = clock_now_ns(c) + HOUR_NS, .wake_fd = -1, .joins = true};
        pthread_t thread = start_sleeper(&s);
        int64_t now = clock_now_ns(c);
        let_pass(10 * NS_PER_MS); /* we work, the sleeper waits */
        assert_true(clock_now_ns(c) - now < LATE_NS);
        assert_int_equal(atomic_load(&f.calls), 0);
        int64_t real = clock_real_ns();
        clock_leave(c); /* now all that are left wait: leaving alone must set it going */
        pthread_join(thread, NULL);
        waited_ns += clock_real_ns() - real;
        assert_true(s.at_deadline);
        assert_int_equal(atomic_load(&f.calls), 1);
        clock_free(c);
    }
    assert_true(waited_ns < LATE_NS); /* at once, not when somebody happens to look */
}

/* --- sped up, several threads at work --- */

struct yard {
    struct clock *clock;
    _Atomic int64_t followed_ns; /* what the virtual bench has been told */
    atomic_int working;          /* threads that compute: time must not jump */
    atomic_int jumps_at_work;    /* how often it did */
    atomic_int calls;
};

struct worker {
    struct yard *yard;
    int64_t every_ns;
    int64_t until_ns;
    int rounds, early, untold, overtaken;
};

static bool follow_yard(void *context, int64_t skipped_ns)
{
    struct yard *y = context;
    atomic_fetch_add(&y->calls, 1);
    if (atomic_load(&y->working) > 0) {
        atomic_fetch_add(&y->jumps_at_work, 1);
    }
    let_pass(NS_PER_MS / 20);
    atomic_store(&y->followed_ns, skipped_ns);
    return true;
}

/* Computes for a moment; time must pass as it really does meanwhile. */
static void work(struct worker *w)
{
    struct clock *c = w->yard->clock;
    int64_t real = clock_real_ns(), now = clock_now_ns(c);
    let_pass(NS_PER_MS / 10);
    int64_t now_passed = clock_now_ns(c) - now, real_passed = clock_real_ns() - real;
    w->overtaken += now_passed > real_passed + NS_PER_MS;
}

static void *work_by_the_clock(void *context)
{
    struct worker *w = context;
    struct clock *c = w->yard->clock;
    for (int64_t due = clock_now_ns(c) + w->every_ns; due < w->until_ns; due += w->every_ns) {
        atomic_fetch_sub(&w->yard->working, 1);
        bool at_deadline = clock_wait_until(c, due, -1);
        int64_t now = clock_now_ns(c);
        atomic_fetch_add(&w->yard->working, 1);
        w->early += !at_deadline || now < due;
        /* All that the clock has skipped was told before anybody woke. */
        w->untold += now - clock_real_ns() > atomic_load(&w->yard->followed_ns) + NS_PER_MS;
        /* Woken at its own deadline, not at one far beyond it. */
        w->overtaken += now > due + w->every_ns + LATE_NS;
        work(w);
        w->rounds++;
    }
    atomic_fetch_sub(&w->yard->working, 1);
    clock_leave(c);
    return NULL;
}

struct start_line {
    struct worker *worker;
    pthread_barrier_t *barrier;
};

static void *join_and_work(void *context)
{
    struct start_line *s = context;
    clock_join(s->worker->yard->clock);
    pthread_barrier_wait(s->barrier);
    return work_by_the_clock(s->worker);
}

#define WORKERS 3

static void nobody_is_overtaken(void **state)
{
    (void)state;
    const int64_t every[WORKERS] = {NS_PER_S, 60 * NS_PER_S, 7 * NS_PER_S};
    struct yard y = {.working = WORKERS};
    struct clock *c = y.clock = clock_new_sped_up(1e6, follow_yard, &y);
    int64_t real = clock_real_ns(), began = clock_now_ns(c);
    struct worker workers[WORKERS];
    struct start_line lines[WORKERS];
    pthread_t threads[WORKERS];
    pthread_barrier_t barrier;
    pthread_barrier_init(&barrier, NULL, WORKERS);
    for (int i = 0; i < WORKERS; i++) {
        workers[i] =
            (struct worker){.yard = &y, .every_ns = every[i], .until_ns = began + 300 * NS_PER_S};
        lines[i] = (struct start_line){&workers[i], &barrier};
        threads[i] = start(join_and_work, &lines[i]);
    }
    for (int i = 0; i < WORKERS; i++) {
        pthread_join(threads[i], NULL);
        assert_int_equal(workers[i].early, 0);
        assert_int_equal(workers[i].untold, 0);
        assert_int_equal(workers[i].overtaken, 0);
        int64_t most = (300 * NS_PER_S - 1) / every[i];
        assert_true(workers[i].rounds <= most && workers[i].rounds >= most - 1);
    }
    assert_int_equal(atomic_load(&y.jumps_at_work), 0);
    assert_true(atomic_load(&y.calls) >= 290); /* each deadline was stopped at */
    assert_true(clock_now_ns(c) - began >= 290 * NS_PER_S);
    assert_true(clock_real_ns() - real < 60 * NS_PER_S);
    pthread_barrier_destroy(&barrier);
    clock_free(c);
}

/* Others come, go, wake and kick in the midst of it; this is for the sanitizer. */
struct guest {
    struct clock *clock;
    atomic_bool stop;
    int not_woken; /* waits that ran to their deadline although the descriptor was readable */
};

static void *come_and_go(void *context)
{
    struct guest *g = context;
    int fd = new_wake_fd();
    for (unsigned i = 0; !atomic_load(&g->stop); i++) {
        clock_join(g->clock);
        if (i % 2) {
            wake(fd);
        }
        bool at_deadline = clock_wait_until(g->clock, clock_now_ns(g->clock) + NS_PER_S, fd);
        uint64_t count = 0;
        g->not_woken += i % 2 && (at_deadline || read(fd, &count, sizeof count) < 0);
        clock_leave(g->clock);
        clock_kick(g->clock);
        clock_wait_until(g->clock, clock_now_ns(g->clock) + NS_PER_MS, -1);
    }
    close(fd);
    return NULL;
}

static void guests_disturb_nobody(void **state)
{
    (void)state;
    struct yard y = {.working = 2};
    struct clock *c = y.clock = clock_new_sped_up(1e5, NULL, NULL);
    struct guest g = {.clock = c};
    struct worker w[2];
    struct start_line lines[2];
    pthread_t threads[3];
    pthread_barrier_t barrier;
    pthread_barrier_init(&barrier, NULL, 2);
    int64_t began = clock_now_ns(c);
    for (int i = 0; i < 2; i++) {
        w[i] = (struct worker){
            .yard = &y, .every_ns = (i + 1) * NS_PER_S, .until_ns = began + 200 * NS_PER_S};
        lines[i] = (struct start_line){&w[i], &barrier};
        threads[i] = start(join_and_work, &lines[i]);
    }
    threads[2] = start(come_and_go, &g);
    for (int i = 0; i < 2; i++) {
        pthread_join(threads[i], NULL);
        assert_int_equal(w[i].early, 0);
        assert_int_equal(w[i].overtaken, 0);
    }
    atomic_store(&g.stop, true);
    pthread_join(threads[2], NULL);
    assert_int_equal(g.not_woken, 0);
    pthread_barrier_destroy(&barrier);
    clock_free(c);
}

/* A thread that was woken but has not run yet must not find that time has
 * jumped meanwhile, however quick the one that woke it begins to wait. */
static void a_thread_that_was_woken_is_waited_for(void **state)
{
    (void)state;
    for (int i = 0; i < 20; i++) {
        struct clock *c = clock_new_sped_up(1e9, NULL, NULL);
        clock_join(c);
        int64_t now = clock_now_ns(c);
        struct sleeper s = {
            .clock = c, .deadline_ns = now + 2 * HOUR_NS, .wake_fd = new_wake_fd(), .joins = true};
        pthread_t thread = start_sleeper(&s);
        wake(s.wake_fd);
        assert_true(clock_wait_until(c, now + HOUR_NS, -1));
        clock_leave(c);
        pthread_join(thread, NULL);
        assert_false(s.at_deadline);
        assert_true(s.now_ns < now + LATE_NS);
        close(s.wake_fd);
        clock_free(c);
    }
}

struct waking_follower {
    int wake_fd;
    atomic_int calls;
};

static bool follow_and_wake(void *context, int64_t skipped_ns)
{
    struct waking_follower *f = context;
    (void)skipped_ns;
    if (atomic_fetch_add(&f->calls, 1) == 0) {
        wake(f->wake_fd);
        let_pass(20 * NS_PER_MS);
    }
    return true;
}

/* Woken while the follower is being told: the time that is skipped is over
 * before it runs, not in the midst of its work. */
static void nobody_leaves_in_the_midst_of_a_skip(void **state)
{
    (void)state;
    struct waking_follower f = {.wake_fd = new_wake_fd()};
    struct clock *c = clock_new_sped_up(1e9, follow_and_wake, &f);
    clock_join(c);
    int64_t due = clock_now_ns(c) + HOUR_NS;
    struct sleeper s = {
        .clock = c, .deadline_ns = due + HOUR_NS, .wake_fd = f.wake_fd, .joins = true};
    pthread_t thread = start_sleeper(&s);
    assert_true(clock_wait_until(c, due, -1));
    clock_leave(c);
    pthread_join(thread, NULL);
    assert_false(s.at_deadline);
    assert_true(s.now_ns >= due);
    assert_int_equal(atomic_load(&f.calls), 1);
    close(f.wake_fd);
    clock_free(c);
}

/* --- the follower goes --- */

static void without_its_follower_the_clock_runs_at_speed_1(void **state)
{
    (void)state;
    struct follower f = {.fail_at = 2};
    struct clock *c = f.clock = clock_new_sped_up(1e6, follow, &f);
    int ends[2], kept = dup(STDERR_FILENO);
    assert_int_equal(pipe(ends), 0);
    clock_join(c);
    assert_true(clock_wait_until(c, clock_now_ns(c) + HOUR_NS, -1)); /* followed */
    dup2(ends[1], STDERR_FILENO);
    for (int i = 0; i < 3; i++) {
        int64_t real = clock_real_ns(), now = clock_now_ns(c);
        assert_true(clock_wait_until(c, now + 30 * NS_PER_MS, -1));
        assert_true(clock_real_ns() - real >= 30 * NS_PER_MS);
        assert_true(clock_now_ns(c) - now < LATE_NS);
    }
    dup2(kept, STDERR_FILENO);
    close(ends[1]);
    char log[4096] = "";
    ssize_t n = read(ends[0], log, sizeof log - 1);
    assert_true(n > 0);
    char *first = strstr(log, "the clock runs at speed 1 from now on");
    assert_non_null(first);
    assert_null(strstr(first + 1, "the clock runs at speed 1 from now on")); /* said once */
    assert_int_equal(atomic_load(&f.calls), 2);
    assert_int_equal(atomic_load(&f.backwards), 0);
    close(ends[0]);
    close(kept);
    clock_leave(c);
    clock_free(c);
}

/* --- text --- */

static const struct {
    int64_t utc_ns;
    const char *text;
} times[] = {
    {0, "1970-01-01T00:00:00.000Z"},
    {INT64_C(1772399045120) * NS_PER_MS, "2026-03-01T21:04:05.120Z"},
    {INT64_C(951782399999) * NS_PER_MS, "2000-02-28T23:59:59.999Z"},
    {INT64_C(951782400000) * NS_PER_MS, "2000-02-29T00:00:00.000Z"},
    {INT64_C(951868800000) * NS_PER_MS, "2000-03-01T00:00:00.000Z"},
    {INT64_C(1709164800000) * NS_PER_MS, "2024-02-29T00:00:00.000Z"},
    {INT64_C(4107542400000) * NS_PER_MS, "2100-03-01T00:00:00.000Z"}, /* not a leap year */
    {INT64_C(1735689599999) * NS_PER_MS, "2024-12-31T23:59:59.999Z"},
    {-1 * NS_PER_MS, "1969-12-31T23:59:59.999Z"},
    {INT64_C(-86400000) * NS_PER_MS, "1969-12-31T00:00:00.000Z"},
    {INT64_C(-2208988800000) * NS_PER_MS, "1900-01-01T00:00:00.000Z"},
};

static void utc_labels(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(times); i++) {
        char text[CLOCK_UTC_TEXT_SIZE];
        int64_t utc_ns = 1;
        struct err e = {0};
        clock_format_utc(times[i].utc_ns, text);
        assert_string_equal(text, times[i].text);
        assert_true(clock_parse_utc(text, &utc_ns, &e));
        assert_int_equal(utc_ns, times[i].utc_ns);
    }
}

/* Through all of the range: each text read back is the time it was made from. */
static void labels_come_back_as_they_went(void **state)
{
    (void)state;
    const int64_t step = INT64_C(12345678901) * NS_PER_MS / 7; /* some 20 days */
    for (int64_t t = INT64_C(-9214000000) * NS_PER_S; t < INT64_C(9214000000) * NS_PER_S;
         t += step) {
        char text[CLOCK_UTC_TEXT_SIZE];
        int64_t back = 0;
        struct err e = {0};
        clock_format_utc(t, text);
        if (!clock_parse_utc(text, &back, &e)) {
            fail_msg("%s", e.text);
        }
        if (t - back < 0 || t - back >= NS_PER_MS) {
            fail_msg("%s is off by %lld ns", text, (long long)(t - back));
        }
    }
}

/* What is beyond the years that can be read is still written. */
static void the_ends_of_time(void **state)
{
    (void)state;
    char text[CLOCK_UTC_TEXT_SIZE];
    clock_format_utc(INT64_MAX, text);
    assert_string_equal(text, "2262-04-11T23:47:16.854Z");
    clock_format_utc(INT64_MIN, text);
    assert_string_equal(text, "1677-09-21T00:12:43.145Z");
    clock_format_utc(-1, text);
    assert_string_equal(text, "1969-12-31T23:59:59.999Z");
    clock_format_utc(NS_PER_S - 1, text); /* cut, not rounded into the next second */
    assert_string_equal(text, "1970-01-01T00:00:00.999Z");
}

static void fractions_of_a_second(void **state)
{
    (void)state;
    const struct {
        const char *text;
        int64_t utc_ns;
    } fine[] = {
        {"1970-01-01T00:00:01Z", NS_PER_S},
        {"1970-01-01T00:00:01.5Z", NS_PER_S + 500 * NS_PER_MS},
        {"1970-01-01T00:00:01.000000001Z", NS_PER_S + 1},
    };
    for (size_t i = 0; i < COUNT(fine); i++) {
        int64_t utc_ns = 0;
        assert_true(clock_parse_utc(fine[i].text, &utc_ns, NULL));
        assert_int_equal(utc_ns, fine[i].utc_ns);
    }
}

#define NO_TIME " is not a time in UTC; write it like 2026-03-01T21:04:05Z"
#define NEVER " is a time that does not exist"

static void what_is_no_time(void **state)
{
    (void)state;
    const struct {
        const char *text, *message;
    } bad[] = {
        {"", "\"\"" NO_TIME},
        {"tomorrow", "\"tomorrow\"" NO_TIME},
        {"2026-03-01", "\"2026-03-01\"" NO_TIME},
        {"2026-03-01 21:04:05Z", "\"2026-03-01 21:04:05Z\"" NO_TIME},
        {"2026-03-01T21:04:05", "\"2026-03-01T21:04:05\"" NO_TIME},
        {"2026-03-01T21:04:05+01:00", "\"2026-03-01T21:04:05+01:00\"" NO_TIME},
        {"2026-03-01T21:04:05.Z", "\"2026-03-01T21:04:05.Z\"" NO_TIME},
        {"2026-03-01T21:04:05.1234567890Z", "\"2026-03-01T21:04:05.1234567890Z\"" NO_TIME},
        {"2026-03-01T21:04:05Z ", "\"2026-03-01T21:04:05Z \"" NO_TIME},
        {"2026-3-1T21:04:05Z", "\"2026-3-1T21:04:05Z\"" NO_TIME},
        {"+026-03-01T21:04:05Z", "\"+026-03-01T21:04:05Z\"" NO_TIME},
        {"2026-02-29T00:00:00Z", "\"2026-02-29T00:00:00Z\"" NEVER},
        {"2100-02-29T00:00:00Z", "\"2100-02-29T00:00:00Z\"" NEVER},
        {"2026-13-01T00:00:00Z", "\"2026-13-01T00:00:00Z\"" NEVER},
        {"2026-00-01T00:00:00Z", "\"2026-00-01T00:00:00Z\"" NEVER},
        {"2026-04-31T00:00:00Z", "\"2026-04-31T00:00:00Z\"" NEVER},
        {"2026-04-00T00:00:00Z", "\"2026-04-00T00:00:00Z\"" NEVER},
        {"2026-04-01T24:00:00Z", "\"2026-04-01T24:00:00Z\"" NEVER},
        {"2026-04-01T00:60:00Z", "\"2026-04-01T00:60:00Z\"" NEVER},
        {"2026-04-01T00:00:60Z", "\"2026-04-01T00:00:60Z\"" NEVER},
        {"1500-04-01T00:00:00Z", "\"1500-04-01T00:00:00Z\"" NEVER},
        {"9999-04-01T00:00:00Z", "\"9999-04-01T00:00:00Z\"" NEVER},
    };
    for (size_t i = 0; i < COUNT(bad); i++) {
        int64_t utc_ns = 42;
        struct err e = {0};
        assert_false(clock_parse_utc(bad[i].text, &utc_ns, &e));
        assert_string_equal(e.text, bad[i].message);
        assert_int_equal(e.code, ERR_CONFIG);
        assert_int_equal(utc_ns, 42);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_real_clock_waits_until_its_deadline),
        cmocka_unit_test(a_real_clock_can_be_woken),
        cmocka_unit_test(a_manual_clock_moves_when_told_or_waited_for),
        cmocka_unit_test(a_manual_clock_stands_still_for_who_is_woken),
        cmocka_unit_test(an_hour_passes_in_a_moment),
        cmocka_unit_test(the_share_is_waited_really),
        cmocka_unit_test(a_speed_that_is_none_is_one),
        cmocka_unit_test(who_has_not_joined_waits_really),
        cmocka_unit_test(joining_twice_needs_leaving_twice),
        cmocka_unit_test(a_woken_waiter_skips_nothing),
        cmocka_unit_test(a_long_wait_is_interrupted),
        cmocka_unit_test(a_kick_alone_wakes_nobody),
        cmocka_unit_test(never_is_not_skipped_to),
        cmocka_unit_test(never_is_not_skipped_to_when_alone),
        cmocka_unit_test(nothing_is_skipped_while_one_works),
        cmocka_unit_test(nobody_is_overtaken),
        cmocka_unit_test(guests_disturb_nobody),
        cmocka_unit_test(a_thread_that_was_woken_is_waited_for),
        cmocka_unit_test(nobody_leaves_in_the_midst_of_a_skip),
        cmocka_unit_test(without_its_follower_the_clock_runs_at_speed_1),
        cmocka_unit_test(utc_labels),
        cmocka_unit_test(labels_come_back_as_they_went),
        cmocka_unit_test(the_ends_of_time),
        cmocka_unit_test(fractions_of_a_second),
        cmocka_unit_test(what_is_no_time),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
