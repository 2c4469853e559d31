/* SPDX-License-Identifier: GPL-3.0-or-later
 * Orders that cannot be obeyed: at a stand whose instrument is absent, latched, at rest, or
 * leaving. Each is refused with what to do, and nothing is changed by it. */
#include "run/run.h"
#include "run/slip.h"
#include "store/row.h"
#include "store_fixture.h"

#include "fake_load.h"
#include "profile/profile.h"

static const char driver[] =
    "driver: Fake load\nrole: load\nprotocol: scpi\n"
    "identity: {ask: \"*IDN?\", match: \"LAKE,*\"}\n"
    "link: {reply_within: 250 ms, resync: identity}\nsettle: 10 ms\n"
    "verbs: {set_current: \"CURR {A}\", on: \"INP ON\", off: \"INP OFF\"}\n"
    "questions: {state: \"INP?\", set_current: \"CURR?\"}\n"
    "read: {ask: \"MEAS:VOLT?;CURR?\", gives: [voltage, current]}\n";

#define JETTY 0 /* its load answers */
#define QUAY 1  /* its load is absent */

struct yard {
    struct fixture f;
    struct fake_load load;
    struct store *s;
    struct bench *bench;
    struct clock *clock;
    struct keeper_line *keeper;
    struct run_host *host;
    struct profile *profile;
    struct battery battery;
};

