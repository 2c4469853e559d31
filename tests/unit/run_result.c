/* SPDX-License-Identifier: GPL-3.0-or-later
 * Results of runs whose samples were made up so that the figures are known: cycles,
 * attempts, resistance with state of charge, rests. All goes through a database. */
#include "store_fixture.h"

#include "run/result.h"

#define CHARGE_V 3.8
#define DISCHARGE_V 3.6

struct yard {
    struct fixture f;
    struct store *s;
    struct reader *r;
    struct battery battery;
    int64_t nr;
    int step; /* running number of the next one */
    bool starts_full;
    double t_s; /* where the record has come to */
    double temperature_C;
    struct err e;
};

/* 2.5 Ah cell: charge 2.5 A, rest, pulse, discharge 2.4 A to 3.0 V, three times. */
static const char plan_text[] =
    "{\"starts_full\":%s,\"steps\":["
    "{\"kind\":\"charge\",\"name\":\"charge\",\"current_A\":2.5,\"until_voltage_V\":null,"
    "\"sample_every_s\":1},"
    "{\"kind\":\"rest\",\"name\":\"settle\",\"current_A\":0,\"sample_every_s\":1},"
    "{\"kind\":\"pulse\",\"name\":\"resistance\",\"current_A\":-2.5,\"sample_every_s\":0.1},"
    "{\"kind\":\"discharge\",\"name\":\"capacity\",\"current_A\":-2.4,\"until_voltage_V\":3.0,"
    "\"sample_every_s\":1},"
    "{\"kind\":\"repeat\",\"name\":\"rounds\"}],"
    "\"acceptance\":{\"step\":3,\"capacity_Ah\":%s,\"rule\":\"guard-band\",\"counts\":\"%s\"},"
    "\"stand\":{\"current_accuracy\":{\"gain\":0.001,\"offset\":0,\"resolution\":0.001},"
    "\"voltage_accuracy\":{\"gain\":0.0005,\"offset\":0.001,\"resolution\":0.001}}}";

static int setup(void **state)
{
    struct yard *y = zalloc(sizeof *y);
    struct err e = {0};
    fixture_open(&y->f, &y->s, &y->r);
    y->battery = launch("hand-lamp-3");
    y->battery.cells = 1;
    y->battery.rated_Ah = 2.5;
    ok(store_battery_add(y->s, &y->battery, &e));
    *state = y;
    return 0;
}

static int teardown(void **state)
{
    struct yard *y = *state;
    fixture_close(&y->f, y->s, y->r);
    free(y);
    return 0;
}

static void begin_run(struct yard *y, const char *accept_Ah, const char *counts)
{
    char plan[2000];
    struct err e = {0};
    struct run_begin r = run_of(&y->battery);
    snprintf(plan, sizeof plan, plan_text, y->starts_full ? "true" : "false", accept_Ah, counts);
    r.plan_json = plan;
    r.lead_ohm = 0;
    ok(store_run_begin(y->s, &r, &y->nr, &e));
    y->step = 0;
    y->t_s = 0;
    y->temperature_C = 21.5;
}

static void put(struct yard *y, double t_s, double voltage_V, double current_A)
{
    struct sample s = {t_s, voltage_V, current_A, y->temperature_C};
    assert_true(store_put_sample(y->s, y->nr, y->step, &s));
}

static void begin_step(struct yard *y, int plan_step, int round)
{
    static const char *const kinds[] = {"charge", "rest", "pulse", "discharge"};
    static const char *const names[] = {"charge", "settle", "resistance", "capacity"};
    const struct step_begin b = {y->step,          plan_step,        round,
                                 names[plan_step], kinds[plan_step], y->t_s};
    assert_true(store_put_step_begin(y->s, y->nr, &b));
}

static void end_step(struct yard *y, double took_s, const char *why)
{
    y->t_s += took_s;
    assert_true(store_put_step_end(y->s, y->nr, y->step, y->t_s, why));
    y->step++;
}

