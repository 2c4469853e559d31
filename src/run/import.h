/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/import: a record that was made elsewhere becomes a run of a battery, with one step.
 * The result comes from its samples by the same code as that of other runs (run/result.h);
 * a verdict only where a person says what was to be reached. */
#ifndef AMPLEDGER_RUN_IMPORT_H
#define AMPLEDGER_RUN_IMPORT_H

#include "profile/plan.h"
#include "store/import.h"

/* What a person says of the record. NAN: not said. */
struct import_terms {
    struct battery battery;
    enum step_kind kind; /* charge, discharge, rest or pulse */
    char step_name[STEP_NAME_SIZE];
    int64_t started_utc_ns; /* of its first row */
    int64_t zero_utc_ns;    /* or of the rows' time 0, where they say it; 0: they do not */
    double cutoff_V;        /* of a discharge, whole battery */
    double current_A;       /* what was set, positive; NAN: the mean under load stands for it */
    double lead_ohm;
    enum voltage_source voltage_source;
    struct instrument_accuracy accuracy;
    double accept_Ah;   /* what was to be reached; NAN: there is no verdict */
    double guard_share; /* of the expanded uncertainty; 0 simple acceptance */
    bool starts_full;   /* a person had filled the battery: else it is in no trend */
    bool anyway;        /* also with voltages the battery cannot have, or at the time of a run */
    struct import_source source;
};

/* The rows, gone through several times: *more becomes false behind the last one; the next
 * call begins again. */
struct import_rows {
    bool (*next)(void *context, struct sample *s, bool *more, struct err *e);
    void *context;
};

/* All or nothing. The run's time is counted from its first row. Not from the future
 * (terms->source.utc_ns is now), nor what the ledger knows already (run/import_known.h). */
bool import_run(struct store *store, const struct import_terms *terms,
                const struct import_rows *rows, int64_t *nr, struct err *e) NODISCARD;

#endif
