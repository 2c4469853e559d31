/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/port: real bytes on a real terminal. */
#include "virtual/port.h"

#include "base/clock.h"
#include "base/file.h"
#include "virtual/syntax.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#define WAITING_MAX ((size_t)256 * 1024) /* an instrument's output buffer is not endless */
#define FLOOD_SIZE ((size_t)64 * 1024)
#define UNREAD_MAX 2048 /* what nobody reads is lost, as on a port that nobody opened */

struct port_chunk {
    struct port_chunk *next;
    int64_t due_ns;
    size_t n, sent;
    char bytes[];
};

void port_init(struct port *p, struct vinstrument *m, const char *link, uint64_t seed)
{
    memset(p, 0, sizeof *p);
    p->instrument = m;
    p->master = p->slave = -1;
    (void)text_format(p->link, sizeof p->link, "%s", link);
    noise_seed(&p->noise, seed);
}

bool port_is_file(const struct port *p)
{
    return p->instrument->spec.kind == VKIND_THERMOMETER &&
           p->instrument->spec.style == VSTYLE_FILE;
}

const char *port_path(const struct port *p)
{
    struct stat st;
    if (p->master >= 0) {
        return p->terminal;
    }
    bool has_link = p->instrument->host == p->instrument;
    bool is_written = port_is_file(p) && !p->instrument->faults.on[FAULT_UNPLUG];
    return has_link && (is_written || lstat(p->link, &st) != 0) ? p->link : NULL;
}

static bool make_raw(int fd)
{
    struct termios t;
    if (tcgetattr(fd, &t) != 0) {
        return false;
    }
    cfmakeraw(&t);
    return cfsetspeed(&t, B9600) == 0 && tcsetattr(fd, TCSANOW, &t) == 0;
}

static bool open_terminal(struct port *p)
{
    p->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (p->master < 0 || grantpt(p->master) != 0 || unlockpt(p->master) != 0 ||
        ptsname_r(p->master, p->terminal, sizeof p->terminal) != 0) {
        return false;
    }
    /* kept open: otherwise reads fail with EIO whenever nobody is connected */
    p->slave = open(p->terminal, O_RDWR | O_NOCTTY | O_CLOEXEC);
    return p->slave >= 0 && make_raw(p->slave);
}

/* Only what an earlier bench left may be replaced: a link, or the file of a thermometer. */
static bool put_link(struct port *p, struct err *e)
{
    struct stat st;
    if (lstat(p->link, &st) == 0 && !S_ISLNK(st.st_mode)) {
        return err_set(e, ERR_REFUSED,
                       "%s exists and is not a link of a virtual bench; move it away first",
                       p->link);
    }
    if ((unlink(p->link) != 0 && errno != ENOENT) || symlink(p->terminal, p->link) != 0) {
        return err_set_errno(e, errno, "cannot make the link %s", p->link);
    }
    return true;
}

bool port_plug(struct port *p, struct err *e)
{
    p->instrument->faults.on[FAULT_UNPLUG] = false;
    if (port_is_file(p)) {
        p->file_due = true;
        port_flush(p, clock_real_ns());
        return true;
    }
    if (p->master >= 0) {
        return true;
    }
    if (!open_terminal(p)) {
        err_set_errno(e, errno, "cannot open a pseudo-terminal for %s", p->instrument->spec.name);
    } else if (put_link(p, e)) {
        return true;
    }
    port_unplug(p);
    return false;
}

static void drop_waiting(struct port *p)
{
    while (p->first) {
        struct port_chunk *next = p->first->next;
        free(p->first);
        p->first = next;
    }
    p->last = NULL;
    p->waiting = 0;
}

static bool link_is_ours(const struct port *p)
{
    char target[64];
    ssize_t n = readlink(p->link, target, sizeof target - 1);
    if (n < 0) {
        return false;
    }
    target[n] = '\0';
    return strcmp(target, p->terminal) == 0;
}

