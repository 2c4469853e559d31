/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/samples_csv: one sample as one line of CSV. Pure. */
#include "web/samples.h"

#include "base/clock.h"
#include "report/csv.h"

#include <math.h>
#include <stdio.h>

size_t sample_to_csv(int step, const struct sample *s, int64_t started_utc_ns,
                     char out[SAMPLE_LINE_SIZE])
{
    char number[4][CSV_NUMBER_SIZE];
    char utc[CLOCK_UTC_TEXT_SIZE] = "";
    csv_format_number(s->t_s, number[0]);
    csv_format_number(s->voltage_V, number[1]);
    csv_format_number(s->current_A, number[2]);
    csv_format_number(s->temperature_C, number[3]);
    if (isfinite(s->t_s)) {
        clock_format_utc(started_utc_ns + (int64_t)llround(s->t_s * (double)NS_PER_S), utc);
    }
    int n = snprintf(out, SAMPLE_LINE_SIZE, "%s,%s,%s,%s,%s,%d\r\n", number[0], number[1],
                     number[2], number[3], utc, step);
    return n > 0 && n < SAMPLE_LINE_SIZE ? (size_t)n : 0;
}
