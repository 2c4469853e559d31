/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/slip: a small file beside the database, one for each stand, there while a run
 * is on. It says whether that run may be taken up again should it be cut off, and it
 * takes a trip in before the database does: what a full disk, a death or a lack of
 * memory kept from being stored shall neither be forgotten nor start again.
 *
 * Writing is done by a thread of its own, so that no disk delays switching off, into
 * a file that is there already, which needs neither memory nor room on the disk. */
#ifndef AMPLEDGER_RUN_SLIP_H
#define AMPLEDGER_RUN_SLIP_H

#include "base/ids.h"
#include "store/store.h"

enum slip_kind {
    SLIP_NONE,      /* no file: no run is on, and nothing waits */
    SLIP_RUN,       /* a run is on, and is not taken up again */
    SLIP_RESUMABLE, /* a run is on that may be */
    SLIP_TRIP,      /* it tripped, and the database may not know */
};

struct slip_text {
    enum slip_kind kind;
    char run_id[UUID_TEXT_SIZE];
    int64_t nr;
    struct run_trip trip; /* of SLIP_TRIP */
};

struct slip;

/* The slip of a stand; starts its thread, changes no file. */
bool slip_open(const char *database, const char *stand, struct slip **out, struct err *e) NODISCARD;
/* Finishes what is being written. NULL is fine. */
void slip_close(struct slip *s);

/* What the file says; SLIP_NONE also when it cannot be read. */
void slip_read(const struct slip *s, struct slip_text *out);

/* The following never wait. */
void slip_begin(struct slip *s, const char *run_id, int64_t nr, bool resumable);
void slip_forbid(struct slip *s); /* the run that is on is not to be taken up again */
void slip_trip(struct slip *s, const struct run_trip *trip);
void slip_remove(struct slip *s);

/* How long a beginning, an end or a person waits for it. */
#define SLIP_WAIT_MS 5000
/* Waits until the newest of them is on the disk. ERR_SYSTEM, or ERR_TIMEOUT. */
bool slip_wait(struct slip *s, int timeout_ms, struct err *e) NODISCARD;

/* Memory is out and this process about to end: every run that is on is noted as
 * tripped, at once and without any memory. */
void slip_last_words(void);

#endif