/* Ah at a constant current and voltage; the first row is at the switch. */
static void flow(struct yard *y, double current_A, double voltage_V, double Ah)
{
    double for_s = fabs(Ah / current_A) * 3600;
    put(y, y->t_s, voltage_V, 0);
    for (double t = 0; t < for_s; t += 20) {
        put(y, y->t_s + t, voltage_V, current_A);
    }
    put(y, y->t_s + for_s, voltage_V, current_A);
}

static void charge(struct yard *y, int round, double Ah)
{
    begin_step(y, 0, round);
    flow(y, 2.5, CHARGE_V, Ah);
    end_step(y, Ah / 2.5 * 3600, "current tapered");
}

/* The last row, a second later, is below 3.0 V by as much as the one before is above:
 * half of that second counts. */
static void discharge(struct yard *y, int round, double Ah, const char *why)
{
    double for_s = Ah / 2.4 * 3600 - 0.5;
    bool to_cutoff = strcmp(why, "cut-off reached") == 0;
    begin_step(y, 3, round);
    put(y, y->t_s, DISCHARGE_V, 0);
    for (double t = 0; t < for_s - 1; t += 20) {
        put(y, y->t_s + t, DISCHARGE_V, -2.4);
    }
    if (to_cutoff) {
        put(y, y->t_s + for_s - 0.1, DISCHARGE_V, -2.4);
        put(y, y->t_s + for_s, 3.01, -2.4);
        put(y, y->t_s + for_s + 1, 2.99, -2.4);
    }
    end_step(y, for_s + 1, why);
}

static void rest(struct yard *y, int round)
{
    begin_step(y, 1, round);
    for (int i = 0; i <= 3600; i += 10) {
        put(y, y->t_s + i, 4.15 - 0.010 * i / 3600, 0);
    }
    end_step(y, 3600, "duration over");
}

/* I1 0.5 A 10 s to 4.10 V, I2 2.5 A 1 s to `last_V`: at 4.00 V 50.0 mOhm. */
static void pulse(struct yard *y, int round, double last_V)
{
    begin_step(y, 2, round);
    put(y, y->t_s, 4.14, 0);
    for (int i = 1; i <= 100; i++) {
        put(y, y->t_s + 0.1 * i, 4.12 - 0.0002 * i, -0.5);
    }
    for (int i = 1; i <= 10; i++) {
        put(y, y->t_s + 10 + 0.1 * i, last_V + 0.002 * (10 - i), -2.5);
    }
    end_step(y, 11, "pulses done");
}

static json_t *computed(struct yard *y)
{
    struct err e = {0};
    struct run_row row;
    json_t *result = NULL;
    ok(store_flush(y->s, 5000, &e));
    ok(reader_run(y->r, "last", &row, &e));
    ok(result_compute(y->r, &row, &result, &e));
    run_row_free(&row);
    return result;
}

static double number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    if (v == NULL) {
        fail_msg("%s is not there", key);
    }
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static void near(const json_t *o, const char *key, double expected, double tolerance)
{
    double value = number(o, key);
    if (!(fabs(value - expected) <= tolerance)) {
        fail_msg("%s: %.9g instead of %.9g", key, value, expected);
    }
}

static const char *text(const json_t *o, const char *key)
{
    const char *v = json_string_value(json_object_get(o, key));
    return v != NULL ? v : "";
}

static const json_t *item(const json_t *o, const char *key, size_t i)
{
    const json_t *v = json_array_get(json_object_get(o, key), i);
    assert_non_null(v);
    return v;
}

