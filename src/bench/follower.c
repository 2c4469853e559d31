/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/follower: time on a virtual bench: asks its control socket how fast time
 * may run and which devices it serves, and tells it of every skip. */
#include "base/clock.h"
#include "base/file.h"
#include "bench/bench_load.h"

#include <errno.h>
#include <limits.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#define CONTROL_TIMEOUT_MS 5000
#define LINE_SIZE 512
#define SERVED_MAX 256
#define SPEED_MAX 1e6

/* A device that the virtual bench stands behind. */
struct served {
    char *real; /* where its name led when it was told; NULL: it was unplugged just then */
    char *name; /* see name_in_folder() */
};

struct follower {
    int fd;
    size_t n; /* bytes read and not yet taken */
    char buffer[LINE_SIZE];
    size_t served_count;
    struct served served[SERVED_MAX];
};

void follower_free(struct follower *f)
{
    if (f == NULL) {
        return;
    }
    for (size_t i = 0; i < f->served_count; i++) {
        free(f->served[i].real);
        free(f->served[i].name);
    }
    if (f->fd >= 0) {
        close(f->fd);
    }
    free(f);
}

/* --- lines on the socket --- */

static bool wait_for(const struct follower *f, short events, int64_t deadline_ns, struct err *e)
{
    for (;;) {
        int64_t left_ms = (deadline_ns - clock_real_ns()) / NS_PER_MS;
        struct pollfd p = {.fd = f->fd, .events = events};
        int ready = left_ms > 0 ? poll(&p, 1, (int)left_ms) : 0;
        if (ready > 0) {
            return true;
        }
        if (ready == 0) {
            return err_set(e, ERR_TIMEOUT, "it does not answer within %d s",
                           CONTROL_TIMEOUT_MS / 1000);
        }
        if (errno != EINTR) {
            return err_set_errno(e, errno, "wait for it");
        }
    }
}

static bool send_text(struct follower *f, const char *text, int64_t deadline_ns, struct err *e)
{
    size_t n = strlen(text);
    while (n > 0) {
        if (!wait_for(f, POLLOUT, deadline_ns, e)) {
            return false;
        }
        ssize_t sent = send(f->fd, text, n, MSG_NOSIGNAL | MSG_DONTWAIT);
        if (sent < 0 && errno != EAGAIN && errno != EINTR) {
            return err_set_errno(e, errno, "write to it");
        }
        if (sent > 0) {
            text += sent;
            n -= (size_t)sent;
        }
    }
    return true;
}

/* Takes one line without its end into out. */
static bool take_line(struct follower *f, char out[LINE_SIZE], int64_t deadline_ns, struct err *e)
{
    for (;;) {
        const char *end = memchr(f->buffer, '\n', f->n);
        if (end != NULL) {
            size_t n = (size_t)(end - f->buffer);
            memcpy(out, f->buffer, n);
            out[n] = '\0';
            f->n -= n + 1;
            memmove(f->buffer, end + 1, f->n);
            return true;
        }
        if (f->n == sizeof f->buffer) {
            return err_set(e, ERR_BAD_REPLY, "it sends a line that does not end");
        }
        if (!wait_for(f, POLLIN, deadline_ns, e)) {
            return false;
        }
        ssize_t got = recv(f->fd, f->buffer + f->n, sizeof f->buffer - f->n, MSG_DONTWAIT);
        if (got == 0) {
            return err_set(e, ERR_LINK_LOST, "it has hung up");
        }
        if (got < 0 && errno != EAGAIN && errno != EINTR) {
            return err_set_errno(e, errno, "read from it");
        }
        f->n += got > 0 ? (size_t)got : 0;
    }
}

static int64_t deadline(void)
{
    return clock_real_ns() + CONTROL_TIMEOUT_MS * NS_PER_MS;
}

/* --- getting to know each other --- */

static bool connect_to(struct follower *f, const char *path, struct err *e)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (!text_format(address.sun_path, sizeof address.sun_path, "%s", path)) {
        return err_set(e, ERR_CONFIG, "the path is too long for a socket; the most is %zu bytes",
                       sizeof address.sun_path - 1);
    }
    f->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (f->fd < 0) {
        return err_set_errno(e, errno, "make a socket");
    }
    if (connect(f->fd, (const struct sockaddr *)&address, sizeof address) != 0) {
        err_set_errno(e, errno, "is ampledger-virtual running?");
        e->code = ERR_CONFIG;
        return false;
    }
    return true;
}

/* PATH with the links of its folder followed, but not what it names itself, which may be
 * absent; NULL: there is no such folder. Freed by the caller. */
