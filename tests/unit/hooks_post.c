/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of posting, against a small HTTP server on 127.0.0.1: what arrives, what
 * is tried again and how long after, what is not, and that leaving waits for
 * nobody. */
#include "hooks_fixture.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <pthread.h>
#include <stdatomic.h>
#include <sys/socket.h>

#define VISITS_MOST 16
#define SILENT (-1) /* instead of a status: take the request, never answer */
#define HANG_UP 0   /* ... close the connection */

struct visit {
    int64_t at_ns;
    char request[4096];
};

struct server {
    int fd;
    char url[64];
    const int *answer; /* one status for each visit; the last one again and again */
    size_t answers;
    pthread_t thread;
    atomic_size_t count;
    struct visit visit[VISITS_MOST];
};

static size_t body_length(const char *request)
{
    const char *field = strstr(request, "Content-Length: ");
    return field != NULL ? strtoul(field + strlen("Content-Length: "), NULL, 10) : 0;
}

static void read_request(int fd, char *out, size_t size)
{
    size_t n = 0;
    while (n < size - 1) {
        ssize_t got = read(fd, out + n, size - 1 - n);
        if (got <= 0) {
            break;
        }
        n += (size_t)got;
        out[n] = '\0';
        const char *body = strstr(out, "\r\n\r\n");
        if (body != NULL && strlen(body + 4) >= body_length(out)) {
            break;
        }
    }
    out[n] = '\0';
}

static void *serve(void *arg)
{
    struct server *s = arg;
    int silent[VISITS_MOST], silent_count = 0;
    int fd;
    while ((fd = accept(s->fd, NULL, NULL)) >= 0) {
        size_t n = atomic_load(&s->count);
        int status = s->answer[n < s->answers ? n : s->answers - 1];
        char reply[256];
        if (n < VISITS_MOST) {
            s->visit[n].at_ns = clock_real_ns();
            read_request(fd, s->visit[n].request, sizeof s->visit[n].request);
        }
        atomic_store(&s->count, n + 1);
        if (status == SILENT && silent_count < VISITS_MOST) {
            silent[silent_count++] = fd;
            continue;
        }
        if (status != HANG_UP) {
            text_format(reply, sizeof reply,
                        "HTTP/1.1 %d Word\r\nLocation: /elsewhere\r\nConnection: close\r\n"
                        "Content-Length: 2\r\n\r\nok",
                        status);
            ssize_t sent = send(fd, reply, strlen(reply), MSG_NOSIGNAL);
            (void)sent;
        }
        close(fd);
    }
    while (silent_count > 0) {
        close(silent[--silent_count]);
    }
    return NULL;
}

static void listen_on_any_port(struct server *s)
{
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t n = sizeof a;
    s->fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(s->fd >= 0);
    assert_int_equal(bind(s->fd, (struct sockaddr *)&a, sizeof a), 0);
    assert_int_equal(getsockname(s->fd, (struct sockaddr *)&a, &n), 0);
    text_format(s->url, sizeof s->url, "http://127.0.0.1:%d/hook", ntohs(a.sin_port));
}

static void server_start(struct server *s, const int *answer, size_t answers)
{
    *s = (struct server){.answer = answer, .answers = answers};
    listen_on_any_port(s);
    assert_int_equal(listen(s->fd, 16), 0);
    assert_int_equal(pthread_create(&s->thread, NULL, serve, s), 0);
}

static void server_stop(struct server *s)
{
    shutdown(s->fd, SHUT_RDWR);
    pthread_join(s->thread, NULL);
    close(s->fd);
}

