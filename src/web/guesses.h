/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/guesses: wrong tokens, counted by address for a minute, in a memory that does not
 * grow. Pure: time is an argument. */
#ifndef AMPLEDGER_WEB_GUESSES_H
#define AMPLEDGER_WEB_GUESSES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>

#define GUESSES_MAX 10
#define GUESSES_WITHIN_S 60
#define GUESSES_PLACES 256

/* Of IPv6 the network only: one computer there has as many addresses as it likes. */
struct guess_source {
    uint8_t bytes[16];
};
struct guess_source guess_source_of(const struct sockaddr *a);

struct guesses {
    struct {
        struct guess_source source;
        int64_t since_ns;
        unsigned count; /* 0: free */
    } places[GUESSES_PLACES];
};

/* One more; returns how many within the minute. Zero-initialised to begin with. When all places are
 * taken the oldest goes. */
unsigned guesses_add(struct guesses *g, const struct guess_source *source, int64_t now_ns);

#endif
