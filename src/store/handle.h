/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/handle: what an open store is made of. For this room only. */
#ifndef AMPLEDGER_STORE_HANDLE_H
#define AMPLEDGER_STORE_HANDLE_H

#include "store/writer.h"

struct store {
    char path[PATH_MAX];
    int lock_fd;
    struct writer writer;
    /* For the store's own look-ups, which see what is committed and do not
     * wait for a slow disk's writer. */
    pthread_mutex_t reading;
    struct reader *reader;
};

/* Code of a finished statement -> verdict on the operation; a constraint that
 * nobody expected is a mistake of the program. */
enum apply op_judge(struct writer *w, struct op *op, int rc);
/* For operations whose only result is that they happened. */
bool op_do(struct store *s, struct op *op, struct err *e) NODISCARD;

#endif
