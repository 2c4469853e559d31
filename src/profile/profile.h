/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile: a profile file as ordered steps, limits and acceptance, checked for
 * form but not yet fitted to a battery or a stand (that is plan.h). */
#ifndef AMPLEDGER_PROFILE_PROFILE_H
#define AMPLEDGER_PROFILE_PROFILE_H

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

struct profile_step {
    enum step_kind kind;
    char name[STEP_NAME_SIZE]; /* unique in the profile; made from kind and place if not written */
    int line;
    struct written current;        /* discharge: A or relative; magnitude */
    struct written until_voltage;  /* V or V/cell; absent: the step ends by at_most alone */
    struct written at_most_time;   /* absent: the plan works one out from the rated capacity */
    struct written at_most_charge; /* Ah or ratio of rated */
    struct written duration;       /* rest */
    struct written sample_every;   /* default 1 s */
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
    bool guard_band;           /* true: w = U (default); false: simple acceptance */
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

#define PROFILE_STEPS_MAX 64

/* Returns owned *out. Every mistake names file, line, column and remedy. This
 * version runs discharge and rest; the other kinds are known and refused. */
bool profile_load_file(const char *path, struct profile **out, struct err *e) NODISCARD;
bool profile_load_text(const char *path, const char *text, size_t n, struct profile **out,
                       struct err *e) NODISCARD;
void profile_free(struct profile *p); /* NULL is fine */

/* Find NAME in directory dir (NAME.yaml), or take NAME as a path when it holds
 * a slash and `paths_allowed`. Unknown names: ERR_NOT_FOUND with the nearest, or
 * all there are. */
bool profile_find(const char *dir, const char *name, bool paths_allowed, struct profile **out,
                  struct err *e) NODISCARD;

#endif
