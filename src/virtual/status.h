/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/status: the error queue and status registers of IEEE 488.2 and SCPI-99. */
#ifndef AMPLEDGER_VIRTUAL_STATUS_H
#define AMPLEDGER_VIRTUAL_STATUS_H

#include <stdbool.h>
#include <stddef.h>

#define STATUS_QUEUE 16

struct status {
    int errors[STATUS_QUEUE]; /* oldest first */
    size_t error_count;
    unsigned event, event_enable; /* *ESR?, *ESE */
    unsigned request_enable;      /* *SRE */
};

/* As after switching on: empty, with the power-on event. */
void status_init(struct status *s);
/* *CLS */
void status_clear(struct status *s);
/* Enter an error and its event; a full queue ends with -350. */
void status_error(struct status *s, int number);
/* Oldest error, taken out; 0 when there is none. */
int status_next_error(struct status *s);
void status_operation_complete(struct status *s);
/* *ESR?: read and clear. */
unsigned status_take_event(struct status *s);
/* *STB?; output_waiting: an answer is already formed. */
unsigned status_byte(const struct status *s, bool output_waiting);

#endif
