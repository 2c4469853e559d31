/* SPDX-License-Identifier: GPL-3.0-or-later
 * check_row: one check against the outside world, made by a unit test and shown in the
 * table that `sh tests/checks.sh BUILD` prints: check, source, expected, ours, difference,
 * allowed. The table is made by the tests themselves, so there is no second copy of a
 * figure: a row that is outside fails its test.
 *
 * Include it after cmocka.h, say where the figure is from, and call
 *
 *   check_row(&(struct check_row){
 *       .check = "resistance from two currents, mOhm",
 *       .source = "worked by hand from the definition",
 *       .expected = 1.25, .ours = 1e3 * r.ohm, .allowed = 1e-9});
 *
 * `allowed` is the largest difference, absolute; with .relative = true it is a share of
 * `expected`. A bound instead of a value: .at_least or .at_most with .bound = true (the
 * other end NAN), both for a range. A word: .word and .expected_word.
 * Many rows of one kind (168 cycles, 24000 rows) make one row: the worst of them, or
 * one each where a reader wants to see them.
 *
 * Source of a figure: author and number of the publication; "common practice, no source";
 * "from memory, unverified"; "worked by hand from the definition"; or the name of the
 * open data set (its citation stands in the header of the test).
 *
 * Everything is written as a line of tabs to the file that AMPLEDGER_CHECK_ROWS names;
 * without it nothing is written and only the judgement is made. A script writes the same
 * line: check, source, expected, ours, difference, allowed, "inside" or "OUTSIDE". */
#ifndef AMPLEDGER_TESTS_CHECK_ROW_H
#define AMPLEDGER_TESTS_CHECK_ROW_H

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct check_row {
    const char *check;  /* what, with its unit */
    const char *source; /* where `expected` is from */
    double expected, ours, allowed;
    bool relative;
    bool bound; /* at_least <= ours <= at_most, one of them may be NAN */
    double at_least, at_most;
    const char *word, *expected_word;
};

#define CHECK_TEXT 64
struct check_text {
    char expected[CHECK_TEXT], ours[CHECK_TEXT], difference[CHECK_TEXT], allowed[CHECK_TEXT];
    bool inside;
};

static inline void check_tell_word(const struct check_row *c, struct check_text *t)
{
    t->inside = strcmp(c->word, c->expected_word) == 0;
    snprintf(t->expected, CHECK_TEXT, "%s", c->expected_word);
    snprintf(t->ours, CHECK_TEXT, "%s", c->word);
    snprintf(t->difference, CHECK_TEXT, "%s", t->inside ? "none" : "another word");
    snprintf(t->allowed, CHECK_TEXT, "none");
}

static inline void check_tell_bound(const struct check_row *c, struct check_text *t)
{
    t->inside = !isnan(c->ours) && !(c->ours < c->at_least) && !(c->ours > c->at_most);
    if (isnan(c->at_least))
        snprintf(t->expected, CHECK_TEXT, "<= %.6g", c->at_most);
    else if (isnan(c->at_most))
        snprintf(t->expected, CHECK_TEXT, ">= %.6g", c->at_least);
    else
        snprintf(t->expected, CHECK_TEXT, "%.6g to %.6g", c->at_least, c->at_most);
    snprintf(t->ours, CHECK_TEXT, "%.9g", c->ours);
    snprintf(t->difference, CHECK_TEXT, "%s", t->inside ? "none" : "beyond");
    snprintf(t->allowed, CHECK_TEXT, "none");
}

static inline void check_tell_value(const struct check_row *c, struct check_text *t)
{
    double difference = c->ours - c->expected;
    difference = c->relative ? difference / fabs(c->expected) : difference;
    const char *unit = c->relative ? " rel" : "";
    t->inside = fabs(difference) <= c->allowed;
    snprintf(t->expected, CHECK_TEXT, "%.9g", c->expected);
    snprintf(t->ours, CHECK_TEXT, "%.9g", c->ours);
    snprintf(t->difference, CHECK_TEXT, "%+.2g%s", difference, unit);
    snprintf(t->allowed, CHECK_TEXT, "%.2g%s", c->allowed, unit);
}

static inline void check_row(const struct check_row *c)
{
    struct check_text t;
    if (c->word != NULL)
        check_tell_word(c, &t);
    else if (c->bound)
        check_tell_bound(c, &t);
    else
        check_tell_value(c, &t);
    const char *path = getenv("AMPLEDGER_CHECK_ROWS");
    FILE *f = path != NULL ? fopen(path, "a") : NULL;
    if (f != NULL) {
        fprintf(f, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", c->check, c->source, t.expected, t.ours,
                t.difference, t.allowed, t.inside ? "inside" : "OUTSIDE");
        fclose(f);
    }
    if (!t.inside)
        fail_msg("%s: %s instead of %s, difference %s, allowed %s (%s)", c->check, t.ours,
                 t.expected, t.difference, t.allowed, c->source);
}

#endif
