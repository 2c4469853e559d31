/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/row: batteries that wait at a stand, one after the other, and what became of
 * each. A place has no state of its own: it follows from its run, so that neither a
 * restart nor a run that is taken up again can leave the two at odds. */
#ifndef AMPLEDGER_STORE_ROW_H
#define AMPLEDGER_STORE_ROW_H

#include "store/store.h"

enum row_state {
    ROW_WAITING,
    ROW_ASKED, /* the first of those that wait, and somebody was asked to connect it */
    ROW_RUNNING,
    ROW_DONE,   /* its run has ended, however it did */
    ROW_DROPPED /* taken out of the row; reason says why */
};
/* "waiting", "asked", "running", "done", "dropped" */
extern const char *const row_state_names[];

#define ROW_PROFILE_SIZE 64
#define ROW_REASON_SIZE 128
#define ROW_WAITING_MOST 500 /* at one stand */

struct row_place {
    int64_t nr; /* its own, for ever */
    char stand[LABEL_SIZE];
    int place; /* 1 is next; 0: does not wait any more */
    char battery[LABEL_SIZE], battery_id[UUID_TEXT_SIZE];
    char profile[ROW_PROFILE_SIZE];
    enum row_state state;
    char added_by[LABEL_SIZE];                        /* "" not known */
    int64_t added_utc_ns, asked_utc_ns, ended_utc_ns; /* 0: not yet. Ended: done or dropped */
    int64_t run_nr;                                   /* 0 none */
    char run_id[UUID_TEXT_SIZE];
    enum run_outcome outcome; /* with a run */
    char reason[ROW_REASON_SIZE];
};

struct row_wanted {
    const char *stand, *profile, *added_by;
    const struct battery *batteries; /* of each, id and label count */
    size_t count;
    int64_t utc_ns;
};
/* Puts all of them at the end of the row, or none. ERR_REFUSED: the row is full, or one
 * waits for the same profile already. */
bool store_row_add(struct store *s, const struct row_wanted *wanted, struct err *e) NODISCARD;

/* ERR_REFUSED when it does not wait (any more). */
bool store_row_drop(struct store *s, int64_t nr, const char *why, int64_t utc_ns,
                    struct err *e) NODISCARD;
/* To another place among those that wait; one beyond the end becomes the last. */
bool store_row_move(struct store *s, const struct row_place *place, int to,
                    struct err *e) NODISCARD;
/* Somebody was asked to connect it; the first time counts. */
bool store_row_asked(struct store *s, int64_t nr, int64_t utc_ns, struct err *e) NODISCARD;

/* Those that wait, in their order, then at most `left_most` of those that do not any
 * more, newest first. Owned array (free()). */
bool store_row_list(struct store *s, const char *stand, int left_most, struct row_place **out,
                    size_t *n, struct err *e) NODISCARD;

#endif
