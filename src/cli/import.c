/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/import: the verb import: a recorded log becomes a run of a battery. */
#include "base/base64.h"
#include "base/file.h"
#include "base/sha256_sum.h"
#include "cli/accuracy.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/run_text.h"
#include "cli/words.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* So much of the file in one request; as text it keeps below what the daemon takes. */
#define PIECE 45000

struct import_words {
    const char *file, *battery, *started;
    const char *step, *name, *time, *voltage, *current, *temperature;
    const char *from, *to, *cutoff, *set_current, *lead, *sense;
    const char *voltage_accuracy, *current_accuracy, *accept, *decision, *guard_share;
    bool discharge_positive, starts_full, anyway;
};

/* A quantity in the unit of its key; text NULL: not given. `times`: what a value relative to
 * the battery is a multiple of, NAN where its record does not say. */
struct wanted {
    const char *option, *text;
    unsigned allowed;
    const char *key;
    double times;
    enum dimension relative;
};

static bool put(json_t *request, const struct wanted *w, struct err *e)
{
    struct quantity q;
    if (w->text == NULL) {
        return true;
    }
    if (!quantity_parse_as(w->text, w->allowed, &q, e)) {
        return err_prefix(e, "--%s", w->option);
    }
    if (q.dimension == w->relative && w->relative != DIM_NUMBER) {
        q.value *= w->times;
    }
    if (!isfinite(q.value)) {
        return err_set(e, ERR_CONFIG,
                       "--%s %s is relative to what the battery's record does not say; give an "
                       "amount",
                       w->option, w->text);
    }
    json_object_set_new(request, w->key, json_real(q.value));
    return true;
}

static bool put_quantities(json_t *request, const struct import_words *w, const json_t *battery,
                           struct err *e)
{
    double rated_Ah = number_at(battery, "rated_Ah");
    const struct wanted wanted[] = {
        {"from", w->from, DIM_BIT(DIM_TIME), "from_s", NAN, DIM_NUMBER},
        {"to", w->to, DIM_BIT(DIM_TIME), "to_s", NAN, DIM_NUMBER},
        {"cutoff", w->cutoff, DIM_BIT(DIM_VOLTAGE) | DIM_BIT(DIM_VOLTAGE_PER_CELL), "cutoff_V",
         (double)integer_at(battery, "cells"), DIM_VOLTAGE_PER_CELL},
        {"set-current", w->set_current, DIM_BIT(DIM_CURRENT) | DIM_BIT(DIM_RELATIVE_CURRENT),
         "current_A", rated_Ah, DIM_RELATIVE_CURRENT},
        {"lead-resistance", w->lead, DIM_BIT(DIM_RESISTANCE), "lead_resistance_ohm", NAN,
         DIM_NUMBER},
        {"accept", w->accept, DIM_BIT(DIM_CHARGE) | DIM_BIT(DIM_RATIO), "acceptance_Ah", rated_Ah,
         DIM_RATIO},
        {"guard-share", w->guard_share, DIM_BIT(DIM_RATIO), "guard_share_percent", 100, DIM_RATIO},
    };
    for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++) {
        if (!put(request, &wanted[i], e)) {
            return false;
        }
    }
    return true;
}

struct accuracy_wanted {
    const char *option, *text;
    enum dimension unit;
    const char *gain_key, *offset_key;
};

static bool put_accuracy(json_t *request, const struct accuracy_wanted *w, struct err *e)
{
    struct accuracy a = {NAN, NAN, NAN};
    if (w->text == NULL) {
        return true;
    }
    if (!accuracy_read(w->text, w->unit, &a, e)) {
        return err_prefix(e, "--%s", w->option);
    }
    if (isfinite(a.gain)) {
        json_object_set_new(request, w->gain_key, json_real(100 * a.gain));
    }
    if (isfinite(a.offset)) {
        json_object_set_new(request, w->offset_key, json_real(a.offset));
    }
    return true;
}

