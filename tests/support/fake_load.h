/* SPDX-License-Identifier: GPL-3.0-or-later
 * support/fake_load: a little instrument behind a pseudo-terminal, one thread
 * answering lines, with switches for every way of misbehaving that the tests
 * of instrument and bench need. Header only. */
#ifndef AMPLEDGER_TEST_FAKE_LOAD_H
#define AMPLEDGER_TEST_FAKE_LOAD_H

#include "base/clock.h"

#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#define FAKE_LOG_SIZE 8192

/* Who was asked when several are: one letter for each question, in order. */
struct fake_tape {
    pthread_mutex_t lock;
    char letters[64];
};

struct fake_load {
    /* what it is */
    char identity[80];
    /* what it does wrong; set under the lock or before fake_start */
    bool silent;          /* hears, never answers */
    bool babbling;        /* answers every question with rubbish */
    bool stays_on;        /* takes off without obeying */
    bool leaks;           /* says off, current flows on */
    bool stays_off;       /* takes on without obeying */
    bool wrong_set;       /* sets 0.9 of what it is told */
    bool error_on_set;    /* the error queue has an entry after a setting */
    bool over_range;      /* measures 9.91E37 */
    bool counts_negative; /* reports a drained current as negative */
    int deaf_offs;        /* ignores this many off lines */
    /* state */
    bool on;
    double set_A, set_V, under_V, battery_V;
    int errors;
    int offs;               /* off lines heard */
    struct fake_tape *tape; /* shared with other fakes; NULL: none */
    char letter;            /* its own on the tape */
    const char *mode;       /* what FUNC? answers; NULL: what FUNC chose last */
    char chosen_mode[16];
    char log[FAKE_LOG_SIZE];   /* lines heard, joined by '|' */
    int64_t off_ns;            /* real time of the first off line; 0: none yet */
    char heard[FAKE_LOG_SIZE]; /* see fake_heard() */
    /* machinery */
    int master, keep, stop[2];
    char path[64];
    pthread_t thread;
    pthread_mutex_t lock;
};

static inline void fake_answer(struct fake_load *f, const char *text)
{
    char line[160];
    int n = snprintf(line, sizeof line, "%s\n", f->babbling ? "#!?" : text);
    if (!f->silent && write(f->master, line, (size_t)n) != n) {
        perror("fake load");
    }
}

static inline double fake_current(const struct fake_load *f)
{
    double a = f->on || f->leaks ? f->set_A : 0.0;
    return f->counts_negative ? -a : a;
}

static inline void fake_switch(struct fake_load *f, bool on)
{
    if (!on && f->deaf_offs > 0) {
        f->deaf_offs--;
        return;
    }
    if (on ? !f->stays_off : !f->stays_on) {
        f->on = on;
    }
}

static inline void fake_ask(struct fake_load *f, const char *line)
{
    char out[120] = "";
    if (f->tape != NULL) {
        pthread_mutex_lock(&f->tape->lock);
        size_t n = strlen(f->tape->letters);
        f->tape->letters[n] = n + 1 < sizeof f->tape->letters ? f->letter : '\0';
        pthread_mutex_unlock(&f->tape->lock);
    }
    if (strcmp(line, "FUNC?") == 0) {
        fake_answer(f, f->mode != NULL ? f->mode : f->chosen_mode);
    } else if (strcmp(line, "*IDN?") == 0) {
        fake_answer(f, f->identity);
    } else if (strcmp(line, "INP?") == 0) {
        fake_answer(f, f->on ? "1" : "0");
    } else if (strcmp(line, "SYST:ERR?") == 0) {
        fake_answer(f, f->errors > 0 ? "-222,\"Data out of range\"" : "0,\"No error\"");
        f->errors -= f->errors > 0 ? 1 : 0;
    } else {
        double v = 0;
        if (strcmp(line, "MEAS:VOLT?;CURR?") == 0) {
            snprintf(out, sizeof out, f->over_range ? "%.3f;9.91E37" : "%.3f;%.4f", f->battery_V,
                     fake_current(f));
            fake_answer(f, out);
            return;
        }
        v = strcmp(line, "CURR?") == 0        ? f->set_A
            : strcmp(line, "VOLT?") == 0      ? f->set_V
            : strcmp(line, "VOLT:UND?") == 0  ? f->under_V
            : strcmp(line, "MEAS:TEMP?") == 0 ? 21.5
            : strcmp(line, "MEAS:VOLT?") == 0 ? f->battery_V
                                              : -999;
        snprintf(out, sizeof out, "%.4f", v);
        fake_answer(f, out);
    }
}

