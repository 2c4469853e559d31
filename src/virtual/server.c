/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/server: model, ports and time held together. */
#include "virtual/server.h"

#include "base/clock.h"
#include "base/file.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void print_tick(void *context, size_t place)
{
    struct server *s = context;
    port_print(&s->ports[place], clock_real_ns());
}

/* A thermometer's file may have been left behind by a bench that was killed. */
static void clear_file(const struct port *p)
{
    if (port_is_file(p)) {
        unlink(p->link);
    }
}

bool server_open(struct server *s, const char *dir, const char *description, struct err *e)
{
    memset(s, 0, sizeof *s);
    s->speed = 1.0;
    if (!vbench_load(description, clock_real_ns(), &s->bench, e)) {
        return false;
    }
    s->ports = zalloc(s->bench.place_count * sizeof *s->ports);
    for (size_t i = 0; i < s->bench.place_count; i++) {
        struct vinstrument *m = &s->bench.places[i].instrument;
        char link[PATH_MAX];
        if (!text_format(link, sizeof link, "%s/%s", dir, m->spec.name)) {
            err_set(e, ERR_CONFIG, "the path %s/%s is too long", dir, m->spec.name);
            server_close(s);
            return false;
        }
        port_init(&s->ports[i], m, link, noise_bits(&m->noise));
    }
    for (size_t i = 0; i < s->bench.place_count; i++) {
        clear_file(&s->ports[i]);
        bool has_link = s->ports[i].instrument->host == s->ports[i].instrument;
        if (has_link && !port_plug(&s->ports[i], e)) {
            server_close(s);
            return false;
        }
    }
    s->bench.tick = print_tick;
    s->bench.tick_context = s;
    return true;
}

void server_close(struct server *s)
{
    for (size_t i = 0; s->ports && i < s->bench.place_count; i++) {
        if (s->ports[i].instrument) {
            port_unplug(&s->ports[i]);
        }
    }
    free(s->ports);
    s->ports = NULL;
    vbench_free(&s->bench);
}

struct moment server_now(const struct server *s)
{
    int64_t real_ns = clock_real_ns();
    return (struct moment){.virtual_ns = real_ns + s->skipped_ns, .real_ns = real_ns};
}

void server_catch_up(struct server *s)
{
    vbench_advance(&s->bench, server_now(s).virtual_ns);
}

struct talker {
    struct server *server;
    struct port *port;
};

static void hear(void *context, const char *text, size_t n)
{
    struct talker *t = context;
    struct vinstrument *m = t->port->instrument;
    struct moment now = server_now(t->server);
    vbench_advance(&t->server->bench, now.virtual_ns);
    port_echo(t->port, text, n, now.real_ns);
    if (m->spec.style != VSTYLE_SCPI) {
        return; /* it only ever speaks */
    }
    if (m->faults.on[FAULT_HANG]) {
        m->log.lines++;
        return;
    }
    struct reply reply;
    commands_message(m, text, n, now, &reply);
    port_answer(t->port, &reply, now.real_ns);
}

void server_obey(struct server *s)
{
    for (size_t i = 0; i < s->bench.place_count; i++) {
        struct talker t = {s, &s->ports[i]};
        port_drain(&s->ports[i], hear, &t);
        port_flush(&s->ports[i], clock_real_ns());
    }
}

void server_skip(struct server *s, int64_t by_ns)
{
    if (by_ns > 0) {
        s->skipped_ns += by_ns;
    }
    server_catch_up(s);
    server_flush(s);
}

void server_flush(struct server *s)
{
    for (size_t i = 0; i < s->bench.place_count; i++) {
        port_flush(&s->ports[i], clock_real_ns());
    }
}
