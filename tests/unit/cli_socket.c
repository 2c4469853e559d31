/* SPDX-License-Identifier: GPL-3.0-or-later
 * The program against a peer that is not there, breaks off, or answers oddly:
 * exit status, and a partial export never stays. */
#include "cli/cli.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>

#include <cmocka.h>

#include <dirent.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

struct peer {
    char folder[64], socket[100], file[100];
    int listener;
    const char *answer; /* of every request */
    pthread_t thread;
};

/* One request, one answer, gone. Ends when the listener is shut down. */
static void *serve(void *context)
{
    struct peer *p = context;
    int fd;
    while ((fd = accept(p->listener, NULL, NULL)) >= 0) {
        char request[4096];
        if (recv(fd, request, sizeof request, 0) > 0) {
            send(fd, p->answer, strlen(p->answer), MSG_NOSIGNAL);
        }
        close(fd);
    }
    return NULL;
}

static void peer_start(struct peer *p, const char *answer)
{
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    *p = (struct peer){.folder = "/tmp/ampledger-cli-XXXXXX", .answer = answer};
    assert_non_null(mkdtemp(p->folder));
    snprintf(p->socket, sizeof p->socket, "%s/socket", p->folder);
    snprintf(p->file, sizeof p->file, "%s/run.csv", p->folder);
    memcpy(a.sun_path, p->socket, strlen(p->socket) + 1);
    p->listener = socket(AF_UNIX, SOCK_STREAM, 0);
    assert_int_equal(bind(p->listener, (struct sockaddr *)&a, sizeof a), 0);
    assert_int_equal(listen(p->listener, 4), 0);
    assert_int_equal(pthread_create(&p->thread, NULL, serve, p), 0);
}

static void peer_stop(struct peer *p)
{
    shutdown(p->listener, SHUT_RDWR);
    pthread_join(p->thread, NULL);
    close(p->listener);
    unlink(p->socket);
    unlink(p->file);
    assert_int_equal(rmdir(p->folder), 0); /* nothing else was left in it */
}

static int run(const struct peer *p, const char *one, const char *two, const char *three,
               const char *four)
{
    char words[6][128] = {"ampledger"};
    char *argv[7] = {words[0], NULL};
    const char *given[] = {one, two, three, four};
    int argc = 1;
    for (size_t i = 0; i < 4 && given[i] != NULL; i++, argc++) {
        snprintf(words[argc], sizeof words[argc], "%s", given[i]);
        argv[argc] = words[argc];
    }
    setenv("AMPLEDGER_SOCKET", p->socket, 1);
    return cli_main(argc, argv);
}

#define CSV_HEAD "HTTP/1.1 200 OK\r\nContent-Type: text/csv\r\nTransfer-Encoding: chunked\r\n\r\n"

static void export_whole(void **state)
{
    (void)state;
    struct peer p;
    char text[64] = "";
    peer_start(&p, CSV_HEAD "9\r\nt_s\r\n1.5\n\r\n0\r\n\r\n");
    assert_int_equal(run(&p, "export", "last", "-o", p.file), EXIT_DONE);
    FILE *f = fopen(p.file, "r");
    assert_non_null(f);
    size_t n = fread(text, 1, sizeof text - 1, f);
    fclose(f);
    assert_int_equal(n, 9);
    assert_string_equal(text, "t_s\r\n1.5\n");
    peer_stop(&p);
}

static void export_broken_off(void **state)
{
    (void)state;
    struct peer p;
    peer_start(&p, CSV_HEAD "9\r\nt_s\r\n1.5\n\r\n");
    assert_int_equal(run(&p, "export", "last", "-o", p.file), EXIT_UNREACHABLE);
    assert_int_equal(access(p.file, F_OK), -1);
    /* One that was there before stays as it was. */
    FILE *f = fopen(p.file, "w");
    assert_non_null(f);
    fputs("older", f);
    fclose(f);
    assert_int_equal(run(&p, "export", "last", "-o", p.file), EXIT_UNREACHABLE);
    struct stat st;
    assert_int_equal(stat(p.file, &st), 0);
    assert_int_equal(st.st_size, 5);
    peer_stop(&p);
}

