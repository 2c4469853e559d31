/* SPDX-License-Identifier: GPL-3.0-or-later
 * Replays discharges that others measured on real batteries through the guard:
 * nothing that real instruments told may be taken for stuck, at their own
 * resolution and at coarser ones. That the same records can trip is shown by
 * letting a reading stick in the middle. Skipped, and says so, where the open
 * data are not there (AMPLEDGER_SHARED; the README beside them names the sources). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/file.h"
#include "guard/guard.h"

#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RECORD_MOST (64u << 20)

static const struct set {
    const char *folder;
    double rated_Ah; /* as the README beside the data says */
    int cells;
} sets[] = {
    {"nasa_pcoe", 2, 1},
    {"p18650pf", 2.9, 1},
    {"leaf_cell", 33.1, 1},
    {"lead_acid", 20, 6}, /* 0.5 A for 35 h and less at more */
};

struct record {
    char name[128];
    size_t n;
    struct sample *sample; /* current into the battery positive */
};

/* A number, or NAN for an empty field; *text goes behind the comma. */
static double field(char **text)
{
    char *end = NULL;
    double x = strtod(*text, &end);
    x = end == *text ? (double)NAN : x;
    *text = end + (*end == ',');
    return x;
}

/* False when its columns are others. */
static bool record_read(const char *path, struct record *r)
{
    static const char columns[] = "t_s,voltage_V,current_A,temperature_C";
    char *text = NULL;
    size_t size = 0;
    assert_true(file_read(path, RECORD_MOST, &text, &size, NULL));
    bool known = strncmp(text, columns, sizeof columns - 1) == 0;
    r->n = 0;
    r->sample = calloc(size / 8 + 1, sizeof *r->sample);
    assert_non_null(r->sample);
    char *line = strchr(text, '\n');
    while (known && line != NULL && line[1] != '\0') {
        char *at = line + 1;
        struct sample *s = &r->sample[r->n++];
        s->t_s = field(&at);
        s->voltage_V = field(&at);
        s->current_A = -field(&at); /* there a discharge is positive */
        s->temperature_C = field(&at);
        line = strchr(at, '\n');
    }
    free(text);
    if (!known) {
        free(r->sample);
    }
    return known;
}

/* --- what the instruments might have been --- */

struct digits {
    double voltage_V, current_A, temperature_C; /* 0: as recorded */
};
static const struct digits all_digits[] = {
    {0, 0, 0}, {0.001, 0.001, 0.01}, {0.001, 0.010, 0.1}, {0.010, 0.010, 0.1}, {0.010, 0.100, 1},
};
#define DIGITS (sizeof all_digits / sizeof all_digits[0])

static double in_steps(double x, double step)
{
    return step > 0 ? round(x / step) * step : x;
}

/* As the plan makes them: 5 % of the rated capacity by 1 mV per cell, twice that
 * for the voltage alone. */
static struct guard_limits limits_of(const struct set *set, const struct digits *d)
{
    struct guard_limits l = guard_limits_none();
    l.trust_s = INFINITY; /* a row a minute, and gaps: not what is looked at */
    l.stuck_Ah = 0.05 * set->rated_Ah * fmax(1, d->voltage_V / (0.001 * set->cells));
    l.voltage_stuck_Ah = 2 * l.stuck_Ah;
    return l;
}

enum stuck { STUCK_NOT, STUCK_VOLTAGE, STUCK_CURRENT, STUCK_TEMPERATURE, STUCK_ALL };

static void let_stick(struct sample *s, const struct sample *at, enum stuck what)
{
    s->voltage_V = what == STUCK_VOLTAGE || what == STUCK_ALL ? at->voltage_V : s->voltage_V;
    s->current_A = what == STUCK_CURRENT || what == STUCK_ALL ? at->current_A : s->current_A;
    s->temperature_C = what == STUCK_TEMPERATURE ? at->temperature_C : s->temperature_C;
}

