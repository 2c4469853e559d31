/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/screen: several runs at a look on a whole terminal, each with its bar and its curve.
 * The terminal's other screen is used, so that what stood there before comes back. */
#ifndef AMPLEDGER_CLI_SCREEN_H
#define AMPLEDGER_CLI_SCREEN_H

#include "cli/curve.h"

#include <jansson.h>
#include <stdio.h>

struct screen {
    FILE *f;
    bool plain; /* ASCII only: the locale has no UTF-8 */
    bool up;
};

/* A terminal that can be drawn on. */
bool screen_is_possible(FILE *f);
void screen_enter(struct screen *s, FILE *f);
/* Puts the terminal back as it was. Doing it again is fine. */
void screen_leave(struct screen *s);

struct screen_stand {
    const json_t *stand; /* the API's document */
    const struct curve *voltage;
    const char *became; /* what became of its run; NULL: it goes on */
};
/* As the terminal is now: sizes are asked each time. */
void screen_show(const struct screen *s, const struct screen_stand *stands, size_t n);

/* The picture as text, a line for each row of it; owned. Pure. */
struct screen_size {
    size_t width, rows;
    bool plain;
};
char *screen_text(const struct screen_size *size, const struct screen_stand *stands, size_t n);

#endif
