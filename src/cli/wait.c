/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/wait: stays with a run until it has ended, showing its progress. Ctrl-C
 * ends the waiting, never the run. */
#include "cli/wait.h"

#include "base/clock.h"
#include "cli/ask.h"
#include "cli/progress.h"
#include "cli/run_text.h"
#include "cli/stand_text.h"
#include "cli/words.h"

#include <errno.h>
#include <signal.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#define LOOK_EVERY_MS 500

struct waiting {
    const struct cli *c;
    struct client *client;
    const char *stand, *run_id;
    char stand_path[CLIENT_PATH_SIZE], run_path[CLIENT_PATH_SIZE];
    struct clock *clock;
    struct progress progress;
};

/* Written by the signal handler, which can reach nothing else. */
static int interrupt_fd = -1;

static void on_interrupt(int signal_number)
{
    (void)signal_number;
    int before = errno;
    uint64_t one = 1;
    ssize_t written = write(interrupt_fd, &one, sizeof one);
    (void)written; /* the descriptor is readable already, or there is none */
    errno = before;
}

static bool watch_for_interrupt(struct sigaction *before, struct err *e)
{
    struct sigaction action = {.sa_handler = on_interrupt};
    interrupt_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (interrupt_fd < 0) {
        return err_set_errno(e, errno, "make a descriptor for Ctrl-C");
    }
    sigemptyset(&action.sa_mask);
    return sigaction(SIGINT, &action, before) == 0 || err_set_errno(e, errno, "listen for Ctrl-C");
}

/* False when interrupted. */
static bool pause_a_little(struct waiting *w)
{
    return clock_wait_until(w->clock, clock_now_ns(w->clock) + LOOK_EVERY_MS * NS_PER_MS,
                            interrupt_fd);
}

/* The stand tells how far it is; the run itself tells when it has ended. */
static bool look(struct waiting *w, json_t **run, struct err *e)
{
    json_t *stand = NULL;
    *run = NULL;
    if (!client_get(w->client, w->stand_path, &stand, e)) {
        return false;
    }
    const json_t *its = json_object_get(stand, "run");
    bool ours = strcmp(text_at(its, "id"), w->run_id) == 0;
    if (ours && strcmp(text_at(its, "outcome"), "running") == 0) {
        progress_show(&w->progress, stand, clock_real_ns());
        json_decref(stand);
        return true;
    }
    json_decref(stand);
    if (!client_get(w->client, w->run_path, run, e)) {
        return false;
    }
    if (strcmp(text_at(*run, "outcome"), "running") == 0) { /* just beginning or ending */
        json_decref(*run);
        *run = NULL;
    }
    return true;
}

static int show_result(const struct cli *c, const json_t *run)
{
    if (c->json) {
        json_t *document = run_document(run);
        print_json(document);
        json_decref(document);
    } else {
        run_print(run, stdout);
    }
    return run_exit_status(run);
}

static int left(struct waiting *w)
{
    fprintf(stderr,
            "The run goes on without this window.\n"
            "  see it again:  ampledger watch %s\n"
            "  end it:        ampledger stop %s\n",
            w->stand, w->stand);
    return EXIT_LEFT;
}

/* The row of batteries goes on. */
static void tell_next(struct waiting *w)
{
    json_t *stand = NULL;
    struct err e = {0};
    if (!w->c->json && client_get(w->client, w->stand_path, &stand, &e)) {
        stand_print_next(stand, stdout);
    }
    json_decref(stand);
}

static int follow(struct waiting *w, const char *verb)
{
    json_t *run = NULL;
    struct err e = {0};
    bool interrupted = false;
    bool ok = look(w, &run, &e);
    while (ok && run == NULL && !interrupted) {
        interrupted = !pause_a_little(w);
        ok = interrupted || look(w, &run, &e);
    }
    progress_end(&w->progress);
    if (!ok) {
        err_prefix(&e, "what becomes of run %s is not known here", w->run_id);
        return cli_fail(verb, &e);
    }
    if (interrupted) {
        return left(w);
    }
    int status = show_result(w->c, run);
    tell_next(w);
    json_decref(run);
    return status;
}

int wait_for_run(const struct cli *c, const struct wait_wanted *wanted)
{
    struct waiting w = {
        .c = c, .client = wanted->client, .stand = wanted->stand, .run_id = wanted->run_id};
    struct sigaction before;
    struct err e = {0};
    FILE *f = c->json ? stderr : stdout;
    if (!client_path(w.stand_path, "/v1/stands/", w.stand, "", &e) ||
        !client_path(w.run_path, "/v1/runs/", w.run_id, "", &e) ||
        !watch_for_interrupt(&before, &e)) {
        return cli_fail(wanted->verb, &e);
    }
    w.clock = clock_new_real();
    progress_start(&w.progress, f, isatty(fileno(f)) == 1);
    int status = follow(&w, wanted->verb);
    sigaction(SIGINT, &before, NULL);
    close(interrupt_fd);
    clock_free(w.clock);
    return status;
}
