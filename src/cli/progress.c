/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/progress: when a line is worth it. */
#include "cli/progress.h"

#include "base/clock.h"
#include "cli/stand_text.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <string.h>

#define QUIET_AT_MOST_S 600
#define PROBLEM_EVERY_S 60
#define LINE_SIZE 400

void progress_start(struct progress *p, FILE *f)
{
    *p = (struct progress){.f = f, .step = -1, .tenths = -1};
}

static bool worth_a_line(const struct progress *p, const json_t *stand, int tenths, int64_t now_ns)
{
    long long step = integer_at(json_object_get(stand, "run"), "step");
    return step != p->step || tenths > p->tenths ||
           now_ns - p->told_real_ns >= QUIET_AT_MOST_S * NS_PER_S;
}

static void tell(struct progress *p, const json_t *stand, int64_t now_ns)
{
    double share = progress_share(stand);
    int tenths = isfinite(share) ? (int)(10 * share) : 0;
    char line[LINE_SIZE];
    if (!worth_a_line(p, stand, tenths, now_ns)) {
        return;
    }
    progress_line(stand, line, sizeof line);
    fprintf(p->f, "%s: %s\n", text_at(stand, "name"), line);
    fflush(p->f);
    p->step = integer_at(json_object_get(stand, "run"), "step");
    p->tenths = tenths;
    p->told_real_ns = now_ns;
}

/* Its words change with every second of waiting; once a minute is enough. */
static void tell_problem(struct progress *p, const json_t *stand, int64_t now_ns)
{
    const char *problem = text_at(stand, "problem");
    bool lately = p->problem_ns != 0 && now_ns - p->problem_ns < PROBLEM_EVERY_S * NS_PER_S;
    if (problem[0] == '\0' || lately) {
        return;
    }
    fprintf(p->f, "%s: %s\n", text_at(stand, "name"), problem);
    fflush(p->f);
    p->problem_ns = now_ns;
}

/* Once, when it begins to wait. */
static void tell_hold(struct progress *p, const json_t *stand)
{
    char line[sizeof p->hold];
    stand_hold_line(stand, line, sizeof line);
    if (strcmp(line, p->hold) != 0 && line[0] != '\0') {
        fprintf(p->f, "%s: %s\n", text_at(stand, "name"), line);
        fflush(p->f);
    }
    strcpy(p->hold, line);
}

void progress_show(struct progress *p, const json_t *stand, int64_t now_ns)
{
    tell_problem(p, stand, now_ns);
    tell_hold(p, stand);
    tell(p, stand, now_ns);
}
