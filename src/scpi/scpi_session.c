/* SPDX-License-Identifier: GPL-3.0-or-later
 * scpi/scpi_session: see the header for what it promises. */
#include "scpi/scpi_session.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "scpi/scpi_syntax.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WRITE_TIMEOUT_MS 1000
#define QUIET_MS 50
#define NUMBERS_MOST 8
#define ERRORS_MOST 40
#define REPLY_SIZE 512
#define NONCE_FIRST 17 /* small numbers are likelier readings */
#define NONCE_LAST 253

struct scpi_session {
    struct link *link;
    const struct scpi_options *options;
    struct clock *real;
    bool suspect;
    int nonce;
    int64_t sent_ns;
    char identity[REPLY_SIZE]; /* first answer to the identity query; "" before */
};

struct scpi_options scpi_options_default(void)
{
    return (struct scpi_options){
        .reply_timeout_ms = 500,
        .how = RESYNC_NONCE,
        .late_ms = 5000,
        .error_query = "SYSTem:ERRor?",
        .identity_query = "*IDN?",
    };
}

struct scpi_session *scpi_session_new(struct link *link, const struct scpi_options *options)
{
    struct scpi_session *s = zalloc(sizeof *s);
    s->link = link;
    s->options = options;
    s->real = clock_new_real();
    /* What the instrument was asked before we came may still be answered. */
    s->suspect = true;
    /* Another start than last time: answers to an earlier session may be on their way. */
    s->nonce = NONCE_FIRST + (int)(clock_real_ns() / NS_PER_MS % (NONCE_LAST - NONCE_FIRST));
    return s;
}

void scpi_session_free(struct scpi_session *s)
{
    if (s != NULL) {
        clock_free(s->real);
        free(s);
    }
}

bool scpi_is_suspect(const struct scpi_session *s)
{
    return s->suspect;
}

/* --- lines --- */

bool scpi_send(struct scpi_session *s, const char *line, struct err *e)
{
    char bytes[REPLY_SIZE];
    if (!text_format(bytes, sizeof bytes, "%s%s", line, s->options->crlf_out ? "\r\n" : "\n")) {
        return err_set(e, ERR_BUG, "the line \"%.40s...\" is too long to send", line);
    }
    if (s->options->pause_ms > 0) {
        clock_wait_until(s->real, s->sent_ns + s->options->pause_ms * NS_PER_MS, -1);
    }
    bool ok = link_write(s->link, bytes, strlen(bytes), WRITE_TIMEOUT_MS, e);
    s->sent_ns = clock_real_ns();
    if (!ok) {
        s->suspect = true;
    }
    return ok;
}

static bool is_printable(const char *text, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        unsigned char c = (unsigned char)text[i];
        if ((c < 0x20 && c != '\t') || c == 0x7f) {
            return false;
        }
    }
    return true;
}

static bool read_reply(struct scpi_session *s, char *reply, size_t size, int timeout_ms,
                       struct err *e)
{
    size_t n = 0;
    if (!link_read_line(s->link, reply, size, &n, timeout_ms, e)) {
        return false;
    }
    if (!is_printable(reply, n)) {
        return err_set(e, ERR_BAD_REPLY, "the answer holds bytes that are no text");
    }
    return true;
}

static bool read_echo(struct scpi_session *s, const char *line, struct err *e)
{
    char echo[REPLY_SIZE];
    if (!s->options->echo) {
        return true;
    }
    if (!read_reply(s, echo, sizeof echo, s->options->reply_timeout_ms, e)) {
        return err_prefix(e, "echo of the line");
    }
    return strcmp(echo, line) == 0 ||
           err_set(e, ERR_BAD_REPLY, "the echo was \"%.60s\", not the line sent", echo);
}

/* --- resynchronising --- */

static int left_ms(int64_t deadline_ns)
{
    int64_t left = (deadline_ns - clock_real_ns()) / NS_PER_MS;
    return left > 0 ? (int)left : 0;
}

static int next_nonce(struct scpi_session *s)
{
    s->nonce = s->nonce >= NONCE_LAST ? NONCE_FIRST : s->nonce + 1;
    return s->nonce;
}

static bool send_nonce(struct scpi_session *s, int nonce, struct err *e)
{
    char line[32];
    text_format(line, sizeof line, "*ESE %d;*ESE?", nonce);
    return scpi_send(s, line, e);
}

