/* SPDX-License-Identifier: GPL-3.0-or-later
 * support/pty_peer: the far end of a pseudo-terminal, driven by a function that
 * sees every line and writes what it likes. Header only. */
#ifndef AMPLEDGER_TEST_PTY_PEER_H
#define AMPLEDGER_TEST_PTY_PEER_H

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

struct pty_peer;
typedef void peer_fn(struct pty_peer *p, const char *line);

struct pty_peer {
    int master, keep, stop[2];
    char path[64];
    char address[80]; /* "tty:/dev/pts/N" */
    peer_fn *hear;
    void *context;
    pthread_t thread;
};

static inline void peer_say(struct pty_peer *p, const char *bytes, size_t n)
{
    while (n > 0) {
        ssize_t written = write(p->master, bytes, n);
        if (written <= 0) {
            return;
        }
        bytes += written;
        n -= (size_t)written;
    }
}

static inline void peer_say_line(struct pty_peer *p, const char *text)
{
    char line[256];
    size_t n = strlen(text);
    memcpy(line, text, n);
    line[n] = '\n';
    peer_say(p, line, n + 1);
}

/* Hands every line over, until the other end hangs up or peer_stop(). */
static inline void *peer_thread(void *arg)
{
    struct pty_peer *p = arg;
    char line[512], came[512];
    size_t n = 0;
    for (;;) {
        struct pollfd f[2] = {{.fd = p->master, .events = POLLIN},
                              {.fd = p->stop[0], .events = POLLIN}};
        poll(f, 2, -1);
        if (f[1].revents != 0) {
            return NULL;
        }
        ssize_t count = read(p->master, came, sizeof came);
        if (count <= 0) {
            return NULL;
        }
        for (ssize_t i = 0; i < count; i++) {
            if (came[i] == '\n') {
                line[n] = '\0';
                n = 0;
                p->hear(p, line);
            } else if (n < sizeof line - 1 && came[i] != '\r') {
                line[n++] = came[i];
            }
        }
    }
}

static inline bool peer_start(struct pty_peer *p, peer_fn *hear, void *context)
{
    struct termios t;
    p->hear = hear;
    p->context = context;
    p->master = posix_openpt(O_RDWR | O_NOCTTY);
    if (p->master < 0 || grantpt(p->master) != 0 || unlockpt(p->master) != 0 ||
        ptsname_r(p->master, p->path, sizeof p->path) != 0 || pipe(p->stop) != 0) {
        return false;
    }
    p->keep = open(p->path, O_RDWR | O_NOCTTY);
    tcgetattr(p->keep, &t);
    cfmakeraw(&t);
    tcsetattr(p->keep, TCSANOW, &t);
    strcpy(p->address, "tty:");
    strcat(p->address, p->path);
    return pthread_create(&p->thread, NULL, peer_thread, p) == 0;
}

static inline void peer_stop(struct pty_peer *p)
{
    ssize_t n = write(p->stop[1], "x", 1);
    (void)n;
    pthread_join(p->thread, NULL);
    close(p->master);
    close(p->keep);
    close(p->stop[0]);
    close(p->stop[1]);
}

#endif