static char *name_in_folder(const char *path)
{
    char whole[PATH_MAX], folder[PATH_MAX];
    const char *slash = strrchr(path, '/');
    bool fits =
        slash != NULL && text_format(folder, sizeof folder, "%.*s/", (int)(slash - path), path);
    char *real = fits ? realpath(folder, NULL) : NULL;
    fits = real != NULL && text_format(whole, sizeof whole, "%s%s", real, slash);
    free(real);
    return fits ? text_copy(whole) : NULL;
}

/* "serves DEVICE NAME": keeps what DEVICE is called and where that leads. */
static bool note_served(struct follower *f, char *line, struct err *e)
{
    char *device = line + strlen("serves ");
    char *name = strrchr(device, ' ');
    if (name == NULL || f->served_count == SERVED_MAX) {
        return err_set(e, ERR_BAD_REPLY, "\"%s\" is not understood", line);
    }
    *name = '\0';
    f->served[f->served_count++] = (struct served){realpath(device, NULL), name_in_folder(device)};
    return true;
}

static bool greet(struct follower *f, double *speed, struct err *e)
{
    int64_t until = deadline();
    char line[LINE_SIZE];
    if (!send_text(f, "hello\n", until, e) || !take_line(f, line, until, e)) {
        return false;
    }
    if (strncmp(line, "ok speed ", 9) != 0 || !number_parse(line + 9, speed, NULL) ||
        !(*speed >= 1 && *speed <= SPEED_MAX)) {
        return err_set(e, ERR_BAD_REPLY, "\"%s\" is no answer of a virtual bench", line);
    }
    for (;;) {
        if (!take_line(f, line, until, e)) {
            return false;
        }
        if (strcmp(line, "end") == 0) {
            return true;
        }
        if (strncmp(line, "serves ", 7) != 0) {
            return err_set(e, ERR_BAD_REPLY, "\"%s\" is not understood", line);
        }
        if (!note_served(f, line, e)) {
            return false;
        }
    }
}

static bool is_same(const char *a, const char *b)
{
    return a != NULL && b != NULL && strcmp(a, b) == 0;
}

/* By its name only one that is unplugged: behind a name that leads somewhere may be a real
 * instrument by now. */
static bool serves(const struct follower *f, const char *address)
{
    const char *path = bench_link_path(address);
    char *real = path != NULL ? realpath(path, NULL) : NULL;
    char *name = path != NULL ? name_in_folder(path) : NULL;
    bool found = false;
    for (size_t i = 0; i < f->served_count && !found; i++) {
        found = real != NULL ? is_same(f->served[i].real, real) : is_same(f->served[i].name, name);
    }
    free(real);
    free(name);
    return found;
}

/* A real instrument must never see time run fast: its battery would not follow. */
static bool check_all_served(const struct follower *f, const struct bench *b, struct err *e)
{
    for (size_t i = 0; i < b->stand_count; i++) {
        for (int role = 0; role < 4; role++) {
            const struct instrument *one = b->stands[i].instrument[role];
            if (one != NULL && !serves(f, instrument_link_address(one))) {
                return err_set(e, ERR_CONFIG,
                               "%s on %s is not one of its instruments; time may run fast only "
                               "for instruments of the virtual bench: take \"virtual\" out of %s, "
                               "or the instrument",
                               instrument_name(one), instrument_link_address(one), b->path);
            }
        }
    }
    return true;
}

/* --- the clock --- */

static bool advance(void *context, int64_t skipped_ns)
{
    struct follower *f = context;
    char line[LINE_SIZE];
    struct err e;
    int64_t until = deadline();
    snprintf(line, sizeof line, "skip %lld\n", (long long)skipped_ns);
    return send_text(f, line, until, &e) && take_line(f, line, until, &e) &&
           strncmp(line, "ok", 2) == 0;
}

bool bench_clock(struct bench *b, struct clock **out, double *speed, struct err *e)
{
    *speed = 1;
    if (b->virtual_control[0] == '\0') {
        *out = clock_new_real();
        return true;
    }
    follower_free(b->follower);
    b->follower = zalloc(sizeof *b->follower);
    b->follower->fd = -1;
    if (!connect_to(b->follower, b->virtual_control, e) || !greet(b->follower, speed, e) ||
        !check_all_served(b->follower, b, e)) {
        follower_free(b->follower);
        b->follower = NULL;
        return err_prefix(e, "virtual bench at %s", b->virtual_control);
    }
    *out = clock_new_sped_up(*speed, advance, b->follower);
    return true;
}
