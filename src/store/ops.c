/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/ops: the calls that wait until their change is on the disk. */
#include "store/handle.h"
#include "store/reader.h"

#include "base/clock.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

static bool is_constraint(int rc)
{
    return (rc & 0xff) == SQLITE_CONSTRAINT;
}

enum apply op_judge(struct writer *w, struct op *op, int rc)
{
    if (rc == SQLITE_OK)
        return APPLY_DONE;
    if (!is_constraint(rc))
        return APPLY_TROUBLE;
    err_set(&op->err, ERR_BUG,
            "cannot %s: the database %s refused it (%s): please report this as a mistake of the "
            "program",
            op->doing, w->db.path, sqlite3_errmsg(w->db.db));
    return APPLY_REFUSED;
}

bool op_do(struct store *s, struct op *op, struct err *e)
{
    struct op *done = writer_do(&s->writer, op, STORE_OP_TIMEOUT_MS, e);
    if (!done)
        return false;
    op_free(done);
    return true;
}

/* --- batteries --- */

/* What can be corrected, in the order of the columns. */
static void bind_facts(struct store_bind *b, const struct battery *y)
{
    store_bind_text(b, y->label);
    store_bind_text(b, chemistry_names[y->chemistry]);
    store_bind_int(b, y->cells);
    store_bind_real(b, y->rated_Ah);
    store_bind_real(b, y->rated_hours);
    store_bind_real(b, y->rated_cutoff_V);
    store_bind_real(b, y->current_max_A);
    store_bind_real(b, y->charge_current_max_A);
    store_bind_real(b, y->temperature_max_C);
    store_bind_text(b, y->lot);
    store_bind_text(b, y->note);
}

static enum apply judge_label(struct writer *w, struct op *op, int rc)
{
    if (rc == SQLITE_CONSTRAINT_UNIQUE) {
        err_set(&op->err, ERR_CONFIG,
                "a battery with the label \"%s\" is in the register already; choose another label",
                op->battery.label);
        return APPLY_REFUSED;
    }
    return op_judge(w, op, rc);
}

static enum apply battery_add(struct writer *w, struct op *op)
{
    struct store_bind b = store_bind(&w->db, W_BATTERY_ADD);
    store_bind_text(&b, op->battery.id);
    bind_facts(&b, &op->battery);
    store_bind_int(&b, op->battery.created_utc_ns);
    store_bind_int_or_null(&b, op->battery.retired_utc_ns);
    return judge_label(w, op, store_run(&b));
}

static bool check_facts(const struct battery *b, struct err *e)
{
    if (b->label[0] == '\0')
        return err_set(e, ERR_CONFIG,
                       "a battery needs a label, the one written on it, e.g. launch-a");
    if (b->cells < 1 || (unsigned)b->chemistry >= CHEM_COUNT)
        return err_set(e, ERR_CONFIG,
                       "battery \"%s\" needs a known chemistry and at least one cell in series",
                       b->label);
    return true;
}

bool store_battery_add(struct store *s, struct battery *b, struct err *e)
{
    if (!check_facts(b, e))
        return false;
    struct op *op = op_new(battery_add, "add the battery");
    op->battery = *b;
    if (op->battery.created_utc_ns == 0)
        op->battery.created_utc_ns = clock_real_utc_ns();
    uuid7_make(op->battery.created_utc_ns, op->battery.id);
    op = writer_do(&s->writer, op, STORE_OP_TIMEOUT_MS, e);
    if (!op)
        return false;
    *b = op->battery;
    op_free(op);
    return true;
}

static enum apply battery_edit(struct writer *w, struct op *op)
{
    struct store_bind was = store_bind(&w->db, W_BATTERY_WAS);
    store_bind_text(&was, op->battery.id);
    store_bind_int(&was, op->utc_ns);
    int rc = store_run(&was);
    if (rc != SQLITE_OK)
        return op_judge(w, op, rc);
    struct store_bind b = store_bind(&w->db, W_BATTERY_EDIT);
    bind_facts(&b, &op->battery);
    store_bind_text(&b, op->battery.id);
    return judge_label(w, op, store_run(&b));
}

bool store_battery_edit(struct store *s, const struct battery *b, int64_t utc_ns, struct err *e)
{
    if (!check_facts(b, e))
        return false;
    struct op *op = op_new(battery_edit, "correct the battery's record");
    op->battery = *b;
    op->utc_ns = utc_ns;
    return op_do(s, op, e);
}

static enum apply battery_retire(struct writer *w, struct op *op)
{
    struct store_bind b = store_bind(&w->db, W_BATTERY_RETIRE);
    store_bind_int(&b, op->utc_ns);
    store_bind_text(&b, op->name);
    return op_judge(w, op, store_run(&b));
}

