/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/runtime: the verb that says how long a battery will run what hangs on it, from its
 * own measured discharge: of the ledger, or of logs without a daemon. */
#include "analysis/capacity_json.h"
#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/log_read.h"
#include "cli/runtime_file.h"
#include "cli/runtime_text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What a battery's capacity may yet lose to a rate the record does not know, beside its
 * resistance: exponents of lead-acid go up to 1.29 in a reserve table of 17 batteries; of a
 * lithium cell of open data 1.05. Nothing is known of the chemistry here. */
#define EXPONENT_MOST 1.29
/* How well the resistance of one step of current is known for hours of use (no source). */
#define RESISTANCE_ERROR 0.3
/* A rule of thumb for temperature may be wrong by half of what it corrects (no source). */
#define TEMPERATURE_ERROR 0.5

/* --- the records --- */

static bool take_log(struct runtime_case *k, const struct log_source *source, double lead_ohm,
                     struct err *e)
{
    struct runtime_record *r = &k->record[k->records];
    r->options = discharge_options_default();
    r->options.cutoff_V = k->file.terms.cutoff_V;
    r->options.lead_ohm = lead_ohm;
    if (!log_analyse(source, &r->options, &r->result, e))
        return false;
    if (r->result.kind != RECORD_DISCHARGE)
        return err_set(e, ERR_CONFIG, "%s: a charge; the curve of a discharge is needed",
                       source->file);
    if (!log_curve_read(source, &r->options, &r->result, &r->log, e))
        return false;
    k->records++;
    return true;
}

static bool take_logs(struct runtime_case *k, struct err *e)
{
    for (size_t i = 0; i < k->file.log_count; i++) {
        struct log_source source = {k->file.logs[i], k->file.discharge_positive, NAN, NAN};
        text_format(k->record[i].name, sizeof k->record[i].name, "%s", k->file.logs[i]);
        if (!take_log(k, &source, k->file.lead_ohm, e))
            return false;
    }
    return true;
}

/* The last discharge of the run that was carried out whole. */
static const json_t *discharge_of(const json_t *run)
{
    const json_t *steps = json_object_get(json_object_get(run, "result"), "steps");
    const json_t *found = NULL;
    for (size_t i = 0; i < json_array_size(steps); i++) {
        const json_t *s = json_array_get(steps, i);
        if (strcmp(text_at(s, "kind"), "discharge") == 0 && number_at(s, "capacity_Ah") > 0 &&
            isfinite(number_at(s, "end_s")))
            found = s;
    }
    return found;
}

/* The samples come into a file without a name, which the reader opens by its number. */
static bool take_samples(struct runtime_case *k, const struct cli *c, const json_t *run,
                         const json_t *step, struct err *e)
{
    char path[CLIENT_PATH_SIZE], name[64], file_name[64];
    struct client *client = NULL;
    FILE *f = tmpfile();
    if (f == NULL)
        return err_set(e, ERR_SYSTEM, "no room for a temporary file");
    text_format(name, sizeof name, "%lld", integer_at(run, "number"));
    bool ok = client_path(path, "/v1/runs/", name, "/samples", e) &&
              client_open(c->socket, &client, e) && client_download(client, path, f, e) &&
              (fflush(f) == 0 || err_set(e, ERR_SYSTEM, "the samples cannot be kept"));
    client_close(client);
    text_format(file_name, sizeof file_name, "/proc/self/fd/%d", fileno(f));
    struct log_source source = {file_name, false, number_at(step, "start_s"),
                                number_at(step, "end_s")};
    text_format(k->record[k->records].name, sizeof k->record[0].name, "run %s, step %s", name,
                text_at(step, "name"));
    ok = ok && take_log(k, &source, fmax(0, number_at(run, "lead_resistance_ohm")), e);
    fclose(f);
    return ok;
}

static bool take_run(struct runtime_case *k, const struct cli *c, const char *which, struct err *e)
{
    char path[CLIENT_PATH_SIZE];
    json_t *run = NULL;
    if (!client_path(path, "/v1/runs/", which, "", e) || !ask_get(c, path, &run, e))
        return false;
    const json_t *step = discharge_of(run);
    bool ok =
        step != NULL || err_set(e, ERR_CONFIG, "run %s holds no discharge with a result", which);
    double ohm = number_at(json_object_get(run, "result"), "resistance_mOhm") / 1e3;
    k->pulse_ohm = isfinite(ohm) ? ohm : k->pulse_ohm;
    ok = ok && take_samples(k, c, run, step, e);
    json_decref(run);
    return ok;
}

