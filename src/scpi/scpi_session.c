/* SPDX-License-Identifier: GPL-3.0-or-later
 * scpi/scpi_session: see the header for what it promises. */
#include "scpi/scpi_session.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "scpi/scpi_syntax.h"
#include "scpi/session_inside.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define WRITE_TIMEOUT_MS 1000
#define NUMBERS_MOST 8
#define ERRORS_MOST 40

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
    s->asked_ns = s->identity_asked_ns = clock_real_ns();
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

int session_left_ms(int64_t deadline_ns)
{
    int64_t left = (deadline_ns - clock_real_ns()) / NS_PER_MS;
    return left > 0 ? (int)left : 0;
}

/* Half a line of ours in the instrument's input would swallow the beginning of
 * the next, be it an `off`: an end of line goes first then. By itself it is an empty message,
 * which IEEE 488.2 lets pass. */
bool session_put_line(struct scpi_session *s, const char *line, struct err *e)
{
    char bytes[REPLY_SIZE];
    const char *end = s->options->crlf_out ? "\r\n" : "\n";
    s->asked = NULL;
    if (!text_format(bytes, sizeof bytes, "%s%s%s", s->half_line ? end : "", line, end)) {
        return err_set(e, ERR_BUG, "the line \"%.40s...\" is too long to send", line);
    }
    if (s->options->pause_ms > 0) {
        clock_wait_until(s->real, s->sent_ns + s->options->pause_ms * NS_PER_MS, -1);
    }
    bool ok = link_write(s->link, bytes, strlen(bytes), WRITE_TIMEOUT_MS, e);
    s->sent_ns = clock_real_ns();
    s->half_line = !ok;
    s->suspect = s->suspect || !ok;
    return ok;
}

static bool is_printable_ascii(const char *text, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        unsigned char c = (unsigned char)text[i];
        if ((c < 0x20 && c != '\t') || c >= 0x7f) {
            return false;
        }
    }
    return true;
}

bool session_read(struct scpi_session *s, char *reply, size_t size, int timeout_ms, struct err *e)
{
    size_t n = 0;
    if (!link_read_line(s->link, reply, size, &n, timeout_ms, e)) {
        return false;
    }
    return is_printable_ascii(reply, n) ||
           err_set(e, ERR_BAD_REPLY,
                   "%s: the answer holds bytes that are no text; are baud rate, parity and earth "
                   "right?",
                   link_address(s->link));
}

bool session_read_echo(struct scpi_session *s, const char *line, struct err *e)
{
    char echo[REPLY_SIZE];
    if (!s->options->echo) {
        return true;
    }
    if (!session_read(s, echo, sizeof echo, s->options->reply_timeout_ms, e)) {
        return err_prefix(e, "echo of the line");
    }
    return strcmp(echo, line) == 0 ||
           err_set(e, ERR_BAD_REPLY, "the echo was \"%.60s\", not the line sent", echo);
}

static bool read_bare_prompt(struct scpi_session *s, char *text, size_t size, struct err *e)
{
    size_t n = strlen(s->options->prompt);
    text[0] = '\0';
    return n < size && link_read_bytes(s->link, text, n, s->options->reply_timeout_ms, e);
}

bool session_read_prompt(struct scpi_session *s, struct err *e)
{
    const struct scpi_options *o = s->options;
    char text[REPLY_SIZE];
    if (o->prompt[0] == '\0') {
        return true;
    }
    bool came = o->prompt_is_line ? session_read(s, text, sizeof text, o->reply_timeout_ms, e)
                                  : read_bare_prompt(s, text, sizeof text, e);
    if (!came) {
        return err_prefix(e, "prompt");
    }
    return strcmp(text, o->prompt) == 0 ||
           err_set(e, ERR_INSTRUMENT,
                   "\"%.60s\" came where its prompt \"%s\" is due; it refuses the line", text,
                   o->prompt);
}

void scpi_distrust(struct scpi_session *s)
{
    s->suspect = true;
    s->asked = NULL;
    s->asked_ns = clock_real_ns();
}

/* Something may still come in answer to the last line sent. */
static void distrust(struct scpi_session *s)
{
    s->suspect = true;
    s->asked_ns = s->sent_ns;
}

/* The line is out when this is true; an echo that does not fit only makes the
 * session suspect, so that the next line of an `off` is sent all the same. */
