/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/output: what changes an instrument: set, protect, switch on, and
 * above all off. Nothing counts as done before it was read back. */
#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "base/sample.h"
#include "instrument/inside.h"
#include "scpi/scpi_syntax.h"

#include <math.h>
#include <string.h>

/* Taken where the driver does not say how finely the instrument resolves. */
#define RESOLUTION_UNKNOWN 0.001
#define READ_BACK_GAIN 0.001
#define SAFE_RETRY_MS 100
#define SAFE_MAX_MS 12000
/* How long off waits for its turn where a link is shared, before it is put past who
 * has it; and how long asking back waits: as long as resynchronising may take. */
#define OFF_TURN_MS 200
#define CONFIRM_TURN_MS 3000

/* --- what it holds --- */

static const struct driver_values no_values = {NAN, NAN, NAN, NAN};

/* A load in another mode takes the current that is set for something else. */
static bool check_mode(struct instrument *i, struct err *why)
{
    const struct driver *d = i->driver;
    char answer[64];
    const char *match = d->mode[i->hold].match;
    if (d->mode_query[0] == '\0') {
        return true;
    }
    if (!scpi_query(i->wire->session, d->mode_query, answer, sizeof answer, why)) {
        return err_prefix(why, "read back the mode");
    }
    return text_matches(match, answer) ||
           err_set(why, ERR_INSTRUMENT,
                   "its mode reads back as \"%s\", \"%s\" is wanted: look whether its front panel "
                   "or a menu locks the mode",
                   answer, match);
}

/* "40" fits 4.00000E+01 too, and 40.000A: of a number the value counts. */
static bool answer_fits(const char *match, const char *answer)
{
    struct scpi_number wanted, got;
    if (!scpi_number_parse(match, strlen(match), &wanted, NULL) ||
        !scpi_number_parse(answer, strlen(answer), &got, NULL)) {
        return text_matches(match, answer);
    }
    return fabs(got.value - wanted.value) <= READ_BACK_GAIN * fabs(wanted.value);
}

/* What else must be as it is thought to be: a wrong range measures wrong. */
static bool check_rest(struct instrument *i, struct err *why)
{
    const struct driver *d = i->driver;
    char answer[64];
    for (size_t n = 0; n < d->check_count; n++) {
        const struct driver_check *c = &d->check[n];
        if (!scpi_query(i->wire->session, c->ask, answer, sizeof answer, why)) {
            return err_prefix(why, "check");
        }
        if (!answer_fits(c->match, answer)) {
            return err_set(why, ERR_INSTRUMENT,
                           "%s answers \"%s\", \"%s\" is wanted: set it so at its front panel, or "
                           "with the verb prepare of driver %s",
                           c->ask, answer, c->match, d->name);
        }
    }
    return true;
}

static bool require_off(struct instrument *i, struct err *why)
{
    bool on = true;
    return inside_ask_state(i, &on, why) &&
           (!on ||
            err_set(why, ERR_REFUSED, "it is on, and what it holds changes only while it is off"));
}

/* Not sure of it before it was read back: then the next set point selects anew. */
static bool select_mode(struct instrument *i, enum hold h, struct err *why)
{
    const struct driver_lines *lines = &i->driver->mode[h].select;
    i->hold = h;
    i->hold_sure = false;
    i->hold_sure = inside_command(i, lines, &no_values, why) && check_mode(i, why);
    return i->hold_sure;
}

static bool make_hold(struct instrument *i, enum hold h, struct err *why)
{
    bool only_one = i->driver->mode[h].select.count == 0;
    if (only_one || (i->hold_sure && i->hold == h)) {
        return true;
    }
    return require_off(i, why) && select_mode(i, h, why);
}

/* --- set and read back --- */

struct setting {
    const char *what; /* "current" */
    const char *unit;
    enum verb verb;
    enum question question;
    double value, max, resolution;
    bool is_held; /* else it protects, whatever is held */
    enum hold hold;
};

static bool read_back(struct instrument *i, const struct setting *s, struct err *why)
{
    double got = NAN;
    double resolution = isfinite(s->resolution) ? s->resolution : RESOLUTION_UNKNOWN;
    double allowed = fmax(resolution, READ_BACK_GAIN * fabs(s->value));
    if (!inside_ask_number(i, s->question, &got, why)) {
        return err_prefix(why, "read back");
    }
    /* A hair more: 3.301 - 3.300 is a little above 0.001 in binary. */
    if (fabs(got - s->value) <= allowed * (1 + 1e-6)) {
        return true;
    }
    return err_set(why, ERR_INSTRUMENT, "read back %.4f %s", got, s->unit);
}

