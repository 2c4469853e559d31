/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rates of open data: what the logs of several currents say together.
 *
 * Found through AMPLEDGER_SHARED (its folder data/), else skipped, visibly. Sources:
 *  leaf_cell  G. Wiggins, S. Allu, H. Wang, doi:10.5281/zenodo.2580327, capacities at 1C, 2C
 *             and 3C by the laboratory's own counter. The fit beside it is computed.
 *  lead_acid  V. Sulzer et al., J. Electrochem. Soc. 166 (2019) A2363. The capacity rises
 *             with the current; the authors say that it deviates from Peukert's law. */
#include "analysis/rate.h"
#include "cli/log_read.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "check_row.h"

static char data[512];

static struct rate_fit fit(const struct rate_point *p, size_t n)
{
    struct rate_fit f;
    struct err e = {0};
    if (!rate_fit(p, n, RATE_TIME_ON_CURRENT, &f, &e))
        fail_msg("%s", e.text);
    return f;
}

static void leaf_rates_are_met(void **state)
{
    (void)state;
    char path[600], line[256];
    struct rate_point p[RATE_POINTS_MAX];
    size_t n = 0;
    snprintf(path, sizeof path, "%s/leaf_cell/capacity_published.csv", data);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    assert_non_null(fgets(line, sizeof line, file));
    while (fgets(line, sizeof line, file) != NULL) {
        double A, Ah;
        assert_int_equal(sscanf(line, "%*[^,],%*[^,],%lf,%lf", &A, &Ah), 2);
        p[n++] = (struct rate_point){A, Ah / A, NAN};
    }
    fclose(file);
    struct rate_fit f = fit(p, n);
    check_row(&(struct check_row){.check = "leaf cell, exponent over 1C, 2C, 3C",
                                  .source = "leaf_cell, listed beside the published capacities",
                                  .expected = 1.052472,
                                  .ours = f.exponent,
                                  .allowed = 5.1e-7});
    check_row(&(struct check_row){.check = "leaf cell, constant of that, A^k h",
                                  .source = "leaf_cell, listed beside the published capacities",
                                  .expected = 36.5678,
                                  .ours = f.constant,
                                  .allowed = 5.1e-5});
    struct rate_pair pair[RATE_POINTS_MAX];
    assert_int_equal(rate_pairs(p, n, pair), 2);
    static const double drop[2] = {1.3, 4.6};
    for (size_t i = 0; i < 2; i++)
        check_row(&(struct check_row){.check = i == 0 ? "leaf cell, capacity drop 1C to 2C, %"
                                                      : "leaf cell, capacity drop 2C to 3C, %",
                                      .source = "leaf_cell, listed",
                                      .expected = drop[i],
                                      .ours = 100 * pair[i].capacity_drop,
                                      .allowed = 0.051});
    check_row(&(struct check_row){.check = "leaf cell, is the drop a power law",
                                  .source = "leaf_cell: not a pure power law",
                                  .word = f.not_power_law ? "no" : "yes",
                                  .expected_word = "no"});
    assert_true(f.curvature_p < 1e-3);
    assert_true(rate_is_peukert(&f));
}

static void lead_acid_is_no_peukert(void **state)
{
    (void)state;
    static const char *const files[] = {"0.5A", "1.0A_first", "1.0A_second", "1.5A",
                                        "2.0A", "2.5A",       "3.0A"};
    struct rate_point p[7];
    for (size_t i = 0; i < 7; i++) {
        char path[600];
        struct err e = {0};
        struct capacity_result r;
        struct discharge_options o = discharge_options_default();
        snprintf(path, sizeof path, "%s/lead_acid/dis_%s.csv", data, files[i]);
        struct log_source source = {path, true, NAN, NAN};
        o.cutoff_V = 10.8;
        if (!log_analyse(&source, &o, &r, &e))
            fail_msg("%s", e.text);
        assert_int_equal(r.end_reason, END_REASON_CROSSED);
        p[i] = (struct rate_point){fabs(r.mean_current_A), r.loaded_s / 3600, NAN};
    }
    assert_true(p[5].current_A * p[5].hours > p[0].current_A * p[0].hours);
    struct rate_fit f = fit(p, 7);
    /* Listed with loaded rows up to the first at or below 10.8 V; ours to the crossing. */
    check_row(&(struct check_row){.check = "lead-acid runs, fitted slope",
                                  .source = "lead_acid, computed beside it",
                                  .expected = 0.956,
                                  .ours = f.exponent,
                                  .allowed = 0.0015});
    check_row(&(struct check_row){.check = "lead-acid runs, taken for a Peukert exponent",
                                  .source = "lead_acid: not usable for a Peukert fit",
                                  .word = rate_is_peukert(&f) ? "yes" : "no",
                                  .expected_word = "no"});
}

/* Ah of a record, its curve and its resistance from the same log. */
static void curve_of_a_log(void **state)
{
    (void)state;
    char path[600];
    struct err e = {0};
    struct capacity_result r;
    struct log_curve c;
    struct discharge_options o = discharge_options_default();
    snprintf(path, sizeof path, "%s/lead_acid/dis_2.5A.csv", data);
    struct log_source source = {path, true, NAN, NAN};
    o.cutoff_V = 10.8;
    assert_true(log_analyse(&source, &o, &r, &e));
    assert_true(log_curve_read(&source, &o, &r, &c, &e));
    assert_true(c.curve.n > 400);
    for (size_t i = 1; i < c.curve.n; i++)
        assert_true(c.curve.point[i].charge_Ah > c.curve.point[i - 1].charge_Ah);
    /* The curve goes beyond the crossing; it carries the same charge there. */
    size_t at = 0;
    while (c.curve.point[at].voltage_V > 10.8)
        at++;
    assert_true(at > 0 && c.curve.point[at - 1].charge_Ah < r.capacity_Ah + 0.02);
    assert_true(c.curve.point[at].charge_Ah > r.capacity_Ah - 0.02);
    assert_true(c.resistance_ohm > 0.05 && c.resistance_ohm < 0.25);
    assert_true(c.resistance_after_s <= 90);
    log_curve_free(&c);
}

int main(void)
{
    const char *shared = getenv("AMPLEDGER_SHARED");
    FILE *there = NULL;
    if (shared != NULL) {
        char readme[600];
        snprintf(data, sizeof data, "%s/data", shared);
        snprintf(readme, sizeof readme, "%s/README.md", data);
        there = fopen(readme, "r");
    }
    if (there == NULL) {
        printf("skipped: no open data; set AMPLEDGER_SHARED to the folder that holds data/\n");
        return 77;
    }
    fclose(there);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(leaf_rates_are_met),
        cmocka_unit_test(lead_acid_is_no_peukert),
        cmocka_unit_test(curve_of_a_log),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
