/* SPDX-License-Identifier: GPL-3.0-or-later
 * store_fixture: a folder of its own and a small boat yard for tests of the store. */
#ifndef AMPLEDGER_TESTS_STORE_FIXTURE_H
#define AMPLEDGER_TESTS_STORE_FIXTURE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/clock.h"
#include "base/file.h"
#include "base/ids.h"
#include "store/store.h"

#include <dirent.h>
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define FIXTURE_UTC_NS INT64_C(1772395445120000000) /* 2026-03-01T20:04:05.120Z */

struct fixture {
    char folder[512];
    char path[600]; /* of the database in it */
};

/* For calls whose failure ends the test with their own message. */
#define ok(expression)                                                                             \
    do {                                                                                           \
        e.text[0] = '\0';                                                                          \
        if (!(expression))                                                                         \
            fail_msg("%s: %s", #expression, e.text);                                               \
    } while (0)

static inline void fixture_make(struct fixture *f)
{
    const char *tmp = getenv("TMPDIR");
    snprintf(f->folder, sizeof f->folder, "%s/ampledger-store-XXXXXX", tmp ? tmp : "/tmp");
    assert_non_null(mkdtemp(f->folder));
    snprintf(f->path, sizeof f->path, "%s/ledger.db", f->folder);
}

static inline void fixture_remove(struct fixture *f)
{
    DIR *d = opendir(f->folder);
    for (struct dirent *entry; d && (entry = readdir(d));) {
        char name[1200];
        snprintf(name, sizeof name, "%s/%s", f->folder, entry->d_name);
        if (entry->d_name[0] != '.')
            unlink(name);
    }
    if (d)
        closedir(d);
    rmdir(f->folder);
}

static inline int fixture_setup(void **state)
{
    *state = zalloc(sizeof(struct fixture));
    fixture_make(*state);
    return 0;
}

static inline int fixture_teardown(void **state)
{
    fixture_remove(*state);
    free(*state);
    return 0;
}

/* Names and sizes of all files of the folder, sorted, as one text: to see what changed. */
static inline void folder_listing(const struct fixture *f, char *out, size_t size)
{
    struct dirent **names = NULL;
    int n = scandir(f->folder, &names, NULL, alphasort);
    size_t used = 0;
    out[0] = '\0';
    for (int i = 0; i < n; i++) {
        struct stat st = {0};
        char name[1200];
        snprintf(name, sizeof name, "%s/%s", f->folder, names[i]->d_name);
        if (names[i]->d_name[0] != '.' && stat(name, &st) == 0 && used < size)
            used += (size_t)snprintf(out + used, size - used, "%s %lld\n", names[i]->d_name,
                                     (long long)st.st_size);
        free(names[i]);
    }
    free(names);
}

static inline struct battery launch(const char *label)
{
    struct battery b = battery_blank();
    snprintf(b.label, sizeof b.label, "%s", label);
    b.chemistry = CHEM_LFP;
    b.cells = 4;
    b.rated_Ah = 90.0;
    b.rated_hours = 10.0;
    b.rated_cutoff_V = 10.0;
    snprintf(b.lot, sizeof b.lot, "spring");
    b.created_utc_ns = FIXTURE_UTC_NS;
    return b;
}

static inline struct run_begin run_of(const struct battery *b)
{
    struct run_begin r = {
        .stand = "jetty-1",
        .profile = "capacity",
        .started_utc_ns = FIXTURE_UTC_NS,
        .lead_ohm = 0.011,
        .voltage_source = "load",
        .profile_text = "name: capacity\n",
        .bench_text = "stands: []\n",
        .plan_json = "{\"steps\":[]}",
        .software_version = "0.1.0",
        .instrument_count = 1,
        .instrument = {{.role = "load",
                        .driver = "lakeside-ld300",
                        .identity = "Lakeside,LD300,0001,1.02",
                        .link = "tty:/dev/pts/9",
                        .driver_text = "match: Lakeside,LD300*\n"}},
    };
    uuid7_make(r.started_utc_ns, r.id);
    memcpy(r.battery_id, b->id, sizeof r.battery_id);
    return r;
}

/* The database of a fixture, open for writing and for reading. */
static inline void fixture_open(struct fixture *f, struct store **s, struct reader **r)
{
    struct err e = {0};
    fixture_make(f);
    ok(store_open(f->path, s, &e));
    ok(reader_open(f->path, r, &e));
}

static inline void fixture_close(struct fixture *f, struct store *s, struct reader *r)
{
    reader_close(r);
    store_close(s);
    fixture_remove(f);
}

/* All of that as the state of a test. */
struct ledger {
    struct fixture f;
    struct store *s;
    struct reader *r;
};

static inline int ledger_setup(void **state)
{
    struct ledger *l = zalloc(sizeof *l);
    *state = l;
    fixture_open(&l->f, &l->s, &l->r);
    return 0;
}

static inline int ledger_teardown(void **state)
{
    struct ledger *l = *state;
    fixture_close(&l->f, l->s, l->r);
    free(l);
    return 0;
}

#define ledger(test) cmocka_unit_test_setup_teardown(test, ledger_setup, ledger_teardown)

/* And with a battery in it. */
struct stocked {
    struct fixture f;
    struct store *s;
    struct reader *r;
    struct battery b; /* launch-a */
};

static inline int stocked_setup(void **state)
{
    struct stocked *l = zalloc(sizeof *l);
    struct err e = {0};
    *state = l;
    fixture_open(&l->f, &l->s, &l->r);
    l->b = launch("launch-a");
    ok(store_battery_add(l->s, &l->b, &e));
    return 0;
}

static inline int stocked_teardown(void **state)
{
    struct stocked *l = *state;
    fixture_close(&l->f, l->s, l->r);
    free(l);
    return 0;
}

#define stocked(test) cmocka_unit_test_setup_teardown(test, stocked_setup, stocked_teardown)

/* A store with a battery and a run that is under way. */
static inline int64_t begin_a_run(struct store *s)
{
    struct err e = {0};
    struct battery b;
    int64_t nr = 0;
    if (!store_battery_find(s, "launch-a", &b, &e)) {
        b = launch("launch-a");
        ok(store_battery_add(s, &b, &e));
    }
    struct run_begin r = run_of(&b);
    ok(store_run_begin(s, &r, &nr, &e));
    return nr;
}

/* One integer out of a database, through a connection of its own. */
static inline int64_t ask_int(const char *path, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, NULL), SQLITE_OK);
    sqlite3_busy_timeout(db, 5000);
    if (sqlite3_prepare_v2(db, sql, -1, &st, NULL) != SQLITE_OK)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    int rc = sqlite3_step(st);
    if (rc != SQLITE_ROW)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    int64_t value = sqlite3_column_int64(st, 0);
    sqlite3_finalize(st);
    sqlite3_close(db);
    return value;
}

