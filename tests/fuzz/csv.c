/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: recorded logs. */
#include "report/csv.h"

#include <stdint.h>
#include <stdio.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

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
    while (csv_read(r, &s, &more, &e) && more) {
    }
    csv_close(r);
    return 0;
}
