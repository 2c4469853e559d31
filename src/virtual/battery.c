/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/battery: the equations. Each part of the state moves by the exact
 * solution for a constant current, so the step length is a matter of how fast
 * the current changes, not of stability. */
#include "virtual/battery.h"

#include <math.h>
#include <string.h>

#define S_PER_H 3600.0
#define REFERENCE_C 25.0

struct vbattery_spec vbattery_defaults(enum vchemistry c, int cells, double capacity_Ah)
{
    const struct vchemistry_facts *f = vchemistry_facts(c);
    double R = f->resistance_mOhm_Ah * 1e-3 / capacity_Ah * cells;
    double Wh = capacity_Ah * f->nominal_cell_V * cells;
    return (struct vbattery_spec){
        .chemistry = c,
        .cells = cells,
        .capacity_Ah = capacity_Ah,
        .resistance_ohm = R,
        .pair_ohm = {0.5 * R, 0.6 * R},
        .pair_s = {20.0, 900.0},
        .heat_J_per_K = f->heat_J_per_K_Wh * Wh, /* about 1000 J/(kg K) */
        .cooling_K_per_W = 50.0 / pow(Wh, 2.0 / 3.0),
        .ambient_C = 22.0,
        .soc = 1.0,
        .fade_per_cycle = 0.0,
        .protection = {.fitted = f->protected_pack,
                       .under_cell_V = f->under_cell_V,
                       .over_cell_V = f->over_cell_V,
                       .over_release_cell_V = f->over_release_cell_V,
                       .discharge_max_A = 2.0 * capacity_Ah,
                       .charge_max_A = 1.0 * capacity_Ah,
                       .temperature_max_C = 65.0,
                       .charge_min_C = 0.0,
                       .rest_s = 60.0},
    };
}

double vbattery_cycles(const struct vbattery *b)
{
    return b->spec.cycles_before + b->lifetime.discharged_Ah / b->spec.capacity_Ah;
}

/* The fraction held stays what it was. */
static void fade(struct vbattery *b)
{
    if (b->spec.fade_per_cycle > 0.0) {
        b->capacity_Ah =
            b->spec.capacity_Ah * pow(1.0 - b->spec.fade_per_cycle, vbattery_cycles(b));
    }
}

void vbattery_init(struct vbattery *b, const struct vbattery_spec *spec)
{
    memset(b, 0, sizeof *b);
    b->spec = *spec;
    b->capacity_Ah = spec->capacity_Ah;
    b->soc = spec->soc;
    b->temperature_C = spec->ambient_C;
    b->forced_C = NAN;
    b->stopped_why = "none";
    b->step_s = -1.0;
    fade(b);
}

void vbattery_set_soc(struct vbattery *b, double soc)
{
    b->soc = soc;
    b->held_back = 0.0;
    b->pair_V[0] = b->pair_V[1] = 0.0;
}

double vbattery_within_reach(const struct vbattery *b)
{
    double reach = vchemistry_facts(b->spec.chemistry)->reach;
    return b->soc - (1.0 - reach) * b->held_back;
}

/* Rested, at its present charge. */
static double open_V(const struct vbattery *b)
{
    double cell_V = vchemistry_cell_V(b->spec.chemistry, vbattery_within_reach(b));
    double per_K = vchemistry_facts(b->spec.chemistry)->cell_V_per_K;
    return b->spec.cells * (cell_V + per_K * (b->temperature_C - REFERENCE_C));
}

double vbattery_emf_V(const struct vbattery *b)
{
    return fmax(open_V(b) + b->pair_V[0] + b->pair_V[1], 0.0);
}

/* All resistances rise as it gets colder: 0.8 % per kelvin, within reason. */
static double warmth(const struct vbattery *b)
{
    double factor = 1.0 + 0.008 * (REFERENCE_C - b->temperature_C);
    return fmin(fmax(factor, 0.6), 3.0);
}

double vbattery_series_ohm(const struct vbattery *b)
{
    return b->spec.resistance_ohm * warmth(b);
}

double vbattery_voltage_V(const struct vbattery *b, double current_A)
{
    return vbattery_emf_V(b) + current_A * vbattery_series_ohm(b);
}

