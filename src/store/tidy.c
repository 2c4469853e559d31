/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/tidy: what the writer does when nothing else waits, a small piece at a time: what was
 * left of imports goes, rows of samples become blocks. */
#include "store/writer.h"

#include "base/clock.h"
#include "base/log.h"

#define SECOND INT64_C(1000000000)
/* Between two pieces, in times of what the last one took: most of the disk is for others. */
#define REST_TIMES 4
#define AGAIN_NS (10 * SECOND) /* after trouble that may pass */
#define SAY_AGAIN_NS (3600 * SECOND)

typedef int piece_of_work(struct writer *w, int64_t *nr);

/* In a transaction of its own; an SQLite code. */
static int do_piece(struct writer *w, piece_of_work *work, int64_t *nr)
{
    *nr = 0;
    int rc = writer_run(w, W_BEGIN);
    if (rc == SQLITE_OK)
        rc = work(w, nr);
    if (rc == SQLITE_OK)
        rc = writer_run(w, W_COMMIT);
    if (!sqlite3_get_autocommit(w->db.db))
        sqlite3_exec(w->db.db, "ROLLBACK", NULL, NULL, NULL);
    return rc;
}

static void say(struct writer *w, int64_t nr, const char *what, int rc)
{
    int64_t now = clock_monotonic_ns();
    if (w->tidy.said_ns != 0 && now - w->tidy.said_ns < SAY_AGAIN_NS)
        return;
    w->tidy.said_ns = now;
    if (nr > 0)
        log_warn("store: %s run %lld in %s for now: %s", what, (long long)nr, w->db.path,
                 sqlite3_errstr(rc));
    else
        log_warn("store: %s %s for now: %s", what, w->db.path, sqlite3_errstr(rc));
}

/* A run that cannot be packed now or ever must not keep the others from it. */
static void put_off(struct writer *w, int64_t nr, int rc)
{
    if (nr > 0 && !store_sqlite_may_pass(rc))
        w->tidy.after_nr = nr;
    else
        w->tidy.not_before_ns = clock_monotonic_ns() + AGAIN_NS;
}

void writer_tidy(struct writer *w)
{
    int64_t start = clock_monotonic_ns(), swept = 0, packed = 0;
    int sweeping = do_piece(w, writer_sweep, &swept);
    if (sweeping != SQLITE_OK)
        say(w, swept, "what was left of an import stays as", sweeping);
    int packing = swept == 0 ? do_piece(w, writer_pack, &packed) : SQLITE_OK;
    if (packing != SQLITE_OK) {
        say(w, packed, packed > 0 ? "samples stay as rows of" : "samples stay as rows in", packing);
        put_off(w, packed, packing);
        return;
    }
    if (sweeping != SQLITE_OK) {
        w->tidy.not_before_ns = clock_monotonic_ns() + AGAIN_NS;
        return;
    }
    if (swept == 0 && packed == 0) {
        w->tidy.wanted = false;
        w->tidy.after_nr = 0;
        return;
    }
    int64_t end = clock_monotonic_ns();
    w->tidy.took_ns = end - start;
    w->tidy.not_before_ns = end + REST_TIMES * w->tidy.took_ns;
}
