/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/server: the running virtual bench: model, ports and the virtual clock.
 *
 * Virtual time is CLOCK_BOOTTIME plus what clients of the control socket have
 * skipped. The model is moved up to now before anything is said or done. */
#ifndef AMPLEDGER_VIRTUAL_SERVER_H
#define AMPLEDGER_VIRTUAL_SERVER_H

#include "virtual/bench.h"
#include "virtual/port.h"

struct server {
    struct vbench bench;
    struct port *ports; /* one for each place of the bench */
    int64_t skipped_ns;
    double speed; /* told to clients that skip */
    bool quit;
};

/* Load the description and open a port for each instrument under dir. */
bool server_open(struct server *s, const char *dir, const char *description,
                 struct err *e) NODISCARD;
void server_close(struct server *s);

struct moment server_now(const struct server *s);
/* Move the model up to now. */
void server_catch_up(struct server *s);
/* Skip by_ns (below 0 counts as 0). The model stands at the new time, and what
 * it prints by itself is written, when this returns. Call server_obey first:
 * what was sent before a skip must be obeyed at the time before. */
void server_skip(struct server *s, int64_t by_ns);
/* Obey everything that has arrived on the ports. */
void server_obey(struct server *s);
/* Write the answers that are due. */
void server_flush(struct server *s);

#endif
