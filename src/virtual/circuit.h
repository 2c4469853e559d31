/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/circuit: one battery with the instruments wired to it, and how the
 * whole moves through time.
 *
 * Model time is in ns on the bench's virtual clock. Steps are short while
 * something changes, at most 50 ms while current flows, longer at rest. */
#ifndef AMPLEDGER_VIRTUAL_CIRCUIT_H
#define AMPLEDGER_VIRTUAL_CIRCUIT_H

#include "virtual/battery.h"
#include "virtual/instrument.h"

#include <stddef.h>
#include <stdint.h>

#define CIRCUIT_BRANCHES 16

enum vleads { VLEADS_CONNECTED, VLEADS_OPEN, VLEADS_SWAPPED };

struct vcircuit {
    char name[64];     /* of the battery */
    enum vleads leads; /* between it and everything else */
    struct vbattery battery;
    struct vinstrument *branches[CIRCUIT_BRANCHES]; /* borrowed */
    size_t count;
    int64_t now_ns;
    int64_t lively_until_ns; /* short steps until then */
    double node_V;           /* at the battery's terminals */
    double current_A;        /* into the battery */
};

void vcircuit_init(struct vcircuit *c, const char *name, const struct vbattery_spec *spec,
                   int64_t now_ns);
/* Wire an instrument to the battery; false when there is no place left. Its
 * changed() hook is pointed at vcircuit_changed. */
bool vcircuit_join(struct vcircuit *c, struct vinstrument *m);

/* Move the model up to to_ns; earlier times do nothing. */
void vcircuit_advance(struct vcircuit *c, int64_t to_ns);
/* Something was switched or set: solve anew at the present instant. */
void vcircuit_changed(void *circuit);

#endif
