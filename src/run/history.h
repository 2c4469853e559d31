/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/history: from what is stored of a battery's runs to the points of its life. Takes
 * kept plans and results and nothing else. Pure but for memory.
 *
 * Every time the judged discharge of a run (else its last one) was gone through is a
 * candidate. Comparable are those
 *  - that began full: the profile says that a person filled it, or a charge before it in the
 *    run ended by tapered current, falling voltage or warming;
 *  - that ended at their cut-off, or at the battery's own protection near it, so that the
 *    capacity is no lower bound;
 *  - of one kind: constant current, power or resistance within HISTORY_RATE_WITHIN, and the
 *    cut-off within HISTORY_CUTOFF_WITHIN. Of several kinds the one with the most points
 *    counts, the newest of equals;
 *  - at a mean temperature within HISTORY_KELVIN_WITHIN of the median of these (the width
 *    that IEC 61960-3 allows a test, 20 +- 5 degC). No correction is applied. One whose
 *    temperature is not known is taken, and said to be so.
 * What is left out says why. */
#ifndef AMPLEDGER_RUN_HISTORY_H
#define AMPLEDGER_RUN_HISTORY_H

#include "store/store.h"

#include <jansson.h>

#define HISTORY_RATE_WITHIN 0.02
#define HISTORY_CUTOFF_WITHIN 0.005
#define HISTORY_KELVIN_WITHIN 5.0

/* What a discharge asked for; NAN: not this. */
struct discharge_terms {
    double current_A, power_W, resistance_ohm, cutoff_V;
};

struct history_point {
    char battery[LABEL_SIZE];
    int64_t nr;
    int step, round;
    int64_t begun_utc_ns; /* when the run began */
    int64_t utc_ns;       /* when the discharge began */
    double discharged_Ah; /* in recorded runs before it began */
    double rest_s;        /* since the recorded run before ended; NAN for the first */
    double capacity_Ah, uncertainty_Ah, resistance_mOhm, temperature_C;
    struct discharge_terms terms;
    char imported[IMPORT_FILE_SIZE]; /* the file it was taken from; "": made here */
    char left_out[192];              /* why it is not comparable; "" when it is */
};

struct history {
    struct history_point *points; /* oldest first */
    size_t count;
    double discharged_Ah; /* so far; of the battery added last */
    int64_t ended_utc_ns;
    struct discharge_terms terms; /* of the comparable ones */
    double temperature_C;         /* their median; NAN */
    size_t comparable;
};

/* Runs of one battery, the oldest first; each must be whole (reader_run). Those going on are
 * passed over. For another battery's runs begin with history_next_battery. */
void history_add(struct history *h, const struct run_row *run);
void history_next_battery(struct history *h);
/* Chooses what is comparable. */
void history_settle(struct history *h);
void history_free(struct history *h);

/* "discharge 10.0 A to 10.00 V" */
void discharge_terms_text(const struct discharge_terms *t, char *out, size_t size);

#endif
