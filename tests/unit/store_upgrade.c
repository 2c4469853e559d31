/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of bringing up to date what earlier versions wrote (tests/ledgers, see make.py there):
 * every sample stays, the tables become those of a new database, and a change that is cut
 * off, or finds the disk full, leaves the old one whole, whichever write it was. What today's
 * version then says of the runs is compared by tests/ledgers/upgrade.py. */
#include "store_fixture.h"

#include "store/schema.h"

#include <errno.h>
#include <signal.h>
#include <sys/wait.h>

/* Values to the last bit. */
static const char all_samples[] =
    "SELECT group_concat(line, char(10)) FROM (SELECT run_nr || ',' || seq || ',' || quote(t_s) || ',' || step"
    " || ',' || quote(voltage_V) || ',' || quote(current_A) || ',' || quote(temperature_C) AS line"
    " FROM sample ORDER BY run_nr, seq)";
static const char whole_schema[] =
    "SELECT group_concat(type || ' ' || name || ' on ' || tbl_name || ': ' || ifnull(sql, ''), char(10))"
    " FROM (SELECT * FROM sqlite_schema ORDER BY type, name)";

/* One text out of a database. The caller frees it. */
static char *ask_text(const char *path, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &st, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_step(st), SQLITE_ROW);
    const char *text = (const char *)sqlite3_column_text(st, 0);
    char *copy = strdup(text ? text : "");
    assert_non_null(copy);
    sqlite3_finalize(st);
    sqlite3_close(db);
    return copy;
}

/* The database that the last build of schema `version` left. */
static void load_ledger(const struct fixture *f, int version)
{
    char name[600], *sql = NULL;
    struct err e = {0};
    size_t n = 0;
    snprintf(name, sizeof name, "%s/tests/ledgers/v%d.sql", AMPLEDGER_SOURCE_DIR, version);
    ok(file_read(name, (size_t)1 << 20, &sql, &n, &e)); /* absent: see DEVELOPERS.md, "Raise the schema" */
    unlink(f->path);
    assert_int_equal(exec_sql(f->path, sql), SQLITE_OK);
    assert_int_equal(exec_sql(f->path, "PRAGMA journal_mode = WAL"), SQLITE_OK);
    free(sql);
    assert_int_equal(ask_int(f->path, "PRAGMA user_version"), version);
}

static char *schema_of_a_new_one(const struct fixture *f)
{
    char path[700];
    struct store *s = NULL;
    struct err e = {0};
    snprintf(path, sizeof path, "%s/new.db", f->folder);
    ok(store_open(path, &s, &e));
    store_close(s);
    return ask_text(path, whole_schema);
}

static void check_a_new_run(struct store *s)
{
    struct err e = {0};
    int64_t nr = begin_a_run(s);
    struct sample x = {.t_s = 1, .voltage_V = 13, .current_A = -1, .temperature_C = 21};
    assert_true(store_put_sample(s, nr, 0, &x));
    ok(store_run_end(s, nr, RUN_COMPLETED, FIXTURE_UTC_NS, NULL, "{}", &e));
}

static void each_earlier_one_becomes_as_a_new_one(void **state)
{
    struct fixture *f = *state;
    char *wanted = schema_of_a_new_one(f);
    for (int version = 1; version < STORE_SCHEMA_VERSION; version++) {
        struct store *s = NULL;
        struct reader *r = NULL;
        struct err e = {0};
        load_ledger(f, version);
        char *before = ask_text(f->path, all_samples);
        assert_true(strlen(before) > 1000);
        assert_false(reader_open(f->path, &r, &e));
        assert_non_null(strstr(e.text, "older version"));
        ok(store_open(f->path, &s, &e));
        check_a_new_run(s);
        store_close(s);
        char *after = ask_text(f->path, all_samples), *schema = ask_text(f->path, whole_schema);
        assert_int_equal(strncmp(before, after, strlen(before)), 0);
        assert_string_equal(schema, wanted);
        assert_int_equal(ask_int(f->path, "PRAGMA user_version"), STORE_SCHEMA_VERSION);
        check_integrity(f->path);
        free(before);
        free(after);
        free(schema);
    }
    free(wanted);
}

/* --- what is written reaches the disk up to some point only --- */

enum fate { KILLED, DISK_FULL };

/* In a child process alone: which change of a file is the last that succeeds. */
static enum fate fate;
static int left;
static ssize_t (*real_write)(int, const void *, size_t, off_t);
static int (*real_truncate)(int, off_t);

static bool is_refused(void)
{
    if (left > 0) {
        left--;
        return false;
    }
    if (fate == KILLED)
        kill(getpid(), SIGKILL);
    errno = ENOSPC;
    return true;
}

static ssize_t write_for_a_while(int fd, const void *bytes, size_t n, off_t at)
{
    return is_refused() ? -1 : real_write(fd, bytes, n, at);
}

static int truncate_for_a_while(int fd, off_t size)
{
    return is_refused() ? -1 : real_truncate(fd, size);
}

static void replace(sqlite3_vfs *vfs, const char *call, sqlite3_syscall_ptr with)
{
    if (vfs->xGetSystemCall(vfs, call))
        assert_int_equal(vfs->xSetSystemCall(vfs, call, with), SQLITE_OK);
}

