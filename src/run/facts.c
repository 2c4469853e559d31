/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/facts: what the plan must know of a stand, gathered from its drivers and
 * its newest reading. */
#include "run/stand.h"

#include <math.h>
#include <string.h>
#include <sys/statvfs.h>

#define FRESH_S 5.0

static struct instrument_facts instrument_facts_of(const struct instrument *i)
{
    struct instrument_facts f = {.present = i != NULL,
                                 .current_max_A = NAN,
                                 .voltage_max_V = NAN,
                                 .power_max_W = NAN,
                                 .voltage_min_V = NAN};
    if (i == NULL) {
        return f;
    }
    const struct driver *d = instrument_driver(i);
    f.current_max_A = d->current_max_A;
    f.voltage_max_V = d->voltage_max_V;
    f.power_max_W = d->power_max_W;
    f.voltage_min_V = d->voltage_min_V;
    enum verb backstop = d->role == ROLE_LOAD ? VERB_UNDER_VOLTAGE : VERB_OVER_VOLTAGE;
    f.has_backstop = d->verb[backstop].count > 0;
    f.holds_power = driver_can_hold(d, HOLD_POWER);
    f.holds_resistance = driver_can_hold(d, HOLD_RESISTANCE);
    return f;
}

static enum voltage_source source_of(enum sense sense)
{
    switch (sense) {
    case SENSE_METER:
        return SOURCE_METER;
    case SENSE_REMOTE:
        return SOURCE_REMOTE_SENSE;
    case SENSE_TWO_WIRE:
        break;
    }
    return SOURCE_TWO_WIRE;
}

/* NULL: nothing is known. */
static struct accuracy voltage_accuracy_of(const struct instrument *i)
{
    if (i == NULL) {
        return (struct accuracy){NAN, NAN, NAN};
    }
    const struct driver *d = instrument_driver(i);
    return (struct accuracy){d->voltage_gain, d->voltage_offset_V, d->voltage_resolution_V};
}

/* Of both that may be in use beside a meter the worse; NAN: not known of one. */
static struct accuracy worse_voltage_of(const struct stand_config *c)
{
    const struct instrument *load = c->instrument[ROLE_LOAD], *supply = c->instrument[ROLE_SUPPLY];
    if (load == NULL || supply == NULL) {
        return voltage_accuracy_of(load != NULL ? load : supply);
    }
    const struct accuracy a = voltage_accuracy_of(load), b = voltage_accuracy_of(supply);
    /* Not fmax, which gives way to the one that is known. */
    return (struct accuracy){a.gain > b.gain || isnan(a.gain) ? a.gain : b.gain,
                             a.offset > b.offset || isnan(a.offset) ? a.offset : b.offset,
                             a.resolution > b.resolution ? a.resolution : b.resolution};
}

/* Of what capacities are measured with: the load; where there is none, the supply. */
static struct instrument_accuracy accuracy_of(const struct stand_config *c)
{
    const struct instrument *output = c->instrument[ROLE_LOAD];
    output = output != NULL ? output : c->instrument[ROLE_SUPPLY];
    const struct instrument *volts = c->sense == SENSE_METER ? c->instrument[ROLE_METER] : output;
    struct instrument_accuracy a = {voltage_accuracy_of(volts), {NAN, NAN, NAN}, NAN};
    if (output != NULL) {
        const struct driver *d = instrument_driver(output);
        a.current =
            (struct accuracy){d->current_gain, d->current_offset_A, d->current_resolution_A};
    }
    /* A computer's clock: 100 ppm covers an undisciplined quartz (common practice, no source). */
    a.time_gain = 100e-6;
    return a;
}

static double thermometer_error_C(const struct stand_config *c)
{
    const struct instrument *i = c->instrument[ROLE_THERMOMETER];
    return i != NULL ? instrument_driver(i)->temperature_offset_C : (double)NAN;
}

/* What is free for this program where samples are recorded; NAN: not known. */
static double free_bytes(const struct store *store)
{
    struct statvfs v;
    if (store == NULL || statvfs(store_path(store), &v) != 0) {
        return NAN;
    }
    return (double)v.f_bavail * (double)v.f_frsize;
}

void stand_facts_now(struct stand *s, struct stand_facts *out)
{
    const struct stand_config *c = s->config;
    *out = (struct stand_facts){
        .load = instrument_facts_of(c->instrument[ROLE_LOAD]),
        .supply = instrument_facts_of(c->instrument[ROLE_SUPPLY]),
        .has_meter = c->instrument[ROLE_METER] != NULL,
        .has_thermometer = c->instrument[ROLE_THERMOMETER] != NULL,
        .thermometer_error_C = thermometer_error_C(c),
        .voltage_source = source_of(c->sense),
        .lead_ohm = c->lead_ohm,
        .present_voltage_V = NAN,
        .present_temperature_C = NAN,
        .accuracy = accuracy_of(c),
        /* What reads beside a meter; without a meter nobody asks. */
        .other_voltage = worse_voltage_of(c),
        .free_bytes = free_bytes(s->store),
    };
    strcpy(out->name, c->name); /* both LABEL_SIZE */
    pthread_mutex_lock(&s->lock);
    double age_s = (double)(clock_real_ns() - s->reading_real_ns) / (double)NS_PER_S;
    if (s->reading_real_ns != 0 && age_s < FRESH_S && s->status.phase != STAND_RUNNING) {
        out->present_voltage_V = s->status.reading.voltage_V;
        out->present_temperature_C = s->status.reading.temperature_C;
    }
    pthread_mutex_unlock(&s->lock);
}
