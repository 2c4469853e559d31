/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: recorded logs. Rows that are taken have known values and times that do not go
 * back, and a value that is written comes back as the same. */
#include "report/csv.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void check(const struct sample *s, double not_before_s)
{
    char text[CSV_NUMBER_SIZE];
    csv_format_number(s->voltage_V, text);
    if (!isfinite(s->t_s) || !isfinite(s->voltage_V) || !isfinite(s->current_A) ||
        isinf(s->temperature_C) || s->t_s < not_before_s || strtod(text, NULL) != s->voltage_V) {
        abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    const struct csv_columns columns = csv_columns_usual();
    struct csv_reader *r = NULL;
    struct sample s;
    struct err e = {0};
    bool more = true;
    FILE *f = n > 0 ? fmemopen((void *)(uintptr_t)data, n, "r") : NULL;
    if (f == NULL || !csv_open_stream(f, "fuzz.csv", &columns, &r, &e)) {
        return 0;
    }
    for (double last_s = -INFINITY; csv_read(r, &s, &more, &e) && more; last_s = s.t_s) {
        check(&s, last_s);
    }
    csv_close(r);
    return 0;
}
