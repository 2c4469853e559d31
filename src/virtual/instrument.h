/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/instrument: a simulated load, supply, meter or thermometer: its
 * settings, what it does to the circuit, what it reads.
 *
 * It is one branch of the circuit at its battery: for a voltage at the battery's
 * terminals it says what current it drives into the battery (a load: negative).
 * Talking is in commands.h, the circuit in circuit.h. */
#ifndef AMPLEDGER_VIRTUAL_INSTRUMENT_H
#define AMPLEDGER_VIRTUAL_INSTRUMENT_H

#include "virtual/fault.h"
#include "virtual/noise.h"
#include "virtual/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum vkind { VKIND_LOAD, VKIND_SUPPLY, VKIND_METER, VKIND_THERMOMETER };
enum vstyle { VSTYLE_SCPI, VSTYLE_LINES, VSTYLE_FILE };
enum vmode { VMODE_CURRENT, VMODE_VOLTAGE, VMODE_POWER, VMODE_RESISTANCE };

enum vsetting {
    VSET_CURRENT,
    VSET_VOLTAGE,
    VSET_POWER,
    VSET_RESISTANCE,
    VSET_UNDER_VOLTAGE, /* own protection of a load; 0 is none */
    VSET_OVER_VOLTAGE,  /* own protection of a supply */
    VSET_OVER_CURRENT,  /* own protection of both */
    VSET_COUNT
};

struct vrange {
    double min, max, initial; /* initial: after *RST */
};

/* What stands in the description. Ratios as plain numbers. */
struct vinstrument_spec {
    char name[64];
    char identity[128];
    enum vkind kind;
    enum vstyle style;
    double lead_ohm;
    double max_A, max_V, max_W;
    double minimum_V; /* below it a load cannot draw its full current */
    double voltage_gain, current_gain, set_gain;
    double voltage_noise_V, current_noise_A, temperature_noise_C;
    double voltage_step_V, current_step_A, temperature_step_C; /* resolution */
    double temperature_offset_C;
    double hunting_A;
    /* of a supply, after its output was switched on */
    double relay_s;      /* until the contacts of its output close */
    double soft_start_s; /* then the voltage asked for grows in a line over this time */
    double rise_s;       /* of its voltage and of its current limit, to about 63 % */
    double overshoot;    /* of its voltage, as a ratio of a step; 0 none */
};

struct vlog {
    unsigned long lines, offs, ons;
    int64_t off_virtual_ns, off_real_ns, on_virtual_ns, on_real_ns; /* of the last; -1: never */
};

/* Why an instrument switched itself off; bits. */
enum { VTRIP_UNDER_VOLTAGE = 1, VTRIP_OVER_VOLTAGE = 2, VTRIP_OVER_CURRENT = 4, VTRIP_POWER = 8 };

#define CHANNELS_MAX 4

struct vinstrument {
    struct vinstrument_spec spec;
    struct vinstrument *host; /* whose link it is spoken to over; itself, unless it shares one */
    struct vinstrument *channels[CHANNELS_MAX]; /* of a host: itself first */
    size_t channel_count;
    size_t selected; /* of a host: index of the channel that messages are for */
    struct vrange ranges[VSET_COUNT];
    double settings[VSET_COUNT];
    enum vmode mode;
    bool on;
    bool over_current_armed; /* CURRent:PROTection:STATe */
    unsigned trips;
    struct status status;
    struct faults faults;
    struct noise noise;
    struct vlog log;

    double level;      /* of the set quantity, on its way to the setting */
    double hunting_A;  /* now */
    double level_rate; /* of a supply's voltage, per second */
    double limit_A;    /* of a supply, on its way to the setting */
    double on_s;       /* since it was switched on */
    double true_A;     /* into the battery */
    double true_V;     /* at its own terminals */
    double average_A, average_V;
    double battery_C; /* of the battery it is at */
    double stuck[VREAD_COUNT];
    bool stuck_known[VREAD_COUNT];

    /* Called after a setting changed, so that the circuit takes it up at once. */
    void (*changed)(void *context);
    void *changed_context;
};

/* Everything sensible for its kind; name and identity filled in. */
struct vinstrument_spec vinstrument_defaults(enum vkind kind, const char *name);
void vinstrument_init(struct vinstrument *m, const struct vinstrument_spec *spec, uint64_t seed);
/* Make m a further output of host, spoken to over host's link; false when it has
 * no more room. Both must stay where they are. */
bool vinstrument_share(struct vinstrument *host, struct vinstrument *m);
/* *RST: output off, settings to their initial values, protections cleared. */
void vinstrument_reset(struct vinstrument *m);

/* Output on or off as a person at the front panel would see it. */
void vinstrument_switch(struct vinstrument *m, bool on);
/* What a load holds constant. */
void vinstrument_set_mode(struct vinstrument *m, enum vmode mode);

/* Let dt_s pass up to model time t_s: levels follow their settings. */
void vinstrument_ramp(struct vinstrument *m, double t_s, double dt_s);
/* Current into the battery at node_V, and its derivative. */
double vinstrument_branch_A(const struct vinstrument *m, double node_V, double *slope);
/* Highest voltage it could push the terminals to. */
double vinstrument_push_V(const struct vinstrument *m);
/* Take up the solved circuit; dt_s 0: begin the readings' average anew. */
void vinstrument_settle(struct vinstrument *m, double node_V, double dt_s);
/* Its own protections judge the present state; true when it switched itself off. */
bool vinstrument_protect(struct vinstrument *m);
/* Does it pull current, or would it if it could? */
bool vinstrument_pulls(const struct vinstrument *m);

/* A reading with this instrument's errors, noise, resolution and faults. A
 * load counts current as positive when it sinks. NAN: no reading (FAULT_LOST). */
double vinstrument_read(struct vinstrument *m, enum vreading what);

#endif
