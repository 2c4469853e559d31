/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/resume: the run that was cut off at a stand, if it may go on. */
#ifndef AMPLEDGER_RUN_RESUME_H
#define AMPLEDGER_RUN_RESUME_H

#include "run/stand.h"

/* The newest run of this stand as a job to take up again, or NULL: it was not
 * interrupted, its profile says stop, its slip does not allow it, the gap is too long, the wall
 * clock went back, or the bench file changed; the log says which. Owned. */
struct job *resume_find(struct stand *s);

/* How long ago the last sample was, by the wall clock. ERR_REFUSED when that is
 * negative, or more than within_s. */
bool resume_gap(const struct resume_point *at, int64_t utc_ns, double within_s, double *gap_s,
                struct err *e) NODISCARD;

#endif
