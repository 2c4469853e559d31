/* SPDX-License-Identifier: GPL-3.0-or-later
 * The server as a browser meets it, over TCP: who is let in, what the answers forbid,
 * events as they happen, curves to draw, and clients that take their time. */
#include "web_fixture.h"

#include "base/clock.h"
#include "base/file.h"
#include "web/page.h"
#include "web/patience.h"
#include "web/samples.h"

#include <arpa/inet.h>
#include <netinet/tcp.h>
#include <stdatomic.h>

static int dial_tcp(const struct house *h)
{
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr = {htonl(INADDR_LOOPBACK)}};
    a.sin_port = htons((uint16_t)strtoul(strrchr(web_http(h->web), ':') + 1, NULL, 10));
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    assert_true(fd >= 0);
    assert_int_equal(connect(fd, (struct sockaddr *)&a, sizeof a), 0);
    return fd;
}

/* `head`: request line and headers but for Host and Connection; %s in it is the
 * address of this server. Owned answer. */
static char *browse(const struct house *h, const char *head, const char *host, const char *body)
{
    char text[2048];
    int fd = dial_tcp(h);
    snprintf(text, sizeof text,
             "%s\r\nHost: %s\r\nConnection: close\r\nContent-Length: %zu\r\n\r\n%s", head,
             host != NULL ? host : web_http(h->web), strlen(body), body);
    send_all(fd, text, strlen(text));
    char *answer = receive_all(fd);
    close(fd);
    return answer;
}

struct
try {
    const char *head, *host, *body, *status, *says;
};

static void tries(const struct house *h, const struct try *t)
{
    char *answer = browse(h, t->head, t->host, t->body);
    if (strncmp(answer, "HTTP/1.1 ", 9) != 0 || strncmp(answer + 9, t->status, 3) != 0 ||
        strstr(answer, t->says) == NULL) {
        fail_msg("%s: wanted %s and \"%s\", got: %.600s", t->head, t->status, t->says, answer);
    }
    free(answer);
}

#define JSON "\r\nContent-Type: application/json"
#define LAMP "{\"label\":\"lamp-9\",\"chemistry\":\"lfp\",\"cells\":4}"

static void lets_in_and_keeps_out(void **state)
{
    struct house *h = *state;
    const struct try all[] = {
        {"GET /v1/daemon HTTP/1.1", NULL, "", "200", "\"http\":\"127.0.0.1:"},
        {"GET /v1/daemon HTTP/1.1", "boat-hire.example", "", "403", "own name"},
        {"GET / HTTP/1.1", "boat-hire.example", "", "403", "own name"},
        {"GET /v1/daemon HTTP/1.1\r\nOrigin: http://boat-hire.example", NULL, "", "403",
         "own page"},
        {"GET /v1/daemon HTTP/1.1\r\nSec-Fetch-Site: cross-site", NULL, "", "403", "own page"},
        {"POST /v1/batteries HTTP/1.1\r\nContent-Type: text/plain", NULL, LAMP, "415", "json"},
        {"POST /v1/batteries HTTP/1.1", NULL, LAMP, "415", "json"},
        {"OPTIONS /v1/batteries HTTP/1.1" JSON, NULL, "", "405", "Allow: GET, HEAD, POST"},
        {"GET /v1/batteries/lamp-9 HTTP/1.1", NULL, "", "404", "lamp-9"},
        {"POST /v1/batteries HTTP/1.1" JSON, NULL, LAMP, "201", "lamp-9"},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        tries(h, &all[i]);
    }
}

static void serves_the_page_and_no_other_file(void **state)
{
    struct house *h = *state;
    const struct try all[] = {
        {"GET / HTTP/1.1", NULL, "", "200", "Content-Type: text/html"},
        {"GET /page/index.html HTTP/1.1", NULL, "", "200", "<html lang=\"en\">"},
        {"GET / HTTP/1.1", NULL, "", "200",
         "Content-Security-Policy: default-src 'none'; script-src 'self'; style-src 'self';"},
        {"GET / HTTP/1.1", NULL, "", "200", "X-Content-Type-Options: nosniff"},
        {"GET /v1/daemon HTTP/1.1", NULL, "", "200", "frame-ancestors 'none'"},
        {"HEAD / HTTP/1.1", NULL, "", "200", "text/html"},
        {"POST / HTTP/1.1" JSON, NULL, "{}", "405", "Allow: GET, HEAD"},
        {"GET /page/../../etc/passwd HTTP/1.1", NULL, "", "404", "problem+json"},
        {"GET /page/%2e%2e/%2e%2e/etc/passwd HTTP/1.1", NULL, "", "404", "problem+json"},
        {"GET /charts/../../../etc/passwd HTTP/1.1", NULL, "", "404", "problem+json"},
        {"GET /page/nothing.mjs HTTP/1.1", NULL, "", "404", "problem+json"},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        tries(h, &all[i]);
        char *answer = browse(h, all[i].head, NULL, all[i].body);
        assert_null(strstr(answer, "Set-Cookie"));
        assert_null(strstr(answer, "Access-Control"));
        free(answer);
    }
}

