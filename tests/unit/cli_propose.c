/* SPDX-License-Identifier: GPL-3.0-or-later
 * A proposed bench file is one that the daemon's own reader accepts, or refuses for
 * want of an instrument only. */
#include "cli/propose.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/file.h"
#include "bench/bench.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void roles_by_words(void **state)
{
    (void)state;
    assert_string_equal(propose_role("LANDING STAGE,Electronic Load 30,0042,1.7"), "load");
    assert_string_equal(propose_role("SLIPWAY,POWER SUPPLY 10-30,7,2.0"), "supply");
    assert_string_equal(propose_role("SLIPWAY,DMM 6,7,2.0"), "meter");
    assert_string_equal(propose_role("BUOY,Thermometer,3,1"), "thermometer");
    assert_null(propose_role("SLIPWAY,X-100,7,2.0"));
    assert_null(propose_role(""));
}

/* The proposal, with the shipped drivers of this source tree; owned. */
static char *propose(const struct port_info *ports, const struct finding *found, size_t n)
{
    char *text = NULL;
    size_t size = 0;
    FILE *f = open_memstream(&text, &size);
    assert_non_null(f);
    propose_print(f, &(struct proposal){.ports = ports, .found = found, .count = n});
    fclose(f);
    return text;
}

static bool load(const char *text, struct bench **out, struct err *e)
{
    char path[] = "/tmp/ampledger-propose-XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    FILE *f = fdopen(fd, "w");
    const char *at = text, *mark;
    while ((mark = strstr(at, "/usr/share/ampledger/")) != NULL) {
        fwrite(at, 1, (size_t)(mark - at), f);
        fputs(AMPLEDGER_SOURCE_DIR "/", f);
        at = mark + strlen("/usr/share/ampledger/");
    }
    fputs(at, f);
    fclose(f);
    bool ok = bench_load(path, out, e);
    unlink(path);
    return ok;
}

static const struct port_info ports[] = {
    {.name = "/dev/ttyUSB0", .by_id = "/dev/serial/by-id/usb-adapter_L00042-port0"},
    {.name = "/dev/ttyUSB1"},
    {.name = "/dev/ttyUSB2"},
    {.name = "/dev/ttyS0"},
};

static void what_answered_becomes_a_bench(void **state)
{
    (void)state;
    const struct finding found[] = {
        {.identity = "SLIPWAY,Load \"30\",0042,1.7", .baud = 9600},
        {.identity = "SLIPWAY,Power Supply,17,1.0", .baud = 115200},
        {.identity = "SLIPWAY,X-1,17,1.0", .baud = 115200},
        {.problem = "held by another program"},
    };
    struct err e = {0};
    struct bench *b = NULL;
    char *text = propose(ports, found, 4);
    assert_true(load(text, &b, &e));
    assert_int_equal(b->stand_count, 1);
    const struct instrument *l = b->stands[0].instrument[ROLE_LOAD];
    assert_non_null(l);
    assert_string_equal(instrument_link_address(l),
                        "serial:/dev/serial/by-id/usb-adapter_L00042-port0");
    assert_int_equal(instrument_driver(l)->link.baud, 9600);
    assert_non_null(b->stands[0].instrument[ROLE_SUPPLY]);
    assert_non_null(strstr(text, "# serial:/dev/ttyUSB2: answers: SLIPWAY,X-1"));
    assert_non_null(strstr(text, "# serial:/dev/ttyS0: not asked: held"));
    bench_free(b);
    free(text);
}

static void without_answers_it_says_what_is_missing(void **state)
{
    (void)state;
    const struct finding found[4] = {{.identity = ""}};
    struct err e = {0};
    struct bench *b = NULL;
    char *text = propose(ports, found, 4);
    assert_false(load(text, &b, &e));
    assert_non_null(strstr(e.text, "load"));
    assert_non_null(strstr(text, "nobody answers"));
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(roles_by_words),
        cmocka_unit_test(what_answered_becomes_a_bench),
        cmocka_unit_test(without_answers_it_says_what_is_missing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
