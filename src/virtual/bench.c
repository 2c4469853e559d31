/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/bench: everything in one place, and one walk through time. */
#include "virtual/bench.h"

#include "base/clock.h"

#include <stdlib.h>
#include <string.h>

bool vplace_ticks(const struct vplace *p)
{
    const struct vinstrument_spec *s = &p->instrument.spec;
    return s->kind == VKIND_THERMOMETER && s->style != VSTYLE_SCPI;
}

static void advance_all(struct vbench *b, int64_t to_ns)
{
    for (size_t i = 0; i < b->circuit_count; i++) {
        vcircuit_advance(&b->circuits[i], to_ns);
    }
}

static void tick(struct vbench *b)
{
    for (size_t i = 0; b->tick && i < b->place_count; i++) {
        if (vplace_ticks(&b->places[i])) {
            b->tick(b->tick_context, i);
        }
    }
}

void vbench_advance(struct vbench *b, int64_t to_ns)
{
    while (b->ticking && b->next_tick_ns <= to_ns) {
        advance_all(b, b->next_tick_ns);
        tick(b);
        b->next_tick_ns += NS_PER_S;
    }
    advance_all(b, to_ns);
}

struct vcircuit *vbench_battery(struct vbench *b, const char *name, struct err *e)
{
    for (size_t i = 0; i < b->circuit_count; i++) {
        if (strcmp(b->circuits[i].name, name) == 0) {
            return &b->circuits[i];
        }
    }
    err_set(e, ERR_NOT_FOUND, "there is no battery \"%s\" on this virtual bench", name);
    return NULL;
}

struct vplace *vbench_instrument(struct vbench *b, const char *name, struct err *e)
{
    for (size_t i = 0; i < b->place_count; i++) {
        if (strcmp(b->places[i].instrument.spec.name, name) == 0) {
            return &b->places[i];
        }
    }
    err_set(e, ERR_NOT_FOUND, "there is no instrument \"%s\" on this virtual bench", name);
    return NULL;
}

void vbench_free(struct vbench *b)
{
    free(b->circuits);
    free(b->places);
    memset(b, 0, sizeof *b);
}