static bool reply_is_nonce(const char *reply, int nonce)
{
    struct scpi_number number;
    return scpi_number_parse(reply, strlen(reply), &number, NULL) && number.kind == SCPI_NUMBER &&
           number.unit[0] == '\0' && fabs(number.value - nonce) < 1e-9;
}

enum awaited { NONCE_CAME, NONCE_SWALLOWED, NONCE_FAILED };

/* Read on until the nonce comes. Whatever comes before is old and thrown away.
 * Silence after something that was thrown away means that the answer may have
 * been swallowed by the end of a broken line: ask anew. Silence from the start
 * means waiting until the deadline: asking more would only lengthen the queue. */
static enum awaited await_nonce(struct scpi_session *s, int nonce, int64_t deadline_ns,
                                struct err *e)
{
    char reply[REPLY_SIZE];
    struct err why = {0};
    bool thrown = false;
    for (;;) {
        int patience = left_ms(deadline_ns);
        if (thrown && patience > 2 * s->options->reply_timeout_ms) {
            patience = 2 * s->options->reply_timeout_ms;
        }
        if (read_reply(s, reply, sizeof reply, patience, &why)) {
            if (reply_is_nonce(reply, nonce)) {
                return NONCE_CAME;
            }
            log_debug("%s: late answer thrown away: %.60s", link_address(s->link), reply);
            thrown = true;
        } else if (why.code == ERR_BAD_REPLY && clock_real_ns() < deadline_ns) {
            thrown = true;
        } else if (why.code == ERR_TIMEOUT && thrown && clock_real_ns() < deadline_ns) {
            return NONCE_SWALLOWED;
        } else {
            if (e != NULL) {
                *e = why;
            }
            return NONCE_FAILED;
        }
    }
}

/* The second nonce must be the very next line. */
static bool confirm_nonce(struct scpi_session *s, int nonce, bool *confirmed, struct err *e)
{
    char reply[REPLY_SIZE];
    struct err why = {0};
    bool came = read_reply(s, reply, sizeof reply, s->options->reply_timeout_ms, &why);
    *confirmed = came && reply_is_nonce(reply, nonce) && !link_pending(s->link);
    if (!came && (why.code == ERR_LINK_LOST || why.code == ERR_INTERRUPTED)) {
        if (e != NULL) {
            *e = why;
        }
        return false;
    }
    return true;
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
            return err_set(e, ERR_BAD_REPLY, "%s: answers do not fit the questions",
                           link_address(s->link));
        }
    }
    return true;
}

static bool resync_by_identity(struct scpi_session *s, int64_t deadline_ns, struct err *e)
{
    char reply[REPLY_SIZE];
    if (!link_drain(s->link, s->options->reply_timeout_ms, left_ms(deadline_ns), NULL, e) ||
        !scpi_send(s, s->options->identity_query, e) ||
        !read_reply(s, reply, sizeof reply, left_ms(deadline_ns), e)) {
        return false;
    }
    if (s->identity[0] != '\0' && strcmp(s->identity, reply) != 0) {
        return err_set(e, ERR_BAD_REPLY, "%s: \"%.60s\" came where the identity was due",
                       link_address(s->link), reply);
    }
    return !link_pending(s->link) ||
           err_set(e, ERR_BAD_REPLY, "%s: more came than was asked for", link_address(s->link));
}

bool scpi_resync(struct scpi_session *s, struct err *e)
{
    int64_t deadline_ns =
        clock_real_ns() + (s->options->late_ms + s->options->reply_timeout_ms) * NS_PER_MS;
    bool ok = false;
    s->suspect = true;
    switch (s->options->how) {
    case RESYNC_NONCE:
        ok = resync_by_nonce(s, deadline_ns, e);
        break;
    case RESYNC_IDENTITY:
        ok = resync_by_identity(s, deadline_ns, e);
        break;
    case RESYNC_QUIET:
        ok = link_drain(s->link, QUIET_MS, left_ms(deadline_ns), NULL, e);
        break;
    }
    s->suspect = !ok;
    return ok;
}

/* --- question and answer --- */

static bool make_trusted(struct scpi_session *s, struct err *e)
{
    if (!s->suspect && link_pending(s->link)) {
        log_debug("%s: bytes came that nobody asked for", link_address(s->link));
        s->suspect = true;
    }
    return !s->suspect || scpi_resync(s, e);
}

