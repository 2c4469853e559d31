/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/log: writes each event as one line with one write(2), so that lines of
 * several threads and processes never mix; where there is the log's thread, into its
 * pipe (a line is at most PIPE_BUF, which a pipe takes as a whole or not at all). */
#include "base/log.h"

#include "base/clock.h"
#include "base/utf8.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define LINE_SIZE 4096
#define PIPE_SIZE (1 << 20) /* of lines, while a disk hangs; as much as anybody may have */
#define FLUSH_MS 1000
#define WIRE_CHUNK 512 /* bytes of a link on one line; each may need four characters */

static const char *const level_names[] = {"error", "warn", "info", "debug", "wire"};

static atomic_int current_level = LOG_INFO;

static struct {
    atomic_int fd;                  /* where lines go */
    int pipe_fd;                    /* where the log's thread finds them */
    atomic_uint lost;               /* lines, since that was last told */
    _Atomic uint64_t taken, copied; /* bytes: into the pipe, and out of it to where they belong */
} sink = {.fd = STDERR_FILENO, .pipe_fd = -1};

struct line {
    char text[LINE_SIZE];
    size_t n;
};

void log_set_level(enum log_level level)
{
    atomic_store(&current_level, (int)level);
}

enum log_level log_level(void)
{
    return (enum log_level)atomic_load(&current_level);
}

bool log_level_parse(const char *text, enum log_level *out)
{
    for (size_t i = 0; i < sizeof level_names / sizeof *level_names; i++) {
        if (strcmp(text, level_names[i]) == 0) {
            *out = (enum log_level)i;
            return true;
        }
    }
    return false;
}

/* Leaves room for the newline; false: it does not fit and is dropped as a whole. */
static bool put(struct line *l, const char *text, size_t n)
{
    bool fits = n <= LINE_SIZE - 1 - l->n;
    if (fits) {
        memcpy(l->text + l->n, text, n);
        l->n += n;
    }
    return fits;
}

static bool put_byte(struct line *l, unsigned char c)
{
    char escape[8];
    if (c == '\n') {
        return put(l, "\\n", 2);
    }
    if (c == '\r') {
        return put(l, "\\r", 2);
    }
    return put(l, escape, (size_t)snprintf(escape, sizeof escape, "\\x%02X", (unsigned)c));
}

/* Bytes of the character at s that may stand in a line as they are; 0: its first byte is to be
 * escaped. Beyond ASCII the controls of C1, U+0080 to U+009F, which terminals act on as well,
 * are none of these, nor what is no UTF-8. */
static size_t plain(const char *s, size_t n, bool ascii)
{
    uint32_t c = 0;
    size_t length = utf8_decode(s, n, &c);
    bool is_control = c < 0x20 || (c >= 0x7F && c < 0xA0);
    return is_control || (ascii && length > 1) ? 0 : length;
}

/* Replies of instruments and lines of files get into messages: no control
 * character may start a new line or steer the terminal. `ascii` also escapes
 * everything beyond ASCII, for bytes that are not known to be text. */
static void put_escaped(struct line *l, const char *bytes, size_t n, bool ascii)
{
    for (size_t i = 0; i < n;) {
        size_t length = plain(bytes + i, n - i, ascii);
        if (!(length > 0 ? put(l, bytes + i, length) : put_byte(l, (unsigned char)bytes[i]))) {
            return;
        }
        i += length > 0 ? length : 1;
    }
}

static void begin(struct line *l, enum log_level level)
{
    char utc[CLOCK_UTC_TEXT_SIZE], head[64];
    clock_format_utc(clock_real_utc_ns(), utc);
    l->n = 0;
    int n = snprintf(head, sizeof head, "%s %-5s ", utc, level_names[level]);
    put(l, head, (size_t)n);
}

/* Whoever reads the log may have stopped (Ctrl-S, a frozen connection), or the pipe is full
 * since a disk hangs: a line is lost then, and nobody who guards a battery waits for it. */
static bool send_line(const struct line *l)
{
    int fd = atomic_load(&sink.fd);
    struct pollfd reader = {.fd = fd, .events = POLLOUT};
    ssize_t wrote = 0;
    do {
        wrote = poll(&reader, 1, 0) == 1 && (reader.revents & POLLOUT) != 0
                    ? write(fd, l->text, l->n)
                    : 0;
    } while (wrote < 0 && errno == EINTR);
    if (wrote > 0 && fd != STDERR_FILENO) {
        atomic_fetch_add(&sink.taken, (uint64_t)wrote);
    }
    return wrote > 0;
}