/* Emptied, 2.50 Ah in at 3.80 V, 2.40 Ah out at 3.60 V: 96.00 % and 90.947 %. */
static void efficiencies_of_cycles(void **state)
{
    struct yard *y = *state;
    begin_run(y, "null", "last");
    charge(y, 1, 1.0);
    discharge(y, 1, 2.0, "cut-off reached");
    for (int round = 2; round <= 30; round++) {
        charge(y, round, 2.5);
        discharge(y, round, 2.4, "cut-off reached");
    }
    json_t *o = computed(y);
    assert_int_equal(json_array_size(json_object_get(o, "steps")), 60);
    assert_int_equal(json_array_size(json_object_get(o, "rounds")), 30);
    /* Nobody knows how empty it was before the first charge. */
    assert_true(json_is_false(json_object_get(item(o, "rounds", 0), "efficiency_closed")));
    near(item(o, "rounds", 0), "coulombic_efficiency_percent", 200, 0.05);
    for (size_t i = 1; i < 30; i++) {
        const json_t *r = item(o, "rounds", i);
        assert_true(json_is_true(json_object_get(r, "efficiency_closed")));
        near(r, "round", (double)i + 1, 0);
        near(r, "step", 2 * (double)i + 1, 0);
        near(r, "capacity_Ah", 2.4, 1e-9);
        near(r, "charged_Ah", 2.5, 1e-9);
        near(r, "charged_Wh", 9.5, 1e-9);
        near(r, "coulombic_efficiency_percent", 96.0, 1e-6);
        /* Its last half second is at about 3.0 V, not 3.6. */
        near(r, "energy_efficiency_percent", 90.947, 0.003);
    }
    const json_t *c = item(o, "steps", 58);
    assert_string_equal(text(c, "kind"), "charge");
    assert_string_equal(text(c, "end_reason"), "current tapered");
    near(c, "plan_step", 0, 0);
    near(c, "capacity_Ah", 2.5, 1e-9);
    near(c, "energy_Wh", 9.5, 1e-9);
    near(c, "mean_voltage_V", CHARGE_V, 1e-9);
    near(c, "peak_voltage_V", CHARGE_V, 1e-9);
    near(c, "end_current_A", 2.5, 1e-9);
    assert_true(json_is_null(json_object_get(c, "percent_of_rated")));
    near(o, "charged_Ah", 1.0 + 29 * 2.5, 1e-6);
    near(o, "coulombic_efficiency_percent", 96.0, 1e-6);
    assert_true(json_is_null(json_object_get(o, "verdict"))); /* no limit */
    json_decref(o);
}

/* Full after the charge; the pulse begins full and its second current after 0.5 A 10 s. */
static void resistance_at_its_state_of_charge(void **state)
{
    struct yard *y = *state;
    begin_run(y, "null", "last");
    pulse(y, 1, 4.02); /* before it was ever known to be full: 40 mOhm */
    charge(y, 1, 0.5);
    rest(y, 1);
    pulse(y, 1, 4.00);
    discharge(y, 1, 1.25, "cut-off reached");
    pulse(y, 2, 4.00);
    json_t *o = computed(y);
    near(o, "resistance_mOhm", 50.0, 1e-6);
    assert_string_equal(text(o, "resistance_method"), "two-current");
    near(o, "resistance_after_s", 1, 1e-6);
    near(o, "resistance_held_s", 9.9, 1e-6);
    const json_t *method = item(item(o, "steps", 3), "two_current", 0);
    assert_string_equal(text(method, "method"), "10s-1s");
    near(method, "resistance_mOhm", 50.0, 1e-6);
    const json_t *first = item(o, "steps", 0), *full = item(o, "steps", 3),
                 *half = item(o, "steps", 5);
    near(first, "resistance_mOhm", 40.0, 1e-6);
    assert_true(json_is_null(json_object_get(first, "resistance_state_of_charge_percent")));
    double pulse_Ah = 0.5 * 9.95 / 3600;
    near(full, "resistance_state_of_charge_percent", 100 - 100 * pulse_Ah / 2.5, 1e-6);
    near(full, "resistance_temperature_C", 21.5, 0);
    assert_int_equal(json_array_size(json_object_get(full, "resistances")), 2);
    const json_t *on = item(full, "resistances", 0);
    assert_string_equal(text(on, "method"), "on");
    near(on, "voltage_before_V", 4.14, 1e-12);
    near(item(on, "instants", 2), "resistance_mOhm", 1e3 * (4.14 - 4.10) / 0.5, 1e-6);
    near(item(on, "instants", 2), "after_s", 10, 1e-6);
    near(on, "state_of_charge_percent", 100, 1e-9);
    /* 1.25 Ah of 2.5 Ah less, what the first pulse took besides, and one more second of
     * which the result does not count the half. */
    near(half, "resistance_state_of_charge_percent", 50, 0.3);
    assert_true(json_is_null(json_object_get(full, "capacity_Ah")));
    assert_true(number(full, "resistance_uncertainty_mOhm") > 0.1);
    /* The round's resistance is the one before its discharge. */
    near(item(o, "rounds", 0), "resistance_mOhm", 50.0, 1e-6);
    json_decref(o);
}

