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
    bool has_backstop;                  /* its own protections can be programmed */
    bool holds_power, holds_resistance; /* a load whose driver knows these modes too */
};

enum voltage_source { SOURCE_TWO_WIRE, SOURCE_REMOTE_SENSE, SOURCE_METER };
extern const char *const voltage_source_names[]; /* "two-wire", "remote-sense", "meter" */

struct stand_facts {
    char name[LABEL_SIZE];
    struct instrument_facts load, supply;
    bool has_meter, has_thermometer;
    double thermometer_error_C; /* limit of error; NAN or 0: not stated */
    enum voltage_source voltage_source;
    double lead_ohm;          /* 0 when sensed at the battery */
    double present_voltage_V; /* battery at rest, just measured; NAN: not measured */
    double present_temperature_C;
    struct instrument_accuracy accuracy; /* of the voltage source and the current reading */
    struct accuracy other_voltage;       /* where a meter is the source, of the instruments' own */
    double free_bytes;                   /* where samples are recorded; NAN: not known */
};

/* One limit in force and who asked for it. */
struct plan_limit {
    const char *name; /* "voltage_min", ... static */
    const char *unit; /* static */
    double value;
    char source[96]; /* "chemistry lfp: 2.00 V/cell x 4", "profile line 12", ... */
};

/* What is held while current flows. A supply always holds a current and a voltage:
 * whichever it reaches first. */
enum drive { DRIVE_OFF, DRIVE_CURRENT, DRIVE_POWER, DRIVE_RESISTANCE };

/* One stretch of a pulse. All of one step are of one sign (or 0, the output staying on
 * at no current), so that one instrument does them all. */
struct plan_segment {
    double current_A; /* signed */
    double for_s;
    double sample_s; /* NAN: as fast as the link allows */
};

/* When a group of steps is gone through again. STEP_REPEAT stands behind the last
 * step of its group; groups may hold groups. */
struct plan_repeat {
    size_t back_to;        /* index of the first step of the group */
    unsigned times;        /* how often the group is gone through at most; >= 1 */
    size_t of_step;        /* whose discharged capacity the rules below look at; SIZE_MAX none */
    double until_below_Ah; /* no further round once it falls below; NAN */
    double until_from_Ah;  /* ... once it reaches this; NAN */
    double until_agree;    /* ... once two in a row differ by no more than this ratio of the
                              later one; NAN */
    bool until_cutoff;     /* ... once a discharge in the group ended at its cut-off */
};

#define HOLD_TEXT_SIZE 200
#define PLAN_LIMITS_MAX 20

struct plan_step {
    enum step_kind kind;
    char name[STEP_NAME_SIZE];

    /* what is set */
    enum drive drive;
    double current_A;      /* set point, signed: negative discharges; 0 at rest; of a pulse the
                              largest; at constant power or resistance the largest to be expected */
    double power_W;        /* DRIVE_POWER, positive; NAN */
    double resistance_ohm; /* DRIVE_RESISTANCE; NAN */
    double charge_V;       /* charge: what the supply holds at most, whole battery; NAN */
    double charge_V_per_K; /* added per degree above compensation_C, whole battery; 0 none */
    double compensation_C;
    double skip_above_V; /* the step is left out when the battery, before it, has at least this
                            (pre-charge); NAN */

    /* what ends it */
    double until_V;         /* whole battery, at its terminals; NAN none. Discharge: below it;
                               charge: at or above it */
    double until_A;         /* charge at held voltage: the current has tapered below; NAN */
    double until_drop_V;    /* charge: fell by this much from its highest (-deltaV); NAN */
    double until_C_per_min; /* charge: warms at least so fast (dT/dt); NAN */
    double hold_off_s;      /* the two above are not looked for before */
    double until_V_per_h;   /* rest: drifts no faster than this; NAN */
    double least_s;         /* rest: not shorter than this; 0 */
    double max_s;           /* always finite: no step without end */
    double max_Ah;          /* NAN none */
    bool max_s_is_fault;    /* reaching max_s ends the run: the step should have ended before */
    bool max_Ah_is_fault;   /* the same of max_Ah */

    double sample_s;
    size_t segment_count; /* pulse */
    struct plan_segment *segments;
    struct plan_repeat repeat;
    char say[HOLD_TEXT_SIZE];   /* hold: what the person is to do, then confirm; max_s: how long it
                                   waits */
    double remind_s;            /* hold: tells again after so long; NAN never */
    struct guard_limits limits; /* in force in this step (charging has a temperature window of its
                                   own, pre-charge a lower voltage) */
    size_t own_limit_count;     /* those of them that are not as in plan.limit_list, for showing */
    struct plan_limit own_limits[PLAN_LIMITS_MAX];

    /* Of the first time the step is gone through; NAN when it cannot be known. Magnitudes. */
    double expected_s, expected_Ah, expected_Wh;
    double heat_W; /* into the room, while it lasts */
    double rounds; /* how often it is gone through at most, by all repeats around it */
};

/* Nothing set and nothing that ends it; the usual sampling of its kind, one round. */
struct plan_step plan_step_blank(enum step_kind kind);

enum attempts { ATTEMPT_LAST, ATTEMPT_BEST, ATTEMPT_MEAN };
extern const char *const attempts_names[]; /* "last", "best", "mean" */

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
    struct plan_limit limit_list[PLAN_LIMITS_MAX];
    /* Over all rounds. NAN when it cannot be known. */
    double expected_s;
    double expected_Ah, expected_Wh;                 /* discharged */
    double expected_charged_Ah, expected_charged_Wh; /* charged */
    double longest_s;                                /* every step at its longest; finite */
    double disk_bytes;      /* what the samples of the expected time take in the database */
    double resume_within_s; /* after an interruption no longer than this it goes on; 0: it stops */
    bool starts_full;       /* the profile says so; the state of charge is counted from there */
    char full_doubt[PLAN_NOTE_SIZE]; /* by plan_doubt_full(); "": none */
    bool judged;                     /* acceptance present */
    size_t judged_step;              /* index of the step whose capacity is judged */
    enum attempts attempts;          /* which of several rounds of that step counts */
    double accept_Ah;
    double guard_share;                  /* of the expanded uncertainty; 0 simple acceptance */
    struct correction_choice correction; /* of the judged capacity; with the rating */
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
/* Where it starts from a full battery: why it may not be full, by what only the caller knows; ""
 * leaves it. Among the warnings too. */
void plan_doubt_full(struct plan *p, const char *why);
void plan_free(struct plan *p);

#endif
