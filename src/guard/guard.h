/* SPDX-License-Identifier: GPL-3.0-or-later
 * guard: judges every sample against limits. Pure: no I/O, no clock, no
 * allocation. Anything but GUARD_FINE means: outputs off, run ended, latched. */
#ifndef AMPLEDGER_GUARD_GUARD_H
#define AMPLEDGER_GUARD_GUARD_H

#include "base/sample.h"
#include "guard/alive.h"
#include "guard/trend.h"

#include <stdbool.h>
#include <stddef.h>

/* X(code, short name for JSON, sentence start for a person, unit of value and limit) */
#define GUARD_REASONS(X)                                                                           \
    X(GUARD_FINE, "fine", "all is well", "")                                                       \
    X(GUARD_VOLTAGE_LOW, "voltage-low", "voltage fell below its limit", "V")                       \
    X(GUARD_VOLTAGE_HIGH, "voltage-high", "voltage rose above its limit", "V")                     \
    X(GUARD_CURRENT_HIGH, "current-high", "current rose above its limit", "A")                     \
    X(GUARD_TEMPERATURE_LOW, "temperature-low", "temperature fell below its limit", "degC")        \
    X(GUARD_TEMPERATURE_HIGH, "temperature-high", "temperature rose above its limit", "degC")      \
    X(GUARD_TEMPERATURE_RATE, "temperature-rate", "temperature rises too fast", "degC/min")        \
    X(GUARD_TEMPERATURE_LOST, "temperature-lost", "the thermometer gives no valid reading", "s")   \
    X(GUARD_READING_LOST, "reading-lost", "no valid reading", "s")                                 \
    X(GUARD_READING_STUCK, "reading-stuck",                                                        \
      "voltage and current repeat to the last digit while charge flows", "Ah")                     \
    X(GUARD_VOLTAGE_STUCK, "voltage-stuck",                                                        \
      "the voltage repeats to the last digit while charge flows", "Ah")                            \
    X(GUARD_CURRENT_STUCK, "current-stuck",                                                        \
      "the current, which always moved before, repeats to the last digit while charge flows",      \
      "Ah")                                                                                        \
    X(GUARD_TEMPERATURE_STUCK, "temperature-stuck",                                                \
      "the temperature, which always moved before, repeats to the last digit", "s")                \
    X(GUARD_VOLTAGE_DISAGREES, "voltage-disagrees",                                                \
      "the meter and the instrument in use read voltages further apart than leads explain: by",    \
      "V")                                                                                         \
    X(GUARD_POLARITY_REVERSED, "polarity-reversed",                                                \
      "voltage is negative: the battery or its sense leads are the wrong way round", "V")          \
    X(GUARD_OPENED_EARLY, "opened-early",                                                          \
      "current and voltage collapsed well above the end of discharge: a lead, a fuse, or the "     \
      "battery's own protection opened; voltage before",                                           \
      "V")                                                                                         \
    X(GUARD_OPENED_CHARGING, "opened-charging",                                                    \
      "the charging current stopped at once, or never began: a lead, a fuse, the battery's own "   \
      "protection or the supply's opened; current before",                                         \
      "A")                                                                                         \
    X(GUARD_REGULATION, "regulation", "the current is not what was set: it is off by", "A")        \
    X(GUARD_CHARGE_CEILING, "charge-ceiling",                                                      \
      "more charge flowed in one step than its ceiling allows", "Ah")                              \
    X(GUARD_ENERGY_CEILING, "energy-ceiling",                                                      \
      "more energy flowed in one step than its ceiling allows", "Wh")                              \
    X(GUARD_STEP_TIME, "step-time", "a step goes on past its longest time", "s")                   \
    X(GUARD_OVERDUE_TIME, "overdue-time",                                                          \
      "a step reached its longest time without ending by itself", "s")                             \
    X(GUARD_OVERDUE_CHARGE, "overdue-charge",                                                      \
      "a step reached its charge ceiling without ending by itself", "Ah")                          \
    X(GUARD_RUN_TIME, "run-time", "the run goes on past its longest time", "s")                    \
    X(GUARD_BOTH_ON, "both-on", "supply and load are on together", "")                             \
    X(GUARD_INSTRUMENT_LOST, "instrument-lost", "an instrument does not answer", "")               \
    X(GUARD_INSTRUMENT_DISOBEYED, "instrument-disobeyed", "an instrument refused a command", "")   \
    X(GUARD_KEEPER_LOST, "keeper-lost",                                                            \
      "the keeper, which would switch off if this program died, gives no sign of life", "")        \
    X(GUARD_CANNOT_RECORD, "cannot-record", "samples cannot be recorded", "")                      \
    X(GUARD_CURRENT_WHILE_OFF, "current-while-off", "current flows although the output is off", "A")

