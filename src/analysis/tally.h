/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/tally: running sums along a record by the trapezoid rule, and the
 * signs of trouble seen on the way. Small values that can be copied: a copy is
 * the state at that row. Used through analysis.h. */
#ifndef AMPLEDGER_ANALYSIS_TALLY_H
#define AMPLEDGER_ANALYSIS_TALLY_H

#include <stdbool.h>
#include <stddef.h>

/* Compensated sum: A. Neumaier, ZAMM 54 (1974) 39-51. */
struct exact_sum {
    double sum, rest;
};
void exact_add(struct exact_sum *s, double x);
double exact_value(const struct exact_sum *s);

/* A sample as the sums see it: voltage at the battery's own terminals. */
struct point {
    size_t row; /* from 1 */
    double t_s, voltage_V, current_A, temperature_C;
};

/* Mean over time, trapezoid between the rows that have a temperature. */
struct temperature_tally {
    double start_C, min_C, max_C; /* NAN before the first reading */
    double last_C, last_t_s;
    double weighted_Cs, weight_s;
};
double temperature_mean_C(const struct temperature_tally *t);

struct tally_rules {
    double threshold_A; /* at or below this |I| the battery rests */
    double gap_s;
};

struct tally {
    struct point at;                      /* the sums reach to here */
    struct exact_sum charge_As, energy_J; /* signed, into the battery positive */
    double in_As, out_As;                 /* by direction, both positive */
    double loaded_s;
    size_t gaps;
    double gap_s, gap_As; /* total length; charge put there by the bridging line, absolute */
    /* Sums of (dI dt / 2)^2 and (d(V I) dt / 2)^2 over intervals in which load was switched. */
    double switch_As2, switch_J2;
    double weight_s2;  /* sum of dt^2: how the noise of single readings adds up */
    double voltage_Vs; /* integral of V dt */
    double square_A2s; /* integral of I^2 dt */
    double halving_As; /* trapezoid over all rows minus over every second one */
    bool pair_open;    /* halving: one interval of a pair is in pair_As */
    double pair_As;
    struct point pair; /* where it begins */
    /* Under steady load: how far every second reading lies off the line between its
     * neighbours, squared, and the path of the current up and down. */
    double off_line_A2;
    size_t off_lines;
    double path_A;
    struct temperature_tally temperature, temperature_since_full;
};

/* -1 discharging, 0 at rest, 1 charging. */
int current_direction(double current_A, double threshold_A);

/* Standard deviation of one reading of current by its neighbours, under steady load between
 * two states of one tally: noise, and what the load hunts by. A straight drift is not in
 * it. 0 when too little was read to tell. */
double tally_noise_A(const struct tally *from, const struct tally *to);

void tally_begin(struct tally *t, const struct point *first);
/* Add the interval from where the tally stands to p. */
void tally_extend(struct tally *t, const struct point *p, const struct tally_rules *rules);

/* Rows that share a property. */
struct row_span {
    size_t first, last, count;
};
void row_span_add(struct row_span *s, size_t row);

/* A change of current between two rows; row is the later one, 0 for never. */
struct edge {
    size_t row;
    double interval_s, current_A;
};

struct rest_tally {
    struct row_span rows;
    bool tail;            /* the load faded into it: what flows still is current, not zero error */
    double sum_A, sum_A2; /* of rows whose predecessor rests too */
    size_t summed;
};

/* Rows of the log that stood behind one of a later time and were put in order. */
struct late_rows {
    size_t rows, first_line; /* line of the file */
    double from_s, to_s;     /* there, time went back */
};

/* What is noticed row by row and turned into notes at the end. */
struct record_signs {
    size_t rows;             /* seen so far, unknown ones included */
    double first_interval_s; /* first non-zero one; NAN before */
    struct row_span repeated, unknown, gaps;
    double longest_gap_s;
    struct late_rows late;           /* told by who read the log */
    struct row_span warm;            /* rows with a temperature */
    struct row_span still;           /* current stepped, voltage read the same */
    double still_from_A, still_to_A; /* the first of them */
    struct row_span backwards;       /* against the first charge, before it began */
    double backwards_A;              /* largest of those, magnitude */
    struct row_span charging, discharging;
    struct edge discharge_on;        /* since the battery was fullest */
    struct edge charge_on;           /* first in the record */
    struct edge discharge_off;       /* after the last row under discharge */
    struct rest_tally before, after; /* before any load, after the last load */
    double highest_V;                /* NAN before any */
    struct row_span jumps;           /* absurd voltage */
    double jump_from_V, jump_to_V;   /* the first of them */
    size_t below_at_start_row;       /* first row under load was below the cut-off */
    double below_at_start_V;
    size_t collapse_row; /* voltage and current gone, far above the cut-off */
    double collapse_from_V, collapse_to_V;
    struct row_span dips;        /* first row of each dip through the cut-off that was no end */
    double dip_lowest_V, dip_Ah; /* of the first: how low, what had been delivered */
    size_t above_after_end_row;  /* under load above the cut-off after the end */
    double lowest_loaded_V;      /* NAN before any */
    size_t lowest_loaded_row;
    double charging_first_V, charging_last_V;
    bool charging_above, charging_fell_below; /* cut-off crossed downwards while "charging" */
};

#endif
