/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/control: a table of commands for tests and for the sped-up clock. */
#include "virtual/control.h"

#include "base/file.h"
#include "base/quantity.h"
#include "base/yaml.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* One command being obeyed: its words and where the answer goes. */
struct call {
    struct server *server;
    struct client *client;
    struct answer *a;
    char first[64];   /* first argument, "" if none */
    const char *rest; /* what stands behind it */
    struct err e;
};

static void say(struct call *c, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
static void say(struct call *c, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    size_t room = sizeof c->a->text - c->a->n;
    int n = vsnprintf(c->a->text + c->a->n, room, fmt, args);
    va_end(args);
    if (n > 0) {
        c->a->n += (size_t)n < room ? (size_t)n : room - 1;
    }
}

static bool want_nothing(struct call *c)
{
    return (!c->first[0]) ||
           err_set(&c->e, ERR_CONFIG, "this command takes no argument, but was given \"%s\"",
                   c->first);
}

static bool want_number(struct call *c, double *out, const char *example)
{
    return number_parse(c->rest, out, NULL) ||
           err_set(&c->e, ERR_CONFIG, "\"%s\" is not a number; as in: %s", c->rest, example);
}

static bool do_hello(struct call *c)
{
    struct server *s = c->server;
    if (!want_nothing(c)) {
        return false;
    }
    say(c, CONTROL_HELLO "%g\n", s->speed);
    for (size_t i = 0; i < s->bench.place_count; i++) {
        const char *path = port_path(&s->ports[i]);
        if (path) {
            say(c, "serves %s %s\n", path, s->ports[i].instrument->spec.name);
        }
    }
    say(c, CONTROL_END "\n");
    return true;
}

static bool do_skip(struct call *c)
{
    char *end = NULL;
    errno = 0;
    long long total_ns = strtoll(c->first, &end, 10);
    if (end == c->first || *end || errno || *c->rest || total_ns < 0) {
        return err_set(&c->e, ERR_CONFIG,
                       "skip wants the total to skip since this client connected, in whole "
                       "nanoseconds, as in: skip 60000000000");
    }
    int64_t by_ns = (int64_t)total_ns - c->client->skip_total_ns;
    if (by_ns > 0) {
        c->client->skip_total_ns = (int64_t)total_ns;
    }
    server_skip(c->server, by_ns);
    say(c, "ok\n");
    return true;
}

static struct vcircuit *want_battery(struct call *c)
{
    return vbench_battery(&c->server->bench, c->first, &c->e);
}

static struct port *want_port(struct call *c)
{
    struct vplace *p = vbench_instrument(&c->server->bench, c->first, &c->e);
    return p ? &c->server->ports[p - c->server->bench.places] : NULL;
}

static void say_state(struct call *c, const struct vcircuit *v)
{
    const struct vbattery *b = &v->battery;
    say(c,
        "battery=%s voltage_V=%.6f current_A=%.6f soc=%.6f temperature_C=%.3f "
        "delivered_Ah=%.9f charged_Ah=%.9f delivered_Wh=%.9f charged_Wh=%.9f capacity_Ah=%.9f "
        "capacity_new_Ah=%.9f fade_per_cycle=%.9g cycles=%.9f "
        "protection=%s protection_cause=%s",
        v->name, v->node_V, v->current_A, b->soc, b->temperature_C, b->lifetime.discharged_Ah,
        b->lifetime.charged_Ah, b->lifetime.discharged_Wh, b->lifetime.charged_Wh, b->capacity_Ah,
        b->spec.capacity_Ah, b->spec.fade_per_cycle, vbattery_cycles(b),
        b->spec.protection.fitted ? vbattery_gate_name(vbattery_gate(b)) : "none", b->stopped_why);
}

static bool do_state(struct call *c)
{
    struct vbench *b = &c->server->bench;
    if (c->first[0]) {
        const struct vcircuit *v = want_battery(c);
        if (v) {
            say(c, "ok ");
            say_state(c, v);
            say(c, "\n");
        }
        return v != NULL;
    }
    say(c, "ok ");
    for (size_t i = 0; i < b->circuit_count; i++) {
        say(c, "%s", i > 0 ? " ; " : "");
        say_state(c, &b->circuits[i]);
    }
    say(c, "\n");
    return true;
}

static bool do_counter(struct call *c)
{
    const struct vcircuit *v = want_battery(c);
    if (!v) {
        return false;
    }
    const struct vcounter *k = &v->battery.counter;
    say(c, "ok discharged_Ah=%.9f charged_Ah=%.9f discharged_Wh=%.9f charged_Wh=%.9f\n",
        k->discharged_Ah, k->charged_Ah, k->discharged_Wh, k->charged_Wh);
    return true;
}

static bool do_reset_counter(struct call *c)
{
    struct vcircuit *v = want_battery(c);
    if (!v) {
        return false;
    }
    memset(&v->battery.counter, 0, sizeof v->battery.counter);
    say(c, "ok\n");
    return true;
}

static bool do_output(struct call *c)
{
    const struct port *p = want_port(c);
    if (!p) {
        return false;
    }
    say(c, "ok %s current_A=%.6f terminal_V=%.6f tripped=%u\n", p->instrument->on ? "on" : "off",
        p->instrument->true_A, p->instrument->true_V, p->instrument->trips);
    return true;
}

static void say_moment(struct call *c, const char *key, int64_t ns)
{
    if (ns < 0) {
        say(c, " %s=never", key);
    } else {
        say(c, " %s=%lld", key, (long long)ns);
    }
}

static bool do_log(struct call *c)
{
    const struct port *p = want_port(c);
    if (!p) {
        return false;
    }
    const struct vlog *l = &p->instrument->log;
    say(c, "ok lines=%lu off=%lu on=%lu", l->lines, l->offs, l->ons);
    say_moment(c, "last_off_virtual_ns", l->off_virtual_ns);
    say_moment(c, "last_off_real_ns", l->off_real_ns);
    say_moment(c, "last_on_virtual_ns", l->on_virtual_ns);
    say_moment(c, "last_on_real_ns", l->on_real_ns);
    say(c, "\n");
    return true;
}

static void instrument_changed(struct port *p)
{
    p->instrument->changed(p->instrument->changed_context);
}

/* What can go wrong with a link, or with who answers over it, goes wrong with the
 * instrument that has the link. */
static bool want_own_link(struct call *c, const struct port *p)
{
    const struct vinstrument *m = p->instrument;
    return m->host == m || err_set(&c->e, ERR_CONFIG,
                                   "%s has no link of its own; do that to %s, whose link it shares",
                                   m->spec.name, m->host->spec.name);
}

static bool add_fault(struct call *c, struct port *p)
{
    struct faults *f = &p->instrument->faults;
    struct faults before = *f;
    if (!faults_add(f, c->rest, &c->e)) {
        return false;
    }
    bool of_link = f->on[FAULT_IDENTITY];
    for (int kind = FAULT_SILENCE; kind <= FAULT_UNPLUG; kind++) {
        of_link = of_link || f->on[kind];
    }
    if (of_link && !want_own_link(c, p)) {
        *f = before;
        return false;
    }
    return true;
}

static bool do_fault(struct call *c)
{
    struct port *p = want_port(c);
    bool plug = strcmp(c->rest, "unplug") == 0 || strcmp(c->rest, "replug") == 0;
    if (!p || (plug && !want_own_link(c, p))) {
        return false;
    }
    if (strcmp(c->rest, "unplug") == 0) {
        port_unplug(p);
    } else if (strcmp(c->rest, "replug") == 0) {
        if (!port_plug(p, &c->e)) {
            return false;
        }
    } else if (!add_fault(c, p)) {
        return false;
    }
    instrument_changed(p);
    say(c, "ok\n");
    return true;
}

static bool do_clear_fault(struct call *c)
{
    struct port *p = want_port(c);
    if (!p) {
        return false;
    }
    memset(&p->instrument->faults, 0, sizeof p->instrument->faults);
    bool has_link = p->instrument->host == p->instrument;
    if (has_link && !port_plug(p, &c->e)) {
        return false;
    }
    instrument_changed(p);
    say(c, "ok\n");
    return true;
}

static bool do_replug(struct call *c)
{
    struct port *p = want_port(c);
    if (!p || !want_own_link(c, p) || !port_plug(p, &c->e)) {
        return false;
    }
    say(c, "ok\n");
    return true;
}

static bool do_heat(struct call *c)
{
    struct vcircuit *v = want_battery(c);
    if (!v) {
        return false;
    }
    double celsius = NAN;
    if (strcmp(c->rest, "off") != 0) {
        if (!want_number(c, &celsius, "heat launch-a 61 (or: heat launch-a off)")) {
            return false;
        }
        v->battery.temperature_C = celsius;
    }
    v->battery.forced_C = celsius;
    vcircuit_changed(v);
    say(c, "ok\n");
    return true;
}

static bool do_ambient(struct call *c)
{
    struct vcircuit *v = want_battery(c);
    double celsius;
    if (!v || !want_number(c, &celsius, "ambient launch-a 5")) {
        return false;
    }
    v->battery.spec.ambient_C = celsius;
    say(c, "ok\n");
    return true;
}

static bool do_soc(struct call *c)
{
    struct vcircuit *v = want_battery(c);
    double soc;
    if (!v || !want_number(c, &soc, "soc launch-a 0.5")) {
        return false;
    }
    if (soc < 0.0 || soc > 1.05) {
        return err_set(&c->e, ERR_CONFIG, "a state of charge is a fraction from 0 to 1");
    }
    vbattery_set_soc(&v->battery, soc);
    vcircuit_changed(v);
    say(c, "ok\n");
    return true;
}

static bool do_leads(struct call *c)
{
    static const char *const words[] = {"connected", "open", "swapped", NULL};
    struct vcircuit *v = want_battery(c);
    if (!v) {
        return false;
    }
    for (int i = 0; words[i] != NULL; i++) {
        if (strcmp(c->rest, words[i]) == 0) {
            v->leads = (enum vleads)i;
            vcircuit_changed(v);
            say(c, "ok\n");
            return true;
        }
    }
    return err_set(&c->e, ERR_CONFIG,
                   "leads are connected, open or swapped, as in: leads launch-a open");
}

/* As if another battery of the same kind hung there. */
static bool do_cells(struct call *c)
{
    struct vcircuit *v = want_battery(c);
    double cells;
    if (!v || !want_number(c, &cells, "cells launch-a 8")) {
        return false;
    }
    if (cells < 1 || cells > 100 || floor(cells) < cells) {
        return err_set(&c->e, ERR_CONFIG, "cells in series are a whole number from 1 to 100");
    }
    v->battery.spec.cells = (int)cells;
    vcircuit_changed(v);
    say(c, "ok\n");
    return true;
}

static bool do_quit(struct call *c)
{
    c->server->quit = true;
    say(c, "ok\n");
    return true;
}

static bool do_help(struct call *c);

static const struct {
    const char *name;
    const char *usage;
    bool (*run)(struct call *c);
} commands[] = {
    {"hello", "hello", do_hello},
    {"skip", "skip TOTAL_NS", do_skip},
    {"state", "state [BATTERY]", do_state},
    {"counter", "counter BATTERY", do_counter},
    {"reset-counter", "reset-counter BATTERY", do_reset_counter},
    {"output", "output INSTRUMENT", do_output},
    {"log", "log INSTRUMENT", do_log},
    {"fault", "fault INSTRUMENT KIND [ARGUMENTS]", do_fault},
    {"clear-fault", "clear-fault INSTRUMENT", do_clear_fault},
    {"replug", "replug INSTRUMENT", do_replug},
    {"heat", "heat BATTERY CELSIUS|off", do_heat},
    {"ambient", "ambient BATTERY CELSIUS", do_ambient},
    {"soc", "soc BATTERY FRACTION", do_soc},
    {"leads", "leads BATTERY connected|open|swapped", do_leads},
    {"cells", "cells BATTERY NUMBER", do_cells},
    {"quit", "quit", do_quit},
    {"help", "help", do_help},
};
#define COMMANDS (sizeof commands / sizeof commands[0])

static bool do_help(struct call *c)
{
    say(c, CONTROL_HELP "\n");
    for (size_t i = 0; i < COMMANDS; i++) {
        say(c, "  %s\n", commands[i].usage);
    }
    say(c, "kinds of fault:\n");
    for (int i = 0; i < FAULT_COUNT; i++) {
        say(c, "  %s\n", fault_name((enum fault_kind)i));
    }
    say(c, CONTROL_END "\n");
    return true;
}

static const char *take_word(const char *text, char *out, size_t size)
{
    text += strspn(text, " ");
    size_t n = strcspn(text, " ");
    (void)text_format(out, size, "%.*s", (int)n, text);
    text += n;
    return text + strspn(text, " ");
}

static bool run(struct call *c, const char *name)
{
    const char *known[COMMANDS + 1];
    for (size_t i = 0; i < COMMANDS; i++) {
        if (strcmp(commands[i].name, name) == 0) {
            return commands[i].run(c);
        }
        known[i] = commands[i].name;
    }
    known[COMMANDS] = NULL;
    const char *near = nearest_word(name, known);
    return err_set(&c->e, ERR_NOT_FOUND, "there is no command \"%s\"%s%s%s; try help", name,
                   near ? " (did you mean \"" : "", near ? near : "", near ? "\"?)" : "");
}

void control_command(struct server *s, struct client *client, const char *line, struct answer *a)
{
    char name[64];
    struct call c = {.server = s, .client = client, .a = a};
    a->n = 0;
    c.rest = take_word(take_word(line, name, sizeof name), c.first, sizeof c.first);
    server_obey(s); /* what was sent before this command comes before it */
    server_catch_up(s);
    if (!run(&c, name)) {
        a->n = 0;
        for (char *p = c.e.text; *p; p++) {
            *p = *p == '\n' ? ' ' : *p;
        }
        say(&c, "error %s\n", c.e.text);
    }
}
