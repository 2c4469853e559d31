/* SPDX-License-Identifier: GPL-3.0-or-later
 * daemon: ampledgerd: a keeper that starts a worker. The worker switches off what
 * may be on, starts everything in order, waits for a signal, and stops: outputs
 * off (run), nobody may order any more (web), all written (store). */
#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "base/version.h"
#include "bench/bench.h"
#include "daemon/keeper.h"
#include "profile/profile.h"
#include "run/keeper_line.h"
#include "run/run.h"
#include "store/store.h"
#include "web/web.h"

#include <errno.h>
#include <getopt.h>
#include <malloc.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define DEFAULT_BENCH "/etc/ampledger/bench.yaml"

static const char usage[] =
    "ampledgerd - drives loads and supplies through unattended battery tests\n"
    "\n"
    "  ampledgerd --bench bench.yaml            run with this bench\n"
    "  ampledgerd --bench bench.yaml --check    read the file, its drivers and its profiles,\n"
    "                                           say what is wrong, open nothing\n"
    "\n"
    "  --bench FILE   the stands and their instruments (default " DEFAULT_BENCH ")\n"
    "  --http PLACE   serve the page there, instead of where the bench file's `http` says: 8470,\n"
    "                 127.0.0.1:8470, [::1]:8470; other addresses only once there is a token\n"
    "  --log LEVEL    error, warn, info (default), debug, wire (every byte)\n"
    "  --version, --help\n"
    "\n"
    "SIGTERM or Ctrl-C: every output off and confirmed, everything written, then it leaves.\n"
    "Exit status: 0 left on request, 2 usage or bad file, 5 internal.\n";

struct arguments {
    const char *bench;
    char http[HTTP_ADDRESS_SIZE]; /* "": what the bench file says */
    bool check;
};

struct house {
    struct bench *bench;
    struct store *store;
    struct clock *clock;
    struct keeper_line *keeper;
    struct hooks *hooks;
    struct run_host *host;
    struct web *web;
};

/* Returns -1 to go on, else the exit status. */
static int read_arguments(int argc, char **argv, struct arguments *a)
{
    static const struct option options[] = {
        {"bench", required_argument, NULL, 'b'},
        {"check", no_argument, NULL, 'c'},
        {"log", required_argument, NULL, 'l'},
        {"help", no_argument, NULL, 'h'},
        {"version", no_argument, NULL, 'v'},
        {"http", required_argument, NULL, 'p'},
        {NULL, 0, NULL, 0},
    };
    enum log_level level = LOG_INFO;
    struct err e = {0};
    int o = 0;
    while ((o = getopt_long(argc, argv, "", options, NULL)) != -1) {
        switch (o) {
        case 'b':
            a->bench = optarg;
            break;
        case 'c':
            a->check = true;
            break;
        case 'l':
            if (!log_level_parse(optarg, &level)) {
                fprintf(stderr, "ampledgerd: --log %s: it is error, warn, info, debug or wire\n",
                        optarg);
                return 2;
            }
            break;
        case 'p':
            if (!bench_http_parse(optarg, a->http, &e)) {
                fprintf(stderr, "ampledgerd: --http: %s\n", e.text);
                return 2;
            }
            break;
        case 'h':
            fputs(usage, stdout);
            return 0;
        case 'v':
            puts("ampledgerd " AMPLEDGER_VERSION);
            return 0;
        default:
            fputs("ampledgerd: see ampledgerd --help\n", stderr);
            return 2;
        }
    }
    if (optind < argc) {
        fprintf(stderr, "ampledgerd: \"%s\" is not understood; see ampledgerd --help\n",
                argv[optind]);
        return 2;
    }
    log_set_level(level);
    return -1;
}

static void check_report(const struct bench *b)
{
    printf("%s: good: %zu stand%s, %zu driver%s\n", b->path, b->stand_count,
           b->stand_count == 1 ? "" : "s", b->driver_count, b->driver_count == 1 ? "" : "s");
    for (size_t i = 0; i < b->stand_count; i++) {
        printf("  %s:", b->stands[i].name);
        for (int role = 0; role < 4; role++) {
            const struct instrument *instrument = b->stands[i].instrument[role];
            if (instrument != NULL) {
                printf(" %s (%s on %s)", role_names[role], instrument_driver(instrument)->name,
                       instrument_link_address(instrument));
            }
        }
        printf("\n");
    }
}

