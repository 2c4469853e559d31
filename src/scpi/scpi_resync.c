/* SPDX-License-Identifier: GPL-3.0-or-later
 * scpi/scpi_resync: finding out what the next answer will be the answer to. The
 * header of the session says what each way promises; here is why it holds.
 *
 * All ways lean on one thing: an instrument answers in the order it was asked.
 * So once the answer to a question of our own is surely recognised, everything
 * asked before it has been answered or never will be. */
#include "scpi/scpi_session.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "scpi/scpi_syntax.h"
#include "scpi/session_inside.h"

#include <math.h>
#include <string.h>

#define NONCE_FIRST 17 /* small numbers are likelier readings */
#define NONCE_LAST 253

static bool give(struct err *e, const struct err *why)
{
    if (e != NULL) {
        *e = *why;
    }
    return false;
}

static bool is_hopeless(const struct err *why)
{
    return why->code != ERR_TIMEOUT && why->code != ERR_BAD_REPLY;
}

static bool fail_silent(const struct scpi_session *s, struct err *e)
{
    return err_set(e, ERR_TIMEOUT,
                   "%s: it does not answer, and it had %d ms for it; is it switched on, is the "
                   "cable right, do baud rate and line ending agree with its menu?",
                   link_address(s->link), s->options->late_ms + s->options->reply_timeout_ms);
}

static bool fail_misfit(const struct scpi_session *s, struct err *e)
{
    return err_set(e, ERR_BAD_REPLY,
                   "%s: what it answers does not fit the questions; is something else talking to "
                   "it, or does it print by itself?",
                   link_address(s->link));
}

/* Discard what comes until late_ms after `since_ns` (0: it is past), then until
 * silence: no question asked by then will be answered any more. */
static bool outwait(struct scpi_session *s, int64_t since_ns, int64_t deadline_ns, struct err *e)
{
    int64_t until_ns = since_ns == 0 ? 0 : since_ns + s->options->late_ms * NS_PER_MS;
    do {
        if (!link_drain(s->link, QUIET_MS, session_left_ms(deadline_ns), NULL, e)) {
            return false;
        }
    } while (clock_real_ns() < until_ns);
    return true;
}

/* --- by nonce --- */

static int next_nonce(struct scpi_session *s)
{
    if (s->nonce == 0) {
        /* Another start than last time: answers to an earlier session may be on their way. */
        s->nonce = NONCE_FIRST + (int)(clock_real_ns() / NS_PER_MS % (NONCE_LAST - NONCE_FIRST));
    }
    s->nonce = s->nonce >= NONCE_LAST ? NONCE_FIRST : s->nonce + 1;
    return s->nonce;
}

static void nonce_line(int nonce, char line[32])
{
    text_format(line, 32, "*ESE %d;*ESE?", nonce);
}

static bool send_nonce(struct scpi_session *s, int nonce, struct err *e)
{
    char line[32];
    nonce_line(nonce, line);
    return session_put_line(s, line, e);
}

static bool reply_is_nonce(const char *reply, int nonce)
{
    struct scpi_number number;
    return scpi_number_parse(reply, strlen(reply), &number, NULL) && number.kind == SCPI_NUMBER &&
           number.unit[0] == '\0' && fabs(number.value - nonce) < 1e-9;
}

enum awaited { NONCE_CAME, NONCE_SWALLOWED, NONCE_FAILED };

/* Read on until the nonce comes. Whatever comes before is old (or an echo) and
 * thrown away. Silence after something that was thrown away means that the
 * answer may have been swallowed by the end of a broken line: ask anew. Silence
 * from the start means waiting until the deadline: asking more would only
 * lengthen the queue. */
static enum awaited await_nonce(struct scpi_session *s, int nonce, int64_t deadline_ns,
                                struct err *e)
{
    char reply[REPLY_SIZE];
    struct err why = {0};
    bool thrown = false;
    for (;;) {
        int patience = session_left_ms(deadline_ns);
        if (thrown && patience > 2 * s->options->reply_timeout_ms) {
            patience = 2 * s->options->reply_timeout_ms;
        }
        if (session_read(s, reply, sizeof reply, patience, &why)) {
            if (reply_is_nonce(reply, nonce)) {
                return NONCE_CAME;
            }
            log_debug("%s: late answer thrown away: %.60s", link_address(s->link), reply);
            thrown = true;
        } else if (is_hopeless(&why)) {
            give(e, &why);
            return NONCE_FAILED;
        } else if (clock_real_ns() >= deadline_ns) {
            (void)(thrown ? fail_misfit(s, e) : fail_silent(s, e));
            return NONCE_FAILED;
        } else if (why.code == ERR_BAD_REPLY) {
            thrown = true;
        } else if (thrown) {
            return NONCE_SWALLOWED;
        }
    }
}