bool scpi_send(struct scpi_session *s, const char *line, struct err *e)
{
    bool was_trusted = !s->suspect;
    struct err why = {0};
    if (!session_put_line(s, line, e)) {
        return false;
    }
    if (was_trusted && (!session_read_echo(s, line, &why) || !session_read_prompt(s, &why))) {
        log_debug("%s: %s", link_address(s->link), why.text);
        distrust(s);
    }
    if (strchr(line, '?') != NULL) {
        distrust(s); /* an answer may come that nobody reads */
        s->identity_asked_ns = s->sent_ns;
    } else if (s->suspect && (s->options->echo || s->options->prompt[0] != '\0')) {
        distrust(s);
    }
    return true;
}

/* --- question and answer --- */

static bool make_trusted(struct scpi_session *s, struct err *e)
{
    if (!s->suspect && link_pending(s->link)) {
        log_debug("%s: bytes came that nobody asked for", link_address(s->link));
        distrust(s);
    }
    return !s->suspect || scpi_resync(s, e);
}

static bool is_identity_query(const struct scpi_session *s, const char *line)
{
    return strcasecmp(line, s->options->identity_query) == 0;
}

/* From here on the session is suspect, until take_answer() is true. */
static bool put_question(struct scpi_session *s, const char *line, struct err *e)
{
    s->suspect = true;
    bool sent = session_put_line(s, line, e);
    s->asked_ns = s->sent_ns;
    s->identity_asked_ns = is_identity_query(s, line) ? s->sent_ns : s->identity_asked_ns;
    return sent;
}

static bool take_answer(struct scpi_session *s, const char *line, char *reply, size_t size,
                        struct err *e)
{
    bool asks_identity = is_identity_query(s, line);
    s->asked = NULL;
    if (!session_read_echo(s, line, e) ||
        !session_read(s, reply, size, s->options->reply_timeout_ms, e) ||
        !session_read_prompt(s, e)) {
        return false;
    }
    if (link_holds_more(s->link)) {
        /* Two lines for one question: which of them is the answer cannot be told. What
         * comes later is noticed before the next question; off does not wait for it. */
        return err_set(e, ERR_BAD_REPLY, "more came than one answer, beginning with \"%.60s\"",
                       reply);
    }
    s->suspect = false;
    s->asked_ns = 0;
    s->identity_asked_ns = asks_identity ? 0 : s->identity_asked_ns;
    if (asks_identity && s->identity[0] == '\0') {
        text_format(s->identity, sizeof s->identity, "%s", reply);
    }
    return true;
}

bool scpi_query(struct scpi_session *s, const char *line, char *reply, size_t size, struct err *e)
{
    bool asked = s->asked != NULL && strcmp(s->asked, line) == 0;
    if (!asked && !make_trusted(s, e)) {
        return err_prefix(e, "%s: resynchronise", line);
    }
    return ((asked || put_question(s, line, e)) && take_answer(s, line, reply, size, e)) ||
           err_prefix(e, "%s", line);
}

bool scpi_ask(struct scpi_session *s, const char *line, struct err *e)
{
    bool cheap = s->options->how != RESYNC_QUIET;
    /* An answer that was never taken may be as old as it likes. */
    scpi_unask(s);
    if (!cheap || s->suspect || link_pending(s->link)) {
        return true;
    }
    if (!put_question(s, line, e)) {
        return err_prefix(e, "%s", line);
    }
    s->asked = line;
    return true;
}

void scpi_unask(struct scpi_session *s)
{
    s->asked = NULL; /* suspect it is until an answer is taken */
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
        distrust(s);
        return err_set(e, ERR_BAD_REPLY, "%s: \"%.60s\" came where %zu number%s wanted", line,
                       reply, n, n == 1 ? " was" : "s were");
    }
    for (size_t i = 0; i < n; i++) {
        if (!take_number(&pieces[i], &out[i], e)) {
            /* A number that is none is an honest answer; anything else is not. */
            if (!scpi_number_parse(pieces[i].at, pieces[i].n, &any, NULL)) {
                distrust(s);
            }
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
            distrust(s);
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
    if (!make_trusted(s, e) || !session_put_line(s, line, e)) {
        return err_prefix(e, "%s", line);
    }
    if (!session_read_echo(s, line, e) || !session_read_prompt(s, e)) {
        distrust(s);
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
    return count < ERRORS_MOST ||
           err_set(e, ERR_INSTRUMENT, "%s: %d entries were read and its error queue is not empty",
                   link_address(s->link), count);
}