void port_unplug(struct port *p)
{
    drop_waiting(p);
    p->input_n = 0;
    p->input_overrun = false;
    p->file_due = false;
    p->instrument->faults.on[FAULT_UNPLUG] = true;
    if (port_is_file(p)) {
        unlink(p->link);
        return;
    }
    if (link_is_ours(p)) {
        unlink(p->link);
    }
    if (p->slave >= 0) {
        close(p->slave);
    }
    if (p->master >= 0) {
        close(p->master);
    }
    p->master = p->slave = -1;
}

static void end_of_message(struct port *p, port_message_fn *message, void *context)
{
    size_t n = p->input_n;
    if (n > 0 && p->input[n - 1] == '\r') {
        n--;
    }
    p->input_n = 0;
    if (p->input_overrun) {
        p->input_overrun = false;
        status_error(&p->instrument->status, SCPI_INPUT_OVERRUN);
        return;
    }
    message(context, p->input, n);
}

/* A real port forgets that it was taken for exclusive use when its last user
 * closes it, however that user ended. Ours stays open, so it forgets here. */
static void forget_exclusive(const struct port *p)
{
    (void)ioctl(p->slave, TIOCNXCL);
}

void port_drain(struct port *p, port_message_fn *message, void *context)
{
    char bytes[4096];
    while (p->master >= 0) {
        ssize_t n = read(p->master, bytes, sizeof bytes);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n <= 0) {
            return;
        }
        forget_exclusive(p);
        for (ssize_t i = 0; i < n && p->master >= 0; i++) {
            if (bytes[i] == '\n') {
                end_of_message(p, message, context);
            } else if (p->input_n < sizeof p->input) {
                p->input[p->input_n++] = bytes[i];
            } else {
                p->input_overrun = true;
            }
        }
    }
}

static void enqueue(struct port *p, const char *bytes, size_t n, int64_t due_ns)
{
    if (p->master < 0 || n == 0) {
        return;
    }
    if (p->waiting + n > WAITING_MAX) {
        status_error(&p->instrument->status, SCPI_INTERRUPTED);
        return;
    }
    struct port_chunk *c = zalloc(sizeof *c + n);
    memcpy(c->bytes, bytes, n);
    c->n = n;
    c->due_ns = p->last && p->last->due_ns > due_ns ? p->last->due_ns : due_ns;
    if (p->last) {
        p->last->next = c;
    } else {
        p->first = c;
    }
    p->last = c;
    p->waiting += n;
}

static int64_t due_from(struct port *p, int64_t real_ns)
{
    const struct faults *f = &p->instrument->faults;
    if (!f->on[FAULT_LATE]) {
        return real_ns;
    }
    double span_s = f->late_max_s - f->late_min_s;
    double delay_s = f->late_min_s + span_s * noise_unit(&p->noise);
    return real_ns + (int64_t)(delay_s * 1e9);
}

static void send_garbage(struct port *p, int64_t due_ns)
{
    char bytes[48];
    size_t n = 1 + (size_t)(noise_unit(&p->noise) * (sizeof bytes - 2));
    for (size_t i = 0; i < n; i++) {
        bytes[i] = (char)(noise_bits(&p->noise) & 0xff);
    }
    if (noise_unit(&p->noise) < 0.5) {
        bytes[n++] = '\n';
    }
    enqueue(p, bytes, n, due_ns);
}

static void send_flood(struct port *p, int64_t due_ns)
{
    char *bytes = zalloc(FLOOD_SIZE);
    memset(bytes, '7', FLOOD_SIZE);
    enqueue(p, bytes, FLOOD_SIZE, due_ns);
    free(bytes);
}

/* The answer as bytes: with its end, and with what faults put in or leave out. */
static size_t dress(const struct port *p, const struct reply *reply, char out[REPLY_SIZE + 8])
{
    const bool *fault = p->instrument->faults.on;
    size_t n = 0;
    if (fault[FAULT_NUL]) {
        out[n++] = '\0';
    }
    size_t half = reply->n / 2;
    memcpy(out + n, reply->text, half);
    n += half;
    if (fault[FAULT_TRUNCATE]) {
        return n;
    }
    if (fault[FAULT_NUL]) {
        out[n++] = '\0';
    }
    memcpy(out + n, reply->text + half, reply->n - half);
    n += reply->n - half;
    if (fault[FAULT_CRLF]) {
        out[n++] = '\r';
    }
    out[n++] = '\n';
    return n;
}

