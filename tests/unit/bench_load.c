/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of bench.yaml: what is read and where files are looked for; every
 * mistake refused with its place and the remedy. */
#include "base/file.h"
#include "bench/bench.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#define HEAD "bench: Lakeside boat shed\ndrivers: " AMPLEDGER_SOURCE_DIR "/drivers\n"
#define LOAD "load: {driver: load-scpi, link: \"serial:/dev/ttyS98\"}"

#define TWIN(n) "supply: {driver: supply-two-output, link: \"serial:/dev/ttyS98\", channel: " #n "}"

static char folder[64], file[96];

static int make_folder(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/ampledger-bench-XXXXXX");
    if (mkdtemp(folder) == NULL) {
        return -1;
    }
    text_format(file, sizeof file, "%s/bench.yaml", folder);
    return 0;
}

static int drop_folder(void **state)
{
    (void)state;
    unlink(file);
    return rmdir(folder);
}

static bool load_text(const char *text, struct bench **out, struct err *e)
{
    FILE *f = fopen(file, "w");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
    return bench_load(file, out, e);
}

static struct bench *load_good(const char *text)
{
    struct bench *b = NULL;
    struct err e = {0};
    if (!load_text(text, &b, &e)) {
        fail_msg("refused: %s", e.text);
    }
    return b;
}

static void assert_beside(const char *path, const char *name)
{
    char wanted[160];
    text_format(wanted, sizeof wanted, "%s/%s", folder, name);
    assert_string_equal(path, wanted);
}

static void knows_addresses_of_this_computer(void **state)
{
    (void)state;
    static const char *const good[][2] = {{"8470", "127.0.0.1:8470"},
                                          {"0", "127.0.0.1:0"},
                                          {"localhost:8470", "127.0.0.1:8470"},
                                          {"127.0.0.2:65535", "127.0.0.2:65535"},
                                          {"[::1]:8470", "[::1]:8470"}};
    static const char *const bad[] = {"",           ":8470",     "65536",         "-1",
                                      "8470x",      "127.0.0.1", "127.0.0.1:",    "::1:8470",
                                      "[::1]8470",  "boat:8470", "127.0.0.1:80 ", "[]:1",
                                      "[::1]x:8470"};
    static const char *const far[] = {"0.0.0.0:8470", "192.168.1.20:8470", "[::]:8470",
                                      "[fd00::1]:8470", "[::ffff:127.0.0.1]:8470"};
    char out[HTTP_ADDRESS_SIZE];
    struct err e = {0};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        assert_true(bench_http_parse(good[i][0], out, &e));
        assert_string_equal(out, good[i][1]);
        assert_false(bench_http_is_far(out));
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_false(bench_http_parse(bad[i], out, &e));
        assert_non_null(strstr(e.text, "write a port, 8470"));
    }
    for (size_t i = 0; i < sizeof far / sizeof far[0]; i++) {
        assert_true(bench_http_parse(far[i], out, &e));
        assert_string_equal(out, far[i]);
        assert_true(bench_http_is_far(out));
    }
}

