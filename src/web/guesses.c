/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/guesses: a small table, searched from one end to the other: a wrong token is rare, or
 * has all the time it takes. */
#include "web/guesses.h"

#include "base/clock.h"

#include <netinet/in.h>
#include <string.h>

#define NETWORK_BYTES 8

struct guess_source guess_source_of(const struct sockaddr *a)
{
    struct guess_source s = {{0}};
    if (a != NULL && a->sa_family == AF_INET) {
        const struct sockaddr_in *v4 = (const struct sockaddr_in *)(const void *)a;
        memcpy(s.bytes, &v4->sin_addr, sizeof v4->sin_addr);
    } else if (a != NULL && a->sa_family == AF_INET6) {
        const struct in6_addr *v6 = &((const struct sockaddr_in6 *)(const void *)a)->sin6_addr;
        if (IN6_IS_ADDR_V4MAPPED(v6)) {
            memcpy(s.bytes, v6->s6_addr + 12, 4);
        } else {
            memcpy(s.bytes, v6->s6_addr, NETWORK_BYTES);
            s.bytes[NETWORK_BYTES] = 1; /* not to be taken for an IPv4 address */
        }
    }
    return s;
}

unsigned guesses_add(struct guesses *g, const struct guess_source *source, int64_t now_ns)
{
    size_t at = 0;
    for (size_t i = 0; i < GUESSES_PLACES; i++) {
        if (g->places[i].count > 0 && memcmp(&g->places[i].source, source, sizeof *source) == 0) {
            at = i;
            break;
        }
        if (g->places[i].since_ns < g->places[at].since_ns) {
            at = i;
        }
    }
    bool known =
        g->places[at].count > 0 && memcmp(&g->places[at].source, source, sizeof *source) == 0;
    if (!known || now_ns - g->places[at].since_ns > GUESSES_WITHIN_S * NS_PER_S) {
        g->places[at].source = *source;
        g->places[at].since_ns = now_ns;
        g->places[at].count = 0;
    }
    if (g->places[at].count < UINT32_MAX) {
        g->places[at].count++;
    }
    return g->places[at].count;
}