static void tell_interrupted(struct house *h, int count)
{
    struct hook_event event = hook_event_blank(HOOK_ALARM);
    event.at_utc_ns = clock_utc_ns(h->clock);
    text_format(event.reason, sizeof event.reason, "interrupted");
    text_format(event.text, sizeof event.text,
                "%d run%s had been cut off when the daemon ended; outputs are being made safe",
                count, count == 1 ? "" : "s");
    hooks_tell(h->hooks, &event);
}

static bool note_interrupted_runs(struct house *h, struct err *e)
{
    int count = 0;
    if (!store_mark_interrupted(h->store, clock_utc_ns(h->clock), &count, e)) {
        return false;
    }
    if (count > 0) {
        log_warn("%d run%s had been cut off when the daemon ended; marked interrupted", count,
                 count == 1 ? "" : "s");
        tell_interrupted(h, count);
    }
    return true;
}

static void tell_page(struct house *h)
{
    struct bench_http http = h->bench->http;
    char text[HTTP_WORDS_SIZE];
    text_format(http.address, sizeof http.address, "%s", web_http(h->web));
    if (http.address[0] != '\0') {
        bench_http_words(&http, text);
        log_info("%s", text);
    }
}

static void say_ready(struct house *h)
{
    char text[256];
    text_format(text, sizeof text, "%s: %zu stand%s, nothing running", h->bench->title,
                h->bench->stand_count, h->bench->stand_count == 1 ? "" : "s");
    keeper_line_say(h->keeper, KEEPER_READY, text);
}

static bool move_in(struct house *h, struct err *e)
{
    double speed = 1;
    if (!store_open(h->bench->database, &h->store, e)) {
        return false;
    }
    if (isfinite(h->bench->record_within_s)) {
        store_set_patience(h->store, h->bench->record_within_s);
    }
    if (!bench_clock(h->bench, &h->clock, &speed, e) ||
        !hooks_start(&h->bench->events, h->bench->title, NULL, &h->hooks, e) ||
        !note_interrupted_runs(h, e)) {
        return false;
    }
    struct run_host_config host = {.bench = h->bench,
                                   .store = h->store,
                                   .clock = h->clock,
                                   .keeper = h->keeper,
                                   .hooks = h->hooks};
    if (!run_host_start(&host, &h->host, e)) {
        return false;
    }
    struct web_config web = {.host = h->host,
                             .store = h->store,
                             .bench = h->bench,
                             .socket_path = h->bench->socket,
                             .http = &h->bench->http,
                             .hooks = h->hooks,
                             .clock = h->clock};
    if (!web_start(&web, &h->web, e)) {
        return false;
    }
    log_info("ampledgerd %s: bench \"%s\", database %s, socket %s", AMPLEDGER_VERSION,
             h->bench->title, h->bench->database, h->bench->socket);
    tell_page(h);
    say_ready(h);
    if (speed > 1) {
        log_warn("time runs up to %g times faster: virtual bench", speed);
    }
    return true;
}

/* Outputs first; orders that still come are refused meanwhile. */
static void move_out(struct house *h)
{
    run_host_quit(h->host);
    web_stop(h->web);
    run_host_free(h->host);
    hooks_stop(h->hooks);
    store_close(h->store);
    clock_free(h->clock);
    bench_free(h->bench);
    keeper_line_free(h->keeper);
}

static int fail(const struct err *e)
{
    fprintf(stderr, "ampledgerd: %s\n", e->text);
    return err_exit_status(e->code) == 5 ? 5 : 2;
}

/* The first run of all: say what is missing, and how to get one. */
static int fail_to_load(const struct arguments *a, const struct err *e)
{
    if (access(a->bench, F_OK) == 0 || errno != ENOENT) {
        return fail(e);
    }
    fprintf(stderr,
            "ampledgerd: there is no bench file %s yet. It names the stands and their "
            "instruments.\n"
            "One to begin with, made from what is connected (it asks every port *IDN?):\n"
            "    ampledger ports --propose >%s\n"
            "Then look at every line, and: ampledgerd --bench %s --check\n"
            "Without instruments: ampledger-virtual --help\n",
            a->bench, a->bench, a->bench);
    return 2;
}

/* Before anything else, the database above all: what a dead daemon left on goes
 * off. Blind and short; each stand's thread confirms it. Ports that another
 * daemon holds cannot be opened and are left to it. */
static void all_off(struct bench *b)
{
    for (size_t i = 0; i < b->stand_count; i++) {
        stand_send_off(&b->stands[i]);
    }
}