/* The newest completed run that met its cut-off; where none did, the newest with a capacity. */
static bool take_battery(struct runtime_case *k, const struct cli *c, struct err *e)
{
    char path[CLIENT_PATH_SIZE], which[32] = "";
    json_t *answer = NULL;
    if (!client_path(path, "/v1/runs?limit=0&battery=", k->file.battery, "", e) ||
        !ask_get(c, path, &answer, e))
        return false;
    const json_t *runs = json_object_get(answer, "runs");
    bool whole = false;
    for (size_t i = 0; i < json_array_size(runs) && !whole; i++) {
        const json_t *r = json_array_get(runs, i);
        if (strcmp(text_at(r, "outcome"), "completed") != 0 || !(number_at(r, "capacity_Ah") > 0))
            continue;
        whole = !true_at(r, "lower_bound");
        if (whole || which[0] == '\0')
            text_format(which, sizeof which, "%lld", integer_at(r, "number"));
    }
    json_decref(answer);
    if (which[0] == '\0')
        return err_set(e, ERR_CONFIG,
                       "no completed run of %s shows a discharge; record one, or give logs",
                       k->file.battery);
    return take_run(k, c, which, e);
}

static bool take_records(struct runtime_case *k, const struct cli *c, struct err *e)
{
    k->pulse_ohm = NAN;
    if (k->file.log_count > 0)
        return take_logs(k, e);
    if (k->file.run[0] != '\0')
        return take_run(k, c, k->file.run, e);
    if (k->file.battery[0] != '\0')
        return take_battery(k, c, e);
    return err_set(e, ERR_CONFIG,
                   "whose discharge? Write battery: LABEL or logs: [FILE.csv] in the file, or give "
                   "--battery, --run or logs");
}

/* --- the battery as the model sees it --- */

/* The record whose current is nearest to the load's. */
static size_t nearest_record(const struct runtime_case *k)
{
    size_t best = 0;
    double least = INFINITY;
    for (size_t i = 0; i < k->records; i++) {
        const struct capacity_result *r = &k->record[i].result;
        double A = k->load.mean_A + k->load.mean_W / r->mean_voltage_V;
        double off = fabs(log(A / k->record[i].log.curve.current_A));
        if (off < least) {
            least = off;
            best = i;
        }
    }
    return best;
}

static void settle_resistance(struct runtime_case *k)
{
    double recorded = k->record[k->base].log.resistance_ohm;
    double ohm = isnan(k->file.resistance_ohm) ? k->pulse_ohm : k->file.resistance_ohm;
    k->resistance_from = isnan(k->file.resistance_ohm) ? "the run's pulse" : "stated";
    if (isnan(ohm)) {
        ohm = recorded;
        k->resistance_from = "where the load came on";
    }
    if (isnan(ohm)) {
        ohm = 0;
        k->resistance_from = "not known: taken as none";
    }
    k->battery.resistance_ohm = ohm;
    k->battery.resistance_expanded_ohm = RESISTANCE_ERROR * ohm;
}

static void settle_exponent(struct runtime_case *k)
{
    struct runtime_battery *b = &k->battery;
    double sum = 0;
    size_t n = 0;
    b->exponent = b->least_exponent = 1;
    b->most_exponent = EXPONENT_MOST;
    for (size_t i = 0; i < k->records; i++) {
        const struct runtime_record *r = &k->record[i];
        double found = i == k->base || r->result.lower_bound
                           ? (double)NAN
                           : runtime_exponent(b, &r->log.curve, k->file.terms.cutoff_V);
        if (isnan(found))
            continue;
        b->least_exponent = n == 0 ? found : fmin(b->least_exponent, found);
        b->most_exponent = n == 0 ? found : fmax(b->most_exponent, found);
        sum += found;
        n++;
    }
    /* Below 1 more came out than the resistance lets expect: no reason to hope for it. */
    k->calibrated = n;
    b->exponent = n > 0 ? fmax(1, sum / (double)n) : 1;
    b->most_exponent = n > 0 ? fmax(b->exponent, b->most_exponent) : EXPONENT_MOST;
}

/* Below the smallest current that was measured nobody knows that still more charge comes: what
 * was measured between others is in the interval only. */
static void settle_range(struct runtime_case *k)
{
    const struct discharge_curve *base = &k->record[k->base].log.curve;
    double A = k->load.mean_A + k->load.mean_W / k->record[k->base].result.mean_voltage_V;
    k->lowest_A = k->highest_A = base->current_A;
    for (size_t i = 0; i < k->records; i++) {
        k->lowest_A = fmin(k->lowest_A, k->record[i].log.curve.current_A);
        k->highest_A = fmax(k->highest_A, k->record[i].log.curve.current_A);
    }
    k->capped = A < k->lowest_A && k->battery.exponent > 1;
    k->battery.exponent = k->capped ? 1 : k->battery.exponent;
}