/* The second nonce must be the very next line, and the last. */
static bool confirm_nonce(struct scpi_session *s, int nonce, bool *confirmed, struct err *e)
{
    char reply[REPLY_SIZE], line[32];
    struct err why = {0};
    nonce_line(nonce, line);
    bool came = session_read_echo(s, line, &why) &&
                session_read(s, reply, sizeof reply, s->options->reply_timeout_ms, &why);
    *confirmed = came && reply_is_nonce(reply, nonce) && !link_pending(s->link);
    return came || !is_hopeless(&why) || give(e, &why);
}

static bool resync_by_nonce(struct scpi_session *s, int64_t deadline_ns, struct err *e)
{
    bool confirmed = false;
    while (!confirmed) {
        int first = next_nonce(s);
        int second = next_nonce(s);
        if (!send_nonce(s, first, e)) {
            return false;
        }
        enum awaited awaited = await_nonce(s, first, deadline_ns, e);
        if (awaited == NONCE_FAILED) {
            return false;
        }
        if (awaited == NONCE_CAME &&
            (!send_nonce(s, second, e) || !confirm_nonce(s, second, &confirmed, e))) {
            return false;
        }
        if (!confirmed && clock_real_ns() > deadline_ns) {
            return fail_misfit(s, e);
        }
    }
    return true;
}

/* --- by identity --- */

/* Also at the end of a line whose beginning was broken off earlier. A number is
 * no identity: it is somebody's reading. */
static bool reply_is_identity(const struct scpi_session *s, const char *reply)
{
    struct scpi_number number;
    size_t n = strlen(reply), known = strlen(s->identity);
    if (s->options->echo && strcmp(reply, s->options->identity_query) == 0) {
        return false;
    }
    if (known == 0) {
        return n > 0 && !scpi_number_parse(reply, n, &number, NULL);
    }
    return n >= known && strcmp(reply + n - known, s->identity) == 0;
}

static bool await_identity(struct scpi_session *s, char *reply, size_t size, int64_t deadline_ns,
                           struct err *e)
{
    struct err why = {0};
    char other[64] = "";
    for (;;) {
        if (session_read(s, reply, size, session_left_ms(deadline_ns), &why)) {
            if (reply_is_identity(s, reply)) {
                return true;
            }
            text_format(other, sizeof other, "%s", reply);
            log_debug("%s: not the identity, thrown away: %s", link_address(s->link), other);
        } else if (is_hopeless(&why)) {
            return give(e, &why);
        }
        if (clock_real_ns() >= deadline_ns) {
            break;
        }
    }
    return other[0] != '\0'
               ? err_set(e, ERR_BAD_REPLY, "%s: \"%s\" came where the identity was due",
                         link_address(s->link), other)
               : fail_silent(s, e);
}

/* Answers to two identity queries look alike, so while one may be on its way no
 * other is sent: it is outwaited. A new session cannot know and outwaits too. */
static bool resync_by_identity(struct scpi_session *s, int64_t deadline_ns, struct err *e)
{
    char reply[REPLY_SIZE];
    if (!outwait(s, s->identity_asked_ns, deadline_ns, e)) {
        return false;
    }
    bool sent = session_put_line(s, s->options->identity_query, e);
    s->identity_asked_ns = s->sent_ns;
    if (!sent || !await_identity(s, reply, sizeof reply, deadline_ns, e)) {
        return false;
    }
    if (link_pending(s->link)) {
        return err_set(e, ERR_BAD_REPLY, "%s: more came than was asked for", link_address(s->link));
    }
    s->identity_asked_ns = 0;
    if (s->identity[0] == '\0') {
        text_format(s->identity, sizeof s->identity, "%s", reply);
    }
    return true;
}

/* --- any way --- */

bool scpi_resync(struct scpi_session *s, struct err *e)
{
    const struct scpi_options *o = s->options;
    /* The two silences at most are on top of what late answers and ours may take. */
    int64_t deadline_ns =
        clock_real_ns() + (o->late_ms + o->reply_timeout_ms + 2 * QUIET_MS) * NS_PER_MS;
    bool ok = false;
    s->suspect = true;
    if (o->how == RESYNC_NONCE) {
        ok = resync_by_nonce(s, deadline_ns, e);
    } else if (o->how == RESYNC_IDENTITY && o->identity_query[0] != '\0') {
        ok = resync_by_identity(s, deadline_ns, e);
    } else {
        ok = outwait(s, s->asked_ns, deadline_ns, e);
    }
    if (ok) {
        s->suspect = false;
        s->asked_ns = 0;
    }
    return ok;
}
