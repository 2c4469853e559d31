/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/keeper_line: what the worker tells its keeper, the small parent process
 * that switches instruments off when the worker dies or hangs (daemon/keeper.c).
 *
 * Before an output goes on, the worker hands over a duplicate of the
 * instrument's descriptor together with the bytes that switch it off. While
 * it is on, the stand beats. The keeper needs nothing else to act. */
#ifndef AMPLEDGER_RUN_KEEPER_LINE_H
#define AMPLEDGER_RUN_KEEPER_LINE_H

#include "base/err.h"

#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>

#define KEEPER_SLOTS 128 /* instruments with an output in one bench */
#define KEEPER_BYTES 512
#define KEEPER_NAME 96

enum keeper_kind {
    KEEPER_ARM,    /* worker -> keeper, with the descriptor */
    KEEPER_DISARM, /* the output is confirmed off */
    KEEPER_DONE,   /* keeper -> worker: armed, or disarmed */
    KEEPER_READY,  /* everything is started; what there is, in off */
    KEEPER_STATUS, /* what goes on, for the service manager; a text in off */
};

/* One datagram on the socket between them; fixed size, so that the keeper
 * parses nothing. */
struct keeper_message {
    uint32_t kind;
    uint32_t slot;
    uint32_t trust_ms; /* without a beat for so long (real time) the worker is taken for hung */
    uint32_t number;   /* of a question that is answered with KEEPER_DONE */
    uint32_t pause_ms; /* least time between two lines of off, and before ask */
    uint32_t off_n, ask_n;
    char off[KEEPER_BYTES]; /* lines, to be written as they are */
    char ask[KEEPER_NAME];  /* question whose answer begins with 0 or OFF when it is off; may be
                               empty */
    char name[KEEPER_NAME]; /* for the log */
};

/* What both processes look at, so that a beat costs neither a call of the kernel's nor a
 * waking up of the keeper. Times are of CLOCK_BOOTTIME. */
struct keeper_page {
    _Atomic int64_t looked_ns;              /* when the keeper last looked */
    _Atomic uint32_t beats;                 /* of the whole worker; see daemon/keeper.h */
    _Atomic int64_t until_ns[KEEPER_SLOTS]; /* without another beat until then the worker is taken
                                             for hung; of armed slots */
};

struct keeper_line;

/* fd: the worker's end. Takes it. fd -1: there is no keeper (tests); then
 * everything succeeds and nothing is sent; page may be NULL. */
struct keeper_line *keeper_line_new(int fd, struct keeper_page *page);

/* Has the keeper looked within the last within_s seconds? A stopped keeper guards
 * nothing. */
bool keeper_line_alive(const struct keeper_line *k, double within_s);
void keeper_line_free(struct keeper_line *k);

/* Hand over and wait (500 ms) for the keeper's word that it has it. Without it
 * the output must not go on. `m` without kind; fd is duplicated by sending. */
bool keeper_line_arm(struct keeper_line *k, struct keeper_message *m, int fd,
                     struct err *e) NODISCARD;
bool keeper_line_disarm(struct keeper_line *k, uint32_t slot, struct err *e) NODISCARD;
/* The next beat comes within within_ms (0: the slot's trust time). A longer time
 * is asked for once, when switching off begins: confirming it from a silent
 * instrument takes longer than trust lasts, and must not look like a hang.
 * Costs next to nothing. */
void keeper_line_beat(struct keeper_line *k, uint32_t slot, uint32_t within_ms);
/* A text for the service manager, with KEEPER_READY or KEEPER_STATUS. Never
 * blocks; a full socket loses it. */
void keeper_line_say(struct keeper_line *k, enum keeper_kind kind, const char *text);

#endif
