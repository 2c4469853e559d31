/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/inside: an instrument seen from inside the room: what instrument.c
 * (life, talking, reading) offers to output.c (setting and switching). These
 * functions fill a bare reason; inside_fail() puts who and what before it. */
#ifndef AMPLEDGER_INSTRUMENT_INSIDE_H
#define AMPLEDGER_INSTRUMENT_INSIDE_H

#include "base/clock.h"
#include "instrument/instrument.h"
#include "instrument/wire.h"

struct instrument {
    char name[96];
    char address[288];
    const struct driver *driver;
    struct link_settings settings;
    char wanted_identity[DRIVER_LINE_SIZE];
    char identity[IDENTITY_SIZE]; /* as it answered last */
    char expected[IDENTITY_SIZE];
    char to_accept[128];
    enum hold hold; /* what was selected last */
    bool hold_sure; /* and was read back */
    bool is_open;   /* in that generation of the wire; see inside_is_open() */
    unsigned generation;
    bool inside; /* it is our turn on the wire */
    struct wire *wire;
    char device[288];
    int wake_fd;
    int wake_now;       /* wake_fd, or -1 while nothing may interrupt */
    struct clock *real; /* for pauses: what is on the wire happens in real time */
    int64_t opened_ns;
    unsigned openings;
    struct {
        bool known;
        double value;
        int64_t at_ns;
    } line; /* newest good one, PROTOCOL_LINES */
};

/* A public call begins by taking its turn and ends by inside_end(): whole
 * transactions, so that nobody comes between who shares the wire. */
bool inside_enter(struct instrument *i, struct err *why) NODISCARD;
/* Before all who are not urgent, and nothing interrupts it. */
bool inside_enter_first(struct instrument *i, int patience_ms, struct err *why) NODISCARD;
/* Fails as inside_fail() unless ok; leaves the wire if it had been entered. Returns ok. */
bool inside_end(struct instrument *i, bool ok, const char *what, struct err *why, struct err *e);
void inside_leave(struct instrument *i);

/* Also false when the other stand lost the link or opened it anew. */
bool inside_is_open(const struct instrument *i);
/* The link is lost, for all who share it. */
void inside_lose(struct instrument *i);

/* Every public call fails through here: "NAME on LINK: what: reason" goes to e
 * (may be NULL). A lost link is closed, so that opening starts anew. */
bool inside_fail(struct instrument *i, const char *what, struct err *why, struct err *e);

bool inside_require_open(const struct instrument *i, struct err *why) NODISCARD;
bool inside_open(struct instrument *i, struct err *why) NODISCARD;
/* -1: nothing interrupts from now on. */
void inside_use_wake(struct instrument *i, int fd);

/* The lines of a verb as they are, no answer and no error queue looked at. */
bool inside_send(struct instrument *i, enum verb v, struct err *why) NODISCARD;
/* Lines with their values, the error queue checked after each. */
bool inside_command(struct instrument *i, const struct driver_lines *lines,
                    const struct driver_values *values, struct err *why) NODISCARD;
bool inside_ask_number(struct instrument *i, enum question q, double *out,
                       struct err *why) NODISCARD;
bool inside_ask_state(struct instrument *i, bool *on, struct err *why) NODISCARD;
bool inside_read(struct instrument *i, struct reading *out, struct err *why) NODISCARD;
bool inside_drain_errors(struct instrument *i, struct err *why) NODISCARD;

#endif
