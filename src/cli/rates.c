/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/rates: the verb that compares discharges at several currents. */
#include "analysis/capacity_json.h"
#include "analysis/rate.h"
#include "base/file.h"
#include "base/quantity.h"
#include "base/yaml.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/log_read.h"
#include "cli/remarks.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LOGS_MAX 24
#define NEAR_C 3.0 /* temperatures further apart do not compare (no source) */

struct rates {
    const char *cutoff, *regression, *load;
    const char *pairs; /* "12A:24h,23A:12h" */
    bool discharge_positive;
    const char *log[LOGS_MAX];
    double cutoff_V, load_A;
    enum rate_regression side;
    struct {
        const char *file;
        struct capacity_result result;
    } run[LOGS_MAX];
    size_t runs;
    struct rate_point point[RATE_POINTS_MAX];
    size_t points;
    struct rate_fit fit;
};

/* --- what was asked --- */

static bool read_amount(const char *option, const char *text, enum dimension d, double *out,
                        struct err *e)
{
    struct quantity q;
    if (!quantity_parse_as(text, DIM_BIT(d), &q, e))
        return err_prefix(e, "--%s", option);
    if (!(q.value > 0))
        return err_set(e, ERR_CONFIG, "--%s: \"%.40s\" must be above zero", option, text);
    *out = q.value;
    return true;
}

/* "12A:24h" */
static bool read_pair(struct rates *r, char *text, struct err *e)
{
    double seconds = 0;
    struct rate_point *p = &r->point[r->points];
    char *colon = strchr(text, ':');
    if (colon == NULL)
        return err_set(e, ERR_CONFIG,
                       "--points: \"%.40s\" has no colon; write current and time, e.g. 12A:24h",
                       text);
    if (r->points == RATE_POINTS_MAX)
        return err_set(e, ERR_CONFIG, "--points: at most %d", RATE_POINTS_MAX);
    *colon = '\0';
    *p = (struct rate_point){NAN, NAN, NAN};
    if (!read_amount("points", text, DIM_CURRENT, &p->current_A, e) ||
        !read_amount("points", colon + 1, DIM_TIME, &seconds, e))
        return false;
    p->hours = seconds / S_PER_H;
    r->points++;
    return true;
}

static bool read_pairs(struct rates *r, struct err *e)
{
    char *all = text_copy(r->pairs), *rest = all, *one;
    bool ok = true;
    while (ok && (one = strsep(&rest, ",")) != NULL)
        ok = read_pair(r, one, e);
    free(all);
    return ok;
}

static bool read_side(struct rates *r, struct err *e)
{
    for (int i = 0; rate_regression_names[i] != NULL; i++) {
        if (strcmp(r->regression, rate_regression_names[i]) == 0) {
            r->side = (enum rate_regression)i;
            return true;
        }
    }
    return err_set(e, ERR_CONFIG, "--regression: \"%.40s\" is not known; choose %s or %s",
                   r->regression, rate_regression_names[0], rate_regression_names[1]);
}

static bool settle(struct rates *r, struct err *e)
{
    r->cutoff_V = r->load_A = NAN;
    if (r->log[0] != NULL && r->cutoff == NULL)
        return err_set(e, ERR_CONFIG, "--cutoff VOLTAGE is missing: where does a discharge end?");
    return (r->cutoff == NULL || read_amount("cutoff", r->cutoff, DIM_VOLTAGE, &r->cutoff_V, e)) &&
           (r->load == NULL || read_amount("load", r->load, DIM_CURRENT, &r->load_A, e)) &&
           (r->regression == NULL || read_side(r, e)) && (r->pairs == NULL || read_pairs(r, e));
}

static bool read_log(struct rates *r, const char *file, struct err *e)
{
    struct discharge_options o = discharge_options_default();
    struct log_source source = {file, r->discharge_positive, NAN, NAN};
    struct capacity_result *c = &r->run[r->runs].result;
    o.cutoff_V = r->cutoff_V;
    if (!log_analyse(&source, &o, c, e))
        return false;
    if (c->kind != RECORD_DISCHARGE || c->lower_bound)
        return err_set(e, ERR_CONFIG,
                       "%s: %s: only a discharge that met the cut-off of %.4g V tells how long it "
                       "lasts; leave it out, or name a cut-off that every log meets",
                       file,
                       c->kind == RECORD_DISCHARGE ? end_reason_text(c->end_reason) : "a charge",
                       r->cutoff_V);
    r->run[r->runs++].file = file;
    r->point[r->points++] = (struct rate_point){fabs(c->mean_current_A), c->loaded_s / S_PER_H,
                                                c->uncertainty.expanded_Ah / c->capacity_Ah};
    return true;
}

