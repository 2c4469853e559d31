/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: what instruments answer. What is taken as a number must be one, and be the same
 * when it is written by 17 digits and read again. */
#include "scpi/scpi_syntax.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void number(const char *text, size_t n)
{
    struct scpi_number first, again;
    struct err e = {0};
    char written[64];
    if (!scpi_number_parse(text, n, &first, &e)) {
        return;
    }
    if ((first.kind == SCPI_NUMBER) != (isfinite(first.value) != 0) ||
        memchr(first.unit, '\0', sizeof first.unit) == NULL) {
        abort();
    }
    if (first.kind == SCPI_NUMBER) {
        const int size = snprintf(written, sizeof written, "%.17g", first.value);
        if (!scpi_number_parse(written, (size_t)size, &again, &e) || again.value != first.value) {
            abort();
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    const char *text = (const char *)data;
    struct scpi_error error;
    struct scpi_piece pieces[8];
    struct err e = {0};
    size_t count = 0;
    bool flag = false;
    number(text, n);
    (void)scpi_boolean_parse(text, n, &flag, &e);
    if (scpi_error_parse(text, n, &error, &e) &&
        memchr(error.text, '\0', sizeof error.text) == NULL) {
        abort();
    }
    if (scpi_split(text, n, pieces, sizeof pieces / sizeof pieces[0], &count, &e)) {
        for (size_t i = 0; i < count; i++) {
            number(pieces[i].at, pieces[i].n);
        }
    }
    return 0;
}