static void write_text(const struct yard *y, const char *name, const char *text)
{
    char path[700];
    snprintf(path, sizeof path, "%s/%s", y->f.folder, name);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

static int setup(void **state)
{
    struct yard *y = zalloc(sizeof *y);
    struct err e = {0};
    char text[1024], path[700];
    *state = y;
    fixture_make(&y->f);
    fake_init(&y->load);
    write_text(y, "load.yaml", driver);
    snprintf(text, sizeof text,
             "bench: Lakeside boat shed\ndrivers: .\nprofiles: " AMPLEDGER_SOURCE_DIR "/profiles\n"
             "stands:\n"
             "  - {name: jetty, sense: remote, load: {driver: load, link: \"tty:%s\"}}\n"
             "  - {name: quay, sense: remote, load: {driver: load, link: \"tty:absent\"}}\n",
             y->load.path);
    write_text(y, "bench.yaml", text);
    snprintf(path, sizeof path, "%s/bench.yaml", y->f.folder);
    ok(bench_load(path, &y->bench, &e));
    y->bench->drivers[0]->scpi.late_ms = 200; /* tests do not wait for late answers */
    ok(store_open(y->f.path, &y->s, &e));
    y->clock = clock_new_real();
    y->keeper = keeper_line_new(-1, NULL);
    y->battery = launch("launch-a");
    ok(store_battery_add(y->s, &y->battery, &e));
    ok(profile_find(y->bench->profiles_dir, "overnight-capacity-lfp", false, &y->profile, &e));
    return 0;
}

static int teardown(void **state)
{
    struct yard *y = *state;
    run_host_quit(y->host);
    run_host_free(y->host);
    store_close(y->s);
    keeper_line_free(y->keeper);
    clock_free(y->clock);
    profile_free(y->profile);
    bench_free(y->bench);
    fake_stop(&y->load);
    fixture_remove(&y->f);
    free(y);
    return 0;
}

static void await_phase(struct yard *y, size_t index, enum stand_phase phase)
{
    struct stand_status st;
    int64_t until_ns = clock_real_ns() + 30 * NS_PER_S;
    do {
        usleep(10000);
        run_host_status(y->host, index, &st);
    } while (st.phase != phase && clock_real_ns() < until_ns);
    assert_string_equal(stand_phase_names[st.phase], stand_phase_names[phase]);
}

static void start(struct yard *y, enum stand_phase jetty)
{
    struct err e = {0};
    const struct run_host_config c = {
        .bench = y->bench, .store = y->s, .clock = y->clock, .keeper = y->keeper};
    ok(run_host_start(&c, &y->host, &e));
    await_phase(y, JETTY, jetty);
    await_phase(y, QUAY, STAND_MISSING);
}

static bool begin(struct yard *y, const char *stand, struct err *e)
{
    char run_id[UUID_TEXT_SIZE];
    const struct run_request r = {stand, y->profile, &y->battery};
    return run_host_begin(y->host, &r, run_id, e);
}

static void refused(bool done, const struct err *e, enum err_code code, const char *text)
{
    assert_false(done);
    if (e->code != code || strstr(e->text, text) == NULL) {
        fail_msg("%d: %s", e->code, e->text);
    }
}

static const struct run_trip hot = {
    .reason = "temperature-high",
    .sentence = "the battery is too hot: 61 degC, limit 60 degC",
    .at_utc_ns = FIXTURE_UTC_NS,
    .at_s = 12,
    .value = 61,
    .limit = 60,
};

static void at_rest_there_is_nothing_to_end(void **state)
{
    struct yard *y = *state;
    struct err e = {0};
    char run_id[UUID_TEXT_SIZE];
    start(y, STAND_IDLE);
    const struct run_confirmation said = {.stand = "jetty", .battery = ""};
    refused(run_host_end(y->host, "jetty", &e), &e, ERR_REFUSED, "nothing to stop");
    refused(run_host_clear(y->host, "jetty", &e), &e, ERR_REFUSED, "no trip is latched");
    refused(run_host_confirm(y->host, &said, run_id, &e), &e, ERR_REFUSED, "nothing waits");
    refused(run_host_end(y->host, "jety", &e), &e, ERR_NOT_FOUND, "jetty");
    refused(run_host_clear(y->host, "jety", &e), &e, ERR_NOT_FOUND, "jetty");
    refused(begin(y, "jety", &e), &e, ERR_NOT_FOUND, "jetty");
    ok(run_host_accept(y->host, "jetty", &e));
}

/* Told by the plan, of which the person sees every problem; the load hears no word of it. */
static void a_plan_with_problems_begins_nothing(void **state)
{
    struct yard *y = *state;
    struct err e = {0};
    start(y, STAND_IDLE);
    refused(begin(y, "jetty", &e), &e, ERR_CONFIG, "thermometer");
    assert_int_equal(ask_int(y->f.path, "SELECT count(*) FROM run"), 0);
    assert_null(strstr(fake_heard(&y->load), "INP ON"));
    await_phase(y, JETTY, STAND_IDLE);
}

static void an_absent_instrument_is_told(void **state)
{
    struct yard *y = *state;
    struct err e = {0};
    struct stand_status st;
    start(y, STAND_IDLE);
    refused(begin(y, "quay", &e), &e, ERR_CONFIG, "quay: not ready: quay load");
    refused(run_host_accept(y->host, "quay", &e), &e, ERR_REFUSED,
            "not accepted, not every instrument is there");
    run_host_status(y->host, QUAY, &st);
    assert_false(st.output_unconfirmed); /* never there: nothing that could have been left on */
    assert_non_null(strstr(st.problem, "plugged in"));
}

/* A trip stays one while an instrument is missing, and over restarts. */
static void a_latch_holds_until_the_stand_is_safe(void **state)
{
    struct yard *y = *state;
    struct err e = {0};
    struct run_trip found;
    bool latched = false;
    ok(store_latch_set(y->s, "jetty", 0, &hot, &e));
    ok(store_latch_set(y->s, "quay", 0, &hot, &e));
    start(y, STAND_LATCHED);
    refused(begin(y, "jetty", &e), &e, ERR_REFUSED, "then: ampledger clear jetty");
    refused(begin(y, "quay", &e), &e, ERR_REFUSED, "a trip is latched");
    refused(run_host_clear(y->host, "quay", &e), &e, ERR_REFUSED,
            "quay: not cleared, the stand is not safe");
    ok(store_latch_get(y->s, "quay", &latched, &found, &e));
    assert_true(latched);
    fake_do(&y->load, y->load.on = y->load.stays_on = true);
    refused(run_host_clear(y->host, "jetty", &e), &e, ERR_REFUSED, "not cleared");
    ok(store_latch_get(y->s, "jetty", &latched, &found, &e));
    assert_true(latched);
    fake_do(&y->load, y->load.stays_on = false);
    ok(run_host_clear(y->host, "jetty", &e));
    assert_false(fake_is_on(&y->load));
    ok(store_latch_get(y->s, "jetty", &latched, &found, &e));
    assert_false(latched);
    await_phase(y, JETTY, STAND_IDLE);
}

/* What a full disk kept from the database stands on the slip. */
static void a_trip_that_was_only_noted_is_latched(void **state)
{
    struct yard *y = *state;
    struct err e = {0};
    struct slip *s = NULL;
    struct slip_text left;
    struct run_trip found;
    bool latched = false;
    int64_t nr = begin_a_run(y->s);
    ok(slip_open(y->f.path, "jetty", &s, &e));
    slip_begin(s, "0190a5b2-7c3d-7e4f-8a1b-2c3d4e5f6071", nr, false);
    slip_trip(s, &hot);
    ok(slip_wait(s, 20000, &e));
    start(y, STAND_LATCHED);
    ok(store_latch_get(y->s, "jetty", &latched, &found, &e));
    assert_true(latched);
    assert_string_equal(found.reason, "temperature-high");
    slip_read(s, &left);
    assert_int_equal(left.kind, SLIP_NONE);
    slip_close(s);
    assert_int_equal(ask_int(y->f.path, "SELECT count(*) FROM event WHERE kind = 'trip' AND text "
                                        "LIKE 'as noted before the daemon ended: %61 degC%'"),
                     1);
}

static void add_to_row(struct yard *y, const char *profile)
{
    struct err e = {0};
    const struct row_wanted w = {.stand = "jetty",
                                 .profile = profile,
                                 .added_by = "",
                                 .batteries = &y->battery,
                                 .count = 1,
                                 .utc_ns = FIXTURE_UTC_NS};
    ok(store_row_add(y->s, &w, &e));
    run_host_row_changed(y->host, JETTY);
}

static void what_waits_is_looked_at_again_before_it_begins(void **state)
{
    struct yard *y = *state;
    struct err e = {0};
    char run_id[UUID_TEXT_SIZE];
    struct stand_status st;
    start(y, STAND_IDLE);
    add_to_row(y, "gone");
    const struct run_confirmation other = {.stand = "jetty", .battery = "launch-b"};
    const struct run_confirmation said = {.stand = "jetty", .battery = "launch-a"};
    refused(run_host_confirm(y->host, &other, run_id, &e), &e, ERR_REFUSED,
            "launch-b does not wait any more");
    refused(run_host_confirm(y->host, &said, run_id, &e), &e, ERR_NOT_FOUND, "gone");
    ok(store_battery_retire(y->s, "launch-a", FIXTURE_UTC_NS, &e));
    refused(run_host_confirm(y->host, &said, run_id, &e), &e, ERR_REFUSED,
            "\"launch-a\" was retired; drop it from the row");
    run_host_status(y->host, JETTY, &st);
    assert_string_equal(st.next.battery, "launch-a"); /* it goes on waiting */
    assert_int_equal(st.next.waiting, 1);
    struct run_claim claim = {.battery = "launch-a", .doing = "being corrected"};
    ok(run_host_claim(y->host, &claim, &e)); /* a refusal keeps no claim */
    refused(run_host_confirm(y->host, &said, run_id, &e), &e, ERR_REFUSED,
            "launch-a is being corrected just now");
    run_host_release(y->host, &claim);
}

static void one_thing_at_a_time_with_a_battery(void **state)
{
    struct yard *y = *state;
    struct err e = {0};
    start(y, STAND_IDLE);
    struct run_claim a = {.battery = "launch-a", .doing = "being started"};
    struct run_claim b = {.battery = "launch-b", .doing = "being started"};
    struct run_claim again = {.battery = "launch-a", .doing = "being retired"};
    ok(run_host_claim(y->host, &a, &e));
    ok(run_host_claim(y->host, &b, &e));
    refused(run_host_claim(y->host, &again, &e), &e, ERR_REFUSED, "launch-a is being started");
    run_host_release(y->host, &a); /* not the newest */
    ok(run_host_claim(y->host, &again, &e));
    run_host_release(y->host, &again);
    run_host_release(y->host, &b);
}

/* Whoever still asks while the daemon leaves gets an answer; and threads that do not come
 * round any more are noticed. */
static void a_daemon_that_leaves_refuses(void **state)
{
    struct yard *y = *state;
    struct err e = {0};
    start(y, STAND_IDLE);
    assert_true(run_host_turns(y->host));
    run_host_quit(y->host);
    refused(run_host_end(y->host, "jetty", &e), &e, ERR_REFUSED, "the daemon is leaving");
    refused(run_host_accept(y->host, "quay", &e), &e, ERR_REFUSED, "the daemon is leaving");
    refused(begin(y, "jetty", &e), &e, ERR_REFUSED, "the daemon is leaving");
    int looks = 1;
    while (looks < 1000 && run_host_turns(y->host)) {
        looks++;
    }
    assert_in_range(looks, 100, 130);
    assert_false(run_host_turns(y->host));
}

#define yard(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(at_rest_there_is_nothing_to_end),
        yard(a_plan_with_problems_begins_nothing),
        yard(an_absent_instrument_is_told),
        yard(a_latch_holds_until_the_stand_is_safe),
        yard(a_trip_that_was_only_noted_is_latched),
        yard(what_waits_is_looked_at_again_before_it_begins),
        yard(one_thing_at_a_time_with_a_battery),
        yard(a_daemon_that_leaves_refuses),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
