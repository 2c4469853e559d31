/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of commands: what reaches them and what does not, their time limit, how
 * they fail, and that nobody waits for them. This program is a command too: see
 * describe_myself(). */
#include "hooks_fixture.h"

#include <fcntl.h>
#include <signal.h>
#include <sys/stat.h>

static char folder[64], myself[256];

static int make_folder(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/ampledger-hooks-XXXXXX");
    ssize_t n = readlink("/proc/self/exe", myself, sizeof myself - 1);
    return mkdtemp(folder) != NULL && n > 0 ? 0 : -1;
}

static int drop_folder(void **state)
{
    (void)state;
    DIR *d = opendir(folder);
    struct dirent *entry;
    while ((entry = readdir(d)) != NULL) {
        unlinkat(dirfd(d), entry->d_name, 0);
    }
    closedir(d);
    return rmdir(folder);
}

static const char *in_folder(const char *name)
{
    static char path[4][128];
    static int turn;
    char *out = path[turn++ % 4];
    text_format(out, sizeof path[0], "%s/%s", folder, name);
    return out;
}

static char *contents(const char *name)
{
    char *text = NULL;
    size_t n = 0;
    struct err e = {0};
    if (!file_read(in_folder(name), 65536, &text, &n, &e)) {
        fail_msg("%s", e.text);
    }
    return text;
}

/* A command in the folder; returns its path. */
static char *script(const char *name, const char *lines)
{
    const char *path = in_folder(name);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fprintf(f, "#!/bin/sh\ncd %s || exit 9\n%s\n", folder, lines);
    fclose(f);
    assert_int_equal(chmod(path, 0700), 0);
    return text_copy(path);
}

static struct hooks *start_script(const char *lines, const struct hooks_pace *pace)
{
    char *path = script("tell", lines);
    char *argv[] = {path, "--short", "two words; $HOME", NULL};
    struct hooks *h = start_hooks(argv, "", pace);
    free(path);
    return h;
}

/* Run as a command: what was handed down to it, one line. */
static int describe_myself(const char *out)
{
    sigset_t blocked;
    struct sigaction pipe_action;
    char fds[1024] = "";
    int signals = 0;
    for (int fd = 0; fd < 1024; fd++) {
        if (fcntl(fd, F_GETFD) != -1) {
            size_t used = strlen(fds);
            text_format(fds + used, sizeof fds - used, " %d", fd);
        }
    }
    sigprocmask(SIG_BLOCK, NULL, &blocked);
    for (int s = 1; s < 32; s++) {
        signals += sigismember(&blocked, s) == 1;
    }
    sigaction(SIGPIPE, NULL, &pipe_action);
    FILE *f = fopen(out, "w");
    fprintf(f, "fds%s; %d signals blocked; SIGPIPE %s; group %s\n", fds, signals,
            pipe_action.sa_handler == SIG_DFL ? "default" : "changed",
            getpgrp() == getpid() ? "own" : "foreign");
    fclose(f);
    return 0;
}

static void nothing_of_the_daemon_leaks_into_it(void **state)
{
    (void)state;
    sigset_t signals;
    sigemptyset(&signals);
    sigaddset(&signals, SIGTERM);
    sigaddset(&signals, SIGINT);
    sigaddset(&signals, SIGCHLD);
    sigprocmask(SIG_BLOCK, &signals, NULL);
    signal(SIGPIPE, SIG_IGN);
    /* descriptors that somebody forgot to mark close-on-exec */
    assert_int_equal(dup2(STDERR_FILENO, 77), 77);
    assert_int_equal(dup2(STDERR_FILENO, 500), 500);
    char *argv[] = {myself, "--describe", text_copy(in_folder("myself")), NULL};
    struct hooks *h = start_hooks(argv, "", &quick);
    struct hook_record r;
    tell(h, HOOK_TRIP, "hot");
    await_records(h, 1, &r);
    hooks_stop(h);
    close(77);
    close(500);
    sigprocmask(SIG_UNBLOCK, &signals, NULL);
    free(argv[2]);
    assert_true(r.ok);
    char *text = contents("myself");
    assert_string_equal(text, "fds 0 1 2; 0 signals blocked; SIGPIPE default; group own\n");
    free(text);
}

