/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/runtime_text: how long a battery lasts, in words and as a document. */
#ifndef AMPLEDGER_CLI_RUNTIME_TEXT_H
#define AMPLEDGER_CLI_RUNTIME_TEXT_H

#include "cli/log_read.h"
#include "cli/runtime_file.h"
#include "cli/words.h"

#include <jansson.h>
#include <stdio.h>

struct runtime_record {
    char name[560];
    struct discharge_options options;
    struct capacity_result result;
    struct log_curve log;
};

/* All that was read, and what came of it. */
struct runtime_case {
    struct runtime_file file;
    struct runtime_record record[RUNTIME_LOGS_MAX];
    size_t records, base; /* the prediction walks along record[base] */
    double pulse_ohm;     /* of the run; NAN */
    const char *resistance_from;
    size_t calibrated;          /* records at other rates that the exponent is from */
    double lowest_A, highest_A; /* of the records */
    bool capped;       /* below lowest_A: the exponent is not in the hours, only in the interval */
    double recorded_C; /* temperature of the record; NAN unknown */
    struct runtime_load load;
    struct runtime_battery battery;
    struct runtime_answer answer;
};

void runtime_print(const struct runtime_case *k, FILE *f);
/* New reference. */
json_t *runtime_document(const struct runtime_case *k);

#endif
