/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/instrument: one instrument's life: opened, identified, read; and
 * how it is talked to through its driver. */
#include "base/file.h"
#include "base/quantity.h"
#include "instrument/driver_line.h"
#include "instrument/inside.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FILE_READING_MAX ((size_t)64)
#define LINE_SIZE 160
/* Longer than a question and its answer take, shorter than trust lasts. */
#define TURN_MS 2500
#define LINES_MOST 1000 /* looked at in one reading, should it never stop printing */

/* --- life --- */

struct instrument *instrument_new(const struct instrument_config *config)
{
    struct instrument *i = zalloc(sizeof *i);
    text_format(i->name, sizeof i->name, "%s", config->name);
    text_format(i->address, sizeof i->address, "%s", config->link);
    text_format(i->wanted_identity, sizeof i->wanted_identity, "%s",
                config->identity != NULL ? config->identity : "");
    i->driver = config->driver;
    i->settings = config->settings;
    i->wake_fd = i->wake_now = -1;
    i->wire = wire_take(i->address, i->driver->channel > 0);
    i->real = clock_new_real();
    return i;
}

static bool is_scpi(const struct instrument *i)
{
    return i->driver->protocol == PROTOCOL_SCPI;
}

/* --- taking turns --- */

static bool enter(struct instrument *i, const struct wire_turn *t, struct err *why)
{
    i->inside = wire_enter(i->wire, t, why);
    if (i->inside && i->wire->link != NULL) {
        link_set_wake(i->wire->link, t->wake_fd);
    }
    return i->inside;
}

bool inside_enter(struct instrument *i, struct err *why)
{
    const struct wire_turn t = {.who = i, .patience_ms = TURN_MS, .wake_fd = i->wake_now};
    return enter(i, &t, why);
}

bool inside_enter_first(struct instrument *i, int patience_ms, struct err *why)
{
    const struct wire_turn t = {
        .who = i, .patience_ms = patience_ms, .wake_fd = -1, .urgent = true};
    return enter(i, &t, why);
}

void inside_leave(struct instrument *i)
{
    if (i->inside) {
        i->inside = false;
        wire_leave(i->wire);
    }
}

bool inside_end(struct instrument *i, bool ok, const char *what, struct err *why, struct err *e)
{
    if (!ok) {
        inside_fail(i, what, why, e);
    }
    inside_leave(i);
    return ok;
}

/* --- closing --- */

bool inside_is_open(const struct instrument *i)
{
    return i->is_open && i->generation == atomic_load(&i->wire->generation);
}

void inside_lose(struct instrument *i)
{
    if (inside_is_open(i)) {
        wire_close(i->wire);
    }
    i->is_open = false;
    i->line.known = false;
}

static void close_own(struct instrument *i)
{
    if (inside_is_open(i) && i->wire->users > 1) {
        i->wire->users--;
        i->is_open = false;
    }
    inside_lose(i);
}

void instrument_close(struct instrument *i)
{
    struct err why;
    if (inside_enter_first(i, TURN_MS, &why)) {
        close_own(i);
        inside_leave(i);
    }
    i->is_open = false;
}

/* A courtesy to who stands at the front panel; nothing depends on it. */
static void give_panel_back(struct instrument *i)
{
    const struct driver_lines *local = &i->driver->verb[VERB_LOCAL];
    bool ours = inside_is_open(i) && i->wire->session != NULL && i->wire->users == 1;
    for (size_t n = 0; ours && n < local->count; n++) {
        (void)!scpi_send(i->wire->session, local->line[n], NULL);
    }
}

void instrument_free(struct instrument *i)
{
    struct err why;
    if (i == NULL) {
        return;
    }
    if (inside_enter_first(i, TURN_MS, &why)) {
        give_panel_back(i);
        close_own(i);
        inside_leave(i);
    }
    wire_give_back(i->wire);
    clock_free(i->real);
    free(i);
}

const char *instrument_name(const struct instrument *i)
{
    return i->name;
}

const struct driver *instrument_driver(const struct instrument *i)
{
    return i->driver;
}

const char *instrument_link_address(const struct instrument *i)
{
    return i->address;
}

const char *instrument_device(const struct instrument *i)
{
    return inside_is_open(i) ? i->device : "";
}

