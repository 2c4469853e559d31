/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/serve: the poll loop of the virtual bench, and the client that sends
 * it one command. */
#ifndef AMPLEDGER_VIRTUAL_SERVE_H
#define AMPLEDGER_VIRTUAL_SERVE_H

#include "base/err.h"

struct serve_options {
    const char *dir;         /* created if need be */
    const char *description; /* NULL: DIR/virtual.yaml */
    double speed;
};

/* Serve until SIGTERM, SIGINT or `quit`. */
bool serve(const struct serve_options *o, struct err *e) NODISCARD;

/* Send one command to a control socket and print the answer; *ok tells whether
 * the answer was ok. False when the bench cannot be reached. */
bool ask(const char *socket_path, const char *command, bool *ok, struct err *e) NODISCARD;

#endif