static void a_run_that_starts_full_counts_from_there(void **state)
{
    struct yard *y = *state;
    y->starts_full = true;
    begin_run(y, "null", "last");
    discharge(y, 1, 1.0, "charge limit reached");
    json_t *o = computed(y);
    const json_t *s = item(o, "steps", 0);
    double Ah = number(s, "capacity_Ah");
    near(s, "charge_since_start_Ah", -Ah, 1e-9);
    near(s, "state_of_charge_percent", 100 * (1 - Ah / 2.5), 1e-9);
    assert_true(Ah > 0.98);
    json_decref(o);
}

static void a_rest_says_how_the_voltage_moves(void **state)
{
    struct yard *y = *state;
    begin_run(y, "null", "last");
    rest(y, 1);
    json_t *o = computed(y);
    const json_t *r = item(o, "steps", 0);
    near(r, "start_voltage_V", 4.15, 1e-12);
    near(r, "end_voltage_V", 4.14, 1e-12);
    near(r, "voltage_drift_mV_per_h", -10, 1e-6);
    assert_true(json_is_null(json_object_get(r, "capacity_Ah")));
    assert_true(json_is_null(json_object_get(r, "state_of_charge_percent")));
    assert_int_equal(json_array_size(json_object_get(o, "rounds")), 0);
    json_decref(o);
}

static json_t *three_attempts(struct yard *y, const char *accept_Ah, const char *counts,
                              double third_Ah, const char *third_end)
{
    begin_run(y, accept_Ah, counts);
    discharge(y, 1, 2.3, "cut-off reached");
    charge(y, 1, 2.4);
    discharge(y, 2, 2.5, "cut-off reached");
    charge(y, 2, 2.6);
    discharge(y, 3, third_Ah, third_end);
    return computed(y);
}

static void the_attempt_that_counts(void **state)
{
    struct yard *y = *state;
    json_t *o = three_attempts(y, "2.45", "last", 2.4, "cut-off reached");
    near(o, "capacity_Ah", 2.4, 1e-9);
    assert_string_equal(text(o, "verdict"), "fail");
    assert_string_equal(text(o, "judged_step"), "capacity");
    near(json_object_get(o, "attempts"), "round", 3, 0);
    near(json_object_get(o, "attempts"), "considered", 3, 0);
    near(json_object_get(o, "attempts"), "scatter_Ah", 0.1, 1e-9);
    json_decref(o);

    o = three_attempts(y, "2.45", "best", 2.4, "cut-off reached");
    near(o, "capacity_Ah", 2.5, 1e-9);
    assert_string_equal(text(o, "verdict"), "pass");
    near(json_object_get(o, "attempts"), "round", 2, 0);
    json_decref(o);

    o = three_attempts(y, "2.45", "mean", 2.4, "cut-off reached");
    near(o, "capacity_Ah", 2.4, 1e-9);
    near(o, "percent_of_rated", 96, 1e-6);
    assert_string_equal(text(o, "verdict"), "fail");
    assert_true(json_is_null(json_object_get(json_object_get(o, "attempts"), "round")));
    /* The gain of 0.1 % is the same in all three and stays whole. */
    assert_true(number(o, "capacity_uncertainty_Ah") >= 2 * 2.4 * 0.001 / sqrt(3));
    assert_true(number(o, "capacity_uncertainty_Ah") <
                number(item(o, "rounds", 2), "capacity_uncertainty_Ah"));
    json_decref(o);
}