const char *instrument_identity(const struct instrument *i)
{
    return i->identity;
}

void instrument_expect(struct instrument *i, const char *identity, const char *to_accept)
{
    bool excluded = i->wanted_identity[0] != '\0' && !text_matches(i->wanted_identity, identity);
    text_format(i->expected, sizeof i->expected, "%s", excluded ? "" : identity);
    text_format(i->to_accept, sizeof i->to_accept, "%s", to_accept);
}

const char *instrument_expected(const struct instrument *i)
{
    return i->expected;
}

bool instrument_is_open(const struct instrument *i)
{
    return inside_is_open(i);
}

void inside_use_wake(struct instrument *i, int fd)
{
    i->wake_now = fd;
    bool ours = i->inside || !i->wire->shared;
    if (ours && i->wire->link != NULL) {
        link_set_wake(i->wire->link, fd);
    }
}

void instrument_set_wake(struct instrument *i, int wake_fd)
{
    i->wake_fd = wake_fd;
    inside_use_wake(i, wake_fd);
}

/* --- failing --- */

bool inside_fail(struct instrument *i, const char *what, struct err *why, struct err *e)
{
    if (why->code == ERR_LINK_LOST && i->inside) {
        inside_lose(i);
    }
    err_prefix(why, "%s on %s: %s", i->name, i->address, what);
    if (e != NULL) {
        *e = *why;
    }
    return false;
}

bool inside_require_open(const struct instrument *i, struct err *why)
{
    return inside_is_open(i) || err_set(why, ERR_LINK_LOST, "the link is not open");
}

/* --- opening --- */

static bool open_file(struct instrument *i, struct err *why)
{
    char *text = NULL;
    size_t n = 0;
    if (!file_read(strchr(i->address, ':') + 1, FILE_READING_MAX, &text, &n, why)) {
        why->code = ERR_LINK_LOST; /* whatever the reason: what should be there is not */
        return false;
    }
    free(text);
    text_format(i->device, sizeof i->device, "%s", strchr(i->address, ':') + 1);
    return true;
}

/* Opens it, or joins who shares it and has it open. */
static bool open_link(struct instrument *i, struct err *why)
{
    struct wire *w = i->wire;
    i->settings.wake_fd = i->wake_now;
    if (w->link == NULL && !wire_open(w, &i->settings, &i->driver->scpi, why)) {
        return false;
    }
    if (w->users > 0 && !link_settings_equal(&w->settings, &i->settings)) {
        return err_set(why, ERR_CONFIG,
                       "the stand with its other output opened the link with other settings of "
                       "the port; write the same for both");
    }
    w->users++;
    link_set_wake(w->link, i->wake_now);
    text_format(i->device, sizeof i->device, "%s", link_device(w->link));
    return true;
}

bool inside_open(struct instrument *i, struct err *why)
{
    if (inside_is_open(i)) {
        return true;
    }
    if (i->driver->channels > 0 && i->driver->channel == 0) {
        return err_set(why, ERR_BUG, "driver %s: no output was chosen", i->driver->name);
    }
    i->line.known = false;
    i->hold_sure = false;
    i->is_open = i->driver->protocol == PROTOCOL_FILE ? open_file(i, why) : open_link(i, why);
    i->generation = atomic_load(&i->wire->generation);
    i->opened_ns = clock_real_ns();
    i->openings++;
    return i->is_open;
}

unsigned instrument_openings(const struct instrument *i)
{
    return i->openings;
}

bool instrument_open(struct instrument *i, struct err *e)
{
    struct err why = {0};
    bool ok = inside_enter(i, &why) && inside_open(i, &why);
    return inside_end(i, ok, "open", &why, e);
}

/* --- talking --- */

bool inside_send(struct instrument *i, enum verb v, struct err *why)
{
    const struct driver_lines *lines = &i->driver->verb[v];
    for (size_t n = 0; n < lines->count; n++) {
        if (!scpi_send(i->wire->session, lines->line[n], why)) {
            return false;
        }
    }
    return true;
}

bool inside_command(struct instrument *i, const struct driver_lines *lines,
                    const struct driver_values *values, struct err *why)
{
    char line[DRIVER_LINE_SIZE * 2];
    for (size_t n = 0; n < lines->count; n++) {
        if (!driver_fill_line(lines->line[n], values, line, sizeof line, why) ||
            !scpi_command(i->wire->session, line, why)) {
            return false;
        }
    }
    return true;
}

