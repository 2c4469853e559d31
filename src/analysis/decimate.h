/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/decimate: a long record as a short one to draw, which keeps every
 * extreme: a spike of one sample stays, at its own time. Pure. */
#ifndef AMPLEDGER_ANALYSIS_DECIMATE_H
#define AMPLEDGER_ANALYSIS_DECIMATE_H

#include "base/sample.h"

#include <stddef.h>

/* A sample as it was recorded, and the charge since the first one given, into the
 * battery positive. */
struct decimated {
    struct sample sample;
    int step;
    double charge_Ah;
    size_t index; /* its place among all that were given */
};

/* Of each bucket at most these are kept: the first, the last, and those with the
 * least and the greatest voltage, current and temperature. */
#define DECIMATE_PICKS 8

struct decimator {
    /* given by the caller */
    double from_s, to_s;   /* the times that the buckets divide */
    size_t buckets;        /* 0: every sample is kept */
    struct decimated *out; /* borrowed; room for `room` */
    size_t room;           /* buckets * DECIMATE_PICKS is enough */
    /* filled */
    size_t n;    /* of out */
    size_t seen; /* samples given */
    /* its own */
    size_t bucket, picked;
    struct decimated pick[DECIMATE_PICKS], last;
};

/* Samples in the order of their times. */
void decimate_put(struct decimator *d, int step, const struct sample *s);
/* After the last one. */
void decimate_end(struct decimator *d);

#endif
