/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/log_read: what verbs without a daemon read from a recorded log: the result of its
 * discharge, the curve of it, and the resistance where the load came on. */
#ifndef AMPLEDGER_CLI_LOG_READ_H
#define AMPLEDGER_CLI_LOG_READ_H

#include "analysis/analysis.h"
#include "analysis/runtime.h"
#include "report/csv.h"

struct log_source {
    const char *file;
    bool discharge_positive; /* the log writes discharge as positive */
    double from_s, to_s;     /* only rows of this time; NAN: all */
};

/* Every row that is meant, in the house's sign, from where the reader stands to the end. */
typedef bool log_row_fn(void *context, const struct sample *s, struct err *e);
bool log_rows(struct csv_reader *reader, const struct log_source *from, log_row_fn *take,
              void *context, struct err *e) NODISCARD;
/* The first look at a log; the reader stands at its begin again. */
bool log_survey(struct csv_reader *reader, const struct log_source *from, struct record_survey *out,
                struct err *e) NODISCARD;

/* What the record says. Options that are NAN are settled by what the record shows and
 * left in *options. */
bool log_analyse(const struct log_source *s, struct discharge_options *options,
                 struct capacity_result *out, struct err *e) NODISCARD;

/* Of a discharge that was analysed. */
struct log_curve {
    struct discharge_curve curve; /* its points are owned */
    double resistance_ohm;     /* from no current to the load; NAN: the record does not show it */
    double resistance_after_s; /* how long the load had been on */
};
bool log_curve_read(const struct log_source *s, const struct discharge_options *options,
                    const struct capacity_result *r, struct log_curve *out,
                    struct err *e) NODISCARD;
void log_curve_free(struct log_curve *c);

#endif
