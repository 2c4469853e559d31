/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/words: the command line says numbers as the report does. */
#ifndef AMPLEDGER_CLI_WORDS_H
#define AMPLEDGER_CLI_WORDS_H

#include "report/words.h"

#endif