bool scpi_query(struct scpi_session *s, const char *line, char *reply, size_t size, struct err *e)
{
    if (!make_trusted(s, e)) {
        return err_prefix(e, "%s: resynchronise", line);
    }
    s->suspect = true; /* until a whole answer is here */
    if (!scpi_send(s, line, e) || !read_echo(s, line, e) ||
        !read_reply(s, reply, size, s->options->reply_timeout_ms, e)) {
        return err_prefix(e, "%s", line);
    }
    s->suspect = link_pending(s->link);
    if (s->identity[0] == '\0' && strcmp(line, s->options->identity_query) == 0) {
        text_format(s->identity, sizeof s->identity, "%s", reply);
    }
    return true;
}

static bool take_number(const struct scpi_piece *p, double *out, struct err *e)
{
    struct scpi_number number;
    if (!scpi_number_parse(p->at, p->n, &number, e)) {
        return false;
    }
    switch (number.kind) {
    case SCPI_NUMBER:
        *out = number.value;
        return true;
    case SCPI_NOT_A_NUMBER:
        return err_set(e, ERR_BAD_REPLY, "the instrument reports not-a-number");
    case SCPI_OUT_OF_RANGE:
        break;
    }
    return err_set(e, ERR_BAD_REPLY, "the instrument reports a value out of its range");
}

bool scpi_query_numbers(struct scpi_session *s, const char *line, double *out, size_t n,
                        struct err *e)
{
    char reply[REPLY_SIZE];
    struct scpi_piece pieces[NUMBERS_MOST];
    struct scpi_number any;
    size_t count = 0;
    if (!scpi_query(s, line, reply, sizeof reply, e)) {
        return false;
    }
    if (!scpi_split(reply, strlen(reply), pieces, NUMBERS_MOST, &count, e) || count != n) {
        s->suspect = true;
        return err_set(e, ERR_BAD_REPLY, "%s: \"%.60s\" came where %zu number%s wanted", line,
                       reply, n, n == 1 ? " was" : "s were");
    }
    for (size_t i = 0; i < n; i++) {
        if (!take_number(&pieces[i], &out[i], e)) {
            /* A number that is none is an honest answer; anything else is not. */
            s->suspect = s->suspect || !scpi_number_parse(pieces[i].at, pieces[i].n, &any, NULL);
            return err_prefix(e, "%s", line);
        }
    }
    return true;
}

/* Calls nothing; collects every entry into *e, the first one leading. */
static bool collect_errors(struct scpi_session *s, const char *line, int *count, struct err *e)
{
    char reply[REPLY_SIZE];
    struct scpi_error entry = {.code = 1};
    char all[400] = "";
    for (*count = 0; *count < ERRORS_MOST; (*count)++) {
        if (!scpi_query(s, s->options->error_query, reply, sizeof reply, e)) {
            return false;
        }
        if (!scpi_error_parse(reply, strlen(reply), &entry, e)) {
            s->suspect = true;
            return err_prefix(e, "%s", s->options->error_query);
        }
        if (entry.code == 0) {
            break;
        }
        size_t used = strlen(all);
        text_format(all + used, sizeof all - used, "%s%d \"%s\"", used > 0 ? ", " : "", entry.code,
                    entry.text);
    }
    if (*count > 0) {
        err_set(e, ERR_INSTRUMENT, "%s: the instrument refused it: %s", line, all);
    }
    return true;
}

bool scpi_command(struct scpi_session *s, const char *line, struct err *e)
{
    int count = 0;
    if (!make_trusted(s, e) || !scpi_send(s, line, e) || !read_echo(s, line, e)) {
        return err_prefix(e, "%s", line);
    }
    if (s->options->error_query[0] == '\0') {
        return true;
    }
    return collect_errors(s, line, &count, e) && count == 0;
}

bool scpi_drain_errors(struct scpi_session *s, struct err *e)
{
    int count = 0;
    struct err entries = {0};
    if (s->options->error_query[0] == '\0') {
        return true;
    }
    if (!collect_errors(s, "earlier", &count, &entries)) {
        if (e != NULL) {
            *e = entries;
        }
        return false;
    }
    if (count > 0) {
        log_debug("%s: %s", link_address(s->link), entries.text);
    }
    return true;
}

bool scpi_latest_line(struct scpi_session *s, char *line, size_t size, int timeout_ms,
                      struct err *e)
{
    char next[REPLY_SIZE];
    struct err why = {0};
    if (!read_reply(s, line, size, timeout_ms, e)) {
        return false;
    }
    while (link_pending(s->link) && read_reply(s, next, sizeof next, 0, &why)) {
        text_format(line, size, "%s", next);
    }
    return true;
}
