/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/commands: what the instruments understand, and what they answer.
 *
 * Pure but for the instrument it speaks for. The circuit must have been moved
 * up to now before a message is given here. */
#ifndef AMPLEDGER_VIRTUAL_COMMANDS_H
#define AMPLEDGER_VIRTUAL_COMMANDS_H

#include "virtual/instrument.h"

#include <stddef.h>

#define REPLY_SIZE 2048

struct reply {
    char text[REPLY_SIZE]; /* answers joined by semicolons, no line end */
    size_t n;              /* 0: the message asked for nothing */
};

/* When the message came, for the log. */
struct moment {
    int64_t virtual_ns;
    int64_t real_ns;
};

/* One program message, without its line end. m: the instrument that has the link;
 * of several outputs, what is said is for the one that INSTrument:NSELect n chose, or
 * that a list (@n) behind the last parameter names. */
void commands_message(struct vinstrument *m, const char *text, size_t n, struct moment at,
                      struct reply *reply);

/* NULL-terminated; every header the kind knows, as the standard writes them. */
const char *commands_pattern(enum vkind kind, size_t index);

#endif
