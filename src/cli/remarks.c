/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/remarks: sentences that are collected while a result is looked at. */
#include "cli/remarks.h"

#include <stdarg.h>
#include <stdio.h>

void remark(struct remarks *m, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    if (m->n < sizeof m->text / sizeof m->text[0])
        vsnprintf(m->text[m->n++], sizeof m->text[0], fmt, args);
    va_end(args);
}
