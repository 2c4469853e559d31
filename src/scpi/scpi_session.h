/* SPDX-License-Identifier: GPL-3.0-or-later
 * scpi/scpi_session: question and answer over a link, such that a late answer
 * is never taken for the answer to the next question.
 *
 * Whenever an answer did not come in time, came broken, was interrupted, or
 * bytes were there that nobody asked for, the session is *suspect*: the next
 * query first resynchronises, or fails. A new session is suspect too. Three
 * ways, by what the instrument can:
 *
 *  RESYNC_NONCE     `*ESE n;*ESE?` (mandatory in IEEE 488.2) with an n that was
 *                   not used in the last 200 times, twice. All that comes before
 *                   n is old and thrown away; the answer to the second must
 *                   follow at once. An old reading that happens to look like n
 *                   cannot pass, since the second n would have to follow it. The
 *                   register it writes only selects what sets a status bit that
 *                   nobody here reads. Never waits when the instrument answers.
 *  RESYNC_IDENTITY  *IDN? must be answered as it was the first time; what comes
 *                   before is old and thrown away. All its answers look alike:
 *                   while an earlier one may still come (after opening, or after
 *                   one was not answered) it first waits until late_ms have
 *                   passed since then.
 *  RESYNC_QUIET     waits until late_ms after the last unanswered question (or
 *                   after opening): for what can be asked nothing of the kind.
 *
 * Two things are taken for granted: instruments answer in the order they are
 * asked, and for IDENTITY and QUIET no answer comes later than late_ms.
 * What cannot be told apart: an answer sent twice whose copy arrives only after
 * the next question was sent. Copies that arrive before are noticed. */
#ifndef AMPLEDGER_SCPI_SCPI_SESSION_H
#define AMPLEDGER_SCPI_SCPI_SESSION_H

#include "link/link.h"

enum resync_how { RESYNC_NONCE, RESYNC_IDENTITY, RESYNC_QUIET };

#define SCPI_LINE_SIZE 96
#define SCPI_PROMPT_SIZE 16

struct scpi_options {
    int reply_timeout_ms;
    int pause_ms;  /* least time between two lines sent */
    bool crlf_out; /* end lines with CR LF instead of LF */
    bool echo;     /* the instrument sends back what it gets; must match */
    /* What it sends when it is done with a line, after the answer if there is one;
     * another text there means that it refused the line. "" none; RESYNC_QUIET only. */
    char prompt[SCPI_PROMPT_SIZE];
    bool prompt_is_line; /* an end of line follows it */
    enum resync_how how;
    int late_ms;                         /* a late answer may come so much later */
    char error_query[SCPI_LINE_SIZE];    /* "SYST:ERR?"; "" when it has no error queue */
    char identity_query[SCPI_LINE_SIZE]; /* "*IDN?"; for RESYNC_IDENTITY */
};
/* 500 ms, no pause, LF, no echo, RESYNC_NONCE, 5000 ms, "SYSTem:ERRor?", "*IDN?". */
struct scpi_options scpi_options_default(void);

struct scpi_session;

/* Borrows link and options. */
struct scpi_session *scpi_session_new(struct link *link, const struct scpi_options *options);
void scpi_session_free(struct scpi_session *s); /* NULL is fine; leaves the link open */

bool scpi_is_suspect(const struct scpi_session *s);
/* Something else may have come between: resynchronise before the next question. */
void scpi_distrust(struct scpi_session *s);

/* One line out, one line back (without its end, at most size - 1 characters,
 * printable ASCII only). Two lines back are ERR_BAD_REPLY: which of them is the
 * answer cannot be told. ERR_INTERRUPTED and ERR_LINK_LOST are the link's. */
bool scpi_query(struct scpi_session *s, const char *line, char *reply, size_t size,
                struct err *e) NODISCARD;

/* Sends the question ahead, and waits for no answer: the scpi_query() of this line that comes
 * next only takes it, which has had the meantime to come. Whatever else is done first makes up
 * for it as for an answer that was not taken, and so does asking again. Where that takes long
 * (RESYNC_QUIET), and in a suspect session, it does nothing, and scpi_query() asks. `line`
 * is borrowed until then. False as link_write() is. */
bool scpi_ask(struct scpi_session *s, const char *line, struct err *e) NODISCARD;
/* The answer is not taken after all: whoever asks next resynchronises. */
void scpi_unask(struct scpi_session *s);

/* An answer of exactly n numbers separated by ';' or ','. Not-a-number and out
 * of range are ERR_BAD_REPLY that says so; the session stays trusted then. */
bool scpi_query_numbers(struct scpi_session *s, const char *line, double *out, size_t n,
                        struct err *e) NODISCARD;

/* A line without answer; works in a suspect session too (that is how outputs go
 * off). True when it is out; an echo that is wrong only makes the session suspect. */
bool scpi_send(struct scpi_session *s, const char *line, struct err *e) NODISCARD;

/* Send, then read the error queue until it is empty. What it held is
 * ERR_INSTRUMENT with every entry. Without an error query: as scpi_send. */
bool scpi_command(struct scpi_session *s, const char *line, struct err *e) NODISCARD;

/* Empty the error queue, whatever it holds. ERR_INSTRUMENT if it never ends. */
bool scpi_drain_errors(struct scpi_session *s, struct err *e) NODISCARD;

/* Make the session trusted again; takes at most late_ms + 2 x reply_timeout_ms
 * and some 0.2 s. If it fails (ERR_TIMEOUT, ERR_BAD_REPLY, or the link's own) the
 * session stays suspect. */
bool scpi_resync(struct scpi_session *s, struct err *e) NODISCARD;

/* For instruments that print by themselves: the newest whole line among those
 * that have come; waits up to timeout_ms if there is none. The first line after
 * opening counts only when a silence came before it: it may be half a line. When
 * so much has piled up that the newest may have been lost, all of it is thrown
 * away and a new line is waited for (at least 0.1 s); ERR_TIMEOUT if none comes. */
bool scpi_latest_line(struct scpi_session *s, char *line, size_t size, int timeout_ms,
                      struct err *e) NODISCARD;

#endif
