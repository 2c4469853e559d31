/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks: the thread that tells. Its turn(): begin what is due, wait for
 * whatever comes first, take in what is done. */
#include "hooks/hooks.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"
#include "hooks/command.h"
#include "hooks/facts.h"
#include "hooks/post.h"
#include "hooks/queue.h"

#include <curl/curl.h>
#include <errno.h>
#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#define WAIT_MOST_MS 60000
#define LOOK_AGAIN_MS 50 /* for a command without a pidfd */

extern char **environ;

const char *const hook_kind_names[] = {"start", "hold", "end", "trip", "alarm", NULL};

const struct hooks_pace hooks_pace_default = {
    .command_ms = 30000,
    .post_ms = 10000,
    .pause_ms = {5000, 15000, 30000, 60000},
    .flush_ms = 3000,
};

/* What a lane is telling just now. */
struct telling {
    uint64_t id;
    struct hook_event event;
    int tries;
};

struct hooks {
    struct hooks_config config;
    struct hooks_pace pace;
    char *title;
    pthread_t thread;
    int wake_fd;

    pthread_mutex_t lock; /* guards all below, held only for copying */
    struct queue queue;
    bool stopping;
    int64_t stop_ns; /* when stopping: the thread leaves by then */
    struct hook_record record[HOOK_RECORDS];
    size_t recorded; /* since the start; the newest is at (recorded - 1) % HOOK_RECORDS */

    /* of the thread alone */
    struct telling telling[LANES];
    struct command command;
    struct post *post;
    uint64_t dropped_told;
};

/* --- what anybody may call --- */

bool hook_kind_parse(const char *word, enum hook_kind *out)
{
    for (int i = 0; i < HOOK_KINDS; i++) {
        if (strcmp(word, hook_kind_names[i]) == 0) {
            *out = (enum hook_kind)i;
            return true;
        }
    }
    return false;
}

struct hook_event hook_event_blank(enum hook_kind kind)
{
    return (struct hook_event){
        .kind = kind, .value = (double)NAN, .limit = (double)NAN, .at_s = (double)NAN};
}

void hooks_config_clear(struct hooks_config *c)
{
    for (size_t i = 0; c->command != NULL && c->command[i] != NULL; i++) {
        free(c->command[i]);
    }
    free(c->command);
    *c = (struct hooks_config){0};
}

bool hooks_check_url(const char *url, struct err *e)
{
    CURLU *parts = curl_url();
    char *scheme = NULL;
    bool ok = parts != NULL && curl_url_set(parts, CURLUPART_URL, url, 0) == CURLUE_OK &&
              curl_url_get(parts, CURLUPART_SCHEME, &scheme, 0) == CURLUE_OK &&
              (strcmp(scheme, "http") == 0 || strcmp(scheme, "https") == 0);
    curl_free(scheme);
    curl_url_cleanup(parts);
    if (!ok) {
        return err_set(e, ERR_CONFIG,
                       "\"%s\" is not a URL to post to; write it like http://127.0.0.1:8080/hook",
                       url);
    }
    return true;
}

static void wake(struct hooks *h)
{
    uint64_t one = 1;
    ssize_t written = write(h->wake_fd, &one, sizeof one); /* full means: it wakes anyway */
    (void)written;
}

void hooks_tell(struct hooks *h, const struct hook_event *event)
{
    if (h == NULL || !h->config.on[event->kind]) {
        return;
    }
    const bool wanted[LANES] = {
        [LANE_COMMAND] = h->config.command != NULL,
        [LANE_POST] = h->config.post[0] != '\0',
    };
    pthread_mutex_lock(&h->lock);
    queue_put(&h->queue, event, wanted);
    pthread_mutex_unlock(&h->lock);
    wake(h);
}

size_t hooks_list(struct hooks *h, struct hook_record *out, size_t max)
{
    size_t n = 0;
    if (h == NULL) {
        return 0;
    }
    pthread_mutex_lock(&h->lock);
    while (n < max && n < h->recorded && n < HOOK_RECORDS) {
        out[n] = h->record[(h->recorded - 1 - n) % HOOK_RECORDS];
        n++;
    }
    pthread_mutex_unlock(&h->lock);
    return n;
}

uint64_t hooks_dropped(struct hooks *h)
{
    if (h == NULL) {
        return 0;
    }
    pthread_mutex_lock(&h->lock);
    uint64_t dropped = h->queue.dropped;
    pthread_mutex_unlock(&h->lock);
    return dropped;
}

/* --- the thread --- */

static const char *lane_name(enum lane lane)
{
    return lane == LANE_POST ? "post" : "command";
}

