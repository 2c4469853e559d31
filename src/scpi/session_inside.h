/* SPDX-License-Identifier: GPL-3.0-or-later
 * scpi/session_inside: what the files of a session share. */
#ifndef AMPLEDGER_SCPI_SESSION_INSIDE_H
#define AMPLEDGER_SCPI_SESSION_INSIDE_H

#include "scpi/scpi_session.h"

#include <stdint.h>

#define REPLY_SIZE 512
#define QUIET_MS 50 /* far longer than between two bytes of a line, also at 1200 baud over USB */

struct clock;

struct scpi_session {
    struct link *link;
    const struct scpi_options *options;
    struct clock *real;
    bool suspect;
    const char *asked; /* by scpi_ask(), not answered yet, nothing sent since; NULL: none */
    bool half_line; /* a write failed: the instrument may have got the beginning of a line */
    int nonce;
    int64_t sent_ns;
    /* When the last question was sent that may still be answered; 0: none. For
     * the identity query apart, because nothing tells two of its answers from
     * each other. */
    int64_t asked_ns, identity_asked_ns;
    char identity[REPLY_SIZE]; /* first answer to the identity query; "" before */
};

/* One line to the instrument; keeps the pause, sets sent_ns. */
bool session_put_line(struct scpi_session *s, const char *line, struct err *e) NODISCARD;

/* One line from it, of printable ASCII. */
bool session_read(struct scpi_session *s, char *reply, size_t size, int timeout_ms,
                  struct err *e) NODISCARD;

/* The echo of `line`, when the instrument echoes: must match. */
bool session_read_echo(struct scpi_session *s, const char *line, struct err *e) NODISCARD;

/* The prompt, when the instrument has one. ERR_INSTRUMENT: another text came. */
bool session_read_prompt(struct scpi_session *s, struct err *e) NODISCARD;

/* Milliseconds until a deadline (CLOCK_BOOTTIME, real); 0 when it has passed. */
int session_left_ms(int64_t deadline_ns);

#endif
