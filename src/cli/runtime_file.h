/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/runtime_file: the file that says what a battery is to run, and for how long. */
#ifndef AMPLEDGER_CLI_RUNTIME_FILE_H
#define AMPLEDGER_CLI_RUNTIME_FILE_H

#include "analysis/correction.h"
#include "analysis/runtime.h"

#define RUNTIME_LOGS_MAX 8
#define APPLIANCES_MAX 64

struct runtime_file {
    char title[96];
    char battery[64];                 /* its last discharge in the ledger; "" none */
    char run[64];                     /* this run instead; "" none */
    char logs[RUNTIME_LOGS_MAX][512]; /* or recorded logs, paths as seen from here */
    size_t log_count;
    bool discharge_positive; /* in the logs */
    double lead_ohm;         /* of the logs */
    double resistance_ohm;   /* of the battery, instead of the record's; NAN */
    double temperature_C;    /* in use; NAN not stated */
    struct correction_choice correction;
    struct runtime_terms terms;
    double over_h; /* what `hours` of an appliance are a part of */
    struct inverter inverter;
    struct appliance appliance[APPLIANCES_MAX];
    size_t appliance_count;
};

/* Mistakes name file, line and column. */
bool runtime_file_read(const char *path, struct runtime_file *out, struct err *e) NODISCARD;

#endif
