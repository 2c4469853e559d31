/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/status: bits as IEEE 488.2-1992 chapter 11 numbers them. */
#include "virtual/status.h"

#include "virtual/syntax.h"

#include <string.h>

enum {
    EVENT_COMPLETE = 1,
    EVENT_QUERY = 4,
    EVENT_DEVICE = 8,
    EVENT_EXECUTION = 16,
    EVENT_COMMAND = 32,
    EVENT_POWER_ON = 128
};

enum { BYTE_ERRORS = 4, BYTE_OUTPUT = 16, BYTE_EVENT = 32, BYTE_SUMMARY = 64 };

void status_init(struct status *s)
{
    memset(s, 0, sizeof *s);
    s->event = EVENT_POWER_ON;
}

void status_clear(struct status *s)
{
    s->error_count = 0;
    s->event = 0;
}

static unsigned event_of(int number)
{
    switch (number / -100) {
    case 1:
        return EVENT_COMMAND;
    case 2:
        return EVENT_EXECUTION;
    case 4:
        return EVENT_QUERY;
    default:
        return EVENT_DEVICE;
    }
}

void status_error(struct status *s, int number)
{
    s->event |= event_of(number);
    if (s->error_count == STATUS_QUEUE) {
        s->errors[STATUS_QUEUE - 1] = SCPI_LIST_FULL;
        return;
    }
    s->errors[s->error_count++] = number;
}

int status_next_error(struct status *s)
{
    if (s->error_count == 0) {
        return 0;
    }
    int first = s->errors[0];
    s->error_count--;
    memmove(s->errors, s->errors + 1, s->error_count * sizeof s->errors[0]);
    return first;
}

void status_operation_complete(struct status *s)
{
    s->event |= EVENT_COMPLETE;
}

unsigned status_take_event(struct status *s)
{
    unsigned event = s->event;
    s->event = 0;
    return event;
}

unsigned status_byte(const struct status *s, bool output_waiting)
{
    unsigned byte = 0;
    byte |= s->error_count > 0 ? BYTE_ERRORS : 0u;
    byte |= output_waiting ? BYTE_OUTPUT : 0u;
    byte |= (s->event & s->event_enable) ? BYTE_EVENT : 0u;
    byte |= (byte & s->request_enable & ~(unsigned)BYTE_SUMMARY) ? BYTE_SUMMARY : 0u;
    return byte;
}
