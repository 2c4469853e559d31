/* SPDX-License-Identifier: GPL-3.0-or-later
 * plan: what a profile will do to a given battery on a given stand, worked out
 * before anything is switched on. Pure. */
#ifndef AMPLEDGER_PROFILE_PLAN_H
#define AMPLEDGER_PROFILE_PLAN_H

#include "analysis/analysis.h"
#include "guard/guard.h"
#include "profile/profile.h"

/* What the plan must know of one instrument; NAN: unknown. */
struct instrument_facts {
    bool present;
    double current_max_A, voltage_max_V, power_max_W, voltage_min_V;
    bool has_backstop; /* its own protections can be programmed */
};

enum voltage_source { SOURCE_TWO_WIRE, SOURCE_REMOTE_SENSE, SOURCE_METER };
extern const char *const voltage_source_names[]; /* "two-wire", "remote-sense", "meter" */

struct stand_facts {
    char name[LABEL_SIZE];
    struct instrument_facts load, supply;
    bool has_meter, has_thermometer;
    enum voltage_source voltage_source;
    double lead_ohm;          /* 0 when sensed at the battery */
    double present_voltage_V; /* battery at rest, just measured; NAN: not measured */
    double present_temperature_C;
    struct instrument_accuracy accuracy; /* of the voltage source and the current reading */
};

/* One limit in force and who asked for it. */
struct plan_limit {
    const char *name; /* "voltage_min", ... static */
    const char *unit; /* static */
    double value;
    char source[96]; /* "chemistry lfp: 2.00 V/cell x 4", "profile line 12", ... */
};

struct plan_step {
    enum step_kind kind;
    char name[STEP_NAME_SIZE];
    double current_A; /* set point, signed: negative discharges; 0 at rest */
    double until_V;   /* whole battery, at its terminals; NAN none */
    double max_s;     /* always finite: no step without end */
    double max_Ah;    /* NAN none */
    double sample_s;
    double expected_s, expected_Ah, expected_Wh; /* NAN when it cannot be known */
    double heat_W;                               /* into the room */
};

#define PLAN_NOTES_MAX 24
#define PLAN_NOTE_SIZE 320
struct plan_notes {
    size_t count;
    char text[PLAN_NOTES_MAX][PLAN_NOTE_SIZE];
};

struct plan {
    char profile[64];
    struct battery battery;
    char stand[LABEL_SIZE];
    size_t step_count;
    struct plan_step *steps;
    struct guard_limits limits;
    size_t limit_count;
    struct plan_limit limit_list[16];
    double expected_s, expected_Ah, expected_Wh;
    double resume_within_s; /* after an interruption no longer than this it goes on; 0: it stops */
    bool judged;            /* acceptance present */
    size_t judged_step;     /* index of the step whose capacity is judged */
    double accept_Ah;
    bool guard_band;
    struct plan_notes problems; /* a plan with a problem does not start; each with a remedy */
    struct plan_notes warnings;
    struct plan_notes cautions; /* of the chemistry: heat, gas, fire */
};

/* Fit. Mistakes that belong to a place in the profile file go to problems as
 * "FILE:LINE: ...". Fails only on our own bugs or lack of memory; otherwise
 * returns owned *out with problems listed. `stand` may be NULL: then only what
 * needs no stand is checked. */
bool plan_make(const struct profile *p, const struct battery *b, const struct stand_facts *stand,
               struct plan **out, struct err *e) NODISCARD;
void plan_free(struct plan *p);

#endif