static bool set(struct instrument *i, const struct setting *s, struct err *e)
{
    struct err why = {0};
    const struct driver_values values = {s->value, s->value, s->value, s->value};
    char what[80];
    bool ok = false;
    text_format(what, sizeof what, "set %s %.4f %s", s->what, s->value, s->unit);
    if (!isfinite(s->value) || s->value < 0) {
        err_set(&why, ERR_BUG, "it must be a magnitude");
    } else if (s->value > s->max) {
        err_set(&why, ERR_REFUSED, "above its rating of %.4g %s", s->max, s->unit);
    } else if (i->driver->verb[s->verb].count == 0) {
        err_set(&why, ERR_REFUSED, "driver %s does not know how: add the lines for it to its file",
                i->driver->name);
    } else {
        ok = inside_enter(i, &why) && inside_require_open(i, &why) &&
             (!s->is_held || make_hold(i, s->hold, &why)) &&
             inside_command(i, &i->driver->verb[s->verb], &values, &why) &&
             (i->driver->question[s->question][0] == '\0' || read_back(i, s, &why));
    }
    return inside_end(i, ok, what, &why, e);
}

bool instrument_set_current(struct instrument *i, double magnitude_A, struct err *e)
{
    const struct setting s = {.what = "current",
                              .unit = "A",
                              .verb = VERB_SET_CURRENT,
                              .question = ASK_SET_CURRENT,
                              .value = magnitude_A,
                              .max = i->driver->current_max_A,
                              .resolution = i->driver->current_resolution_A,
                              .is_held = true,
                              .hold = HOLD_CURRENT};
    return set(i, &s, e);
}

bool instrument_set_voltage(struct instrument *i, double volts, struct err *e)
{
    const struct setting s = {.what = "voltage",
                              .unit = "V",
                              .verb = VERB_SET_VOLTAGE,
                              .question = ASK_SET_VOLTAGE,
                              .value = volts,
                              .max = i->driver->voltage_max_V,
                              .resolution = i->driver->voltage_resolution_V};
    return set(i, &s, e);
}

bool instrument_set_power(struct instrument *i, double watts, struct err *e)
{
    const struct setting s = {.what = "power",
                              .unit = "W",
                              .verb = VERB_SET_POWER,
                              .question = ASK_SET_POWER,
                              .value = watts,
                              .max = i->driver->power_max_W,
                              .resolution = i->driver->power_resolution_W,
                              .is_held = true,
                              .hold = HOLD_POWER};
    return set(i, &s, e);
}

/* No rating bounds a resistance from below: that depends on the battery, and the
 * plan knows it. */
bool instrument_set_resistance(struct instrument *i, double ohm, struct err *e)
{
    const struct setting s = {.what = "resistance",
                              .unit = "Ohm",
                              .verb = VERB_SET_RESISTANCE,
                              .question = ASK_SET_RESISTANCE,
                              .value =
                                  ohm > 0 ? ohm : (double)NAN, /* none at all is a short circuit */
                              .max = INFINITY,
                              .resolution = i->driver->resistance_resolution_ohm,
                              .is_held = true,
                              .hold = HOLD_RESISTANCE};
    return set(i, &s, e);
}

bool instrument_protect(struct instrument *i, const struct instrument_protection *p,
                        int *programmed, struct err *e)
{
    /* No rating above: protections may be set past it, to be as good as off. */
    const struct setting settings[] = {
        {"its under-voltage protection", "V", VERB_UNDER_VOLTAGE, ASK_UNDER_VOLTAGE,
         p->under_voltage_V, INFINITY, i->driver->voltage_resolution_V, false, HOLD_CURRENT},
        {"its over-voltage protection", "V", VERB_OVER_VOLTAGE, ASK_OVER_VOLTAGE, p->over_voltage_V,
         INFINITY, i->driver->voltage_resolution_V, false, HOLD_CURRENT},
        {"its over-current protection", "A", VERB_OVER_CURRENT, ASK_OVER_CURRENT, p->over_current_A,
         INFINITY, i->driver->current_resolution_A, false, HOLD_CURRENT},
    };
    *programmed = 0;
    for (size_t n = 0; n < sizeof settings / sizeof settings[0]; n++) {
        if (isnan(settings[n].value) || i->driver->verb[settings[n].verb].count == 0) {
            continue;
        }
        if (!set(i, &settings[n], e)) {
            return false;
        }
        (*programmed)++;
    }
    return true;
}

