/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: profile files, and the plan that is made of those that can be read. */
#include "profile/profile.h"
#include "profile/plan.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    struct profile *p = NULL;
    struct plan *plan = NULL;
    struct err e = {0};
    struct battery b = {.cells = 4,
                        .rated_Ah = 125,
                        .rated_hours = 12.5,
                        .rated_cutoff_V = (double)NAN,
                        .current_max_A = (double)NAN,
                        .charge_current_max_A = (double)NAN,
                        .temperature_max_C = (double)NAN};
    strcpy(b.label, "launch-a");
    if (profile_load_text("fuzz.yaml", (const char *)data, n, &p, &e) &&
        plan_make(p, &b, NULL, &plan, &e)) {
        plan_free(plan);
    }
    profile_free(p);
    return 0;
}
