/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/wire: the connection to one instrument, which may have outputs at
 * several stands. Then their threads share it: each takes turns of whole
 * transactions, so that no answer goes astray, and off goes first. Inside the room.
 *
 * A wire that is not shared costs nothing: entering it is nothing. */
#ifndef AMPLEDGER_INSTRUMENT_WIRE_H
#define AMPLEDGER_INSTRUMENT_WIRE_H

#include "base/err.h"
#include "link/link.h"
#include "scpi/scpi_session.h"

#include <pthread.h>
#include <stdatomic.h>

struct wire {
    char address[288];
    bool shared;
    /* Only for who has entered: */
    struct link *link; /* NULL while closed, and always for a file */
    struct scpi_session *session;
    struct link_settings settings; /* it was opened with */
    unsigned users;                /* that have it open */
    _Atomic unsigned generation;   /* another one at each opening and each loss */
    _Atomic bool disturbed;        /* bytes were put past who was in */
    /* Taking turns: */
    pthread_mutex_t lock;
    pthread_cond_t changed;
    bool busy;
    int waiting, urgent; /* how many, the urgent ones apart */
    const void *last;    /* who was in last: others go before it */
    /* For putting bytes past who is in: */
    pthread_mutex_t copy_lock;
    int copy_fd; /* a duplicate of the link's descriptor, or -1 */
    unsigned references;
    struct wire *next;
};

/* The wire of that address, when shared one for all who ask. Give it back. */
struct wire *wire_take(const char *address, bool shared);
void wire_give_back(struct wire *w); /* closes it with the last one */

/* Who asks, for how long it would wait, and what may interrupt it (-1: nothing).
 * The urgent go before all others. */
struct wire_turn {
    const void *who;
    int patience_ms;
    int wake_fd;
    bool urgent;
};
/* ERR_TIMEOUT: others would not let it in. ERR_INTERRUPTED. */
bool wire_enter(struct wire *w, const struct wire_turn *t, struct err *e) NODISCARD;
void wire_leave(struct wire *w);

/* Having entered: open the link and begin a session, or close both for all users. */
bool wire_open(struct wire *w, const struct link_settings *s, const struct scpi_options *o,
               struct err *e) NODISCARD;
void wire_close(struct wire *w);

/* Without having entered, when patience is over: lines straight to the instrument,
 * pause_ms apart. Who is in may lose its answer, and finds it out. False when
 * the wire is not open, or does not take the bytes. */
bool wire_put_past(struct wire *w, const char *lines, size_t n, int pause_ms);

#endif