static void arguments_environment_and_document_reach_it(void **state)
{
    (void)state;
    struct hooks *h =
        start_script("printf '%s|' \"$@\" >arguments\n"
                     "echo \"$AMPLEDGER_EVENT $AMPLEDGER_STAND $AMPLEDGER_TEXT\" >facts\n"
                     "cat >document\n",
                     &quick);
    struct hook_record r;
    tell(h, HOOK_TRIP, "temperature rose above its limit");
    await_records(h, 1, &r);
    hooks_stop(h);
    assert_true(r.ok);
    assert_false(r.by_post);
    assert_int_equal(r.kind, HOOK_TRIP);
    assert_string_equal(r.stand, "jetty");
    assert_string_equal(r.text, "exit status 0");
    char *arguments = contents("arguments"), *facts = contents("facts"),
         *document = contents("document");
    assert_string_equal(arguments, "--short|two words; $HOME|");
    assert_string_equal(facts, "trip jetty temperature rose above its limit\n");
    assert_non_null(strstr(document, "{\"event\":\"trip\""));
    assert_non_null(strstr(document, "\"text\":\"temperature rose above its limit\""));
    assert_int_equal(document[strlen(document) - 1], '}');
    free(arguments);
    free(facts);
    free(document);
}

/* Gone, or dead and waiting for its parent. */
static bool is_dead(int pid)
{
    char path[64], state = 'Z';
    text_format(path, sizeof path, "/proc/%d/stat", pid);
    FILE *f = fopen(path, "r");
    if (f == NULL) {
        return true;
    }
    int got = fscanf(f, "%*d (%*[^)]) %c", &state);
    fclose(f);
    return got != 1 || state == 'Z' || state == 'X';
}

static void past_its_time_its_whole_group_is_killed(void **state)
{
    (void)state;
    struct hooks_pace pace = quick;
    pace.command_ms = 700;
    struct hooks *h = start_script("sleep 600 & echo \"$! $$\" >pids\nwait", &pace);
    struct hook_record r;
    int child = 0, leader = 0;
    int64_t from_ns = clock_real_ns();
    tell(h, HOOK_START, "hangs");
    await_records(h, 1, &r);
    int64_t took_ns = clock_real_ns() - from_ns;
    hooks_stop(h);
    assert_false(r.ok);
    assert_string_equal(r.text, "killed: not done within 0.7 s");
    assert_true(took_ns >= 700 * NS_PER_MS);
    assert_true(took_ns < 5 * NS_PER_S);
    char *pids = contents("pids");
    assert_int_equal(sscanf(pids, "%d %d", &child, &leader), 2);
    free(pids);
    assert_true(is_dead(leader));
    for (int i = 0; i < 100 && !is_dead(child); i++) {
        pause_ms(10);
    }
    assert_true(is_dead(child));
}

static void failures_are_told(void **state)
{
    (void)state;
    struct hook_record r;
    struct hooks *h = start_script("exit 3", &quick);
    tell(h, HOOK_END, "done");
    await_records(h, 1, &r);
    assert_false(r.ok);
    assert_int_equal(r.tries, 1);
    assert_string_equal(r.text, "exit status 3");
    hooks_stop(h);

    h = start_script("kill -SEGV $$", &quick);
    tell(h, HOOK_END, "done");
    await_records(h, 1, &r);
    assert_false(r.ok);
    assert_string_equal(r.text, "ended by signal 11");
    hooks_stop(h);

    char *argv[] = {"/nonexistent/tell-me", NULL};
    h = start_hooks(argv, "", &quick);
    tell(h, HOOK_END, "done");
    await_records(h, 1, &r);
    assert_false(r.ok);
    assert_string_equal(r.text, "/nonexistent/tell-me cannot be run: No such file or directory");
    hooks_stop(h);
}

static void a_flood_of_output_ends_nobody(void **state)
{
    (void)state;
    struct hook_record r;
    struct hooks *h = start_script("head -c 3000000 /dev/zero; echo done >&2", &quick);
    tell(h, HOOK_END, "done");
    await_records(h, 1, &r);
    assert_string_equal(r.text, "exit status 0");
    hooks_stop(h);
}

static void nobody_waits_while_a_command_hangs(void **state)
{
    (void)state;
    struct hooks_pace pace = quick;
    pace.command_ms = 60000;
    pace.flush_ms = 300;
    struct hooks *h = start_script("sleep 600", &pace);
    struct hook_event e = yard_event(HOOK_END, "done");
    int64_t longest_ns = 0;
    for (int i = 0; i < 2000; i++) {
        int64_t from_ns = clock_real_ns();
        hooks_tell(h, &e);
        int64_t took_ns = clock_real_ns() - from_ns;
        longest_ns = took_ns > longest_ns ? took_ns : longest_ns;
    }
    assert_true(longest_ns < NS_PER_S); /* not 600 s, not 60 s; a busy machine may take a while */
    assert_true(hooks_dropped(h) >= 2000 - 65);
    int64_t from_ns = clock_real_ns();
    hooks_stop(h);
    assert_true(clock_real_ns() - from_ns >= 300 * NS_PER_MS);
    assert_true(clock_real_ns() - from_ns < 2 * NS_PER_S);
}

