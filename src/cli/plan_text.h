/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/plan_text: a plan in words. Takes the API's JSON. */
#ifndef AMPLEDGER_CLI_PLAN_TEXT_H
#define AMPLEDGER_CLI_PLAN_TEXT_H

#include "cli/words.h"

#include <jansson.h>
#include <stdio.h>

void plan_print(const json_t *plan, FILE *f);
/* Only its warnings; nothing when there are none. */
void plan_print_warnings(const json_t *plan, FILE *f);
/* "with guard band: ..." from the name of a decision rule. */
struct words rule_in_words(const char *rule, double guard_share_percent);
/* The table of limits in force, as a plan and a run show it. */
void limits_print(const json_t *plan, FILE *f);

#endif
