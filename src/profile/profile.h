/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile: a profile file as ordered steps, limits and acceptance, checked for
 * form but not yet fitted to a battery or a stand (that is plan.h). */
#ifndef AMPLEDGER_PROFILE_PROFILE_H
#define AMPLEDGER_PROFILE_PROFILE_H

#include "analysis/correction.h"
#include "base/battery.h"
#include "base/err.h"
#include "base/ids.h"
#include "base/quantity.h"

#include <stddef.h>

enum step_kind { STEP_DISCHARGE, STEP_REST, STEP_CHARGE, STEP_PULSE, STEP_HOLD, STEP_REPEAT };
extern const char *const step_kind_names[]; /* NULL-terminated, in that order */

#define STEP_NAME_SIZE 48

/* A quantity as the person wrote it, and where. present == false: not written. */
struct written {
    bool present;
    int line;
    struct quantity q;
};

/* One stretch of a pulse. */
struct profile_segment {
    struct written current; /* magnitude; 0 A: the output stays on and nothing flows */
    struct written duration;
};
#define PROFILE_SEGMENTS_MAX 32

/* When a group of steps is gone through again. */
struct profile_repeat {
    int times;      /* at most; >= 1 */
    size_t back_to; /* index of the group's first step */
    size_t of_step; /* whose capacity the rules look at; SIZE_MAX: none does */
    struct written until_below, until_reached; /* Ah or ratio of rated */
    struct written until_agree;                /* ratio */
    bool until_cutoff;
};

/* Steps stand in the order of plan.h: a repeat behind the steps of its group, a
 * pre-charge as a step of its own before its charge. */
struct profile_step {
    enum step_kind kind;
    char name[STEP_NAME_SIZE]; /* unique in the profile; made from kind and place if not written */
    int line;
    struct written current;    /* A or relative; magnitude */
    struct written power;      /* discharge instead of current */
    struct written resistance; /* discharge instead of current */
    struct written voltage;    /* charge: what is held at most; V or V/cell */
    struct written compensation, compensation_reference; /* V/K/cell, signed; degC */
    struct written skip_above;     /* pre-charge: left out from this voltage on; V or V/cell */
    bool charges;                  /* pulse: which way */
    struct written until_voltage;  /* V or V/cell; absent: the step ends in another way */
    struct written until_current;  /* charge: A or relative */
    struct written until_drop;     /* charge: V or V/cell */
    struct written until_warming;  /* charge: degC/min */
    struct written until_charge;   /* charge: Ah or ratio of rated; a normal end */
    struct written until_time;     /* charge: by timer; a normal end */
    struct written until_settled;  /* rest: V/h */
    struct written hold_off;       /* charge: drop and warming are not looked for before */
    struct written at_most_time;   /* discharge without it: the plan works one out */
    struct written at_most_charge; /* Ah or ratio of rated */
    struct written at_least;       /* rest until settled */
    struct written duration;       /* rest */
    struct written sample_every;   /* default 1 s; of a pulse 0.1 s */
    struct written remind_every;   /* hold */
    char say[200];                 /* hold: what the person is to do */
    size_t segment_count;
    struct profile_segment *segments; /* pulse; owned */
    struct profile_repeat repeat;
};

struct profile_limits {
    struct written voltage_min, voltage_max; /* V or V/cell */
    struct written current_max;              /* A or relative */
    struct written temperature_min, temperature_max;
    struct written temperature_rate;
    struct written regulation;                  /* ratio of the set point */
    struct written charge_max, energy_max;      /* of one step; charge in Ah or ratio of rated */
    struct written step_time_max, run_time_max; /* a step that ends by time ends by at_most first */
    struct written trust_time;
    bool temperature_required;
};

struct profile_acceptance {
    bool present;
    int line;
    char step[STEP_NAME_SIZE]; /* whose capacity is judged */
    struct written capacity;   /* ratio of rated, or Ah: lower limit */
    int counts;                /* of several rounds: index of attempts_names in plan.h */
    double guard_share;        /* guard band as a share of U: 1 w = U (default), 0 simple */
    struct correction_choice correction; /* without the rating */
    int correction_line;
};

struct profile {
    char path[256]; /* as loaded, for messages */
    char name[64];  /* file name without .yaml: how verbs call it */
    char title[96];
    char about[400];
    unsigned chemistries; /* bit per enum chemistry; 0: any */
    int chemistries_line; /* of `for`; 0 when not written */
    double
        resume_within_s; /* an interrupted run goes on after a gap of at most this; 0: it stops */
    bool full_confirmed; /* the profile starts from a full battery: the plan asks the person to see
                            to it */
    struct profile_limits limits;
    struct profile_acceptance acceptance;
    size_t step_count;
    struct profile_step *steps;
    char *text; /* the whole file, kept with each run */
    char sha256[SHA256_TEXT_SIZE];
};

#define PROFILE_STEPS_MAX 64 /* a repeat and a pre-charge count as one each */
#define PROFILE_NESTING_MAX 4
#define PROFILE_ROUNDS_MAX 10000

/* Returns owned *out. Every mistake names file, line, column and remedy. */
bool profile_load_file(const char *path, struct profile **out, struct err *e) NODISCARD;
bool profile_load_text(const char *path, const char *text, size_t n, struct profile **out,
                       struct err *e) NODISCARD;
void profile_free(struct profile *p); /* NULL is fine */

/* What profile_find() finds in a folder, sorted; owned, NULL-terminated. */
#define PROFILE_NAMES_MAX 256
struct profile_names {
    size_t count;
    char *name[PROFILE_NAMES_MAX + 1];
};
bool profile_names(const char *dir, struct profile_names *out, struct err *e) NODISCARD;
void profile_names_free(struct profile_names *names);

/* Find NAME in directory dir (NAME.yaml), or take NAME as a path when it holds
 * a slash and `paths_allowed`. Unknown names: ERR_NOT_FOUND with the nearest, or
 * all there are. */
bool profile_find(const char *dir, const char *name, bool paths_allowed, struct profile **out,
                  struct err *e) NODISCARD;

#endif
