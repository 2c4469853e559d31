/* SPDX-License-Identifier: GPL-3.0-or-later
 * A whole server with a real database and a bench without stands, asked over its
 * sockets. */
#ifndef AMPLEDGER_TESTS_WEB_FIXTURE_H
#define AMPLEDGER_TESTS_WEB_FIXTURE_H

#include "store_fixture.h"

#include "web/web.h"

#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <sys/socket.h>
#include <sys/un.h>

#define ANSWER_MAX (8u << 20)
#define SAMPLES 10000

struct house {
    struct fixture f;
    char socket_path[700];
    struct store *store;
    struct clock *clock;
    struct bench bench;
    struct run_host *host;
    struct bench_http http;
    struct web *web;
    int64_t run;
};

static struct web_config config_of(struct house *h)
{
    return (struct web_config){.host = h->host,
                               .store = h->store,
                               .bench = &h->bench,
                               .socket_path = h->socket_path,
                               .http = &h->http,
                               .clock = h->clock};
}

static void put_run(struct house *h)
{
    struct err e = {0};
    struct battery b = battery_blank();
    strcpy(b.label, "launch-a");
    b.chemistry = CHEM_LFP;
    b.cells = 4;
    ok(store_battery_add(h->store, &b, &e));
    struct run_begin r = {.stand = "jetty",
                          .profile = "overnight",
                          .started_utc_ns = FIXTURE_UTC_NS,
                          .voltage_source = "meter",
                          .profile_text = "a",
                          .bench_text = "b",
                          .plan_json = "{}",
                          .software_version = "test"};
    uuid7_make(FIXTURE_UTC_NS, r.id);
    strcpy(r.battery_id, b.id);
    ok(store_run_begin(h->store, &r, &h->run, &e));
    const struct step_begin begun = {0, 0, 1, "capacity", "discharge", 0};
    assert_true(store_put_step_begin(h->store, h->run, &begun));
    for (int i = 0; i < SAMPLES; i++) {
        struct sample s = {i, 13.2 - i * 1e-5, -10, 22};
        while (!store_put_sample(h->store, h->run, 0, &s)) {
            ok(store_flush(h->store, 5000, &e));
        }
    }
    ok(store_flush(h->store, 20000, &e));
}

static int setup(void **state)
{
    struct house *h = zalloc(sizeof *h);
    struct err e = {0};
    fixture_make(&h->f);
    snprintf(h->socket_path, sizeof h->socket_path, "%s/socket", h->f.folder);
    ok(store_open(h->f.path, &h->store, &e));
    h->clock = clock_new_real();
    strcpy(h->bench.title, "Lakeside yard");
    strcpy(h->http.address, "127.0.0.1:0");
    h->bench.socket_mode = 0660;
    snprintf(h->bench.profiles_dir, sizeof h->bench.profiles_dir, "%s/profiles",
             AMPLEDGER_SOURCE_DIR);
    struct run_host_config host = {.bench = &h->bench, .store = h->store, .clock = h->clock};
    ok(run_host_start(&host, &h->host, &e));
    put_run(h);
    struct web_config config = config_of(h);
    ok(web_start(&config, &h->web, &e));
    *state = h;
    return 0;
}

static int teardown(void **state)
{
    struct house *h = *state;
    web_stop(h->web);
    run_host_quit(h->host);
    run_host_free(h->host);
    store_close(h->store);
    clock_free(h->clock);
    fixture_remove(&h->f);
    free(h);
    return 0;
}

static int dial(const char *path)
{
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    assert_true(text_format(a.sun_path, sizeof a.sun_path, "%s", path));
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    assert_true(fd >= 0);
    if (connect(fd, (struct sockaddr *)&a, sizeof a) != 0) {
        close(fd);
        return -1;
    }
    return fd;
}

static void send_all(int fd, const char *bytes, size_t n)
{
    while (n > 0) {
        ssize_t sent = send(fd, bytes, n, MSG_NOSIGNAL);
        if (sent <= 0) {
            return; /* the server has heard enough */
        }
        bytes += sent;
        n -= (size_t)sent;
    }
}

/* The whole answer until the server closes; owned. */
static char *receive_all(int fd)
{
    char *text = malloc(ANSWER_MAX);
    size_t n = 0;
    assert_non_null(text);
    for (;;) {
        struct pollfd p = {.fd = fd, .events = POLLIN};
        assert_int_equal(poll(&p, 1, 30000), 1);
        ssize_t got = recv(fd, text + n, ANSWER_MAX - 1 - n, 0);
        if (got <= 0) {
            break;
        }
        n += (size_t)got;
    }
    text[n] = '\0';
    return text;
}

static char *ask(const struct house *h, const char *method, const char *path, const char *body)
{
    char head[512];
    int fd = dial(h->socket_path);
    assert_true(fd >= 0);
    snprintf(head, sizeof head,
             "%s %s HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: %zu\r\n\r\n",
             method, path, strlen(body));
    send_all(fd, head, strlen(head));
    send_all(fd, body, strlen(body));
    char *answer = receive_all(fd);
    close(fd);
    return answer;
}

static void answers(const struct house *h, const char *method, const char *path, const char *body,
                    const char *status, const char *says)
{
    char *answer = ask(h, method, path, body);
    if (strncmp(answer, "HTTP/1.1 ", 9) != 0 || strncmp(answer + 9, status, 3) != 0 ||
        strstr(answer, says) == NULL) {
        fail_msg("%s %s: wanted %s and \"%s\", got: %.600s", method, path, status, says, answer);
    }
    free(answer);
}

#endif
