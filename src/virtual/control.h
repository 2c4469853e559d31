/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/control: the words of the control socket, one command a line, one
 * answer a line beginning with "ok" or "error" (hello and help: several lines, then "end"). */
#ifndef AMPLEDGER_VIRTUAL_CONTROL_H
#define AMPLEDGER_VIRTUAL_CONTROL_H

#include "virtual/server.h"

#define CONTROL_ANSWER_SIZE 16384
/* What the first line of an answer of several lines begins with, and their last line. */
#define CONTROL_HELLO "ok speed "
#define CONTROL_HELP "ok commands:"
#define CONTROL_END "end"

struct answer {
    char text[CONTROL_ANSWER_SIZE]; /* whole lines */
    size_t n;
};

/* One client. Its skips are totals since it connected, so that a client that
 * starts anew at zero goes on from where the bench stands. */
struct client {
    int64_t skip_total_ns;
};

/* Obey one line. *a is emptied first. */
void control_command(struct server *s, struct client *c, const char *line, struct answer *a);

#endif
