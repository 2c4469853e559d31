/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/instrument: behaviour of the power stage and the readings. */
#include "virtual/instrument.h"

#include "base/file.h"

#include <math.h>
#include <string.h>

#define AVERAGE_S 0.02    /* readings are means over about one mains cycle */
#define LOAD_RISE_S 0.003 /* a load follows its setting quickly */
#define SUPPLY_OHM 0.002  /* output resistance at the sense point */
#define CLAMP_OHM 0.02    /* a load holding a voltage is this stiff */
#define SCPI_NOT_A_NUMBER 9.91e37
#define SCPI_INFINITY 9.9e37

struct vinstrument_spec vinstrument_defaults(enum vkind kind, const char *name)
{
    static const char *const kinds[] = {"Load", "Supply", "Meter", "Thermometer"};
    bool load = kind == VKIND_LOAD;
    struct vinstrument_spec s = {
        .kind = kind,
        .max_A = load ? 40.0 : 20.0,
        .max_V = load ? 80.0 : 32.0,
        .max_W = load ? 400.0 : 640.0,
        .minimum_V = 0.5,
        .voltage_noise_V = 0.0005,
        .current_noise_A = 0.001,
        .temperature_noise_C = 0.01,
        .voltage_step_V = 0.001,
        .current_step_A = 0.001,
        .temperature_step_C = 0.01,
        .relay_s = 0.01,
        .soft_start_s = 0.2,
        .rise_s = 0.05,
    };
    /* A name too long for its field was refused where the description is read. */
    (void)text_format(s.name, sizeof s.name, "%s", name);
    (void)text_format(s.identity, sizeof s.identity, "VIRTUAL,%s,%s,1.0", kinds[kind], name);
    return s;
}

static void set_ranges(struct vinstrument *m)
{
    const struct vinstrument_spec *s = &m->spec;
    struct vrange *r = m->ranges;
    r[VSET_CURRENT] = (struct vrange){0.0, s->max_A, 0.0};
    /* the setting that draws or gives least: for a load holding a voltage, the highest */
    r[VSET_VOLTAGE] = (struct vrange){0.0, s->max_V, s->kind == VKIND_LOAD ? s->max_V : 0.0};
    r[VSET_POWER] = (struct vrange){0.0, s->max_W, 0.0};
    r[VSET_RESISTANCE] = (struct vrange){s->minimum_V / s->max_A, 10000.0, 10000.0};
    r[VSET_UNDER_VOLTAGE] = (struct vrange){0.0, s->max_V, 0.0};
    r[VSET_OVER_VOLTAGE] = (struct vrange){0.0, 1.1 * s->max_V, 1.1 * s->max_V};
    r[VSET_OVER_CURRENT] = (struct vrange){0.0, 1.1 * s->max_A, 1.1 * s->max_A};
}

void vinstrument_reset(struct vinstrument *m)
{
    vinstrument_switch(m, false);
    for (int i = 0; i < VSET_COUNT; i++) {
        m->settings[i] = m->ranges[i].initial;
    }
    m->mode = m->spec.kind == VKIND_SUPPLY ? VMODE_VOLTAGE : VMODE_CURRENT;
    m->over_current_armed = m->spec.kind == VKIND_LOAD;
    m->trips = 0;
}

void vinstrument_init(struct vinstrument *m, const struct vinstrument_spec *spec, uint64_t seed)
{
    memset(m, 0, sizeof *m);
    m->spec = *spec;
    m->host = m;
    m->channels[0] = m;
    m->channel_count = 1;
    m->log.off_virtual_ns = m->log.off_real_ns = -1;
    m->log.on_virtual_ns = m->log.on_real_ns = -1;
    set_ranges(m);
    status_init(&m->status);
    noise_seed(&m->noise, seed);
    vinstrument_reset(m);
}

bool vinstrument_share(struct vinstrument *host, struct vinstrument *m)
{
    if (host->channel_count == CHANNELS_MAX) {
        return false;
    }
    host->channels[host->channel_count++] = m;
    m->host = host;
    return true;
}