void port_answer(struct port *p, const struct reply *reply, int64_t real_ns)
{
    const bool *fault = p->instrument->faults.on;
    if (reply->n == 0 || fault[FAULT_SILENCE]) {
        return;
    }
    int64_t due_ns = due_from(p, real_ns);
    if (fault[FAULT_GARBAGE]) {
        send_garbage(p, due_ns);
        return;
    }
    if (fault[FAULT_FLOOD]) {
        send_flood(p, due_ns);
        return;
    }
    char bytes[REPLY_SIZE + 8];
    size_t n = dress(p, reply, bytes);
    enqueue(p, bytes, n, due_ns);
    if (fault[FAULT_DOUBLE]) {
        enqueue(p, bytes, n, due_ns);
    }
}

void port_echo(struct port *p, const char *text, size_t n, int64_t real_ns)
{
    const bool *fault = p->instrument->faults.on;
    if (fault[FAULT_ECHO] && !fault[FAULT_SILENCE]) {
        int64_t due_ns = due_from(p, real_ns);
        enqueue(p, text, n, due_ns);
        enqueue(p, "\r\n", 2, due_ns);
    }
}

/* Millidegrees in a file, replaced as a whole so that a reader never sees half. */
static void write_file(struct port *p)
{
    char draft[PATH_MAX + 8];
    double celsius = vinstrument_read(p->instrument, VREAD_TEMPERATURE);
    p->file_due = false;
    if (!text_format(draft, sizeof draft, "%s.new", p->link)) {
        return;
    }
    FILE *f = fopen(draft, "we");
    if (!f) {
        return;
    }
    if (isnan(celsius)) {
        fputs("ERR\n", f);
    } else {
        fprintf(f, "%.0f\n", celsius * 1000.0);
    }
    if (fclose(f) != 0 || rename(draft, p->link) != 0) {
        unlink(draft);
    }
}

static void forget_unread(const struct port *p)
{
    int unread = 0;
    if (ioctl(p->slave, FIONREAD, &unread) == 0 && unread > UNREAD_MAX) {
        tcflush(p->slave, TCIFLUSH);
    }
}

void port_print(struct port *p, int64_t real_ns)
{
    const bool *fault = p->instrument->faults.on;
    if (fault[FAULT_UNPLUG] || fault[FAULT_SILENCE] || fault[FAULT_HANG]) {
        return;
    }
    if (port_is_file(p)) {
        p->file_due = true;
        return;
    }
    double celsius = vinstrument_read(p->instrument, VREAD_TEMPERATURE);
    struct reply line = {.n = 0};
    int n = isnan(celsius)   ? snprintf(line.text, sizeof line.text, "T=ERR")
            : celsius > 1e30 ? snprintf(line.text, sizeof line.text, "T=%.2E C", celsius)
                             : snprintf(line.text, sizeof line.text, "T=%.2f C", celsius);
    line.n = n > 0 ? (size_t)n : 0;
    forget_unread(p);
    forget_exclusive(p);
    if (p->waiting < UNREAD_MAX) {
        port_answer(p, &line, real_ns);
        port_flush(p, real_ns);
    }
}

void port_flush(struct port *p, int64_t real_ns)
{
    if (p->file_due) {
        write_file(p);
    }
    while (p->master >= 0 && p->first && p->first->due_ns <= real_ns) {
        struct port_chunk *c = p->first;
        ssize_t n = write(p->master, c->bytes + c->sent, c->n - c->sent);
        if (n < 0) {
            return; /* full: nobody reads just now */
        }
        c->sent += (size_t)n;
        p->waiting -= (size_t)n;
        if (c->sent == c->n) {
            p->first = c->next;
            p->last = p->first ? p->last : NULL;
            free(c);
        }
    }
}

int64_t port_due_ns(const struct port *p)
{
    return p->first ? p->first->due_ns : INT64_MAX;
}
