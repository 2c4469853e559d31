/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/result_told: what may be told of a stored result. */
#include "run/result.h"

#include "analysis/verdict.h"

#include <string.h>

static bool is_verdict(const json_t *result, enum verdict v)
{
    const char *kept = json_string_value(json_object_get(result, "verdict"));
    return kept != NULL && strcmp(kept, verdict_name(v)) == 0;
}

/* One object of its own: the result, or what it says of a step. */
static void tell(json_t *result, bool is_whole)
{
    bool passed = is_verdict(result, VERDICT_PASS), failed = is_verdict(result, VERDICT_FAIL);
    bool open = !is_whole && (passed || failed);
    json_object_set_new(result, "enough", open ? json_boolean(passed) : json_null());
    if (open) {
        json_object_set_new(result, "verdict", json_string(verdict_name(VERDICT_UNDECIDED)));
    }
}

void result_tell(json_t *result, enum run_outcome outcome)
{
    if (!json_is_object(result)) {
        return;
    }
    bool is_whole = outcome == RUN_COMPLETED;
    tell(result, is_whole);
    json_t *steps = json_object_get(result, "steps");
    for (size_t i = 0; i < json_array_size(steps); i++) {
        json_t *step = json_array_get(steps, i);
        if (json_is_object(step)) {
            tell(step, is_whole);
        }
    }
}