bool store_battery_retire(struct store *s, const char *label, int64_t utc_ns, struct err *e)
{
    struct battery known;
    if (!store_battery_find(s, label, &known, e))
        return false;
    struct op *op = op_new(battery_retire, "retire the battery");
    op->utc_ns = utc_ns;
    store_text_cut(op->name, sizeof op->name, label);
    return op_do(s, op, e);
}

bool store_battery_find(struct store *s, const char *label, struct battery *out, struct err *e)
{
    pthread_mutex_lock(&s->reading);
    bool ok = reader_battery(s->reader, label, out, e);
    pthread_mutex_unlock(&s->reading);
    return ok;
}

bool store_battery_list(struct store *s, struct battery **out, size_t *n, struct err *e)
{
    pthread_mutex_lock(&s->reading);
    bool ok = reader_batteries(s->reader, out, n, e);
    pthread_mutex_unlock(&s->reading);
    return ok;
}

/* --- runs --- */

/* Store a text once; the fingerprint names it. NULL text: nothing. */
static int keep_text(struct writer *w, const char *sha256, const char *text)
{
    if (!text)
        return SQLITE_OK;
    struct store_bind b = store_bind(&w->db, W_TEXT);
    store_bind_text(&b, sha256);
    store_bind_text(&b, text);
    return store_run(&b);
}

static void fingerprint(const char *text, char out[SHA256_TEXT_SIZE])
{
    out[0] = '\0';
    if (text)
        sha256_hex(text, strlen(text), out);
}

static int insert_instrument(struct writer *w, const struct op *op, size_t i)
{
    const struct run_instrument *in = &op->run.instrument[i];
    char sha[SHA256_TEXT_SIZE];
    fingerprint(in->driver_text, sha);
    int rc = keep_text(w, sha, in->driver_text);
    if (rc != SQLITE_OK)
        return rc;
    struct store_bind b = store_bind(&w->db, W_RUN_INSTRUMENT);
    store_bind_int(&b, op->nr);
    store_bind_int(&b, (int64_t)i);
    store_bind_text(&b, in->role);
    store_bind_text(&b, in->driver);
    store_bind_text(&b, sha[0] ? sha : NULL);
    store_bind_text(&b, in->identity);
    store_bind_text(&b, in->link);
    return store_run(&b);
}

static int insert_run(struct writer *w, struct op *op)
{
    const struct run_begin *r = &op->run;
    char profile[SHA256_TEXT_SIZE], bench[SHA256_TEXT_SIZE];
    fingerprint(r->profile_text, profile);
    fingerprint(r->bench_text, bench);
    int rc = keep_text(w, profile, r->profile_text);
    if (rc == SQLITE_OK)
        rc = keep_text(w, bench, r->bench_text);
    if (rc != SQLITE_OK)
        return rc;
    struct store_bind b = store_bind(&w->db, W_RUN_BEGIN);
    store_bind_text(&b, r->id);
    store_bind_text(&b, r->battery_id);
    store_bind_text(&b, r->stand);
    store_bind_text(&b, r->profile);
    store_bind_int(&b, r->started_utc_ns);
    store_bind_real(&b, r->lead_ohm);
    store_bind_text(&b, r->voltage_source);
    store_bind_text(&b, r->software_version ? r->software_version : "");
    store_bind_text(&b, profile[0] ? profile : NULL);
    store_bind_text(&b, bench[0] ? bench : NULL);
    store_bind_text(&b, r->plan_json);
    rc = store_run(&b);
    op->nr = sqlite3_last_insert_rowid(w->db.db);
    return rc;
}

static enum apply run_begin(struct writer *w, struct op *op)
{
    int64_t known = 0;
    struct store_bind b = store_bind(&w->db, W_BATTERY_KNOWN);
    store_bind_text(&b, op->run.battery_id);
    if (store_get_int(&b, &known) != SQLITE_OK)
        return APPLY_TROUBLE;
    if (known == 0) {
        err_set(&op->err, ERR_NOT_FOUND,
                "cannot start the run: no battery with the id %s is in the register; \"ampledger "
                "battery list\" shows those that are",
                op->run.battery_id);
        return APPLY_REFUSED;
    }
    int rc = insert_run(w, op);
    if (rc == SQLITE_OK && op->run.row_nr != 0) {
        struct store_bind row = store_bind(&w->db, W_ROW_RUN);
        store_bind_int(&row, op->nr);
        store_bind_int(&row, op->run.row_nr);
        rc = store_run(&row);
        if (rc == SQLITE_OK && sqlite3_changes(w->db.db) == 0) {
            err_set(&op->err, ERR_REFUSED,
                    "the battery was taken out of the row meanwhile; nothing was started");
            return APPLY_REFUSED;
        }
    }
    for (size_t i = 0; i < op->run.instrument_count && rc == SQLITE_OK; i++)
        rc = insert_instrument(w, op, i);
    return op_judge(w, op, rc);
}