static void prepare_step(struct vbattery *b, double dt_s)
{
    if (dt_s >= b->step_s && dt_s <= b->step_s) {
        return;
    }
    const struct vbattery_spec *s = &b->spec;
    b->step_s = dt_s;
    b->pair_keep[0] = exp(-dt_s / s->pair_s[0]);
    b->pair_keep[1] = exp(-dt_s / s->pair_s[1]);
    b->reach_keep = exp(-dt_s / vchemistry_facts(s->chemistry)->reach_s);
    b->heat_keep = exp(-dt_s / (s->heat_J_per_K * s->cooling_K_per_W));
}

static void count(struct vcounter *c, double Ah, double Wh)
{
    if (Ah > 0.0) {
        c->charged_Ah += Ah;
        c->charged_Wh += Wh;
    } else {
        c->discharged_Ah -= Ah;
        c->discharged_Wh -= Wh;
    }
}

/* What charge loses in voltage on its way from the fuller well to the emptier one. */
static double levelling_W(const struct vbattery *b)
{
    const struct vchemistry_facts *f = vchemistry_facts(b->spec.chemistry);
    double near = vbattery_within_reach(b);
    double flow_A =
        f->reach * (1.0 - f->reach) * b->held_back / f->reach_s * b->capacity_Ah * S_PER_H;
    double down_V = vchemistry_cell_V(b->spec.chemistry, near + b->held_back) -
                    vchemistry_cell_V(b->spec.chemistry, near);
    return flow_A * down_V * b->spec.cells;
}

/* Returns the heat of levelling. */
static double move_charge(struct vbattery *b, double stored_A)
{
    const struct vchemistry_facts *f = vchemistry_facts(b->spec.chemistry);
    double per_s = stored_A / (S_PER_H * b->capacity_Ah);
    double heat_W = 0.0;
    if (f->reach < 1.0) {
        heat_W = levelling_W(b);
        double settled = -per_s * f->reach_s / f->reach;
        b->held_back = settled + (b->held_back - settled) * b->reach_keep;
    }
    b->soc += per_s * b->step_s;
    return heat_W;
}

/* Part of a charging current that is stored; the rest becomes heat and gas, whose
 * power is told. */
static double stored_part_A(const struct vbattery *b, double current_A, double emf_V, double *gas_W)
{
    const struct vbattery_spec *s = &b->spec;
    *gas_W = 0.0;
    if (current_A <= 0.0) {
        return current_A;
    }
    double gas_A =
        fmin(current_A,
             b->capacity_Ah * vchemistry_gassing(s->chemistry, emf_V / s->cells, b->temperature_C));
    *gas_W = gas_A * vchemistry_facts(s->chemistry)->gas_V * s->cells;
    return (current_A - gas_A) * vchemistry_efficiency(s->chemistry, b->soc);
}

static void warm(struct vbattery *b, double heat_W)
{
    b->heat_J += heat_W * b->step_s;
    if (!isnan(b->forced_C)) {
        b->temperature_C = b->forced_C;
        return;
    }
    double settled = b->spec.ambient_C + heat_W * b->spec.cooling_K_per_W;
    b->temperature_C = settled + (b->temperature_C - settled) * b->heat_keep;
}

void vbattery_step(struct vbattery *b, double current_A, double dt_s)
{
    if (!(dt_s > 0.0)) {
        return;
    }
    prepare_step(b, dt_s);
    b->current_A = current_A;
    double factor = warmth(b);
    double emf_V = vbattery_emf_V(b);
    double volts = emf_V + current_A * b->spec.resistance_ohm * factor;
    double Ah = current_A * dt_s / S_PER_H;
    count(&b->counter, Ah, Ah * volts);
    count(&b->lifetime, Ah, Ah * volts);
    double heat_W = current_A * current_A * b->spec.resistance_ohm * factor;
    for (int k = 0; k < 2; k++) {
        double ohm = b->spec.pair_ohm[k] * factor;
        heat_W += ohm > 0.0 ? b->pair_V[k] * b->pair_V[k] / ohm : 0.0;
        double settled = current_A * ohm;
        b->pair_V[k] = settled + (b->pair_V[k] - settled) * b->pair_keep[k];
    }
    double gas_W;
    double stored_A = stored_part_A(b, current_A, emf_V, &gas_W);
    heat_W += (current_A - stored_A) * open_V(b) - gas_W;
    heat_W += move_charge(b, stored_A);
    b->gas_J += gas_W * dt_s;
    warm(b, heat_W);
    fade(b);
}