static void watch_writes(enum fate what, int n)
{
    sqlite3_vfs *vfs = sqlite3_vfs_find(NULL);
    fate = what;
    left = n;
    real_write = pwrite;
    real_truncate = ftruncate;
    replace(vfs, "pwrite", (sqlite3_syscall_ptr)write_for_a_while);
    replace(vfs, "pwrite64", (sqlite3_syscall_ptr)write_for_a_while);
    replace(vfs, "ftruncate", (sqlite3_syscall_ptr)truncate_for_a_while);
    replace(vfs, "fallocate", NULL);
}

/* A child opens it with n changes of files to spare. True when they were enough. */
static bool open_with(const struct fixture *f, enum fate what, int n)
{
    int status = 0;
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct store *s = NULL;
        struct err e = {0};
        watch_writes(what, n);
        bool opened = store_open(f->path, &s, &e);
        if (opened)
            store_close(s);
        _exit(opened && left > 0 ? 0 : e.code == ERR_STORE || opened ? 3 : 4);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    if (WIFSIGNALED(status)) {
        assert_int_equal(what, KILLED);
        assert_int_equal(WTERMSIG(status), SIGKILL);
        return false;
    }
    assert_in_range(WEXITSTATUS(status), 0, 3);
    return WEXITSTATUS(status) == 0;
}

/* All that a database is, as one text: its marks, its soundness, its tables, its samples. */
static char *state_of(const struct fixture *f)
{
    char sql[2000];
    snprintf(sql, sizeof sql,
             "SELECT 'version ' || (SELECT user_version FROM pragma_user_version) || ' of '"
             " || (SELECT application_id FROM pragma_application_id)"
             " || ', integrity ' || (SELECT group_concat(integrity_check) FROM pragma_integrity_check)"
             " || ', dangling ' || (SELECT count(*) FROM pragma_foreign_key_check)"
             " || char(10) || (%s) || char(10) || (%s)",
             whole_schema, all_samples);
    return ask_text(f->path, sql);
}

/* The file of a database before it is brought up to date. */
struct old_file {
    char *bytes;
    size_t n;
};

static void put_back(const struct fixture *f, const struct old_file *old)
{
    char name[700];
    for (int i = 0; i < 2; i++) {
        snprintf(name, sizeof name, "%s%s", f->path, i == 0 ? "-wal" : "-shm");
        unlink(name);
    }
    FILE *out = fopen(f->path, "wb");
    assert_non_null(out);
    assert_int_equal(fwrite(old->bytes, 1, old->n, out), old->n);
    fclose(out);
}

static void bring_up_to_date(const struct fixture *f)
{
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    store_close(s);
}

/* The old one or the new one, whole, and nothing between. */
static void cut_off_at_writes(const struct fixture *f, int version, enum fate what, int step)
{
    struct old_file old = {0};
    struct err e = {0};
    int found[2] = {0};
    bool done = false;
    load_ledger(f, version);
    char *before = state_of(f);
    ok(file_read(f->path, (size_t)1 << 24, &old.bytes, &old.n, &e));
    bring_up_to_date(f);
    char *after = state_of(f);
    assert_string_not_equal(before, after);
    for (int n = 0; !done; n += step) {
        put_back(f, &old);
        done = open_with(f, what, n);
        char *now = state_of(f);
        bool is_new = strcmp(now, after) == 0;
        if (!is_new)
            assert_string_equal(now, before);
        free(now);
        found[is_new]++;
        if (n % 8 == 0) { /* and the next start does what is left */
            bring_up_to_date(f);
            assert_int_equal(ask_int(f->path, "PRAGMA user_version"), STORE_SCHEMA_VERSION);
        }
    }
    print_message("schema %d: %d times still the old one, %d times the new one\n", version, found[0], found[1]);
    assert_true(found[0] > 0 && found[1] > 0);
    free(old.bytes);
    free(before);
    free(after);
}

/* Under sanitizers each of the many processes takes its time. */
#ifdef __SANITIZE_ADDRESS__
#define EVERY 9
#else
#define EVERY 1
#endif

/* Every write of the longest way and of the shortest; of those between, some. */
static int step_of(int version)
{
    return EVERY * (version == 1 || version == STORE_SCHEMA_VERSION - 1 ? 1 : 4);
}

static void killed_in_the_middle_it_is_the_old_one(void **state)
{
    for (int version = 1; version < STORE_SCHEMA_VERSION; version++)
        cut_off_at_writes(*state, version, KILLED, step_of(version));
}

static void on_a_full_disk_it_is_the_old_one(void **state)
{
    for (int version = 1; version < STORE_SCHEMA_VERSION; version++)
        cut_off_at_writes(*state, version, DISK_FULL, 2 * step_of(version));
}

#define yard(test) cmocka_unit_test_setup_teardown(test, fixture_setup, fixture_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(each_earlier_one_becomes_as_a_new_one),
        yard(killed_in_the_middle_it_is_the_old_one),
        yard(on_a_full_disk_it_is_the_old_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