static void the_document_arrives_once(void **state)
{
    (void)state;
    static struct server s;
    const int answer[] = {204};
    struct hook_record r;
    server_start(&s, answer, 1);
    struct hooks *h = start_hooks(NULL, s.url, &quick);
    tell(h, HOOK_TRIP, "temperature rose above its limit");
    await_records(h, 1, &r);
    hooks_stop(h);
    server_stop(&s);
    assert_true(r.ok);
    assert_true(r.by_post);
    assert_int_equal(r.tries, 1);
    assert_string_equal(r.text, "HTTP 204");
    assert_int_equal(atomic_load(&s.count), 1);
    const char *request = s.visit[0].request;
    assert_true(strncmp(request, "POST /hook HTTP/1.1\r\n", 21) == 0);
    assert_non_null(strstr(request, "\r\nContent-Type: application/json\r\n"));
    assert_non_null(strstr(request, "\r\n\r\n{\"event\":\"trip\","));
    assert_non_null(strstr(request, "\"bench\":\"" YARD "\""));
    assert_non_null(strstr(request, "\"text\":\"temperature rose above its limit\""));
}

static void it_is_tried_again_after_growing_pauses(void **state)
{
    (void)state;
    static struct server s;
    const int answer[] = {HANG_UP, 503, 408, 429, 200};
    struct hook_record r;
    server_start(&s, answer, 5);
    struct hooks *h = start_hooks(NULL, s.url, &quick);
    tell(h, HOOK_END, "completed");
    await_records(h, 1, &r);
    hooks_stop(h);
    server_stop(&s);
    assert_true(r.ok);
    assert_int_equal(r.tries, 5);
    assert_string_equal(r.text, "HTTP 200");
    assert_int_equal(atomic_load(&s.count), 5);
    for (size_t i = 0; i + 1 < 5; i++) {
        assert_true(s.visit[i + 1].at_ns - s.visit[i].at_ns >= quick.pause_ms[i] * NS_PER_MS);
        assert_non_null(strstr(s.visit[i + 1].request, "\"text\":\"completed\""));
    }
}

static void what_is_refused_for_good_is_not_tried_again(void **state)
{
    (void)state;
    static const int answers[] = {400, 404, 302};
    static const char *const texts[] = {"HTTP 400", "HTTP 404", "HTTP 302"};
    for (size_t i = 0; i < 3; i++) {
        static struct server s;
        struct hook_record r;
        server_start(&s, &answers[i], 1);
        struct hooks *h = start_hooks(NULL, s.url, &quick);
        tell(h, HOOK_END, "completed");
        await_records(h, 1, &r);
        hooks_stop(h);
        server_stop(&s);
        assert_false(r.ok);
        assert_int_equal(r.tries, 1);
        assert_string_equal(r.text, texts[i]);
        assert_int_equal(atomic_load(&s.count), 1);
    }
}

static void nobody_there_is_given_up_after_the_last_try(void **state)
{
    (void)state;
    static struct server s = {0};
    struct hook_record r;
    listen_on_any_port(&s); /* and does not listen: connections are refused */
    struct hooks *h = start_hooks(NULL, s.url, &quick);
    int64_t from_ns = clock_real_ns();
    tell(h, HOOK_ALARM, "disconnect by hand");
    await_records(h, 1, &r);
    int64_t took_ns = clock_real_ns() - from_ns;
    hooks_stop(h);
    close(s.fd);
    assert_false(r.ok);
    assert_int_equal(r.tries, HOOK_TRIES);
    assert_true(took_ns >= (50 + 100 + 200 + 400) * NS_PER_MS);
    assert_non_null(strstr(r.text, "onnect"));
}

static void a_silent_server_is_not_waited_for(void **state)
{
    (void)state;
    static struct server s;
    const int answer[] = {SILENT, 200};
    struct hooks_pace pace = quick;
    struct hook_record r;
    pace.post_ms = 200;
    server_start(&s, answer, 2);
    struct hooks *h = start_hooks(NULL, s.url, &pace);
    tell(h, HOOK_END, "completed");
    await_records(h, 1, &r);
    hooks_stop(h);
    server_stop(&s);
    assert_true(r.ok);
    assert_int_equal(r.tries, 2);
}

