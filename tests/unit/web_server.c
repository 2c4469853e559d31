/* SPDX-License-Identifier: GPL-3.0-or-later
 * The server as a whole, over its socket, with a real database and a bench
 * without stands: sockets left behind, bodies, many clients at once, clients that
 * leave in the middle. */
#include "web_fixture.h"

#include "web/samples.h"

#include <stdatomic.h>
#include <sys/statvfs.h>

static void shows_what_there_is(void **state)
{
    struct house *h = *state;
    answers(h, "GET", "/v1/daemon", "", "200", "\"bench\":\"Lakeside yard\"");
    answers(h, "GET", "/v1/daemon", "", "200", "\"clock_speed\":1.0");
    answers(h, "GET", "/v1/stands", "", "200", "{\"stands\":[]}");
    answers(h, "GET", "/v1/runs", "", "200", "\"outcome\":\"running\"");
    answers(h, "GET", "/v1/runs/last", "", "200", "\"name\":\"capacity\"");
    answers(h, "GET", "/v1/batteries/launch-a", "", "200", "\"runs\":[{\"number\":1");
    answers(h, "GET", "/v1/runs?battery=launch-a&limit=1", "", "200", "\"number\":1");
    answers(h, "GET", "/v1/profiles", "", "200", "\"overnight-capacity-lfp\"");
    answers(h, "GET", "/v1/stands/jetty", "", "404", "jetty");
    answers(h, "POST", "/v1/stands/jetty/start", "{\"profile\":\"a\",\"battery\":\"b\"}", "404",
            "jetty");
}

static void register_and_plan(void **state)
{
    struct house *h = *state;
    const char *lamp = "{\"label\":\"lamp-7\",\"chemistry\":\"lfp\",\"cells\":4,\"rated_Ah\":20}";
    answers(h, "POST", "/v1/batteries", lamp, "201", "\"label\":\"lamp-7\"");
    answers(h, "POST", "/v1/batteries", lamp, "400", "lamp-7");
    answers(h, "POST", "/v1/plans",
            "{\"profile\":\"overnight-capacity-lfp\",\"battery\":\"lamp-7\"}", "200",
            "\"steps\":[");
    answers(h, "POST", "/v1/plans", "{\"profile\":\"../profiles/x\",\"battery\":\"lamp-7\"}", "400",
            "without path");
    answers(h, "POST", "/v1/plans",
            "{\"profile\":\"overnight-capacity-lfp\",\"battery\":\"lamp-8\"}", "404", "lamp-7");
    answers(h, "POST", "/v1/batteries/lamp-7/retire", "", "200", "\"retired_utc\":\"2");
}

static void corrects_records(void **state)
{
    struct house *h = *state;
    const char *lamp = "{\"label\":\"lamp-1\",\"chemistry\":\"lfp\",\"cells\":4,\"rated_Ah\":20,"
                       "\"rated_hours\":5,\"lot\":\"autumn\"}";
    answers(h, "POST", "/v1/batteries", lamp, "201", "\"lot\":\"autumn\"");
    answers(h, "POST", "/v1/batteries/lamp-1/edit",
            "{\"rated_Ah\":18.5,\"charge_current_max_A\":4,\"forget\":[\"rated_hours\",\"lot\"]}",
            "200", "\"rated_Ah\":18.5,\"rated_hours\":null");
    answers(h, "GET", "/v1/batteries/lamp-1", "", "200", "\"charge_current_max_A\":4");
    answers(h, "GET", "/v1/batteries/lamp-1", "", "200", "\"lot\":null");
    answers(h, "POST", "/v1/batteries/lamp-1/edit", "{\"label\":\"lamp-one\"}", "200", "lamp-one");
    answers(h, "GET", "/v1/batteries/lamp-1", "", "404", "in the register");
    static const struct {
        const char *body, *status, *text;
    } wrong[] = {
        {"{\"forget\":[\"label\"]}", "400", "cannot be without"},
        {"{\"forget\":[\"cells\"]}", "400", "is none of that"},
        {"{\"forget\":[7]}", "400", "without quotes"},
        {"{\"forget\":\"lot\"}", "400", "square brackets"},
        {"{\"cells\":0}", "400", "whole number"},
        {"{\"rated_Ah\":-1}", "400", "greater than 0"},
        {"{\"chemistry\":\"lpf\"}", "400", "lfp"},
        {"{\"lot\":\"a/b\"}", "400", "no slash"},
        {"{\"label\":\"launch-a\"}", "400", "in the register already"},
        {"{\"rated_ah\":1}", "400", "did you mean \\\"rated_Ah\\\""},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        answers(h, "POST", "/v1/batteries/lamp-one/edit", wrong[i].body, wrong[i].status,
                wrong[i].text);
    }
    answers(h, "GET", "/v1/batteries/lamp-one", "", "200", "\"cells\":4,\"rated_Ah\":18.5");
}