static bool put_texts(json_t *request, const struct import_words *w, struct err *e)
{
    const char *slash = strrchr(w->file, '/');
    const char *const texts[][2] = {
        {"file", slash != NULL ? slash + 1 : w->file},
        {"started_utc", w->started},
        {"step", w->step},
        {"name", w->name},
        {"time_column", w->time},
        {"voltage_column", w->voltage},
        {"current_column", w->current},
        {"temperature_column", w->temperature},
        {"voltage_source", w->sense},
        {"rule", w->decision},
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        json_t *v = texts[i][1] != NULL ? json_string(texts[i][1]) : json_null();
        if (v == NULL) {
            return err_set(e, ERR_CONFIG, "the %s is not UTF-8", texts[i][0]);
        }
        json_object_set_new(request, texts[i][0], v);
    }
    json_object_set_new(request, "discharge_positive", json_boolean(w->discharge_positive));
    json_object_set_new(request, "starts_full", json_boolean(w->starts_full));
    json_object_set_new(request, "anyway", json_boolean(w->anyway));
    return true;
}

static bool make_request(const struct import_words *w, const json_t *battery, json_t **out,
                         struct err *e)
{
    const struct accuracy_wanted voltage = {"voltage-accuracy", w->voltage_accuracy, DIM_VOLTAGE,
                                            "voltage_gain_percent", "voltage_offset_V"};
    const struct accuracy_wanted current = {"current-accuracy", w->current_accuracy, DIM_CURRENT,
                                            "current_gain_percent", "current_offset_A"};
    *out = json_object();
    if (put_texts(*out, w, e) && put_quantities(*out, w, battery, e) &&
        put_accuracy(*out, &voltage, e) && put_accuracy(*out, &current, e)) {
        return true;
    }
    json_decref(*out);
    *out = NULL;
    return false;
}

/* --- sending --- */

static bool post_piece(struct client *c, const char *path, long long at, size_t n,
                       const unsigned char *bytes, struct err *e)
{
    char text[BASE64_SIZE(PIECE)];
    json_t *answer = NULL;
    base64_encode(bytes, n, text);
    json_t *body = json_pack("{s:I, s:s}", "at", (json_int_t)at, "base64", text);
    bool ok = client_post(c, path, body, &answer, e);
    json_decref(body);
    json_decref(answer);
    return ok;
}

static bool send_file(struct client *c, const char *id, FILE *f, char sha256[SHA256_TEXT_SIZE],
                      struct err *e)
{
    unsigned char bytes[PIECE];
    char path[CLIENT_PATH_SIZE];
    struct sha256_sum sum;
    long long at = 0;
    size_t n = 0;
    bool ok = client_path(path, "/v1/imports/", id, "/piece", e);
    sha256_sum_start(&sum);
    while (ok && (n = fread(bytes, 1, sizeof bytes, f)) > 0) {
        sha256_sum_add(&sum, bytes, n);
        ok = post_piece(c, path, at, n, bytes, e);
        at += (long long)n;
    }
    sha256_sum_end(&sum, sha256);
    return ok && (!ferror(f) || err_set_errno(e, errno, "read the file"));
}

static bool finish(struct client *c, const char *id, const char *sha256, json_t **run,
                   struct err *e)
{
    char path[CLIENT_PATH_SIZE];
    json_t *body = json_pack("{s:s}", "sha256", sha256);
    client_be_patient(c);
    bool ok =
        client_path(path, "/v1/imports/", id, "/finish", e) && client_post(c, path, body, run, e);
    json_decref(body);
    return ok;
}

/* What was sent in vain need not wait in the daemon. */
static void give_up(struct client *c, const char *id)
{
    char path[CLIENT_PATH_SIZE];
    struct err none = {0};
    json_t *answer = NULL;
    if (client_path(path, "/v1/imports/", id, "/drop", &none) &&
        client_post(c, path, NULL, &answer, &none)) {
        json_decref(answer);
    }
}

