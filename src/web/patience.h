/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/patience: who opens a connection must send a whole request before long, and take the
 * answer; whoever lets a byte trickle now and then is cut off, so that slow clients do not
 * take the places of others. */
#ifndef AMPLEDGER_WEB_PATIENCE_H
#define AMPLEDGER_WEB_PATIENCE_H

#include <stdint.h>

/* From opening, or from the end of the last answer, to the last byte of a request. */
#define PATIENCE_S 20
/* To take an answer that has an end, to its last byte. */
#define PATIENCE_TAKE_S 120

/* The same when so many are there that others may soon find no place. */
#define PATIENCE_CROWDED_S 3
#define PATIENCE_TAKE_CROWDED_S 8 /* but for who has shown a token */
#define PATIENCE_CROWD 200

/* Of one listener. */
struct patience;
struct MHD_Connection;

struct patience *patience_new(void);
void patience_free(struct patience *p); /* NULL is fine */

/* A connection begins; *slot is what the library keeps with it. */
void patience_enter(struct patience *p, struct MHD_Connection *c, void **slot);
void patience_leave(struct patience *p, void **slot);
/* A request is whole: now it is for us to answer. And again the client's turn. */
void patience_off(struct patience *p, struct MHD_Connection *c);
void patience_on(struct patience *p, struct MHD_Connection *c);
/* The same, with the answer to take. */
void patience_take(struct patience *p, struct MHD_Connection *c);
/* A token opened it. And all that one token opened are cut off; 0 is none. */
void patience_know(struct patience *p, struct MHD_Connection *c, uint32_t serial);
void patience_cut(struct patience *p, uint32_t serial);
/* Cut off those who took too long. */
void patience_look(struct patience *p);

#endif