/* In front of the next line that arrives, whatever the level: who reads must see the gap. */
static void tell_lost(void)
{
    unsigned lost = atomic_exchange(&sink.lost, 0);
    struct line l;
    if (lost == 0) {
        return;
    }
    begin(&l, LOG_WARN);
    l.n += (size_t)snprintf(l.text + l.n, LINE_SIZE - l.n,
                            "log: %u line%s lost before this one; its disk or its reader was too "
                            "slow, or took none\n",
                            lost, lost == 1 ? " was" : "s were");
    if (!send_line(&l)) {
        atomic_fetch_add(&sink.lost, lost);
    }
}

static void end(struct line *l)
{
    int saved = errno;
    l->text[l->n++] = '\n';
    tell_lost();
    if (!send_line(l)) {
        atomic_fetch_add(&sink.lost, 1);
    }
    errno = saved; /* logging is never the reason why something failed */
}

/* The one place that may wait for the log's disk, for as long as it takes. */
static void copy_to_end(const char *lines, size_t n)
{
    struct pollfd reader = {.fd = STDERR_FILENO, .events = POLLOUT};
    while (n > 0) {
        ssize_t wrote = write(STDERR_FILENO, lines, n);
        if (wrote > 0) {
            lines += wrote;
            n -= (size_t)wrote;
        } else if (wrote < 0 && errno == EAGAIN) {
            (void)poll(&reader, 1, -1);
        } else if (wrote == 0 || errno != EINTR) {
            break; /* a full disk, a reader that is gone */
        }
    }
    for (size_t i = 0; i < n; i++) {
        atomic_fetch_add(&sink.lost, lines[i] == '\n' ? 1 : 0);
    }
}

static void *copy(void *unused)
{
    char lines[4 * LINE_SIZE];
    for (;;) {
        ssize_t n = read(sink.pipe_fd, lines, sizeof lines);
        if (n > 0) {
            copy_to_end(lines, (size_t)n);
            atomic_fetch_add(&sink.copied, (uint64_t)n);
        } else if (n == 0 || errno != EINTR) {
            return unused; /* never: this process has the other end */
        }
    }
}

/* Both ends are in no other program's hands, and only the thread waits at its own. */
static int make_pipe(int ends[2])
{
    if (pipe2(ends, O_CLOEXEC | O_NONBLOCK) != 0) {
        return errno;
    }
    (void)fcntl(ends[0], F_SETFL, 0);
    (void)fcntl(ends[1], F_SETPIPE_SZ, PIPE_SIZE); /* or as large as it is */
    return 0;
}

void log_start_thread(void)
{
    int ends[2];
    pthread_t thread;
    if (sink.pipe_fd >= 0 || fcntl(STDERR_FILENO, F_GETFD) < 0) {
        return; /* there is one, or nothing to copy to: the pipe itself would get that number */
    }
    int error = make_pipe(ends);
    if (error == 0) {
        sink.pipe_fd = ends[0];
        error = pthread_create(&thread, NULL, copy, NULL);
        if (error != 0) {
            close(ends[0]);
            close(ends[1]);
            sink.pipe_fd = -1;
        }
    }
    if (error != 0) {
        log_warn("whoever logs may wait for the log's disk: %s", strerror(error));
        return;
    }
    pthread_detach(thread);
    atomic_store(&sink.fd, ends[1]);
}

void log_flush(void)
{
    int64_t until_ns = clock_real_ns() + FLUSH_MS * NS_PER_MS;
    tell_lost();
    while (atomic_load(&sink.copied) < atomic_load(&sink.taken) && clock_real_ns() < until_ns) {
        (void)poll(NULL, 0, 2);
    }
}

void log_line(enum log_level level, const char *fmt, ...)
{
    if (level > log_level()) {
        return;
    }
    char message[LINE_SIZE];
    va_list ap;
    va_start(ap, fmt);
    int n = vsnprintf(message, sizeof message, fmt, ap);
    va_end(ap);
    if (n < 0) {
        return;
    }
    struct line l;
    begin(&l, level);
    put_escaped(&l, message, strlen(message), false);
    end(&l);
}

void log_wire(const char *link_name, char direction, const char *bytes, size_t n)
{
    if (log_level() < LOG_WIRE) {
        return;
    }
    for (size_t done = 0; done < n; done += WIRE_CHUNK) {
        size_t take = n - done < WIRE_CHUNK ? n - done : WIRE_CHUNK;
        struct line l;
        begin(&l, LOG_WIRE);
        put_escaped(&l, link_name, strnlen(link_name, 256), false);
        put(&l, " ", 1);
        put(&l, &direction, 1);
        put(&l, " ", 1);
        put_escaped(&l, bytes + done, take, true);
        end(&l);
    }
}
