/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of opening: strangers' files stay byte by byte as they were, two
 * daemons cannot share a database, a new one comes into being whole. */
#include "store_fixture.h"

#include "store/schema.h"

#include <fcntl.h>
#include <signal.h>
#include <sys/wait.h>

/* The whole file, and what stands beside it, before and after. */
struct look {
    char *bytes;
    size_t n;
    char listing[4096];
};

static struct look look_at(const struct fixture *f)
{
    struct look l = {0};
    struct err e = {0};
    ok(file_read(f->path, (size_t)1 << 24, &l.bytes, &l.n, &e));
    folder_listing(f, l.listing, sizeof l.listing);
    return l;
}

static void check_refused(const struct fixture *f, const char *const words[3])
{
    struct look before = look_at(f);
    struct store *s = NULL;
    struct err e = {0};
    assert_false(store_open(f->path, &s, &e));
    if (e.code != ERR_CONFIG)
        fail_msg("code %s: %s", err_code_name(e.code), e.text);
    for (size_t i = 0; i < 3 && words[i]; i++) {
        if (!strstr(e.text, words[i]))
            fail_msg("\"%s\" is not in: %s", words[i], e.text);
    }
    assert_non_null(strstr(e.text, f->path));
    struct look after = look_at(f);
    assert_int_equal(before.n, after.n);
    assert_memory_equal(before.bytes, after.bytes, before.n);
    assert_string_equal(before.listing, after.listing);
    free(before.bytes);
    free(after.bytes);
}

static void write_file(const char *path, const void *bytes, size_t n)
{
    FILE *out = fopen(path, "wb");
    assert_non_null(out);
    assert_int_equal(fwrite(bytes, 1, n, out), n);
    fclose(out);
}

static void a_file_that_is_no_database_is_refused(void **state)
{
    struct fixture *f = *state;
    static const size_t sizes[] = {1, 10, 99, 100, 511, 512, 4096, 70000};
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        char *bytes = zalloc(sizes[i]);
        memset(bytes, 'x', sizes[i]);
        write_file(f->path, bytes, sizes[i]);
        free(bytes);
        check_refused(f, (const char *const[]){"not a database", "in bench.yaml", NULL});
    }
}

