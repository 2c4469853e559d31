/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse: read a log twice (to learn what rest and gap mean in it, then to
 * count), and print what it says. */
#include "cli/analyse.h"

#include "base/file.h"
#include "cli/analyse_found.h"
#include "cli/analyse_options.h"
#include "cli/analyse_text.h"
#include "cli/log_read.h"
#include "report/csv.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define EXIT_JUDGED_BAD 1

struct counting {
    struct charge_accumulator accumulator;
    struct analyse_findings *found;
};

static bool count_row(void *context, const struct sample *s, struct err *e)
{
    struct counting *c = context;
    parts_add(&c->found->parts, s);
    pulse_watch_add(&c->found->pulses, s);
    return accumulator_add(&c->accumulator, s, e);
}

/* Both currents of a step must have stood for so long, or every turn of a drive is one. */
#define STEADY_S 1.0
/* Of the largest current: a smaller step tells a resistance too badly. */
#define LEAST_STEP 0.15

static void counting_start(struct counting *c, const struct analyse_request *q, double peak_A)
{
    accumulator_start(&c->accumulator, &q->options);
    parts_start(&c->found->parts, q->options.current_threshold_A, q->options.lead_ohm);
    pulse_watch_start(&c->found->pulses, peak_A, q->options.lead_ohm);
    c->found->pulses.steady_s = STEADY_S;
    c->found->pulses.least_A = LEAST_STEP * peak_A;
    c->found->pulses.latest_s = RESISTANCE_WITHIN_S;
    c->found->pulses.trace = &c->found->trace;
}

static bool analyse_rows(struct csv_reader *reader, struct analyse_request *q,
                         struct analyse_findings *out, struct err *e)
{
    struct record_survey survey;
    struct counting c = {.found = out};
    const struct log_source source = {q->file, q->discharge_positive, NAN, NAN};

    if (!log_survey(reader, &source, &survey, e))
        return false;
    record_survey_settle(&survey, &q->options);
    counting_start(&c, q, survey.peak_A);
    c.accumulator.signs.late = survey.late;
    if (!log_rows(reader, &source, count_row, &c, e))
        return false;
    pulse_watch_finish(&out->pulses);
    two_currents_find(&out->pulses, &q->options.accuracy, &out->two_currents);
    if (!accumulator_finish(&c.accumulator, &out->result, e))
        return err_prefix(e, "%s", q->file);
    return true;
}

static bool analyse_file(struct analyse_request *q, struct analyse_findings *out, struct err *e)
{
    struct csv_reader *reader;
    if (!csv_open(q->file, &reader, e))
        return false;
    bool ok = analyse_rows(reader, q, out, e);
    csv_close(reader);
    return ok;
}

static bool print_json(FILE *f, const struct analyse_request *q,
                       const struct analyse_findings *found, struct err *e)
{
    json_t *o = capacity_to_json(&found->result, &q->acceptance);
    analyse_put_findings(o, q, found);
    json_object_set_new(o, "file", json_string(q->file));
    json_object_set_new(o, "end_rule", json_string(end_rule_names[q->options.rule]));
    json_object_set_new(o, "cutoff_V", json_number(q->options.cutoff_V));
    json_object_set_new(o, "rated_Ah", json_number(q->options.rated_Ah));
    json_object_set_new(o, "lead_resistance_mOhm", json_number(1e3 * q->options.lead_ohm));
    json_object_set_new(o, "gap_limit_s", json_number(q->options.gap_s));
    json_object_set_new(o, "rest_current_A", json_number(q->options.current_threshold_A));
    char *text = json_dumps(o, JSON_INDENT(2));
    json_decref(o);
    if (text == NULL)
        return err_set(e, ERR_BUG, "analyse: the result of %s cannot be written as JSON", q->file);
    fprintf(f, "%s\n", text);
    free(text);
    return true;
}

static bool print_result(const struct analyse_request *q, const struct analyse_findings *r,
                         struct err *e)
{
    if (!q->json)
        analyse_print(stdout, q, r);
    else if (!print_json(stdout, q, r, e))
        return false;
    if (fflush(stdout) != 0 || ferror(stdout))
        return err_set_errno(e, errno, "cannot write the result");
    return true;
}

static int exit_status(const struct analyse_request *q, const struct capacity_result *r)
{
    enum verdict v = capacity_verdict(r, &q->acceptance);
    return v == VERDICT_FAIL || v == VERDICT_UNDECIDED ? EXIT_JUDGED_BAD : EXIT_SUCCESS;
}

int cli_analyse(int argc, char **argv)
{
    struct analyse_request request;
    struct analyse_findings *found = zalloc(sizeof *found);
    struct err e = {0};
    int status = EXIT_SUCCESS;

    if (!analyse_request_parse(argc, argv, &request, &e))
        goto fail;
    if (request.help) {
        fputs(analyse_help_text, stdout);
        status = fflush(stdout) == 0 ? EXIT_SUCCESS : err_exit_status(ERR_SYSTEM);
        goto out;
    }
    if (!analyse_file(&request, found, &e) || !print_result(&request, found, &e))
        goto fail;
    status = exit_status(&request, &found->result);
    goto out;
fail:
    fprintf(stderr, "%s\n", e.text);
    status = err_exit_status(e.code);
out:
    free(found);
    return status;
}
