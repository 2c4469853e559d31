/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/query: what stands behind the "?" of an address, checked. Pure. */
#ifndef AMPLEDGER_WEB_QUERY_H
#define AMPLEDGER_WEB_QUERY_H

#include "web/http.h"

#define POINTS_LEAST 16
#define POINTS_MOST 20000

struct query_reading {
    const char *const *known; /* NULL-terminated names allowed; NULL none */
    struct request *q;        /* filled */
    char *battery;            /* LABEL_SIZE; what q->battery then points to */
};

/* One `key=value`, percent-encoded as it came. */
bool query_item(const struct query_reading *r, const char *key, const char *value,
                struct err *e) NODISCARD;

#endif
