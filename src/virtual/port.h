/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/port: the pseudo-terminal an instrument is reached through, under a
 * name of its own, and everything that can go wrong with bytes on the way.
 *
 * A thermometer of style `file` has a regular file in place of the terminal. */
#ifndef AMPLEDGER_VIRTUAL_PORT_H
#define AMPLEDGER_VIRTUAL_PORT_H

#include "virtual/commands.h"

#include <limits.h>

#define PORT_INPUT 4096

struct port_chunk;

struct port {
    struct vinstrument *instrument; /* borrowed */
    char link[PATH_MAX];            /* DIR/NAME */
    char terminal[64];              /* /dev/pts/N */
    int master, slave;              /* -1 while unplugged, and for a file */
    char input[PORT_INPUT];
    size_t input_n;
    bool input_overrun;
    struct port_chunk *first, *last; /* answers waiting for their moment */
    size_t waiting;                  /* bytes in them */
    bool file_due;                   /* the file is older than the last tick */
    struct noise noise;
};

void port_init(struct port *p, struct vinstrument *m, const char *link, uint64_t seed);
/* Open (again) and put the link; a stale link of the same name is replaced. */
bool port_plug(struct port *p, struct err *e) NODISCARD;
/* Close and remove the link or file; waiting answers are lost. */
void port_unplug(struct port *p);
/* What clients find it by: the terminal, the file, or while it is unplugged the name that
 * it comes back under. NULL: it has no link of its own, or something else has its name. */
const char *port_path(const struct port *p);
bool port_is_file(const struct port *p);

/* One message that came in, without its line end. */
typedef void port_message_fn(void *context, const char *text, size_t n);
/* Take everything that has arrived, by the message. */
void port_drain(struct port *p, port_message_fn *message, void *context);

/* Send an answer, as the faults that hold make it. */
void port_answer(struct port *p, const struct reply *reply, int64_t real_ns);
/* Send back what came in, where the instrument is one that echoes. */
void port_echo(struct port *p, const char *text, size_t n, int64_t real_ns);
/* What a thermometer that speaks by itself says now. A file is only marked as
 * due here: of many ticks in one skip, the last is what a reader would find. */
void port_print(struct port *p, int64_t real_ns);

/* Write what is due. */
void port_flush(struct port *p, int64_t real_ns);
/* When the next waiting answer is due; INT64_MAX: none. */
int64_t port_due_ns(const struct port *p);

#endif