static void an_alarm_is_told_before_what_waited_longer(void **state)
{
    (void)state;
    struct hook_record r;
    struct hooks *h = start_script("echo \"$AMPLEDGER_TEXT\" >>order; "
                                   "[ \"$AMPLEDGER_TEXT\" != first ] || sleep 0.5",
                                   &quick);
    tell(h, HOOK_START, "first");
    pause_ms(250);
    tell(h, HOOK_END, "later");
    tell(h, HOOK_TRIP, "trip");
    tell(h, HOOK_ALARM, "alarm");
    await_records(h, 4, &r);
    hooks_stop(h);
    char *order = contents("order");
    assert_string_equal(order, "first\nalarm\ntrip\nlater\n");
    free(order);
}

static void what_waits_is_told_before_leaving(void **state)
{
    (void)state;
    struct hooks *h = start_script("sleep 0.1; echo x >>leaving", &quick);
    for (int i = 0; i < 4; i++) {
        tell(h, HOOK_END, "done");
    }
    hooks_stop(h);
    char *told = contents("leaving");
    assert_string_equal(told, "x\nx\nx\nx\n");
    free(told);
}

static void the_newest_hundred_are_kept_and_no_descriptor(void **state)
{
    (void)state;
    static struct hook_record all[HOOK_RECORDS + 1];
    char *argv[] = {"/bin/true", NULL};
    struct hook_record r;
    size_t before = open_descriptors();
    struct hooks *h = start_hooks(argv, "", &quick);
    for (size_t i = 0; i < 105; i++) {
        tell(h, i == 104 ? HOOK_ALARM : HOOK_END, "done");
        await_records(h, i < 99 ? i + 1 : HOOK_RECORDS, &r);
        pause_ms(i < 99 ? 0 : 30);
    }
    for (int i = 0; i < 400 && r.kind != HOOK_ALARM; i++) {
        pause_ms(10);
        await_records(h, HOOK_RECORDS, &r);
    }
    assert_int_equal(hooks_list(h, all, HOOK_RECORDS + 1), HOOK_RECORDS);
    assert_int_equal(all[0].kind, HOOK_ALARM);
    assert_int_equal(all[1].kind, HOOK_END);
    assert_true(all[0].at_utc_ns >= all[99].at_utc_ns);
    assert_int_equal(hooks_list(h, all, 3), 3);
    hooks_stop(h);
    assert_int_equal(open_descriptors(), before);
}

static void only_what_is_chosen_is_told(void **state)
{
    (void)state;
    char *path = script("tell", "echo \"$AMPLEDGER_EVENT\" >>chosen");
    char *argv[] = {path, NULL};
    struct hooks_config c = {.command = argv, .on = {[HOOK_TRIP] = true}};
    struct hooks *h = NULL;
    struct err e = {0};
    assert_true(hooks_start(&c, YARD, &quick, &h, &e));
    tell(h, HOOK_START, "");
    tell(h, HOOK_TRIP, "");
    tell(h, HOOK_ALARM, "");
    hooks_stop(h);
    free(path);
    char *chosen = contents("chosen");
    assert_string_equal(chosen, "trip\n");
    free(chosen);
    hooks_tell(NULL, &(struct hook_event){.kind = HOOK_TRIP});
    hooks_stop(NULL);
    assert_int_equal(hooks_list(NULL, NULL, 0), 0);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--describe") == 0) {
        return describe_myself(argv[2]);
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_of_the_daemon_leaks_into_it),
        cmocka_unit_test(arguments_environment_and_document_reach_it),
        cmocka_unit_test(past_its_time_its_whole_group_is_killed),
        cmocka_unit_test(failures_are_told),
        cmocka_unit_test(a_flood_of_output_ends_nobody),
        cmocka_unit_test(nobody_waits_while_a_command_hangs),
        cmocka_unit_test(an_alarm_is_told_before_what_waited_longer),
        cmocka_unit_test(what_waits_is_told_before_leaving),
        cmocka_unit_test(the_newest_hundred_are_kept_and_no_descriptor),
        cmocka_unit_test(only_what_is_chosen_is_told),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