/* One that passed, one that failed before and passes now, one not tested, one retired. */
static void shows_lots(void **state)
{
    struct house *h = *state;
    struct err e = {0};
    static const char *const results[][2] = {
        {"{\"verdict\":\"fail\",\"capacity_Ah\":17.5}",
         "{\"verdict\":\"pass\",\"capacity_Ah\":20.25,\"resistance_mOhm\":6.5}"},
        {"{\"verdict\":\"undecided\"}", "{\"verdict\":null}"},
        {NULL, NULL}};
    for (int i = 0; i < 3; i++) {
        struct battery b = launch("");
        snprintf(b.label, sizeof b.label, "buoy-%d", i + 1);
        strcpy(b.lot, "moorings");
        ok(store_battery_add(h->store, &b, &e));
        for (int k = 0; k < 2 && results[i][k] != NULL; k++) {
            struct run_begin r = run_of(&b);
            int64_t nr = 0;
            ok(store_run_begin(h->store, &r, &nr, &e));
            ok(store_run_end(h->store, nr, RUN_COMPLETED, FIXTURE_UTC_NS, NULL, results[i][k], &e));
        }
    }
    answers(h, "GET", "/v1/lots", "", "200",
            "{\"name\":\"moorings\",\"counts\":{\"pass\":1,\"fail\":0,\"undecided\":1,"
            "\"untested\":1},\"batteries\":3}");
    answers(h, "GET", "/v1/lots/moorings", "", "200",
            "\"battery\":\"buoy-1\",\"standing\":\"pass\",\"rated_Ah\":90.0,"
            "\"retired_utc\":null,\"verdict\":\"pass\",\"capacity_Ah\":20.25,");
    answers(h, "GET", "/v1/lots/moorings", "", "200", "\"resistance_mOhm\":6.5");
    answers(h, "GET", "/v1/lots/moorings", "", "200",
            "\"battery\":\"buoy-3\",\"standing\":\"untested\"");
    answers(h, "GET", "/v1/lots/moorings", "", "200",
            "\"statistics\":{\"capacity_Ah\":{\"n\":1,\"mean\":20.25,\"deviation\":null");
    answers(h, "GET", "/v1/lots/moorings", "", "200", "\"percent_of_rated\":null");
    answers(h, "GET", "/v1/lots/morings", "", "404", "did you mean \\\"moorings\\\"");
    answers(h, "GET", "/v1/stands/jetty/queue", "", "404", "jetty");
    answers(h, "POST", "/v1/stands/jetty/queue", "{}", "400", "\\\"profile\\\" is missing");
    answers(h, "DELETE", "/v1/stands/jetty/queue", "", "405", "Allow: GET, HEAD, POST");
}