static void a_retry_holds_no_other_event_up(void **state)
{
    (void)state;
    static struct server s;
    const int answer[] = {500, 200};
    struct hooks_pace pace = quick;
    struct hook_record r;
    pace.pause_ms[0] = 3000;
    server_start(&s, answer, 2);
    struct hooks *h = start_hooks(NULL, s.url, &pace);
    tell(h, HOOK_START, "first");
    while (atomic_load(&s.count) < 1) {
        pause_ms(5);
    }
    pause_ms(50);
    int64_t from_ns = clock_real_ns();
    tell(h, HOOK_TRIP, "second");
    await_records(h, 1, &r);
    assert_int_equal(r.kind, HOOK_TRIP);
    assert_true(clock_real_ns() - from_ns < 2 * NS_PER_S);
    await_records(h, 2, &r);
    assert_int_equal(r.kind, HOOK_START);
    assert_int_equal(r.tries, 2);
    hooks_stop(h);
    server_stop(&s);
}

static void leaving_tries_once_more_without_a_pause(void **state)
{
    (void)state;
    static struct server s;
    const int answer[] = {500, 200};
    struct hooks_pace pace = quick;
    pace.pause_ms[0] = 600000;
    server_start(&s, answer, 2);
    struct hooks *h = start_hooks(NULL, s.url, &pace);
    tell(h, HOOK_END, "stopped");
    while (atomic_load(&s.count) < 1) {
        pause_ms(5);
    }
    pause_ms(100);
    int64_t from_ns = clock_real_ns();
    hooks_stop(h);
    assert_true(clock_real_ns() - from_ns < 2 * NS_PER_S);
    server_stop(&s);
    assert_int_equal(atomic_load(&s.count), 2);
}

static void leaving_does_not_wait_for_a_silent_server(void **state)
{
    (void)state;
    static struct server s;
    const int answer[] = {SILENT};
    struct hooks_pace pace = quick;
    pace.post_ms = 60000;
    pace.flush_ms = 300;
    size_t before = open_descriptors();
    server_start(&s, answer, 1);
    struct hooks *h = start_hooks(NULL, s.url, &pace);
    tell(h, HOOK_END, "stopped");
    while (atomic_load(&s.count) < 1) {
        pause_ms(5);
    }
    int64_t from_ns = clock_real_ns();
    hooks_stop(h);
    assert_true(clock_real_ns() - from_ns < 2 * NS_PER_S);
    server_stop(&s);
    assert_int_equal(open_descriptors(), before);
}

static void urls_are_checked(void **state)
{
    (void)state;
    struct err e = {0};
    assert_true(hooks_check_url("http://127.0.0.1:8080/hook", &e));
    assert_true(hooks_check_url("https://yard.example/a?b=c", &e));
    static const char *const wrong[] = {
        "",           "jetty", "http://", "ftp://a/b", "file:///etc/passwd", "http://a:99999/",
        "http://a b/"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        if (hooks_check_url(wrong[i], &e)) {
            fail_msg("accepted: %s", wrong[i]);
        }
        assert_int_equal(e.code, ERR_CONFIG);
    }
}

int main(void)
{
    /* whatever the machine is set to, these go to this machine */
    setenv("no_proxy", "*", 1);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_document_arrives_once),
        cmocka_unit_test(it_is_tried_again_after_growing_pauses),
        cmocka_unit_test(what_is_refused_for_good_is_not_tried_again),
        cmocka_unit_test(nobody_there_is_given_up_after_the_last_try),
        cmocka_unit_test(a_silent_server_is_not_waited_for),
        cmocka_unit_test(a_retry_holds_no_other_event_up),
        cmocka_unit_test(leaving_tries_once_more_without_a_pause),
        cmocka_unit_test(leaving_does_not_wait_for_a_silent_server),
        cmocka_unit_test(urls_are_checked),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
