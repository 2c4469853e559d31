/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/commands: the table of headers and what stands behind each. */
#include "virtual/commands.h"

#include "virtual/syntax.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* One message being worked on. */
struct talk {
    struct vinstrument *host; /* has the link, the identity and the status */
    struct vinstrument *m;    /* the output that this part is for */
    struct reply *reply;
    struct moment at;
    char path[SYNTAX_HEADER_SIZE]; /* nodes that a header without colon begins under */
};

enum { ASKS = 1, SETS = 2 };
enum { LOADS = 1 << VKIND_LOAD, SUPPLIES = 1 << VKIND_SUPPLY, METERS = 1 << VKIND_METER };
enum { THERMOMETERS = 1 << VKIND_THERMOMETER, POWERED = LOADS | SUPPLIES };
enum { ALL = POWERED | METERS | THERMOMETERS };

typedef int handler_fn(struct talk *t, const struct unit *u, int detail);

struct command {
    const char *pattern;
    unsigned kinds;
    unsigned forms;
    size_t parameters; /* that its setting form takes */
    handler_fn *handler;
    int detail;
};

static void answer(struct talk *t, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
static void answer(struct talk *t, const char *fmt, ...)
{
    struct reply *r = t->reply;
    size_t room = sizeof r->text - r->n;
    if (room < 2) {
        return;
    }
    if (r->n > 0) {
        r->text[r->n++] = ';';
        room--;
    }
    va_list args;
    va_start(args, fmt);
    int n = vsnprintf(r->text + r->n, room, fmt, args);
    va_end(args);
    if (n > 0) {
        r->n += (size_t)n < room ? (size_t)n : room - 1;
    }
}

static void answer_number(struct talk *t, double value, double step)
{
    if (isnan(value)) {
        answer(t, "9.91E37");
    } else if (fabs(value) > 1e30) {
        answer(t, "%.2fE%d", value / 1e37, 37);
    } else {
        double digits = step > 0.0 ? ceil(-log10(step) - 1e-9) : 6.0;
        answer(t, "%.*f", (int)fmin(fmax(digits, 0.0), 9.0), value + 0.0); /* no "-0" */
    }
}

static void changed(struct talk *t)
{
    if (t->m->changed) {
        t->m->changed(t->m->changed_context);
    }
}

/* --- IEEE 488.2 --- */

static int do_identify(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    const struct vinstrument *m = t->host;
    answer(t, "%s", m->faults.on[FAULT_IDENTITY] ? m->faults.identity : m->spec.identity);
    return 0;
}

static int do_reset(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    struct vinstrument *host = t->host;
    for (size_t i = 0; i < host->channel_count; i++) {
        t->m = host->channels[i];
        vinstrument_reset(t->m);
        changed(t);
    }
    host->selected = 0;
    return 0;
}

static int do_clear(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    status_clear(&t->host->status);
    return 0;
}

enum { ENABLE_EVENT, ENABLE_REQUEST };

static int do_enable(struct talk *t, const struct unit *u, int detail)
{
    struct status *s = &t->host->status;
    unsigned *mask = detail == ENABLE_EVENT ? &s->event_enable : &s->request_enable;
    if (u->query) {
        answer(t, "%u", *mask);
        return 0;
    }
    double value = 0.0;
    int error = syntax_number(u->parameters[0], NULL, &value, NULL);
    if (error) {
        return error;
    }
    if (value < 0.0 || value > 255.0) {
        return SCPI_RANGE;
    }
    *mask = (unsigned)lround(value);
    return 0;
}

static int do_event(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    answer(t, "%u", status_take_event(&t->host->status));
    return 0;
}

static int do_complete(struct talk *t, const struct unit *u, int detail)
{
    (void)detail;
    if (u->query) {
        answer(t, "1");
    } else {
        status_operation_complete(&t->host->status);
    }
    return 0;
}

static int do_status_byte(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    answer(t, "%u", status_byte(&t->host->status, t->reply->n > 0));
    return 0;
}

static int do_constant(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    answer(t, "%d", detail);
    return 0;
}

/* Everything is done at once here, and there is no front panel to lock. */
static int do_accept(struct talk *t, const struct unit *u, int detail)
{
    (void)t;
    (void)u;
    (void)detail;
    return 0;
}

/* --- SYSTem, STATus --- */

static int do_next_error(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    int number = status_next_error(&t->host->status);
    answer(t, "%d,\"%s\"", number, syntax_error_text(number));
    return 0;
}

static int do_error_count(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    answer(t, "%zu", t->host->status.error_count);
    return 0;
}

static int do_version(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    answer(t, "1999.0");
    return 0;
}

/* Bits of SCPI-99 volume 1, 20.1: 0 voltage, 1 current, 3 power. */
static int do_questionable(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    unsigned trips = t->m->trips;
    unsigned bits = (trips & (VTRIP_UNDER_VOLTAGE | VTRIP_OVER_VOLTAGE)) ? 1u : 0u;
    bits |= (trips & VTRIP_OVER_CURRENT) ? 2u : 0u;
    bits |= (trips & VTRIP_POWER) ? 8u : 0u;
    answer(t, "%u", bits);
    return 0;
}

/* --- MEASure --- */

static int do_measure(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    const struct vinstrument_spec *s = &t->m->spec;
    static const double power_step = 0.001;
    double step = power_step;
    enum vreading what = (enum vreading)detail;
    if (what == VREAD_VOLTAGE) {
        step = s->voltage_step_V;
    } else if (what == VREAD_CURRENT) {
        step = s->current_step_A;
    } else if (what == VREAD_TEMPERATURE) {
        step = s->temperature_step_C;
    }
    answer_number(t, vinstrument_read(t->m, what), step);
    return 0;
}

/* --- settings --- */

static const struct {
    const char *unit;
    double step;
} setting_facts[VSET_COUNT] = {
    [VSET_CURRENT] = {"A", 0.001},       [VSET_VOLTAGE] = {"V", 0.001},
    [VSET_POWER] = {"W", 0.01},          [VSET_RESISTANCE] = {"OHM", 0.0001},
    [VSET_UNDER_VOLTAGE] = {"V", 0.001}, [VSET_OVER_VOLTAGE] = {"V", 0.001},
    [VSET_OVER_CURRENT] = {"A", 0.001},
};

static double extreme_value(const struct vrange *r, enum extreme extreme)
{
    switch (extreme) {
    case EXTREME_MIN:
        return r->min;
    case EXTREME_MAX:
        return r->max;
    case EXTREME_DEF:
    case EXTREME_NONE:
        break;
    }
    return r->initial;
}

static int ask_setting(struct talk *t, const struct unit *u, int setting)
{
    const struct vinstrument *m = t->m;
    double value = m->settings[setting];
    if (u->count > 0) {
        enum extreme extreme = EXTREME_NONE;
        int error = syntax_number(u->parameters[0], NULL, &value, &extreme);
        if (error) {
            return error;
        }
        if (extreme == EXTREME_NONE) {
            return SCPI_DATA_TYPE;
        }
        value = extreme_value(&m->ranges[setting], extreme);
    }
    answer_number(t, value, setting_facts[setting].step);
    return 0;
}

static int do_setting(struct talk *t, const struct unit *u, int setting)
{
    if (u->query) {
        return ask_setting(t, u, setting);
    }
    struct vinstrument *m = t->m;
    const struct vrange *range = &m->ranges[setting];
    double value = 0.0;
    enum extreme extreme = EXTREME_NONE;
    int error = syntax_number(u->parameters[0], setting_facts[setting].unit, &value, &extreme);
    if (error) {
        return error;
    }
    if (extreme != EXTREME_NONE) {
        value = extreme_value(range, extreme);
    }
    double step = setting_facts[setting].step;
    value = round(value / step) * step;
    if (value < range->min - 1e-9 || value > range->max + 1e-9) {
        return SCPI_RANGE;
    }
    if (m->faults.on[FAULT_REFUSE]) {
        return SCPI_EXECUTION;
    }
    if (!m->faults.on[FAULT_IGNORE_SET]) {
        m->settings[setting] = value;
        changed(t);
    }
    return 0;
}

static void note_switch(struct talk *t, bool on)
{
    struct vlog *log = &t->m->log;
    if (on) {
        log->ons++;
        log->on_virtual_ns = t->at.virtual_ns;
        log->on_real_ns = t->at.real_ns;
    } else {
        log->offs++;
        log->off_virtual_ns = t->at.virtual_ns;
        log->off_real_ns = t->at.real_ns;
    }
}

static int do_output(struct talk *t, const struct unit *u, int detail)
{
    (void)detail;
    struct vinstrument *m = t->m;
    if (u->query) {
        answer(t, "%d", m->on ? 1 : 0);
        return 0;
    }
    bool on = false;
    int error = syntax_boolean(u->parameters[0], &on);
    if (error) {
        return error;
    }
    note_switch(t, on);
    if (on && m->faults.on[FAULT_REFUSE]) {
        return SCPI_EXECUTION;
    }
    if (on && m->trips) {
        return SCPI_CONFLICT; /* what switched it off must be cleared first */
    }
    vinstrument_switch(m, on);
    changed(t);
    return 0;
}

static int do_clear_trips(struct talk *t, const struct unit *u, int detail)
{
    (void)u;
    (void)detail;
    t->m->trips = 0;
    return 0;
}

static int do_tripped(struct talk *t, const struct unit *u, int mask)
{
    (void)u;
    answer(t, "%d", (t->m->trips & (unsigned)mask) ? 1 : 0);
    return 0;
}

static int do_over_current_state(struct talk *t, const struct unit *u, int detail)
{
    (void)detail;
    struct vinstrument *m = t->m;
    if (u->query) {
        answer(t, "%d", m->over_current_armed ? 1 : 0);
        return 0;
    }
    bool on = false;
    int error = syntax_boolean(u->parameters[0], &on);
    if (error) {
        return error;
    }
    if (m->faults.on[FAULT_REFUSE]) {
        return SCPI_EXECUTION;
    }
    if (!m->faults.on[FAULT_IGNORE_SET]) {
        m->over_current_armed = on;
    }
    return 0;
}

/* In the order of enum vmode. */
static const struct {
    const char *mnemonic;
    const char *short_form;
} modes[] = {{"CURRent", "CURR"}, {"VOLTage", "VOLT"}, {"POWer", "POW"}, {"RESistance", "RES"}};

static int do_mode(struct talk *t, const struct unit *u, int detail)
{
    (void)detail;
    struct vinstrument *m = t->m;
    if (u->query) {
        answer(t, "%s", modes[m->mode].short_form);
        return 0;
    }
    for (int i = 0; i < (int)(sizeof modes / sizeof modes[0]); i++) {
        if (syntax_is(u->parameters[0], modes[i].mnemonic)) {
            if (m->faults.on[FAULT_REFUSE]) {
                return SCPI_EXECUTION;
            }
            if (!m->faults.on[FAULT_IGNORE_SET]) {
                vinstrument_set_mode(m, m->faults.on[FAULT_WRONG_MODE] ? VMODE_VOLTAGE
                                                                       : (enum vmode)i);
                changed(t);
            }
            return 0;
        }
    }
    return SCPI_DATA_TYPE;
}

/* --- INSTrument: which output the parts that follow are for; SCPI-99 volume 2, 10 --- */

static int do_select_number(struct talk *t, const struct unit *u, int detail)
{
    (void)detail;
    struct vinstrument *host = t->host;
    if (host->channel_count < 2) {
        return SCPI_UNDEFINED;
    }
    if (u->query) {
        answer(t, "%zu", host->selected + 1);
        return 0;
    }
    double value = 0.0;
    int error = syntax_number(u->parameters[0], NULL, &value, NULL);
    if (error) {
        return error;
    }
    if (!(value >= 0.5 && value < (double)host->channel_count + 0.5)) {
        return SCPI_RANGE;
    }
    host->selected = (size_t)lround(value) - 1;
    return 0;
}

static int do_select_name(struct talk *t, const struct unit *u, int detail)
{
    (void)detail;
    struct vinstrument *host = t->host;
    if (host->channel_count < 2) {
        return SCPI_UNDEFINED;
    }
    if (u->query) {
        answer(t, "CH%zu", host->selected + 1);
        return 0;
    }
    for (size_t i = 0; i < host->channel_count; i++) {
        const char name[] = {'C', 'H', (char)('1' + i), '\0'};
        if (syntax_is(u->parameters[0], name)) {
            host->selected = i;
            return 0;
        }
    }
    return SCPI_RANGE;
}

/* The output a part is for: the one that a list like (@2) behind it names, which is
 * taken away, else the one selected. */
static int pick_channel(struct talk *t, struct unit *u)
{
    struct vinstrument *host = t->host;
    t->m = host->channels[host->selected];
    if (host->channel_count < 2 || u->count == 0 || u->parameters[u->count - 1].text[0] != '(') {
        return 0;
    }
    struct word list = u->parameters[--u->count];
    if (list.n != 4 || list.text[1] != '@' || list.text[3] != ')') {
        return SCPI_DATA_TYPE;
    }
    if (list.text[2] < '1' || list.text[2] >= '1' + (int)host->channel_count) {
        return SCPI_RANGE;
    }
    t->m = host->channels[list.text[2] - '1'];
    return 0;
}

#define LEVEL "[:LEVel][:IMMediate][:AMPLitude]"

static const struct command commands[] = {
    {"*IDN", ALL, ASKS, 0, do_identify, 0},
    {"*RST", ALL, SETS, 0, do_reset, 0},
    {"*CLS", ALL, SETS, 0, do_clear, 0},
    {"*ESE", ALL, ASKS | SETS, 1, do_enable, ENABLE_EVENT},
    {"*ESR", ALL, ASKS, 0, do_event, 0},
    {"*OPC", ALL, ASKS | SETS, 0, do_complete, 0},
    {"*SRE", ALL, ASKS | SETS, 1, do_enable, ENABLE_REQUEST},
    {"*STB", ALL, ASKS, 0, do_status_byte, 0},
    {"*TST", ALL, ASKS, 0, do_constant, 0},
    {"*WAI", ALL, SETS, 0, do_accept, 0},
    {"SYSTem:ERRor[:NEXT]", ALL, ASKS, 0, do_next_error, 0},
    {"SYSTem:ERRor:COUNt", ALL, ASKS, 0, do_error_count, 0},
    {"SYSTem:VERSion", ALL, ASKS, 0, do_version, 0},
    {"SYSTem:REMote", ALL, SETS, 0, do_accept, 0},
    {"SYSTem:LOCal", ALL, SETS, 0, do_accept, 0},
    {"SYSTem:RWLock", ALL, SETS, 0, do_accept, 0},
    {"STATus:QUEStionable:CONDition", POWERED, ASKS, 0, do_questionable, 0},
    {"MEASure[:SCALar]:VOLTage[:DC]", POWERED | METERS, ASKS, 0, do_measure, VREAD_VOLTAGE},
    {"MEASure[:SCALar]:CURRent[:DC]", POWERED, ASKS, 0, do_measure, VREAD_CURRENT},
    {"MEASure[:SCALar]:POWer[:DC]", POWERED, ASKS, 0, do_measure, VREAD_POWER},
    {"MEASure[:SCALar]:TEMPerature", THERMOMETERS, ASKS, 0, do_measure, VREAD_TEMPERATURE},
    {"[SOURce:]CURRent" LEVEL, POWERED, ASKS | SETS, 1, do_setting, VSET_CURRENT},
    {"[SOURce:]VOLTage" LEVEL, POWERED, ASKS | SETS, 1, do_setting, VSET_VOLTAGE},
    {"[SOURce:]POWer" LEVEL, LOADS, ASKS | SETS, 1, do_setting, VSET_POWER},
    {"[SOURce:]RESistance" LEVEL, LOADS, ASKS | SETS, 1, do_setting, VSET_RESISTANCE},
    {"[SOURce:]FUNCtion[:MODE]", LOADS, ASKS | SETS, 1, do_mode, 0},
    {"[SOURce:]MODE", LOADS, ASKS | SETS, 1, do_mode, 0},
    {"[SOURce:]VOLTage:PROTection:UNDer[:LEVel]", LOADS, ASKS | SETS, 1, do_setting,
     VSET_UNDER_VOLTAGE},
    {"[SOURce:]VOLTage:PROTection:UNDer:TRIPped", LOADS, ASKS, 0, do_tripped, VTRIP_UNDER_VOLTAGE},
    {"[SOURce:]VOLTage:PROTection[:LEVel]", SUPPLIES, ASKS | SETS, 1, do_setting,
     VSET_OVER_VOLTAGE},
    {"[SOURce:]VOLTage:PROTection:TRIPped", POWERED, ASKS, 0, do_tripped, VTRIP_OVER_VOLTAGE},
    {"[SOURce:]CURRent:PROTection[:LEVel]", POWERED, ASKS | SETS, 1, do_setting, VSET_OVER_CURRENT},
    {"[SOURce:]CURRent:PROTection:STATe", POWERED, ASKS | SETS, 1, do_over_current_state, 0},
    {"[SOURce:]CURRent:PROTection:TRIPped", POWERED, ASKS, 0, do_tripped, VTRIP_OVER_CURRENT},
    {"INSTrument:NSELect", POWERED, ASKS | SETS, 1, do_select_number, 0},
    {"INSTrument[:SELect]", POWERED, ASKS | SETS, 1, do_select_name, 0},
    {"INPut[:STATe]", LOADS, ASKS | SETS, 1, do_output, 0},
    {"INPut:PROTection:CLEar", LOADS, SETS, 0, do_clear_trips, 0},
    {"INPut:PROTection:TRIPped", LOADS, ASKS, 0, do_tripped, 0xff},
    {"OUTPut[:STATe]", SUPPLIES, ASKS | SETS, 1, do_output, 0},
    {"OUTPut:PROTection:CLEar", SUPPLIES, SETS, 0, do_clear_trips, 0},
    {"OUTPut:PROTection:TRIPped", SUPPLIES, ASKS, 0, do_tripped, 0xff},
};
#define COMMANDS (sizeof commands / sizeof commands[0])

const char *commands_pattern(enum vkind kind, size_t index)
{
    for (size_t i = 0; i < COMMANDS; i++) {
        if ((commands[i].kinds & (1u << kind)) && index-- == 0) {
            return commands[i].pattern;
        }
    }
    return NULL;
}

static const struct command *find(const struct talk *t, const char *header, bool query)
{
    unsigned form = query ? ASKS : SETS;
    for (size_t i = 0; i < COMMANDS; i++) {
        const struct command *c = &commands[i];
        if ((c->kinds & (1u << t->m->spec.kind)) && (c->forms & form) &&
            syntax_matches(c->pattern, header)) {
            return c;
        }
    }
    return NULL;
}

/* Put the nodes of the path before a header that does not begin at the root,
 * and keep all but its last node for the next one. */
static bool whole_header(struct talk *t, const struct unit *u, char header[SYNTAX_HEADER_SIZE])
{
    bool from_root = u->common || u->rooted || t->path[0] == '\0';
    int n = snprintf(header, SYNTAX_HEADER_SIZE, "%s%s%s", from_root ? "" : t->path,
                     from_root ? "" : ":", u->header);
    if (n < 0 || n >= SYNTAX_HEADER_SIZE) {
        return false;
    }
    if (!u->common) {
        memcpy(t->path, header, (size_t)n + 1);
        char *last = strrchr(t->path, ':');
        *(last ? last : t->path) = '\0';
    }
    return true;
}

static int check_count(const struct command *c, const struct unit *u)
{
    size_t least = u->query ? 0 : c->parameters;
    /* only a setting can be asked for its limits */
    size_t most = u->query ? (c->handler == do_setting ? 1 : 0) : c->parameters;
    if (u->count < least) {
        return SCPI_MISSING;
    }
    return u->count > most ? SCPI_TOO_MANY : 0;
}

static int obey(struct talk *t, struct unit *u)
{
    char header[SYNTAX_HEADER_SIZE];
    if (!whole_header(t, u, header)) {
        return SCPI_SYNTAX;
    }
    const struct command *c = find(t, header, u->query);
    if (!c) {
        return SCPI_UNDEFINED;
    }
    int error = pick_channel(t, u);
    error = error ? error : check_count(c, u);
    return error ? error : c->handler(t, u, c->detail);
}

static bool is_command_error(int number)
{
    return number <= -100 && number > -200;
}

void commands_message(struct vinstrument *m, const char *text, size_t n, struct moment at,
                      struct reply *reply)
{
    struct talk t = {.host = m, .m = m, .reply = reply, .at = at};
    struct cursor cursor = {text, text + n};
    reply->n = 0;
    m->log.lines++;
    while (syntax_more(&cursor)) {
        struct unit u;
        int error = syntax_unit(&cursor, &u);
        error = error ? error : obey(&t, &u);
        if (error) {
            status_error(&t.host->status, error);
        }
        if (is_command_error(error)) {
            break; /* what follows a misunderstood unit cannot be trusted */
        }
    }
    reply->text[reply->n] = '\0';
}
