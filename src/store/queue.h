/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/queue: what run loops have handed over and the disk does not have yet.
 *
 * Two rings of fixed size, allocated once: many small entries, and few notes
 * (texts) that some entries carry. Not locked: the writer's mutex guards it.
 * Entries between head and tail are never touched by a push, so the writer may
 * read them without the mutex once it has seen the tail under it. Dropping moves the
 * few that are left to the ring's beginning: so of the ring only as much is ever touched,
 * and takes memory, as has waited at once. */
#ifndef AMPLEDGER_STORE_QUEUE_H
#define AMPLEDGER_STORE_QUEUE_H

#include "base/sample.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define STORE_QUEUE_ENTRIES ((size_t)65536)
#define STORE_QUEUE_NOTES ((size_t)2048)

enum entry_kind { ENTRY_SAMPLE, ENTRY_STEP_BEGIN, ENTRY_STEP_END, ENTRY_EVENT };

struct entry {
    enum entry_kind kind;
    int step;
    int64_t nr;
    int64_t queued_ns; /* monotonic */
    uint64_t note;     /* running number of its note; samples have none */
    struct sample sample;
};

struct note {
    double t_s;
    int64_t utc_ns;
    int plan_step, round; /* of a step that begins */
    char kind[32];        /* of a step or an event */
    char text[320];       /* name of a step, why it ended, what happened */
};

struct queue {
    struct entry *entries;
    struct note *notes;
    uint64_t head, tail;           /* running numbers of entries; tail is the next */
    uint64_t note_head, note_tail; /* the same for notes */
    uint64_t origin;               /* the entry that is, or would be, first in the ring */
};

void queue_init(struct queue *q);
void queue_free(struct queue *q);
/* False when full; nothing is changed then. `note` may be NULL. */
bool queue_push(struct queue *q, struct entry entry, const struct note *note);
static inline size_t queue_count(const struct queue *q)
{
    return (size_t)(q->tail - q->head);
}
const struct entry *queue_at(const struct queue *q, uint64_t number);
const struct note *queue_note(const struct queue *q, const struct entry *entry);
/* Forget the oldest n. */
void queue_drop(struct queue *q, size_t n);

#endif