static inline void fake_obey(struct fake_load *f, const char *line)
{
    double v = 0;
    double factor = f->wrong_set ? 0.9 : 1.0;
    if (strcmp(line, "INP ON") == 0 || strcmp(line, "INP OFF") == 0) {
        if (line[5] == 'F' && f->off_ns == 0) {
            f->off_ns = clock_real_ns();
        }
        f->offs += line[5] == 'F';
        fake_switch(f, line[5] == 'N');
        return;
    }
    if (sscanf(line, "FUNC %15s", f->chosen_mode) == 1) {
        return;
    }
    if (sscanf(line, "CURR %lf", &v) == 1) {
        f->set_A = v * factor;
    } else if (sscanf(line, "VOLT %lf", &v) == 1) {
        f->set_V = v * factor;
    } else if (sscanf(line, "VOLT:UND %lf", &v) == 1) {
        f->under_V = v * factor;
    } else {
        return;
    }
    f->errors += f->error_on_set ? 1 : 0;
}

static inline void fake_hear(struct fake_load *f, const char *line)
{
    pthread_mutex_lock(&f->lock);
    size_t n = strlen(f->log);
    snprintf(f->log + n, FAKE_LOG_SIZE - n, "%s|", line);
    if (strchr(line, '?') != NULL) {
        fake_ask(f, line);
    } else {
        fake_obey(f, line);
    }
    pthread_mutex_unlock(&f->lock);
}

static inline void *fake_thread(void *arg)
{
    struct fake_load *f = arg;
    char line[200];
    size_t n = 0;
    for (;;) {
        struct pollfd p[2] = {{.fd = f->master, .events = POLLIN},
                              {.fd = f->stop[0], .events = POLLIN}};
        char c = 0;
        if (poll(p, 2, -1) < 0 || p[1].revents != 0) {
            return NULL;
        }
        if (read(f->master, &c, 1) != 1 || c == '\r') {
            continue;
        }
        if (c != '\n') {
            line[n] = c;
            n += n + 1 < sizeof line;
            continue;
        }
        line[n] = '\0';
        n = 0;
        fake_hear(f, line);
    }
}

/* Zeroed but for identity and battery_V, behind a raw pseudo-terminal f->path. */
static inline void fake_start(struct fake_load *f)
{
    struct termios t;
    f->master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (f->master < 0 || grantpt(f->master) != 0 || unlockpt(f->master) != 0 ||
        ptsname_r(f->master, f->path, sizeof f->path) != 0 || pipe(f->stop) != 0) {
        perror("fake load");
        abort();
    }
    /* Held open, so that the link may close and open without a hang-up. */
    f->keep = open(f->path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    tcgetattr(f->keep, &t);
    cfmakeraw(&t);
    tcsetattr(f->keep, TCSANOW, &t);
    pthread_mutex_init(&f->lock, NULL);
    if (pthread_create(&f->thread, NULL, fake_thread, f) != 0) {
        abort();
    }
}

static inline void fake_init(struct fake_load *f)
{
    *f = (struct fake_load){.identity = "LAKE,L-1,0001,1.0", .battery_V = 13.2};
    fake_start(f);
}

static inline void fake_stop(struct fake_load *f)
{
    if (write(f->stop[1], "x", 1) == 1) {
        pthread_join(f->thread, NULL);
    }
    close(f->master);
    close(f->keep);
    close(f->stop[0]);
    close(f->stop[1]);
    pthread_mutex_destroy(&f->lock);
}

/* Change the fake from the test's thread: fake_do(&fake, fake.silent = true). */
#define fake_do(fake, statement)                                                                   \
    do {                                                                                           \
        pthread_mutex_lock(&(fake)->lock);                                                         \
        statement;                                                                                 \
        pthread_mutex_unlock(&(fake)->lock);                                                       \
    } while (0)

/* The lines heard so far, joined by '|'; good until the next call. */
static inline const char *fake_heard(struct fake_load *f)
{
    fake_do(f, memcpy(f->heard, f->log, FAKE_LOG_SIZE));
    return f->heard;
}

static inline bool fake_is_on(struct fake_load *f)
{
    pthread_mutex_lock(&f->lock);
    bool on = f->on;
    pthread_mutex_unlock(&f->lock);
    return on;
}

#endif