/* --- prepare, on --- */

static bool prepare(struct instrument *i, struct err *why)
{
    return inside_require_open(i, why) &&
           (i->driver->protocol != PROTOCOL_SCPI ||
            (inside_drain_errors(i, why) &&
             inside_command(i, &i->driver->verb[VERB_PREPARE], &no_values, why) &&
             select_mode(i, HOLD_CURRENT, why) && check_rest(i, why)));
}

bool instrument_prepare(struct instrument *i, struct err *e)
{
    struct err why = {0};
    bool ok = inside_enter(i, &why) && prepare(i, &why);
    return inside_end(i, ok, "prepare", &why, e);
}

static bool switch_on(struct instrument *i, struct err *why)
{
    bool on = false;
    if (!inside_require_open(i, why) || !check_mode(i, why) || !check_rest(i, why) ||
        !inside_command(i, &i->driver->verb[VERB_ON], &no_values, why) ||
        !inside_ask_state(i, &on, why)) {
        return false;
    }
    return on || err_set(why, ERR_INSTRUMENT,
                         "it still says off: look at its display for what holds it back");
}

bool instrument_on(struct instrument *i, struct err *e)
{
    struct err why = {0};
    if (i->driver->verb[VERB_ON].count == 0) {
        err_set(&why, ERR_BUG, "driver %s has no output", i->driver->name);
        return inside_fail(i, "switch on", &why, e);
    }
    bool ok = inside_enter(i, &why) && switch_on(i, &why);
    return inside_end(i, ok, "switch on", &why, e);
}

bool instrument_is_on(struct instrument *i, bool *on, struct err *e)
{
    struct err why = {0};
    if (i->driver->question[ASK_STATE][0] == '\0') {
        *on = false;
        return true;
    }
    bool ok =
        inside_enter(i, &why) && inside_require_open(i, &why) && inside_ask_state(i, on, &why);
    return inside_end(i, ok, "ask whether it is on", &why, e);
}

/* --- off --- */

static bool has_output(const struct instrument *i)
{
    return i->driver->verb[VERB_OFF].count > 0;
}

/* The remote lines too: some instruments take nothing before them. A line that
 * cannot be sent does not keep the next from being sent. */
static bool send_off(struct instrument *i, struct err *why)
{
    struct err unwanted = {0};
    if (!inside_open(i, why)) {
        return false;
    }
    /* Half a line of ours may stand in its input: an end of line makes it one that
     * means nothing, lest it spoil the next. */
    bool ended = !scpi_is_suspect(i->wire->session) || link_by_message(i->address) ||
                 scpi_send(i->wire->session, "", &unwanted);
    bool remote = inside_send(i, VERB_REMOTE, &unwanted);
    bool off = inside_send(i, VERB_OFF, why);
    return off && (ended || err_set(why, unwanted.code, "%s", unwanted.text)) &&
           (remote || err_set(why, unwanted.code, "%s", unwanted.text));
}

/* The other stand that shares the wire holds it too long: off does not wait for that. */
static bool put_off_past(struct instrument *i)
{
    char bytes[DRIVER_LINES_MAX * DRIVER_LINE_SIZE * 2];
    size_t n = 0;
    return instrument_off_bytes(i, bytes, sizeof bytes, &n, NULL) &&
           wire_put_past(i->wire, bytes, n, i->driver->scpi.pause_ms);
}

void instrument_send_off(struct instrument *i)
{
    struct err why = {0};
    if (!has_output(i)) {
        return;
    }
    inside_use_wake(i, -1);
    bool in = inside_enter_first(i, OFF_TURN_MS, &why);
    if (!in && !put_off_past(i)) {
        in = inside_enter_first(i, CONFIRM_TURN_MS, &why); /* who is in may be opening it */
    }
    if (in && !send_off(i, &why) && why.code == ERR_LINK_LOST) {
        inside_lose(i);
    }
    inside_leave(i);
    inside_use_wake(i, i->wake_fd);
}

double instrument_off_current(const struct instrument *i)
{
    return off_current_A(i->driver->current_offset_A, i->driver->current_max_A);
}

