/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis: what a record of samples says about a battery: charge, energy,
 * times, temperatures, uncertainty. Pure: numbers in, numbers out; no I/O, no
 * clock, no globals, no allocation.
 *
 * Formulas and where they come from
 *  charge    Q = integral of I dt, trapezoid rule over the measured current:
 *            Q += (I0 + I1)/2 * (t1 - t0). Error -(b - a) h^2 f''/12 (any textbook of
 *            numerical analysis). Never set point times time.
 *  energy    E = integral of V*I dt, trapezoid over the products, not the product
 *            of means (which is 5 % wrong for a current that rises while the
 *            voltage falls by a quarter).
 *  voltage   V at the battery's own terminals: V_read - I * R_lead (Ohm's law, base/sample.h).
 *  crossing  the cut-off is met at t0 + f (t1 - t0), f = (V0 - Vc)/(V0 - V1); the
 *            current there is I0 + f (I1 - I0); the last piece is integrated to there.
 *  units     1 Ah = 3600 A s, 1 Wh = 3600 J.
 * Sums are compensated (Neumaier 1974), so millions of rows lose nothing.
 *
 * Rows are counted from 1 in notes and errors, the first sample being row 1.
 * Current into the battery is positive; unknown is NaN. */
#ifndef AMPLEDGER_ANALYSIS_ANALYSIS_H
#define AMPLEDGER_ANALYSIS_ANALYSIS_H

#include "analysis/tally.h"
#include "analysis/voltage_table.h"
#include "base/err.h"
#include "base/sample.h"

#include <stddef.h>

enum end_rule {
    END_CROSSING,    /* to the interpolated moment the cut-off is met under load */
    END_FIRST_BELOW, /* to the first row below the cut-off, that row included */
    END_WHOLE        /* every row; the cut-off is not judged */
};
/* NULL-terminated, in the order of enum end_rule: "crossing", "first-below", "whole". */
extern const char *const end_rule_names[];

enum end_reason {
    END_REASON_CROSSED,     /* "cut-off crossed" */
    END_REASON_NOT_REACHED, /* "cut-off not reached": the capacity is a lower bound */
    END_REASON_RECORD,      /* "end of record": every row was taken */
    END_REASON_PROTECTION   /* "protection opened": near the cut-off the current
                               stopped and the voltage collapsed */
};
const char *end_reason_text(enum end_reason reason);

enum record_kind { RECORD_DISCHARGE, RECORD_CHARGE };
const char *record_kind_name(enum record_kind kind); /* "discharge", "charge" */

/* Limits of error of one quantity, as an instrument's data sheet states them
 * (half-widths of a rectangular distribution). NaN: not stated. */
struct accuracy {
    double gain;       /* share of the reading: 0.001 is 0.1 % */
    double offset;     /* absolute, V or A */
    double resolution; /* one step of the reading, V or A */
};
struct instrument_accuracy {
    struct accuracy voltage, current;
    double time_gain; /* error of the time base: 50e-6 is 50 ppm */
};

/* Of a lead resistance that is given without an accuracy: contacts and the temperature of
 * the copper (assumed, no source). */
#define LEAD_ERROR_SHARE 0.1

struct discharge_options {
    double cutoff_V; /* of the whole battery, at its own terminals; NAN: none */
    enum end_rule rule;
    double lead_ohm;            /* out and back, between battery and voltage reading; 0 for none */
    double lead_error_ohm;      /* limit of error of that; NAN: LEAD_ERROR_SHARE of it */
    double rated_Ah;            /* NAN: not stated */
    double gap_s;               /* a longer interval is a gap; NAN: see record_survey_settle */
    bool net_of_rest;           /* take the mean current read at rest off: a zero error */
    bool step_of_run;           /* its beginning is known: no remarks on rows before the load */
    double current_threshold_A; /* at or below this |I| the battery rests; NAN: as above */
    struct instrument_accuracy accuracy;
    struct voltages_asked voltages; /* for the table beside the round ones */
};
/* No cut-off, END_CROSSING, no leads, everything else unknown (NAN). */
struct discharge_options discharge_options_default(void);

#define ANALYSIS_NOTE_SIZE 288
#define ANALYSIS_NOTES_MAX 24
struct analysis_notes {
    char text[ANALYSIS_NOTES_MAX][ANALYSIS_NOTE_SIZE];
    size_t count;
    size_t dropped; /* did not fit */
};

#define COVERAGE_FACTOR 2.0 /* k: about 95 % for a normal distribution (GUM 6.3) */

struct uncertainty_component {
    const char *name;   /* stable word for scripts: "current gain", ... */
    double standard_Ah; /* one standard uncertainty of the charge */
    bool averages;      /* differs from one record to the next, so the mean of several has less */
    char how[112];      /* how it was found, in words */
};
#define UNCERTAINTY_COMPONENTS_MAX 16
/* Components are taken as independent of each other: u^2 is the sum of their
 * squares (GUM 5.1.2). Within one component correlation is kept: a gain error
 * is the same for every sample and does not shrink with their number. */
struct uncertainty_budget {
    struct uncertainty_component component[UNCERTAINTY_COMPONENTS_MAX];
    size_t count;
    double standard_Ah; /* combined, u */
    double expanded_Ah; /* U = k u */
    double energy_standard_Wh;
    bool accuracy_known; /* false: only what the data tell is in it */
};

/* One more influence, which the samples alone do not show: standard uncertainty
 * of the charge, and in words how it was found. */
void uncertainty_add(struct uncertainty_budget *b, const char *name, double standard_Ah,
                     const char *how);

/* See voltage_table.h. Remaining: to the end of the discharge, which is at least so much
 * when the cut-off was not reached. */
