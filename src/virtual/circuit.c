/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/circuit: Kirchhoff's current law at one node, solved in each step. */
#include "virtual/circuit.h"

#include "base/file.h"

#include <math.h>
#include <string.h>

#define STEP_LIVELY_NS INT64_C(2000000)
#define STEP_FLOW_NS INT64_C(50000000)
#define STEP_REST_NS INT64_C(5000000000)
#define LIVELY_NS INT64_C(300000000)
#define DIODE_V 0.6       /* body diode of an open protection switch */
#define NODE_SIEMENS 1e-9 /* what hangs on the node when all else is open */

void vcircuit_init(struct vcircuit *c, const char *name, const struct vbattery_spec *spec,
                   int64_t now_ns)
{
    memset(c, 0, sizeof *c);
    (void)text_format(c->name, sizeof c->name, "%s", name);
    vbattery_init(&c->battery, spec);
    c->now_ns = now_ns;
    c->lively_until_ns = now_ns;
    vcircuit_changed(c);
}

bool vcircuit_join(struct vcircuit *c, struct vinstrument *m)
{
    if (c->count == CIRCUIT_BRANCHES) {
        return false;
    }
    c->branches[c->count++] = m;
    m->changed = vcircuit_changed;
    m->changed_context = c;
    vcircuit_changed(c);
    return true;
}

/* Current into the battery at node_V, through its protection circuit. */
static double battery_A(const struct vcircuit *c, double node_V, double *slope)
{
    const struct vbattery *b = &c->battery;
    enum vgate gate = vbattery_gate(b);
    double ohm = vbattery_series_ohm(b);
    double emf_V = vbattery_emf_V(b);
    double amps = 0.0;
    *slope = 0.0;
    if (c->leads != VLEADS_CONNECTED) {
        return 0.0;
    }
    *slope = 1.0 / ohm;
    switch (gate) {
    case VGATE_CLOSED:
        return (node_V - emf_V) / ohm;
    case VGATE_NO_DISCHARGE:
        amps = fmax((node_V - emf_V - DIODE_V) / ohm, 0.0);
        break;
    case VGATE_NO_CHARGE:
        amps = fmin((node_V - emf_V + DIODE_V) / ohm, 0.0);
        break;
    case VGATE_OPEN:
        break;
    }
    if (fabs(amps) <= 0.0) {
        *slope = 0.0;
    }
    return amps;
}

/* Sum of the currents into the node, less what the battery takes: falls with node_V. */
static double surplus_A(const struct vcircuit *c, double node_V, double *slope)
{
    double battery_slope;
    double sum = -battery_A(c, node_V, &battery_slope) - node_V * NODE_SIEMENS;
    *slope = -battery_slope - NODE_SIEMENS;
    for (size_t i = 0; i < c->count; i++) {
        double branch_slope;
        sum += vinstrument_branch_A(c->branches[i], node_V, &branch_slope);
        *slope += branch_slope;
    }
    return sum;
}

/* Newton's method kept inside a bracket: at 0 V nothing pulls, at the top
 * nothing pushes, so there is a crossing between. */
static double solve_V(const struct vcircuit *c)
{
    double low = 0.0;
    double high = vbattery_emf_V(&c->battery) + DIODE_V;
    for (size_t i = 0; i < c->count; i++) {
        high = fmax(high, vinstrument_push_V(c->branches[i]));
    }
    high += 1.0;
    double V = fmin(fmax(c->node_V, low), high);
    for (int turn = 0; turn < 100 && high - low > 1e-12; turn++) {
        double slope;
        double surplus = surplus_A(c, V, &slope);
        if (fabs(surplus) < 1e-12) {
            break;
        }
        if (surplus > 0.0) {
            low = V;
        } else {
            high = V;
        }
        double next = slope < 0.0 ? V - surplus / slope : low;
        V = next > low && next < high ? next : 0.5 * (low + high);
    }
    return V;
}

static void solve(struct vcircuit *c, double dt_s)
{
    /* The wrong way round the voltage shows; what would flow into an instrument is not modelled. */
    c->node_V = c->leads == VLEADS_SWAPPED ? -vbattery_emf_V(&c->battery) : solve_V(c);
    double sum = 0.0;
    for (size_t i = 0; i < c->count; i++) {
        vinstrument_settle(c->branches[i], c->node_V, dt_s);
        sum += c->branches[i]->true_A;
        c->branches[i]->battery_C = c->battery.temperature_C;
    }
    double slope;
    bool closed = vbattery_gate(&c->battery) == VGATE_CLOSED && c->leads == VLEADS_CONNECTED;
    c->current_A = closed ? sum : battery_A(c, c->node_V, &slope);
}

static void be_lively(struct vcircuit *c)
{
    c->lively_until_ns = c->now_ns + LIVELY_NS;
}

void vcircuit_changed(void *circuit)
{
    struct vcircuit *c = circuit;
    be_lively(c);
    solve(c, 0.0);
}

static bool anything_on(const struct vcircuit *c)
{
    for (size_t i = 0; i < c->count; i++) {
        if (c->branches[i]->on || c->branches[i]->faults.on[FAULT_LEAK]) {
            return true;
        }
    }
    return fabs(c->current_A) > 1e-6;
}

static int64_t longest_step(const struct vcircuit *c)
{
    if (c->now_ns < c->lively_until_ns) {
        return STEP_LIVELY_NS;
    }
    return anything_on(c) ? STEP_FLOW_NS : STEP_REST_NS;
}

static void protect(struct vcircuit *c, double dt_s)
{
    bool pulled = false;
    bool tripped = false;
    for (size_t i = 0; i < c->count; i++) {
        pulled = pulled || vinstrument_pulls(c->branches[i]);
        tripped = vinstrument_protect(c->branches[i]) || tripped;
    }
    enum vgate before = vbattery_gate(&c->battery);
    vbattery_protect(&c->battery, c->current_A, pulled, dt_s);
    if (tripped || vbattery_gate(&c->battery) != before) {
        be_lively(c);
        solve(c, 0.0);
    }
}

static void step(struct vcircuit *c, int64_t dt_ns)
{
    double dt_s = (double)dt_ns * 1e-9;
    c->now_ns += dt_ns;
    double t_s = (double)c->now_ns * 1e-9;
    for (size_t i = 0; i < c->count; i++) {
        vinstrument_ramp(c->branches[i], t_s, dt_s);
    }
    solve(c, dt_s);
    vbattery_step(&c->battery, c->current_A, dt_s);
    protect(c, dt_s);
}

void vcircuit_advance(struct vcircuit *c, int64_t to_ns)
{
    while (c->now_ns < to_ns) {
        int64_t left = to_ns - c->now_ns;
        int64_t longest = longest_step(c);
        step(c, left < longest ? left : longest);
    }
}
