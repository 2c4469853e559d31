/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/run_text: runs in words. Takes the API's JSON. Pure but for the file it
 * prints to. */
#ifndef AMPLEDGER_CLI_RUN_TEXT_H
#define AMPLEDGER_CLI_RUN_TEXT_H

#include <jansson.h>
#include <stdio.h>

/* A table, one line each. */
void runs_print(const json_t *runs, FILE *f);

/* "PASS  launch-a delivered 129.42 Ah +- 0.09 Ah (k = 2) of 125 Ah rated: 103.5 %" */
void run_headline(const json_t *run, FILE *f);

/* Everything about a run, verdict first. */
void run_print(const json_t *run, FILE *f);

/* What scripts read: the run's fields and those of its result in one object;
 * keys that scripts rely on are null where unknown. New reference. */
json_t *run_document(const json_t *run);

/* Exit status of one who waited for it: see EXIT_ in cli.h. */
int run_exit_status(const json_t *run);

#endif
