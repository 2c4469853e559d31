/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/wait: looks at the stands twice a second until every run that is meant has ended. */
#include "cli/wait.h"

#include "base/clock.h"
#include "base/file.h"
#include "cli/ask.h"
#include "cli/progress.h"
#include "cli/run_text.h"
#include "cli/screen.h"
#include "cli/stand_text.h"
#include "cli/words.h"

#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#define LOOK_EVERY_MS 500
#define CURVE_POINTS 1024 /* asked for of what a run measured before */

struct followed {
    const char *stand, *run_id;
    char stand_path[CLIENT_PATH_SIZE], run_path[CLIENT_PATH_SIZE];
    struct progress progress;
    struct curve voltage;
    json_t *now; /* the stand, as it was seen last */
    json_t *run; /* its whole document, once it has ended */
    char became[300];
};

struct waiting {
    const struct cli *c;
    struct client *client;
    struct clock *clock;
    FILE *f;
    bool draws;
    struct screen screen;
    size_t n;
    struct followed *run; /* n, owned */
};

/* --- signals --- */

/* Written by the signal handler, which can reach nothing else. */
static int signal_fd = -1;
static volatile sig_atomic_t ended, stopped;

static void on_signal(int signal_number)
{
    int before = errno;
    uint64_t one = 1;
    ended = ended || signal_number == SIGINT || signal_number == SIGTERM;
    stopped = stopped || signal_number == SIGTSTP;
    ssize_t written = write(signal_fd, &one, sizeof one);
    (void)written; /* the descriptor is readable already, or there is none */
    errno = before;
}

/* A change of the window's size is looked at at once; Ctrl-Z leaves the screen first. */
static const int signals[] = {SIGINT, SIGTERM, SIGWINCH, SIGTSTP};
#define SIGNALS (sizeof signals / sizeof signals[0])

static bool listen_for_signals(struct sigaction before[SIGNALS], struct err *e)
{
    struct sigaction action = {.sa_handler = on_signal};
    signal_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    ended = stopped = 0;
    if (signal_fd < 0) {
        return err_set_errno(e, errno, "make a descriptor for Ctrl-C");
    }
    sigemptyset(&action.sa_mask);
    for (size_t i = 0; i < SIGNALS; i++) {
        sigaction(signals[i], &action, &before[i]);
    }
    return true;
}

static void listen_no_more(const struct sigaction before[SIGNALS])
{
    for (size_t i = 0; i < SIGNALS; i++) {
        sigaction(signals[i], &before[i], NULL);
    }
    close(signal_fd);
}

static void pause_a_little(struct waiting *w)
{
    uint64_t count = 0;
    clock_wait_until(w->clock, clock_now_ns(w->clock) + LOOK_EVERY_MS * NS_PER_MS, signal_fd);
    ssize_t got = read(signal_fd, &count, sizeof count);
    (void)got; /* nothing there: the time is over */
    if (stopped) {
        stopped = 0;
        screen_leave(&w->screen);
        raise(SIGSTOP);
        if (w->draws) {
            screen_enter(&w->screen, w->f);
        }
    }
}

/* --- what is known of a run --- */

/* What it measured before this window was opened. */
static void read_curve(struct waiting *w, struct followed *r)
{
    char after[64], path[CLIENT_PATH_SIZE];
    json_t *curve = NULL;
    struct err none = {0};
    text_format(after, sizeof after, "/curve?points=%d", CURVE_POINTS);
    if (!client_path(path, "/v1/runs/", r->run_id, after, &none) ||
        !client_get(w->client, path, &curve, &none)) {
        return; /* then it begins here */
    }
    const json_t *t = json_object_get(curve, "t_s"), *v = json_object_get(curve, "voltage_V");
    for (size_t i = 0; i < json_array_size(t); i++) {
        curve_add(&r->voltage, json_number_value(json_array_get(t, i)),
                  json_is_number(json_array_get(v, i)) ? json_number_value(json_array_get(v, i))
                                                       : (double)NAN);
    }
    json_decref(curve);
}

static void take_reading(struct followed *r)
{
    const json_t *reading = json_object_get(r->now, "reading");
    curve_add(&r->voltage, number_at(json_object_get(r->now, "run"), "elapsed_s"),
              number_at(reading, "voltage_V"));
}

static void say_what_became(struct followed *r)
{
    const json_t *result = json_object_get(r->run, "result");
    struct words enough = words_enough(result);
    const char *more = is_whole(r->run) ? text_at(result, "verdict") : enough.s;
    text_format(r->became, sizeof r->became, "ended: %s%s%s", text_at(r->run, "outcome"),
                more[0] != '\0' ? ", " : "", more);
}

/* The stand tells how far it is; the run itself tells when it has ended. */
static bool look_at(struct waiting *w, struct followed *r, struct err *e)
{
    json_t *stand = NULL;
    if (!client_get(w->client, r->stand_path, &stand, e)) {
        return false;
    }
    const json_t *its = json_object_get(stand, "run");
    bool ours = strcmp(text_at(its, "id"), r->run_id) == 0;
    if (ours || r->now == NULL) {
        json_decref(r->now);
        r->now = json_incref(stand);
    }
    bool runs = ours && strcmp(text_at(its, "outcome"), "running") == 0;
    json_decref(stand);
    if (runs) {
        take_reading(r);
        return true;
    }
    json_t *run = NULL;
    if (!client_get(w->client, r->run_path, &run, e)) {
        return false;
    }
    if (strcmp(text_at(run, "outcome"), "running") == 0) { /* just beginning or ending */
        json_decref(run);
        return true;
    }
    r->run = run;
    say_what_became(r);
    return true;
}

