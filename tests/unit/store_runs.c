/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of runs and what they leave: rows come back bit by bit, in order, found
 * by number or id; trips stay latched; cut-off runs are marked; copies are whole. */
#include "store_fixture.h"

static void flush(struct ledger *l)
{
    struct err e = {0};
    ok(store_flush(l->s, 5000, &e));
}

static void same_double(double a, double b)
{
    if (isnan(a) || isnan(b))
        assert_true(isnan(a) && isnan(b));
    else
        assert_memory_equal(&a, &b, sizeof a);
}

static void a_run_comes_back_whole(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    struct battery b = launch("launch-a");
    ok(store_battery_add(l->s, &b, &e));
    struct run_begin begin = run_of(&b);
    begin.instrument_count = 2;
    begin.instrument[1] = (struct run_instrument){
        .role = "thermometer", .driver = "line-thermometer", .link = "serial:/dev/therm"};
    int64_t nr = 0;
    ok(store_run_begin(l->s, &begin, &nr, &e));
    assert_int_equal(nr, 1);

    struct run_row row;
    ok(reader_run(l->r, "last", &row, &e)); /* on disk when begin returned */
    assert_int_equal(row.nr, 1);
    assert_string_equal(row.id, begin.id);
    assert_string_equal(row.battery, "launch-a");
    assert_string_equal(row.battery_record.id, b.id);
    same_double(row.battery_record.rated_Ah, 90.0);
    assert_string_equal(row.stand, "jetty-1");
    assert_string_equal(row.profile, "capacity");
    assert_int_equal(row.started_utc_ns, FIXTURE_UTC_NS);
    assert_int_equal(row.ended_utc_ns, 0);
    assert_int_equal(row.outcome, RUN_RUNNING);
    assert_string_equal(row.trip.reason, "");
    assert_true(isnan(row.trip.value));
    same_double(row.lead_ohm, 0.011);
    assert_string_equal(row.voltage_source, "load");
    assert_string_equal(row.software_version, "0.1.0");
    assert_int_equal(row.sample_count, 0);
    assert_string_equal(row.plan_json, "{\"steps\":[]}");
    assert_null(row.result_json);
    assert_int_equal(row.step_count, 0);
    assert_int_equal(row.instrument_count, 2);
    assert_string_equal(row.instrument[0].identity, "Lakeside,LD300,0001,1.02");
    assert_string_equal(row.instrument[0].link, "tty:/dev/pts/9");
    assert_null(row.instrument[0].driver_text);
    assert_string_equal(row.instrument[1].role, "thermometer");
    assert_string_equal(row.instrument[1].driver_sha256, "");

    /* The texts are there, under their fingerprints. */
    char sha[SHA256_TEXT_SIZE], *text = NULL;
    sha256_hex(begin.profile_text, strlen(begin.profile_text), sha);
    assert_string_equal(row.profile_sha256, sha);
    ok(reader_text(l->r, row.profile_sha256, &text, &e));
    assert_string_equal(text, begin.profile_text);
    free(text);
    ok(reader_text(l->r, row.bench_sha256, &text, &e));
    assert_string_equal(text, begin.bench_text);
    free(text);
    ok(reader_text(l->r, row.instrument[0].driver_sha256, &text, &e));
    assert_string_equal(text, begin.instrument[0].driver_text);
    free(text);
    assert_false(reader_text(l->r, "00", &text, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    run_row_free(&row);
}

static void equal_texts_are_stored_once(void **state)
{
    struct ledger *l = *state;
    for (int i = 0; i < 5; i++)
        begin_a_run(l->s);
    assert_int_equal(ask_int(l->f.path, "SELECT count(*) FROM run"), 5);
    assert_int_equal(ask_int(l->f.path, "SELECT count(*) FROM text"), 3);
}

static void an_end_is_written_with_its_trip(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    int64_t nr = begin_a_run(l->s);
    struct run_trip trip = {.reason = "temperature-high",
                            .sentence = "The battery reached 45.3 degC; the limit is 45 degC.",
                            .at_utc_ns = FIXTURE_UTC_NS + 7,
                            .at_s = 0.1 + 0.2,
                            .value = 45.300000000000004,
                            .limit = (double)NAN};
    ok(store_run_end(l->s, nr, RUN_TRIPPED, FIXTURE_UTC_NS + 9, &trip, "{\"capacity_Ah\":1}", &e));
    struct run_row row;
    ok(reader_run(l->r, "1", &row, &e));
    assert_int_equal(row.outcome, RUN_TRIPPED);
    assert_int_equal(row.ended_utc_ns, FIXTURE_UTC_NS + 9);
    assert_string_equal(row.trip.reason, trip.reason);
    assert_string_equal(row.trip.sentence, trip.sentence);
    assert_int_equal(row.trip.at_utc_ns, trip.at_utc_ns);
    same_double(row.trip.at_s, trip.at_s);
    same_double(row.trip.value, trip.value);
    assert_true(isnan(row.trip.limit));
    assert_string_equal(row.result_json, "{\"capacity_Ah\":1}");
    run_row_free(&row);

    /* The same end again is fine, another one is not, and changes nothing. */
    ok(store_run_end(l->s, nr, RUN_TRIPPED, FIXTURE_UTC_NS + 9, &trip, NULL, &e));
    assert_false(store_run_end(l->s, nr, RUN_COMPLETED, FIXTURE_UTC_NS + 99, NULL, NULL, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    assert_non_null(strstr(e.text, "has ended already (tripped)"));
    assert_false(store_run_end(l->s, 77, RUN_COMPLETED, FIXTURE_UTC_NS, NULL, NULL, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_false(store_run_end(l->s, nr, RUN_RUNNING, FIXTURE_UTC_NS, NULL, NULL, &e));
    ok(reader_run(l->r, "1", &row, &e));
    assert_int_equal(row.outcome, RUN_TRIPPED);
    assert_string_equal(row.result_json, "{\"capacity_Ah\":1}");
    run_row_free(&row);
}

static void a_run_needs_a_battery_of_the_register(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    struct battery b = launch("launch-a");
    uuid7_make(FIXTURE_UTC_NS, b.id); /* never added */
    struct run_begin begin = run_of(&b);
    int64_t nr = 0;
    assert_false(store_run_begin(l->s, &begin, &nr, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_non_null(strstr(e.text, b.id));
    /* Nothing of it stays, not even the texts. */
    assert_int_equal(ask_int(l->f.path, "SELECT (SELECT count(*) FROM run) +"
                                        " (SELECT count(*) FROM text)"),
                     0);
}

struct collected {
    struct sample sample[4000];
    int step[4000];
    size_t n, stop_at;
};

static bool collect(void *context, int step, const struct sample *sample)
{
    struct collected *c = context;
    assert_true(c->n < 4000);
    c->step[c->n] = step;
    c->sample[c->n++] = *sample;
    return c->n != c->stop_at;
}

static void samples_come_back_bit_by_bit(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    int64_t nr = begin_a_run(l->s);
    static const double odd[] = {0.1,      -0.1,      1.0 / 3.0, 5e-324,    2.2250738585072014e-308,
                                 1.0,      -7.0,      1e15,      1e300,     9007199254740993.0,
                                 INFINITY, -INFINITY, 0.0,       12345678.9};
    const size_t n = sizeof odd / sizeof odd[0];
    for (size_t i = 0; i < n; i++) {
        struct sample x = {.t_s = (double)i,
                           .voltage_V = odd[i],
                           .current_A = odd[(i + 3) % n],
                           .temperature_C = i % 2 ? (double)NAN : odd[(i + 5) % n]};
        assert_true(store_put_sample(l->s, nr, 0, &x));
    }
    flush(l);
    struct collected *c = zalloc(sizeof *c);
    ok(reader_samples(l->r, nr, -1, collect, c, &e));
    assert_int_equal(c->n, n);
    for (size_t i = 0; i < n; i++) {
        same_double(c->sample[i].t_s, (double)i);
        same_double(c->sample[i].voltage_V, odd[i]);
        same_double(c->sample[i].current_A, odd[(i + 3) % n]);
        same_double(c->sample[i].temperature_C, i % 2 ? (double)NAN : odd[(i + 5) % n]);
    }
    free(c);
    /* Unknown is NULL in the tables, not a number. */
    assert_int_equal(ask_int(l->f.path, "SELECT count(*) FROM sample WHERE temperature_C IS NULL"),
                     n / 2);
}

/* Random bit patterns, so that nobody's choice of examples matters. */
static void random_doubles_come_back_bit_by_bit(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    int64_t nr = begin_a_run(l->s);
    uint64_t x = 88172645463325252ULL;
    struct sample *in = zalloc(3000 * sizeof *in);
    for (size_t i = 0; i < 3000; i++) {
        double d[4];
        for (size_t k = 0; k < 4; k++) {
            x ^= x << 13;
            x ^= x >> 7;
            x ^= x << 17;
            memcpy(&d[k], &x, sizeof x);
        }
        in[i] = (struct sample){d[0], d[1], d[2], d[3]};
        assert_true(store_put_sample(l->s, nr, 0, &in[i]));
    }
    flush(l);
    struct collected *c = zalloc(sizeof *c);
    ok(reader_samples(l->r, nr, -1, collect, c, &e));
    assert_int_equal(c->n, 3000);
    for (size_t i = 0; i < c->n; i++) {
        same_double(c->sample[i].t_s, in[i].t_s);
        same_double(c->sample[i].voltage_V, in[i].voltage_V);
        same_double(c->sample[i].current_A, in[i].current_A);
        same_double(c->sample[i].temperature_C, in[i].temperature_C);
    }
    free(c);
    free(in);
}

static void samples_stream_in_order_by_step(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    int64_t first = begin_a_run(l->s), second = begin_a_run(l->s);
    for (int i = 0; i < 3000; i++) {
        struct sample x = sample_number(i);
        assert_true(store_put_sample(l->s, first, i / 1000, &x));
        x.t_s = -1;
        if (i % 3 == 0) /* two stands at work at once */
            assert_true(store_put_sample(l->s, second, 0, &x));
    }
    flush(l);
    static const struct {
        int step;
        size_t stop_at, n;
        int from;
    } rows[] = {{-1, 0, 3000, 0},    {0, 0, 1000, 0},   {1, 0, 1000, 1000},
                {2, 0, 1000, 2000},  {3, 0, 0, 0},      {-1, 1, 1, 0},
                {1, 700, 700, 1000}, {-1, 512, 512, 0}, {-1, 513, 513, 0}};
    struct collected *c = zalloc(sizeof *c);
    for (size_t k = 0; k < sizeof rows / sizeof rows[0]; k++) {
        memset(c, 0, sizeof *c);
        c->stop_at = rows[k].stop_at;
        ok(reader_samples(l->r, first, rows[k].step, collect, c, &e));
        assert_int_equal(c->n, rows[k].n);
        for (size_t i = 0; i < c->n; i++) {
            int number = rows[k].from + (int)i;
            assert_int_equal(c->step[i], number / 1000);
            same_double(c->sample[i].t_s, sample_number(number).t_s);
        }
    }
    struct run_row row;
    ok(reader_run(l->r, "1", &row, &e));
    assert_int_equal(row.sample_count, 3000);
    run_row_free(&row);
    ok(reader_run(l->r, "2", &row, &e));
    assert_int_equal(row.sample_count, 1000);
    run_row_free(&row);
    free(c);
    check_integrity(l->f.path);
}

/* The first round of a step; its kind is its name, or rest. */
static bool put_step(struct store *s, int64_t nr, int step, const char *name, double start_s)
{
    const char *kind = strncmp(name, "rest", 4) == 0 ? "rest" : name;
    return store_put_step_begin(s, nr, &(struct step_begin){step, step, 1, name, kind, start_s});
}

static void steps_and_events_come_back(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    int64_t nr = begin_a_run(l->s);
    char longest[400];
    memset(longest, 'a', sizeof longest - 1);
    longest[sizeof longest - 1] = '\0';
    memcpy(longest + 318, "\xc3\xa4", 2); /* a character that would be cut in two */
    assert_true(put_step(l->s, nr, 0, "rest before", 0.0));
    assert_true(store_put_step_end(l->s, nr, 0, 600.25, "time"));
    const struct step_begin again = {1, 4, 30, "discharge", "discharge", 600.25};
    assert_true(store_put_step_begin(l->s, nr, &again));
    assert_true(store_put_event(l->s, nr, FIXTURE_UTC_NS + 1, 601.5, "output-on", "Load on, 9 A"));
    assert_true(store_put_event(l->s, nr, FIXTURE_UTC_NS + 2, (double)NAN, "note", longest));
    assert_true(store_put_event(l->s, 0, FIXTURE_UTC_NS + 3, (double)NAN, "daemon", "started"));
    flush(l);
    struct run_row row;
    ok(reader_run(l->r, "last", &row, &e));
    assert_int_equal(row.step_count, 2);
    assert_string_equal(row.steps[0].name, "rest before");
    assert_string_equal(row.steps[0].kind, "rest");
    assert_string_equal(row.steps[0].end_reason, "time");
    same_double(row.steps[0].end_s, 600.25);
    assert_int_equal(row.steps[0].plan_step, 0);
    assert_int_equal(row.steps[0].round, 1);
    assert_int_equal(row.steps[1].step, 1);
    assert_int_equal(row.steps[1].plan_step, 4);
    assert_int_equal(row.steps[1].round, 30);
    same_double(row.steps[1].start_s, 600.25);
    assert_true(isnan(row.steps[1].end_s));
    assert_string_equal(row.steps[1].end_reason, "");
    run_row_free(&row);

    struct event_row *events = NULL;
    size_t n = 0;
    ok(reader_events(l->r, nr, &events, &n, &e));
    assert_int_equal(n, 2);
    assert_int_equal(events[0].utc_ns, FIXTURE_UTC_NS + 1);
    same_double(events[0].t_s, 601.5);
    assert_string_equal(events[0].kind, "output-on");
    assert_string_equal(events[0].text, "Load on, 9 A");
    assert_true(isnan(events[1].t_s));
    assert_int_equal(strlen(events[1].text), 318); /* whole characters only */
    free(events);
    ok(reader_events(l->r, 0, &events, &n, &e));
    assert_int_equal(n, 1);
    assert_string_equal(events[0].kind, "daemon");
    free(events);
}

/* A mistake in one caller must not stop the record of all others. */
static void what_the_tables_refuse_does_not_block_the_rest(void **state)
{
    struct ledger *l = *state;
    int64_t nr = begin_a_run(l->s);
    struct sample x = sample_number(0);
    assert_true(store_put_sample(l->s, nr, 0, &x));
    assert_true(store_put_sample(l->s, 4711, 0, &x)); /* no such run */
    assert_true(store_put_step_end(l->s, nr, 9, 1.0, "never begun"));
    assert_true(put_step(l->s, nr, 0, "rest", 0));
    assert_true(put_step(l->s, nr, 0, "rest", 0)); /* twice */
    assert_true(store_put_event(l->s, 4711, 0, 0, "note", "of nothing"));
    assert_true(store_put_sample(l->s, nr, 0, &x));
    flush(l);
    assert_int_equal(ask_int(l->f.path, "SELECT count(*) FROM sample"), 2);
    assert_int_equal(ask_int(l->f.path, "SELECT count(*) FROM step"), 1);
    assert_int_equal(ask_int(l->f.path, "SELECT count(*) FROM event"), 0);
    check_integrity(l->f.path);
}

static void runs_are_found_by_number_by_id_and_as_the_last(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    struct run_row row;
    assert_false(reader_run(l->r, "last", &row, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_non_null(strstr(e.text, "no runs yet"));

    struct battery b = launch("launch-a");
    ok(store_battery_add(l->s, &b, &e));
    static const char *const ids[] = {"0192aaaa-0000-7000-8000-000000000001",
                                      "0192aaaa-0000-7000-8000-000000000002",
                                      "0192bbbb-0000-7000-8000-000000000003"};
    for (size_t i = 0; i < 3; i++) {
        struct run_begin begin = run_of(&b);
        memcpy(begin.id, ids[i], sizeof begin.id);
        int64_t nr = 0;
        ok(store_run_begin(l->s, &begin, &nr, &e));
        assert_int_equal(nr, i + 1);
    }
    static const struct {
        const char *which;
        int64_t nr;
        enum err_code code;
        const char *word;
    } rows[] = {
        {"last", 3, ERR_NONE, NULL},
        {"1", 1, ERR_NONE, NULL},
        {"3", 3, ERR_NONE, NULL},
        {"0192b", 3, ERR_NONE, NULL},
        {"0192BBBB-0000", 3, ERR_NONE, NULL},
        {"0192aaaa-0000-7000-8000-000000000002", 2, ERR_NONE, NULL},
        {"0192aaaa", 0, ERR_CONFIG, "several runs (2, 1): give more characters"},
        {"0192", 0, ERR_CONFIG, "(3, 2, 1)"},
        {"0", 0, ERR_CONFIG, "several"},
        {"4", 0, ERR_NOT_FOUND, "no run 4"},
        {"123456789012345678901234", 0, ERR_NOT_FOUND, "begins with"},
        {"0192c", 0, ERR_NOT_FOUND, "begins with \"0192c\""},
        {"", 0, ERR_NOT_FOUND, "does not name a run"},
        {"*", 0, ERR_NOT_FOUND, "does not name a run"},
        {"launch-a", 0, ERR_NOT_FOUND, "does not name a run"},
        {"-1", 0, ERR_NOT_FOUND, "begins with"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        bool found = reader_run(l->r, rows[i].which, &row, &e);
        if (found != (rows[i].code == ERR_NONE))
            fail_msg("\"%s\": %s", rows[i].which, found ? "found" : e.text);
        if (found) {
            assert_int_equal(row.nr, rows[i].nr);
            run_row_free(&row);
            continue;
        }
        if (e.code != rows[i].code || !strstr(e.text, rows[i].word))
            fail_msg("\"%s\": %s", rows[i].which, e.text);
    }
}

static void the_list_is_newest_first_and_can_be_narrowed(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    struct run_row *list = NULL;
    size_t n = 9;
    ok(reader_runs(l->r, NULL, 0, &list, &n, &e));
    assert_int_equal(n, 0);
    free(list);
    for (int i = 0; i < 5; i++)
        begin_a_run(l->s);
    struct battery lamp = launch("hand-lamp-1");
    ok(store_battery_add(l->s, &lamp, &e));
    struct run_begin begin = run_of(&lamp);
    int64_t nr = 0;
    ok(store_run_begin(l->s, &begin, &nr, &e));

    static const struct {
        const char *battery;
        int limit;
        size_t n;
        int64_t newest;
    } rows[] = {{NULL, 0, 6, 6},
                {NULL, 2, 2, 6},
                {"launch-a", 0, 5, 5},
                {"launch-a", 3, 3, 5},
                {"hand-lamp-1", 0, 1, 6}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        ok(reader_runs(l->r, rows[i].battery, rows[i].limit, &list, &n, &e));
        assert_int_equal(n, rows[i].n);
        for (size_t k = 0; k < n; k++) {
            assert_int_equal(list[k].nr, rows[i].newest - (int64_t)k);
            assert_null(list[k].plan_json);
            run_row_free(&list[k]);
        }
        free(list);
    }
    assert_false(reader_runs(l->r, "lunch-a", 0, &list, &n, &e));
    assert_int_equal(e.code, ERR_NOT_FOUND);
    assert_non_null(strstr(e.text, "did you mean \"launch-a\"?"));
}

static void the_instruments_of_a_stand_are_known_by_role_and_driver(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    struct run_instrument load = {.role = "load", .driver = "load-scpi", .identity = "rubbish"};
    ok(store_known_get(l->s, "jetty-1", &load, &e));
    assert_string_equal(load.identity, "");
    snprintf(load.identity, sizeof load.identity, "LAKE,L-1,0001,1.0");
    ok(store_known_set(l->s, "jetty-1", &load, FIXTURE_UTC_NS, &e));
    struct run_instrument back = {.role = "load", .driver = "load-scpi"};
    ok(store_known_get(l->s, "jetty-1", &back, &e));
    assert_string_equal(back.identity, "LAKE,L-1,0001,1.0");
    snprintf(load.identity, sizeof load.identity, "LAKE,L-1,0002,1.0");
    ok(store_known_set(l->s, "jetty-1", &load, FIXTURE_UTC_NS + 1, &e));
    ok(store_known_get(l->s, "jetty-1", &back, &e));
    assert_string_equal(back.identity, "LAKE,L-1,0002,1.0"); /* in its place */
    ok(store_known_get(l->s, "jetty-2", &back, &e));
    assert_string_equal(back.identity, "");
    snprintf(back.driver, sizeof back.driver, "load-other");
    ok(store_known_get(l->s, "jetty-1", &back, &e));
    assert_string_equal(back.identity, "");
}

static void a_trip_stays_latched_until_it_is_cleared(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    bool found = true;
    struct run_trip back;
    ok(store_latch_get(l->s, "jetty-1", &found, &back, &e));
    assert_false(found);
    int64_t nr = begin_a_run(l->s);
    struct run_trip trip = {.reason = "temperature-high",
                            .sentence = "too hot",
                            .at_utc_ns = FIXTURE_UTC_NS,
                            .at_s = 17.125,
                            .value = 45.5,
                            .limit = 45.0};
    ok(store_latch_set(l->s, "jetty-1", nr, &trip, &e));
    store_close(l->s); /* a restart */
    ok(store_open(l->f.path, &l->s, &e));
    ok(store_latch_get(l->s, "jetty-1", &found, &back, &e));
    assert_true(found);
    assert_string_equal(back.reason, trip.reason);
    assert_string_equal(back.sentence, trip.sentence);
    assert_int_equal(back.at_utc_ns, trip.at_utc_ns);
    same_double(back.at_s, trip.at_s);
    same_double(back.value, trip.value);
    same_double(back.limit, trip.limit);
    ok(store_latch_get(l->s, "jetty-2", &found, &back, &e));
    assert_false(found);

    /* A worse one takes its place; a stand without a run can be latched too. */
    struct run_trip worse = {.reason = "off-not-confirmed", .at_s = (double)NAN};
    ok(store_latch_set(l->s, "jetty-1", 0, &worse, &e));
    ok(store_latch_get(l->s, "jetty-1", &found, &back, &e));
    assert_true(found);
    assert_string_equal(back.reason, "off-not-confirmed");
    assert_true(isnan(back.at_s));

    ok(store_latch_clear(l->s, "jetty-1", FIXTURE_UTC_NS + 4, &e));
    ok(store_latch_clear(l->s, "jetty-1", FIXTURE_UTC_NS + 5, &e)); /* twice is fine */
    ok(store_latch_get(l->s, "jetty-1", &found, &back, &e));
    assert_false(found);
    ok(store_latch_set(l->s, "jetty-1", nr, &trip, &e)); /* and it can trip again */
    ok(store_latch_get(l->s, "jetty-1", &found, &back, &e));
    assert_true(found);
    assert_int_equal(ask_int(l->f.path, "SELECT count(*) FROM latch"), 2); /* history */
}

static void cut_off_runs_are_marked_with_their_last_time(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    int64_t with = begin_a_run(l->s), without = begin_a_run(l->s), ended = begin_a_run(l->s);
    for (int i = 0; i <= 20; i++) {
        struct sample x = sample_number(i);
        assert_true(store_put_sample(l->s, with, 0, &x));
    }
    ok(store_run_end(l->s, ended, RUN_COMPLETED, FIXTURE_UTC_NS + 1, NULL, NULL, &e));
    int count = -1;
    ok(store_mark_interrupted(l->s, FIXTURE_UTC_NS + 50, &count, &e));
    assert_int_equal(count, 2);
    struct run_row row;
    ok(reader_run(l->r, "1", &row, &e));
    assert_int_equal(row.outcome, RUN_INTERRUPTED);
    assert_int_equal(row.ended_utc_ns, FIXTURE_UTC_NS + 2000000000); /* 20 x 0.1 s */
    run_row_free(&row);
    ok(reader_run(l->r, "2", &row, &e));
    assert_int_equal(row.outcome, RUN_INTERRUPTED);
    assert_int_equal(row.ended_utc_ns, FIXTURE_UTC_NS);
    run_row_free(&row);
    ok(reader_run(l->r, "3", &row, &e));
    assert_int_equal(row.outcome, RUN_COMPLETED);
    run_row_free(&row);
    struct event_row *events = NULL;
    size_t n = 0;
    ok(reader_events(l->r, with, &events, &n, &e));
    assert_int_equal(n, 1);
    assert_string_equal(events[0].kind, "interrupted");
    assert_int_equal(events[0].utc_ns, FIXTURE_UTC_NS + 50);
    same_double(events[0].t_s, 2.0);
    free(events);
    ok(reader_events(l->r, without, &events, &n, &e));
    assert_int_equal(n, 1);
    assert_true(isnan(events[0].t_s));
    free(events);
    ok(store_mark_interrupted(l->s, FIXTURE_UTC_NS + 60, &count, &e));
    assert_int_equal(count, 0);
}

static void people_can_read_the_samples(void **state)
{
    struct ledger *l = *state;
    int64_t nr = begin_a_run(l->s);
    assert_true(put_step(l->s, nr, 0, "discharge", 0));
    struct sample x = {.t_s = 61.5, .voltage_V = 13.2, .current_A = -9, .temperature_C = 21};
    assert_true(store_put_sample(l->s, nr, 0, &x));
    flush(l);
    /* 20:04:05.120 plus 61.5 s. */
    assert_int_equal(ask_int(l->f.path,
                             "SELECT count(*) FROM sample_readable WHERE"
                             " utc = '2026-03-01T20:05:06.620Z' AND battery = 'launch-a'"
                             " AND step_name = 'discharge' AND voltage_V = 13.2 AND run_nr = 1"),
                     1);
    assert_int_equal(ask_int(l->f.path, "SELECT count(*) FROM run_readable WHERE"
                                        " started_utc = '2026-03-01T20:04:05.120Z'"
                                        " AND ended_utc IS NULL AND outcome = 'running'"),
                     1);
}

static void what_was_measured_cannot_be_changed_or_deleted(void **state)
{
    struct ledger *l = *state;
    int64_t nr = begin_a_run(l->s);
    struct sample x = sample_number(0);
    assert_true(store_put_sample(l->s, nr, 0, &x));
    assert_true(store_put_event(l->s, nr, 1, 0, "note", "n"));
    flush(l);
    static const char *const attempts[] = {"UPDATE sample SET voltage_V = 14", "DELETE FROM sample",
                                           "UPDATE event SET text = ''", "DELETE FROM event"};
    for (size_t i = 0; i < 4; i++)
        assert_int_equal(exec_sql(l->f.path, attempts[i]), SQLITE_CONSTRAINT);
    assert_int_equal(ask_int(l->f.path, "SELECT count(*) FROM sample WHERE voltage_V = 13.3"), 1);
}

static void a_copy_is_whole_and_ours(void **state)
{
    struct ledger *l = *state;
    struct err e = {0};
    int64_t nr = begin_a_run(l->s);
    for (int i = 0; i < 2000; i++) {
        struct sample x = sample_number(i);
        assert_true(store_put_sample(l->s, nr, 0, &x));
    }
    flush(l);
    char copy[700], partial[720];
    snprintf(copy, sizeof copy, "%s/copy.db", l->f.folder);
    snprintf(partial, sizeof partial, "%s.partial", copy);
    ok(reader_backup(l->r, copy, &e));
    assert_int_not_equal(access(partial, F_OK), 0);
    check_integrity(copy);
    assert_int_equal(ask_int(copy, "SELECT count(*) FROM sample"), 2000);
    /* A file that is there is not overwritten. */
    assert_false(reader_backup(l->r, copy, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    assert_non_null(strstr(e.text, "exists already"));
    assert_int_not_equal(access(partial, F_OK), 0);
    /* The copy opens as a ledger of its own, and still refuses changes. */
    struct store *s = NULL;
    ok(store_open(copy, &s, &e));
    struct battery b;
    ok(store_battery_find(s, "launch-a", &b, &e));
    store_close(s);
    assert_int_equal(exec_sql(copy, "DELETE FROM sample"), SQLITE_CONSTRAINT);
    snprintf(copy, sizeof copy, "%s/not-there/copy.db", l->f.folder);
    assert_false(reader_backup(l->r, copy, &e));
    assert_non_null(strstr(e.text, "folder exists"));
}

/* What a version of the tables was (this is the eighth), it stays: files in the field have it. */
static void the_tables_of_this_version_are_fixed(void **state)
{
    struct ledger *l = *state;
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    char all[20000] = "", sha[SHA256_TEXT_SIZE];
    size_t used = 0;
    assert_int_equal(sqlite3_open(l->f.path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(db,
                                        "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL"
                                        " AND name NOT LIKE 'sqlite_%' ORDER BY name",
                                        -1, &st, NULL),
                     SQLITE_OK);
    while (sqlite3_step(st) == SQLITE_ROW)
        used += (size_t)snprintf(all + used, sizeof all - used, "%s;\n",
                                 (const char *)sqlite3_column_text(st, 0));
    sqlite3_finalize(st);
    sqlite3_close(db);
    sha256_hex(all, used, sha);
    if (strcmp(sha, "d03e6a142811903e519b6668ea9c85a8140ec33eebade696f99eedf57f8c00bc") != 0)
        fail_msg("the tables changed (%s): add a migration and a version instead\n%s", sha, all);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        ledger(a_run_comes_back_whole),
        ledger(equal_texts_are_stored_once),
        ledger(an_end_is_written_with_its_trip),
        ledger(a_run_needs_a_battery_of_the_register),
        ledger(samples_come_back_bit_by_bit),
        ledger(random_doubles_come_back_bit_by_bit),
        ledger(samples_stream_in_order_by_step),
        ledger(steps_and_events_come_back),
        ledger(what_the_tables_refuse_does_not_block_the_rest),
        ledger(runs_are_found_by_number_by_id_and_as_the_last),
        ledger(the_list_is_newest_first_and_can_be_narrowed),
        ledger(the_instruments_of_a_stand_are_known_by_role_and_driver),
        ledger(a_trip_stays_latched_until_it_is_cleared),
        ledger(cut_off_runs_are_marked_with_their_last_time),
        ledger(people_can_read_the_samples),
        ledger(what_was_measured_cannot_be_changed_or_deleted),
        ledger(a_copy_is_whole_and_ours),
        ledger(the_tables_of_this_version_are_fixed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