/* --- what it says --- */

static void remark_on_temperatures(const struct rates *r, struct remarks *m)
{
    double least = INFINITY, most = -INFINITY;
    bool missing = false;
    for (size_t i = 0; i < r->runs; i++) {
        double T = r->run[i].result.temperature_mean_C;
        missing = missing || isnan(T);
        least = fmin(least, T);
        most = fmax(most, T);
    }
    if (most - least > NEAR_C)
        remark(m,
               "the mean temperatures lie %.1f K apart (%.1f to %.1f degC): part of the difference "
               "is theirs",
               most - least, least, most);
    if (missing)
        remark(m, "not every log has temperatures: whether they compare is not known");
}

static void remarks_of(const struct rates *r, struct remarks *m)
{
    const struct rate_fit *f = &r->fit;
    if (f->below_one)
        remark(m,
               "%.4f is below 1 and no Peukert exponent: the capacity rises with the current, "
               "which the law does not know. Another state of charge, temperature or history of "
               "the battery does that; it is not used to predict anything",
               f->exponent);
    if (f->not_power_law)
        remark(m,
               "the drop is no pure power law: run times depart from it by up to %.2g %%%s, and "
               "between neighbouring rates the exponent goes from %.4f to %.4f",
               100 * f->departure,
               f->within_uncertainty ? " (which their uncertainty could still explain)" : "",
               f->least_local, f->most_local);
    if (f->not_power_law && !f->below_one)
        remark(m, "use the exponent between %.4g and %.4g A only, and only roughly", f->least_A,
               f->most_A);
    if (!f->below_one && f->rates == 2)
        remark(m, "from two rates: whether a power law holds between them is not shown");
    if (isfinite(r->load_A) && (r->load_A < f->least_A || r->load_A > f->most_A))
        remark(m, "%.4g A lies outside the rates that were measured", r->load_A);
    remark_on_temperatures(r, m);
}

static double predicted_h(const struct rates *r)
{
    return rate_is_peukert(&r->fit) ? r->fit.constant / pow(r->load_A, r->fit.exponent)
                                    : (double)NAN;
}

static json_t *points_to_json(const struct rates *r)
{
    json_t *list = json_array();
    size_t first_run = r->points - r->runs;
    for (size_t i = 0; i < r->points; i++) {
        const struct rate_point *p = &r->point[i];
        bool measured = i >= first_run;
        json_t *o = json_pack("{s:o, s:o, s:o}", "current_A", json_number(p->current_A),
                              "duration_h", json_number(p->hours), "capacity_Ah",
                              json_number(measured ? r->run[i - first_run].result.capacity_Ah
                                                   : p->current_A * p->hours));
        json_object_set_new(o, "file",
                            measured ? json_string(r->run[i - first_run].file) : json_null());
        json_object_set_new(o, "temperature_mean_C",
                            measured ? json_number(r->run[i - first_run].result.temperature_mean_C)
                                     : json_null());
        json_array_append_new(list, o);
    }
    return list;
}

static json_t *document_of(const struct rates *r, const struct remarks *m)
{
    const struct rate_fit *f = &r->fit;
    struct rate_pair pair[RATE_POINTS_MAX];
    size_t pairs = rate_pairs(r->point, r->points, pair);
    json_t *o = json_object(), *between = json_array(), *notes = json_array();
    bool peukert = rate_is_peukert(f);
    const struct {
        const char *key;
        double value;
    } numbers[] = {
        {"cutoff_V", r->cutoff_V},
        {"peukert_exponent", peukert ? f->exponent : (double)NAN},
        {"peukert_constant", peukert ? f->constant : (double)NAN},
        {"fitted_exponent", f->exponent},
        {"fitted_exponent_standard_error", f->standard_exponent},
        {"r_squared", f->r_squared},
        {"departure_percent", 100 * f->departure},
        {"curvature_chance", f->curvature_p},
        {"from_A", f->least_A},
        {"to_A", f->most_A},
        {"load_A", r->load_A},
        {"predicted_h", predicted_h(r)},
    };
    for (size_t i = 0; i < pairs; i++)
        json_array_append_new(
            between,
            json_pack("{s:o, s:o, s:o, s:o}", "from_A", json_number(pair[i].from_A), "to_A",
                      json_number(pair[i].to_A), "exponent", json_number(pair[i].exponent),
                      "capacity_drop_percent", json_number(100 * pair[i].capacity_drop)));
    for (size_t i = 0; i < m->n; i++)
        json_array_append_new(notes, json_string(m->text[i]));
    json_object_set_new(o, "discharges", points_to_json(r));
    json_object_set_new(o, "regression", json_string(rate_regression_names[f->regression]));
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++)
        json_object_set_new(o, numbers[i].key, json_number(numbers[i].value));
    json_object_set_new(o, "is_peukert", json_boolean(peukert));
    json_object_set_new(o, "follows_power_law", json_boolean(!f->not_power_law));
    json_object_set_new(o, "neighbours", between);
    json_object_set_new(o, "notes", notes);
    return o;
}