enum vgate vbattery_gate(const struct vbattery *b)
{
    bool no_discharge = b->stopped_discharge || b->stopped_hot;
    bool no_charge = b->stopped_charge || b->stopped_cold || b->stopped_hot;
    if (no_discharge && no_charge) {
        return VGATE_OPEN;
    }
    if (no_discharge) {
        return VGATE_NO_DISCHARGE;
    }
    return no_charge ? VGATE_NO_CHARGE : VGATE_CLOSED;
}

const char *vbattery_gate_name(enum vgate g)
{
    static const char *const names[] = {"closed", "no-discharge", "no-charge", "open"};
    return names[g];
}

static double while_true(double for_s, bool condition, double dt_s)
{
    return condition ? for_s + dt_s : 0.0;
}

static void stop(struct vbattery *b, bool *what, const char *why)
{
    if (!*what) {
        *what = true;
        b->stopped_why = why;
    }
}

static void protect_discharge(struct vbattery *b, double current_A, bool load_present, double dt_s)
{
    const struct vprotection *p = &b->spec.protection;
    double cell_V = vbattery_voltage_V(b, current_A) / b->spec.cells;
    double idle_cell_V = vbattery_emf_V(b) / b->spec.cells;
    b->under_for_s = while_true(b->under_for_s, current_A < 0.0 && cell_V < p->under_cell_V, dt_s);
    b->overload_for_s = while_true(
        b->overload_for_s, -current_A > p->discharge_max_A || current_A > p->charge_max_A, dt_s);
    b->charging_for_s = while_true(b->charging_for_s, current_A > 0.01, dt_s);
    b->idle_for_s = while_true(b->idle_for_s, fabs(current_A) < 0.01, dt_s);
    b->unloaded_for_s = while_true(b->unloaded_for_s, !load_present, dt_s);
    if (b->under_for_s > 0.2) {
        stop(b, &b->stopped_discharge, "under-voltage");
    } else if (b->overload_for_s > 0.1 && current_A < 0.0) {
        stop(b, &b->stopped_discharge, "discharge-current");
    } else if (b->charging_for_s > 0.2 ||
               (b->unloaded_for_s > p->rest_s && idle_cell_V > p->under_cell_V + 0.03)) {
        b->stopped_discharge = false;
    }
}

static void protect_charge(struct vbattery *b, double current_A, double dt_s)
{
    const struct vprotection *p = &b->spec.protection;
    double cell_V = vbattery_voltage_V(b, current_A) / b->spec.cells;
    b->over_for_s = while_true(b->over_for_s, current_A > 0.0 && cell_V > p->over_cell_V, dt_s);
    if (b->over_for_s > 0.2) {
        stop(b, &b->stopped_charge, "over-voltage");
    } else if (b->overload_for_s > 0.1 && current_A > 0.0) {
        stop(b, &b->stopped_charge, "charge-current");
    } else if (current_A < -0.01 || (b->idle_for_s > 10.0 && cell_V < p->over_release_cell_V)) {
        b->stopped_charge = false;
    }
    if (b->temperature_C < p->charge_min_C && current_A > 0.0) {
        stop(b, &b->stopped_cold, "cold");
    } else if (b->temperature_C > p->charge_min_C + 2.0) {
        b->stopped_cold = false;
    }
}

void vbattery_protect(struct vbattery *b, double current_A, bool load_present, double dt_s)
{
    const struct vprotection *p = &b->spec.protection;
    if (!p->fitted) {
        return;
    }
    protect_discharge(b, current_A, load_present, dt_s);
    protect_charge(b, current_A, dt_s);
    if (b->temperature_C > p->temperature_max_C) {
        stop(b, &b->stopped_hot, "hot");
    } else if (b->temperature_C < p->temperature_max_C - 10.0) {
        b->stopped_hot = false;
    }
}
