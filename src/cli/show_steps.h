/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/show_steps: the steps of a run as tables: one line a step, or where a group was
 * repeated one line a step of the plan and one line a round; and resistances. */
#ifndef AMPLEDGER_CLI_SHOW_STEPS_H
#define AMPLEDGER_CLI_SHOW_STEPS_H

#include <jansson.h>
#include <stdio.h>

void steps_print(const json_t *run, FILE *f);

#endif
