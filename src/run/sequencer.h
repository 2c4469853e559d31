/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/sequencer: which step comes next and what is set in it, decided from
 * samples alone. Pure: no I/O, no clock, no allocation; time is an argument. It
 * never overrules the guard: the run loop asks the guard first and does not come
 * here after a trip. */
#ifndef AMPLEDGER_RUN_SEQUENCER_H
#define AMPLEDGER_RUN_SEQUENCER_H

#include "base/sample.h"
#include "profile/plan.h"
#include "run/course.h"

/* X(code, text as stored with the step) */
#define STEP_ENDS(X)                                                                               \
    X(STEP_GOES_ON, "")                                                                            \
    X(STEP_END_CUTOFF, "cut-off reached")          /* voltage under load fell below it */          \
    X(STEP_END_CHARGE, "charge limit reached")     /* the charge ceiling */                        \
    X(STEP_END_TIME, "time limit reached")         /* the time ceiling */                          \
    X(STEP_END_DURATION, "duration over")          /* of a rest */                                 \
    X(STEP_END_PROTECTION, "protection opened")    /* the battery's own, near the bottom */        \
    X(STEP_END_TAPER, "current tapered")           /* at held voltage */                           \
    X(STEP_END_VOLTAGE, "charge voltage reached")  /* while charging */                            \
    X(STEP_END_DROP, "voltage past its peak")      /* it fell: -deltaV */                          \
    X(STEP_END_WARMING, "warming reached")         /* dT/dt */                                     \
    X(STEP_END_SETTLED, "voltage settled")         /* at rest */                                   \
    X(STEP_END_UNSETTLED, "not settled in time")   /* a rest that was to settle: its longest */    \
    X(STEP_END_SEGMENTS, "pulses done")            /* the last segment is over */                  \
    X(STEP_END_CONFIRMED, "confirmed by a person") /* a hold */                                    \
    X(STEP_END_UNCONFIRMED, "not confirmed in time")                                               \
    X(STEP_END_LEFT_OUT, "left out, voltage is there already")

enum step_end {
#define X(code, text) code,
    STEP_ENDS(X)
#undef X
        STEP_END_COUNT
};
/* "cut-off reached", ... as stored with the step. */
const char *step_end_text(enum step_end e);
/* False when no end has this text. */
bool step_end_parse(const char *text, enum step_end *out);

/* How the ends are found (numbers: common practice, no source, where none is named):
 *
 * A charge at held voltage ends by its current only while the voltage source shows at
 * least TAPER_VOLTAGE_SHARE of the voltage that is set, and after that has been so,
 * with the current below until_A, for TAPER_HOLD_S and TAPER_SAMPLES samples in a row:
 * the ramp of a supply that was just switched on does not end it, nor a circuit that
 * was open from the first (one that opens later: guard.h, GUARD_STOP_S).
 * until_V while charging counts after UNTIL_V_SAMPLES in a row with current.
 * -deltaV: the smoothed voltage (course.h) at the battery, under at least half the set
 * current, against its own highest since hold_off_s.
 * dT/dt: slope of the temperature over WARMING_WINDOW_S, or three samples if that is
 * longer, as of hold_off_s.
 * Settled: slope of the voltage over SETTLED_WINDOW_S, or three samples if that is
 * longer, within the present step; so no rest settles before that. At a reading a
 * second with 1 mV of noise the slope is known to 0.85 mV/h (one standard deviation). */
#define TAPER_VOLTAGE_SHARE 0.99
#define TAPER_HOLD_S 10.0
#define TAPER_SAMPLES 3
#define UNTIL_V_SAMPLES 2
#define WARMING_WINDOW_S 120.0
#define SETTLED_WINDOW_S 600.0

/* A held voltage follows the (smoothed) temperature of the battery when it is away
 * from what is set by this share, and not more often than that. It never goes higher
 * than the step's voltage limit less CHARGE_V_OVER, unless the plan itself asks for it. */
#define COMPENSATION_SHARE 0.001
#define COMPENSATION_EVERY_S 60.0
/* More than so much above what is set is an overshoot, while charging. */
#define CHARGE_V_OVER 0.01

/* Without a sample_s of its own a segment is read as fast as the link allows for so
 * long after its edge, then as the step says. */
#define EDGE_S 2.0

#define GROUPS_DEEP 4 /* groups of a group; the plan allows no more */

