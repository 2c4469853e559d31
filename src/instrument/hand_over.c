/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/hand_over: what another process needs to switch this instrument
 * off without knowing anything about it: a descriptor and the bytes to write. */
#include "instrument/inside.h"

#include "base/file.h"

#include <fcntl.h>
#include <string.h>

static const char *line_end(const struct instrument *i)
{
    return i->driver->scpi.crlf_out ? "\r\n" : "\n";
}

int instrument_copy_fd(struct instrument *i)
{
    struct err why;
    int fd = -1;
    if (inside_enter(i, &why) && inside_is_open(i) && i->wire->link != NULL) {
        fd = fcntl(link_fd(i->wire->link), F_DUPFD_CLOEXEC, 0);
    }
    inside_leave(i);
    return fd;
}

bool instrument_off_bytes(const struct instrument *i, char *out, size_t size, size_t *n,
                          struct err *e)
{
    static const enum verb verbs[] = {VERB_REMOTE, VERB_OFF};
    /* An end of line first: half a line may stand in the instrument's input. */
    bool fits = text_format(out, size, "%s", link_by_message(i->address) ? "" : line_end(i));
    for (size_t v = 0; v < sizeof verbs / sizeof verbs[0]; v++) {
        const struct driver_lines *lines = &i->driver->verb[verbs[v]];
        for (size_t k = 0; fits && k < lines->count; k++) {
            size_t used = strlen(out);
            fits = text_format(out + used, size - used, "%s%s", lines->line[k], line_end(i));
        }
    }
    *n = strlen(out);
    return fits ||
           err_set(e, ERR_BUG, "%s: the off lines are longer than %zu bytes", i->name, size);
}

bool instrument_state_bytes(const struct instrument *i, char *out, size_t size, size_t *n,
                            struct err *e)
{
    const char *question = i->driver->question[ASK_STATE];
    bool fits = text_format(out, size, "%s%s", question, question[0] != '\0' ? line_end(i) : "");
    *n = strlen(out);
    return fits || err_set(e, ERR_BUG, "%s: the question for the state is too long", i->name);
}
