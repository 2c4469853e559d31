/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/queue: two rings of fixed size. */
#include "store/queue.h"

#include "base/file.h"

#include <stdlib.h>
#include <string.h>

void queue_init(struct queue *q)
{
    *q = (struct queue){0};
    q->entries = zalloc(STORE_QUEUE_ENTRIES * sizeof *q->entries);
    q->notes = zalloc(STORE_QUEUE_NOTES * sizeof *q->notes);
}

void queue_free(struct queue *q)
{
    free(q->entries);
    free(q->notes);
    *q = (struct queue){0};
}

static struct entry *place_of(const struct queue *q, uint64_t number)
{
    return &q->entries[(number - q->origin) % STORE_QUEUE_ENTRIES];
}

bool queue_push(struct queue *q, struct entry entry, const struct note *note)
{
    if (queue_count(q) == STORE_QUEUE_ENTRIES ||
        (note && q->note_tail - q->note_head == STORE_QUEUE_NOTES))
        return false;
    if (note) {
        entry.note = q->note_tail;
        q->notes[q->note_tail++ % STORE_QUEUE_NOTES] = *note;
    }
    *place_of(q, q->tail++) = entry;
    return true;
}

const struct entry *queue_at(const struct queue *q, uint64_t number)
{
    return place_of(q, number);
}

const struct note *queue_note(const struct queue *q, const struct entry *entry)
{
    return &q->notes[entry->note % STORE_QUEUE_NOTES];
}

/* Where those that are left lie clear of the ring's beginning. */
static void begin_again(struct queue *q)
{
    size_t left = queue_count(q), first = (q->head - q->origin) % STORE_QUEUE_ENTRIES;
    if (first < left || first + left > STORE_QUEUE_ENTRIES)
        return;
    memcpy(q->entries, q->entries + first, left * sizeof *q->entries);
    q->origin = q->head;
}

void queue_drop(struct queue *q, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (queue_at(q, q->head)->kind != ENTRY_SAMPLE)
            q->note_head++;
        q->head++;
    }
    begin_again(q);
}
