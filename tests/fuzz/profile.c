/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: profile files, and the plan that is made of those that can be read: it must end,
 * and no step of it may go on for ever. */
#include "profile/profile.h"
#include "profile/plan.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void check(const struct plan *p)
{
    bool ends = isfinite(p->longest_s) && p->step_count > 0;
    for (size_t i = 0; i < p->step_count; i++) {
        const struct plan_step *s = &p->steps[i];
        ends = ends && isfinite(s->max_s) && s->max_s >= 0 && isfinite(s->rounds);
        ends = ends && (s->drive != DRIVE_CURRENT || isfinite(s->current_A));
        ends = ends && (s->kind != STEP_REPEAT || (s->repeat.times >= 1 && s->repeat.back_to < i));
    }
    if (!ends) {
        abort();
    }
}

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
        check(plan);
        plan_free(plan);
    }
    profile_free(p);
    return 0;
}
