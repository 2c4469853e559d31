/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/plot: pictures as SVG. A long record is drawn by the least and the greatest value of
 * each of PLOT_BUCKETS stretches of time, in the order they came, so that a spike of one
 * sample is there, and the picture does not grow with the record. Two points for each quantity
 * and stretch; analysis/decimate keeps whole samples, eight of each stretch, of which a curve
 * of one quantity has no need. Pure. */
#ifndef AMPLEDGER_REPORT_PLOT_H
#define AMPLEDGER_REPORT_PLOT_H

#include "base/sample.h"
#include "report/page.h"

#define PLOT_BUCKETS 560

struct plot_line {
    struct plot_bucket {
        double low, high, low_s, high_s;
        bool any;
    } bucket[PLOT_BUCKETS];
    double min, max; /* NAN: nothing known */
};

struct plot_record {
    double from_s, to_s, lead_ohm;
    struct plot_line voltage, current, temperature;
    size_t samples;
};

/* The voltage drawn is that at the battery's terminals. */
void plot_record_start(struct plot_record *r, double from_s, double to_s, double lead_ohm);
void plot_record_add(struct plot_record *r, const struct sample *s);

struct plot_marks {
    double cutoff_V; /* a line across; NAN none */
    double trip_s;   /* a line down; NAN none */
};
/* Voltage, current and (where there is one) temperature below each other over hours. */
void plot_record_draw(const struct plot_record *r, const struct plot_marks *m, struct page *p);

/* Points with their uncertainty over an axis, and a law through them. */
struct plot_points {
    const double *x, *y, *u; /* n; u NULL or NAN: no bar */
    size_t n;
    const char *x_name, *y_name;
    bool whole;                              /* x counts: no ticks between whole numbers */
    double limit;                            /* a line across; NAN none */
    const char *limit_name;                  /* any text, written at it; NULL none */
    double (*law)(const void *of, double x); /* NULL none */
    const void *of;
    double law_to; /* how far it is drawn */
};
void plot_points_draw(const struct plot_points *d, struct page *p);

#endif