static bool look(struct waiting *w, struct err *e)
{
    for (size_t i = 0; i < w->n; i++) {
        if (w->run[i].run == NULL && !look_at(w, &w->run[i], e)) {
            return err_prefix(e, "what becomes of run %s is not known here", w->run[i].run_id);
        }
    }
    return true;
}

static bool all_ended(const struct waiting *w)
{
    size_t n = 0;
    while (n < w->n && w->run[n].run != NULL) {
        n++;
    }
    return n == w->n;
}

/* --- showing --- */

static void draw(struct waiting *w)
{
    struct screen_stand stands[WAIT_RUNS_MAX];
    for (size_t i = 0; i < w->n; i++) {
        const struct followed *r = &w->run[i];
        stands[i] = (struct screen_stand){r->now, &r->voltage, r->run != NULL ? r->became : NULL};
    }
    screen_show(&w->screen, stands, w->n);
}

static void show(struct waiting *w)
{
    if (w->draws) {
        draw(w);
        return;
    }
    for (size_t i = 0; i < w->n; i++) {
        if (w->run[i].run == NULL) {
            progress_show(&w->run[i].progress, w->run[i].now, clock_real_ns());
        }
    }
}

static int left(const struct waiting *w)
{
    fprintf(stderr, w->n == 1 ? "The run goes on without this window.\n"
                              : "The runs go on without this window.\n");
    for (size_t i = 0; i < w->n; i++) {
        if (w->run[i].run == NULL) {
            fprintf(stderr,
                    "  see it again:  ampledger watch %s\n  end it:        ampledger stop %s\n",
                    w->run[i].stand, w->run[i].stand);
        }
    }
    return EXIT_LEFT;
}

/* The row of batteries goes on. */
static void tell_next(struct waiting *w, const struct followed *r)
{
    json_t *stand = NULL;
    struct err e = {0};
    if (client_get(w->client, r->stand_path, &stand, &e)) {
        stand_print_next(stand, stdout);
    }
    json_decref(stand);
}

static void print_documents(const struct waiting *w)
{
    json_t *list = json_array();
    for (size_t i = 0; i < w->n; i++) {
        json_array_append_new(list, run_document(w->run[i].run));
    }
    json_t *all = json_pack("{s:o}", "runs", list);
    print_json(w->n == 1 ? json_array_get(list, 0) : all);
    json_decref(all);
}

static int show_results(struct waiting *w)
{
    int status = EXIT_DONE;
    if (w->c->json) {
        print_documents(w);
    }
    for (size_t i = 0; i < w->n; i++) {
        const struct followed *r = &w->run[i];
        int its = run_exit_status(r->run);
        status = its > status ? its : status;
        if (!w->c->json && w->n == 1) {
            run_print(r->run, stdout);
        } else if (!w->c->json) {
            run_headline(r->run, stdout);
        }
        if (!w->c->json) {
            tell_next(w, r);
        }
    }
    return status;
}

static int follow(struct waiting *w, const char *verb)
{
    struct err e = {0};
    bool ok = look(w, &e);
    if (ok && w->draws && !all_ended(w)) {
        screen_enter(&w->screen, w->f);
    }
    while (ok && !ended && !all_ended(w)) {
        show(w);
        pause_a_little(w);
        ok = ended || look(w, &e);
    }
    screen_leave(&w->screen);
    if (!ok) {
        return cli_fail(verb, &e);
    }
    return all_ended(w) ? show_results(w) : left(w);
}

static bool begin(struct waiting *w, const struct wait_wanted *wanted, struct err *e)
{
    w->run = zalloc(wanted->n * sizeof *w->run);
    w->n = wanted->n;
    w->f = w->c->json ? stderr : stdout;
    w->draws = screen_is_possible(w->f);
    for (size_t i = 0; i < w->n; i++) {
        struct followed *r = &w->run[i];
        r->stand = wanted->run[i].stand;
        r->run_id = wanted->run[i].run_id;
        progress_start(&r->progress, w->f);
        curve_start(&r->voltage);
        if (!client_path(r->stand_path, "/v1/stands/", r->stand, "", e) ||
            !client_path(r->run_path, "/v1/runs/", r->run_id, "", e)) {
            return false;
        }
        if (w->draws) {
            read_curve(w, r);
        }
    }
    return true;
}

int wait_for_runs(const struct cli *c, const struct wait_wanted *wanted)
{
    struct waiting w = {.c = c, .client = wanted->client};
    struct sigaction before[SIGNALS];
    struct err e = {0};
    int status = EXIT_DONE;
    if (!begin(&w, wanted, &e) || !listen_for_signals(before, &e)) {
        status = cli_fail(wanted->verb, &e);
    } else {
        w.clock = clock_new_real();
        status = follow(&w, wanted->verb);
        listen_no_more(before);
        clock_free(w.clock);
    }
    for (size_t i = 0; i < w.n; i++) {
        json_decref(w.run[i].now);
        json_decref(w.run[i].run);
    }
    free(w.run);
    return status;
}