/* A file that is not named there comes only when another has asked for it. */
static void names_all_modules_at_once(void **state)
{
    (void)state;
    const struct page_content *index = &page_contents[0];
    size_t modules = 0;
    char *text = zalloc(index->n + 1);
    memcpy(text, index->bytes, index->n);
    for (const struct page_content *c = index; c->path != NULL; c++) {
        if (text_matches("*.mjs", c->path)) {
            char named[128];
            snprintf(named, sizeof named, "\"%s\"", c->path);
            assert_non_null(strstr(text, named));
            modules++;
        }
    }
    assert_true(modules > 10);
    free(text);
}

static void draws_curves(void **state)
{
    struct house *h = *state;
    const struct try all[] = {
        {"GET /v1/runs/1/curve?points=100 HTTP/1.1", NULL, "", "200",
         "\"samples\":10000,\"decimated\":true,\"t_s\":[0.0,"},
        {"GET /v1/runs/1/curve?points=20000 HTTP/1.1", NULL, "", "200", "\"decimated\":false"},
        {"GET /v1/runs/1/curve?from=500.5&to=503 HTTP/1.1", NULL, "", "200",
         "\"samples\":4,\"decimated\":false,\"t_s\":[500.0,501.0,502.0,503.0]"},
        {"GET /v1/runs/1/curve?from=0&to=0 HTTP/1.1", NULL, "", "200", "\"t_s\":[0.0]"},
        {"GET /v1/runs/1/curve?from=9999 HTTP/1.1", NULL, "", "200", "\"t_s\":[9998.0,9999.0]"},
        {"GET /v1/runs/1/curve?from=20000 HTTP/1.1", NULL, "", "200", "\"t_s\":[9998.0,9999.0]"},
        {"GET /v1/runs/1/curve?points=5 HTTP/1.1", NULL, "", "400", "points must be"},
        {"GET /v1/runs/1/curve?from=soon HTTP/1.1", NULL, "", "400", "seconds"},
        {"GET /v1/runs/1/curve?from=nan HTTP/1.1", NULL, "", "400", "seconds"},
        {"GET /v1/runs/99/curve HTTP/1.1", NULL, "", "404", "no run 99"},
        {"GET /v1/batteries/launch-a/trend?below=70 HTTP/1.1", NULL, "", "200",
         "\"limit_percent\":70"},
        {"GET /v1/batteries/launch-a/trend HTTP/1.1", NULL, "", "200", "\"limit_percent\":80"},
        {"GET /v1/batteries/launch-a/trend?below=0 HTTP/1.1", NULL, "", "400", "from 1 to 150"},
        {"GET /v1/batteries/launch-a/trend?below=most HTTP/1.1", NULL, "", "400", "percentage"},
        {"GET /v1/batteries/launch-a/trend?limit=5 HTTP/1.1", NULL, "", "400",
         "not asked for here"},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        tries(h, &all[i]);
    }
}

/* Reads until `what` has come; false when the connection ends or nothing comes for 5 s. */
static bool comes(int fd, char *text, size_t size, const char *what)
{
    size_t n = strlen(text);
    while (strstr(text, what) == NULL) {
        struct pollfd p = {.fd = fd, .events = POLLIN};
        ssize_t got = poll(&p, 1, 5000) == 1 ? recv(fd, text + n, size - 1 - n, 0) : 0;
        if (got <= 0) {
            return false;
        }
        n += (size_t)got;
        text[n] = '\0';
    }
    return true;
}

static int look_on(const struct house *h, const char *last_event)
{
    char head[512];
    int fd = dial_tcp(h);
    snprintf(head, sizeof head, "GET /v1/events HTTP/1.1\r\nHost: %s\r\n%s%s%s\r\n",
             web_http(h->web), last_event != NULL ? "Last-Event-ID: " : "",
             last_event != NULL ? last_event : "", last_event != NULL ? "\r\n" : "");
    send_all(fd, head, strlen(head));
    return fd;
}