/* The daemon leaves without having taken the stands over: say what is not off. */
static void confirm_off(struct house *h)
{
    for (size_t i = 0; h->bench != NULL && h->host == NULL && i < h->bench->stand_count; i++) {
        struct err e = {0};
        if (!stand_make_safe(&h->bench->stands[i], 1, &e) && e.code != ERR_LINK_LOST) {
            log_error("%s: OUTPUT NOT CONFIRMED OFF, disconnect the battery by hand: %s",
                      h->bench->stands[i].name, e.text);
        }
    }
}

/* Beats every second while the stands' threads turn, until a signal comes: returns
 * it. Without beats the keeper ends this process. */
static int beat_until(struct house *h, _Atomic uint32_t *beats, const sigset_t *wanted)
{
    const struct timespec second = {.tv_sec = 1};
    int caught = -1;
    while (caught < 0) {
        if (run_host_turns(h->host)) {
            atomic_fetch_add(beats, 1);
        }
        caught = sigtimedwait(wanted, NULL, &second);
    }
    return caught;
}

/* As many pools of memory as threads would mean that each keeps what it once needed, to read
 * a profile or the database; from one, another thread takes it. What goes on with each sample
 * and until off takes none: who has the pool may be a thread that other programs hold up. */
static void share_memory(void)
{
    mallopt(M_ARENA_MAX, 1);
}

/* What the command line says in place of the bench file. */
static void apply(const struct arguments *a, struct bench *b)
{
    if (a->http[0] != '\0') {
        memcpy(b->http.address, a->http, sizeof b->http.address);
    }
}

static int work(void *context, const struct keeper_tie *tie)
{
    const struct arguments *a = context;
    struct house h = {.keeper = keeper_line_new(tie->line_fd, tie->page)};
    struct err e = {0};
    sigset_t wanted; /* blocked by the keeper before the fork, so only sigwait() sees them */
    int status = 0;
    share_memory();
    sigemptyset(&wanted);
    sigaddset(&wanted, SIGTERM);
    sigaddset(&wanted, SIGINT);
    signal(SIGPIPE, SIG_IGN);
    bool loaded = bench_load(a->bench, &h.bench, &e);
    if (loaded) {
        apply(a, h.bench);
        all_off(h.bench);
    }
    if (loaded && move_in(&h, &e)) {
        int caught = beat_until(&h, &tie->page->beats, &wanted);
        log_info("%s: switching everything off", strsignal(caught));
    } else {
        confirm_off(&h); /* before words that may wait for the log's disk */
        status = loaded ? fail(&e) : fail_to_load(a, &e);
    }
    move_out(&h);
    return status;
}

/* All of them, since a person mends all of them; returns how many are wrong. A bench
 * without the folder is good: profiles may come later. */
static size_t check_profiles(const char *dir)
{
    struct profile_names all;
    struct err e = {0};
    size_t wrong = 0;
    if (!profile_names(dir, &all, &e)) {
        printf("%s: no profiles: %s\n", dir, e.text);
        return 0;
    }
    for (size_t i = 0; i < all.count; i++) {
        struct profile *p = NULL;
        if (!profile_find(dir, all.name[i], false, &p, &e)) {
            fail(&e);
            wrong++;
        }
        profile_free(p);
    }
    printf("%s: %zu of %zu profile%s good\n", dir, all.count - wrong, all.count,
           all.count == 1 ? "" : "s");
    profile_names_free(&all);
    return wrong;
}

static bool check_http(const struct bench *b)
{
    struct web_warnings w;
    struct err e = {0};
    bool ok = web_check_http(b, &w, &e);
    if (!ok) {
        fail(&e);
    }
    for (size_t i = 0; i < w.n; i++) {
        printf("warning: %s\n", w.item[i].text);
    }
    return ok;
}

static int check(const struct arguments *a)
{
    struct bench *bench = NULL;
    struct err e = {0};
    if (!bench_load(a->bench, &bench, &e)) {
        return fail_to_load(a, &e);
    }
    apply(a, bench);
    check_report(bench);
    size_t wrong = check_profiles(bench->profiles_dir);
    bool is_good = check_http(bench) && wrong == 0;
    bench_free(bench);
    return is_good ? 0 : 2;
}

int main(int argc, char **argv)
{
    struct arguments a = {.bench = DEFAULT_BENCH};
    int status = read_arguments(argc, argv, &a);
    if (status >= 0) {
        return status;
    }
    return a.check ? check(&a) : keeper_run(work, &a);
}
