/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/inside: an instrument seen from inside the room: what instrument.c
 * (life, talking, reading) offers to output.c (setting and switching). These
 * functions fill a bare reason; inside_fail() puts who and what before it. */
#ifndef AMPLEDGER_INSTRUMENT_INSIDE_H
#define AMPLEDGER_INSTRUMENT_INSIDE_H

#include "base/clock.h"
#include "instrument/instrument.h"

struct instrument {
    char name[96];
    char address[288];
    const struct driver *driver;
    struct link_settings settings;
    char wanted_identity[DRIVER_LINE_SIZE];
    char identity[IDENTITY_SIZE]; /* as it answered last */
    char expected[IDENTITY_SIZE];
    char to_accept[128];
    bool is_open;
    struct link *link; /* NULL while closed, and always with PROTOCOL_FILE */
    struct scpi_session *session;
    int wake_fd;
    int wake_now;       /* wake_fd, or -1 while nothing may interrupt */
    struct clock *real; /* for pauses: what is on the wire happens in real time */
    int64_t opened_ns;
    struct {
        bool known;
        double value;
        int64_t at_ns;
    } line; /* newest good one, PROTOCOL_LINES */
};

/* Every public call fails through here: "NAME on LINK: what: reason" goes to e
 * (may be NULL). A lost link is closed, so that opening starts anew. */
bool inside_fail(struct instrument *i, const char *what, struct err *why, struct err *e);

bool inside_require_open(const struct instrument *i, struct err *why) NODISCARD;
bool inside_open(struct instrument *i, struct err *why) NODISCARD;
/* -1: nothing interrupts from now on. */
void inside_use_wake(struct instrument *i, int fd);

/* The lines of a verb as they are, no answer and no error queue looked at. */
bool inside_send(struct instrument *i, enum verb v, struct err *why) NODISCARD;
/* The lines of a verb with their values, the error queue checked after each. */
bool inside_command(struct instrument *i, enum verb v, const struct driver_values *values,
                    struct err *why) NODISCARD;
bool inside_ask_number(struct instrument *i, enum question q, double *out,
                       struct err *why) NODISCARD;
bool inside_ask_state(struct instrument *i, bool *on, struct err *why) NODISCARD;
bool inside_read(struct instrument *i, struct reading *out, struct err *why) NODISCARD;
bool inside_drain_errors(struct instrument *i, struct err *why) NODISCARD;

#endif
