/* SPDX-License-Identifier: GPL-3.0-or-later
 * A profile's text, a battery and a stand, from which a plan is made. Shared by the
 * tests of the planner; include after cmocka.h. */
#ifndef AMPLEDGER_TESTS_PLAN_SCENE_H
#define AMPLEDGER_TESTS_PLAN_SCENE_H

#include "base/file.h"
#include "profile/plan.h"

#include <math.h>
#include <string.h>

struct scene {
    char text[4096];
    struct battery battery;
    struct stand_facts stand;
    bool no_stand;
};

/* The text with the first `from` in it replaced by `to`. */
static inline void scene_change(struct scene *s, const char *from, const char *to)
{
    char before[sizeof s->text];
    strcpy(before, s->text);
    const char *at = strstr(before, from);
    if (at == NULL)
        fail_msg("the profile does not hold: %s", from);
    else
        assert_true(text_format(s->text, sizeof s->text, "%.*s%s%s", (int)(at - before), before, to,
                                at + strlen(from)));
}

static inline struct plan *scene_plan(const struct scene *s)
{
    struct profile *p = NULL;
    struct plan *plan = NULL;
    struct err e = {0};
    if (!profile_load_text("p.yaml", s->text, strlen(s->text), &p, &e))
        fail_msg("%s", e.text);
    assert_true(plan_make(p, &s->battery, s->no_stand ? NULL : &s->stand, &plan, &e));
    profile_free(p);
    for (size_t i = 0; i < plan->step_count; i++)
        assert_true(isfinite(plan->steps[i].max_s)); /* no step without end, whatever is wrong */
    return plan;
}

static inline void no_problem(const struct plan *p)
{
    for (size_t i = 0; i < p->problems.count; i++)
        fail_msg("a problem: %s", p->problems.text[i]);
}

/* Is this the one problem, word for word? Shows what came instead. */
static inline bool only_problem(const struct plan *p, size_t row, const char *wanted)
{
    if (p->problems.count == 1 && strcmp(p->problems.text[0], wanted) == 0)
        return true;
    print_error("row %zu\n--- wanted\n%s\n--- got %zu\n", row, wanted, p->problems.count);
    for (size_t k = 0; k < p->problems.count; k++)
        print_error("%s\n", p->problems.text[k]);
    return false;
}

#endif