static double target_level(const struct vinstrument *m)
{
    double gain = 1.0 + m->spec.set_gain;
    switch (m->mode) {
    case VMODE_CURRENT:
        return m->settings[VSET_CURRENT] * gain;
    case VMODE_VOLTAGE:
        return m->settings[VSET_VOLTAGE] * gain;
    case VMODE_POWER:
        return m->settings[VSET_POWER] * gain;
    case VMODE_RESISTANCE:
        return gain / m->settings[VSET_RESISTANCE];
    }
    return 0.0;
}

/* Levels rise from nothing, but a load that holds a voltage would short the
 * battery at 0 V: it begins where it is to end. */
static double first_level(const struct vinstrument *m)
{
    bool clamps = m->spec.kind == VKIND_LOAD && m->mode == VMODE_VOLTAGE;
    return clamps ? target_level(m) : 0.0;
}

static void start_levels(struct vinstrument *m)
{
    m->level = first_level(m);
    m->level_rate = m->limit_A = m->on_s = m->hunting_A = 0.0;
}

void vinstrument_switch(struct vinstrument *m, bool on)
{
    if (!on && m->faults.on[FAULT_STAYS_ON]) {
        return;
    }
    if (on != m->on) {
        start_levels(m);
    }
    m->on = on;
}

void vinstrument_set_mode(struct vinstrument *m, enum vmode mode)
{
    if (mode != m->mode) {
        m->mode = mode;
        m->level = first_level(m);
    }
}

/* A second-order response, solved for a target that stands still over dt_s: the
 * damping that gives the overshoot asked for, and a rise to 63 % in about rise_s. */
static void swing_to(struct vinstrument *m, double target, double dt_s)
{
    double ln = log(m->spec.overshoot);
    double damping = -ln / sqrt(M_PI * M_PI + ln * ln);
    double per_s = 1.5 / m->spec.rise_s;
    double ringing = per_s * sqrt(1.0 - damping * damping);
    double off = m->level - target;
    double push = (m->level_rate + damping * per_s * off) / ringing;
    double keep = exp(-damping * per_s * dt_s);
    double c = cos(ringing * dt_s);
    double s = sin(ringing * dt_s);
    m->level = target + keep * (off * c + push * s);
    m->level_rate = keep * ((push * ringing - off * damping * per_s) * c -
                            (off * ringing + push * damping * per_s) * s);
}

static void ramp_supply(struct vinstrument *m, double dt_s)
{
    const struct vinstrument_spec *s = &m->spec;
    m->on_s += dt_s;
    double closed_s = m->on_s - s->relay_s;
    if (closed_s <= 0.0) {
        return;
    }
    double middle_s = fmax(closed_s - 0.5 * dt_s, 0.0); /* what it was on average */
    double share = middle_s < s->soft_start_s ? middle_s / s->soft_start_s : 1.0;
    double keep = exp(-dt_s / s->rise_s);
    double target_A = m->settings[VSET_CURRENT] * (1.0 + s->set_gain);
    m->limit_A = target_A + (m->limit_A - target_A) * keep;
    if (fabs(m->limit_A - target_A) < 1e-5 * target_A) {
        m->limit_A = target_A;
    }
    double target_V = target_level(m) * share;
    if (s->overshoot > 0.0) {
        swing_to(m, target_V, dt_s);
    } else {
        m->level = target_V + (m->level - target_V) * keep;
    }
}

void vinstrument_ramp(struct vinstrument *m, double t_s, double dt_s)
{
    if (!m->on) {
        start_levels(m);
        return;
    }
    if (m->spec.kind == VKIND_SUPPLY) {
        ramp_supply(m, dt_s);
    } else {
        m->level += (target_level(m) - m->level) * dt_s / (LOAD_RISE_S + dt_s);
    }
    if (m->spec.hunting_A > 0.0) {
        /* two slow swings without a common period */
        double swing = 0.6 * sin(t_s * 2.1668) + 0.4 * sin(t_s * 0.3696);
        m->hunting_A = m->spec.hunting_A * swing;
    }
}

