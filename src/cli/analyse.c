/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/analyse: read a log and print what it says. */
#include "cli/analyse.h"

#include "cli/analyse_options.h"
#include "cli/analyse_text.h"
#include "cli/log_read.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define EXIT_JUDGED_BAD 1

static bool analyse_file(struct analyse_request *q, struct capacity_result *out, struct err *e)
{
    struct log_source source = {q->file, q->discharge_positive, NAN, NAN};
    return log_analyse(&source, &q->options, out, e);
}

static bool print_json(FILE *f, const struct analyse_request *q, const struct capacity_result *r,
                       struct err *e)
{
    json_t *o = capacity_to_json(r, &q->acceptance);
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

static bool print_result(const struct analyse_request *q, const struct capacity_result *r,
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
    struct capacity_result result;
    struct err e = {0};

    if (!analyse_request_parse(argc, argv, &request, &e))
        goto fail;
    if (request.help) {
        fputs(analyse_help_text, stdout);
        return fflush(stdout) == 0 ? EXIT_SUCCESS : err_exit_status(ERR_SYSTEM);
    }
    if (!analyse_file(&request, &result, &e) || !print_result(&request, &result, &e))
        goto fail;
    return exit_status(&request, &result);
fail:
    fprintf(stderr, "%s\n", e.text);
    return err_exit_status(e.code);
}