enum guard_reason {
#define X(code, name, sentence, unit) code,
    GUARD_REASONS(X)
#undef X
        GUARD_REASON_COUNT
};

const char *guard_reason_name(enum guard_reason r);
const char *guard_reason_sentence(enum guard_reason r);
const char *guard_reason_unit(enum guard_reason r);

/* NAN: no such limit. Limits are inclusive: a value equal to a limit is fine. */
struct guard_limits {
    double voltage_min_V;
    double voltage_max_V;
    double current_max_A; /* of the magnitude */
    double temperature_min_C;
    double temperature_max_C;
    double temperature_rate_C_per_min; /* rise, over the window of trend.h */
    double regulation_percent; /* of the set point: how far the current may stay away from it; at
                                  least GUARD_REGULATION_LEAST_A is always allowed */
    double charge_max_Ah;      /* of one step, magnitude, counted by the guard itself */
    double energy_max_Wh;
    double step_time_max_s;
    double run_time_max_s;
    double stuck_Ah;           /* charge that may flow while V and A repeat to the last digit */
    double voltage_stuck_Ah;   /* the same while V alone repeats */
    double disagreement_V;     /* between two voltages, by both instruments' accuracy; leads come
                                  on top of it */
    double off_current_A;      /* more than this is current, though the output is off */
    double trust_s;            /* oldest valid reading that is still trusted; > 0 */
    bool temperature_required; /* a stand without valid temperature trips after trust_s */
};

/* A load hunts, and takes a moment after it was switched: only a deviation that
 * lasts longer than this is one (common practice, no source for the numbers). */
#define GUARD_SETTLE_S 5.0
#define GUARD_REGULATION_LEAST_A 0.05
/* A meter resolves only so finely: on the flat part of a discharge a coarse one
 * repeats itself honestly. So a repetition counts by the charge that flows
 * meanwhile (limits.stuck_Ah, and voltage_stuck_Ah where the current moves, both
 * made from the meter's resolution by the plan), and only after so many samples.
 * A supply that holds a voltage repeats it honestly: voltage alone is judged in a
 * discharge only. A load that regulates to the last digit repeats its current
 * honestly, and a thermometer in a quiet room its temperature: these say nothing
 * by themselves. */
#define GUARD_STUCK_SAMPLES 60
/* Where alive.h has learned that a reading is lively it is held stuck much sooner:
 * when it repeats ten times as often as it ever did, and at least 120 times, if
 * that is the thermometer or voltage and current together; one of these two
 * alone is given more time, for a load may have stopped hunting. What was learned
 * holds until the output is switched or its set point changes, which may change
 * the noise; of a thermometer until the output goes off. */
#define GUARD_LIVELY_SAMPLES 120
#define GUARD_LIVELY_TIMES 10
#define GUARD_ALONE_SAMPLES 300
#define GUARD_ALONE_TIMES 30
/* The instrument in use reads the battery less the drop of its leads: with clamps
 * and a fuse 10 to 50 mOhm (common practice, no source); twice that is a bad
 * contact. Once things have settled the drop that was seen is what is expected,
 * give or take half of it and 10 mOhm, as contacts warm up. */
#define GUARD_LEAD_MOST_OHM 0.1
#define GUARD_LEAD_DRIFT 0.5
#define GUARD_LEAD_DRIFT_OHM 0.010
/* A charging current that tapers falls slowly; one that stops from one sample to the
 * next, or within GUARD_STOP_S, from at least GUARD_STOP_TIMES of what counts as none
 * (off_current_A, but at most a tenth of what is set) was cut off, unless what is set
 * has just changed. And with a battery that was below the voltage to be held by more than
 * GUARD_OPEN_SHARE some current must flow within GUARD_BEGIN_S. Either is judged once it
 * has lasted for GUARD_SETTLE_S (common practice, no source for the numbers). */
#define GUARD_STOP_S 3.0
#define GUARD_STOP_TIMES 5
#define GUARD_OPEN_SHARE 0.01
#define GUARD_BEGIN_S 10.0
/* Noise around zero with open leads is not a reversed battery. */
#define GUARD_REVERSED_V (-0.5)

