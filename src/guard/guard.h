/* SPDX-License-Identifier: GPL-3.0-or-later
 * guard: judges every sample against limits. Pure: no I/O, no clock, no
 * allocation. Anything but GUARD_FINE means: outputs off, run ended, latched. */
#ifndef AMPLEDGER_GUARD_GUARD_H
#define AMPLEDGER_GUARD_GUARD_H

#include "base/sample.h"

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
    X(GUARD_TEMPERATURE_LOST, "temperature-lost", "the thermometer gives no valid reading", "s")   \
    X(GUARD_READING_LOST, "reading-lost", "no valid reading within the trust time", "s")           \
    X(GUARD_INSTRUMENT_LOST, "instrument-lost", "an instrument does not answer", "")               \
    X(GUARD_INSTRUMENT_DISOBEYED, "instrument-disobeyed", "an instrument refused a command", "")   \
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
    double trust_s;            /* oldest valid reading that is still trusted; > 0 */
    bool temperature_required; /* a stand without valid temperature trips after trust_s */
};

struct guard_limits guard_limits_none(void); /* all NAN, trust 3 s, temperature not required */

/* The strictest of both, limit by limit. */
struct guard_limits guard_limits_merge(struct guard_limits a, struct guard_limits b);

struct guard_verdict {
    enum guard_reason reason;
    double value; /* what was seen */
    double limit; /* what it was held against */
};

/* What the guard remembers between samples. Zero-initialise with guard_start(). */
struct guard_memory {
    double reading_s;     /* when V and A were last valid */
    double temperature_s; /* when degC was last valid */
};
void guard_start(struct guard_memory *m, double now_s);

/* Judge one sample taken just now (s->t_s == now), or pass s = NULL when a
 * reading was due and none came: then only ages are judged. lead_ohm corrects
 * the voltage to the battery's terminals. Out-of-range values are judged before
 * ages, temperature before voltage (heat is the most dangerous). */
struct guard_verdict guard_check(const struct guard_limits *limits, struct guard_memory *m,
                                 const struct sample *s, double lead_ohm, double now_s);

#endif
