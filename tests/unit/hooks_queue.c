/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of the queue of events: order, urgency, retries, who gives way. */
#include "base/file.h"
#include "hooks/queue.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static const bool both[LANES] = {true, true};
static const bool command_only[LANES] = {true, false};

static struct queue *make_queue(void)
{
    return zalloc(sizeof(struct queue));
}

static void put(struct queue *q, enum hook_kind kind, int number)
{
    struct hook_event e = hook_event_blank(kind);
    e.run_nr = number;
    queue_put(q, &e, command_only);
}

/* The number of the event that is told next; it leaves the queue. */
static int64_t tell_next(struct queue *q)
{
    struct delivery *d = queue_take(q, LANE_COMMAND, 0);
    if (d == NULL) {
        return -1;
    }
    int64_t number = d->event.run_nr;
    queue_done(q, d->id, LANE_COMMAND);
    return number;
}

static void alarms_go_first_then_trips_then_the_oldest(void **state)
{
    (void)state;
    struct queue *q = make_queue();
    put(q, HOOK_START, 1);
    put(q, HOOK_TRIP, 2);
    put(q, HOOK_END, 3);
    put(q, HOOK_ALARM, 4);
    put(q, HOOK_TRIP, 5);
    put(q, HOOK_ALARM, 6);
    const int64_t wanted[] = {4, 6, 2, 5, 1, 3, -1};
    for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++) {
        assert_int_equal(tell_next(q), wanted[i]);
    }
    assert_int_equal(q->count, 0);
    free(q);
}

static void an_event_stays_until_every_lane_is_done(void **state)
{
    (void)state;
    struct queue *q = make_queue();
    struct hook_event e = hook_event_blank(HOOK_END);
    queue_put(q, &e, both);
    struct delivery *d = queue_take(q, LANE_POST, 0);
    assert_non_null(d);
    uint64_t id = d->id;
    assert_int_equal(d->lane[LANE_POST].tries, 1);
    assert_null(queue_take(q, LANE_POST, 0)); /* it is busy */
    queue_done(q, id, LANE_POST);
    assert_int_equal(q->count, 1);
    assert_non_null(queue_take(q, LANE_COMMAND, 0));
    queue_done(q, id, LANE_COMMAND);
    assert_int_equal(q->count, 0);
    queue_done(q, id, LANE_COMMAND); /* once more does nothing */
    assert_int_equal(q->count, 0);
    free(q);
}

static void a_retry_waits_for_its_time_and_holds_nobody_up(void **state)
{
    (void)state;
    struct queue *q = make_queue();
    put(q, HOOK_START, 1);
    struct delivery *d = queue_take(q, LANE_COMMAND, 100);
    queue_again(q, d->id, LANE_COMMAND, 500);
    assert_int_equal(queue_due_ns(q, LANE_COMMAND), 500);
    assert_true(queue_due_ns(q, LANE_POST) == INT64_MAX);
    assert_null(queue_take(q, LANE_COMMAND, 499));
    put(q, HOOK_END, 2);
    assert_int_equal(queue_due_ns(q, LANE_COMMAND), 0);
    assert_int_equal(tell_next(q), 2);
    queue_hurry(q, 200);
    d = queue_take(q, LANE_COMMAND, 200);
    assert_non_null(d);
    assert_int_equal(d->lane[LANE_COMMAND].tries, 2);
    free(q);
}

static void when_full_the_oldest_harmless_one_gives_way(void **state)
{
    (void)state;
    struct queue *q = make_queue();
    put(q, HOOK_ALARM, 0);
    put(q, HOOK_START, 1);
    put(q, HOOK_TRIP, 2);
    for (int i = 3; i < QUEUE_SIZE; i++) {
        put(q, HOOK_END, i);
    }
    put(q, HOOK_END, QUEUE_SIZE);     /* 1 goes */
    put(q, HOOK_END, QUEUE_SIZE + 1); /* 3 goes */
    assert_int_equal(q->count, QUEUE_SIZE);
    assert_int_equal(q->dropped, 2);
    const int64_t wanted[] = {0, 2, 4, 5};
    for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++) {
        assert_int_equal(tell_next(q), wanted[i]);
    }
    free(q);
}

static void one_that_is_being_told_never_gives_way(void **state)
{
    (void)state;
    struct queue *q = make_queue();
    put(q, HOOK_START, 0);
    uint64_t busy = queue_take(q, LANE_COMMAND, 0)->id;
    for (int i = 1; i <= QUEUE_SIZE; i++) {
        put(q, HOOK_ALARM, i);
    }
    assert_int_equal(q->count, QUEUE_SIZE);
    assert_int_equal(q->dropped, 1); /* the oldest alarm, for want of anything less */
    assert_int_equal(q->item[0].id, busy);
    queue_done(q, busy, LANE_COMMAND);
    assert_int_equal(tell_next(q), 2);
    free(q);
}

static void an_event_that_nobody_wants_is_not_kept(void **state)
{
    (void)state;
    struct queue *q = make_queue();
    struct hook_event e = hook_event_blank(HOOK_TRIP);
    queue_put(q, &e, (const bool[LANES]){false, false});
    assert_int_equal(q->count, 0);
    free(q);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(alarms_go_first_then_trips_then_the_oldest),
        cmocka_unit_test(an_event_stays_until_every_lane_is_done),
        cmocka_unit_test(a_retry_waits_for_its_time_and_holds_nobody_up),
        cmocka_unit_test(when_full_the_oldest_harmless_one_gives_way),
        cmocka_unit_test(one_that_is_being_told_never_gives_way),
        cmocka_unit_test(an_event_that_nobody_wants_is_not_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