/* One that was stopped is no reason to fail, and not part of a mean. */
static void an_attempt_that_was_cut_short(void **state)
{
    struct yard *y = *state;
    json_t *o = three_attempts(y, "2.45", "last", 1.0, "stopped");
    assert_string_equal(text(o, "verdict"), "undecided");
    assert_true(json_is_true(json_object_get(o, "lower_bound")));
    assert_true(json_is_false(json_object_get(item(o, "rounds", 2), "efficiency_closed")));
    json_decref(o);
    o = three_attempts(y, "2.3", "mean", 1.0, "stopped");
    near(o, "capacity_Ah", 2.4, 1e-9);
    assert_string_equal(text(o, "verdict"), "pass");
    near(json_object_get(o, "attempts"), "cut_short", 1, 0);
    near(json_object_get(o, "attempts"), "considered", 2, 0);
    json_decref(o);
    o = three_attempts(y, "2.45", "best", 1.0, "stopped");
    near(o, "capacity_Ah", 2.5, 1e-9);
    assert_string_equal(text(o, "verdict"), "pass");
    json_decref(o);
}

static void a_run_that_never_came_to_it(void **state)
{
    struct yard *y = *state;
    begin_run(y, "2.45", "mean");
    json_t *o = computed(y); /* not one step */
    assert_int_equal(json_array_size(json_object_get(o, "steps")), 0);
    json_decref(o);
    begin_step(y, 0, 1);
    end_step(y, 0, "tripped"); /* not one sample */
    o = computed(y);
    const json_t *s = item(o, "steps", 0);
    assert_true(json_is_null(json_object_get(s, "capacity_Ah")));
    assert_true(strlen(text(s, "no_result_because")) > 0);
    assert_true(json_is_null(json_object_get(o, "resistance_mOhm")));
    json_decref(o);
}

/* As stored and read back, and with a figure, a word and a step that are others. */
/* 2.4 Ah at 21.5 degC are 2.4 / (1 - 0.009 x 3.5) = 2.478 Ah at 25 degC by a rule that may
 * decide; one that is from memory is shown and changes no verdict. */
static void a_corrected_capacity_is_judged(void **state)
{
    static const struct {
        const char *correction, *verdict;
        bool applied;
        double corrected_Ah;
    } rows[] = {
        {"{\"rule\":\"below-25\"}", "pass", true, 2.4 / (1 - 0.009 * 3.5)},
        {"{\"rule\":\"guide-27\"}", "undecided", false, NAN},
        {"{\"rule\":\"iec-linear\",\"rated_Ah\":30,\"rated_hours\":10}", "fail", true,
         2.4 / (1 + 0.006 * 1.5)},
        {"null", "fail", false, NAN},
    };
    struct yard *y = *state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char counts[200];
        snprintf(counts, sizeof counts, "last\",\"correction\":%s,\"and\":\"", rows[i].correction);
        begin_run(y, "2.45", counts);
        discharge(y, 1, 2.4, "cut-off reached");
        json_t *o = computed(y);
        const json_t *c = json_object_get(o, "correction");
        assert_string_equal(text(o, "verdict"), rows[i].verdict);
        near(o, "capacity_Ah", 2.4, 1e-3); /* as measured, whatever is corrected */
        assert_int_equal(json_is_object(c), i < 3);
        if (i < 3) {
            assert_int_equal(json_is_true(json_object_get(c, "applied")), rows[i].applied);
            assert_int_equal(text(c, "because")[0] == '\0', rows[i].applied);
        }
        if (rows[i].applied) {
            near(c, "capacity_Ah", rows[i].corrected_Ah, 1e-3);
            near(c, "capacity_uncertainty_Ah",
                 number(o, "capacity_uncertainty_Ah") * number(c, "factor"), 1e-9);
        }
        json_decref(o);
    }
}

/* The colder attempt gave less and is worth more: 2.40 Ah at 15 degC are 2.637 Ah at 25,
 * 2.50 Ah at 24 degC are 2.523 Ah. One without a temperature stands behind both. */