static void print_points(const struct rates *r)
{
    static const struct column columns[] = {
        {"current", RIGHT}, {"lasted", RIGHT}, {"capacity", RIGHT}, {"mean", RIGHT}, {"log", LEFT}};
    struct table *t = table_new(columns, 5);
    size_t first_run = r->points - r->runs;
    for (size_t i = 0; i < r->points; i++) {
        const struct rate_point *p = &r->point[i];
        const struct capacity_result *c = i >= first_run ? &r->run[i - first_run].result : NULL;
        struct words A = words_short(p->current_A, "A"), h = words_amount(p->hours, 3, "h");
        struct words Ah =
            words_amount(c != NULL ? c->capacity_Ah : p->current_A * p->hours, 3, "Ah");
        struct words T = words_amount(c != NULL ? c->temperature_mean_C : (double)NAN, 1, "degC");
        const char *cells[] = {A.s, h.s, Ah.s, T.s, c != NULL ? r->run[i - first_run].file : "-"};
        table_add(t, cells);
    }
    table_print(t, 2, stdout);
}

static void print_fit(const struct rates *r)
{
    const struct rate_fit *f = &r->fit;
    struct rate_pair pair[RATE_POINTS_MAX];
    size_t pairs = rate_pairs(r->point, r->points, pair);
    char text[240], error[64] = "";
    if (isfinite(f->standard_exponent))
        text_format(error, sizeof error, " +- %.2g (standard error)", f->standard_exponent);
    text_format(text, sizeof text,
                "%s %.6f%s, %s, %zu discharges at %zu rates, %.4g to %.4g A, "
                "R^2 %.6f",
                rate_is_peukert(f) ? "Peukert exponent" : "fitted slope", f->exponent, error,
                rate_regression_names[f->regression], f->points, f->rates, f->least_A, f->most_A,
                f->r_squared);
    putchar('\n');
    print_wrapped("  ", text, stdout);
    for (size_t i = 0; i < pairs && pairs > 1; i++)
        printf("    %.4g to %.4g A: %.4f, capacity %+.2f %%\n", pair[i].from_A, pair[i].to_A,
               pair[i].exponent, -100 * pair[i].capacity_drop);
    if (isfinite(predicted_h(r)))
        printf("  at %.4g A: %.4g h\n", r->load_A, predicted_h(r));
}

static void show(const struct cli *c, const struct rates *r)
{
    struct remarks m = {0};
    remarks_of(r, &m);
    if (c->json) {
        json_t *document = document_of(r, &m);
        print_json(document);
        json_decref(document);
        return;
    }
    print_points(r);
    print_fit(r);
    if (m.n > 0)
        putchar('\n');
    for (size_t i = 0; i < m.n; i++)
        print_wrapped("  - ", m.text[i], stdout);
}

int verb_rates(struct cli *c, int argc, char **argv)
{
    struct rates *r = zalloc(sizeof *r);
    struct err e = {0};
    const struct option_spec options[] = {
        {.name = "cutoff", .wants = "VOLTAGE", .text = &r->cutoff},
        {.name = "points", .wants = "A:TIME,...", .text = &r->pairs},
        {.name = "regression", .wants = "SIDE", .text = &r->regression},
        {.name = "load", .wants = "CURRENT", .text = &r->load},
        {.name = "discharge-positive", .flag = &r->discharge_positive},
    };
    struct operand_spec operands[LOGS_MAX];
    for (size_t i = 0; i < LOGS_MAX; i++)
        operands[i] = (struct operand_spec){"LOG.csv", &r->log[i], false};
    const struct args_spec spec = {options, sizeof options / sizeof options[0], operands, LOGS_MAX};
    bool ok = args_read(&spec, c, argc, argv, &e) && settle(r, &e);
    for (size_t i = 0; ok && i < LOGS_MAX && r->log[i] != NULL; i++)
        ok = read_log(r, r->log[i], &e);
    ok = ok && rate_fit(r->point, r->points, r->side, &r->fit, &e);
    if (ok)
        show(c, r);
    free(r);
    return ok ? EXIT_DONE : cli_fail("rates", &e);
}
