/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: databases of strangers. An even first byte: a sound database with bytes changed,
 * each by three bytes of input (two for the place, one for the value), is opened and read.
 * An odd one: the text of a block of samples is unpacked. */
#include "store/store.h"
#include "store/block.h"

#include "base/file.h"
#include "base/ids.h"

#include <fcntl.h>
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

static void remove_all(void)
{
    static const char *const ends[] = {"", "-wal", "-shm", "-journal", ".lock"};
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        char name[96];
        text_format(name, sizeof name, "%s%s", path, ends[i]);
        unlink(name);
    }
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

static void open_changed(const uint8_t *data, size_t n)
{
    struct store *s = NULL;
    struct err e = {0};
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    must(fd >= 0 && write(fd, sound, sound_n) == (ssize_t)sound_n);
    for (size_t i = 0; i + 3 <= n; i += 3) {
        const size_t at = ((size_t)data[i] << 8 | data[i + 1]) * sound_n / 65536;
        must(pwrite(fd, &data[i + 2], 1, (off_t)at) == 1);
    }
    close(fd);
    read_all();
    if (store_open(path, &s, &e)) {
        store_close(s);
    }
}

static void unpack(const uint8_t *data, size_t n)
{
    struct block_column frame = {.scale = 1};
    double values[BLOCK_SAMPLES];
    const size_t head = sizeof frame.base + sizeof frame.each + 2;
    if (n < head) {
        return;
    }
    memcpy(&frame.base, data, sizeof frame.base);
    memcpy(&frame.each, data + sizeof frame.base, sizeof frame.each);
    const size_t count = ((size_t)data[head - 2] << 8 | data[head - 1]) % BLOCK_SAMPLES + 1;
    char *text = strndup((const char *)data + head, n - head);
    (void)block_unpack(&frame, text, count, values);
    free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    if (sound == NULL) {
        make_sound();
    }
    if (n > 0 && data[0] % 2 == 0) {
        open_changed(data + 1, n - 1);
    } else if (n > 0) {
        unpack(data + 1, n - 1);
    }
    return 0;
}