/* From `from` on a reading sticks. *in: how many rows later it trips. */
static enum guard_reason replay(const struct set *set, const struct record *r,
                                const struct digits *d, enum stuck what, size_t from, size_t *in)
{
    struct guard_limits l = limits_of(set, d);
    struct guard_memory m;
    struct guard_moment at = {.output_wanted = true, .set_A = NAN, .cutoff_V = NAN};
    guard_start(&m, r->sample[0].t_s);
    double before_A = 0;
    for (size_t i = 0; i < r->n; i++) {
        struct sample s = r->sample[i];
        at.now_s = s.t_s;
        at.output_on = fabs(s.current_A) > 0.01 * set->rated_Ah;
        if (fabs(s.current_A - before_A) > 0.2 * fabs(before_A)) {
            at.switched_s = at.changed_s = s.t_s; /* a step of its program */
        }
        before_A = s.current_A;
        if (what != STUCK_NOT && i > from) {
            let_stick(&s, &r->sample[from], what);
        }
        s.voltage_V = in_steps(s.voltage_V, d->voltage_V);
        s.current_A = in_steps(s.current_A, d->current_A);
        s.temperature_C = in_steps(s.temperature_C, d->temperature_C);
        enum guard_reason reason = guard_check(&l, &m, &at, &s).reason;
        if (reason != GUARD_FINE) {
            *in = i - from;
            return reason;
        }
    }
    return GUARD_FINE;
}

/* --- all of them --- */

static const char *shared;

typedef void visit_fn(const struct set *set, const struct record *r);

static size_t visit_all(visit_fn *visit)
{
    size_t n = 0;
    for (size_t i = 0; i < sizeof sets / sizeof sets[0]; i++) {
        char folder[512];
        text_format(folder, sizeof folder, "%s/data/%s", shared, sets[i].folder);
        DIR *d = opendir(folder);
        for (struct dirent *f = d != NULL ? readdir(d) : NULL; f != NULL; f = readdir(d)) {
            char path[1024];
            struct record r = {0};
            const char *end = strrchr(f->d_name, '.');
            if (end == NULL || strcmp(end, ".csv") != 0) {
                continue;
            }
            text_format(path, sizeof path, "%s/%s", folder, f->d_name);
            text_format(r.name, sizeof r.name, "%s/%.80s", sets[i].folder, f->d_name);
            if (record_read(path, &r)) {
                visit(&sets[i], &r);
                n++;
                free(r.sample);
            }
        }
        if (d != NULL) {
            closedir(d);
        }
    }
    return n;
}

static size_t rows, noticed[STUCK_ALL + 1], struck;

static void must_be_fine(const struct set *set, const struct record *r)
{
    for (size_t d = 0; d < DIGITS; d++) {
        size_t in = 0;
        enum guard_reason reason = replay(set, r, &all_digits[d], STUCK_NOT, 0, &in);
        if (reason != GUARD_FINE) {
            fail_msg("%s in digits of %g V: %s in row %zu", r->name, all_digits[d].voltage_V,
                     guard_reason_name(reason), in + 2);
        }
    }
    rows += r->n;
}

static void no_real_record_is_taken_for_stuck(void **state)
{
    (void)state;
    if (shared == NULL) {
        print_message("SKIPPED: AMPLEDGER_SHARED names no folder with the open data\n");
        skip();
    }
    size_t n = visit_all(must_be_fine);
    print_message("%zu records, %zu rows, each in %zu resolutions\n", n, rows, DIGITS);
    assert_true(n > 30 && rows > 20000);
}

/* Long ones only: there must be rows left after it was learned and stuck. */
static void strike(const struct set *set, const struct record *r)
{
    if (r->n < 600 || strstr(r->name, "drive") != NULL) {
        return;
    }
    struck++;
    for (int what = STUCK_VOLTAGE; what <= STUCK_ALL; what++) {
        size_t in = 0;
        enum guard_reason reason = replay(set, r, &all_digits[1], (enum stuck)what, r->n / 4, &in);
        noticed[what] += reason != GUARD_FINE;
        print_message("%s, %d: %s after %zu rows\n", r->name, what, guard_reason_name(reason), in);
    }
}

static void the_same_records_can_trip(void **state)
{
    (void)state;
    if (shared == NULL) {
        print_message("SKIPPED: AMPLEDGER_SHARED names no folder with the open data\n");
        skip();
    }
    visit_all(strike);
    print_message("of %zu long records noticed: voltage %zu, current %zu, temperature %zu, voltage "
                  "and current %zu\n",
                  struck, noticed[STUCK_VOLTAGE], noticed[STUCK_CURRENT],
                  noticed[STUCK_TEMPERATURE], noticed[STUCK_ALL]);
    assert_true(struck >= 5 && noticed[STUCK_ALL] == struck);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_real_record_is_taken_for_stuck),
        cmocka_unit_test(the_same_records_can_trip),
    };
    char folder[512];
    shared = getenv("AMPLEDGER_SHARED");
    DIR *d = shared != NULL && text_format(folder, sizeof folder, "%s/data", shared)
                 ? opendir(folder)
                 : NULL;
    if (d == NULL) {
        shared = NULL;
    } else {
        closedir(d);
    }
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    return failed == 0 && shared == NULL ? 77 : failed;
}