static void the_best_is_the_best_as_judged(void **state)
{
    struct yard *y = *state;
    for (int warm_first = 0; warm_first < 2; warm_first++) {
        begin_run(y, "2.6", "best\",\"correction\":{\"rule\":\"below-25\"},\"and\":\"");
        for (int round = 1; round <= 2; round++) {
            bool warm = (round == 1) == (warm_first == 1);
            y->temperature_C = warm ? 24 : 15;
            discharge(y, round, warm ? 2.5 : 2.4, "cut-off reached");
            charge(y, round, 2.6);
        }
        y->temperature_C = NAN;
        discharge(y, 3, 2.7, "cut-off reached");
        json_t *o = computed(y);
        near(json_object_get(o, "attempts"), "round", warm_first ? 2 : 1, 0);
        near(o, "capacity_Ah", 2.4, 1e-9);
        near(json_object_get(o, "correction"), "capacity_Ah", 2.4 / 0.91, 1e-9);
        assert_string_equal(text(o, "verdict"), "pass");
        json_decref(o);
    }
}

/* Below the cut-off within the first minutes: of a lead-acid battery it may be the early dip,
 * so it fails nobody; of another one, or later, it does. */
static void an_early_dip_condemns_nobody(void **state)
{
    struct yard *y = *state;
    static const struct {
        enum chemistry chemistry;
        double Ah;
        const char *verdict;
    } known[] = {
        {CHEM_LEAD_AGM, 0.1, "undecided"}, {CHEM_LEAD_AGM, 0.3, "fail"}, {CHEM_LFP, 0.1, "fail"}};
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        struct err e = {0};
        y->battery = launch("hand-lamp-4");
        snprintf(y->battery.label, sizeof y->battery.label, "hand-lamp-%zu", 10 + i);
        y->battery.chemistry = known[i].chemistry;
        y->battery.rated_Ah = 2.5;
        ok(store_battery_add(y->s, &y->battery, &e));
        begin_run(y, "2.4", "last");
        discharge(y, 1, known[i].Ah, "cut-off reached");
        json_t *o = computed(y);
        assert_string_equal(text(o, "verdict"), known[i].verdict);
        assert_int_equal(json_is_true(json_object_get(o, "lower_bound")), i == 0);
        json_decref(o);
    }
}

static void a_stored_result_is_compared(void **state)
{
    struct yard *y = *state;
    size_t left_out = 0;
    json_t *o = three_attempts(y, "2.45", "mean", 2.4, "cut-off reached");
    char *dumped = json_dumps(o, JSON_COMPACT);
    json_t *stored = json_loads(dumped, 0, NULL);
    free(dumped);
    json_t *again = computed(y);
    json_t *none = result_differences(stored, again, &left_out);
    assert_int_equal(json_array_size(none), 0);
    json_decref(none);
    json_object_set_new(again, "said_by_a_newer_version", json_true());
    json_object_set_new(stored, "capacity_Ah", json_real(2.4 * (1 + 1e-6)));
    json_object_set_new(stored, "verdict", json_string("pass"));
    json_object_set_new(json_array_get(json_object_get(stored, "rounds"), 1), "step",
                        json_integer(7));
    json_array_remove(json_object_get(stored, "steps"), 0);
    json_t *four = result_differences(stored, again, &left_out);
    assert_int_equal(json_array_size(four), 4);
    bool found = false;
    for (size_t i = 0; i < 4; i++) {
        found = found || strcmp(text(json_array_get(four, i), "key"), "rounds[1].step") == 0;
    }
    assert_true(found);
    assert_int_equal(left_out, 0);
    json_decref(four);
    json_decref(stored);
    json_decref(again);
    json_decref(o);
}

/* Fifty are enough to see that it is another one; the rest is counted. */
static void many_differences_are_counted(void **state)
{
    (void)state;
    size_t left_out = 0;
    json_t *stored = json_object(), *computed_now = json_object();
    for (int i = 0; i < RESULT_DIFFERENCES_MAX + 7; i++) {
        char key[16];
        snprintf(key, sizeof key, "key-%d", i);
        json_object_set_new(stored, key, json_integer(i));
        json_object_set_new(computed_now, key, json_integer(i + 1));
    }
    json_object_set_new(stored, "was_null", json_null()); /* and is not there any more: the same */
    json_t *differences = result_differences(stored, computed_now, &left_out);
    assert_int_equal(json_array_size(differences), RESULT_DIFFERENCES_MAX);
    assert_int_equal(left_out, 7);
    json_decref(differences);
    json_decref(stored);
    json_decref(computed_now);
}