bool store_run_begin(struct store *s, const struct run_begin *r, int64_t *nr, struct err *e)
{
    size_t room = sizeof r->instrument / sizeof r->instrument[0];
    if (r->instrument_count > room || !uuid7_is_valid(r->id))
        return err_set(e, ERR_BUG, "the run \"%s\" with %zu instruments cannot be recorded", r->id,
                       r->instrument_count);
    struct op *op = op_new(run_begin, "write the start of the run");
    op->run = *r;
    op->run.profile_text = op_keep(op, r->profile_text);
    op->run.bench_text = op_keep(op, r->bench_text);
    op->run.plan_json = op_keep(op, r->plan_json);
    op->run.software_version = op_keep(op, r->software_version);
    for (size_t i = 0; i < r->instrument_count; i++)
        op->run.instrument[i].driver_text = op_keep(op, r->instrument[i].driver_text);
    op = writer_do(&s->writer, op, STORE_OP_TIMEOUT_MS, e);
    if (!op)
        return false;
    *nr = op->nr;
    op_free(op);
    return true;
}

/* The run was not running: is this the same end again, which is fine (the
 * caller may not have learned that the first try succeeded), or a mistake? */
static enum apply not_running(struct writer *w, struct op *op)
{
    char outcome[16] = "";
    int64_t ended = 0;
    struct store_bind b = store_bind(&w->db, W_RUN_STATE);
    store_bind_int(&b, op->nr);
    bool found = store_row(&b) == SQLITE_ROW;
    if (found) {
        store_column_copy(b.stmt, 0, outcome, sizeof outcome);
        ended = sqlite3_column_int64(b.stmt, 1);
    }
    store_reset(&b);
    if (b.rc != SQLITE_ROW && b.rc != SQLITE_DONE)
        return APPLY_TROUBLE;
    if (found && ended == op->utc_ns && strcmp(outcome, run_outcome_names[op->outcome]) == 0)
        return APPLY_DONE;
    if (found)
        err_set(&op->err, ERR_REFUSED, "run %" PRId64 " has ended already (%s)", op->nr, outcome);
    else
        err_set(&op->err, ERR_NOT_FOUND, "there is no run %" PRId64 " to end", op->nr);
    return APPLY_REFUSED;
}

static enum apply run_end(struct writer *w, struct op *op)
{
    const struct run_trip *t = &op->trip;
    bool tripped = t->reason[0] != '\0';
    struct store_bind b = store_bind(&w->db, W_RUN_END);
    store_bind_text(&b, run_outcome_names[op->outcome]);
    store_bind_int(&b, op->utc_ns);
    store_bind_text(&b, op->result_json);
    store_bind_text(&b, tripped ? t->reason : NULL);
    store_bind_text(&b, tripped ? t->sentence : NULL);
    store_bind_int_or_null(&b, tripped ? t->at_utc_ns : 0);
    store_bind_real(&b, t->at_s);
    store_bind_real(&b, t->value);
    store_bind_real(&b, t->limit);
    store_bind_int(&b, op->nr);
    int rc = store_run(&b);
    if (rc == SQLITE_OK && sqlite3_changes(w->db.db) == 0)
        return not_running(w, op);
    return op_judge(w, op, rc);
}

static const struct run_trip no_trip = {
    .at_s = (double)NAN, .value = (double)NAN, .limit = (double)NAN};

bool store_run_end(struct store *s, int64_t nr, enum run_outcome outcome, int64_t ended_utc_ns,
                   const struct run_trip *trip, const char *result_json, struct err *e)
{
    if (outcome == RUN_RUNNING)
        return err_set(e, ERR_BUG, "run %" PRId64 " cannot end as running", nr);
    struct op *op = op_new(run_end, "write the end of the run");
    op->insist = true;
    op->nr = nr;
    op->outcome = outcome;
    op->utc_ns = ended_utc_ns;
    op->trip = trip && trip->reason[0] ? *trip : no_trip;
    op->result_json = op_keep(op, result_json);
    return op_do(s, op, e);
}

static enum apply mark_interrupted(struct writer *w, struct op *op)
{
    struct store_bind events = store_bind(&w->db, W_INTERRUPTED_EVENTS);
    store_bind_int(&events, op->utc_ns);
    int rc = store_run(&events);
    if (rc == SQLITE_OK) {
        struct store_bind runs = store_bind(&w->db, W_INTERRUPTED);
        rc = store_run(&runs);
        op->count = sqlite3_changes(w->db.db);
    }
    if (rc == SQLITE_OK)
        rc = writer_leave_imports(w);
    return op_judge(w, op, rc);
}

