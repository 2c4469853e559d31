/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/samples: the samples of a run as CSV (RFC 4180) or JSON, streamed: memory does not
 * grow with the run. So many at once: each holds a thread and the database open. */
#ifndef AMPLEDGER_WEB_SAMPLES_H
#define AMPLEDGER_WEB_SAMPLES_H

#include "store/store.h"

struct MHD_Response;
struct MHD_Connection;
struct parking;

#define DOWNLOADS_MAX 16

struct downloads;
struct downloads *downloads_new(void);
/* Waits for those under way; each must have been abandoned by its client, or have ended. */
void downloads_free(struct downloads *d); /* NULL is fine */

struct samples_wanted {
    int64_t nr, started_utc_ns;
    char *head; /* owned, taken: as JSON, behind this beginning of the document, which ends in the
                   list of rows; NULL: as CSV */
    struct MHD_Connection *connection;
    struct parking *parking;
    struct downloads *downloads;
};
/* Takes the reader, also on failure. NULL + *e when it cannot begin; ERR_REFUSED when
 * DOWNLOADS_MAX are under way. If reading fails on the way, the connection ends without the closing
 * chunk, so that a client sees that the file is not whole. */
struct MHD_Response *samples_stream(struct reader *reader, const struct samples_wanted *wanted,
                                    struct err *e);

#endif
