/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/accuracy: a share and an amount with a plus between them. */
#include "cli/accuracy.h"

#include "base/file.h"

#include <math.h>
#include <string.h>

static bool read_part(const char *part, const char *text, enum dimension unit, struct accuracy *a,
                      struct err *e)
{
    struct quantity q;
    if (!quantity_parse_as(part, DIM_BIT(DIM_RATIO) | DIM_BIT(unit), &q, e))
        return false;
    double *to = q.dimension == DIM_RATIO ? &a->gain : &a->offset;
    if (!isnan(*to) || !(q.value >= 0))
        return err_set(e, ERR_CONFIG,
                       "\"%s\" must be one share and one amount, none negative, e.g. "
                       "\"0.1 %% + 5 m%s\"",
                       text, unit == DIM_CURRENT ? "A" : "V");
    *to = q.value;
    return true;
}

bool accuracy_read(const char *text, enum dimension unit, struct accuracy *a, struct err *e)
{
    char copy[64];
    a->gain = a->offset = NAN;
    if (!text_format(copy, sizeof copy, "%s", text))
        return err_set(e, ERR_CONFIG, "the text is too long; write it like \"0.1 %% + 5 m%s\"",
                       unit == DIM_CURRENT ? "A" : "V");
    char *part = copy;
    while (part != NULL) {
        char *plus = strchr(part, '+');
        if (plus != NULL)
            *plus++ = '\0';
        if (!read_part(part, text, unit, a, e))
            return false;
        part = plus;
    }
    return true;
}
