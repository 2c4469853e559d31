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

void result_tell(json_t *result, enum run_outcome outcome)
{
    if (!json_is_object(result)) {
        return;
    }
    bool passed = is_verdict(result, VERDICT_PASS), failed = is_verdict(result, VERDICT_FAIL);
    bool open = outcome != RUN_COMPLETED && (passed || failed);
    json_object_set_new(result, "enough", open ? json_boolean(passed) : json_null());
    if (open) {
        json_object_set_new(result, "verdict", json_string(verdict_name(VERDICT_UNDECIDED)));
    }
}
