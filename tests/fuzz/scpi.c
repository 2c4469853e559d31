/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: what instruments answer. */
#include "scpi/scpi_syntax.h"

#include <stdint.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    const char *text = (const char *)data;
    struct scpi_number number;
    struct scpi_error error;
    struct scpi_piece pieces[8];
    struct err e = {0};
    size_t count = 0;
    bool flag = false;
    (void)scpi_number_parse(text, n, &number, &e);
    (void)scpi_boolean_parse(text, n, &flag, &e);
    (void)scpi_error_parse(text, n, &error, &e);
    if (scpi_split(text, n, pieces, sizeof pieces / sizeof pieces[0], &count, &e)) {
        for (size_t i = 0; i < count; i++) {
            (void)scpi_number_parse(pieces[i].at, pieces[i].n, &number, &e);
        }
    }
    return 0;
}
