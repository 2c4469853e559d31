/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/samples: the samples of a run as CSV (RFC 4180) or JSON, or a copy of the database,
 * streamed: memory does not grow with the run. So many at once: each holds a thread and the
 * database open. */
#ifndef AMPLEDGER_WEB_SAMPLES_H
#define AMPLEDGER_WEB_SAMPLES_H

#include "store/store.h"

struct MHD_Response;
struct MHD_Connection;
struct parking;

#define DOWNLOADS_MAX 16
#define DOWNLOADS_NEAR 2  /* of these, kept for who comes by the Unix socket */
#define DOWNLOADS_TOKEN 4 /* with one token */

/* Whose it is. */
struct download_owner {
    uint32_t serial; /* of the token; 0 none */
    bool is_near;    /* came by the Unix socket */
};

struct downloads;
struct downloads *downloads_new(void);
/* Waits for those under way; each must have been abandoned by its client, or have ended. */
void downloads_free(struct downloads *d); /* NULL is fine */

/* One copy of the database at a time, from before it is made until the last byte of it is
 * sent: each takes as much room on the disk as the database. Those who come by the Unix socket
 * have a place of their own, so that nobody elsewhere keeps the owner from a copy by taking his
 * own slowly. False: one is under way. */
bool downloads_begin_copy(struct downloads *d, bool is_near);
/* For a copy that did not come to be streamed. */
void downloads_end_copy(struct downloads *d, bool is_near);
/* The file (owned, taken, also on failure) that downloads_begin_copy() was for; ends it. As
 * samples_stream(). */
struct copy_wanted {
    int fd;
    struct download_owner owner;
    struct MHD_Connection *connection;
    struct parking *parking;
    struct downloads *downloads;
};
struct MHD_Response *copy_stream(const struct copy_wanted *wanted, struct err *e);

struct samples_wanted {
    int64_t nr, started_utc_ns;
    char *head; /* owned, taken: as JSON, behind this beginning of the document, which ends in the
                   list of rows; NULL: as CSV */
    struct download_owner owner;
    struct MHD_Connection *connection;
    struct parking *parking;
    struct downloads *downloads;
};
/* Takes the reader, also on failure. NULL + *e when it cannot begin; ERR_REFUSED when
 * too many are under way. If reading fails on the way, the connection ends without the closing
 * chunk, so that a client sees that the file is not whole. */
struct MHD_Response *samples_stream(struct reader *reader, const struct samples_wanted *wanted,
                                    struct err *e);

#endif
