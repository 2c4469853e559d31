/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: driver files, whatever they hold. A line that is sent is one line. */
#include "instrument/driver.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    struct driver *d = NULL;
    struct err e = {0};
    const struct driver_values values = {1.5, 12.75, 20, 2.25};
    char line[256];
    if (driver_load_text("fuzz.yaml", (const char *)data, n, &d, &e)) {
        for (int verb = 0; verb < VERB_COUNT; verb++) {
            for (size_t i = 0; i < d->verb[verb].count; i++) {
                if (driver_fill_line(d->verb[verb].line[i], &values, line, sizeof line, &e) &&
                    line[strcspn(line, "\r\n")] != '\0') {
                    abort();
                }
            }
        }
        if (d->channels > 0) {
            driver_choose_channel(d, 1);
        }
        driver_free(driver_copy(d));
    }
    driver_free(d);
    return 0;
}