static bool send(struct client *c, const struct import_words *w, FILE *f, json_t **run,
                 struct err *e)
{
    char path[CLIENT_PATH_SIZE], sha256[SHA256_TEXT_SIZE];
    json_t *battery = NULL, *request = NULL, *begun = NULL;
    bool ok = client_path(path, "/v1/batteries/", w->battery, "", e) &&
              client_get(c, path, &battery, e) && make_request(w, battery, &request, e) &&
              client_path(path, "/v1/batteries/", w->battery, "/imports", e) &&
              client_post(c, path, request, &begun, e);
    if (ok) {
        const char *id = text_at(begun, "import");
        ok = send_file(c, id, f, sha256, e);
        if (!ok) {
            give_up(c, id);
        }
        ok = ok && finish(c, id, sha256, run, e);
    }
    json_decref(battery);
    json_decref(request);
    json_decref(begun);
    return ok;
}

static bool open_log(const char *name, FILE **out, struct err *e)
{
    struct stat st;
    *out = fopen(name, "rbe");
    if (*out != NULL && fstat(fileno(*out), &st) == 0 && S_ISREG(st.st_mode)) {
        return true;
    }
    err_set(e, ERR_CONFIG, "cannot read %s: %s; give the file of a log", name,
            *out != NULL ? "it is not a regular file" : strerror(errno));
    if (*out != NULL) {
        fclose(*out);
    }
    return false;
}

static int import(struct cli *c, const char *verb, const struct import_words *w)
{
    FILE *f = NULL;
    struct client *client = NULL;
    struct err e = {0};
    json_t *run = NULL;
    bool ok = open_log(w->file, &f, &e);
    if (ok) {
        ok = client_open(c->socket, &client, &e) && send(client, w, f, &run, &e);
        client_close(client);
        fclose(f);
    }
    if (!ok) {
        return cli_fail(verb, &e);
    }
    ask_tell_run(c, run);
    json_decref(run);
    return EXIT_DONE;
}

int verb_import(struct cli *c, int argc, char **argv)
{
    struct import_words w = {0};
    const struct option_spec options[] = {
        {.name = "battery", .wants = "LABEL", .text = &w.battery, .required = true},
        {.name = "started", .wants = "2024-05-01T18:00:00Z", .text = &w.started},
        {.name = "step", .wants = "discharge", .text = &w.step},
        {.name = "name", .wants = "TEXT", .text = &w.name},
        {.name = "time", .wants = "COLUMN", .text = &w.time},
        {.name = "voltage", .wants = "COLUMN", .text = &w.voltage},
        {.name = "current", .wants = "COLUMN", .text = &w.current},
        {.name = "temperature", .wants = "COLUMN", .text = &w.temperature},
        {.name = "discharge-positive", .flag = &w.discharge_positive},
        {.name = "from", .wants = "TIME", .text = &w.from},
        {.name = "to", .wants = "TIME", .text = &w.to},
        {.name = "cutoff", .wants = "VOLTAGE", .text = &w.cutoff},
        {.name = "set-current", .wants = "CURRENT", .text = &w.set_current},
        {.name = "lead-resistance", .wants = "RESISTANCE", .text = &w.lead},
        {.name = "sense", .wants = "two-wire", .text = &w.sense},
        {.name = "voltage-accuracy", .wants = "LIMITS", .text = &w.voltage_accuracy},
        {.name = "current-accuracy", .wants = "LIMITS", .text = &w.current_accuracy},
        {.name = "accept", .wants = "LEAST", .text = &w.accept},
        {.name = "decision", .wants = "RULE", .text = &w.decision},
        {.name = "guard-share", .wants = "PART", .text = &w.guard_share},
        {.name = "starts-full", .flag = &w.starts_full},
        {.name = "anyway", .flag = &w.anyway},
    };
    const struct operand_spec operand = {"FILE.csv", &w.file, true};
    const struct args_spec spec = {options, sizeof options / sizeof options[0], &operand, 1};
    struct err e = {0};
    return args_read(&spec, c, argc, argv, &e) ? import(c, argv[0], &w) : cli_fail(argv[0], &e);
}