static void tells_what_happens(void **state)
{
    struct house *h = *state;
    static char text[65536], again[65536];
    text[0] = again[0] = '\0';
    int fd = look_on(h, NULL);
    assert_true(comes(fd, text, sizeof text, "event: hello"));
    assert_non_null(strstr(text, "text/event-stream"));
    assert_true(store_put_event(h->store, h->run, FIXTURE_UTC_NS, 12, "trip", "too hot by far"));
    assert_true(comes(fd, text, sizeof text, "too hot by far"));
    assert_non_null(strstr(text, "event: event\r\n") != NULL ? text
                                                             : strstr(text, "event: event\n"));
    char *id = strstr(text, "id: ") + 4; /* that of the greeting */
    id[strcspn(id, "\r\n")] = '\0';
    close(fd);
    fd = look_on(h, id);
    assert_true(comes(fd, again, sizeof again, "too hot by far"));
    assert_null(strstr(again, "reload"));
    close(fd);
    again[0] = '\0';
    fd = look_on(h, "1-1");
    assert_true(comes(fd, again, sizeof again, "event: reload"));
    close(fd);
}

/* Many who never finish a request, and one who asks properly. */
static void slow_clients_hurt_nobody(void **state)
{
    struct house *h = *state;
    int slow[300];
    for (size_t i = 0; i < 300; i++) {
        slow[i] = dial_tcp(h);
        send_all(slow[i], "GET /v1/daemon HTTP/1.1\r\nHost: ", 32);
    }
    int64_t began_ns = clock_real_ns();
    tries(h, &(struct try){"GET /v1/daemon HTTP/1.1", NULL, "", "200", "version"});
    answers(h, "GET", "/v1/daemon", "", "200", "version");
    assert_true(clock_real_ns() - began_ns < 2 * NS_PER_S);
    for (size_t i = 0; i < 300; i++) {
        close(slow[i]);
    }
}

/* Of a small window and small packets, so that little fits between the two. */
static int dial_narrow(const struct house *h)
{
    const int window = 2048, packet = 500;
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr = {htonl(INADDR_LOOPBACK)}};
    a.sin_port = htons((uint16_t)strtoul(strrchr(web_http(h->web), ':') + 1, NULL, 10));
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    assert_true(fd >= 0);
    assert_int_equal(setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &window, sizeof window), 0);
    assert_int_equal(setsockopt(fd, IPPROTO_TCP, TCP_MAXSEG, &packet, sizeof packet), 0);
    assert_int_equal(connect(fd, (struct sockaddr *)&a, sizeof a), 0);
    return fd;
}

/* Takes what comes until the end: was it the whole answer? */
static bool is_whole(int fd)
{
    char *answer = receive_all(fd);
    const char *length = strstr(answer, "Content-Length: "), *body = strstr(answer, "\r\n\r\n");
    assert_true(strncmp(answer, "HTTP/1.1 200", 12) == 0 && length != NULL && body != NULL);
    bool whole = strlen(body + 4) == strtoul(length + 16, NULL, 10);
    free(answer);
    return whole;
}

/* A crowd that asks and takes nothing goes, who was first before others; who looks on stays. */
static void answers_are_not_waited_for_for_ever(void **state)
{
    struct house *h = *state;
    char head[256], text[8192] = "";
    int slow[PATIENCE_CROWD + 5];
    const size_t n = sizeof slow / sizeof slow[0];
    int viewer = look_on(h, NULL);
    snprintf(head, sizeof head,
             "GET /v1/runs/1/curve?points=20000 HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n\r\n",
             web_http(h->web));
    for (size_t i = 0; i < n; i++) {
        slow[i] = dial_narrow(h);
        send_all(slow[i], head, strlen(head));
        struct pollfd p = {.fd = slow[i], .events = POLLIN};
        assert_int_equal(poll(&p, 1, 10000), 1);
    }
    sleep(PATIENCE_TAKE_CROWDED_S + 2);
    assert_false(is_whole(slow[0]));
    for (size_t i = 0; i < n; i++) {
        close(slow[i]);
    }
    int honest = dial_narrow(h);
    send_all(honest, head, strlen(head));
    assert_true(is_whole(honest));
    close(honest);
    assert_true(comes(viewer, text, sizeof text, "event: beat"));
    close(viewer);
}

/* So many by the network that no more get a place there; by the socket there is one. */
static void downloads_leave_places_for_the_socket(void **state)
{
    struct house *h = *state;
    char head[256];
    int fd[DOWNLOADS_MAX - DOWNLOADS_NEAR];
    const size_t n = sizeof fd / sizeof fd[0];
    snprintf(head, sizeof head, "GET /v1/runs/1/samples HTTP/1.1\r\nHost: %s\r\n\r\n",
             web_http(h->web));
    for (size_t i = 0; i < n; i++) {
        struct pollfd p = {.fd = fd[i] = dial_narrow(h), .events = POLLIN};
        send_all(fd[i], head, strlen(head));
        assert_int_equal(poll(&p, 1, 10000), 1);
    }
    tries(h, &(struct try){"GET /v1/runs/1/samples HTTP/1.1", NULL, "", "503", "under way"});
    answers(h, "GET", "/v1/runs/1/samples", "", "200", "text/csv");
    for (size_t i = 0; i < n; i++) {
        close(fd[i]);
    }
}