static void another_type_is_a_difference(void **state)
{
    (void)state;
    static const char *const values[] = {"{\"a\":1}", "[1]", "1", "\"1\"", "true", "null"};
    const size_t n = sizeof values / sizeof values[0];
    size_t left_out = 0;
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < n; k++) {
            json_t *a = json_pack("{s:o}", "v", json_loads(values[i], JSON_DECODE_ANY, NULL));
            json_t *b = json_pack("{s:o}", "v", json_loads(values[k], JSON_DECODE_ANY, NULL));
            json_t *differences = result_differences(a, b, &left_out);
            assert_int_equal(json_array_size(differences), i != k);
            json_decref(differences);
            json_decref(a);
            json_decref(b);
        }
    }
}

static void a_plan_that_cannot_be_read_is_told(void **state)
{
    struct yard *y = *state;
    static const char *const plans[] = {NULL, "", "{\"steps\":["};
    for (size_t i = 0; i < sizeof plans / sizeof plans[0]; i++) {
        char plan[32] = "";
        struct err e = {0};
        json_t *result = NULL;
        struct run_row run = {.nr = 12};
        if (plans[i] != NULL) {
            strcpy(plan, plans[i]);
            run.plan_json = plan;
        }
        assert_false(result_compute(y->r, &run, &result, &e));
        assert_int_equal(e.code, ERR_STORE);
        assert_non_null(strstr(e.text, "run 12"));
        assert_null(result);
    }
}

#define yard(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

static void is_told(const json_t *of, const char *verdict, json_type enough)
{
    const char *now = json_string_value(json_object_get(of, "verdict"));
    assert_int_equal(now == NULL, verdict == NULL);
    assert_string_equal(now != NULL ? now : "", verdict != NULL ? verdict : "");
    assert_int_equal(json_typeof(json_object_get(of, "enough")), enough);
}

static void told(enum run_outcome outcome, const char *kept, const char *verdict, json_type enough)
{
    json_t *result = json_pack("{s:s?, s:[{s:n}, {s:s?}]}", "verdict", kept, "steps", "verdict",
                               "verdict", kept);
    result_tell(result, outcome);
    const json_t *steps = json_object_get(result, "steps");
    is_told(result, verdict, enough);
    is_told(json_array_get(steps, 0), NULL, JSON_NULL); /* a step that nothing is asked of */
    is_told(json_array_get(steps, 1), verdict, enough);
    json_decref(result);
}

static void a_verdict_is_told_of_a_completed_run_only(void **state)
{
    (void)state;
    told(RUN_COMPLETED, "pass", "pass", JSON_NULL);
    told(RUN_COMPLETED, "fail", "fail", JSON_NULL);
    told(RUN_COMPLETED, NULL, NULL, JSON_NULL);
    for (int outcome = RUN_STOPPED; outcome <= RUN_INTERRUPTED; outcome++) {
        told((enum run_outcome)outcome, "pass", "undecided", JSON_TRUE);
        told((enum run_outcome)outcome, "fail", "undecided", JSON_FALSE);
        told((enum run_outcome)outcome, "undecided", "undecided", JSON_NULL);
        told((enum run_outcome)outcome, NULL, NULL, JSON_NULL);
    }
    told(RUN_RUNNING, "pass", "undecided", JSON_TRUE);
    result_tell(NULL, RUN_STOPPED); /* nothing was kept with it */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        yard(efficiencies_of_cycles),
        yard(resistance_at_its_state_of_charge),
        yard(a_run_that_starts_full_counts_from_there),
        yard(a_rest_says_how_the_voltage_moves),
        yard(the_attempt_that_counts),
        yard(an_attempt_that_was_cut_short),
        yard(a_run_that_never_came_to_it),
        yard(a_corrected_capacity_is_judged),
        yard(an_early_dip_condemns_nobody),
        yard(the_best_is_the_best_as_judged),
        yard(a_stored_result_is_compared),
        yard(a_plan_that_cannot_be_read_is_told),
        cmocka_unit_test(a_verdict_is_told_of_a_completed_run_only),
        cmocka_unit_test(many_differences_are_counted),
        cmocka_unit_test(another_type_is_a_difference),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
