/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/row_text: a row of batteries, and a lot, in words. */
#ifndef AMPLEDGER_CLI_ROW_TEXT_H
#define AMPLEDGER_CLI_ROW_TEXT_H

#include <jansson.h>
#include <stdio.h>

/* What waits at a stand and what became of those before, from the API's answer. */
void row_print(const json_t *document, FILE *f);

/* Every battery of a lot with its newest verdict, and how many of each. */
void lot_print(const json_t *lot, FILE *f);
/* 0 when every battery passed, else 1. */
int lot_exit_status(const json_t *lot);

#endif