/* What a load would take in its mode, before the limits of its power stage. */
static double wanted_A(const struct vinstrument *m, double node_V, double *slope)
{
    double lead = m->spec.lead_ohm;
    *slope = 0.0;
    switch (m->mode) {
    case VMODE_CURRENT:
        return m->level > 0.0 ? fmax(m->level + m->hunting_A, 0.0) : 0.0;
    case VMODE_VOLTAGE:
        *slope = 1.0 / (CLAMP_OHM + lead);
        return (node_V - m->level) * *slope;
    case VMODE_RESISTANCE:
        *slope = m->level / (1.0 + lead * m->level);
        return node_V * *slope;
    case VMODE_POWER: {
        /* I (V - I R) = P; beyond the most the leads can pass there is no solution */
        double root = node_V * node_V - 4.0 * lead * m->level;
        if (m->level <= 0.0) {
            return 0.0;
        }
        if (root <= 0.0 || node_V <= 0.0) {
            return INFINITY;
        }
        double amps = 2.0 * m->level / (node_V + sqrt(root));
        *slope = -amps / sqrt(root);
        return amps;
    }
    }
    return 0.0;
}

static double load_A(const struct vinstrument *m, double node_V, double *slope)
{
    double stage_ohm = m->spec.minimum_V / m->spec.max_A + m->spec.lead_ohm;
    double amps = wanted_A(m, node_V, slope);
    double most = 1.05 * m->spec.max_A;
    if (amps > most) {
        amps = most;
        *slope = 0.0;
    }
    double within_reach = fmax(node_V, 0.0) / stage_ohm;
    if (amps > within_reach) {
        amps = within_reach;
        *slope = 1.0 / stage_ohm;
    }
    if (amps <= 0.0) {
        *slope = 0.0;
        return 0.0;
    }
    *slope = -*slope;
    return -amps;
}

static double supply_A(const struct vinstrument *m, double node_V, double *slope)
{
    double ohm = SUPPLY_OHM + m->spec.lead_ohm;
    double limit = m->limit_A > 0.0 ? fmax(m->limit_A + m->hunting_A, 0.0) : 0.0;
    double amps = (m->level - node_V) / ohm;
    *slope = 0.0;
    if (amps <= 0.0) {
        return 0.0; /* a diode keeps the battery from feeding the supply */
    }
    if (amps >= limit) {
        return limit;
    }
    *slope = -1.0 / ohm;
    return amps;
}

/* The leak of a broken power stage: constant, fading out near 0 V for a load. */
static double leak_A(const struct vinstrument *m, double node_V, double *slope)
{
    *slope = 0.0;
    if (!m->faults.on[FAULT_LEAK]) {
        return 0.0;
    }
    if (m->spec.kind == VKIND_SUPPLY) {
        return node_V < m->spec.max_V ? m->faults.leak_A : 0.0;
    }
    double share = fmin(fmax(node_V, 0.0) / 0.1, 1.0);
    *slope = share < 1.0 ? -m->faults.leak_A / 0.1 : 0.0;
    return -m->faults.leak_A * share;
}

double vinstrument_branch_A(const struct vinstrument *m, double node_V, double *slope)
{
    *slope = 0.0;
    bool has_power_stage = m->spec.kind == VKIND_LOAD || m->spec.kind == VKIND_SUPPLY;
    if (!has_power_stage || m->faults.on[FAULT_OPEN]) {
        return 0.0;
    }
    if (!m->on) {
        return leak_A(m, node_V, slope);
    }
    return m->spec.kind == VKIND_LOAD ? load_A(m, node_V, slope) : supply_A(m, node_V, slope);
}

double vinstrument_push_V(const struct vinstrument *m)
{
    if (m->spec.kind != VKIND_SUPPLY) {
        return 0.0;
    }
    return m->faults.on[FAULT_LEAK] ? fmax(m->level, m->spec.max_V) : m->level;
}

void vinstrument_settle(struct vinstrument *m, double node_V, double dt_s)
{
    double slope;
    m->true_A = vinstrument_branch_A(m, node_V, &slope);
    if (m->faults.on[FAULT_OPEN]) {
        m->true_V = m->on ? vinstrument_push_V(m) : 0.0;
    } else {
        m->true_V = node_V + m->true_A * m->spec.lead_ohm;
    }
    double share = dt_s > 0.0 ? dt_s / (AVERAGE_S + dt_s) : 1.0;
    m->average_A += (m->true_A - m->average_A) * share;
    m->average_V += (m->true_V - m->average_V) * share;
}

