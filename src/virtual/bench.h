/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/bench: the simulated batteries and instruments together, as the
 * description file lists them, moved through time as one. */
#ifndef AMPLEDGER_VIRTUAL_BENCH_H
#define AMPLEDGER_VIRTUAL_BENCH_H

#include "base/err.h"
#include "virtual/circuit.h"

struct vplace {
    struct vinstrument instrument;
    struct vcircuit *circuit; /* borrowed: the battery it is wired to */
};

/* Called for a thermometer that prints or writes by itself, once a second of
 * model time, with the model standing at that second. */
typedef void vbench_tick_fn(void *context, size_t place);

struct vbench {
    struct vcircuit *circuits;
    size_t circuit_count;
    struct vplace *places;
    size_t place_count;
    bool ticking; /* has a thermometer that speaks by itself */
    int64_t next_tick_ns;
    vbench_tick_fn *tick;
    void *tick_context;
};

/* Read the description; the model begins at now_ns. Free with vbench_free. */
bool vbench_load(const char *path, int64_t now_ns, struct vbench *out, struct err *e) NODISCARD;
bool vbench_parse(const char *name, const char *text, int64_t now_ns, struct vbench *out,
                  struct err *e) NODISCARD;
void vbench_free(struct vbench *b);

/* Move everything up to to_ns. */
void vbench_advance(struct vbench *b, int64_t to_ns);

/* By name; NULL with *e filled when unknown. */
struct vcircuit *vbench_battery(struct vbench *b, const char *name, struct err *e);
struct vplace *vbench_instrument(struct vbench *b, const char *name, struct err *e);

/* A thermometer that speaks by itself rather than when asked. */
bool vplace_ticks(const struct vplace *p);

#endif
