/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/stand_text: a stand in words. Takes the API's JSON. Pure but for the file
 * it prints to. */
#ifndef AMPLEDGER_CLI_STAND_TEXT_H
#define AMPLEDGER_CLI_STAND_TEXT_H

#include <jansson.h>
#include <stddef.h>
#include <stdio.h>

void stand_print(const json_t *stand, FILE *f);
/* Only what a person must act on: a trip, a hold, a problem, an output not confirmed off. */
void stand_print_trouble(const json_t *stand, FILE *f);

/* What it waits for a person to do; "" when it does not. */
void stand_hold_line(const json_t *stand, char *out, size_t size);

/* What waits in its row: to be acted on at rest, to be known otherwise; nothing if nothing. */
void stand_print_next(const json_t *stand, FILE *f);

/* One line about the run going on: "jetty: step 2 of 2, discharge, 12.84 V, ..." */
void progress_line(const json_t *stand, char *out, size_t size);
/* Two lines for a terminal, each at most `width` characters, and at most 79: what does
 * not fit is left out, the bar first. */
struct progress_lines {
    size_t width;
    char first[400], second[400];
};
void progress_lines(const json_t *stand, struct progress_lines *out);
/* Share of the expected time that is over, 0 to 1; NAN unknown. */
double progress_share(const json_t *stand);

#endif
