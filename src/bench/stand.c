/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/stand: what is done with all instruments of one stand together: bring
 * up, make safe, read. */
#include "base/clock.h"
#include "base/file.h"
#include "bench/bench.h"

#include <math.h>
#include <string.h>

#define BRING_UP_TRIES 3

/* Instruments with an output, the one that can do more harm unattended first: a
 * supply can overcharge, a load can empty; both matter, the order is fixed. */
static const enum role outputs[] = {ROLE_SUPPLY, ROLE_LOAD};
#define OUTPUTS (sizeof outputs / sizeof outputs[0])

static void send_off_open(struct stand_config *s, bool was_open[OUTPUTS])
{
    for (size_t i = 0; i < OUTPUTS; i++) {
        struct instrument *one = s->instrument[outputs[i]];
        was_open[i] = one != NULL && instrument_is_open(one);
        if (was_open[i]) {
            instrument_send_off(one);
        }
    }
}

void stand_send_off_open(struct stand_config *s)
{
    bool was_open[OUTPUTS];
    send_off_open(s, was_open);
}

void stand_send_off(struct stand_config *s)
{
    bool was_open[OUTPUTS];
    send_off_open(s, was_open);
    /* Opening may take a second or two, where an instrument is not there. */
    for (size_t i = 0; i < OUTPUTS; i++) {
        if (s->instrument[outputs[i]] != NULL && !was_open[i]) {
            instrument_send_off(s->instrument[outputs[i]]);
        }
    }
}

/* why[] by enum role; ERR_NONE for what is off, or is not there. */
static bool confirm_off(struct stand_config *s, int tries, struct err why[4])
{
    struct instrument *all[OUTPUTS] = {NULL};
    struct err each[OUTPUTS];
    enum role role[OUTPUTS];
    size_t n = 0;
    for (size_t i = 0; i < OUTPUTS; i++) {
        why[outputs[i]] = (struct err){0};
        if (s->instrument[outputs[i]] != NULL) {
            role[n] = outputs[i];
            all[n++] = s->instrument[outputs[i]];
        }
    }
    bool ok = instruments_make_safe(all, n, tries, each);
    for (size_t i = 0; i < n; i++) {
        why[role[i]] = each[i];
    }
    return ok;
}

static void note_problem(struct stand_health *h, enum role role, const struct err *why,
                         struct err *e)
{
    text_format(h->problem[role], ERR_TEXT_SIZE, "%s", why->text);
    if (h->ok && e != NULL) {
        *e = *why;
    }
    h->ok = false;
}

bool stand_bring_up(struct stand_config *s, struct stand_health *health, struct err *e)
{
    struct stand_health h = {.ok = true};
    struct err why = {0}, not_off[4];
    stand_send_off(s);
    bool off = confirm_off(s, BRING_UP_TRIES, not_off);
    for (size_t i = 0; !off && i < OUTPUTS; i++) {
        const struct err *output = &not_off[outputs[i]];
        h.output[outputs[i]] = output->code;
        if (output->code == ERR_INSTRUMENT && !h.still_on) {
            h.still_on = true;
            h.not_off = *output;
        }
        if (output->code != ERR_NONE) {
            note_problem(&h, outputs[i], output, e);
        }
    }
    for (int role = 0; role < 4; role++) {
        struct instrument *one = s->instrument[role];
        if (one == NULL || h.problem[role][0] != '\0') {
            continue;
        }
        if (!instrument_open(one, &why) || !instrument_identify(one, &why)) {
            note_problem(&h, (enum role)role, &why, e);
        }
    }
    *health = h;
    return h.ok;
}

bool stand_make_safe(struct stand_config *s, int tries, struct err *e)
{
    struct err not_off[4];
    stand_send_off(s);
    bool ok = confirm_off(s, tries, not_off);
    const struct err *worst = NULL;
    for (size_t i = 0; i < OUTPUTS; i++) {
        const struct err *why = &not_off[outputs[i]];
        if (why->code != ERR_NONE && (worst == NULL || why->code == ERR_INSTRUMENT)) {
            worst = why;
        }
    }
    if (worst != NULL && e != NULL) {
        *e = *worst;
    }
    return ok;
}