bool inside_ask_number(struct instrument *i, enum question q, double *out, struct err *why)
{
    return scpi_query_numbers(i->wire->session, i->driver->question[q], out, 1, why);
}

bool inside_ask_state(struct instrument *i, bool *on, struct err *why)
{
    char answer[64];
    double number = NAN;
    if (!scpi_query(i->wire->session, i->driver->question[ASK_STATE], answer, sizeof answer, why)) {
        return false;
    }
    bool is_number = number_parse(answer, &number, NULL);
    if ((is_number && number == 1) || text_matches("ON", answer)) {
        *on = true;
        return true;
    }
    if ((is_number && number == 0) || text_matches("OFF", answer)) {
        *on = false;
        return true;
    }
    return err_set(why, ERR_BAD_REPLY, "%s answers \"%s\"; 0 or 1 is wanted",
                   i->driver->question[ASK_STATE], answer);
}

/* --- who is it --- */

static bool check_identity(struct instrument *i, const char *answer, struct err *why)
{
    if (!text_matches(i->driver->identity_match, answer)) {
        return err_set(why, ERR_INSTRUMENT,
                       "it is \"%s\", and driver %s is for \"%s\": another instrument is on this "
                       "link, or another driver is wanted",
                       answer, i->driver->name, i->driver->identity_match);
    }
    if (i->wanted_identity[0] != '\0' && !text_matches(i->wanted_identity, answer)) {
        return err_set(why, ERR_INSTRUMENT,
                       "it is \"%s\", and the bench expects \"%s\": are two cables swapped?",
                       answer, i->wanted_identity);
    }
    if (i->expected[0] != '\0' && strcmp(i->expected, answer) != 0) {
        return err_set(why, ERR_INSTRUMENT,
                       "it is \"%s\", and \"%s\" belongs here: wire that one back%s%s", answer,
                       i->expected, i->to_accept[0] != '\0' ? "; or, if it was replaced: " : "",
                       i->to_accept);
    }
    return true;
}

static bool identify(struct instrument *i, struct err *why)
{
    char answer[IDENTITY_SIZE];
    if (!inside_require_open(i, why)) {
        return false;
    }
    if (!is_scpi(i)) {
        return true;
    }
    if (!inside_send(i, VERB_REMOTE, why)) {
        return false;
    }
    if (i->driver->identity_query[0] == '\0') {
        return true;
    }
    if (!scpi_query(i->wire->session, i->driver->identity_query, answer, sizeof answer, why) ||
        !check_identity(i, answer, why)) {
        return false;
    }
    text_format(i->identity, sizeof i->identity, "%s", answer);
    text_format(i->expected, sizeof i->expected, "%s", answer);
    return true;
}

bool instrument_identify(struct instrument *i, struct err *e)
{
    struct err why = {0};
    bool ok = inside_enter(i, &why) && identify(i, &why);
    return inside_end(i, ok, "identify", &why, e);
}

/* --- reading --- */

static void put_field(const struct instrument *i, enum reading_field f, double value,
                      struct reading *out)
{
    switch (f) {
    case FIELD_VOLTAGE:
        out->voltage_V = value;
        break;
    case FIELD_CURRENT:
        out->current_A = value == 0 ? 0.0 : value * i->driver->current_sign;
        break;
    case FIELD_TEMPERATURE:
        out->temperature_C = value;
        break;
    case FIELD_COUNT:
        break;
    }
}

static bool read_scpi(struct instrument *i, struct reading *out, struct err *why)
{
    const struct driver_read *r = &i->driver->read;
    double values[FIELD_COUNT];
    if (!scpi_query_numbers(i->wire->session, r->line, values, r->count, why)) {
        return false;
    }
    for (size_t n = 0; n < r->count; n++) {
        if (!isfinite(values[n])) {
            return err_set(why, ERR_BAD_REPLY, "%s: a value is out of the instrument's range",
                           r->line);
        }
        put_field(i, r->field[n], values[n], out);
    }
    return true;
}

/* Looks at every line that has come, and waits until the deadline while no good
 * one is known. Lines that do not fit are the first half line after opening, or
 * something else the instrument prints. */
