/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/remarks: sentences that are collected while a result is looked at. */
#ifndef AMPLEDGER_CLI_REMARKS_H
#define AMPLEDGER_CLI_REMARKS_H

#include "base/err.h"

#include <stddef.h>

struct remarks {
    size_t n;
    char text[8][320];
};

/* One more; those that find no room are left out. */
void remark(struct remarks *m, const char *fmt, ...) PRINTF_LIKE(2, 3);

#endif