bool store_mark_interrupted(struct store *s, int64_t utc_ns, int *count, struct err *e)
{
    struct op *op = op_new(mark_interrupted, "mark interrupted runs");
    op->utc_ns = utc_ns;
    op = writer_do(&s->writer, op, STORE_OP_TIMEOUT_MS, e);
    if (!op)
        return false;
    *count = op->count;
    op_free(op);
    return true;
}

static enum apply resume(struct writer *w, struct op *op)
{
    struct store_bind b = store_bind(&w->db, W_RESUME);
    store_bind_int(&b, op->nr);
    int rc = store_run(&b);
    op->count = sqlite3_changes(w->db.db);
    return op_judge(w, op, rc);
}

bool store_run_resume(struct store *s, int64_t nr, struct err *e)
{
    struct op *op = op_new(resume, "take an interrupted run up again");
    op->nr = nr;
    op = writer_do(&s->writer, op, STORE_OP_TIMEOUT_MS, e);
    if (!op)
        return false;
    bool taken_up = op->count == 1;
    op_free(op);
    return taken_up || err_set(e, ERR_REFUSED, "run %lld is not an interrupted one", (long long)nr);
}

/* --- latches --- */

static enum apply latch_set(struct writer *w, struct op *op)
{
    struct store_bind b = store_bind(&w->db, W_LATCH_SET);
    store_bind_text(&b, op->name);
    store_bind_int_or_null(&b, op->nr);
    store_bind_text(&b, op->trip.reason);
    store_bind_text(&b, op->trip.sentence);
    store_bind_int(&b, op->trip.at_utc_ns);
    store_bind_real(&b, op->trip.at_s);
    store_bind_real(&b, op->trip.value);
    store_bind_real(&b, op->trip.limit);
    return op_judge(w, op, store_run(&b));
}

bool store_latch_set(struct store *s, const char *stand, int64_t nr, const struct run_trip *trip,
                     struct err *e)
{
    struct op *op = op_new(latch_set, "write the trip");
    op->insist = true;
    store_text_cut(op->name, sizeof op->name, stand);
    op->nr = nr;
    op->trip = *trip;
    return op_do(s, op, e);
}

static enum apply latch_clear(struct writer *w, struct op *op)
{
    struct store_bind b = store_bind(&w->db, W_LATCH_CLEAR);
    store_bind_int(&b, op->utc_ns);
    store_bind_text(&b, op->name);
    return op_judge(w, op, store_run(&b));
}

bool store_latch_clear(struct store *s, const char *stand, int64_t utc_ns, struct err *e)
{
    struct op *op = op_new(latch_clear, "clear the trip");
    store_text_cut(op->name, sizeof op->name, stand);
    op->utc_ns = utc_ns;
    return op_do(s, op, e);
}

bool store_latch_get(struct store *s, const char *stand, bool *found, struct run_trip *out,
                     struct err *e)
{
    pthread_mutex_lock(&s->reading);
    bool ok = reader_latch(s->reader, stand, found, out, e);
    pthread_mutex_unlock(&s->reading);
    return ok;
}

/* --- known instruments --- */

static enum apply know_instrument(struct writer *w, struct op *op)
{
    const struct run_instrument *in = &op->run.instrument[0];
    struct store_bind b = store_bind(&w->db, W_KNOWN_INSTRUMENT);
    store_bind_text(&b, op->name);
    store_bind_text(&b, in->role);
    store_bind_text(&b, in->driver);
    store_bind_text(&b, in->identity);
    store_bind_int(&b, op->utc_ns);
    return op_judge(w, op, store_run(&b));
}

bool store_known_set(struct store *s, const char *stand, const struct run_instrument *known,
                     int64_t utc_ns, struct err *e)
{
    struct op *op = op_new(know_instrument, "write which instrument belongs to the stand");
    store_text_cut(op->name, sizeof op->name, stand);
    op->run.instrument[0] = *known;
    op->run.instrument[0].driver_text = NULL;
    op->utc_ns = utc_ns;
    return op_do(s, op, e);
}

bool store_known_get(struct store *s, const char *stand, struct run_instrument *known,
                     struct err *e)
{
    pthread_mutex_lock(&s->reading);
    bool ok = reader_known(s->reader, stand, known, e);
    pthread_mutex_unlock(&s->reading);
    return ok;
}

/* --- waiting --- */

static enum apply flush(struct writer *w, struct op *op)
{
    (void)w;
    (void)op;
    return APPLY_DONE; /* being committed after all that was queued before is all it does */
}

bool store_flush(struct store *s, int timeout_ms, struct err *e)
{
    struct op *done = writer_do(&s->writer, op_new(flush, "write all records"), timeout_ms, e);
    if (!done)
        return false;
    op_free(done);
    return true;
}
