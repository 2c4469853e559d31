/* SPDX-License-Identifier: GPL-3.0-or-later
 * scpi/scpi_printer: instruments that print lines by themselves. Two things
 * must not be taken for a reading: half a line ("1.5 C" of "T=21.5 C"), and an
 * old line that waited in the system's buffer while nobody read. */
#include "scpi/scpi_session.h"

#include "base/clock.h"
#include "scpi/session_inside.h"

#include <string.h>

/* The system keeps 4 KiB and throws away what comes after: a backlog so large
 * may be as old as one likes, and its last line is cut. */
#define BACKLOG_MOST ((size_t)3072)
#define SPRINT_MS 100 /* longer than this nobody prints faster than we read */

/* A line as it is; bytes beyond ASCII are left to the pattern (a degree sign). */
static bool read_printed(struct scpi_session *s, char *line, size_t size, size_t *n, int timeout_ms,
                         struct err *e)
{
    if (!link_read_line(s->link, line, size, n, timeout_ms, e)) {
        return false;
    }
    return memchr(line, '\0', *n) == NULL ||
           err_set(e, ERR_BAD_REPLY, "%s: the line holds bytes that are no text",
                   link_address(s->link));
}

/* Until it is known where a line begins: after a silence, or behind a line end. */
static bool find_line_start(struct scpi_session *s, int64_t deadline_ns, struct err *e)
{
    char line[REPLY_SIZE];
    size_t n = 0;
    struct err why = {0};
    int left_ms = session_left_ms(deadline_ns);
    int first_ms = left_ms < QUIET_MS ? left_ms : QUIET_MS;
    bool ended = link_read_line(s->link, line, sizeof line, &n, first_ms, &why);
    if (!ended && why.code == ERR_TIMEOUT && !link_pending(s->link) && first_ms == QUIET_MS) {
        ended = true; /* silence */
    } else if (!ended && why.code == ERR_TIMEOUT) {
        ended = link_read_line(s->link, line, sizeof line, &n, session_left_ms(deadline_ns), &why);
    }
    if (!ended && e != NULL) {
        *e = why;
    }
    s->suspect = !ended;
    return ended;
}

enum printed { NEWEST, ONLY_OLD, NONE };

/* Replaces *line while newer ones are there. */
static enum printed take_newest(struct scpi_session *s, char *line, size_t size, size_t n,
                                struct err *why)
{
    char next[REPLY_SIZE];
    size_t room = size < sizeof next ? size : sizeof next;
    size_t backlog = n + 1;
    int64_t sprint_ns = clock_real_ns() + SPRINT_MS * NS_PER_MS;
    struct err end = {0};
    while (link_pending(s->link) && clock_real_ns() < sprint_ns &&
           read_printed(s, next, room, &n, 0, &end)) {
        memcpy(line, next, n + 1);
        backlog += n + 1;
    }
    s->suspect = backlog > BACKLOG_MOST || end.code == ERR_BAD_REPLY;
    if (backlog > BACKLOG_MOST) {
        err_set(why, ERR_TIMEOUT, "%s: only old lines were there", link_address(s->link));
        return ONLY_OLD;
    }
    return NEWEST;
}

/* One line whose beginning was seen, and the newest of those behind it. */
static enum printed read_newest(struct scpi_session *s, char *line, size_t size,
                                int64_t deadline_ns, struct err *why)
{
    size_t n = 0;
    if (s->suspect && !find_line_start(s, deadline_ns, why)) {
        return NONE;
    }
    if (!read_printed(s, line, size, &n, session_left_ms(deadline_ns), why)) {
        s->suspect = why->code == ERR_BAD_REPLY;
        return NONE;
    }
    return take_newest(s, line, size, n, why);
}

bool scpi_latest_line(struct scpi_session *s, char *line, size_t size, int timeout_ms,
                      struct err *e)
{
    int64_t deadline_ns = clock_real_ns() + timeout_ms * NS_PER_MS;
    struct err why = {0};
    enum printed printed = read_newest(s, line, size, deadline_ns, &why);
    if (printed == ONLY_OLD) {
        /* Who prints so fast has a new one at once, even if nobody meant to wait. */
        int64_t grace_ns = clock_real_ns() + QUIET_MS * (2 * NS_PER_MS);
        printed = read_newest(s, line, size, deadline_ns > grace_ns ? deadline_ns : grace_ns, &why);
    }
    if (printed != NEWEST && e != NULL) {
        *e = why;
    }
    return printed == NEWEST;
}
