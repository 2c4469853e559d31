/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks/command: runs one program at a time without a shell, with a time limit.
 * It starts with the document as its standard input, a process group of its
 * own, no blocked or ignored signal and no descriptor of ours but 0, 1 and 2;
 * what it prints goes into the log at debug. Inside the room. */
#ifndef AMPLEDGER_HOOKS_COMMAND_H
#define AMPLEDGER_HOOKS_COMMAND_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

struct command {
    pid_t pid;  /* 0: none runs */
    int pidfd;  /* readable when it has ended; -1 where the kernel has none: look again soon */
    int out_fd; /* what it prints; -1 when closed */
    int64_t until_ns;
    int limit_ms;
    bool killed;
    const char *path;
    size_t shown; /* bytes of its output that went into the log */
};
struct command command_none(void);

/* All borrowed; argv must live until the command has ended. */
struct command_wanted {
    char *const *argv;
    char *const *environment;
    const char *document;
    int limit_ms;
};
/* `c` must be at rest. The error is a bare sentence. */
bool command_begin(struct command *c, const struct command_wanted *wanted, struct err *e) NODISCARD;

struct command_result {
    bool ok; /* exit status 0 */
    char text[128];
};
/* Read its output, kill it when its time is over (or `now`), reap it. True when
 * it has ended; never blocks. Call when a descriptor is readable and at until_ns. */
bool command_work(struct command *c, bool kill_now, struct command_result *out);

#endif