static unsigned reasons_to_trip(const struct vinstrument *m)
{
    unsigned trips = 0;
    double amps = fabs(m->true_A);
    bool load = m->spec.kind == VKIND_LOAD;
    double under = m->settings[VSET_UNDER_VOLTAGE];
    if (load && under > 0.0 && m->true_V < under) {
        trips |= VTRIP_UNDER_VOLTAGE;
    }
    if (m->true_V > (load ? 1.05 * m->spec.max_V : m->settings[VSET_OVER_VOLTAGE])) {
        trips |= VTRIP_OVER_VOLTAGE;
    }
    if (m->over_current_armed && amps > m->settings[VSET_OVER_CURRENT]) {
        trips |= VTRIP_OVER_CURRENT;
    }
    if (load && amps * m->true_V > 1.1 * m->spec.max_W) {
        trips |= VTRIP_POWER;
    }
    return trips;
}

bool vinstrument_protect(struct vinstrument *m)
{
    if (!m->on || (m->spec.kind != VKIND_LOAD && m->spec.kind != VKIND_SUPPLY)) {
        return false;
    }
    unsigned trips = reasons_to_trip(m);
    if (!trips) {
        return false;
    }
    m->trips |= trips;
    m->on = false; /* its own hardware: no fault of the command path stands in the way */
    start_levels(m);
    return true;
}

bool vinstrument_pulls(const struct vinstrument *m)
{
    return m->spec.kind == VKIND_LOAD && !m->faults.on[FAULT_OPEN] &&
           (m->on || m->faults.on[FAULT_LEAK]);
}

static double rounded(double value, double step)
{
    return step > 0.0 ? round(value / step) * step : value;
}

static double read_volts(struct vinstrument *m)
{
    const struct vinstrument_spec *s = &m->spec;
    double noise = noise_bell(&m->noise) * s->voltage_noise_V;
    double value = rounded(m->average_V * (1.0 + s->voltage_gain) + noise, s->voltage_step_V);
    return m->faults.on[FAULT_REVERSED] ? -value : value;
}

static double read_amps(struct vinstrument *m)
{
    const struct vinstrument_spec *s = &m->spec;
    double sense = s->kind == VKIND_LOAD ? -m->average_A : m->average_A;
    double noise = noise_bell(&m->noise) * s->current_noise_A;
    return rounded(sense * (1.0 + s->current_gain) + noise, s->current_step_A);
}

static double read_celsius(struct vinstrument *m)
{
    const struct vinstrument_spec *s = &m->spec;
    double noise = noise_bell(&m->noise) * s->temperature_noise_C;
    double value = m->battery_C + s->temperature_offset_C + noise;
    if (m->faults.on[FAULT_JUMP] && noise_unit(&m->noise) < 0.4) {
        double size = 20.0 + 40.0 * noise_unit(&m->noise);
        value += noise_unit(&m->noise) < 0.5 ? size : -size;
    }
    return rounded(value, s->temperature_step_C);
}

static double read_plain(struct vinstrument *m, enum vreading what)
{
    switch (what) {
    case VREAD_VOLTAGE:
        return read_volts(m);
    case VREAD_CURRENT:
        return read_amps(m);
    case VREAD_POWER:
        return read_volts(m) * read_amps(m);
    case VREAD_TEMPERATURE:
        return read_celsius(m);
    case VREAD_COUNT:
        break;
    }
    return NAN;
}

double vinstrument_read(struct vinstrument *m, enum vreading what)
{
    const bool *fault = m->faults.on;
    double value = read_plain(m, what);
    if (m->faults.stuck[what] && m->stuck_known[what]) {
        value = m->stuck[what];
    }
    m->stuck[what] = value;
    m->stuck_known[what] = true;
    if (fault[FAULT_LOST]) {
        return NAN;
    }
    if (fault[FAULT_NAN]) {
        return SCPI_NOT_A_NUMBER;
    }
    if (fault[FAULT_OVERRANGE]) {
        return SCPI_INFINITY;
    }
    return fault[FAULT_ABSURD] ? 12345.678 : value;
}
