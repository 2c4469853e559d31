/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: databases of strangers, opened and read; by the daemon, too, where the first byte is
 * 128 or more. By its last bit
 * 0  a sound one with bytes changed, each by three bytes of input (two for the place, one for
 *    the value);
 * 1  the input is SQL that a stranger runs in a sound one. */
#include "store/store.h"

#include "base/file.h"
#include "base/ids.h"

#include <fcntl.h>
#include <sqlite3.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SAMPLES 300

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static char *sound;
static size_t sound_n;
static char folder[] = "/dev/shm/ampledger-fuzz-XXXXXX";
static char path[64];

static void must(bool ok)
{
    if (!ok) {
        abort();
    }
}

static void remove_files(void)
{
    static const char *const ends[] = {"", "-wal", "-shm", "-journal", ".lock"};
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        char name[96];
        text_format(name, sizeof name, "%s%s", path, ends[i]);
        unlink(name);
    }
}

static void remove_all(void)
{
    remove_files();
    rmdir(folder);
}

/* A battery and a run that is over, so that its samples become blocks. */
static void make_sound(void)
{
    struct store *s = NULL;
    struct err e = {0};
    struct battery b = {.cells = 4, .rated_Ah = 20};
    struct run_begin run = {.started_utc_ns = 1, .software_version = "1"};
    int64_t nr = 0;
    must(mkdtemp(folder) != NULL && text_format(path, sizeof path, "%s/a.db", folder));
    atexit(remove_all);
    strcpy(b.label, "lamp-1");
    must(store_open(path, &s, &e) && store_battery_add(s, &b, &e));
    uuid7_make(1, run.id);
    strcpy(run.battery_id, b.id);
    strcpy(run.stand, "jetty");
    must(store_run_begin(s, &run, &nr, &e));
    for (int i = 0; i < SAMPLES; i++) {
        const struct sample sample = {i, 13.2 - 0.001 * i, -4, 21.5};
        must(store_put_sample(s, nr, 0, &sample));
    }
    must(store_run_end(s, nr, RUN_COMPLETED, 2, NULL, "{}", &e) && store_flush(s, 5000, &e));
    store_close(s);
    must(file_read(path, 1 << 24, &sound, &sound_n, &e));
}

static bool take_sample(void *context, int step, const struct sample *sample)
{
    (void)context, (void)step, (void)sample;
    return true;
}

static void read_all(void)
{
    struct reader *r = NULL;
    struct run_row *rows = NULL;
    struct event_row *events = NULL;
    struct err e = {0};
    size_t n = 0;
    if (!reader_open(path, &r, &e)) {
        return;
    }
    if (reader_runs(r, NULL, 10, &rows, &n, &e)) {
        for (size_t i = 0; i < n; i++) {
            (void)reader_samples(r, rows[i].nr, -1, take_sample, NULL, &e);
            run_row_free(&rows[i]);
        }
        free(rows);
    }
    if (reader_events(r, 1, &events, &n, &e)) {
        free(events);
    }
    reader_close(r);
}

static void open_as_writer(void)
{
    struct store *s = NULL;
    struct err e = {0};
    if (store_open(path, &s, &e)) {
        store_close(s);
    }
}

static void put_changed(const uint8_t *data, size_t n)
{
    remove_files();
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    must(fd >= 0 && write(fd, sound, sound_n) == (ssize_t)sound_n);
    for (size_t i = 0; i + 3 <= n; i += 3) {
        const size_t at = ((size_t)data[i] << 8 | data[i + 1]) * sound_n / 65536;
        must(pwrite(fd, &data[i + 2], 1, (off_t)at) == 1);
    }
    close(fd);
}

static int only_this_file(void *context, int action, const char *a, const char *b, const char *c,
                          const char *d)
{
    (void)context, (void)a, (void)b, (void)c, (void)d;
    return action == SQLITE_ATTACH ? SQLITE_DENY : SQLITE_OK;
}

static int enough(void *context)
{
    return ++*(int *)context > 20;
}

static void put_after_sql(const uint8_t *data, size_t n)
{
    char *text = strndup((const char *)data, n);
    sqlite3 *db = NULL;
    int steps = 0;
    put_changed(NULL, 0);
    must(sqlite3_open(path, &db) == SQLITE_OK);
    sqlite3_limit(db, SQLITE_LIMIT_LENGTH, 1 << 20);
    sqlite3_set_authorizer(db, only_this_file, NULL);
    sqlite3_progress_handler(db, 10000, enough, &steps);
    sqlite3_exec(db, text, NULL, NULL, NULL);
    sqlite3_close(db);
    free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    if (sound == NULL) {
        make_sound();
    }
    if (n == 0) {
        return 0;
    }
    if (data[0] % 2 == 0) {
        put_changed(data + 1, n - 1);
    } else {
        put_after_sql(data + 1, n - 1);
    }
    read_all();
    if (data[0] >= 128) {
        open_as_writer();
    }
    return 0;
}
