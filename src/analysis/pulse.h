/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/pulse: DC resistance from steps of current. Streaming, bounded memory, pure.
 *
 * Formula: R = (V2 - V1) / (I2 - I1), the slope of a straight line through two readings,
 * both with their signs (into the battery positive), so it is positive for a discharge
 * and a charge alike. The readings:
 *  two-current  both under load: 1 is the last one at the first current, 2 one at the
 *               second. IEC 61960: 0.2 It for 10 s, at once 1.0 It for 1 s (currents and
 *               times as quoted on a secondary page; that the ends of both are meant is
 *               from memory). The standard's R is that of the last instant.
 *  on           from no current to a load, as R_d of the pulse tests of DOE/INL-EXT-07-12536
 *               (just before and end of the pulse; from memory).
 *  off          from a load to no current: what recovers.
 *  turned       from one direction to the other.
 * R grows with the time under the second current, since the battery polarises, and a
 * drift of the open voltage is in it; so it is told with its instant: the first reading,
 * those 1 s, 10 s and 30 s after the change, and the last. Where no reading was taken near
 * such an instant, its resistance is not told (mark_s NAN: the next one that was). A DC resistance
 * is not the 1 kHz impedance and never to be compared with it.
 *
 * The moment of the change lies between two readings; instants count from the one
 * before it and are so at most one interval too long.
 *
 * Worked: 2.5 Ah cell, 4.10 V at 0.5 A, 4.00 V at 2.5 A: 50.0 mOhm. */
#ifndef AMPLEDGER_ANALYSIS_PULSE_H
#define AMPLEDGER_ANALYSIS_PULSE_H

#include "analysis/analysis.h"
#include "analysis/relaxation.h"

enum pulse_method { PULSE_TWO_CURRENT, PULSE_ON, PULSE_OFF, PULSE_TURNED };
extern const char *const pulse_method_names[]; /* "two-current", "on", "off", "turned" */

#define PULSE_INSTANTS 5 /* first, 1 s, 10 s, 30 s, last; fewer when they are the same reading */

struct pulse_change {
    enum pulse_method method;
    struct sample before; /* reading 1, voltage at the battery's own terminals */
    double held_s;        /* how long its current had been read by then */
    double charge_Ah;     /* into the battery, from the first sample to reading 1 */
    size_t count;
    struct pulse_instant {
        double after_s;
        double mark_s;         /* 1, 10 or 30, when it was read within a tenth of that; else NAN */
        struct sample at;      /* reading 2, likewise */
        double resistance_ohm; /* NAN: the voltage stood still or moved the other way */
    } instant[PULSE_INSTANTS];
    struct relaxation relaxation; /* of what followed; pairs 0: not fitted */
};

/* A change whose new current was read only once is left out. */
#define PULSE_CHANGES_MAX 96
struct pulse_watch {
    double lead_ohm;
    double same_A;   /* readings of one current differ by less */
    double steady_s; /* both currents must have been read for so long; 0 from the start on */
    double least_A;  /* a smaller change is left out; 0 from the start on */
    double latest_s; /* instants later than this are not told; INFINITY from the start on */
    struct relaxation_trace *trace; /* borrowed; fits what follows each change; NULL: no fit */
    bool begun;
    double charge_Ah;
    struct sample first, last; /* of the present current */
    size_t readings;
    bool first_level; /* the current the record begins with: one reading is enough */
    bool open;        /* `present` is being filled */
    struct pulse_change present;
    struct pulse_instant newest, newest_told;
    size_t next_mark; /* of the instants that are told */
    size_t count, dropped, unsteady;
    size_t unseen; /* changes that no reading tells a resistance of */
    struct pulse_change change[PULSE_CHANGES_MAX];
};

/* `largest_A`: of the currents to come, magnitude; those that differ by less than a
 * twentieth of it are taken for one, less than a fiftieth for none. */
void pulse_watch_start(struct pulse_watch *w, double largest_A, double lead_ohm);
/* In order of time. Unknown voltage or current: passed over. */
void pulse_watch_add(struct pulse_watch *w, const struct sample *s);
/* What flowed until t_s is not known: what comes is not compared with what was. */
void pulse_watch_break(struct pulse_watch *w);
/* After the last sample; then change[0 .. count - 1] stand, in order. */
void pulse_watch_finish(struct pulse_watch *w);

/* The one that stands for the record: the last two-current one, else the last from no
 * current, else NULL. Its last instant counts. */
const struct pulse_change *pulse_chosen(const struct pulse_watch *w);
static inline const struct pulse_instant *pulse_last(const struct pulse_change *c)
{
    return &c->instant[c->count - 1];
}

/* Of a record that somebody else took: later than this after a change the open voltage
 * has moved as well, and what is read is no resistance (common practice, no source). */
#define RESISTANCE_WITHIN_S 90.0
/* At 10 s (9 to 11), what pulse tests tell; NULL: not read. */
const struct pulse_instant *pulse_at_10_s(const struct pulse_change *c);

/* Expanded (k = 2), as two_point() has it: gain errors are those of the differences;
 * offsets are the same in both readings and cancel; each reading brings half a step of
 * resolution (rectangular, GUM 4.3.7). NAN when a gain is not stated. */
double pulse_uncertainty_ohm(const struct pulse_change *c, const struct pulse_instant *i,
                             const struct instrument_accuracy *accuracy);

#endif