static bool confirm_off(struct instrument *i, struct err *why)
{
    struct reading r;
    bool on = true;
    if (!inside_ask_state(i, &on, why) || !inside_read(i, &r, why)) {
        return false;
    }
    double allowed = instrument_off_current(i);
    if (on) {
        return err_set(why, ERR_INSTRUMENT, "it still says on, with %.3f A", r.current_A);
    }
    if (!(fabs(r.current_A) < allowed)) {
        return err_set(why, ERR_INSTRUMENT,
                       "it says off, but %.3f A still flows (less than %.3f A would be none)",
                       r.current_A, allowed);
    }
    return true;
}

static bool try_off(struct instrument *i, struct err *why)
{
    struct err unwanted = {0};
    if (!inside_enter_first(i, CONFIRM_TURN_MS, why)) {
        (void)put_off_past(i);
        return false;
    }
    /* Asking in a suspect session resynchronises first. */
    bool ok = send_off(i, why) && confirm_off(i, why);
    if (ok && !inside_drain_errors(i, &unwanted)) {
        /* Complaints about lines sent blind shall not be laid to the next command;
         * but off it is, whether they can be read or not. */
        log_debug("%s: %s", i->name, unwanted.text);
    }
    if (!ok && why->code == ERR_LINK_LOST) {
        inside_lose(i); /* the next try opens it anew */
    }
    inside_leave(i);
    return ok;
}

/* What is being made safe together. */
struct safing {
    size_t n;
    struct {
        struct instrument *i;
        bool off;
        int tries;
        struct err why;
    } one[SAFE_TOGETHER_MAX];
};

static bool all_off(const struct safing *s)
{
    for (size_t k = 0; k < s->n; k++) {
        if (!s->one[k].off) {
            return false;
        }
    }
    return true;
}

static void pause_before_retry(const struct safing *s)
{
    int ms = SAFE_RETRY_MS;
    for (size_t k = 0; k < s->n; k++) {
        const struct instrument *i = s->one[k].i;
        if (!s->one[k].off && i->driver->settle_ms > ms) {
            ms = i->driver->settle_ms;
        }
    }
    struct clock *real = s->one[0].i->real;
    clock_wait_until(real, clock_now_ns(real) + ms * NS_PER_MS, -1);
}

/* Asking one that is silent takes seconds: before that the others hear off again. */
static void try_one(struct safing *s, size_t asked)
{
    for (size_t k = 0; k < s->n; k++) {
        if (k != asked && !s->one[k].off) {
            instrument_send_off(s->one[k].i);
        }
    }
    struct instrument *i = s->one[asked].i;
    inside_use_wake(i, -1);
    s->one[asked].off = try_off(i, &s->one[asked].why);
    s->one[asked].tries++;
    inside_use_wake(i, i->wake_fd);
}

static void try_in_turn(struct safing *s, int tries)
{
    int64_t begun_ns = clock_real_ns();
    for (int round = 0; round < tries && !all_off(s); round++) {
        if (round > 0) {
            pause_before_retry(s);
        }
        for (size_t k = 0; k < s->n; k++) {
            bool late = clock_real_ns() - begun_ns > SAFE_MAX_MS * NS_PER_MS;
            if (s->one[k].off) {
                continue;
            }
            if (round > 0 && late) {
                return;
            }
            try_one(s, k);
        }
    }
}

static void tell_not_off(struct instrument *i, int tries, struct err *why)
{
    char what[96];
    if (why->code == ERR_LINK_LOST) {
        /* Nothing is known of an output that cannot be reached; its own message says why. */
        text_format(what, sizeof what, "cannot be reached");
    } else {
        text_format(what, sizeof what,
                    "not confirmed off after %d %s, disconnect the battery by hand", tries,
                    tries == 1 ? "try" : "tries");
    }
    inside_fail(i, what, why, NULL);
}

bool instruments_make_safe(struct instrument *const *all, size_t n, int tries, struct err *why)
{
    struct safing s = {.n = n};
    for (size_t k = 0; k < n; k++) {
        s.one[k].i = all[k];
        s.one[k].off = !has_output(all[k]);
    }
    try_in_turn(&s, tries);
    for (size_t k = 0; k < n; k++) {
        why[k] = (struct err){0};
        if (!s.one[k].off) {
            why[k] = s.one[k].why;
            tell_not_off(all[k], s.one[k].tries, &why[k]);
        }
    }
    return all_off(&s);
}

bool instrument_make_safe(struct instrument *i, int tries, struct err *e)
{
    struct err why;
    if (instruments_make_safe(&i, 1, tries, &why)) {
        return true;
    }
    if (e != NULL) {
        *e = why;
    }
    return false;
}
