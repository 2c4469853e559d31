/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/queue: two rings of fixed size. */
#include "store/queue.h"

#include "base/file.h"

#include <stdlib.h>

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

bool queue_push(struct queue *q, struct entry entry, const struct note *note)
{
    if (queue_count(q) == STORE_QUEUE_ENTRIES ||
        (note && q->note_tail - q->note_head == STORE_QUEUE_NOTES))
        return false;
    if (note) {
        entry.note = q->note_tail;
        q->notes[q->note_tail++ % STORE_QUEUE_NOTES] = *note;
    }
    q->entries[q->tail++ % STORE_QUEUE_ENTRIES] = entry;
    return true;
}

const struct entry *queue_at(const struct queue *q, uint64_t number)
{
    return &q->entries[number % STORE_QUEUE_ENTRIES];
}

const struct note *queue_note(const struct queue *q, const struct entry *entry)
{
    return &q->notes[entry->note % STORE_QUEUE_NOTES];
}

void queue_drop(struct queue *q, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (queue_at(q, q->head)->kind != ENTRY_SAMPLE)
            q->note_head++;
        q->head++;
    }
}