static inline int exec_sql(const char *path, const char *sql)
{
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, NULL),
                     SQLITE_OK);
    sqlite3_busy_timeout(db, 5000); /* the store may be at work */
    int rc = sqlite3_exec(db, sql, NULL, NULL, NULL);
    sqlite3_close(db);
    return rc;
}

/* Whole and consistent, in SQLite's own judgement. */
static inline void check_integrity(const char *path)
{
    assert_int_equal(ask_int(path, "SELECT count(*) FROM pragma_integrity_check"
                                   " WHERE integrity_check <> 'ok'"),
                     0);
    assert_int_equal(ask_int(path, "SELECT count(*) FROM pragma_foreign_key_check"), 0);
    /* Per run, samples are numbered 0, 1, 2, ... */
    assert_int_equal(ask_int(path, "SELECT count(*) FROM (SELECT 1 FROM sample GROUP BY run_nr"
                                   " HAVING count(*) <> max(seq) + 1 OR min(seq) <> 0)"),
                     0);
}

static inline struct sample sample_number(int i)
{
    return (struct sample){.t_s = (double)i * 0.1,
                           .voltage_V = 13.3 - (double)i * 1e-5,
                           .current_A = -9.0 - (double)(i % 7) * 1e-3,
                           .temperature_C = (double)NAN};
}

#endif