static void a_folder_is_refused(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    assert_false(store_open(f->folder, &s, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_non_null(strstr(e.text, "is not a file"));
}

static void another_programs_database_is_refused(void **state)
{
    struct fixture *f = *state;
    static const char *const made_by_others[] = {
        "PRAGMA application_id = 0x12345678; CREATE TABLE moorings(name TEXT)",
        "PRAGMA application_id = 0x12345678; PRAGMA user_version = 1",
        "CREATE TABLE moorings(name TEXT)",
        "PRAGMA user_version = 7",
        /* With a log of its own, left behind in order. */
        "PRAGMA journal_mode = WAL; CREATE TABLE moorings(name TEXT)",
        /* Ours by name of a table only. */
        "CREATE TABLE sample(t_s REAL); PRAGMA user_version = 1",
    };
    for (size_t i = 0; i < sizeof made_by_others / sizeof made_by_others[0]; i++) {
        unlink(f->path);
        assert_int_equal(exec_sql(f->path, made_by_others[i]), SQLITE_OK);
        check_refused(f, (const char *const[]){"another program", "in bench.yaml", NULL});
    }
}

static void one_from_a_newer_version_is_refused(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    store_close(s);
    assert_int_equal(exec_sql(f->path, "PRAGMA user_version = 999"), SQLITE_OK);
    check_refused(f, (const char *const[]){"newer version", "update ampledger", NULL});
}

/* A newer daemon was killed: what says "newer" may so far be in its log only. */
static void newer_is_noticed_in_the_log_too(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    store_close(s);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        sqlite3 *db = NULL;
        sqlite3_open(f->path, &db);
        sqlite3_exec(db, "PRAGMA journal_mode = WAL; PRAGMA user_version = 999", NULL, NULL, NULL);
        kill(getpid(), SIGKILL);
    }
    waitpid(child, NULL, 0);
    char wal[700];
    struct stat st;
    snprintf(wal, sizeof wal, "%s-wal", f->path);
    assert_int_equal(stat(wal, &st), 0);
    assert_true(st.st_size > 0);
    check_refused(f, (const char *const[]){"newer version", "update ampledger", NULL});
}

static void a_reader_refuses_them_too(void **state)
{
    struct fixture *f = *state;
    struct reader *r = NULL;
    struct err e = {0};
    assert_false(reader_open(f->path, &r, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    write_file(f->path, "no database at all", 18);
    assert_false(reader_open(f->path, &r, &e));
    assert_non_null(strstr(e.text, "not a database"));
    unlink(f->path);
    exec_sql(f->path, "CREATE TABLE moorings(name TEXT)");
    assert_false(reader_open(f->path, &r, &e));
    assert_non_null(strstr(e.text, "another program"));
}

static void a_new_one_is_ours_and_whole(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    assert_string_equal(strrchr(store_path(s), '/'), "/ledger.db");
    store_close(s);
    assert_int_equal(ask_int(f->path, "PRAGMA application_id"), 0x414D504C);
    assert_int_equal(ask_int(f->path, "PRAGMA user_version"), STORE_SCHEMA_VERSION);
    check_integrity(f->path);
    char listing[4096], expected[200];
    struct stat st, lock;
    char name[700];
    snprintf(name, sizeof name, "%s.lock", f->path);
    assert_int_equal(stat(f->path, &st), 0);
    assert_int_equal(stat(name, &lock), 0);
    snprintf(expected, sizeof expected, "ledger.db %lld\nledger.db.lock %lld\n",
             (long long)st.st_size, (long long)lock.st_size);
    folder_listing(f, listing, sizeof listing);
    assert_string_equal(listing, expected); /* nothing else is left lying about */
}

/* In a new database a stranger runs `sql`. */
static void check_stranger(struct fixture *f, const char *sql, const char *const words[3])
{
    struct store *s = NULL;
    struct reader *r = NULL;
    struct err e = {0};
    unlink(f->path);
    ok(store_open(f->path, &s, &e));
    store_close(s);
    assert_int_equal(exec_sql(f->path, sql), SQLITE_OK);
    check_refused(f, words);
    assert_false(reader_open(f->path, &r, &e));
    assert_int_equal(e.code, ERR_CONFIG);
}

static void tables_of_a_stranger_are_refused(void **state)
{
    struct fixture *f = *state;
    check_stranger(f,
                   "DROP VIEW sample; CREATE VIEW sample AS WITH RECURSIVE c(n) AS (SELECT 1 UNION"
                   " ALL SELECT n + 1 FROM c) SELECT n AS run_nr FROM c",
                   (const char *const[]){"the view \"sample\"", "not the one", NULL});
    check_stranger(f, "CREATE TRIGGER forget AFTER INSERT ON run BEGIN DELETE FROM event; END",
                   (const char *const[]){"the trigger \"forget\"", "not ampledger's", NULL});
    /* SQLite lets a trigger be called as a table is. */
    check_stranger(f, "CREATE TRIGGER battery AFTER INSERT ON latch BEGIN UPDATE latch SET"
                      " cleared_utc_ns = 1; END",
                   (const char *const[]){"the trigger \"battery\"", "not ampledger's", NULL});
    check_stranger(f, "CREATE UNIQUE INDEX once ON latch(stand)",
                   (const char *const[]){"the index \"once\"", "not ampledger's", NULL});
    check_stranger(f, "DROP TRIGGER import_stays_whole",
                   (const char *const[]){"\"import_stays_whole\"", "is missing", NULL});
}

static void views_and_tables_of_a_persons_own_are_left_alone(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct reader *r = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    store_close(s);
    assert_int_equal(exec_sql(f->path, "CREATE TABLE berth(name TEXT); CREATE INDEX mine ON run(stand);"
                                       "CREATE VIEW lately AS SELECT * FROM run ORDER BY nr DESC"),
                     SQLITE_OK);
    ok(store_open(f->path, &s, &e));
    store_close(s);
    ok(reader_open(f->path, &r, &e));
    reader_close(r);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM lately"), 0);
}

/* As the first version of the program left it, with a run of two steps. */
static void an_older_one_is_brought_up_to_date(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct reader *r = NULL;
    struct err e = {0};
    char *sql = NULL;
    size_t n = 0;
    ok(file_read(AMPLEDGER_SOURCE_DIR "/tests/support/ledger_v1.sql", 65536, &sql, &n, &e));
    assert_int_equal(exec_sql(f->path, sql), SQLITE_OK);
    free(sql);
    assert_int_equal(ask_int(f->path, "PRAGMA user_version"), 1);
    assert_false(reader_open(f->path, &r, &e));
    assert_non_null(strstr(e.text, "older version"));
    ok(store_open(f->path, &s, &e));
    store_close(s);
    assert_int_equal(ask_int(f->path, "PRAGMA user_version"), STORE_SCHEMA_VERSION);
    check_integrity(f->path);
    struct run_row row;
    ok(reader_open(f->path, &r, &e));
    ok(reader_run(r, "1", &row, &e));
    assert_int_equal(row.sample_count, 3);
    assert_int_equal(row.step_count, 2);
    for (int i = 0; i < 2; i++) {
        assert_int_equal(row.steps[i].step, i);
        assert_int_equal(row.steps[i].plan_step, i);
        assert_int_equal(row.steps[i].round, 1);
    }
    assert_float_equal(row.battery_record.rated_Ah, 90, 0);
    assert_string_equal(row.battery_record.lot, "spring");
    assert_true(isnan(row.battery_record.charge_current_max_A));
    run_row_free(&row);
    reader_close(r);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM row_place"), 0);
}

static void an_empty_file_becomes_a_database(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    write_file(f->path, "", 0);
    ok(store_open(f->path, &s, &e));
    store_close(s);
    unlink(f->path);
    /* A database with nothing in it, too. */
    assert_int_equal(exec_sql(f->path, "CREATE TABLE a(b); DROP TABLE a; VACUUM"), SQLITE_OK);
    ok(store_open(f->path, &s, &e));
    store_close(s);
    assert_int_equal(ask_int(f->path, "PRAGMA application_id"), 0x414D504C);
}

static void leftovers_of_a_creation_that_was_cut_off_do_no_harm(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    char name[700];
    snprintf(name, sizeof name, "%s.creating", f->path);
    write_file(name, "half a page", 11);
    snprintf(name, sizeof name, "%s.creating-journal", f->path);
    write_file(name, "half a journal", 14);
    ok(store_open(f->path, &s, &e));
    store_close(s);
    assert_int_equal(ask_int(f->path, "PRAGMA application_id"), 0x414D504C);
    assert_int_not_equal(access(name, F_OK), 0);
}

static void a_missing_folder_is_named(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    char path[700];
    snprintf(path, sizeof path, "%s/not-there/ledger.db", f->folder);
    assert_false(store_open(path, &s, &e));
    assert_non_null(strstr(e.text, "not-there"));
    assert_non_null(strstr(e.text, "create its folder"));
}

static void odd_names_are_fine(void **state)
{
    struct fixture *f = *state;
    static const char *const names[] = {"with space.db", "100%25?mode=memory#x.db",
                                        "b\xc3\xa4r.db"};
    for (size_t i = 0; i < 3; i++) {
        struct store *s = NULL;
        struct err e = {0};
        char path[700];
        snprintf(path, sizeof path, "%s/%s", f->folder, names[i]);
        for (int round = 0; round < 2; round++) {
            ok(store_open(path, &s, &e));
            store_close(s);
            assert_int_equal(access(path, F_OK), 0);
        }
    }
}

static void through_a_link_it_is_the_same_database(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL, *second = NULL;
    struct err e = {0};
    char link_name[700];
    snprintf(link_name, sizeof link_name, "%s/link.db", f->folder);
    ok(store_open(f->path, &s, &e));
    assert_int_equal(symlink("ledger.db", link_name), 0);
    assert_false(store_open(link_name, &second, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    store_close(s);
    ok(store_open(link_name, &second, &e));
    store_close(second);
    struct stat st;
    assert_int_equal(lstat(link_name, &st), 0);
    assert_true(S_ISLNK(st.st_mode));
}

static void a_second_daemon_is_told_who_has_it(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    int ready[2];
    char byte = 0;
    assert_int_equal(pipe(ready), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        if (!store_open(f->path, &s, &e) || write(ready[1], "x", 1) != 1)
            _exit(1);
        pause();
        _exit(0);
    }
    assert_int_equal(read(ready[0], &byte, 1), 1);
    assert_false(store_open(f->path, &s, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    char who[64];
    snprintf(who, sizeof who, "in use by process %ld:", (long)child);
    if (!strstr(e.text, who))
        fail_msg("%s", e.text);
    /* Reading is not refused. */
    struct reader *r = NULL;
    ok(reader_open(f->path, &r, &e));
    reader_close(r);
    /* However it ends, the lock ends with it. */
    kill(child, SIGKILL);
    waitpid(child, NULL, 0);
    ok(store_open(f->path, &s, &e));
    store_close(s);
    close(ready[0]);
    close(ready[1]);
}

static void a_second_store_in_one_process_is_refused_and_harms_nothing(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL, *second = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    int64_t nr = begin_a_run(s);
    assert_false(store_open(f->path, &second, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    /* The first still holds SQLite's locks: a stranger cannot change to another
     * journal mode, which needs the file for itself. */
    assert_int_equal(exec_sql(f->path, "PRAGMA journal_mode = DELETE"), SQLITE_BUSY);
    struct sample x = sample_number(0);
    assert_true(store_put_sample(s, nr, 0, &x));
    store_close(s);
    assert_int_equal(ask_int(f->path, "SELECT count(*) FROM sample"), 1);
}

static void a_read_only_folder_gives_a_remedy(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    /* Permissions do not bind the superuser, so try it as somebody else. */
    bool root = geteuid() == 0;
    assert_int_equal(chmod(f->folder, 0555), 0);
    if (root)
        assert_int_equal(seteuid(65534), 0);
    bool opened = store_open(f->path, &s, &e);
    if (root)
        assert_int_equal(seteuid(0), 0);
    chmod(f->folder, 0700);
    assert_false(opened);
    assert_non_null(strstr(e.text, "able to write in the folder"));
}

static void damage_is_told_with_a_remedy(void **state)
{
    struct fixture *f = *state;
    struct store *s = NULL;
    struct err e = {0};
    ok(store_open(f->path, &s, &e));
    begin_a_run(s);
    store_close(s);
    /* The first page keeps its header, the rest of the file is rubbish. */
    struct stat st;
    assert_int_equal(stat(f->path, &st), 0);
    int fd = open(f->path, O_WRONLY);
    char rubbish[4096];
    memset(rubbish, 0xa5, sizeof rubbish);
    for (off_t at = 4096; at < st.st_size; at += 4096)
        assert_int_equal(pwrite(fd, rubbish, sizeof rubbish, at), 4096);
    close(fd);
    struct battery b;
    bool fine = store_open(f->path, &s, &e);
    if (fine) {
        fine = store_battery_find(s, "launch-a", &b, &e);
        store_close(s);
    }
    assert_false(fine);
    assert_int_equal(e.code, ERR_STORE);
    assert_non_null(strstr(e.text, "damaged"));
    assert_non_null(strstr(e.text, "restore a backup"));
}

#define yard(test) cmocka_unit_test_setup_teardown(test, fixture_setup, fixture_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(a_file_that_is_no_database_is_refused),
        yard(a_folder_is_refused),
        yard(another_programs_database_is_refused),
        yard(one_from_a_newer_version_is_refused),
        yard(newer_is_noticed_in_the_log_too),
        yard(a_reader_refuses_them_too),
        yard(a_new_one_is_ours_and_whole),
        yard(tables_of_a_stranger_are_refused),
        yard(views_and_tables_of_a_persons_own_are_left_alone),
        yard(an_older_one_is_brought_up_to_date),
        yard(an_empty_file_becomes_a_database),
        yard(leftovers_of_a_creation_that_was_cut_off_do_no_harm),
        yard(a_missing_folder_is_named),
        yard(odd_names_are_fine),
        yard(through_a_link_it_is_the_same_database),
        yard(a_second_daemon_is_told_who_has_it),
        yard(a_second_store_in_one_process_is_refused_and_harms_nothing),
        yard(a_read_only_folder_gives_a_remedy),
        yard(damage_is_told_with_a_remedy),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
