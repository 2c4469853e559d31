/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks/queue: a small array in arrival order; moving 64 structs is cheaper
 * than being clever. */
#include "hooks/queue.h"

#include <string.h>

static int urgency(enum hook_kind kind)
{
    return kind == HOOK_ALARM ? 2 : kind == HOOK_TRIP ? 1 : 0;
}

static void remove_at(struct queue *q, size_t i)
{
    memmove(&q->item[i], &q->item[i + 1], (q->count - i - 1) * sizeof q->item[0]);
    q->count--;
}

static bool is_busy(const struct delivery *d)
{
    return d->lane[LANE_COMMAND].state == LANE_BUSY || d->lane[LANE_POST].state == LANE_BUSY;
}

/* Each lane is busy with one item at most, so there always is one to give way. */
static void give_way(struct queue *q)
{
    size_t victim = q->count;
    for (size_t i = 0; i < q->count; i++) {
        if (is_busy(&q->item[i])) {
            continue;
        }
        if (urgency(q->item[i].event.kind) == 0) {
            victim = i;
            break;
        }
        if (victim == q->count) {
            victim = i;
        }
    }
    if (victim < q->count) {
        remove_at(q, victim);
        q->dropped++;
    }
}

void queue_put(struct queue *q, const struct hook_event *event, const bool wanted[LANES])
{
    if (!wanted[LANE_COMMAND] && !wanted[LANE_POST]) {
        return;
    }
    if (q->count == QUEUE_SIZE) {
        give_way(q);
    }
    struct delivery *d = &q->item[q->count++];
    *d = (struct delivery){.id = ++q->last_id, .event = *event};
    for (int lane = 0; lane < LANES; lane++) {
        d->lane[lane].state = wanted[lane] ? LANE_WAITS : LANE_DONE;
    }
}

struct delivery *queue_take(struct queue *q, enum lane lane, int64_t now_ns)
{
    struct delivery *best = NULL;
    for (size_t i = 0; i < q->count; i++) {
        struct delivery *d = &q->item[i];
        if (d->lane[lane].state == LANE_WAITS && d->lane[lane].next_ns <= now_ns &&
            (best == NULL || urgency(d->event.kind) > urgency(best->event.kind))) {
            best = d;
        }
    }
    if (best != NULL) {
        best->lane[lane].state = LANE_BUSY;
        best->lane[lane].tries++;
    }
    return best;
}

static size_t find(const struct queue *q, uint64_t id)
{
    size_t i = 0;
    while (i < q->count && q->item[i].id != id) {
        i++;
    }
    return i;
}

void queue_done(struct queue *q, uint64_t id, enum lane lane)
{
    size_t i = find(q, id);
    if (i == q->count) {
        return;
    }
    struct delivery *d = &q->item[i];
    d->lane[lane].state = LANE_DONE;
    if (d->lane[LANE_COMMAND].state == LANE_DONE && d->lane[LANE_POST].state == LANE_DONE) {
        remove_at(q, i);
    }
}

void queue_again(struct queue *q, uint64_t id, enum lane lane, int64_t next_ns)
{
    size_t i = find(q, id);
    if (i < q->count) {
        q->item[i].lane[lane].state = LANE_WAITS;
        q->item[i].lane[lane].next_ns = next_ns;
    }
}

int64_t queue_due_ns(const struct queue *q, enum lane lane)
{
    int64_t due_ns = INT64_MAX;
    for (size_t i = 0; i < q->count; i++) {
        if (q->item[i].lane[lane].state == LANE_WAITS && q->item[i].lane[lane].next_ns < due_ns) {
            due_ns = q->item[i].lane[lane].next_ns;
        }
    }
    return due_ns;
}

void queue_hurry(struct queue *q, int64_t now_ns)
{
    for (size_t i = 0; i < q->count; i++) {
        for (int lane = 0; lane < LANES; lane++) {
            if (q->item[i].lane[lane].next_ns > now_ns) {
                q->item[i].lane[lane].next_ns = now_ns;
            }
        }
    }
}
