/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_events: what happens, as Server-Sent Events. A viewer costs no thread:
 * its connection is parked until the hub has something for it. */
#include "base/file.h"
#include "web/handlers.h"
#include "web/hub.h"
#include "web/park.h"

#include <microhttpd.h>
#include <stdlib.h>

#define BLOCK_SIZE 8192

struct look {
    struct spot spot;
    struct viewer *viewer;
    bool closing;
};

static void go_on(void *context)
{
    struct look *l = context;
    spot_leave(&l->spot);
}

static void park(void *context)
{
    struct look *l = context;
    l->closing = !spot_park(&l->spot);
}

static ssize_t take(void *context, uint64_t position, char *out, size_t max)
{
    (void)position;
    struct look *l = context;
    size_t n = viewer_take(l->viewer, out, max, park);
    return n == 0 && l->closing ? MHD_CONTENT_READER_END_OF_STREAM : (ssize_t)n;
}

static void leave(void *context)
{
    struct look *l = context;
    viewer_free(l->viewer);
    free(l);
}

bool get_events(const struct request *q, struct reply *out, struct err *e)
{
    struct look *l = zalloc(sizeof *l);
    l->spot = (struct spot){.connection = q->connection, .parking = q->parking};
    const struct viewer_wanted wanted = {.last_event = q->last_event,
                                         .serial = q->caller.token.serial,
                                         .is_near = q->caller.port == 0,
                                         .wake = go_on,
                                         .context = l};
    l->viewer = viewer_new(q->hub, &wanted);
    if (l->viewer == NULL) {
        free(l);
        out->status = HTTP_UNAVAILABLE;
        return err_set(e, ERR_REFUSED, "%zu viewers look on already; close a page elsewhere",
                       hub_viewers(q->hub));
    }
    out->stream = MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, BLOCK_SIZE, take, l, leave);
    if (out->stream == NULL) {
        leave(l);
        return err_set(e, ERR_SYSTEM, "there is no memory for an answer");
    }
    MHD_add_response_header(out->stream, "Content-Type", "text/event-stream");
    return true;
}