/* What the same battery would give at another temperature, by one rule both ways. */
static bool settle_temperature(struct runtime_case *k, struct err *e)
{
    const struct capacity_result *r = &k->record[k->base].result;
    struct correction_choice c = k->file.correction;
    struct correction_answer then, now;
    struct correction_subject s = {r->capacity_Ah,          r->loaded_s,
                                   fabs(r->mean_current_A), r->temperature_start_C,
                                   r->temperature_mean_C,   r->temperature_end_C};
    k->battery.charge_factor = 1;
    if (c.rule == CORRECTION_NONE)
        return true;
    correction_apply(&c, &s, &then);
    c.temperature_C = k->file.temperature_C;
    correction_apply(&c, &s, &now);
    if (!then.applied || !now.applied)
        return err_set(e, ERR_CONFIG, "correction: %s", then.applied ? now.why : then.why);
    k->recorded_C = then.temperature_C;
    k->battery.charge_factor = then.factor / now.factor;
    k->battery.charge_factor_half = TEMPERATURE_ERROR * fabs(k->battery.charge_factor - 1);
    return true;
}

static bool predict(struct runtime_case *k, struct err *e)
{
    const struct runtime_file *f = &k->file;
    k->load = runtime_load_of(f->appliance, f->appliance_count, &f->inverter);
    k->base = nearest_record(k);
    k->recorded_C = k->record[k->base].result.temperature_mean_C;
    k->battery.curve = &k->record[k->base].log.curve;
    settle_resistance(k);
    if (!settle_temperature(k, e))
        return false;
    settle_exponent(k);
    settle_range(k);
    return runtime_predict(&k->battery, &k->load, &f->terms, &k->answer, e);
}

/* --- the verb --- */

/* Where the curve comes from, when the command line says it. */
static bool override_source(struct runtime_file *f, const char *battery, const char *run,
                            const char *const *logs, struct err *e)
{
    if (battery == NULL && run == NULL && logs[0] == NULL)
        return true;
    f->battery[0] = f->run[0] = '\0';
    f->log_count = 0;
    if (!text_format(f->battery, sizeof f->battery, "%s", battery != NULL ? battery : "") ||
        !text_format(f->run, sizeof f->run, "%s", run != NULL ? run : ""))
        return err_set(e, ERR_CONFIG, "the name of the battery or run is too long");
    for (size_t i = 0; i < RUNTIME_LOGS_MAX && logs[i] != NULL; i++) {
        if (!text_format(f->logs[i], sizeof f->logs[i], "%s", logs[i]))
            return err_set(e, ERR_CONFIG, "the path %.60s... is too long", logs[i]);
        f->log_count = i + 1;
    }
    if ((battery != NULL) + (run != NULL) + (f->log_count > 0) > 1)
        return err_set(e, ERR_CONFIG, "only one of --battery, --run and logs");
    return true;
}

static void show(const struct cli *c, const struct runtime_case *k)
{
    if (!c->json) {
        runtime_print(k, stdout);
        return;
    }
    json_t *document = runtime_document(k);
    print_json(document);
    json_decref(document);
}

int verb_runtime(struct cli *c, int argc, char **argv)
{
    struct runtime_case *k = zalloc(sizeof *k);
    const char *path = NULL, *battery = NULL, *run = NULL, *logs[RUNTIME_LOGS_MAX + 1] = {NULL};
    bool positive = false;
    struct err e = {0};
    const struct option_spec options[] = {
        {.name = "battery", .wants = "LABEL", .text = &battery},
        {.name = "run", .wants = "RUN", .text = &run},
        {.name = "discharge-positive", .flag = &positive},
    };
    struct operand_spec operands[RUNTIME_LOGS_MAX + 1] = {{"FILE.yaml", &path, true}};
    for (size_t i = 0; i < RUNTIME_LOGS_MAX; i++)
        operands[i + 1] = (struct operand_spec){"LOG.csv", &logs[i], false};
    const struct args_spec spec = {options, sizeof options / sizeof options[0], operands,
                                   RUNTIME_LOGS_MAX + 1};
    bool ok = args_read(&spec, c, argc, argv, &e) && runtime_file_read(path, &k->file, &e) &&
              override_source(&k->file, battery, run, logs, &e);
    k->file.discharge_positive = k->file.discharge_positive || positive;
    ok = ok && take_records(k, c, &e) && predict(k, &e);
    if (ok)
        show(c, k);
    for (size_t i = 0; i < RUNTIME_LOGS_MAX; i++)
        log_curve_free(&k->record[i].log);
    free(k);
    return ok ? EXIT_DONE : cli_fail("runtime", &e);
}