static bool take_lines(struct instrument *i, int64_t deadline_ns, struct err *why)
{
    char text[LINE_SIZE];
    double value = NAN;
    for (int n = 0; n < LINES_MOST; n++) {
        int64_t left_ms = (deadline_ns - clock_real_ns()) / NS_PER_MS;
        int wait_ms = i->line.known || left_ms < 0 ? 0 : (int)left_ms;
        if (!scpi_latest_line(i->wire->session, text, sizeof text, wait_ms, why)) {
            if (why->code == ERR_BAD_REPLY) {
                continue;
            }
            return why->code == ERR_TIMEOUT;
        }
        if (pattern_read(i->driver->read.pattern, text, &value, NULL)) {
            i->line.known = true;
            i->line.value = value;
            i->line.at_ns = clock_real_ns();
        }
    }
    return true;
}

static bool read_line(struct instrument *i, struct reading *out, struct err *why)
{
    int within_ms = i->driver->scpi.reply_timeout_ms;
    if (!take_lines(i, i->opened_ns + within_ms * NS_PER_MS, why)) {
        return false;
    }
    if (!i->line.known) {
        return err_set(why, ERR_TIMEOUT, "no line like \"%s\" came within %d ms",
                       i->driver->read.pattern, within_ms);
    }
    int64_t age_ms = (clock_real_ns() - i->line.at_ns) / NS_PER_MS;
    if (age_ms > within_ms) {
        return err_set(why, ERR_TIMEOUT, "its newest line is %.1f s old; one is due every %.1f s",
                       (double)age_ms / 1000.0, (double)within_ms / 1000.0);
    }
    put_field(i, i->driver->read.field[0], i->line.value, out);
    out->temperature_age_s = (double)(clock_real_ns() - i->line.at_ns) / (double)NS_PER_S;
    return true;
}

bool inside_drain_errors(struct instrument *i, struct err *why)
{
    return scpi_drain_errors(i->wire->session, why) || err_prefix(why, "empty the error queue");
}

static bool read_file(struct instrument *i, struct reading *out, struct err *why)
{
    const struct driver_read *r = &i->driver->read;
    const char *path = strchr(i->address, ':') + 1;
    char text[FILE_READING_MAX + 3]; /* with each sample: takes no memory that others hold */
    double number = NAN;
    if (!file_read_into(path, text, sizeof text, why)) {
        why->code = why->code == ERR_NOT_FOUND ? ERR_LINK_LOST : why->code;
        return false;
    }
    bool ok = pattern_read("{}", text, &number, NULL);
    if (!ok) {
        err_set(why, ERR_BAD_REPLY, "%s holds \"%.40s\"; one number is wanted", path, text);
    }
    put_field(i, r->field[0], number * r->scale, out);
    return ok;
}

bool inside_read(struct instrument *i, struct reading *out, struct err *why)
{
    *out =
        (struct reading){.voltage_V = NAN, .current_A = NAN, .temperature_C = NAN, .other_V = NAN};
    if (!inside_require_open(i, why)) {
        return false;
    }
    switch (i->driver->protocol) {
    case PROTOCOL_SCPI:
        return read_scpi(i, out, why);
    case PROTOCOL_LINES:
        return read_line(i, out, why);
    case PROTOCOL_FILE:
        return read_file(i, out, why);
    }
    return err_set(why, ERR_BUG, "no such protocol");
}

/* Who shares a wire asks when it is its turn, for others wait until it has its answer. */
static bool asks_ahead(const struct instrument *i)
{
    return is_scpi(i) && !i->wire->shared && inside_is_open(i);
}

bool instrument_ask(struct instrument *i, struct err *e)
{
    struct err why = {0};
    if (!asks_ahead(i)) {
        return true;
    }
    bool ok = inside_enter(i, &why) && scpi_ask(i->wire->session, i->driver->read.line, &why);
    return inside_end(i, ok, "ask", &why, e);
}

void instrument_unask(struct instrument *i)
{
    if (asks_ahead(i)) {
        scpi_unask(i->wire->session);
    }
}

bool instrument_read(struct instrument *i, struct reading *out, struct err *e)
{
    struct err why = {0};
    bool ok = inside_enter(i, &why) && inside_read(i, out, &why);
    return inside_end(i, ok, "read", &why, e);
}
