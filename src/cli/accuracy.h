/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/accuracy: the limits of error of an instrument as a person writes them. Pure. */
#ifndef AMPLEDGER_CLI_ACCURACY_H
#define AMPLEDGER_CLI_ACCURACY_H

#include "analysis/analysis.h"
#include "base/quantity.h"

/* "0.1 % + 5 mA", or one of the two; unit: DIM_CURRENT or DIM_VOLTAGE. Gain and offset of
 * *a are filled, NAN where not said. */
bool accuracy_read(const char *text, enum dimension unit, struct accuracy *a,
                   struct err *e) NODISCARD;

#endif
