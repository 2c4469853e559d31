/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/waker: one pollable descriptor that becomes readable when somebody
 * signals or when a set time (real) has come: it ends every wait of a stand's
 * thread, also one in the middle of a reply. */
#ifndef AMPLEDGER_RUN_WAKER_H
#define AMPLEDGER_RUN_WAKER_H

#include "base/err.h"

struct waker {
    int fd; /* poll this; -1 when not open */
    int event_fd;
    int timer_fd;
};

bool waker_open(struct waker *w, struct err *e) NODISCARD;
void waker_close(struct waker *w);

void waker_signal(struct waker *w); /* any thread */
void waker_clear_signal(struct waker *w);

/* Readable in `seconds` of real time (at once when <= 0); replaces an earlier time. */
void waker_arm(struct waker *w, double seconds);
void waker_disarm(struct waker *w);

#endif