static void export_refused(void **state)
{
    (void)state;
    struct peer p;
    peer_start(&p, "HTTP/1.1 404 Not Found\r\n\r\n"
                   "{\"code\": \"not-found\", \"detail\": \"no run 99\"}");
    assert_int_equal(run(&p, "export", "99", "-o", p.file), EXIT_USAGE);
    assert_int_equal(access(p.file, F_OK), -1);
    assert_int_equal(run(&p, "export", "99", "-o", "/nowhere/x.csv"), EXIT_USAGE);
    peer_stop(&p);
}

static void answers_oddly(void **state)
{
    (void)state;
    struct peer p;
    peer_start(&p, "HTTP/1.1 200 OK\r\nContent-Length: 5\r\n\r\nhello");
    assert_int_equal(run(&p, "stands", NULL, NULL, NULL), EXIT_INTERNAL);
    p.answer = "HTTP/1.1 500 Oh\r\nContent-Length: 2\r\n\r\nno";
    assert_int_equal(run(&p, "stands", NULL, NULL, NULL), EXIT_INTERNAL);
    p.answer = "HTTP/1.1 409 Conflict\r\n\r\n"
               "{\"code\":\"refused\",\"detail\":\"latched\"}";
    assert_int_equal(run(&p, "stop", "jetty", NULL, NULL), EXIT_REFUSED);
    p.answer = "SSH-2.0-x\r\n";
    assert_int_equal(run(&p, "stands", NULL, NULL, NULL), EXIT_UNREACHABLE);
    p.answer = "HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n[]";
    assert_int_equal(run(&p, "stands", NULL, NULL, NULL), EXIT_DONE);
    assert_int_equal(run(&p, "show", "last", NULL, NULL), EXIT_DONE);
    assert_int_equal(run(&p, "watch", NULL, NULL, NULL), EXIT_REFUSED);
    peer_stop(&p);
}

static void nobody_there(void **state)
{
    (void)state;
    struct peer p = {.socket = "/tmp/ampledger-nobody.sock"};
    assert_int_equal(run(&p, "stands", NULL, NULL, NULL), EXIT_UNREACHABLE);
    assert_int_equal(run(&p, "show", "last", "--json", NULL), EXIT_UNREACHABLE);
    assert_int_equal(run(&p, "export", "last", NULL, NULL), EXIT_UNREACHABLE);
}

static void wrong_usage(void **state)
{
    (void)state;
    struct peer p = {.socket = "/tmp/ampledger-nobody.sock"};
    assert_int_equal(run(&p, NULL, NULL, NULL, NULL), EXIT_USAGE);
    assert_int_equal(run(&p, "stnds", NULL, NULL, NULL), EXIT_USAGE);
    assert_int_equal(run(&p, "--sokcet", "x", NULL, NULL), EXIT_USAGE);
    assert_int_equal(run(&p, "battery", NULL, NULL, NULL), EXIT_USAGE);
    assert_int_equal(run(&p, "battery", "ad", NULL, NULL), EXIT_USAGE);
    assert_int_equal(run(&p, "export", "last", "--json", NULL), EXIT_USAGE);
    assert_int_equal(run(&p, "help", "stnds", NULL, NULL), EXIT_USAGE);
    assert_int_equal(run(&p, "help", "plan", NULL, NULL), EXIT_DONE);
    assert_int_equal(run(&p, "help", "analyse", NULL, NULL), EXIT_DONE);
    assert_int_equal(run(&p, "plan", "--help", NULL, NULL), EXIT_DONE);
    assert_int_equal(run(&p, "--version", NULL, NULL, NULL), EXIT_DONE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(export_whole),   cmocka_unit_test(export_broken_off),
        cmocka_unit_test(export_refused), cmocka_unit_test(answers_oddly),
        cmocka_unit_test(nobody_there),   cmocka_unit_test(wrong_usage),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