/* Write down how it went: the lane is done with this event. */
static void settle(struct hooks *h, enum lane lane, bool ok, const char *text)
{
    const struct telling *t = &h->telling[lane];
    struct hook_record r = {
        .at_utc_ns = clock_real_utc_ns(),
        .kind = t->event.kind,
        .by_post = lane == LANE_POST,
        .ok = ok,
        .tries = t->tries,
    };
    text_format(r.stand, sizeof r.stand, "%s", t->event.stand);
    strcpy(r.said, t->event.text);
    text_format(r.text, sizeof r.text, "%s", text);
    pthread_mutex_lock(&h->lock);
    queue_done(&h->queue, t->id, lane);
    h->record[h->recorded++ % HOOK_RECORDS] = r;
    pthread_mutex_unlock(&h->lock);
    if (ok) {
        log_debug("events: %s of %s told by %s: %s", hook_kind_names[r.kind], r.stand,
                  lane_name(lane), text);
    } else {
        log_warn("events: %s of %s NOT told by %s after %d tr%s: %s", hook_kind_names[r.kind],
                 r.stand, lane_name(lane), r.tries, r.tries == 1 ? "y" : "ies", text);
    }
}

static bool take(struct hooks *h, enum lane lane)
{
    pthread_mutex_lock(&h->lock);
    const struct delivery *d = queue_take(&h->queue, lane, clock_real_ns());
    if (d != NULL) {
        h->telling[lane] =
            (struct telling){.id = d->id, .event = d->event, .tries = d->lane[lane].tries};
    }
    pthread_mutex_unlock(&h->lock);
    return d != NULL;
}

static void begin_command(struct hooks *h)
{
    struct err e = {0};
    if (h->command.pid != 0 || !take(h, LANE_COMMAND)) {
        return;
    }
    const struct hook_event *event = &h->telling[LANE_COMMAND].event;
    char *document = facts_json(event, h->title);
    char **environment = facts_environment(event, h->title, environ);
    struct command_wanted wanted = {.argv = h->config.command,
                                    .environment = environment,
                                    .document = document,
                                    .limit_ms = h->pace.command_ms};
    if (!command_begin(&h->command, &wanted, &e)) {
        settle(h, LANE_COMMAND, false, e.text);
    }
    facts_environment_free(environment);
    free(document);
}

static void begin_post(struct hooks *h)
{
    struct err e = {0};
    if (post_is_busy(h->post) || !take(h, LANE_POST)) {
        return;
    }
    char *document = facts_json(&h->telling[LANE_POST].event, h->title);
    if (!post_begin(h->post, document, &e)) {
        settle(h, LANE_POST, false, e.text);
    }
    free(document);
}

static bool is_stopping(struct hooks *h, int64_t *until_ns)
{
    pthread_mutex_lock(&h->lock);
    bool stopping = h->stopping;
    *until_ns = h->stop_ns;
    pthread_mutex_unlock(&h->lock);
    return stopping;
}

static void end_post(struct hooks *h, const struct post_result *r)
{
    const struct telling *t = &h->telling[LANE_POST];
    int64_t stop_ns = 0;
    if (r->ok || !r->try_again || t->tries >= HOOK_TRIES || is_stopping(h, &stop_ns)) {
        settle(h, LANE_POST, r->ok, r->text);
        return;
    }
    int pause_ms = h->pace.pause_ms[t->tries - 1];
    log_info("events: %s of %s not posted yet (try %d of %d, next in %g s): %s",
             hook_kind_names[t->event.kind], t->event.stand, t->tries, HOOK_TRIES,
             (double)pause_ms / 1000, r->text);
    pthread_mutex_lock(&h->lock);
    queue_again(&h->queue, t->id, LANE_POST, clock_real_ns() + pause_ms * NS_PER_MS);
    pthread_mutex_unlock(&h->lock);
}

static int64_t earlier(int64_t a_ns, int64_t b_ns)
{
    return a_ns < b_ns ? a_ns : b_ns;
}

static int until_something_is_due_ms(struct hooks *h)
{
    int64_t now_ns = clock_real_ns();
    int64_t due_ns = now_ns + WAIT_MOST_MS * NS_PER_MS;
    pthread_mutex_lock(&h->lock);
    if (h->command.pid == 0) {
        due_ns = earlier(due_ns, queue_due_ns(&h->queue, LANE_COMMAND));
    }
    if (!post_is_busy(h->post)) {
        due_ns = earlier(due_ns, queue_due_ns(&h->queue, LANE_POST));
    }
    if (h->stopping) {
        due_ns = earlier(due_ns, h->stop_ns);
    }
    pthread_mutex_unlock(&h->lock);
    if (h->command.pid != 0 && !h->command.killed) {
        due_ns = earlier(due_ns, h->command.until_ns);
    }
    if (h->command.pid != 0 && h->command.pidfd < 0) {
        due_ns = earlier(due_ns, now_ns + LOOK_AGAIN_MS * NS_PER_MS);
    }
    return due_ns > now_ns ? (int)((due_ns - now_ns) / NS_PER_MS) + 1 : 0;
}

static void wait_for_something(struct hooks *h)
{
    uint64_t count = 0;
    const int fds[] = {h->wake_fd, h->command.pidfd, h->command.out_fd};
    post_wait(h->post, fds, sizeof fds / sizeof fds[0], until_something_is_due_ms(h));
    ssize_t got = read(h->wake_fd, &count, sizeof count);
    (void)got; /* nothing to read: something else woke us */
}