/* The instrument whose current counts. */
static struct instrument *current_source(struct stand_config *s, enum stand_use use)
{
    struct instrument *load = s->instrument[ROLE_LOAD], *supply = s->instrument[ROLE_SUPPLY];
    if (use == STAND_CHARGES) {
        return supply != NULL ? supply : load;
    }
    return load != NULL ? load : supply;
}

double stand_off_current(const struct stand_config *s)
{
    double most_A = 0;
    for (size_t i = 0; i < OUTPUTS; i++) {
        const struct instrument *one = s->instrument[outputs[i]];
        most_A = one != NULL ? fmax(most_A, instrument_off_current(one)) : most_A;
    }
    return most_A;
}

/* Nothing is on, the load was read: a supply that leaks counts instead. */
static bool look_for_leak(struct stand_config *s, struct reading *out, struct err *e)
{
    struct instrument *supply = s->instrument[ROLE_SUPPLY];
    struct reading other;
    if (s->instrument[ROLE_LOAD] == NULL || supply == NULL) {
        return true;
    }
    if (!instrument_read(supply, &other, e)) {
        return false;
    }
    double leak_A = fabs(other.current_A);
    if (leak_A > instrument_off_current(supply) && leak_A > fabs(out->current_A)) {
        out->current_A = other.current_A;
    }
    return true;
}

/* All are asked before any answer is waited for, so that a reading takes as long as the
 * slowest of them; the one read first is asked last, for then the others' answers are mostly
 * there when its own is, and nobody is woken for them. A link that takes no question may have
 * waited a second to say so: then the rest is asked in turn, and who could not be asked fails
 * when it is read. */
static void ask_all(struct stand_config *s, enum stand_use use)
{
    struct instrument *const in_order[] = {
        s->instrument[ROLE_THERMOMETER], s->sense == SENSE_METER ? s->instrument[ROLE_METER] : NULL,
        current_source(s, use)};
    for (size_t i = 0; i < sizeof in_order / sizeof in_order[0]; i++) {
        if (in_order[i] != NULL && !instrument_ask(in_order[i], NULL)) {
            return;
        }
    }
}

/* Answers that came to nobody must not be taken for those of a later reading. */
static void unask_all(struct stand_config *s)
{
    for (size_t role = 0; role < sizeof s->instrument / sizeof s->instrument[0]; role++) {
        if (s->instrument[role] != NULL) {
            instrument_unask(s->instrument[role]);
        }
    }
}

/* Reads what ask_all() asked. */
static bool read_all(struct stand_config *s, enum stand_use use, int64_t asked_ns,
                     struct reading *out, struct err *temperature_error, struct err *e)
{
    struct reading meter;
    struct err why = {0};
    if (!instrument_read(current_source(s, use), out, e) ||
        (use == STAND_RESTS && !look_for_leak(s, out, e))) {
        return false;
    }
    out->other_V = NAN;
    if (s->sense == SENSE_METER) {
        if (!instrument_read(s->instrument[ROLE_METER], &meter, e)) {
            return false;
        }
        out->other_V = out->voltage_V;
        out->voltage_V = meter.voltage_V;
    }
    out->temperature_C = NAN;
    *temperature_error = (struct err){0};
    if (s->instrument[ROLE_THERMOMETER] != NULL) {
        struct reading thermometer;
        if (instrument_read(s->instrument[ROLE_THERMOMETER], &thermometer, &why)) {
            out->temperature_C = thermometer.temperature_C;
            out->temperature_age_s = fmax(thermometer.temperature_age_s,
                                          (double)(clock_real_ns() - asked_ns) / (double)NS_PER_S);
        } else {
            *temperature_error = why;
        }
    }
    return true;
}

bool stand_read(struct stand_config *s, enum stand_use use, struct reading *out,
                struct err *temperature_error, struct err *e)
{
    const int64_t asked_ns = clock_real_ns();
    ask_all(s, use);
    bool ok = read_all(s, use, asked_ns, out, temperature_error, e);
    unask_all(s);
    return ok;
}
