/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/plan_work: what the parts of the planner share. Inside the room. */
#ifndef AMPLEDGER_PROFILE_PLAN_WORK_H
#define AMPLEDGER_PROFILE_PLAN_WORK_H

#include "profile/chemistry.h"
#include "profile/plan.h"

enum limit_kind {
    LIMIT_VOLTAGE_MIN,
    LIMIT_VOLTAGE_MAX,
    LIMIT_CURRENT_MAX,
    LIMIT_TEMPERATURE_MIN,
    LIMIT_TEMPERATURE_MAX,
    LIMIT_TEMPERATURE_RATE,
    LIMIT_REGULATION,
    LIMIT_CHARGE,
    LIMIT_ENERGY,
    LIMIT_STEP_TIME,
    LIMIT_RUN_TIME,
    LIMIT_STUCK,
    LIMIT_VOLTAGE_STUCK,
    LIMIT_DISAGREEMENT,
    LIMIT_OFF_CURRENT,
    LIMIT_TRUST,
    LIMIT_COUNT
};

struct plan_work {
    const struct profile *profile;
    const struct battery *battery;
    const struct stand_facts *stand; /* NULL: no stand chosen yet */
    const struct chemistry_data *chemistry;
    struct plan *plan;           /* steps in the order of the profile's */
    int limit_line[LIMIT_COUNT]; /* line of the profile that won the limit; 0: another won */
};

/* Add a sentence; line 0: it belongs to no place of the profile. */
void plan_problem(struct plan_work *w, int line, const char *fmt, ...) PRINTF_LIKE(3, 4);
void plan_warning(struct plan_work *w, const char *fmt, ...) PRINTF_LIKE(2, 3);
void plan_caution(struct plan_work *w, const char *fmt, ...) PRINTF_LIKE(2, 3);

/* Quantities of the profile in absolute units; NAN when not written, or when
 * the battery's rated capacity is wanted and unknown. */
double resolve_voltage(const struct plan_work *w, const struct written *q);
double resolve_current(const struct plan_work *w, const struct written *q);
double resolve_charge(const struct plan_work *w, const struct written *q);
/* True when q is relative to a rated capacity that the battery does not have. */
bool lacks_rating(const struct plan_work *w, const struct written *q);
/* A problem if so; `instead`: "the current in A". */
void need_rating(struct plan_work *w, const struct written *q, const char *instead);

/* Volts of the whole battery when full: at the end of charge, or, where there is
 * no fixed end of charge, at the ceiling. */
double full_voltage(const struct plan_work *w);
double nominal_voltage(const struct plan_work *w);
bool is_lead(const struct plan_work *w); /* lead-acid of any kind */
/* Largest set point out of the battery, or into it (`charging`), of all steps;
 * magnitude; 0 when nothing flows. */
double largest_current(const struct plan_work *w, bool charging);

/* Does current flow into the battery, or out of it, in this step? */
bool step_charges(const struct plan_step *s);
bool step_discharges(const struct plan_step *s);
/* The highest voltage that the supply is told to hold in this step, at the coldest
 * that charging is allowed; NAN: it charges not. */
double coldest_charge_voltage(const struct plan_work *w, const struct plan_step *s);
/* How far a reading may be off, as far as its accuracy is known. */
double known_error(const struct accuracy *a, double value);
/* How far a reading may lie above a current that is held as it should be: what the
 * instrument makes of its set point, and what the reading makes of that. */
double current_spare(const struct plan_work *w, double set_A);
/* The most that a step takes from the full battery, W. */
double largest_power(const struct plan_work *w, const struct plan_step *s);
/* What may be expected to flow on average, magnitude. */
double mean_current(const struct plan_work *w, const struct plan_step *s);
/* The first step in which current flows; SIZE_MAX: none. */
size_t first_flowing(const struct plan *p);
/* Is the battery filled, by a charge or by a person, before step i in the first round? */
bool filled_before(const struct plan *p, size_t i);

#define DURATION_TEXT_SIZE 24
/* "12.5 h", "10 min", "45 s" */
const char *duration_text(double s, char out[DURATION_TEXT_SIZE]);
#define WRITTEN_TEXT_SIZE 32
/* "0.2 C", "2.5 V/cell", "150 %": the quantity as written. */
const char *written_text(const struct written *q, char out[WRITTEN_TEXT_SIZE]);

void plan_steps(struct plan_work *w);        /* what is set and what ends it */
void plan_expect(struct plan_work *w);       /* hours, charge, energy, heat, disk */
void plan_limits(struct plan_work *w);       /* the strictest of all, with their sources */
void plan_check(struct plan_work *w);        /* problems */
void plan_check_charge(struct plan_work *w); /* those of charging and of the supply */
void plan_warn(struct plan_work *w);         /* warnings */
void plan_advise(struct plan_work *w);       /* cautions */

/* The correction of the judged capacity: completed by the rating, and what keeps it from
 * being made. */
void plan_correct(struct plan_work *w);

#endif