/* A group of steps that is gone through. */
struct sequencer_group {
    size_t repeat;     /* index of its STEP_REPEAT */
    unsigned round;    /* 1, 2, ... */
    double present_Ah; /* of repeat.of_step in this round; NAN: it has not ended yet */
    double before_Ah;  /* in the round before; NAN none */
    bool cutoff;       /* a discharge in this round ended at its cut-off */
};

enum direction { DIRECTION_NONE, DIRECTION_LOAD, DIRECTION_SUPPLY };

/* What an instrument is to be set to. */
struct set_point {
    enum direction direction;
    enum drive drive;
    double current_A; /* signed; at constant power or resistance the largest expected */
    double power_W;   /* NAN unless that is the drive; likewise */
    double resistance_ohm;
    double voltage_V; /* what the supply holds at most; NAN for a load */
};

struct sequencer {
    const struct plan_step *steps; /* borrowed */
    size_t count;
    size_t step;       /* index of the present one; == count when all are done */
    size_t occurrence; /* steps begun before it, rounds counted one by one */
    size_t group_count;
    struct sequencer_group group[GROUPS_DEEP]; /* those the present step is in, outermost first */
    double lead_ohm;

    /* of the present step */
    double step_start_s;
    double discharged_Ah; /* trapezoid over measured current */
    double charged_Ah;
    bool has_last;
    struct sample last;
    double loaded_V; /* at the battery, last seen under load in this step; NAN none */
    double open_V;   /* at the battery, just before the output went on; NAN */
    double held_V;   /* what the supply is to hold now; NAN */
    double held_s;   /* since when */
    size_t segment;
    double segment_start_s;
    bool flowed;          /* charging current was seen in this step */
    double taper_since_s; /* NAN: it is not below */
    size_t taper_samples, until_V_samples;
    struct smooth voltage, temperature;
    double peak_V; /* of the smoothed voltage; NAN none yet */
    struct slope slope;
};

enum sequencer_wish {
    WISH_NOTHING,    /* go on as it is */
    WISH_CHANGE,     /* another set point, the output staying on */
    WISH_BEGIN_STEP, /* end the present step, set up steps[step] */
    WISH_FINISH,     /* end the present step; no step is left */
};

struct sequencer_decision {
    enum sequencer_wish wish;
    enum step_end ended; /* why the previous step ended; STEP_GOES_ON otherwise */
};

/* Put the sequencer before its first step; the first step is to be set up now. */
void sequencer_start(struct sequencer *q, const struct plan *plan, double lead_ohm, double now_s);

/* The present step's output is as wanted from this moment on. */
void sequencer_step_begun(struct sequencer *q, double now_s);

/* Is the present step not needed, with what the battery shows before it? */
bool sequencer_is_needless(const struct sequencer *q, const struct sample *s);

/* The sample taken just before the output went on: the integral begins with it,
 * nothing is judged by it. */
void sequencer_open(struct sequencer *q, const struct sample *s);

/* The set point was programmed and the output is on, from this moment. */
void sequencer_changed(struct sequencer *q, double now_s);

/* Judge one valid sample. After WISH_BEGIN_STEP q->step is the new step. */
struct sequencer_decision sequencer_take(struct sequencer *q, const struct sample *s);

/* End the present step for a reason that is in no sample: confirmed, left out. */
struct sequencer_decision sequencer_end(struct sequencer *q, enum step_end why);

/* Is the output wanted on in the present step? A pulse of no current is still on. */
bool sequencer_wants_output(const struct sequencer *q);
enum direction sequencer_direction(const struct sequencer *q);
struct set_point sequencer_set_point(const struct sequencer *q);

/* How long from now until the sample after this one: 0 as fast as the link allows.
 * A segment's end is never passed over: *end_s is when the present segment ends, or
 * INFINITY. */
double sequencer_sample_s(const struct sequencer *q, double now_s, double *end_s);

/* The round of the innermost group the present step is in, and how many there are
 * at most; 1 of 1 outside. */
void sequencer_round(const struct sequencer *q, unsigned *round, unsigned *rounds);

/* Has max_s or max_Ah ended a step that was to end before? */
bool step_is_overdue(const struct plan_step *step, enum step_end ended);

/* run/step_end.c, inside the room: does this sample end the present step? Counts
 * and filters go on with it. */
enum step_end step_end_of(struct sequencer *q, const struct sample *s);

#endif
