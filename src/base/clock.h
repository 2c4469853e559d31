/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/clock: the one door for time.
 *
 * Durations and deadlines come from CLOCK_BOOTTIME (suspend counts, steps of
 * the wall clock do not); labels come from CLOCK_REALTIME (UTC). Nobody else
 * calls clock_gettime() or sleeps.
 *
 * Three kinds, one interface:
 *  real    test time is real time.
 *  sped-up test time = real time + time skipped. Real time never stops, so
 *          computing and talking to instruments cost what they cost; only
 *          *waits* are shortened: a wait of d seconds takes d / speed. When
 *          several threads share the clock, time is skipped only while all of
 *          them wait, and only to the earliest deadline: nobody is overtaken.
 *          Each skip is handed to `advance` (the virtual bench follows it)
 *          before any waiter wakes. Thus a slow machine slows the test down;
 *          it does not make a reading stale.
 *  manual  for tests: time moves only when told, or when waited for.
 *
 * Thread-safe. */
#ifndef AMPLEDGER_BASE_CLOCK_H
#define AMPLEDGER_BASE_CLOCK_H

#include "base/err.h"

#include <stdint.h>

#define NS_PER_S INT64_C(1000000000)
#define NS_PER_MS INT64_C(1000000)

struct clock;

/* Called with the total time skipped so far (ns). Must not block for long.
 * Returning false (the follower is gone) stops the skipping: the clock then
 * runs at speed 1 and says so once in the log. */
typedef bool clock_advance_fn(void *context, int64_t skipped_ns);

struct clock *clock_new_real(void);
/* speed >= 1: how much shorter a wait becomes. `advance` may be NULL. */
struct clock *clock_new_sped_up(double speed, clock_advance_fn *advance, void *context);
/* Test time starts at boot_ns; UTC labels start at utc_ns. */
struct clock *clock_new_manual(int64_t boot_ns, int64_t utc_ns);
void clock_free(struct clock *c); /* NULL is fine */

double clock_speed(const struct clock *c); /* 1 for real and manual */

/* Test time in ns since an arbitrary origin; never goes back. */
int64_t clock_now_ns(struct clock *c);
/* Label: UTC in ns since 1970; on a sped-up clock it includes the skipped time. */
int64_t clock_utc_ns(struct clock *c);

/* A thread that waits on a sped-up clock joins before its first wait and
 * leaves when it stops waiting for good (an idle stand must not hold others up). */
void clock_join(struct clock *c);
void clock_leave(struct clock *c);

/* Wait until test time deadline_ns or until wake_fd (an eventfd; -1: none) is
 * readable. Returns true at the deadline, false when woken earlier. */
bool clock_wait_until(struct clock *c, int64_t deadline_ns, int wake_fd);

/* Make waiters look at their wake_fd again; call after writing to it. */
void clock_kick(struct clock *c);

/* Move a manual clock forward. */
void clock_manual_advance(struct clock *c, int64_t by_ns);

/* Real CLOCK_BOOTTIME, never skipped: for the deadlines of bytes on a wire. */
int64_t clock_real_ns(void);
/* Real CLOCK_REALTIME in ns since 1970, never skipped: for the log. */
int64_t clock_real_utc_ns(void);

/* CLOCK_MONOTONIC, for the deadlines of condition variables only. */
int64_t clock_monotonic_ns(void);

#define CLOCK_UTC_TEXT_SIZE 32
/* RFC 3339 with milliseconds, "2026-03-01T21:04:05.120Z". */
void clock_format_utc(int64_t utc_ns, char out[CLOCK_UTC_TEXT_SIZE]);
/* The reverse; also accepts no fraction. */
bool clock_parse_utc(const char *text, int64_t *utc_ns, struct err *e) NODISCARD;

#endif
