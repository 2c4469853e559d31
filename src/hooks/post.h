/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks/post: posts one JSON document at a time over HTTP. Hides libcurl.
 * Inside the room. */
#ifndef AMPLEDGER_HOOKS_POST_H
#define AMPLEDGER_HOOKS_POST_H

#include "base/err.h"

#include <poll.h>
#include <stddef.h>

struct post; /* one connection, of one thread */

bool post_new(const char *url, int limit_ms, struct post **out, struct err *e) NODISCARD;
void post_free(struct post *p); /* NULL is fine; breaks off what is going on */

bool post_is_busy(const struct post *p);
/* The document is copied. */
bool post_begin(struct post *p, const char *document, struct err *e) NODISCARD;

struct post_result {
    bool ok;        /* the other side said 2xx */
    bool try_again; /* it may do better later: not there, too slow, 5xx, 408, 429 */
    char text[192];
};
/* True when the try is over. Never blocks. */
bool post_work(struct post *p, struct post_result *out);

/* Wait for the network, for `extra` descriptors (negative ones are left out) or
 * for the time. At most 8 of them; revents is not told. */
void post_wait(struct post *p, const int *extra, size_t count, int timeout_ms);

#endif
