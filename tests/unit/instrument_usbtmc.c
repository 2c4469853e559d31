/* SPDX-License-Identifier: GPL-3.0-or-later
 * An instrument spoken to by messages instead of lines, from finding it to switching
 * it off, against an EMULATED device: see support/usbtmc_device.h. The driver file is
 * one that is shipped, so what differs is the link alone. */
#include "base/clock.h"
#include "base/file.h"
#include "instrument/instrument.h"

#include <math.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include "usbtmc_device.h"

/* --- a load that is told by messages --- */

static struct {
    pthread_mutex_t lock;
    bool on, silent;
    double set_A;
    char mode[8];
    char heard[2000]; /* joined by '|' */
} load;

static void answer(const char *text)
{
    /* Without an end of line: the end of the message is one. */
    if (!load.silent && write(device.theirs, text, strlen(text)) < 0) {
        perror("emulated load");
    }
}

static void hear(char *line)
{
    char text[64];
    size_t used = strlen(load.heard);
    line[strcspn(line, "\r\n")] = '\0';
    snprintf(load.heard + used, sizeof load.heard - used, "%s|", line);
    if (strcmp(line, "*IDN?") == 0) {
        answer("LAKE,L-1,0001,1.0");
    } else if (strcmp(line, "SYSTem:ERRor?") == 0) {
        answer("0,\"No error\"");
    } else if (strcmp(line, "INPut?") == 0) {
        answer(load.on ? "1" : "0");
    } else if (strcmp(line, "FUNCtion?") == 0) {
        answer(load.mode);
    } else if (strcmp(line, "CURRent?") == 0) {
        snprintf(text, sizeof text, "%.4f", load.set_A);
        answer(text);
    } else if (strncmp(line, "MEASure", 7) == 0) {
        snprintf(text, sizeof text, "12.61;%.3f", load.on ? load.set_A : 0.0);
        answer(text);
    } else if (sscanf(line, "CURRent %lf", &load.set_A) != 1 &&
               sscanf(line, "FUNCtion %4s", load.mode) != 1) {
        load.on = strcmp(line, "INPut ON") == 0;
    }
}

static void *load_thread(void *arg)
{
    char line[200];
    (void)arg;
    for (;;) {
        ssize_t n = recv(device.theirs, line, sizeof line - 1, 0);
        if (n <= 0) {
            return NULL;
        }
        line[n] = '\0';
        pthread_mutex_lock(&load.lock);
        hear(line);
        pthread_mutex_unlock(&load.lock);
    }
}

static bool is_on(void)
{
    pthread_mutex_lock(&load.lock);
    bool on = load.on;
    pthread_mutex_unlock(&load.lock);
    return on;
}

static void be_silent(bool silent)
{
    pthread_mutex_lock(&load.lock);
    load.silent = silent;
    pthread_mutex_unlock(&load.lock);
}

/* --- our side --- */

static void need(bool ok, const struct err *e)
{
    if (!ok) {
        fail_msg("%s", e->text);
    }
}

/* As the keeper does, who has a descriptor and bytes: each line its own write. */
static void off_by_duplicate(struct instrument *i)
{
    char bytes[400], got[32];
    size_t n = 0, more = 0;
    struct err e = {0};
    int fd = instrument_copy_fd(i);
    assert_true(fd >= 0 && is_on());
    need(instrument_off_bytes(i, bytes, sizeof bytes, &n, &e) &&
             instrument_state_bytes(i, bytes + n, sizeof bytes - n, &more, &e),
         &e);
    for (const char *at = bytes, *end = NULL; at < bytes + n + more; at = end) {
        end = strchr(at, '\n') + 1;
        assert_true(link_write_copy(fd, at, (size_t)(end - at), 100));
    }
    assert_int_equal(link_read_copy(fd, got, sizeof got, 5000), 2);
    assert_memory_equal(got, "0\n", 2);
    assert_false(is_on());
    close(fd);
}

static void from_finding_to_off(void **state)
{
    (void)state;
    struct driver *driver = NULL;
    struct err e = {0};
    struct reading r;
    pthread_t thread;
    char address[80];
    assert_true(device_start());
    pthread_mutex_init(&load.lock, NULL);
    assert_int_equal(pthread_create(&thread, NULL, load_thread, NULL), 0);
    need(driver_load_file(AMPLEDGER_SOURCE_DIR "/drivers/load-scpi.yaml", &driver, &e), &e);
    driver->scpi.late_ms = 100;
    text_format(address, sizeof address, "usbtmc:%s", device.path);
    const struct instrument_config c = {
        .name = "it", .driver = driver, .link = address, .settings = driver->link, .identity = ""};
    struct instrument *i = instrument_new(&c);

    need(instrument_open(i, &e) && instrument_identify(i, &e) && instrument_prepare(i, &e), &e);
    assert_string_equal(instrument_identity(i), "LAKE,L-1,0001,1.0");
    need(instrument_set_current(i, 10, &e) && instrument_on(i, &e), &e);
    need(instrument_read(i, &r, &e), &e);
    assert_true(fabs(r.voltage_V - 12.61) < 1e-9 && fabs(r.current_A + 10) < 1e-9);

    /* An answer that does not come makes the session suspect; off goes out all the same. */
    be_silent(true);
    driver->scpi.reply_timeout_ms = 100;
    assert_false(instrument_read(i, &r, &e));
    assert_int_equal(e.code, ERR_TIMEOUT);
    instrument_send_off(i);
    for (int n = 0; n < 500 && is_on(); n++) {
        poll(NULL, 0, 10);
    }
    assert_false(is_on());
    be_silent(false);
    need(instrument_make_safe(i, 2, &e), &e);
    need(instrument_read(i, &r, &e), &e);
    assert_true(fabs(r.current_A) < 1e-9);

    need(instrument_on(i, &e), &e);
    off_by_duplicate(i);
    instrument_free(i);
    driver_free(driver);
    shutdown(device.theirs, SHUT_RDWR);
    pthread_join(thread, NULL);
    assert_null(strstr(load.heard, "||")); /* no empty message anywhere */
    device_stop();
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(from_finding_to_off)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