struct voltage_row {
    double voltage_V;
    double after_s; /* since counting began */
    double delivered_Ah, remaining_Ah;
    double delivered_Wh, remaining_Wh;
};

struct capacity_result {
    enum record_kind kind;
    enum end_reason end_reason;
    double rest_A;          /* mean current read where none flows; NAN: no rest in it */
    bool net_of_rest;       /* it was taken off */
    double capacity_Ah;     /* delivered by a discharge, taken in by a charge: positive */
    double energy_Wh;       /* likewise */
    double duration_s;      /* from the first row counted to the end */
    double loaded_s;        /* of that, under current; an interval in which it was
                               switched counts half */
    double mean_voltage_V;  /* energy / charge */
    double mean_current_A;  /* charge / loaded_s; negative for a discharge */
    double current_varies;  /* root mean square of its departure from that, a share of it */
    double start_voltage_V; /* first row counted */
    double end_voltage_V;
    double end_current_A;
    double peak_voltage_V; /* of the whole record */
    double end_s;          /* on the record's own time axis */
    double temperature_start_C, temperature_min_C, temperature_mean_C, temperature_max_C;
    double temperature_end_C;   /* the last one read */
    double percent_of_rated;    /* NAN without a rating, and for a charge */
    bool lower_bound;           /* the battery could have delivered more than was recorded */
    size_t samples;             /* rows in the record */
    size_t samples_counted;     /* rows between start and end */
    size_t first_row, last_row; /* the last is the row at the end, or just after it */
    size_t gaps;                /* intervals longer than gap_s among them; bridged by a line */
    double gap_s;               /* their total length */
    size_t repeated;            /* rows with the time stamp of the row before */
    size_t unknown;             /* rows without voltage or current, left out */
    size_t late;                /* rows that stood behind a later one, put in order */
    size_t warm;                /* rows with a temperature */
    bool faulty;                /* the record shows a test that failed: a note says why */
    bool from_full;             /* a charge came first: counting began where it was fullest */
    double start_charge_Ah;     /* into the battery, from the first row of the record to there */
    size_t voltage_count;       /* rows of the table; 0 for a charge */
    struct voltage_row voltage[VOLTAGE_ROWS_MAX];
    struct uncertainty_budget uncertainty;
    struct analysis_notes notes;
};

/* First look at a record: what "rest" and "gap" mean in it. Feed every sample. */
struct record_survey {
    size_t rows;
    double last_t_s;
    double peak_A; /* largest |I| */
    size_t intervals;
    size_t bins[320];      /* of interval lengths, 8 to an octave from 2^-20 s */
    struct late_rows late; /* set by who reads the log; give it to the accumulator's signs */
};
void record_survey_start(struct record_survey *v);
void record_survey_add(struct record_survey *v, const struct sample *s);
/* Fill what is NAN in *o: current_threshold_A with 2 % of the largest |I|,
 * gap_s with the largest of 30 s, ten times the median interval, and twice the
 * interval that 95 % of the rows keep within. */
void record_survey_settle(const struct record_survey *v, struct discharge_options *o);

/* How the voltage met the cut-off; NAN when it did not. */
struct end_shape {
    double interval_s;    /* between the rows around the crossing */
    double slope_V_per_s; /* over as many rows before it as noise makes necessary */
    double bend;          /* by how much of it the slope changed in one interval; 0 straight */
    double noise_V;       /* of one reading there */
};
#define RECENT_ROWS 32

/* Follows a discharge that met the cut-off and is above it again under the same load:
 * when as much charge again comes before it meets the cut-off once more or is charged, the
 * first meeting was a dip (of a lead-acid battery in its first minutes, coup de fouet:
 * J. Power Technologies 101(2) (2021) 112; or of a contact) and no end. */
struct dip_watch {
    bool open;                     /* above the cut-off again */
    bool over;                     /* decided: it was the end */
    double lowest_V;               /* since the cut-off was met */
    struct voltage_table voltages; /* met since it is above again */
};

/* Streaming form: bounded memory, one sample at a time, caller's storage. A NAN
 * threshold means 0 (any current is load), a NAN gap_s 30 s: for the defaults of
 * a finished record use record_survey first.
 *
 * The cut-off is judged only under discharge current, since a voltage at rest or
 * before load-on ends nothing. An early dip through it ends nothing either (dip_watch). If the
 * record holds a charge before the discharge (more than 5 % of it), counting starts where the
 * battery was fullest, and a note says so. Without a crossing, counting ends at the last row under
 * discharge, so that hours of rest do not add the meter's zero error. */
struct charge_accumulator {
    struct discharge_options options;
    struct tally first;                    /* empty, at the first row */
    struct tally now;                      /* over all rows */
    struct tally full;                     /* at the highest charge so far */
    struct tally loaded, full_when_loaded; /* at the last row under discharge */
    struct tally end, full_at_end;         /* where the discharge ended */
    bool ended;
    enum end_reason reason;
    struct end_shape shape; /* around the end */
    struct voltage_table voltages;
    struct dip_watch dip;
    struct point recent[RECENT_ROWS]; /* the last rows under discharge, a ring */
    size_t recent_count;              /* ever put in */
    struct record_signs signs;        /* what notes are made of */
};
void accumulator_start(struct charge_accumulator *a, const struct discharge_options *o);
/* Time must not go back and must be known; NaN current or voltage leaves the row out. */
bool accumulator_add(struct charge_accumulator *a, const struct sample *s, struct err *e) NODISCARD;
/* The recording was interrupted and went on at t_s: nothing is counted between
 * the last sample and that moment, since nobody knows what flowed. */
void accumulator_skip_to(struct charge_accumulator *a, double t_s);
/* The result so far; may be called again after more samples. */
bool accumulator_finish(const struct charge_accumulator *a, struct capacity_result *out,
                        struct err *e) NODISCARD;

#endif
