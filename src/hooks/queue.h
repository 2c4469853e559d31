/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks/queue: the events that wait to be told, bounded; which is next, which
 * gives way. Pure; the caller brings lock and clock. Inside the room. */
#ifndef AMPLEDGER_HOOKS_QUEUE_H
#define AMPLEDGER_HOOKS_QUEUE_H

#include "hooks/hooks.h"

#define QUEUE_SIZE 64

enum lane { LANE_COMMAND, LANE_POST, LANES };
enum lane_state { LANE_DONE, LANE_WAITS, LANE_BUSY };

struct delivery {
    uint64_t id; /* of one queue, growing */
    struct hook_event event;
    struct {
        enum lane_state state;
        int tries;       /* begun so far */
        int64_t next_ns; /* not before */
    } lane[LANES];
};

/* Zero-initialised it is empty. Arrival order. */
struct queue {
    struct delivery item[QUEUE_SIZE];
    size_t count;
    uint64_t last_id;
    uint64_t dropped;
};

/* Put it in for the lanes wanted. When full, the oldest that is neither trip nor
 * alarm gives way, else the oldest of all; never one that is being told. */
void queue_put(struct queue *q, const struct hook_event *event, const bool wanted[LANES]);

/* What this lane shall do now: alarms first, then trips, then the rest, each
 * oldest first; NULL when nothing is due. The item becomes busy, its try counted. */
struct delivery *queue_take(struct queue *q, enum lane lane, int64_t now_ns);

/* A busy lane of an item is settled; the item leaves when every lane is. */
void queue_done(struct queue *q, uint64_t id, enum lane lane);
/* ... or shall be tried again. */
void queue_again(struct queue *q, uint64_t id, enum lane lane, int64_t next_ns);

/* When the next waiting item of the lane is due; INT64_MAX: none. */
int64_t queue_due_ns(const struct queue *q, enum lane lane);
/* Everything that waits is due at once. */
void queue_hurry(struct queue *q, int64_t now_ns);

#endif