struct guard_limits guard_limits_none(void); /* all NAN, trust 3 s, temperature not required */

struct guard_verdict {
    enum guard_reason reason;
    double value; /* what was seen */
    double limit; /* what it was held against */
};

enum guard_output { OUTPUT_UNKNOWN, OUTPUT_READ_OFF, OUTPUT_READ_ON };

/* What the guard must know besides the sample. */
struct guard_moment {
    double now_s;
    double temperature_age_s; /* how old the sample's temperature was when it was taken */
    double lead_ohm;          /* corrects the voltage to the battery's terminals */
    bool output_wanted;       /* an output is on, or will go on if the verdict is fine */
    bool output_on;           /* it was ordered on and is not confirmed off */
    double set_A;             /* set point, signed; NAN: none to hold the current against */
    bool set_is_most;         /* less than set_A may flow: a supply may hold its voltage, a load
                                 may hold power or resistance */
    double hold_V;            /* what a supply holds at most; NAN: none charges */
    double switched_s;        /* when the output was last switched */
    double changed_s;         /* the same, or when its set point changed: deviations are not given
                                 more time for that, or short pulses would never be judged */
    double cutoff_V;          /* where the present discharge ends; NAN none */
    bool has_other;           /* the sample's voltage is a meter's, and beside it */
    double other_V;           /* the instrument in use says this */
    enum guard_output load, supply; /* as read back; one on while the other is on or wanted
                                       (set_A < 0 wants the load) trips */
};

/* What the guard remembers between samples. Begin with guard_start(). */
struct guard_memory {
    double start_s, step_start_s;
    double reading_s;           /* when V and A were last valid */
    double temperature_s;       /* when degC was last valid */
    bool temperature_is_newest; /* the last sample had one */
    struct guard_trend trend;
    bool has_last;
    struct sample last; /* the last with valid V and A */
    double step_Ah, step_Wh;
    struct guard_alive voltage, current, temperature;
    double voltage_Ah, current_Ah; /* flowed since it last changed */
    double changed_s;              /* as of the last sample */
    bool was_on;
    double away_since_s; /* since when the current is away; NAN: it is not */
    double leak_since_s;
    double apart_since_s;
    double apart_V, apart_limit_V;
    double seen_lead_ohm; /* between meter and instrument in use; NAN: not settled */
    double open_V;        /* at the battery, last seen with the output off */
    double flow_s;    /* when much charging current was last seen since switching on; NAN never */
    double flow_A;    /* how much */
    bool flowed;      /* any at all since switching on */
    double stopped_s; /* since when it has stopped at once, or not begun; NAN: it has not */
    double loaded_V;  /* at the battery, last seen under load since switching on; NAN none */
    bool opened;      /* a protection opened near the bottom: no voltage is no wonder at rest */
};
void guard_start(struct guard_memory *m, double now_s);
/* A step begins: the ceilings of one step count anew. */
void guard_step_begun(struct guard_memory *m, double now_s);

/* Judge one sample (ages count from s->t_s), or pass s = NULL when a reading was due and
 * none came: then all but its values is judged. What is most dangerous
 * comes first: heat, current, polarity, voltage; ages last. */
struct guard_verdict guard_check(const struct guard_limits *limits, struct guard_memory *m,
                                 const struct guard_moment *at, const struct sample *s);

/* Why it tripped, for a person: "temperature rose above its limit: 46 degC, limit 45 degC";
 * what lasted too long is no reading: "no valid reading for 3.0 s (limit 3 s)". */
void guard_verdict_sentence(const struct guard_verdict *v, char *out, size_t size);

enum guard_opening {
    OPENING_NONE,
    OPENING_AT_BOTTOM, /* a normal end of discharge: the battery protects itself */
    OPENING_EARLY,     /* well above the bottom: a fault */
};
/* Did the circuit open between a moment under load (loaded_V at the battery, NAN
 * none) and this sample? Current and voltage must both have collapsed: to less
 * than 10 % of the set point and less than half the voltage. */
enum guard_opening guard_opening(const struct sample *s, double lead_ohm, double loaded_V,
                                 double set_A, double cutoff_V);
/* A charging current below this is none; off_current_A may be NAN. */
double guard_no_charge_A(double off_current_A, double set_A);
/* Is the sample one under load, at least half the set point flowing? */
bool guard_is_loaded(const struct sample *s, double set_A);

#endif
