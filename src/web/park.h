/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/park: connections that have nothing to send at the moment, set aside so that no
 * thread waits with them. Hides when the HTTP library may suspend one and must not. */
#ifndef AMPLEDGER_WEB_PARK_H
#define AMPLEDGER_WEB_PARK_H

#include <pthread.h>
#include <stdbool.h>

struct MHD_Connection;

struct parking {
    pthread_mutex_t lock;
    struct spot *first;
    bool closed;
};

/* One connection's place. Zero-initialised but for the connection and the parking. */
struct spot {
    struct MHD_Connection *connection;
    struct parking *parking;
    struct spot *next, *before;
    bool parked;
};

void parking_open(struct parking *p);
/* All go on at once, and none is parked any more. */
void parking_close(struct parking *p);
void parking_free(struct parking *p);

/* To be called by the library's own call for more bytes, which then gives none. False
 * when the house closes: then the answer ends. */
bool spot_park(struct spot *s);
/* Go on, if it is parked. From any thread. */
void spot_leave(struct spot *s);

#endif