static void says_where_the_page_can_be_opened(void **state)
{
    (void)state;
    static const struct {
        struct bench_http http;
        const char *words;
    } rows[] = {
        {{.address = "127.0.0.1:8470"}, "the page is at http://127.0.0.1:8470/"},
        {{.address = "[fd00::1]:80", .certificate = "c"}, "the page is at https://[fd00::1]:80/"},
        {{.address = "0.0.0.0:8470",
          .name_count = 1,
          .names = {"bench.example"},
          .certificate = "c"},
         "the page is on every address of this computer, port 8470: https://bench.example:8470/"},
        {{.address = "0.0.0.0:8470"},
         "the page is on every address of this computer, port 8470: http://127.0.0.1:8470/ from "
         "here; elsewhere with this computer's address in its place"},
        {{.address = "[::]:8470"},
         "the page is on every address of this computer, port 8470: http://[::1]:8470/ from here; "
         "elsewhere with this computer's address in its place"},
        {{.address = "[0:0::0]:1", .name_count = 1, .names = {"b"}},
         "the page is on every address of this computer, port 1: http://b:1/"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char words[HTTP_WORDS_SIZE];
        bench_http_words(&rows[i].http, words);
        assert_string_equal(words, rows[i].words);
    }
}

#define ONE_STAND "stands:\n  - {name: jetty, " LOAD "}\n"

static void reads_where_orders_are_taken(void **state)
{
    (void)state;
    struct bench *b = load_good(HEAD ONE_STAND);
    assert_string_equal(b->http.address, "");
    assert_int_equal(b->socket_mode, 0660);
    assert_beside(b->socket, "ampledger.sock");
    bench_free(b);
    b = load_good(HEAD "socket: {path: orders, mode: 0600, group: yard}\n"
                       "http: {listen: 0.0.0.0:8470, names: [bench.example, b], token: always, "
                       "certificate: c.pem, key: /k.pem}\n" ONE_STAND);
    assert_beside(b->socket, "orders");
    assert_int_equal(b->socket_mode, 0600);
    assert_string_equal(b->socket_group, "yard");
    assert_string_equal(b->http.address, "0.0.0.0:8470");
    assert_int_equal(b->http.name_count, 2);
    assert_string_equal(b->http.names[0], "bench.example");
    assert_true(b->http.token_always);
    assert_beside(b->http.certificate, "c.pem");
    assert_string_equal(b->http.key, "/k.pem");
    bench_free(b);
    b = load_good(HEAD "http: {listen: 8470}\n" ONE_STAND);
    assert_false(bench_http_needs_token(&b->http));
    bench_free(b);
    b = load_good(HEAD "http: {listen: 8470, names: [bench.example]}\n" ONE_STAND);
    assert_true(bench_http_needs_token(&b->http));
    bench_free(b);
}

static void refuses_places_for_orders(void **state)
{
    (void)state;
    static const char *const wrong[][2] = {
        {"http: {names: [a]}", "listen"},
        {"http: {listen: 8470, name: [a]}", "names"},
        {"http: {listen: 8470, names: a}", "list"},
        {"http: {listen: 8470, names: [\"http://a\"]}", "without scheme"},
        {"http: {listen: 8470, names: [\"a:80\"]}", "without scheme"},
        {"http: {listen: 8470, names: [[a]]}", "without scheme"},
        {"http: {listen: 8470, names: [a,b,c,d,e,f,g,h,i]}", "at most 8"},
        {"http: {listen: 8470, token: never}", "always"},
        {"http: {listen: 8470, certificate: a}", "belong together"},
        {"http: {listen: 8470, key: a}", "belong together"},
        {"http: [8470]", "http"},
        {"socket: {mode: 0661}", "no mode"},
        {"socket: {mode: 0060}", "no mode"},
        {"socket: {mode: 0680}", "no mode"},
        {"socket: {mode: rw}", "no mode"},
        {"socket: {file: a}", "path"},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        char text[1024];
        struct bench *b = NULL;
        struct err e = {0};
        text_format(text, sizeof text, HEAD "%s\n" ONE_STAND, wrong[i][0]);
        if (load_text(text, &b, &e)) {
            fail_msg("taken: %s", wrong[i][0]);
        }
        if (strstr(e.text, wrong[i][1]) == NULL) {
            fail_msg("%s: %s", wrong[i][0], e.text);
        }
    }
}

static void reads_a_whole_bench(void **state)
{
    (void)state;
    struct err e = {0};
    struct bench *b = load_good(
        HEAD
        "database: data/ledger.db\nsocket: /run/ampledger.sock\nhttp: 8470\nprofiles: ../profiles\n"
        "virtual: vb/control\n"
        "stands:\n"
        "  - name: jetty\n"
        "    sense: remote\n"
        "    load:\n"
        "      driver: load-scpi\n"
        "      link: \"serial:/dev/ttyS98\"\n"
        "      baud: 19200\n"
        "      parity: even\n"
        "      rts: on\n"
        "      identity: \"*,40-300*\"\n"
        "      ratings: {current: 25 A}\n"
        "      accuracy: {current: {gain: 0.1 %, offset: 10 mA}}\n"
        "    thermometer: {driver: thermometer-sysfs, link: \"file:temp1_input\"}\n"
        "  - name: slip\n"
        "    lead_resistance: 12 mOhm\n"
        "    load: {driver: load-scpi, link: \"tty:vb/load-2\"}\n"
        "    supply: {driver: supply-scpi, link: \"serial:ttyUSB7\"}\n");
    assert_string_equal(b->title, "Lakeside boat shed");
    assert_beside(b->database, "data/ledger.db");
    assert_string_equal(b->socket, "/run/ampledger.sock");
    assert_string_equal(b->http.address, "127.0.0.1:8470");
    assert_beside(b->profiles_dir, "../profiles");
    assert_beside(b->virtual_control, "vb/control");
    assert_string_equal(b->drivers_dir, AMPLEDGER_SOURCE_DIR "/drivers");
    assert_int_equal(b->stand_count, 2);
    assert_int_equal(b->driver_count, 3); /* load-scpi once */
    assert_int_equal(strlen(b->sha256), 64);

    struct stand_config *jetty = bench_stand(b, "jetty", &e);
    assert_non_null(jetty);
    assert_int_equal(jetty->sense, SENSE_REMOTE);
    assert_true(jetty->lead_ohm == 0);
    const struct instrument *load = jetty->instrument[ROLE_LOAD];
    assert_string_equal(instrument_name(load), "jetty load");
    assert_string_equal(instrument_link_address(load), "serial:/dev/ttyS98");
    assert_true(instrument_driver(load)->current_max_A == 25);
    assert_true(isnan(instrument_driver(load)->voltage_max_V));
    assert_true(fabs(instrument_driver(load)->current_offset_A - 0.010) < 1e-12);
    assert_false(instrument_is_open(load));
    assert_null(jetty->instrument[ROLE_SUPPLY]);
    assert_beside(instrument_link_address(jetty->instrument[ROLE_THERMOMETER]) + 5, "temp1_input");

    struct stand_config *slip = bench_stand(b, "slip", &e);
    assert_non_null(slip);
    assert_int_equal(slip->sense, SENSE_TWO_WIRE);
    assert_true(fabs(slip->lead_ohm - 0.012) < 1e-12);
    assert_beside(instrument_link_address(slip->instrument[ROLE_LOAD]) + 4, "vb/load-2");
    assert_string_equal(instrument_link_address(slip->instrument[ROLE_SUPPLY]), "serial:ttyUSB7");
    /* what was said of one load is not said of the other */
    assert_true(isnan(instrument_driver(slip->instrument[ROLE_LOAD])->current_max_A));
    bench_free(b);
}

static void what_is_left_out_has_a_default(void **state)
{
    (void)state;
    struct bench *b =
        load_good(HEAD "stands:\n  - name: jetty\n    " LOAD "\n"
                       "    meter: {driver: meter-scpi, link: \"serial:/dev/ttyS97\"}\n");
    assert_beside(b->database, "ampledger.db");
    assert_beside(b->socket, "ampledger.sock");
    assert_beside(b->profiles_dir, "profiles");
    assert_string_equal(b->virtual_control, "");
    assert_int_equal(b->stands[0].sense, SENSE_METER); /* one that is there is used */
    assert_true(isnan(b->record_within_s));
    bench_free(b);
    b = load_good(HEAD "record_within: 2 min\nstands:\n  - name: jetty\n    " LOAD "\n");
    assert_true(b->record_within_s == 120);
    bench_free(b);
}

static void an_unknown_stand_names_the_nearest(void **state)
{
    (void)state;
    struct err e = {0};
    struct bench *b = load_good(HEAD "stands:\n  - name: jetty\n    " LOAD "\n");
    assert_null(bench_stand(b, "jety", &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_string_equal(e.text,
                        "there is no stand \"jety\" on this bench; did you mean \"jetty\"?");
    assert_null(bench_stand(b, "warehouse", &e));
    assert_string_equal(e.text,
                        "there is no stand \"warehouse\" on this bench; see: ampledger stands");
    bench_free(b);
}

/* Lines 1 and 2 are HEAD. The message is what follows the file name. */
static const struct {
    const char *text, *message;
} refusals[] = {
    {HEAD, ":1:1: \"stands\" must be a list of 1 to 64 stands, each with name, instruments and "
           "their links"},
    {HEAD "stands: []\n", ":3:9: \"stands\" must be a list of 1 to 64 stands, each with name, "
                          "instruments and their links"},
    {HEAD "stands:\n  - name: jetty\n",
     ":4:5: stand \"jetty\" has neither load nor supply; it needs one"},
    {HEAD "stands:\n  - name: boat shed\n    " LOAD "\n",
     ":4:11: \"boat shed\" is no name for a stand: letters, digits and - _ . only, since it is "
     "typed in commands"},
    {HEAD "stands:\n  - name: jetty\n    load: {driver: load-scpy, link: \"tty:x\"}\n",
     ":5:20: no driver \"load-scpy\" in " AMPLEDGER_SOURCE_DIR
     "/drivers; did you mean \"load-scpi\"?"},
    {HEAD "stands:\n  - name: jetty\n    load: {driver: zzzzzzzzzzzzzz, link: \"tty:x\"}\n",
     ":5:20: no driver \"zzzzzzzzzzzzzz\" in " AMPLEDGER_SOURCE_DIR
     "/drivers; the files there are the drivers"},
    {"bench: x\ndrivers: /nonexistent\nstands:\n  - name: jetty\n    " LOAD "\n",
     ":5:20: no driver \"load-scpi\": the folder /nonexistent holds no drivers; say where they are "
     "with \"drivers\""},
    {HEAD "stands:\n  - name: jetty\n    load: {driver: ../load-scpi, link: \"tty:x\"}\n",
     ":5:20: a driver is named without folder and without .yaml, e.g. load-scpi"},
    {HEAD "stands:\n  - name: jetty\n    load: {driver: meter-scpi, link: \"tty:x\"}\n",
     ":5:20: driver \"meter-scpi\" is for a meter, a driver for a load is wanted"},
    {HEAD "stands:\n  - name: jetty\n    load: {link: \"tty:x\"}\n",
     ":5:11: the load needs a driver: the name of a file in " AMPLEDGER_SOURCE_DIR "/drivers"},
    {HEAD "stands:\n  - name: jetty\n    load: {driver: load-scpi, link: \"/dev/ttyUSB0\"}\n",
     ":5:37: \"/dev/ttyUSB0\" is no link; write serial:/dev/ttyUSB0, tcp:192.168.1.20:5025, "
     "usbtmc:/dev/usbtmc0, tty:PATH for a terminal as it is, or file:PATH"},
    {HEAD "stands:\n  - name: jetty\n    load: {driver: load-scpi, link: \"serial:\"}\n",
     ":5:37: \"serial:\" is no link; write serial:/dev/ttyUSB0, tcp:192.168.1.20:5025, "
     "usbtmc:/dev/usbtmc0, tty:PATH for a terminal as it is, or file:PATH"},
    {HEAD "stands:\n  - name: jetty\n    load: {driver: load-scpi, link: \"tcp:pier:5025\"}\n",
     ":5:37: \"tcp:pier:5025\" is no address of a socket; write tcp:192.168.1.20:5025, or "
     "tcp:[fd00::20]:5025 for an IPv6 address; names are not looked up, since switching off must "
     "not wait for a name server"},
    {HEAD "stands:\n  - name: jetty\n    load: {driver: load-scpi, link: \"file:x\"}\n",
     ":5:37: driver \"load-scpi\" speaks over a line, so the link must be serial:, tcp: or "
     "usbtmc:"},
    {HEAD "stands:\n  - name: jetty\n    " LOAD
          "\n    thermometer: {driver: thermometer-sysfs, link: \"tty:x\"}\n",
     ":6:52: driver \"thermometer-sysfs\" reads a file, so the link must be file:PATH"},
    {HEAD "stands:\n  - name: jetty\n    " LOAD
          "\n    thermometer: {driver: thermometer-sysfs, link: \"file:x\", identity: \"*\"}\n",
     ":6:72: driver \"thermometer-sysfs\" cannot ask who the instrument is; leave identity out"},
    {HEAD "stands:\n  - name: jetty\n    " LOAD "\n  - name: jetty\n    load: {driver: load-scpi, "
          "link: \"tty:x\"}\n",
     ":6:11: there is a stand \"jetty\" already, in line 4; give each its own name"},
    {HEAD "stands:\n  - name: jetty\n    " LOAD "\n  - name: slip\n    " LOAD "\n",
     ":7:37: serial:/dev/ttyS98 is already the link of jetty load; each instrument needs its own"},
    {HEAD "stands:\n  - name: jetty\n    supply: {driver: supply-two-output, link: \"tty:x\"}\n",
     ":5:13: driver \"supply-two-output\" is for an instrument with up to 2 outputs; say which one "
     "is wired here, e.g. channel: 1"},
    {HEAD "stands:\n  - name: jetty\n    " TWIN(3) "\n",
     ":5:78: \"channel\" wants a whole number from 1 to 2"},
    {HEAD "stands:\n  - name: jetty\n    load: {driver: load-scpi, link: \"tty:x\", channel: 1}\n",
     ":5:55: driver \"load-scpi\" knows of one output only; leave channel out, or choose a driver "
     "with channels"},
    {HEAD "stands:\n  - name: jetty\n    " TWIN(2) "\n  - name: slip\n    " TWIN(2) "\n",
     ":7:47: serial:/dev/ttyS98 is already the link of jetty supply; outputs of one instrument "
     "share it only with one driver, different channels, and the link written the same way"},
    {HEAD "stands:\n  - name: jetty\n    sense: meter\n    " LOAD "\n",
     ":5:12: sense: meter, but the stand has no meter; add one, or write remote or two-wire"},
    {HEAD "stands:\n  - name: jetty\n    sense: remote\n    lead_resistance: 5 mOhm\n    " LOAD
          "\n",
     ":6:22: lead_resistance has no meaning with sense: remote, which reads at the battery; leave "
     "it out, or write sense: two-wire"},
    {HEAD "stands:\n  - name: jetty\n    lead_resistance: -5 mOhm\n    " LOAD "\n",
     ":5:22: lead_resistance cannot be negative"},
    {HEAD "stands:\n  - name: jetty\n    lead_resistance: 2 m of 3 mm2\n    " LOAD "\n",
     ":5:22: \"2 m of 3 mm2\": the table has no copper of 3 mm2; it has 0.5, 0.75, 1, 1.5, 2.5, 4, "
     "6, 10, 16, 25, 35 and 50 mm2"},
    {HEAD "record_within: 4 s\n",
     ":3:16: record_within: 4 s is not between 5 s and 15 min: so long may records wait in memory "
     "while the disk is full, locked or slow, before a run trips"},
    {HEAD "record_within: 16 min\n",
     ":3:16: record_within: 16 min is not between 5 s and 15 min: so long may records wait in "
     "memory while the disk is full, locked or slow, before a run trips"},
    {HEAD "record_within: 3 V\n",
     ":3:16: \"3 V\" is a voltage; a time is wanted here, e.g. 12.5 h"},
};

static void refuses_with_place_and_remedy(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof refusals / sizeof refusals[0]; i++) {
        struct bench *b = NULL;
        struct err e = {0};
        char first[ERR_TEXT_SIZE], wanted[ERR_TEXT_SIZE];
        if (load_text(refusals[i].text, &b, &e)) {
            fail_msg("accepted, but should say: %s", refusals[i].message);
        }
        assert_int_equal(e.code, ERR_CONFIG);
        text_format(first, sizeof first, "%.*s", (int)strcspn(e.text, "\n"), e.text);
        text_format(wanted, sizeof wanted, "%s%s", file, refusals[i].message);
        assert_string_equal(first, wanted);
        assert_null(b);
    }
}

static void two_names_of_one_port_are_one_port(void **state)
{
    (void)state;
    struct bench *b = NULL;
    struct err e = {0};
    char one[96], two[96], text[1024];
    text_format(one, sizeof one, "%s/port", folder);
    text_format(two, sizeof two, "%s/by-id", folder);
    assert_int_equal(symlink("/dev/null", one), 0);
    assert_int_equal(symlink(one, two), 0);
    text_format(text, sizeof text,
                HEAD "stands:\n  - name: jetty\n    load: {driver: load-scpi, link: \"tty:port\"}\n"
                     "    meter: {driver: meter-scpi, link: \"tty:by-id\"}\n");
    assert_false(load_text(text, &b, &e));
    assert_non_null(strstr(e.text, "is already the link of jetty load"));
    unlink(one);
    unlink(two);
}

static void a_wrong_driver_file_is_named(void **state)
{
    (void)state;
    struct bench *b = NULL;
    struct err e = {0};
    char path[96];
    text_format(path, sizeof path, "%s/own.yaml", folder);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs("driver: Own\nrole: load\nprotocol: scpi\nverb: {}\n", f);
    fclose(f);
    assert_false(
        load_text("bench: x\ndrivers: .\nstands:\n  - name: jetty\n    load: {driver: own, "
                  "link: \"tty:x\"}\n",
                  &b, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_non_null(strstr(e.text, "/own.yaml:4:1:"));
    unlink(path);
}

static void unknown_words_are_refused(void **state)
{
    (void)state;
    static const char *const texts[] = {
        HEAD "data: x\nstands:\n  - name: jetty\n    " LOAD "\n",
        HEAD "stands:\n  - name: jetty\n    lode: {}\n    " LOAD "\n",
        HEAD "stands:\n  - name: jetty\n    sense: four-wire\n    " LOAD "\n",
        HEAD "stands:\n  - name: jetty\n    load: {driver: load-scpi, link: \"tty:x\", boud: 1}\n",
        HEAD "stands:\n  - name: jetty\n    load: {driver: load-scpi, link: \"tty:x\", baud: 1}\n",
        HEAD "stands:\n  - name: jetty\n    load: load-scpi\n",
        HEAD "stands:\n  - jetty\n",
        "stands:\n  - name: jetty\n    " LOAD "\n",
        "- jetty\n",
        "",
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct bench *b = NULL;
        struct err e = {0};
        if (load_text(texts[i], &b, &e)) {
            fail_msg("accepted: %s", texts[i]);
        }
        assert_int_equal(e.code, ERR_CONFIG);
        assert_true(strncmp(e.text, file, strlen(file)) == 0);
    }
}

static void outputs_of_one_instrument_share_a_link(void **state)
{
    (void)state;
    struct bench *b = load_good(
        HEAD "stands:\n  - name: jetty\n    " TWIN(1) "\n  - name: slip\n    " TWIN(2) "\n");
    const struct driver *one = instrument_driver(b->stands[0].instrument[ROLE_SUPPLY]);
    const struct driver *two = instrument_driver(b->stands[1].instrument[ROLE_SUPPLY]);
    assert_string_equal(one->verb[VERB_OFF].line[0], "INSTrument:NSELect 1;:OUTPut OFF");
    assert_string_equal(two->verb[VERB_OFF].line[0], "INSTrument:NSELect 2;:OUTPut OFF");
    bench_free(b);
}

/* IEC 60228, flexible: 4.95 mOhm/m. */
static void leads_can_be_a_cable(void **state)
{
    (void)state;
    struct err e = {0};
    struct bench *b = load_good(HEAD "stands:\n  - name: jetty\n    lead_resistance: 2 m of 4 mm2\n"
                                     "    " LOAD "\n");
    struct stand_config *jetty = bench_stand(b, "jetty", &e);
    assert_non_null(jetty);
    assert_true(fabs(jetty->lead_ohm - 9.90e-3) < 1e-12);
    bench_free(b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(knows_addresses_of_this_computer),
        cmocka_unit_test(says_where_the_page_can_be_opened),
        cmocka_unit_test(reads_where_orders_are_taken),
        cmocka_unit_test(refuses_places_for_orders),
        cmocka_unit_test(reads_a_whole_bench),
        cmocka_unit_test(leads_can_be_a_cable),
        cmocka_unit_test(what_is_left_out_has_a_default),
        cmocka_unit_test(an_unknown_stand_names_the_nearest),
        cmocka_unit_test(refuses_with_place_and_remedy),
        cmocka_unit_test(two_names_of_one_port_are_one_port),
        cmocka_unit_test(a_wrong_driver_file_is_named),
        cmocka_unit_test(unknown_words_are_refused),
        cmocka_unit_test(outputs_of_one_instrument_share_a_link),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