static void refuses_bad_requests(void **state)
{
    struct house *h = *state;
    answers(h, "POST", "/v1/plans", "{\"profile\"", "400", "line 1, column 10");
    answers(h, "PATCH", "/v1/plans", "", "405", "Allow: POST");
    answers(h, "GET", "/v1/runs?limit=many", "", "400", "whole number");
    answers(h, "GET", "/v1/runs?batery=a", "", "400", "did you mean \\\"battery\\\"");
    answers(h, "GET", "/v1/stands?limit=1", "", "400", "limit");
    answers(h, "GET", "/v1/runs/99", "", "404", "application/problem+json");
    char *large = zalloc(70001);
    memset(large, ' ', 70000);
    answers(h, "POST", "/v1/plans", large, "413", "64 KiB");
    large[65537] = '\0'; /* one byte too many */
    answers(h, "POST", "/v1/plans", large, "413", "64 KiB");
    large[65536] = '\0'; /* fits, and is no JSON */
    answers(h, "POST", "/v1/plans", large, "400", "JSON");
    free(large);
}

/* The body of a chunked answer, in place; NULL when its last chunk is missing. */
static char *without_chunks(char *answer)
{
    char *from = strstr(answer, "\r\n\r\n");
    char *to = answer;
    assert_non_null(from);
    from += 4;
    for (;;) {
        char *end = NULL;
        unsigned long n = strtoul(from, &end, 16);
        if (end == from) {
            return NULL;
        }
        from = strstr(end, "\r\n") + 2;
        if (n == 0) {
            *to = '\0';
            return answer;
        }
        memmove(to, from, n);
        to += n;
        from += n + 2;
    }
}

static void streams_all_samples(void **state)
{
    struct house *h = *state;
    char *answer = ask(h, "GET", "/v1/runs/1/samples", "");
    assert_non_null(strstr(answer, "text/csv"));
    char *csv = without_chunks(answer);
    assert_non_null(csv);
    char *at = strstr(csv, "\r\n");
    assert_int_equal(strncmp(csv, "t_s,voltage_V,current_A,temperature_C,utc,step\r\n", 48), 0);
    for (int i = 0; i < SAMPLES; i++) {
        double t = -1, voltage = 0;
        assert_int_equal(sscanf(at + 2, "%lf,%lf,-10,22,", &t, &voltage), 2);
        assert_true(t == i && voltage == 13.2 - i * 1e-5);
        at = strstr(at + 2, "\r\n");
    }
    assert_string_equal(at, "\r\n");
    free(answer);
}

static void client_that_leaves(void **state)
{
    struct house *h = *state;
    const char *head = "GET /v1/runs/1/samples HTTP/1.1\r\nHost: x\r\n\r\n";
    for (int i = 0; i < 20; i++) {
        char bytes[100];
        int fd = dial(h->socket_path);
        assert_true(fd >= 0);
        send_all(fd, head, strlen(head));
        assert_true(recv(fd, bytes, sizeof bytes, 0) > 0);
        close(fd);
    }
    answers(h, "GET", "/v1/daemon", "", "200", "version");
}

/* In the place of the system's, for the whole program: how much is free, where a test says so. */
static atomic_ullong pretended_free;

int statvfs(const char *path, struct statvfs *out)
{
    (void)path;
    unsigned long long bytes = atomic_load(&pretended_free);
    *out = (struct statvfs){.f_frsize = 4096};
    out->f_bavail = (bytes > 0 ? bytes : 1ULL << 40) / 4096;
    return 0;
}

/* A copy takes as much as the database; 512 MiB stay for what runs record. */
static void copies_leave_room_for_runs(void **state)
{
    struct house *h = *state;
    struct stat st;
    assert_int_equal(stat(h->f.path, &st), 0);
    atomic_store(&pretended_free, (512ULL << 20) + (unsigned long long)st.st_size - 4096);
    answers(h, "GET", "/v1/backup", "", "409", "make room first");
    atomic_store(&pretended_free, (512ULL << 20) + 2 * (unsigned long long)st.st_size + 8192);
    answers(h, "GET", "/v1/backup", "", "200", "vnd.sqlite3");
    atomic_store(&pretended_free, 0);
}

/* So many that nobody takes, and one more; then all clients leave, and their places are free
 * again, though the threads that filled them may still have been reading. */