static void tell_of_dropped(struct hooks *h)
{
    uint64_t dropped = hooks_dropped(h);
    if (dropped > h->dropped_told) {
        log_warn("events: %llu given up: more than %d were waiting to be told",
                 (unsigned long long)(dropped - h->dropped_told), QUEUE_SIZE);
        h->dropped_told = dropped;
    }
}

/* All told, or no time left. */
static bool may_leave(struct hooks *h)
{
    pthread_mutex_lock(&h->lock);
    bool leave = h->stopping && (h->queue.count == 0 || clock_real_ns() >= h->stop_ns);
    pthread_mutex_unlock(&h->lock);
    return leave;
}

static void turn(struct hooks *h)
{
    struct command_result command_result = {0};
    struct post_result post_result = {0};
    begin_command(h);
    begin_post(h);
    wait_for_something(h);
    if (h->command.pid != 0 && command_work(&h->command, false, &command_result)) {
        settle(h, LANE_COMMAND, command_result.ok, command_result.text);
    }
    if (post_work(h->post, &post_result)) {
        end_post(h, &post_result);
    }
    tell_of_dropped(h);
}

/* Out of time: nothing of ours is left running, and the log says what was not told. */
static void break_off(struct hooks *h)
{
    struct command_result result = {0};
    for (int i = 0; h->command.pid != 0 && i < 20; i++) {
        if (command_work(&h->command, true, &result)) {
            settle(h, LANE_COMMAND, false, "killed: the daemon is leaving");
            break;
        }
        const int fds[] = {h->command.pidfd};
        post_wait(h->post, fds, 1, LOOK_AGAIN_MS);
    }
    for (size_t i = 0; i < h->queue.count; i++) {
        const struct delivery *d = &h->queue.item[i];
        log_warn("events: %s of %s NOT told: the daemon is leaving: %s",
                 hook_kind_names[d->event.kind], d->event.stand, d->event.text);
    }
}

static void *thread(void *arg)
{
    struct hooks *h = arg;
    while (!may_leave(h)) {
        turn(h);
    }
    break_off(h);
    return NULL;
}

/* --- start and stop --- */

static void copy_config(struct hooks *h, const struct hooks_config *c)
{
    size_t n = 0;
    h->config = *c;
    h->config.command = NULL;
    if (c->command == NULL) {
        return;
    }
    while (c->command[n] != NULL) {
        n++;
    }
    h->config.command = zalloc((n + 1) * sizeof *h->config.command);
    for (size_t i = 0; i < n; i++) {
        h->config.command[i] = text_copy(c->command[i]);
    }
}

static void hooks_free(struct hooks *h)
{
    post_free(h->post);
    if (h->wake_fd >= 0) {
        close(h->wake_fd);
    }
    pthread_mutex_destroy(&h->lock);
    hooks_config_clear(&h->config);
    free(h->title);
    free(h);
    curl_global_cleanup();
}

static void say_what_is_wrong(const struct hooks *h)
{
    if (h->config.command != NULL && access(h->config.command[0], X_OK) != 0) {
        log_warn("events: %s cannot be run: %s; nobody will be told by it", h->config.command[0],
                 strerror(errno));
    }
}

bool hooks_start(const struct hooks_config *config, const char *title,
                 const struct hooks_pace *pace, struct hooks **out, struct err *e)
{
    *out = NULL;
    if (config->command == NULL && config->post[0] == '\0') {
        return true; /* libcurl and what comes with it take more room than all else */
    }
    struct hooks *h = zalloc(sizeof *h);
    curl_global_init(CURL_GLOBAL_DEFAULT);
    copy_config(h, config);
    h->pace = pace != NULL ? *pace : hooks_pace_default;
    h->title = text_copy(title);
    h->command = command_none();
    pthread_mutex_init(&h->lock, NULL);
    h->wake_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (h->wake_fd < 0) {
        err_set_errno(e, errno, "events: an eventfd cannot be made");
        goto failed;
    }
    if (!post_new(config->post[0] != '\0' ? config->post : "http://localhost/", h->pace.post_ms,
                  &h->post, e)) {
        goto failed;
    }
    int not_started = pthread_create(&h->thread, NULL, thread, h);
    if (not_started != 0) {
        err_set_errno(e, not_started, "events: the thread cannot be started");
        goto failed;
    }
    say_what_is_wrong(h);
    *out = h;
    return true;
failed:
    hooks_free(h);
    return false;
}

void hooks_stop(struct hooks *h)
{
    if (h == NULL) {
        return;
    }
    int64_t now_ns = clock_real_ns();
    pthread_mutex_lock(&h->lock);
    h->stopping = true;
    h->stop_ns = now_ns + h->pace.flush_ms * NS_PER_MS;
    queue_hurry(&h->queue, now_ns);
    pthread_mutex_unlock(&h->lock);
    wake(h);
    pthread_join(h->thread, NULL);
    hooks_free(h);
}