/* The server goes while somebody looks on and somebody's samples are on their way. */
static void leaves_while_somebody_looks_on(void **state)
{
    struct house *h = *state;
    static char text[65536];
    text[0] = '\0';
    int fd = look_on(h, NULL);
    assert_true(comes(fd, text, sizeof text, "event: hello"));
    int other = dial_tcp(h);
    char head[256];
    snprintf(head, sizeof head, "GET /v1/runs/1/samples HTTP/1.1\r\nHost: %s\r\n\r\n",
             web_http(h->web));
    send_all(other, head, strlen(head));
    assert_true(recv(other, text, 100, 0) > 0);
    int64_t began_ns = clock_real_ns();
    web_stop(h->web);
    h->web = NULL;
    assert_true(clock_real_ns() - began_ns < 3 * NS_PER_S);
    close(fd);
    close(other);
    struct err e = {0};
    struct web_config config = config_of(h);
    ok(web_start(&config, &h->web, &e));
    tries(h, &(struct try){"GET /v1/daemon HTTP/1.1", NULL, "", "200", "version"});
}

static void port_in_use(void **state)
{
    struct house *h = *state;
    struct web *second = NULL;
    struct err e = {0};
    struct web_config config = config_of(h);
    char path[750];
    snprintf(path, sizeof path, "%s-2", h->socket_path);
    config.socket_path = path;
    struct bench_http http = {0};
    strcpy(http.address, web_http(h->web));
    config.http = &http;
    assert_false(web_start(&config, &second, &e));
    assert_int_equal(e.code, ERR_REFUSED);
    assert_non_null(strstr(e.text, "another program listens on 127.0.0.1:"));
    struct stat st;
    assert_int_equal(lstat(path, &st), -1);
}

struct early_bird {
    const struct house *h;
    atomic_bool leave;
};

/* Asks from the moment in which the socket is there; what was answered first, NULL: nobody did. */
static void *ask_early(void *context)
{
    struct early_bird *b = context;
    static const char head[] = "GET /v1/daemon HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n";
    int fd = -1;
    while (fd < 0 && !atomic_load(&b->leave)) {
        fd = dial(b->h->socket_path);
    }
    if (fd < 0) {
        return NULL;
    }
    send_all(fd, head, strlen(head));
    char *answer = receive_all(fd);
    close(fd);
    return answer;
}

/* The first answer of all has the port, and nobody is answered by a server that does not start. */
static void the_first_answer_is_whole(void **state)
{
    struct house *h = *state, *early = zalloc(sizeof *early);
    struct bench_http taken = {0};
    text_format(early->socket_path, sizeof early->socket_path, "%s-early", h->socket_path);
    text_format(taken.address, sizeof taken.address, "%s", web_http(h->web));
    for (int i = 0; i < 100; i++) {
        struct early_bird bird = {.h = early};
        struct web_config config = config_of(h);
        struct web *second = NULL;
        struct err e = {0};
        pthread_t thread;
        char *answer = NULL;
        config.socket_path = early->socket_path;
        config.http = i % 2 == 0 ? &h->http : &taken;
        assert_int_equal(pthread_create(&thread, NULL, ask_early, &bird), 0);
        bool begun = web_start(&config, &second, &e);
        atomic_store(&bird.leave, !begun);
        pthread_join(thread, (void **)&answer);
        assert_int_equal(begun, i % 2 == 0);
        if (begun) {
            web_stop(second);
            assert_non_null(strstr(answer, "\"http\":\"127.0.0.1:"));
            assert_null(strstr(answer, "\"http\":\"127.0.0.1:0\""));
        } else {
            assert_true(answer == NULL || answer[0] == '\0');
        }
        free(answer);
    }
    free(early);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lets_in_and_keeps_out),
        cmocka_unit_test(serves_the_page_and_no_other_file),
        cmocka_unit_test(names_all_modules_at_once),
        cmocka_unit_test(draws_curves),
        cmocka_unit_test(tells_what_happens),
        cmocka_unit_test(slow_clients_hurt_nobody),
        cmocka_unit_test(answers_are_not_waited_for_for_ever),
        cmocka_unit_test(downloads_leave_places_for_the_socket),
        cmocka_unit_test(leaves_while_somebody_looks_on),
        cmocka_unit_test(port_in_use),
        cmocka_unit_test(the_first_answer_is_whole),
    };
    return cmocka_run_group_tests(tests, setup, teardown);
}