static void downloads_have_an_end(void **state)
{
    struct house *h = *state;
    const char *head = "GET /v1/runs/1/samples HTTP/1.1\r\nHost: x\r\n\r\n";
    int fd[DOWNLOADS_MAX];
    char bytes[100];
    for (size_t i = 0; i < DOWNLOADS_MAX; i++) {
        fd[i] = dial(h->socket_path);
        send_all(fd[i], head, strlen(head));
        assert_true(recv(fd[i], bytes, sizeof bytes, 0) > 0);
    }
    answers(h, "GET", "/v1/runs/1/samples", "", "503", "16 downloads are under way");
    answers(h, "GET", "/v1/daemon", "", "200", "version");
    for (size_t i = 0; i < DOWNLOADS_MAX; i++) {
        close(fd[i]);
    }
    for (int tries = 0;; tries++) {
        char *answer = ask(h, "GET", "/v1/runs/1/samples", "");
        bool begun = strncmp(answer, "HTTP/1.1 200", 12) == 0;
        free(answer);
        if (begun) {
            break;
        }
        assert_true(tries < 200);
        usleep(20000);
    }
}

static void *one_of_many(void *context)
{
    for (int i = 0; i < 4; i++) {
        answers(context, "GET", "/v1/runs/last", "", "200", "launch-a");
        answers(context, "GET", "/v1/batteries", "", "200", "launch-a");
        answers(context, "DELETE", "/v1/batteries", "", "405", "Allow");
    }
    return NULL;
}

static void many_clients(void **state)
{
    pthread_t threads[4];
    for (size_t i = 0; i < 4; i++) {
        assert_int_equal(pthread_create(&threads[i], NULL, one_of_many, *state), 0);
    }
    for (size_t i = 0; i < 4; i++) {
        pthread_join(threads[i], NULL);
    }
}

static void socket_in_use_is_left_alone(void **state)
{
    struct house *h = *state;
    struct web *second = NULL;
    struct err e = {0};
    struct web_config config = config_of(h);
    assert_false(web_start(&config, &second, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    assert_non_null(strstr(e.text, h->socket_path));
    answers(h, "GET", "/v1/daemon", "", "200", "version");
}

static void socket_left_behind_is_replaced(void **state)
{
    struct house *h = *state;
    struct err e = {0};
    struct stat st;
    web_stop(h->web);
    h->web = NULL;
    assert_int_equal(lstat(h->socket_path, &st), -1);
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    assert_true(text_format(a.sun_path, sizeof a.sun_path, "%s", h->socket_path));
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    assert_int_equal(bind(fd, (struct sockaddr *)&a, sizeof a), 0);
    close(fd); /* as a killed daemon leaves it */
    struct web_config config = config_of(h);
    ok(web_start(&config, &h->web, &e));
    assert_int_equal(lstat(h->socket_path, &st), 0);
    assert_int_equal(st.st_mode & 07777, 0660);
    answers(h, "GET", "/v1/daemon", "", "200", "version");
}

static void file_is_not_a_socket(void **state)
{
    struct house *h = *state;
    struct err e = {0};
    struct web *second = NULL;
    struct web_config config = config_of(h);
    config.socket_path = h->f.path; /* the database */
    assert_false(web_start(&config, &second, &e));
    assert_int_equal(e.code, ERR_CONFIG);
    struct stat st;
    assert_int_equal(lstat(h->f.path, &st), 0);
    assert_true(S_ISREG(st.st_mode));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(shows_what_there_is),
        cmocka_unit_test(register_and_plan),
        cmocka_unit_test(corrects_records),
        cmocka_unit_test(refuses_bad_requests),
        cmocka_unit_test(streams_all_samples),
        cmocka_unit_test(client_that_leaves),
        cmocka_unit_test(copies_leave_room_for_runs),
        cmocka_unit_test(downloads_have_an_end),
        cmocka_unit_test(many_clients),
        cmocka_unit_test(shows_lots),
        cmocka_unit_test(socket_in_use_is_left_alone),
        cmocka_unit_test(socket_left_behind_is_replaced),
        cmocka_unit_test(file_is_not_a_socket),
    };
    return cmocka_run_group_tests(tests, setup, teardown);
}
